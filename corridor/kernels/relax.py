"""The relaxed cost-to-go: least cost over grid steps, without turning limits.

Label-correcting sweeps over tiles of 64 x 64 cells. A tile is swept down and
up until nothing in it changes; each row first pulls from the rows before it
(all headings at once along the row, which the compiler vectorises), then scans
left to right and right to left. Tiles wait with the least key that changed
beside them and are processed in windows of key. The fixed point is that of
Dijkstra's algorithm; labels below the least waiting key are final.
"""

from __future__ import annotations

import math

import numpy as np

from corridor.compiled import ONE, ZERO, kernel
from corridor.kernels.ground import rim_allows, rim_record

TILE = 64
RIM, CROSSING = np.int8(1), np.int8(2)
"""What a step from a cell may meet."""

PAD = 5
"""Border of infinity around the field: no step is longer than this in columns or rows."""


@kernel
def planes_of(cells, rows, cols):
    """Factor and gradients as three padded planes, so that rows load contiguously."""
    planes = np.full((3, rows + 2 * PAD, cols + 2 * PAD), np.float32(np.inf))
    planes[1:] = np.float32(0.0)
    for row in range(rows):
        for col in range(cols):
            for k in range(3):
                planes[k, row + PAD, col + PAD] = cells[row * cols + col, k]
    return planes


@kernel
def special_cells(cells, crossing_row, rows, cols, reach):
    """(rows, cols) int8: sum of CROSSING and RIM where a step from here may meet an asset, a rim record."""
    special = np.zeros((rows, cols), dtype=np.int8)
    for row in range(rows):
        for col in range(cols):
            if rim_record(cells[row * cols + col, 3]) > 0:
                for r in range(max(row - reach, 0), min(row + reach + 1, rows)):
                    for c in range(max(col - reach, 0), min(col + reach + 1, cols)):
                        special[r, c] = RIM
    for row in range(rows):
        for col in range(cols):
            if crossing_row[row * cols + col] > 0:
                special[row, col] += CROSSING
    return special


@kernel(inline="always")
def clears_rims(ground, moves, cell, heading):
    """Whether a step from a cell, none of whose cells is closed, keeps clear of every edge it passes."""
    for k in range(moves.step_row[heading], moves.step_row[heading + 1]):
        record = rim_record(ground.cells[cell + moves.offsets[k], 3])
        if record > 0 and not rim_allows(
            ground, record, moves.spans[k, 0], moves.spans[k, 1], moves.spans[k, 2], moves.spans[k, 3]
        ):
            return False
    return True


@kernel(error_model="numpy")
def tile_costs(ground, moves, crossings, planes, shifts, special, first_row, first_col, out):
    """Cost of every step from every cell of a tile: `out` (H, TILE, TILE) float32.

    `shifts` (m, 2): columns, rows of every cell of the steps' stencils,
    relative. Cells are priced row by row as if plain; then special ones one by one.
    """
    rows = min(TILE, ground.rows - first_row)
    cols = min(TILE, ground.cols - first_col)
    limit_along = np.float32(ground.tan_along * (1.0 + 1e-7))
    limit_across = np.float32(ground.tan_across * (1.0 + 1e-7))
    k_along, k_across = np.float32(ground.k_along), np.float32(ground.k_across)
    total = np.empty(TILE, dtype=np.float32)
    for heading in range(len(moves.vectors)):
        for r in range(rows):
            for c in range(cols):
                total[c] = np.float32(0.0)
            for k in range(moves.step_row[heading], moves.step_row[heading + 1]):
                length = moves.pieces[k, 0]
                east, south = moves.pieces[k, 1], moves.pieces[k, 2]
                at_row = first_row + r + shifts[k, 1] + PAD
                at_col = first_col + shifts[k, 0] + PAD
                factor = planes[0, at_row, at_col : at_col + cols]
                g_east = planes[1, at_row, at_col : at_col + cols]
                g_south = planes[2, at_row, at_col : at_col + cols]
                for c in range(cols):
                    along = g_east[c] * east + g_south[c] * south
                    across = g_south[c] * east - g_east[c] * south
                    price = length * (factor[c] + k_along * along * along + k_across * across * across)
                    refused = (abs(along) > limit_along) | (abs(across) > limit_across)
                    total[c] += np.float32(np.inf) if refused else price
            for c in range(cols):
                out[heading, r, c] = total[c]
    for r in range(rows):
        row = first_row + r
        for c in range(cols):
            col = first_col + c
            kind = special[row, col]
            if kind == 0:
                continue
            cell = row * ground.cols + col
            for heading in range(len(moves.vectors)):
                if out[heading, r, c] == np.float32(np.inf):
                    continue
                if kind & CROSSING:
                    out[heading, r, c] += crossings.fee[crossings.row[cell], heading]
                if kind & RIM and not clears_rims(ground, moves, cell, heading):
                    out[heading, r, c] = np.float32(np.inf)


