"""The compiled core: free rectangles of every sheet, places bound to windows in x, ruin and recreate.

Everything here works on one alloy. A blank has slots on a sheet: a range of x and y for its low corner, with the size
it takes there. The free space of a sheet is the list of its maximal free rectangles.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba as nb
import numpy as np

from pipemetal.layout.straight import parts_straight, sort_by

__all__ = ["MAX_FREE", "State", "Stock", "build", "miss_cost", "sheet_cost", "tail_beyond", "total_cost"]

MAX_FREE = 320
# Functions that only compiled code calls (a change to one asks for the caches of its callers to be deleted: numba looks
# at the file of the caller alone): without wrappers they compile in a fraction of the time.
_njit: Any = nb.njit
inner = _njit(nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True)
EPS = 1e-9
MANY_SHEETS = 6.0
# columns of Stock.slots and Stock.sheets
X_LOW, X_HIGH, Y_LOW, Y_HIGH, DX, DY, TURN, RISK, RISK_X, RISK_XX = range(10)
MISS, SURE_LOW, SURE_HIGH, ERRORS_LOW, ERRORS_HIGH, ERRORS_SURE = range(10, 16)
X0, X1, Y0, Y1, AREA, FEE, WEIGHT, IS_NEW, MIN_LENGTH, LENGTH_STEP, MIN_WIDTH, WIDTH_STEP = range(12)
# places of Stock.rules
END_PIECE, STRIP, KERF, SHARE, MIN_DX, MIN_DY, WHOLE_REST, CLOSE_FILLS, STRAIGHT = range(9)


class Stock(NamedTuple):
    """What does not change: slots of blank i on sheet s are rows slot_start[i * sheets + s] to the next."""

    slot_start: Any
    slots: Any
    fit_start: Any
    fits: Any
    sheets: Any
    blocked_start: Any
    blocked: Any
    penalty: Any
    soft_penalty: Any
    area: Any
    rules: Any


class State(NamedTuple):
    """Where every blank lies (`at`: sheet and slot, -1 for none; `corner`: x, y) and the free space of every sheet."""

    at: Any
    corner: Any
    free: Any
    n_free: Any
    extent: Any
    count: Any
    rng: Any
    old_free: Any
    old_n_free: Any
    old_extent: Any
    old_count: Any
    touched: Any


@inner
def _random(rng):  # type: ignore[no-untyped-def]
    """Uniform in 0..1 from a splitmix64 state that belongs to one search (so threads cannot change a plan)."""
    rng[0] = rng[0] + np.uint64(0x9E3779B97F4A7C15)
    z = rng[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return float(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inner
def _below(rng, n):  # type: ignore[no-untyped-def]
    return min(int(_random(rng) * n), n - 1)


@inner
def _credit(gap, least, graded):  # type: ignore[no-untyped-def]
    if gap >= least:
        return gap
    return 0.5 * gap * gap / least if graded and gap > 0.0 else 0.0


@inner
def _stepped(used, least, step, most):  # type: ignore[no-untyped-def]
    if used <= least:
        return least
    return min(least + np.ceil((used - least) / step - 1e-9) * step, most)


@nb.njit(cache=True, nogil=True)
def sheet_cost(stock, s, x_low, x_high, y_low, y_high, graded):  # type: ignore[no-untyped-def]
    """Cost of a sheet in use: metal consumed (a share of it when opened area counts) and the fee for opening it.

    The used extent includes the kerf on its high sides, as x1 and y1 of the sheet do. A new sheet is cast as large as
    its use asks, in steps.
    """
    sheet, rules = stock.sheets[s], stock.rules
    kerf = rules[KERF]
    length, width = sheet[X1] - sheet[X0] - kerf, sheet[Y1] - sheet[Y0] - kerf
    if sheet[IS_NEW] > 0.5:
        use_x, use_y = x_high - x_low - kerf, y_high - y_low - kerf
        cast = _stepped(use_x, sheet[MIN_LENGTH], sheet[LENGTH_STEP], length) * _stepped(
            use_y, sheet[MIN_WIDTH], sheet[WIDTH_STEP], width
        )
        return sheet[WEIGHT] * (cast + (0.03 * use_x * use_y if graded else 0.0)) + sheet[FEE]
    ends = _credit(x_low - sheet[X0] - kerf, rules[END_PIECE], graded)
    ends += _credit(sheet[X1] - kerf - x_high, rules[END_PIECE], graded)
    strips = _credit(y_low - sheet[Y0] - kerf, rules[STRIP], graded)
    strips += _credit(sheet[Y1] - kerf - y_high, rules[STRIP], graded)
    consumed = sheet[AREA] - max(ends * width, strips * length)
    return sheet[WEIGHT] * rules[SHARE] * consumed + sheet[FEE]


@nb.njit(cache=True, nogil=True)
def tail_beyond(errors):  # type: ignore[no-untyped-def]
    """The chance of more than so many errors to one side: Student's t of ten degrees of freedom (a fit, within 5 % up to 4.5)."""
    return 0.5 * np.exp(-(0.9157 + (0.3874 - 0.0487 * errors) * errors) * errors)


