"""Gaps in a gridded surface: bridged where both sides hold data, never extended."""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import kernel

_STEPS = ((0, 1), (1, 0), (1, 1), (1, -1))


@kernel
def _reach(state, row, col, step_row, step_col, most):
    """Steps to the nearest measured cell in one direction; 0 when there is none within `most`."""
    for k in range(1, most + 1):
        r = row + k * step_row
        c = col + k * step_col
        if r < 0 or c < 0 or r >= state.shape[0] or c >= state.shape[1]:
            return 0
        if state[r, c] == 1:
            return k
    return 0


@kernel
def bridge_gaps(depth, uncertainty, state, most):
    """Fill empty cells that lie between measured ones across a gap of at most `most` cells.

    Four directions are tried (east-west, north-south, both diagonals). A cell
    is bridged in a direction when measured cells stand on both sides of it and
    the empty stretch between them is no longer than the width allowed
    (diagonal steps count sqrt 2). It takes the mean of the linear
    interpolations along the bridged directions, weighted by 1 / gap**2: exact
    on a plane. Its uncertainty is the larger of the two ends' together with
    half the difference of depth between them: what lies in a gap is not known.

    Parameters
    ----------
    depth, uncertainty : array (rows, cols) of float32, changed where filled
    state : array (rows, cols) of uint8
        0 empty, 1 measured; filled cells become 2.
    most : float, cells

    Returns
    -------
    int : cells filled
    """
    filled = 0
    rows, cols = state.shape
    for row in range(rows):
        for col in range(cols):
            if state[row, col] != 0:
                continue
            value = 0.0
            doubt = 0.0
            total = 0.0
            for step_row, step_col in _STEPS:
                length = math.sqrt(float(step_row * step_row + step_col * step_col))
                reach = np.int64(most / length) + 1
                ahead = _reach(state, row, col, step_row, step_col, reach)
                if ahead == 0:
                    continue
                behind = _reach(state, row, col, -step_row, -step_col, reach)
                if behind == 0 or (ahead + behind - 1) * length > most + 1e-9:
                    continue
                ra, ca = row + ahead * step_row, col + ahead * step_col
                rb, cb = row - behind * step_row, col - behind * step_col
                weight = 1.0 / ((ahead + behind) * length) ** 2
                value += weight * (behind * depth[ra, ca] + ahead * depth[rb, cb]) / (ahead + behind)
                step = 0.5 * abs(depth[ra, ca] - depth[rb, cb])
                doubt += weight * math.hypot(max(uncertainty[ra, ca], uncertainty[rb, cb]), step)
                total += weight
            if total > 0.0:
                depth[row, col] = value / total
                uncertainty[row, col] = doubt / total
                state[row, col] = 2
                filled += 1
    return filled