@kernel
def sweep_tile(field, vectors, costs, first_row, first_col, rows, cols, down, reach, swept, changed, clock):
    """One pass over a tile, downwards or upwards, of the rows for which it can change something.

    `field` is padded. `swept` and `changed` (rows,) hold when a row was last swept in this
    direction (0: never) and when its labels last fell; `clock` is the time of the last sweep of
    a row. Returns the new time.
    """
    best = np.empty(cols)
    west = east = 0
    for heading in range(len(vectors)):
        if vectors[heading, 1] == 0:
            if vectors[heading, 0] < 0:
                west = heading
            else:
                east = heading
    for step in range(rows):
        r = step if down else rows - 1 - step
        stale = swept[r] == 0
        for k in range(1, reach + 1):
            source = r - k if down else r + k
            if 0 <= source < rows:
                stale |= changed[source] > swept[r]
        if not stale:
            continue
        clock += 1
        swept[r] = clock
        row = first_row + r + PAD
        here = field[row, first_col + PAD : first_col + PAD + cols]
        for c in range(cols):
            best[c] = here[c]
        for heading in range(len(vectors)):
            south = vectors[heading, 1]
            if (south < 0) != down or south == 0:
                continue
            start = first_col + PAD + vectors[heading, 0]
            beyond = field[row + south, start : start + cols]
            price = costs[heading, r]
            for c in range(cols):
                value = beyond[c] + price[c]
                best[c] = value if value < best[c] else best[c]
        carried = field[row, first_col + PAD - 1]
        for c in range(cols):
            carried = min(best[c], carried + costs[west, r, c])
            best[c] = carried
        carried = field[row, first_col + PAD + cols]
        fell = False
        for c in range(cols - 1, -1, -1):
            carried = min(best[c], carried + costs[east, r, c])
            fell |= carried < here[c]
            here[c] = carried
        if fell:
            changed[r] = clock
    return clock


@kernel
def settle_tile(field, guide, vectors, costs, waiting, first_row, first_col, rows, cols, reach):
    """Sweep a tile until it is stable, then let the tiles around it wait for what changed near them."""
    top, left = first_row + PAD, first_col + PAD
    before = field[top : top + rows, left : left + cols].copy()
    swept, changed = np.zeros((2, rows), dtype=np.int64), np.zeros(rows, dtype=np.int64)
    clock, last = ZERO, -ONE
    while clock != last:
        last = clock
        for up in range(2):
            clock = sweep_tile(
                field, vectors, costs, first_row, first_col, rows, cols, up == 0, reach,
                swept[up], changed, clock,
            )  # fmt: skip
    tile_row, tile_col = first_row // TILE, first_col // TILE
    for r in range(rows):
        near_row = -1 if r < reach else (1 if r >= rows - reach else 0)
        for c in range(cols):
            near_col = -1 if c < reach else (1 if c >= cols - reach else 0)
            if (near_row == 0 and near_col == 0) or not field[top + r, left + c] < before[r, c]:
                continue
            key = field[top + r, left + c] + guide[first_row + r, first_col + c]
            for dr in (0, near_row):
                for dc in (0, near_col):
                    to_row, to_col = tile_row + dr, tile_col + dc
                    if (
                        (dr != 0 or dc != 0)
                        and 0 <= to_row < waiting.shape[0]
                        and 0 <= to_col < waiting.shape[1]
                    ):
                        waiting[to_row, to_col] = min(waiting[to_row, to_col], key)


@kernel(error_model="numpy")
def least_cone(cones, price, rows, cols):
    """(rows, cols) the least of `value + price * distance` over cones (u, v, value), never below 0."""
    out = np.empty((rows, cols))
    best = np.empty(cols, dtype=np.float32)
    slope = np.float32(price)
    for row in range(rows):
        for col in range(cols):
            best[col] = np.float32(np.inf)
        for k in range(len(cones)):
            first = np.float32(0.5 - cones[k, 0])
            south = np.float32((row + 0.5 - cones[k, 1]) ** 2)
            value = np.float32(cones[k, 2])
            for col in range(cols):
                east = np.float32(col) + first
                best[col] = min(best[col], value + slope * np.sqrt(east * east + south))
        for col in range(cols):
            # Single precision may round up.
            out[row, col] = max(best[col] * (1.0 - 1e-6), 0.0)
    return out


@kernel
def relax(
    ground, moves, crossings, planes, shifts, special, field, guide, waiting, known, slot, costs, batch, limit
):
    """Settle up to `batch` tiles, least waiting key first, while that key is within `limit`.

    Parameters
    ----------
    field : array (rows + 2 PAD, cols + 2 PAD)
        Labels; infinity where unknown and on the border.
    guide : array (rows, cols)
        A lower bound of what lies beyond a cell, or zeros.
    waiting : array (tile rows, tile cols)
        Least key that changed beside a tile; infinity when it has nothing to do.
    known : array (tile rows, tile cols) int64
        Where the tile's step costs stand in `costs`, plus 1; 0 when not yet there.
    slot : array (1,) int64
        Number of tiles priced so far.
    costs : array (room, H, TILE, TILE) float32

    Returns
    -------
    float
        The least waiting key left. Stops early when `costs` is full.
    """
    reach = ZERO
    for heading in range(len(moves.vectors)):
        reach = max(reach, abs(moves.vectors[heading, 0]))
    done = 0
    while True:
        least = math.inf
        for tile_row in range(waiting.shape[0]):
            for tile_col in range(waiting.shape[1]):
                least = min(least, waiting[tile_row, tile_col])
        if least > limit or least == math.inf or done >= batch:
            return least
        for tile_row in range(waiting.shape[0]):
            for tile_col in range(waiting.shape[1]):
                if waiting[tile_row, tile_col] > least + 0.25 * TILE:
                    continue
                first_row, first_col = tile_row * TILE, tile_col * TILE
                if known[tile_row, tile_col] == 0:
                    if slot[0] == len(costs):
                        return least
                    tile_costs(
                        ground,
                        moves,
                        crossings,
                        planes,
                        shifts,
                        special,
                        first_row,
                        first_col,
                        costs[slot[0]],
                    )
                    slot[0] += 1
                    known[tile_row, tile_col] = slot[0]
                waiting[tile_row, tile_col] = math.inf
                settle_tile(
                    field, guide, moves.vectors, costs[known[tile_row, tile_col] - 1], waiting,
                    first_row, first_col, min(TILE, ground.rows - first_row),
                    min(TILE, ground.cols - first_col), reach,
                )  # fmt: skip
                done += 1