@inner
def risk_at(slot, x):  # type: ignore[no-untyped-def]
    """What a place costs, as metal, because the metal may not fit there: least in the middle of the blank's tolerance."""
    if slot[MISS] <= 0.0:
        return slot[RISK] + (slot[RISK_X] + slot[RISK_XX] * x) * x
    errors = slot[ERRORS_SURE]
    if x < slot[SURE_LOW] - 1e-6:
        inwards = (x - slot[X_LOW]) / (slot[SURE_LOW] - slot[X_LOW])
        errors = slot[ERRORS_LOW] + (slot[ERRORS_SURE] - slot[ERRORS_LOW]) * inwards
    elif x > slot[SURE_HIGH] + 1e-6:
        inwards = (slot[X_HIGH] - x) / (slot[X_HIGH] - slot[SURE_HIGH])
        errors = slot[ERRORS_HIGH] + (slot[ERRORS_SURE] - slot[ERRORS_HIGH]) * inwards
    return slot[RISK] + slot[MISS] * tail_beyond(errors)


@inner
def sure_ends(slot, rect_low, rect_high, x_low, x_high):  # type: ignore[no-untyped-def]
    """The ends of a range of x, each drawn in to where the place is sure, unless it touches what bounds it."""
    if slot[MISS] <= 0.0:
        return x_low, x_high
    low, high = x_low, x_high
    if rect_low < x_low - EPS:
        low = min(max(slot[SURE_LOW], x_low), x_high)
    if rect_high > x_high + EPS:
        high = max(min(slot[SURE_HIGH], x_high), x_low)
    return low, high


@nb.njit(cache=True, nogil=True)
def miss_cost(stock, at, corner):  # type: ignore[no-untyped-def]
    """What blanks on rolls cost, as metal, because the metal may not fit where they lie."""
    cost = 0.0
    for i in range(at.shape[0]):
        if at[i, 0] >= 0 and stock.slots[at[i, 1], MISS] > 0.0:
            cost += risk_at(stock.slots[at[i, 1]], corner[i, 0])
    return cost


@nb.njit(cache=True, nogil=True)
def total_cost(stock, state, graded):  # type: ignore[no-untyped-def]
    """Cost of all sheets in use and the penalties of blanks that lie nowhere."""
    cost = 0.0
    for s in range(stock.sheets.shape[0]):
        if state.count[s] > 0:
            e = state.extent[s]
            cost += sheet_cost(stock, s, e[0], e[1], e[2], e[3], graded)
    for i in range(state.at.shape[0]):
        if state.at[i, 0] < 0:
            cost += stock.soft_penalty[i]
        else:
            cost += risk_at(stock.slots[state.at[i, 1]], state.corner[i, 0])
    return cost


