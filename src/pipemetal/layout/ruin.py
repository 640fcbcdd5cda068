"""The compiled search: takes some blanks out, lays them anew, and keeps the change by a falling threshold."""

from __future__ import annotations

from typing import Any

import numba as nb
import numpy as np

from pipemetal.layout.core import (
    CLOSE_FILLS,
    DX,
    DY,
    EPS,
    MISS,
    STRAIGHT,
    WHOLE_REST,
    X0,
    X1,
    X_HIGH,
    X_LOW,
    Y0,
    Y1,
    Y_HIGH,
    Y_LOW,
    _below,
    _copy_sheet,
    _insert,
    _order,
    _put,
    _random,
    _rebuild,
    _touch,
    inner,
    risk_at,
    sheet_cost,
    stays_straight,
    sure_ends,
)
from pipemetal.layout.straight import sort_by

__all__ = ["improve"]

MOST_REMOVED = 48
MOST_LOST = 24


@inner
def _open_sheet(stock, state):  # type: ignore[no-untyped-def]
    """A sheet in use, by preference one that wastes much: the worst of three drawn."""
    n_sheets = stock.sheets.shape[0]
    best, best_waste = np.int64(-1), -1.0
    for _ in range(3):
        s = _below(state.rng, n_sheets)
        for _step in range(n_sheets):
            if state.count[s] > 0:
                break
            s = (s + 1) % n_sheets
        if state.count[s] == 0:
            return -1
        e = state.extent[s]
        waste = (1e5 + sheet_cost(stock, s, e[0], e[1], e[2], e[3], True)) * (0.3 + _random(state.rng))
        for i in range(state.at.shape[0]):
            if state.at[i, 0] == s:
                waste -= stock.area[i] * 0.8
        if waste > best_waste or best < 0:
            best, best_waste = s, waste
    return best


@inner
def _remove(state, i, removed, n):  # type: ignore[no-untyped-def]
    if n >= removed.shape[0] or state.at[i, 0] < 0:
        return n
    _touch(state, state.at[i, 0])
    removed[n] = i
    state.at[i, 0] = -1
    return n + 1


@inner
def _remove_box(stock, state, s, x0, x1, y0, y1, removed, n):  # type: ignore[no-untyped-def]
    """Takes out the blanks of sheet s that overlap a box (x0, x1, y0, y1)."""
    for i in range(state.at.shape[0]):
        if state.at[i, 0] == s:
            slot = stock.slots[state.at[i, 1]]
            x, y = state.corner[i, 0], state.corner[i, 1]
            if x < x1 and x + slot[DX] > x0 and y < y1 and y + slot[DY] > y0:
                n = _remove(state, i, removed, n)
    return n


@inner
def _remove_near(stock, state, s, x, y, most, removed, n):  # type: ignore[no-untyped-def]
    """Takes out the `most` blanks of sheet s whose middles lie nearest to a point (y counts double)."""
    far = np.empty(state.at.shape[0])
    names = np.empty(state.at.shape[0], dtype=np.int64)
    m = 0
    for i in range(state.at.shape[0]):
        if state.at[i, 0] == s:
            slot = stock.slots[state.at[i, 1]]
            gap_x = max(abs(state.corner[i, 0] + 0.5 * slot[DX] - x) - 0.5 * slot[DX], 0.0)
            gap_y = max(abs(state.corner[i, 1] + 0.5 * slot[DY] - y) - 0.5 * slot[DY], 0.0)
            far[m] = gap_x + 2.0 * gap_y
            names[m] = i
            m += 1
    sort_by(far, names, m)
    for j in range(min(m, most)):
        n = _remove(state, names[j], removed, n)
    return n


@inner
def _ruin_beside(stock, state, removed, n):  # type: ignore[no-untyped-def]
    """Opens a place on another sheet where one of the removed blanks would fit."""
    i = removed[_below(state.rng, n)]
    f = stock.fit_start[i] + _below(state.rng, stock.fit_start[i + 1] - stock.fit_start[i])
    s = stock.fits[f]
    if state.count[s] == 0:
        return n
    return _make_room(stock, state, i, s, removed, n)


@inner
def _make_room(stock, state, i, s, removed, n):  # type: ignore[no-untyped-def]
    """Takes out what stands on one of the places that blank i may have on sheet s."""
    k = stock.slot_start[i * stock.sheets.shape[0] + s]
    k += _below(state.rng, stock.slot_start[i * stock.sheets.shape[0] + s + 1] - k)
    slot, sheet = stock.slots[k], stock.sheets[s]
    x = slot[X_LOW] + _random(state.rng) * (slot[X_HIGH] - slot[X_LOW])
    y = sheet[2] + _random(state.rng) * (sheet[3] - sheet[2] - slot[DY])
    if _random(state.rng) < 0.5:
        y = sheet[2] if _random(state.rng) < 0.5 else sheet[3] - slot[DY]
    return _remove_box(stock, state, s, x + 1.0, x + slot[DX] - 1.0, y + 1.0, y + slot[DY] - 1.0, removed, n)


