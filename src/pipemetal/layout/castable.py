"""Sheets still to cast: which profiles are worth casting for the blanks the rack cannot serve, and how large."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipemetal.layout.core import RISK, RISK_X, RISK_XX, build
from pipemetal.layout.plan import NewSheet, Placement
from pipemetal.layout.problem import Castable, LayoutRoll
from pipemetal.layout.search import SolverSettings
from pipemetal.layout.sheet_for import Profile, profile_of_piece
from pipemetal.layout.shelf import Place, SheetRule, Shelf, make_shelf, shelf_place
from pipemetal.layout.windows import IntArray, Piece
from pipemetal.sheets.field import FloatArray

__all__ = ["cast_rule", "choose_profiles", "trimmed_to_use"]

MOST_PROFILES = 36
# Tried for a sheet where time is short.
FEW_PROFILES = 4
# More pieces are not tried on one sheet, the largest first: it is full long before.
MOST_IN_A_TRIAL = 400
# More sheets of one profile are left as they are.
MOST_JOINED = 60
# A profile chosen before is taken again while it serves at least this share of what the best would.
SAME_AGAIN = 0.94
# How far values are moved by chance where sheets are chosen once more.
TASTE = 0.06
Box = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class ChosenSheet:
    """A sheet worth casting, at its largest, and where it would carry which pieces."""

    roll: LayoutRoll
    places: list[tuple[Piece, Place]]


def cast_rule(castable: Castable, settings: SolverSettings, roll: LayoutRoll) -> SheetRule:
    """What a sheet to cast costs in the search: its metal weighs more, and every cast has a fee.

    Where the shop has set widths, all of the sheet's width is cast, whatever is used of it.
    """
    return SheetRule(
        settings.cast_fee_mm2 * settings.new_metal_weight,
        settings.new_metal_weight,
        True,
        castable.min_length_mm,
        castable.length_step_mm,
        roll.width_mm if castable.widths else castable.min_width_mm,
        castable.width_step_mm,
    )


def virtual_roll(castable: Castable, alloy: str, profile: Profile, name: str) -> LayoutRoll:
    """The largest sheet of a profile that may be cast; it is cut down to what is used later."""
    length = profile.cast.max_length_mm
    if profile.slope != 0.0:
        limit = castable.min_thickness_mm if profile.slope < 0.0 else castable.max_thickness_mm
        length = min(length, max((limit - profile.start_mm) / profile.slope, castable.min_length_mm))
    length = _within_section(profile, length, castable)
    end = min(max(profile.start_mm + profile.slope * length, castable.min_thickness_mm), castable.max_thickness_mm)
    return LayoutRoll(
        name,
        alloy,
        length,
        profile.cast.width_mm,
        castable.trim_mm,
        (0.0, length),
        np.array([[profile.start_mm, end]]),
    )


def _within_section(profile: Profile, length_mm: float, castable: Castable) -> float:
    """The length, cut down in steps to what one filling of the sled gives of this profile."""
    most = profile.cast.max_section_mm2
    if most is None or length_mm * (profile.start_mm + profile.slope * length_mm / 2.0) <= most:
        return length_mm
    # the root of start l + slope l^2 / 2 = most, by the form that stays good where the slope is nearly zero
    root = np.sqrt(max(profile.start_mm**2 + 2.0 * profile.slope * most, 0.0))
    reach = 2.0 * most / (profile.start_mm + float(root))
    steps = np.floor((reach - castable.min_length_mm) / castable.length_step_mm + 1e-9)
    return float(castable.min_length_mm + max(steps, 0.0) * castable.length_step_mm)


def profiles_for(pieces: Sequence[Piece], castable: Castable) -> list[Profile]:
    """Profiles worth a trial: slopes that the blanks ask for, starts that put a blank at the thick end or all along."""
    steepest = castable.max_taper_mm_m / 1000.0
    variants = [v.as_cast for p in pieces for v in p.variants]
    slopes = np.clip([v.slope for v in variants], -steepest, steepest)
    tapers = {0.0, *(float(round(q, 6)) for q in np.quantile(slopes, (0.1, 0.5, 0.9)))}
    tapers |= {-steepest, -0.5 * steepest} if np.median(slopes) <= 0.0 else {steepest, 0.5 * steepest}
    tapers = {max(-steepest, min(steepest, t)) for t in tapers}
    starts = np.array([v.start_mm for v in variants])
    found: dict[tuple[float, float], None] = {}
    per_taper = max(4, MOST_PROFILES // len(tapers))
    for taper in sorted(tapers):
        for quantile in np.linspace(0.0, 1.0, per_taper):
            start = float(np.quantile(starts, quantile)) - taper * castable.trim_mm
            if taper < 0.0:
                # A little over the thickest blank: it then fits from the very end on.
                start += 0.5 * min(v.tolerance_mm for v in variants)
            low, high = castable.min_thickness_mm, castable.max_thickness_mm
            low, high = low - min(taper, 0.0) * castable.min_length_mm, high - max(taper, 0.0) * castable.min_length_mm
            if low <= high:
                found[round(min(max(start, low), high), 3), taper] = None
    profiles = (Profile(start, slope, cast) for start, slope in found for cast in castable.choices)
    return [
        p
        for p in profiles
        if castable.min_thickness_mm <= p.start_mm <= castable.max_thickness_mm and _least_fits(p, castable)
    ]


def _least_fits(profile: Profile, castable: Castable) -> bool:
    """Whether one filling of the sled gives the shortest sheet of a profile."""
    least, most = castable.min_length_mm, profile.cast.max_section_mm2
    return most is None or least * (profile.start_mm + profile.slope * least / 2.0) <= most


def choose_profiles(
    pieces: Sequence[Piece],
    alloy: str,
    castable: Castable,
    settings: SolverSettings,
    kerf_mm: float,
    most_sheets: float,
    late: Callable[[], bool] = lambda: False,
    taste: np.random.Generator | None = None,
) -> list[ChosenSheet]:
    """Sheets, one after the other, each the profile that turns most of its metal into blanks still unserved.

    Where it is `late`, only the last profile and a few others are tried for each further sheet, and more where they
    serve nothing.
    Returns the sheets at their largest, named N001 and so on, each with the places of the blanks that it would serve;
    the search then lays blanks on rack and sheets together.
    """
    left, chosen = [p for p in pieces if profile_of_piece(p.as_cast, castable)], list[ChosenSheet]()
    if len(left) > MOST_IN_A_TRIAL:
        left.sort(key=lambda p: -p.area_mm2)
    last: _Sheet | None = None
    while left and len(chosen) < most_sheets:
        tried, widths = left[:MOST_IN_A_TRIAL], {sheet.roll.width_mm for sheet in chosen}

        def trial(profile: Profile, tried: list[Piece] = tried, widths: set[float] = widths) -> _Sheet:
            roll = virtual_roll(castable, alloy, profile, "trial")
            change = castable.width_change_mm2 if widths and roll.width_mm not in widths else 0.0
            found = _Sheet(profile, *_trial(tried, roll, castable, settings, kerf_mm, change))
            return found if taste is None else replace(found, value=found.value * float(np.exp(TASTE * taste.normal())))

        best = _hurried(trial, last, tried, castable) if late() else _thorough(trial, last, left, castable)
        if best is None:
            del left[0]
            continue
        last = best
        roll = virtual_roll(castable, alloy, best.profile, f"N{len(chosen) + 1:03d}")
        chosen.append(ChosenSheet(roll, [(left[k], place) for k, place in best.served.items()]))
        left = [p for k, p in enumerate(left) if k not in best.served]
    return chosen


@dataclass(frozen=True, eq=False)
class _Sheet:
    """A trial of a profile: the share of its cost that becomes blanks, and which blanks it would serve."""

    profile: Profile
    value: float
    served: dict[int, Place]


def _thorough(
    trial: Callable[[Profile], _Sheet], last: _Sheet | None, left: Sequence[Piece], castable: Castable
) -> _Sheet | None:
    """The best profile for what is left; that of the sheet before where it is nearly as good."""
    profiles = profiles_for(left, castable)
    same = trial(last.profile) if last is not None else None
    best = _best([*map(trial, profiles), *([same] if same is not None else [])])
    if best is None:
        return _alone(trial, left, castable)
    return same if same is not None and same.served and same.value >= SAME_AGAIN * best.value else best


def _hurried(
    trial: Callable[[Profile], _Sheet], last: _Sheet | None, left: Sequence[Piece], castable: Castable
) -> _Sheet | None:
    """The profile of the sheet before while it serves nearly as well as it did, else the best of a few.

    Haste leaves nothing unserved: where the few serve nothing the rest are tried.
    """
    if last is not None:
        same = trial(last.profile)
        if same.served and same.value >= SAME_AGAIN * last.value:
            return same
    profiles = profiles_for(left, castable)
    few = profiles[:: max(len(profiles) // FEW_PROFILES, 1)]
    best = _best([trial(p) for p in few]) or _best([trial(p) for p in profiles if p not in few])
    return best or _alone(trial, left, castable)


def _alone(trial: Callable[[Profile], _Sheet], left: Sequence[Piece], castable: Castable) -> _Sheet | None:
    """The profile that is made for the largest piece alone: no sample of profiles may leave it unserved."""
    own = profile_of_piece(left[0].as_cast, castable)
    return _best([trial(own)]) if own is not None else None


def _best(sheets: Sequence[_Sheet]) -> _Sheet | None:
    """The first of the best that serve something."""
    serving = [sheet for sheet in sheets if sheet.served]
    return max(serving, key=lambda sheet: sheet.value, default=None)


def _trial(
    pieces: Sequence[Piece],
    roll: LayoutRoll,
    castable: Castable,
    settings: SolverSettings,
    kerf_mm: float,
    change_mm2: float,
) -> tuple[float, dict[int, Place]]:
    """Share of the cost of one such sheet that becomes blanks, and which blanks it would serve.

    `change_mm2`: what casting in its width costs, where no other sheet has it yet.
    """
    shelf = make_shelf(
        pieces,
        [roll],
        [cast_rule(castable, settings, roll)],
        kerf_mm,
        share=1.0,
        least_end_piece_mm=500.0,
        least_strip_mm=150.0,
        seed=1,
        straight=settings.straight_cuts_only,
    )
    if shelf.stock.fits.size == 0:
        return 0.0, {}
    build(shelf.stock, shelf.state, 0, 3, 0.2, 0.0)
    served = np.nonzero(shelf.state.at[:, 0] >= 0)[0]
    if served.size == 0:
        return 0.0, {}
    length, width, _, _ = used_size(shelf, 0, castable, shelf.state.at, shelf.state.corner)
    cost = length * width + settings.cast_fee_mm2 + change_mm2
    places = {int(k): shelf_place(shelf, int(k), shelf.state.at, shelf.state.corner) for k in served}
    slots, x = shelf.stock.slots[shelf.state.at[served, 1]], shelf.state.corner[served, 0]
    risk = slots[:, RISK] + (slots[:, RISK_X] + slots[:, RISK_XX] * x) * x
    cost += float(risk.sum()) / settings.new_metal_weight
    return float(shelf.stock.area[served].sum() / cost), places


def used_size(
    shelf: Shelf, s: int, castable: Castable, at: IntArray, corner: FloatArray
) -> tuple[float, float, float, float]:
    """Gross length and width in steps that the use of new sheet s asks for, and where the cut-down sheet begins."""
    return _cut_down(_use_of(shelf, s, castable, at, corner), castable, shelf.rolls[s])


def _use_of(shelf: Shelf, s: int, castable: Castable, at: IntArray, corner: FloatArray) -> Box:
    """What of new sheet s is used, trims included (x0, x1, y0, y1)."""
    laid = np.nonzero(at[:, 0] == s)[0]
    slots = shelf.stock.slots[at[laid, 1]]
    kerf, t = float(shelf.stock.rules[2]), castable.trim_mm
    x0, y0 = float(corner[laid, 0].min()), float(corner[laid, 1].min())
    x1 = float((corner[laid, 0] + slots[:, 4]).max()) - kerf
    y1 = float((corner[laid, 1] + slots[:, 5]).max()) - kerf
    return (x0 - t, x1 + t, y0 - t, y1 + t)


def _cut_down(use: Box, castable: Castable, roll: LayoutRoll) -> tuple[float, float, float, float]:
    """Length and width in steps about a use, and where the cut-down sheet begins in the largest one."""
    length = _stepped(use[1] - use[0], castable.min_length_mm, castable.length_step_mm, roll.length_mm)
    width = _cast_width(use[3] - use[2], length, castable, roll)
    return length, width, min(use[0], roll.length_mm - length), min(use[2], roll.width_mm - width)


def _cast_width(used: float, length: float, castable: Castable, roll: LayoutRoll) -> float:
    """The narrowest width that holds the use; where the shop has set widths, the narrowest of those that it can cast so long."""
    if not castable.widths:
        return _stepped(used, castable.min_width_mm, castable.width_step_mm, roll.width_mm)
    section = length * float(roll.thickness_mm.max())
    fits = (
        w.width_mm
        for w in castable.widths
        if used - 1e-6 <= w.width_mm <= roll.width_mm
        and length <= w.max_length_mm
        and (w.max_section_mm2 is None or section <= w.max_section_mm2)
    )
    return min(fits, default=roll.width_mm)


def _stepped(used: float, least: float, step: float, most: float) -> float:
    return float(min(least + max(np.ceil((used - least) / step - 1e-9), 0.0) * step, most))


@dataclass(frozen=True)
class _Kind:
    """New sheets that are cast alike: which, what of them is used in all, the profile's largest sheet, the metal (mm2)."""

    members: tuple[int, ...]
    use: Box
    roll: LayoutRoll
    area_mm2: float


