"""The first pass over soundings: blanks out of text, bad values out of batches, batches into tiles."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel

SOUND, NOT_FINITE, ABSURD, OUTSIDE = range(4)
"""What :func:`screen` says of a sounding."""

_BLANK, _TAB, _LINE, _RETURN = 32, 9, 10, 13


@kernel
def squeeze_blanks(text, state, out):
    """Turn every run of spaces and tabs into one space, and drop it at both ends of a line.

    Parameters
    ----------
    text : array (n,) of uint8
    state : array (2,) of bool, carried from block to block
        Whether the text so far stands at the start of a line; whether a blank is owed.
    out : array of uint8, at least n + 1 long, written

    Returns
    -------
    int : bytes written
    """
    start, owed = state[0], state[1]
    n = 0
    for byte in text:
        if byte in (_BLANK, _TAB):
            owed = not start
            continue
        ends = byte in (_LINE, _RETURN)
        if owed and not ends:
            out[n] = _BLANK
            n += 1
        owed = False
        start = ends
        out[n] = byte
        n += 1
    state[0], state[1] = start, owed
    return n


@kernel
def screen(easting, northing, depth, shallow, deep, west, south, east, north, verdict):
    """Say of each sounding whether it can be used.

    Parameters
    ----------
    easting, northing, depth : array (n,), m
    shallow, deep : float, m
        Depths beyond them are absurd.
    west, south, east, north : float, m
        Positions beyond them are outside.
    verdict : array (n,) of uint8, written

    Returns
    -------
    counts : array (4,) of int64, by verdict
    """
    counts = np.zeros(4, dtype=np.int64)
    for i in range(depth.size):
        d, e, n = depth[i], easting[i], northing[i]
        if not (math.isfinite(d) and math.isfinite(e) and math.isfinite(n)):
            verdict[i] = NOT_FINITE
        elif d < shallow or d > deep:
            verdict[i] = ABSURD
        elif e < west or e >= east or n <= south or n > north:
            verdict[i] = OUTSIDE
        else:
            verdict[i] = SOUND
        counts[verdict[i]] += 1
    return counts


@kernel
def tile_pairs(easting, northing, west, south, tile, halo, tile_col, tile_row, sounding):
    """Tiles each sounding belongs to: its own, and those whose halo it lies in.

    Parameters
    ----------
    easting, northing : array (n,), m
    west, south : float, m, corner of tile (0, 0); rows count northward.
    tile, halo : float, m, halo < tile / 2
    tile_col, tile_row, sounding : array (4 n,) of int32, written

    Returns
    -------
    int : pairs written
    """
    n = 0
    for i in range(easting.size):
        x = (easting[i] - west) / tile
        y = (northing[i] - south) / tile
        col = np.int64(math.floor(x))
        row = np.int64(math.floor(y))
        edge = halo / tile
        col_to = col - 1 if x - col <= edge else (col + 1 if col + 1 - x <= edge else col)
        row_to = row - 1 if y - row <= edge else (row + 1 if row + 1 - y <= edge else row)
        for k in range(4):
            c = col if k & 1 == 0 else col_to
            r = row if k & 2 == 0 else row_to
            if (k & 1 and col_to == col) or (k & 2 and row_to == row):
                continue
            tile_col[n] = c
            tile_row[n] = r
            sounding[n] = i
            n += 1
    return n


@kernel
def block_changes(easting, northing, size, keys):
    """Blocks of side `size` the soundings pass through, one entry per change of block.

    Parameters
    ----------
    easting, northing : array (n,), m
    keys : array (n,) of int64, written
        ``row * 2**32 + col`` with both counted from the origin of the CRS.

    Returns
    -------
    int : entries written
    """
    n = 0
    last = np.int64(0)
    for i in range(easting.size):
        col = np.int64(math.floor(easting[i] / size))
        row = np.int64(math.floor(northing[i] / size))
        key = row * 4294967296 + col
        if n == 0 or key != last:
            keys[n] = key
            n += 1
            last = key
    return n