@inner
def _ruin_one(stock, state, s, removed, n):  # type: ignore[no-untyped-def]
    """Takes blanks out of sheet s: about a point, a band across, all of it, or at the ends of its use."""
    rng, e = state.rng, state.extent[s]
    way = _random(rng)
    if way < 0.45:
        x = e[0] + _random(rng) * (e[1] - e[0])
        y = e[2] + _random(rng) * (e[3] - e[2])
        return _remove_near(stock, state, s, x, y, 2 + _below(rng, 11), removed, n)
    if way < 0.70:
        x = e[0] + _random(rng) * (e[1] - e[0])
        reach = 40.0 + 500.0 * _random(rng) * _random(rng)
        return _remove_box(stock, state, s, x - reach, x + reach, e[2], e[3], removed, n)
    if way < 0.82 and state.count[s] <= MOST_REMOVED - n:
        return _remove_box(stock, state, s, e[0] - 1.0, e[1] + 1.0, e[2] - 1.0, e[3] + 1.0, removed, n)
    reach = 5.0 + 300.0 * _random(rng) * _random(rng)
    side = _below(rng, 4)
    if side == 0:
        return _remove_box(stock, state, s, e[0] - 1.0, e[0] + reach, e[2], e[3], removed, n)
    if side == 1:
        return _remove_box(stock, state, s, e[1] - reach, e[1] + 1.0, e[2], e[3], removed, n)
    if side == 2:
        return _remove_box(stock, state, s, e[0], e[1], e[2] - 1.0, e[2] + 0.5 * reach, removed, n)
    return _remove_box(stock, state, s, e[0], e[1], e[3] - 0.5 * reach, e[3] + 1.0, removed, n)


@inner
def _ruin(stock, state, removed, lost, n_lost):  # type: ignore[no-untyped-def]
    """Takes blanks out of one to three sheets; where blanks lie nowhere, often makes room for one of them."""
    n, rng = np.int64(0), state.rng
    if n_lost > 0 and _random(rng) < 0.5:
        i = lost[_below(rng, n_lost)]
        s = stock.fits[stock.fit_start[i] + _below(rng, stock.fit_start[i + 1] - stock.fit_start[i])]
        if state.count[s] > 0:
            n = _make_room(stock, state, i, s, removed, n)
            if _random(rng) < 0.5 and n > 0:
                n = _ruin_beside(stock, state, removed, n)
            return n, i
    s = _open_sheet(stock, state)
    if s < 0:
        return n, np.int64(-1)
    n = _ruin_one(stock, state, s, removed, n)
    if n > 0 and _random(rng) < 0.6:
        n = _ruin_beside(stock, state, removed, n)
        if _random(rng) < 0.3:
            n = _ruin_beside(stock, state, removed, n)
    elif _random(rng) < 0.3:
        s = _open_sheet(stock, state)
        n = _ruin_one(stock, state, s, removed, n) if s >= 0 else n
    return n, np.int64(-1)


@inner
def _best_place(stock, state, i, size, stretch, found):  # type: ignore[no-untyped-def]
    """The place on a touched sheet that fits blank i most closely: score (1e300: none), sheet, slot; x, y in `found`."""
    n_sheets = stock.sheets.shape[0]
    best: Any = 1e300
    best_s: Any = np.int64(-1)
    best_slot: Any = np.int64(-1)
    for f in range(stock.fit_start[i], stock.fit_start[i + 1]):
        s = stock.fits[f]
        if state.touched[s] == 0:
            continue
        sheet = stock.sheets[s]
        for k in range(stock.slot_start[i * n_sheets + s], stock.slot_start[i * n_sheets + s + 1]):
            slot = stock.slots[k]
            dx, dy = slot[DX], slot[DY]
            for r in range(state.n_free[s]):
                rect = state.free[s, r]
                xl, xh = max(slot[X_LOW], rect[0]), min(slot[X_HIGH], rect[1] - dx)
                yl, yh = max(slot[Y_LOW], rect[2]), min(slot[Y_HIGH], rect[3] - dy)
                if xl > xh + EPS or yl > yh + EPS:
                    continue
                xl, xh = sure_ends(slot, rect[0], rect[1] - dx, xl, xh)
                low_gap, high_gap = xl - rect[0], rect[1] - xh - dx
                low = low_gap <= high_gap
                rest = min(stretch * (rect[1] - rect[0] - dx) / dx, (rect[3] - rect[2] - dy) / dy)
                risk = 0.0
                if slot[MISS] > 0.0 and rest + min(low_gap, high_gap) / dx - size < best:
                    low_risk, high_risk = risk_at(slot, xl) / (dx * dy), risk_at(slot, xh) / (dx * dy)
                    low = low_gap / dx + low_risk <= high_gap / dx + high_risk
                    risk = low_risk if low else high_risk
                score = rest + (low_gap if low else high_gap) / dx + risk - size
                if score < best:
                    best, best_s, best_slot = score, s, k
                    if low_gap < EPS and high_gap < EPS:
                        low = xl - sheet[X0] < sheet[X1] - xh - dx
                    found[0] = xl if low else xh
                    found[1] = yl if yl - sheet[Y0] <= sheet[Y1] - yh - dy else yh
    return best, best_s, best_slot