def _kind(members: tuple[int, ...], use: Box, roll: LayoutRoll, castable: Castable) -> _Kind:
    length, width, _, _ = _cut_down(use, castable, roll)
    return _Kind(members, use, roll, len(members) * length * width)


def alike(kinds: list[_Kind], castable: Castable, most_more: float) -> list[_Kind]:
    """Kinds of one profile and width joined, cheapest first, while a joined kind takes at most `most_more` more metal than
    its parts.
    """
    by_profile: dict[tuple[float, float, bytes], list[_Kind]] = {}
    for kind in kinds:
        largest = kind.roll
        key = largest.length_mm, largest.width_mm, largest.thickness_mm.tobytes()
        by_profile.setdefault(key, []).append(kind)
    return [kind for same in by_profile.values() for kind in _joined(same, castable, most_more)]


def _joined(kinds: list[_Kind], castable: Castable, most_more: float) -> list[_Kind]:
    """As `alike`, for kinds of one profile."""
    while len(kinds) <= MOST_JOINED:
        best: tuple[float, int, int, _Kind] | None = None
        for a, b in itertools.combinations(range(len(kinds)), 2):
            one, other = kinds[a], kinds[b]
            use = (
                min(one.use[0], other.use[0]),
                max(one.use[1], other.use[1]),
                min(one.use[2], other.use[2]),
                max(one.use[3], other.use[3]),
            )
            both = _kind(one.members + other.members, use, one.roll, castable)
            more = both.area_mm2 / (one.area_mm2 + other.area_mm2) - 1.0
            if more <= most_more and (best is None or more < best[0]):
                best = (more, a, b, both)
        if best is None:
            return kinds
        kinds = [k for n, k in enumerate(kinds) if n not in best[1:3]] + [best[3]]
    return kinds