@inner
def _part(parts, n, a, b, c, d):  # type: ignore[no-untyped-def]
    parts[n, 0] = a
    parts[n, 1] = b
    parts[n, 2] = c
    parts[n, 3] = d
    return n + 1


@inner
def _take_out(free, n, x0, x1, y0, y1, min_dx, min_dy):  # type: ignore[no-untyped-def]
    """Takes a rectangle out of the free space: splits what it meets, drops what another free rectangle holds."""
    kept = np.int64(0)
    parts = np.empty((4 * n + 4, 4))
    n_parts = np.int64(0)
    for k in range(n):
        a, b, c, d = free[k, 0], free[k, 1], free[k, 2], free[k, 3]
        if x0 >= b - EPS or x1 <= a + EPS or y0 >= d - EPS or y1 <= c + EPS:
            kept = _part(free, kept, a, b, c, d)
            continue
        if x0 - a >= min_dx:
            n_parts = _part(parts, n_parts, a, x0, c, d)
        if b - x1 >= min_dx:
            n_parts = _part(parts, n_parts, x1, b, c, d)
        if y0 - c >= min_dy:
            n_parts = _part(parts, n_parts, a, b, c, y0)
        if d - y1 >= min_dy:
            n_parts = _part(parts, n_parts, a, b, y1, d)
    for p in range(n_parts):
        a, b, c, d = parts[p, 0], parts[p, 1], parts[p, 2], parts[p, 3]
        held = False
        # A new part touches the rectangle taken out, so only another part or an old rectangle may hold it.
        for k in range(kept):
            if free[k, 0] <= a + EPS and free[k, 1] >= b - EPS and free[k, 2] <= c + EPS and free[k, 3] >= d - EPS:
                held = True
                break
        if not held:
            for q in range(p + 1, n_parts):
                if (
                    parts[q, 0] <= a + EPS
                    and parts[q, 1] >= b - EPS
                    and parts[q, 2] <= c + EPS
                    and parts[q, 3] >= d - EPS
                ):
                    held = True
                    break
        if not held and kept < free.shape[0]:
            kept = _part(free, kept, a, b, c, d)
    return kept


@inner
def _rebuild(stock, state, s):  # type: ignore[no-untyped-def]
    """The free space and the used extent of a sheet from the blanks that lie on it."""
    sheet, rules, free = stock.sheets[s], stock.rules, state.free[s]
    n: Any
    count: Any
    n, count = _part(free, np.int64(0), sheet[X0], sheet[X1], sheet[Y0], sheet[Y1]), 0
    for b in range(stock.blocked_start[s], stock.blocked_start[s + 1]):
        r = stock.blocked[b]
        n = _take_out(free, n, r[0], r[1], r[2], r[3], rules[MIN_DX], rules[MIN_DY])
    e = state.extent[s]
    e[0], e[1], e[2], e[3] = 1e18, -1e18, 1e18, -1e18
    for i in range(state.at.shape[0]):
        if state.at[i, 0] == s:
            slot = stock.slots[state.at[i, 1]]
            x, y = state.corner[i, 0], state.corner[i, 1]
            n = _take_out(free, n, x, x + slot[DX], y, y + slot[DY], rules[MIN_DX], rules[MIN_DY])
            e[0], e[1] = min(e[0], x), max(e[1], x + slot[DX])
            e[2], e[3] = min(e[2], y), max(e[3], y + slot[DY])
            count += 1
    state.n_free[s] = n
    state.count[s] = count


@inner
def _copy_sheet(n_free, free, extent, count, to_n_free, to_free, to_extent, to_count, s):  # type: ignore[no-untyped-def]
    """Copies the free space, extent and count of sheet s. Loops, since compiling array slices takes seconds."""
    to_n_free[s] = n_free[s]
    to_count[s] = count[s]
    for c in range(4):
        to_extent[s, c] = extent[s, c]
        for k in range(n_free[s]):
            to_free[s, k, c] = free[s, k, c]