@inner
def _fill_closely(stock, state, todo, n, larger, stretch):  # type: ignore[no-untyped-def]
    """Lays blanks on the touched sheets, each time the one that fits some place most closely (`larger`: or is large).

    A place asks for its blank here, where `_insert` asks for a blank's place: that leaves fewer rests.
    """
    live, size = np.empty(n, np.int64), np.empty(n)
    for j in range(n):
        i = todo[j]
        k = stock.slot_start[i * stock.sheets.shape[0] + stock.fits[stock.fit_start[i]]]
        live[j], size[j] = i, larger * np.log(stock.slots[k, DX] * stock.slots[k, DY])
    place, found = np.empty(2), np.empty(2)
    while n > 0:
        best: Any = 1e300
        m: Any = 0
        best_j: Any = np.int64(-1)
        best_s, best_slot = np.int64(-1), np.int64(-1)
        while m < n:
            score, s, k = np.float64(1e300), np.int64(-1), np.int64(-1)
            if state.at[live[m], 0] < 0:
                score, s, k = _best_place(stock, state, live[m], size[m], stretch, found)
            if s < 0:
                # Free space only shrinks: what fits nowhere now never will.
                n -= 1
                live[m], size[m] = live[n], size[n]
                continue
            if score < best:
                best, best_j, best_s, best_slot = score, m, s, k
                place[0], place[1] = found[0], found[1]
            m += 1
        if best_j < 0:
            continue
        if stock.rules[STRAIGHT] > 0.5 and not stays_straight(stock, state, best_s, best_slot, place[0], place[1]):
            n -= 1
            live[best_j], size[best_j] = live[n], size[n]
            continue
        _put(stock, state, live[best_j], best_s, best_slot, place[0], place[1])


@inner
def _recreate(stock, state, todo, n, first):  # type: ignore[no-untyped-def]
    rng = state.rng
    way = _below(rng, 5)
    noise = 0.0 if _random(rng) < 0.4 else _random(rng)
    _order(stock, state, todo, n, way, noise)
    mode = _below(rng, 5)
    alpha = 0.03 if _random(rng) < 0.3 else (0.2 if _random(rng) < 0.5 else 1.0)
    blink = 0.0 if _random(rng) < 0.3 else 0.04
    if first >= 0:
        _insert(stock, state, first, mode, alpha, 0.0)
    if _random(rng) < stock.rules[CLOSE_FILLS]:
        _fill_closely(stock, state, todo, n, 0.3 * _random(rng), 0.3 + _random(rng))
    for j in range(n):
        if todo[j] != first and state.at[todo[j], 0] < 0:
            _insert(stock, state, todo[j], mode, alpha, blink)


@inner
def _touched_cost(stock, state, old):  # type: ignore[no-untyped-def]
    """Cost of the touched sheets, before the move or now; a rest in one piece is worth more than the same in many."""
    cost = 0.0
    for s in range(stock.sheets.shape[0]):
        if state.touched[s]:
            e = state.old_extent[s] if old else state.extent[s]
            if (state.old_count[s] if old else state.count[s]) > 0:
                cost += sheet_cost(stock, s, e[0], e[1], e[2], e[3], True)
                free = state.old_free[s] if old else state.free[s]
                largest = 0.0
                for k in range(state.old_n_free[s] if old else state.n_free[s]):
                    largest = max(largest, (free[k, 1] - free[k, 0]) * (free[k, 3] - free[k, 2]))
                cost -= stock.rules[WHOLE_REST] * largest
    return cost