def trimmed_to_use(
    shelf: Shelf,
    castable: Castable,
    placements: Sequence[Placement],
    at: IntArray,
    corner: FloatArray,
    taken: set[str],
    most_more: float = 0.0,
) -> tuple[list[NewSheet], list[Placement]]:
    """The new sheets cut down to what is used of them, in order, and the placements moved with them.

    Sheets of one profile are made equal where that takes at most `most_more` (a share) more metal: one setting of gate
    and box then serves several casts.
    """
    new = [s for s, rule in enumerate(shelf.rules) if rule.is_new and np.any(at[:, 0] == s)]
    singles = [_kind((s,), _use_of(shelf, s, castable, at, corner), shelf.rolls[s], castable) for s in new]
    cuts = {s: _cut_down(k.use, castable, k.roll) for k in alike(singles, castable, most_more) for s in k.members}
    moved: dict[str, tuple[str, float, float]] = {}
    sheets: list[NewSheet] = []
    for s in new:
        roll = shelf.rolls[s]
        length, width, x0, y0 = cuts[s]
        start, end = np.interp([x0, x0 + length], roll.stations_mm, roll.thickness_mm[0])
        name = next(n for n in (f"N{k:03d}" for k in itertools.count(1)) if n not in taken)
        taken.add(name)
        sheets.append(NewSheet(name, roll.alloy, length, width, float(start), float(end), roll.trim_mm))
        moved[roll.id] = (name, x0, y0)
    placed = []
    for p in placements:
        name, x0, y0 = moved.get(p.roll, (p.roll, 0.0, 0.0))
        placed.append(Placement(p.blank, name, p.x_mm - x0, p.y_mm - y0, p.turn_deg))
    return sheets, placed