@inner
def _touch(state, s):  # type: ignore[no-untyped-def]
    """Keeps what a sheet was before this move changed it."""
    if state.touched[s] == 0:
        state.touched[s] = 1
        _copy_sheet(
            state.n_free,
            state.free,
            state.extent,
            state.count,
            state.old_n_free,
            state.old_free,
            state.old_extent,
            state.old_count,
            s,
        )


@inner
def _waste(mode, f, x, y, dx, dy, sheet):  # type: ignore[no-untyped-def]
    """How badly a place suits a free rectangle, as an area, by one of five ways of looking at it."""
    rest_x, rest_y = f[1] - f[0] - dx, f[3] - f[2] - dy
    if mode == 0:
        return min(rest_x * dy, rest_y * dx)
    if mode == 1:
        return 0.3 * ((f[1] - f[0]) * (f[3] - f[2]) - dx * dy)
    if mode == 2:
        return dx * (y - sheet[Y0]) * 0.3
    if mode == 3:
        return rest_y * dx
    return rest_x * dy


@inner
def _insert(stock, state, i, mode, alpha, blink):  # type: ignore[no-untyped-def]
    """Lays a blank where cost and waste rise least; False where no sheet has room."""
    tries = 3 if stock.rules[STRAIGHT] > 0.5 else 1
    barred = np.full(3, -1, dtype=np.int64)
    for t in range(tries):
        s, k, x, y = _cheapest_place(stock, state, i, mode, alpha, blink, barred)
        if s < 0:
            return False
        if stock.rules[STRAIGHT] < 0.5 or stays_straight(stock, state, s, k, x, y):
            _touch(state, s)
            _put(stock, state, i, s, k, x, y)
            return True
        barred[t] = s
    return False


@inner
def _cheapest_place(stock, state, i, mode, alpha, blink, barred):  # type: ignore[no-untyped-def]
    """Sheet (-1 for none), slot, x and y where cost and waste rise least, on no barred sheet."""
    n_sheets = stock.sheets.shape[0]
    best, best_x, best_y = 1e300, 0.0, 0.0
    best_s: Any = np.int64(-1)
    best_slot: Any = np.int64(-1)
    few = MANY_SHEETS / (stock.fit_start[i + 1] - stock.fit_start[i])
    for f in range(stock.fit_start[i], stock.fit_start[i + 1]):
        s = stock.fits[f]
        # Of many sheets some are passed over; those just ruined are always looked at.
        if blink > 0.0 and few < 1.0 and state.touched[s] == 0 and _random(state.rng) > few:
            continue
        if s == barred[0] or s == barred[1] or s == barred[2]:
            continue
        e, sheet = state.extent[s], stock.sheets[s]
        is_open = state.count[s] > 0
        before = sheet_cost(stock, s, e[0], e[1], e[2], e[3], True) if is_open else 0.0
        for k in range(stock.slot_start[i * n_sheets + s], stock.slot_start[i * n_sheets + s + 1]):
            slot = stock.slots[k]
            dx, dy = slot[DX], slot[DY]
            for r in range(state.n_free[s]):
                rect = state.free[s, r]
                xl, xh = max(slot[X_LOW], rect[0]), min(slot[X_HIGH], rect[1] - dx)
                yl, yh = max(slot[Y_LOW], rect[2]), min(slot[Y_HIGH], rect[3] - dy)
                if xl > xh + EPS or yl > yh + EPS or (blink > 0.0 and _random(state.rng) < blink):
                    continue
                if mode != 2 and alpha * _waste(mode, rect, xl, yl, dx, dy, sheet) >= best:
                    continue
                xl, xh = sure_ends(slot, rect[0], rect[1] - dx, xl, xh)
                for corner in range(4):
                    x = xl if corner & 1 == 0 else xh
                    y = yl if corner & 2 == 0 else yh
                    score = (
                        sheet_cost(stock, s, min(e[0], x), max(e[1], x + dx), min(e[2], y), max(e[3], y + dy), True)
                        - before
                        + alpha * _waste(mode, rect, x, y, dx, dy, sheet)
                    )
                    # A place in mid rectangle leaves rests on both sides: a little dearer than one at its side.
                    score += 0.05 * alpha * dy * min(x - rect[0], rect[1] - x - dx)
                    if score < best:
                        score += risk_at(slot, x)
                    if score < best:
                        best, best_s, best_slot, best_x, best_y = score, s, k, x, y
    return best_s, best_slot, best_x, best_y