@inner
def _copy_row(at, corner, to_at, to_corner, i):  # type: ignore[no-untyped-def]
    for c in range(2):
        to_at[i, c] = at[i, c]
        to_corner[i, c] = corner[i, c]


@inner
def _undo(state, todo, n, old_at, old_corner):  # type: ignore[no-untyped-def]
    for j in range(n):
        i = todo[j]
        _copy_row(old_at, old_corner, state.at, state.corner, i)
    for s in range(state.touched.shape[0]):
        if state.touched[s]:
            _copy_sheet(
                state.old_n_free,
                state.old_free,
                state.old_extent,
                state.old_count,
                state.n_free,
                state.free,
                state.extent,
                state.count,
                s,
            )


@inner
def _keep_best(stock, state, best_at, best_corner, best_cost):  # type: ignore[no-untyped-def]
    """Stores the plan where its true cost is the least seen."""
    cost = 0.0
    for s in range(stock.sheets.shape[0]):
        if state.count[s] > 0:
            e = state.extent[s]
            cost += sheet_cost(stock, s, e[0], e[1], e[2], e[3], False)
    for i in range(state.at.shape[0]):
        if state.at[i, 0] < 0:
            cost += stock.penalty[i]
        else:
            cost += risk_at(stock.slots[state.at[i, 1]], state.corner[i, 0])
    if cost < best_cost[0] - 1e-6:
        best_cost[0] = cost
        for i in range(state.at.shape[0]):
            _copy_row(state.at, state.corner, best_at, best_corner, i)


@inner
def _add_lost(state, todo, n, lost, n_lost, first):  # type: ignore[no-untyped-def]
    """Adds blanks that lie nowhere to those to be laid: `first`, and a run of the others from a random start."""
    start = _below(state.rng, n_lost) if n_lost > 0 else 0
    for j in range(min(n_lost, MOST_LOST)):
        i = lost[(start + j) % n_lost]
        if i != first:
            todo[n] = i
            n += 1
    if first >= 0:
        todo[n] = first
        n += 1
    return n


@nb.njit(cache=True, nogil=True)
def improve(stock, state, best_at, best_corner, best_cost, moves, hot, cold):  # type: ignore[no-untyped-def]
    """Makes `moves` ruin-and-recreate moves, the threshold falling from `hot` to `cold` (mm2 of cost).

    `best_at`, `best_corner`, `best_cost` keep the plan of least true cost. Returns the number of moves kept.
    """
    n_items = state.at.shape[0]
    removed = np.empty(MOST_REMOVED, dtype=np.int64)
    todo = np.empty(MOST_REMOVED + n_items, dtype=np.int64)
    lost = np.empty(n_items, dtype=np.int64)
    old_at, old_corner = np.empty((n_items, 2), np.int64), np.empty((n_items, 2))
    for i in range(n_items):
        _copy_row(state.at, state.corner, old_at, old_corner, i)
    kept = 0
    for move in range(moves):
        heat = hot * (cold / hot) ** (move / moves)
        n_lost = 0
        for i in range(n_items):
            if state.at[i, 0] < 0 and stock.fit_start[i + 1] > stock.fit_start[i]:
                lost[n_lost] = i
                n_lost += 1
        for s in range(state.touched.shape[0]):
            state.touched[s] = 0
        n, first = _ruin(stock, state, removed, lost, n_lost)
        if n == 0 and n_lost == 0:
            continue
        for s in range(state.touched.shape[0]):
            if state.touched[s]:
                _rebuild(stock, state, s)
        for j in range(n):
            todo[j] = removed[j]
        n = _add_lost(state, todo, n, lost, n_lost, first)
        before = 0.0
        for j in range(n):
            if old_at[todo[j], 0] < 0:
                before += stock.soft_penalty[todo[j]]
            else:
                before += risk_at(stock.slots[old_at[todo[j], 1]], old_corner[todo[j], 0])
        _recreate(stock, state, todo, n, first)
        change = _touched_cost(stock, state, False) - _touched_cost(stock, state, True) - before
        for j in range(n):
            if state.at[todo[j], 0] < 0:
                change += stock.soft_penalty[todo[j]]
            else:
                change += risk_at(stock.slots[state.at[todo[j], 1]], state.corner[todo[j], 0])
        if change <= 1e-9 or change < -heat * np.log(_random(state.rng) + 1e-300):
            kept += 1
            for j in range(n):
                _copy_row(state.at, state.corner, old_at, old_corner, todo[j])
            _keep_best(stock, state, best_at, best_corner, best_cost)
        else:
            _undo(state, todo, n, old_at, old_corner)
    return kept
