"""From blanks and sheets to slots: where along x, and in which band of y, each blank finds its thickness."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property

import numba as nb
import numpy as np
import numpy.typing as npt

from pipemetal.layout.problem import LayoutRoll
from pipemetal.sheets.field import FloatArray
from pipemetal.sheets.fitness import inner, windows_along

__all__ = ["Piece", "SheetTable", "Variant", "find_slots", "sheet_table"]

IntArray = npt.NDArray[np.int64]
MOST_WINDOWS = 16
COLUMNS = 13
PAIRS_FOR_TWO = 20_000
# A sheet whose thickness differs across by more than this share of a blank's tolerance is searched in bands.
BOW_SHARE = 1.0 / 3.0
# Within the guard that a place must keep, the stretches that keep so many errors more tell how chance rises inwards.
SURER = (0.65, 1.35, 2.25)
# Where none of them is found, the middle is taken to keep this much more.
HARDLY_SURER = 0.3
# A blank that fills its sheet exactly fits, whatever rounding says.
EXACT = 1e-6
# A band counts as surer where its sure stretch is wider by this.
SURER_MM = 20.0


@dataclass(frozen=True)
class Variant:
    """One way to lay a piece: its size on the sheet, the thickness it wants at its low end and its slope along x.

    `guard`: so many times its error the metal must keep within the tolerance; `miss_mm2`: what a blank that does not fit there
    costs, as metal (0: chance is not weighed). On a sheet to cast it must lie within `cast_tolerance_mm` of `cast_start_mm`
    instead (None: as on a roll), for there the error is the whole sheet's; `misfit_mm2` is what lying at the edge of its
    tolerance costs there, as metal, `missed_mm2` what lying on such a sheet costs at all, for even in the middle of its
    tolerance a blank may not fit. `worked_mm2` is what lying on a roll costs, as metal, because the blank is then worked.
    """

    dx_mm: float
    dy_mm: float
    start_mm: float
    slope: float
    tolerance_mm: float
    turn_deg: int
    guard: float = 0.0
    miss_mm2: float = 0.0
    cast_start_mm: float | None = None
    cast_tolerance_mm: float | None = None
    misfit_mm2: float = 0.0
    missed_mm2: float = 0.0
    worked_mm2: float = 0.0

    @cached_property
    def as_cast(self) -> Variant:
        """The same as it must lie on a sheet to cast."""
        if self.cast_start_mm is None or self.cast_tolerance_mm is None:
            return self
        return replace(self, start_mm=self.cast_start_mm, tolerance_mm=self.cast_tolerance_mm, guard=0.0)

    @cached_property
    def row(self) -> tuple[float, ...]:
        """The same as compiled code reads it."""
        cast = self.as_cast
        own = (self.dx_mm, self.dy_mm, self.start_mm, self.slope, self.tolerance_mm, self.turn_deg)
        return (*own, self.guard, cast.start_mm, cast.tolerance_mm, self.miss_mm2)


@dataclass(frozen=True)
class Piece:
    """What the core lays: a blank, or a bundle of blanks laid as one. Members: blank, dx, dy, turn in the piece.

    `certainty`: how sure its place must be, where nothing as sure as the problem wants serves it.
    """

    variants: tuple[Variant, ...]
    area_mm2: float
    members: tuple[tuple[int, float, float, int], ...]
    certainty: float | None = None

    @cached_property
    def as_cast(self) -> Piece:
        """The same as it must lie on a sheet to cast."""
        return replace(self, variants=tuple(v.as_cast for v in self.variants))


@dataclass(frozen=True, eq=False)
class SheetTable:
    """The sheets as arrays: `box` (x0, x1, y0, y1) inside the trim, `width` untrimmed, stations and grid padded."""

    box: FloatArray
    width: FloatArray
    n_stations: IntArray
    stations: FloatArray
    n_lines: IntArray
    grid: FloatArray
    bow: FloatArray
    error: FloatArray
    is_new: npt.NDArray[np.bool_]


def sheet_table(rolls: Sequence[LayoutRoll], is_new: Sequence[bool] | None = None) -> SheetTable:
    """Arrays of the rolls for the compiled search of windows; `is_new` tells which are still to be cast (None: none)."""
    count = len(rolls)
    most_stations = max((len(r.stations_mm) for r in rolls), default=2)
    most_lines = max((r.thickness_mm.shape[0] for r in rolls), default=1)
    table = SheetTable(
        np.zeros((count, 4)),
        np.zeros(count),
        np.zeros(count, np.int64),
        np.zeros((count, most_stations)),
        np.zeros(count, np.int64),
        np.zeros((count, most_lines, most_stations)),
        np.zeros(count),
        np.zeros((count, most_lines, most_stations)),
        np.array(is_new if is_new is not None else [False] * count, dtype=bool),
    )
    for s, roll in enumerate(rolls):
        lines, stations = roll.thickness_mm.shape
        table.box[s] = (roll.trim_mm, roll.length_mm - roll.trim_mm, roll.trim_mm, roll.width_mm - roll.trim_mm)
        table.width[s] = roll.width_mm
        table.n_stations[s], table.n_lines[s] = stations, lines
        table.stations[s, :stations] = roll.stations_mm
        table.grid[s, :lines, :stations] = roll.thickness_mm
        if roll.error_mm is not None:
            table.error[s, :lines, :stations] = roll.error_mm
        table.bow[s] = float((roll.thickness_mm.max(axis=0) - roll.thickness_mm.min(axis=0)).max())
    return table


@inner
def _lines_between(grid, n_lines, n, width, y_low, y_high, out):  # type: ignore[no-untyped-def]
    """Writes the thickness along y_low, y_high and the grid lines between; returns how many lines."""
    if n_lines == 1:
        for k in range(n):
            out[0, k] = grid[0, k]
        return 1
    count = 0
    for end in range(2):
        across = min(max((y_low if end == 0 else y_high) / width * (n_lines - 1), 0.0), n_lines - 1.0)
        j = min(int(across), n_lines - 2)
        for k in range(n):
            out[count, k] = grid[j, k] * (1.0 - (across - j)) + grid[j + 1, k] * (across - j)
        count += 1
    for j in range(n_lines):
        y = width * j / (n_lines - 1)
        if y_low < y < y_high:
            for k in range(n):
                out[count, k] = grid[j, k]
            count += 1
    return count


@inner
def _reach(st, thin, thick, want, tolerance):  # type: ignore[no-untyped-def]
    """The stretch of x outside which no line of the sheet is within the tolerance of a thickness (1, 0 where there is none)."""
    first, last = -1, -1
    for k in range(st.size - 1):
        if min(thin[k], thin[k + 1]) <= want + tolerance and max(thick[k], thick[k + 1]) >= want - tolerance:
            first, last = (k if first < 0 else first), k
    if first < 0:
        return 1.0, 0.0
    return st[first], st[last + 1]


@inner
def _guarded_lines(grid, error, guard, n_lines, n, width, y_low, y_high, guarded, out):  # type: ignore[no-untyped-def]
    """The lines of `_lines_between` for the metal at its thickest and at its thinnest; returns how many in all."""
    if guard == 0.0:
        return _lines_between(grid, n_lines, n, width, y_low, y_high, out)
    count = 0
    for side in (1.0, -1.0):
        for j in range(n_lines):
            for k in range(n):
                guarded[j, k] = grid[j, k] + side * guard * error[j, k]
        count += _lines_between(guarded, n_lines, n, width, y_low, y_high, out[count:])
    return count


@inner
def _error_range(error, n_lines, n):  # type: ignore[no-untyped-def]
    """The greatest error of a sheet, and how far it differs across at most."""
    most, apart = 0.0, 0.0
    for k in range(n):
        low, high = error[0, k], error[0, k]
        for j in range(1, n_lines):
            low, high = min(low, error[j, k]), max(high, error[j, k])
        most, apart = max(most, high), max(apart, high - low)
    return most, apart


@inner
def _widest_within(found, n, low, high):  # type: ignore[no-untyped-def]
    """Which of n stretches is the widest that lies in low..high (-1: none)."""
    best, width = -1, -1.0
    for k in range(n):
        if found[k, 0] < high + 1e-9 and found[k, 1] > low - 1e-9 and found[k, 1] - found[k, 0] > width:
            best, width = k, found[k, 1] - found[k, 0]
    return best


@inner
def _sureness(found, counts, low, high, x_low, x_high, guard, sure):  # type: ignore[no-untyped-def]
    """How sure the places of a stretch low..high are: where it is surest, from x to x, and how many errors the metal keeps at
    both its ends and there. An end that the sheet's own edge makes, and not the metal, may be surer than the guard.
    """
    middle = 0.5 * (low + high)
    sure[0], sure[1], sure[2], sure[3], sure[4] = middle, middle, guard, guard, guard + HARDLY_SURER
    for level in range(len(SURER)):
        k = _widest_within(found[level], counts[level], low, high)
        if k < 0:
            break
        sure[0], sure[1] = max(found[level, k, 0], low), min(found[level, k, 1], high)
        sure[4] = guard + SURER[level]
        if low <= x_low + 1e-6 and sure[0] <= low + 1e-6:
            sure[2] = sure[4]
        if high >= x_high - 1e-6 and sure[1] >= high - 1e-6:
            sure[3] = sure[4]


@inner
def _slots_of_pair(  # type: ignore[no-untyped-def]
    box,
    width,
    st,
    thin,
    thick,
    n_lines,
    grid,
    error,
    is_new,
    bow,
    variants,
    v0,
    v1,
    rows,
    n_rows,
    kerf,
    out,
    scratch,
    guarded,
    found_surer,
):
    """The slots of one piece on one sheet, written as rows from n_rows on; returns the new count of rows."""
    n = st.size
    most_error, error_apart = _error_range(error, n_lines, n)
    sure, counts = np.empty(5), np.zeros(len(SURER), np.int64)
    for v in range(v0, v1):
        dx, dy, start = variants[v, 0], variants[v, 1], variants[v, 2]
        slope, tolerance, turn, guard = variants[v, 3], variants[v, 4], variants[v, 5], variants[v, 6]
        if is_new:
            start, tolerance, guard = variants[v, 7], variants[v, 8], 0.0
        if most_error == 0.0:
            guard = 0.0
        weighed = variants[v, 9] > 0.0 and not is_new and most_error > 0.0
        wanted = 0.0 if weighed else guard
        x_high, room_y = box[1] - dx, box[3] - dy
        if x_high < box[0] - EXACT or room_y < box[2] - EXACT:
            continue
        x_high = max(x_high, box[0])
        # Both ends of the blank find their thickness only in a part of the sheet.
        low_from, low_to = _reach(st, thin, thick, start, tolerance + 1e-6)
        high_from, high_to = _reach(st, thin, thick, start + slope * dx, tolerance + 1e-6)
        x_low = max(box[0], low_from, high_from - dx)
        x_high = min(x_high, low_to, high_to - dx)
        if x_high < x_low or low_to < low_from or high_to < high_from:
            continue
        room = max(tolerance - wanted * most_error, 0.25 * tolerance)
        n_bands = 1 if bow + wanted * error_apart <= BOW_SHARE * room or n_lines == 1 else 6
        band = max(dy, (box[3] - box[2]) / 3.0)
        wide_low, wide_high = 1e18, -1e18
        sure_low, sure_high, surest = 1e18, -1e18, 0.0
        for b in range(n_bands):
            y_low, y_high = box[2], box[3]
            if b > 0:
                y_low = box[2] + (box[3] - box[2] - band) * (b - 1) / 4.0
                y_high = y_low + band
                if band >= box[3] - box[2]:
                    break
            count = _guarded_lines(grid, error, guard, n_lines, n, width, y_low, y_high, guarded, scratch)
            found = windows_along(st, scratch, count, dx, start, slope, tolerance, x_low, x_high, out)
            wider = b == 0 or (found > 0 and (out[0, 0] <= wide_low - 2.0 or out[found - 1, 1] >= wide_high + 2.0))
            if found == 0 or not (wider or weighed):
                continue
            if weighed:
                for level in range(len(SURER)):
                    more = guard + SURER[level]
                    counts[level] = 0
                    if level == 0 or counts[level - 1] > 0:
                        count = _guarded_lines(grid, error, more, n_lines, n, width, y_low, y_high, guarded, scratch)
                        counts[level] = windows_along(
                            st, scratch, count, dx, start, slope, tolerance, x_low, x_high, found_surer[level]
                        )
            first = n_rows
            for w in range(found):
                if weighed:
                    _sureness(found_surer, counts, out[w, 0], out[w, 1], x_low, x_high, guard, sure)
                    as_sure = sure[4] > surest - 1e-9
                    if sure[4] > surest + 1e-9 or (
                        as_sure and (sure[0] < sure_low - SURER_MM or sure[1] > sure_high + SURER_MM)
                    ):
                        wider = True
                    if b == 0 and as_sure:
                        sure_low, sure_high = min(sure_low, sure[0]), max(sure_high, sure[1])
                        surest = sure[4]
                if n_rows < rows.shape[0]:
                    row = rows[n_rows]
                    row[0], row[1], row[2], row[3] = out[w, 0], out[w, 1], y_low, max(y_high - dy, y_low)
                    row[4], row[5], row[6], row[7] = dx + kerf, dy + kerf, turn, v
                    for c in range(5):
                        row[8 + c] = sure[c] if weighed else 0.0
                n_rows += 1
                if b == 0:
                    wide_low, wide_high = min(wide_low, out[w, 0]), max(wide_high, out[w, 1])
            if not wider:
                n_rows = first
    return n_rows


@nb.njit(cache=True, nogil=True)
def _all_slots(box, width, n_st, stations, n_li, grid, error, is_new, bow, variant_start, variants, kerf, starts, rows):  # type: ignore[no-untyped-def]
    """Slots of every piece on every sheet; `starts` gets the first row of each pair. Returns the rows needed."""
    n_sheets, n_pieces = box.shape[0], variant_start.size - 1
    out = np.empty((MOST_WINDOWS, 2))
    scratch = np.empty((2 * (grid.shape[1] + 2), grid.shape[2]))
    guarded = np.empty((grid.shape[1], grid.shape[2]))
    found_surer = np.empty((len(SURER), MOST_WINDOWS, 2))
    thin, thick = np.full(n_sheets, 1e18), np.full(n_sheets, -1e18)
    thin_at, thick_at = np.full((n_sheets, grid.shape[2]), 1e18), np.full((n_sheets, grid.shape[2]), -1e18)
    for s in range(n_sheets):
        for k in range(n_st[s]):
            for j in range(n_li[s]):
                thin_at[s, k], thick_at[s, k] = min(thin_at[s, k], grid[s, j, k]), max(thick_at[s, k], grid[s, j, k])
            thin[s], thick[s] = min(thin[s], thin_at[s, k]), max(thick[s], thick_at[s, k])
    n_rows = np.int64(0)
    for i in range(n_pieces):
        v0, v1 = variant_start[i], variant_start[i + 1]
        # what the metal must reach down and up to for some variant, on rolls and on sheets to cast
        roll_low, roll_high, cast_low, cast_high = -1e18, 1e18, -1e18, 1e18
        for v in range(v0, v1):
            rise = variants[v, 3] * variants[v, 0]
            roll_low = max(roll_low, variants[v, 2] + min(rise, 0.0) + variants[v, 4])
            roll_high = min(roll_high, variants[v, 2] + max(rise, 0.0) - variants[v, 4])
            cast_low = max(cast_low, variants[v, 7] + min(rise, 0.0) + variants[v, 8])
            cast_high = min(cast_high, variants[v, 7] + max(rise, 0.0) - variants[v, 8])
        for s in range(n_sheets):
            starts[i * n_sheets + s] = n_rows
            low, high = (cast_low, cast_high) if is_new[s] else (roll_low, roll_high)
            if low < thin[s] or high > thick[s]:
                continue
            n_rows = _slots_of_pair(
                box[s],
                width[s],
                stations[s, : n_st[s]],
                thin_at[s],
                thick_at[s],
                n_li[s],
                grid[s],
                error[s],
                is_new[s],
                bow[s],
                variants,
                v0,
                v1,
                rows,
                n_rows,
                kerf,
                out,
                scratch,
                guarded,
                found_surer,
            )
    starts[n_pieces * n_sheets] = n_rows
    return n_rows


def find_slots(pieces: Sequence[Piece], table: SheetTable, kerf_mm: float) -> tuple[IntArray, FloatArray]:
    """The slots of every piece on every sheet.

    Returns `starts` (pieces * sheets + 1): rows of piece i on sheet s run from starts[i * sheets + s]; and the rows:
    least and greatest x and y of the low corner, the size with the kerf added, the turn, the number of the variant, and where
    chance is weighed: from which x to which the place is surest, and how many errors the metal keeps at both ends and there.
    """
    counts = [len(piece.variants) for piece in pieces]
    variant_start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    variants = np.array(
        [v.row for p in pieces for v in p.variants],
        dtype=float,
    ).reshape(-1, 10)
    n_sheets = table.box.shape[0]
    parts = _shares(variant_start, n_sheets)

    def found(part: tuple[int, int]) -> tuple[IntArray, FloatArray]:
        first, last = part
        low, high = int(variant_start[first]), int(variant_start[last])
        found_starts, found_rows = _slots_of(variant_start[first : last + 1] - low, variants[low:high], table, kerf_mm)
        found_rows[:, 7] += low
        return found_starts, found_rows

    if len(parts) == 1:
        return found(parts[0])
    with ThreadPoolExecutor(len(parts)) as pool:
        tables = list(pool.map(found, parts))
    shifts = np.concatenate([[0], np.cumsum([len(rows) for _, rows in tables])])
    starts = [t[:-1] + shift for (t, _), shift in zip(tables, shifts, strict=False)]
    return np.append(np.concatenate(starts), shifts[-1]).astype(np.int64), np.concatenate([rows for _, rows in tables])


def _shares(variant_start: IntArray, n_sheets: int) -> list[tuple[int, int]]:
    """The pieces in two halves where there is much to do: compiled code works on both at once."""
    n = variant_start.size - 1
    if n < 2 or int(variant_start[-1]) * n_sheets < PAIRS_FOR_TWO:
        return [(0, n)]
    return [(0, n // 2), (n // 2, n)]


def _slots_of(
    variant_start: IntArray, variants: FloatArray, table: SheetTable, kerf_mm: float
) -> tuple[IntArray, FloatArray]:
    n_pieces, n_sheets = variant_start.size - 1, table.box.shape[0]
    starts = np.zeros(n_pieces * n_sheets + 1, np.int64)
    rows = np.zeros((max(256, n_pieces * max(n_sheets // 2, 4)), COLUMNS))
    while True:
        needed = int(
            _all_slots(
                table.box,
                table.width,
                table.n_stations,
                table.stations,
                table.n_lines,
                table.grid,
                table.error,
                table.is_new,
                table.bow,
                variant_start,
                variants,
                float(kerf_mm),
                starts,
                rows,
            )
        )
        if needed <= rows.shape[0]:
            return starts, rows[:needed]
        rows = np.zeros((needed, COLUMNS))