@inner
def stays_straight(stock, state, sheet, k, x, y):  # type: ignore[no-untyped-def]
    """Whether straight cuts, each across the whole piece in hand, still part a sheet with one more box laid at x, y."""
    n = state.count[sheet] + 1
    boxes = np.empty((n, 4))
    m = _part(boxes, np.int64(0), x, x + stock.slots[k, DX], y, y + stock.slots[k, DY])
    for i in range(state.at.shape[0]):
        if state.at[i, 0] == sheet and m < n:
            slot = stock.slots[state.at[i, 1]]
            a, c = state.corner[i, 0], state.corner[i, 1]
            m = _part(boxes, m, a, a + slot[DX], c, c + slot[DY])
    return parts_straight(boxes, m)


@inner
def _put(stock, state, i, s, k, x, y):  # type: ignore[no-untyped-def]
    slot = stock.slots[k]
    dx, dy = slot[DX], slot[DY]
    state.at[i, 0], state.at[i, 1] = s, k
    state.corner[i, 0], state.corner[i, 1] = x, y
    state.n_free[s] = _take_out(
        state.free[s], state.n_free[s], x, x + dx, y, y + dy, stock.rules[MIN_DX], stock.rules[MIN_DY]
    )
    e = state.extent[s]
    e[0], e[1] = min(e[0], x), max(e[1], x + dx)
    e[2], e[3] = min(e[2], y), max(e[3], y + dy)
    state.count[s] += 1


@inner
def _order(stock, state, items, n, way, noise):  # type: ignore[no-untyped-def]
    """Sorts the first n of `items`, greatest key first: by area, length, width, or scarcity of places."""
    keys = np.empty(n)
    for j in range(n):
        i = items[j]
        n_fits = stock.fit_start[i + 1] - stock.fit_start[i]
        k = stock.slot_start[i * stock.sheets.shape[0] + stock.fits[stock.fit_start[i]]]
        dx, dy = stock.slots[k, DX], stock.slots[k, DY]
        key = dx * dy
        if way == 1:
            key = dx
        elif way == 2:
            key = dy
        elif way == 3:
            key = dx * dy / n_fits
        elif way == 4:
            key = dy / n_fits
        keys[j] = -key * (1.0 + noise * (_random(state.rng) - 0.5))
    sort_by(keys, items, n)


@nb.njit(cache=True, nogil=True)
def build(stock, state, way, mode, alpha, noise):  # type: ignore[no-untyped-def]
    """Lays all blanks that lie nowhere, in one order; gives the cost (with graded credit)."""
    todo = np.empty(state.at.shape[0], dtype=np.int64)
    n = 0
    for s in range(stock.sheets.shape[0]):
        _rebuild(stock, state, s)
    for i in range(state.at.shape[0]):
        if state.at[i, 0] < 0 and stock.fit_start[i + 1] > stock.fit_start[i]:
            todo[n] = i
            n += 1
    _order(stock, state, todo, n, way, noise)
    for j in range(n):
        _insert(stock, state, todo[j], mode, alpha, 0.0)
    for s in range(stock.sheets.shape[0]):
        state.touched[s] = 0
    return total_cost(stock, state, True)
