"""Every pipe of a rank: sizes, walls and masses, from the organ's pitch and the rank's rules."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

from pipemetal.errors import InputError, PipeError
from pipemetal.pipes import length as lengths
from pipemetal.pipes.caps import AirColumn, CapFit, fit_cap
from pipemetal.pipes.learned import LEARNED_OF, Traits
from pipemetal.pipes.length_rules import cents_per_mm
from pipemetal.pipes.materials import BOUGHT_METALS
from pipemetal.pipes.mouth import ISING_BEST, flue_for_ising_mm, ising_number, pressure_pa
from pipemetal.pipes.old import OldPipe
from pipemetal.pipes.parts import default_foot_mm, default_toe_mm, held_toe_mm, pipe_parts
from pipemetal.pipes.pipe import Part, Pipe
from pipemetal.pipes.pitch import note_name
from pipemetal.pipes.ranges import NoteRange
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.reeds import between
from pipemetal.pipes.scale import half_tones
from pipemetal.pipes.sounding import sounding_length_mm
from pipemetal.pipes.walls import GivenWall, WallRule, refuse_solid
from pipemetal.texts import Amount, Text

__all__ = ["Density", "made_of_old", "organ_pipes", "rank_pipes", "sounding_length_mm"]

BASS_HZ: Final = 65.406
TREBLE_HZ: Final = 4186.0
MOST_PIPES: Final = 20_000
"""More are no organ but a slip in a compass or a count."""
LEAST_BORE_MM: Final = 1.0
"""The least bore of a toe that may be asked for; a lining must leave as much."""

Density = Callable[[str], float]


def _cut_length_mm(organ: Organ, rank: Rank, frequency_hz: float, body_mm: float, diameter_mm: float) -> float:
    allow = organ.allowances
    if rank.tuning == "cone":
        octaves = math.log2(min(max(frequency_hz, BASS_HZ), TREBLE_HZ) / BASS_HZ)
        share = octaves / math.log2(TREBLE_HZ / BASS_HZ)
        percent = allow.tuning_bass_percent + (allow.tuning_treble_percent - allow.tuning_bass_percent) * share
        return body_mm + max(body_mm * percent / 100.0, allow.tuning_least_mm)
    if rank.tuning == "slot":
        return body_mm + allow.slot_above * diameter_mm
    if rank.tuning == "slide":
        return body_mm - min(allow.slide_short * diameter_mm, 0.2 * body_mm)
    return body_mm


@dataclass(frozen=True)
class _Sizes:
    """What rules and measurements say of one pipe before its walls and parts."""

    frequency_hz: float
    semitones: float
    diameter_mm: float
    mouth_width_mm: float
    cut_up_mm: float
    mean_cut_up_mm: float
    body_mm: float
    wall_mm: float
    old: OldPipe | None
    learned_mm: float
    given: bool


def _sizes(organ: Organ, rank: Rank, key: int, footage: Fraction, item: NoteRange | None) -> _Sizes:
    semitones = organ.pitch.semitones(key, footage, pure=rank.pure_mutations)
    frequency = organ.pitch.frequency_hz(key, footage, pure=rank.pure_mutations)
    old = item.old_pipe(key) if item is not None and item.made == "old" else None
    diameter = (old.diameter_mm if old else None) or rank.scale.diameter_mm(key, semitones)
    if rank.construction == "resonator":
        width = cut_up = mean = 0.0
    else:
        width = (old.mouth_width_mm if old else None) or rank.mouth_fraction * math.pi * diameter
        cut_up = (old.cut_up_mm if old else None) or rank.cut_up_fraction * width
        mean = cut_up - rank.arch * width / 3.0
    alloy = (item.alloy if item is not None else None) or rank.alloy
    wall = (old.thickness_mm if old else None) or _wall(rank, item, alloy).mouth_mm(diameter)
    refuse_solid(wall, diameter)
    body = sounding_length_mm(rank, frequency, organ.pitch.speed_m_s, diameter, width, mean, wall)
    added = 0.0
    if rank.construction in LEARNED_OF:
        shape = width / (math.pi * diameter), cut_up / width
        added = organ.learned.added_mm(Traits(rank.construction, frequency, diameter, *shape, organ.wind_of(rank)))
    if given := old is None and key in dict(rank.bodies):
        added = dict(rank.bodies)[key] - body
    return _Sizes(frequency, semitones, diameter, width, cut_up, mean, body + added, wall, old, added, given)


def _capped(organ: Organ, rank: Rank, s: _Sizes) -> CapFit | None:
    """How the cap of a capped pipe comes out, soldered on where nothing is to be tuned; None for any other pipe."""
    if not rank.is_closed:
        return None
    speed, size = organ.pitch.speed_m_s, (s.diameter_mm, s.mouth_width_mm, s.mean_cut_up_mm)

    def length_mm(hz: float) -> float:
        return sounding_length_mm(rank, hz, speed, *size, s.wall_mm) + s.learned_mm

    cap, allow = rank.cap, organ.allowances
    if rank.tuning == "none":
        cap = replace(cap, kind="soldered")
    if cap.travel_mm is None and allow.cap_travel is not None:
        cap = replace(cap, travel_mm=max(allow.cap_travel * s.diameter_mm, allow.cap_least_mm or 0.0))

    def stopped_mm(hz: float) -> float:
        return lengths.stopped_length_mm(hz, speed, *size) + s.learned_mm

    return fit_cap(cap, AirColumn(length_mm, stopped_mm, speed), s.frequency_hz, s.diameter_mm, s.wall_mm)


def _wall(rank: Rank, item: NoteRange | None, alloy: str) -> WallRule | GivenWall:
    if item is not None and item.sheet_mm is not None:
        return GivenWall(item.sheet_mm, item.sheet_mm, source="flat sheet of even thickness, bought")
    wall = item.wall if item is not None and item.wall is not None else rank.wall
    return wall.for_alloy(alloy) if isinstance(wall, WallRule) else wall


def _visible(rank: Rank, key: int, sizes: _Sizes, cut_mm: float) -> tuple[float, float, float]:
    """Visible length (0 where it is no front pipe), cut length and top diameter."""
    visible = rank.visible_mm(key)
    top = sizes.diameter_mm * (rank.steps[-1].above if rank.steps else rank.top_ratio)
    if visible is None:
        return 0.0, cut_mm, top
    if visible < sizes.body_mm:
        raise PipeError(
            "is shorter than the pipe must sound",
            field="front",
            value=round(visible, 1),
            allowed=Text("{body_mm} and up", body_mm=Amount(sizes.body_mm, "mm", 0)),
        )
    top = sizes.diameter_mm * (1.0 + (rank.top_ratio - 1.0) * visible / sizes.body_mm)
    if top < 0.1 * sizes.diameter_mm:
        raise PipeError("would run to a point", field="front", value=round(visible, 1), allowed="a shorter front pipe")
    return visible, visible, top


def _tip_mm(rank: Rank, key: int) -> float:
    if rank.resonator is None:
        return 0.0
    share = (key - rank.first_key) / max(rank.last_key - rank.first_key, 1)
    return between(rank.resonator.tip_mm, rank.resonator.tip_last_mm, share)


def _refuse_blunt(rank: Rank, key: int, diameter_mm: float) -> None:
    """A reed's tip is no wider than its bell. Errors: PipeError where it is."""
    tip = _tip_mm(rank, key)
    if tip > diameter_mm:
        raise PipeError(
            "is wider than the bell, which the scale gives",
            field="resonator.tip_mm",
            value=round(tip, 1),
            allowed=Text("up to {diameter_mm} here, or a wider scale", diameter_mm=Amount(diameter_mm, "mm", 1)),
        )


def _slide_mm(organ: Organ, rank: Rank, diameter_mm: float) -> float:
    if rank.tuning != "slide":
        return 0.0
    return max(organ.allowances.slide_length * diameter_mm, organ.allowances.slide_least_mm)


def _draft(organ: Organ, rank: Rank, key: int, choir: int, footage: Fraction, item: NoteRange | None) -> Pipe:
    s = _sizes(organ, rank, key, footage, item)
    made = item.made if item is not None else "cast"
    _refuse_blunt(rank, key, s.diameter_mm)
    alloy = (item.alloy if item is not None else None) or rank.alloy
    wall, d = _wall(rank, item, alloy), s.diameter_mm
    cap = _capped(organ, rank, s)
    cut = cap.body_mm if cap is not None else _cut_length_mm(organ, rank, s.frequency_hz, s.body_mm, d)
    visible, cut, top = _visible(rank, key, s, cut)
    mouth_wall = s.wall_mm
    note = note_name(key, organ.naming)
    name = f"{rank.name} {note}" if rank.footage is not None else f"{rank.name} {note}/{choir}"
    below = _below(organ, rank, s, 1.0 if made == "sheet" else rank.foot_factor)
    return Pipe(
        id=name,
        rank=rank.name,
        division=rank.division,
        alloy=alloy,
        construction=rank.construction,
        key=key,
        note=note,
        choir=choir,
        footage=footage,
        frequency_hz=s.frequency_hz,
        diameter_mm=d,
        top_diameter_mm=top,
        half_tones=half_tones(d, s.semitones),
        mouth_width_mm=s.mouth_width_mm,
        cut_up_mm=s.cut_up_mm,
        body_length_mm=s.body_mm,
        cut_length_mm=(s.old.length_mm if s.old else None) or cut,
        chimney_diameter_mm=d * rank.chimney.diameter_ratio if rank.chimney else 0.0,
        chimney_length_mm=d * rank.chimney.length_ratio if rank.chimney else 0.0,
        thickness_mouth_mm=mouth_wall,
        thickness_top_mm=wall.top_mm(mouth_wall, cut),
        parts=(),
        made=made,
        lip=rank.lip,
        tip_diameter_mm=_tip_mm(rank, key),
        hole_diameter_mm=d * (rank.hole_ratio or 0.0),
        slide_length_mm=_slide_mm(organ, rank, d),
        visible_length_mm=visible,
        wall_source=wall.source if not (s.old and s.old.thickness_mm) else "measured on the old pipe",
        ising=None if made == "wood" else _ising(organ, rank, s),
        cap=cap,
        remarks=_remarks(organ, rank, s, made, visible),
        foot_length_mm=below.foot_length_mm,
        thickness_foot_mm=below.thickness_foot_mm,
        languid_thickness_mm=below.languid_thickness_mm,
        flue_mm=below.flue_mm,
        toe_bore_mm=below.toe_bore_mm,
        toe_diameter_mm=below.toe_diameter_mm,
    )


@dataclass(frozen=True)
class _Below:
    """What lies under the mouth of a flue pipe; a reed has nothing of it."""

    foot_length_mm: float = 0.0
    thickness_foot_mm: float = 0.0
    languid_thickness_mm: float = 0.0
    flue_mm: float = 0.0
    toe_bore_mm: float = 0.0
    toe_diameter_mm: float = 0.0


def _below(organ: Organ, rank: Rank, s: _Sizes, foot_factor: float) -> _Below:
    if rank.construction == "resonator":
        return _Below()
    wall, flue = s.wall_mm * foot_factor, _flue_mm(organ, rank, s)
    bore = rank.mouth.toe_bore(flue, s.mouth_width_mm)
    lining = rank.foot_lining.sheet_mm if rank.foot_lining is not None else 0.0
    toe = rank.toe_diameter_mm or default_toe_mm(s.diameter_mm, wall + lining, bore)
    toe = held_toe_mm(toe, s.diameter_mm, wall)
    inner = toe - 2.0 * (wall + lining)
    if lining > 0.0 and inner < LEAST_BORE_MM:
        raise PipeError(
            "closes the toe",
            field="foot_lining.sheet_mm",
            value=lining,
            allowed=Text(
                "up to {max} in a toe of {toe}, or a wider toe",
                max=Amount(max((toe - LEAST_BORE_MM) / 2.0 - wall, 0.0), "mm", 2),
                toe=Amount(toe, "mm", 1),
            ),
        )
    languid = organ.languids.thickness_mm(s.diameter_mm) * rank.languid_factor
    return _Below(_foot_mm(rank, s), wall, languid, flue, min(bore, inner if inner > 0.0 else toe), toe)


def _foot_mm(rank: Rank, s: _Sizes) -> float:
    return (s.old.foot_length_mm if s.old else None) or rank.foot_length_mm or default_foot_mm(s.diameter_mm)


def _flue_mm(organ: Organ, rank: Rank, s: _Sizes) -> float:
    """The flue to start from: what the rank says; else by Ising's number where the wind is known, within half and twice of what
    the diameter alone says."""
    usual = rank.mouth.flue(s.diameter_mm)
    wind = organ.wind_of(rank)
    if rank.flue_mm is not None or wind is None or s.mean_cut_up_mm <= 0.0:
        return usual
    wanted = flue_for_ising_mm(ISING_BEST, s.frequency_hz, pressure_pa(wind), s.mean_cut_up_mm)
    return min(max(wanted, 0.5 * usual), 2.0 * usual)


def _ising(organ: Organ, rank: Rank, s: _Sizes) -> float | None:
    wind = organ.wind_of(rank)
    if wind is None or s.mean_cut_up_mm <= 0.0:
        return None
    return ising_number(s.frequency_hz, pressure_pa(wind), _flue_mm(organ, rank, s), s.mean_cut_up_mm)


def _remarks(organ: Organ, rank: Rank, s: _Sizes, made: str, visible_mm: float) -> tuple[Text, ...]:
    if made == "wood":
        words = "of wood: the diameter is that of a round pipe of the same area; mouth and length are the wood shop's"
        return (Text(words),)
    found = []
    if s.learned_mm:
        why = "body {added} as the organ file gives it" if s.given else "body {added} by what the ear learned"
        found.append(Text(why, added=Amount(s.learned_mm, "mm", 1, signed=True)))
    if visible_mm > 0.0:
        words = "front pipe: opening at the back {above} above the mouth, visible {visible}"
        found.append(Text(words, above=Amount(s.body_mm, "mm"), visible=Amount(visible_mm, "mm")))
    if s.old is not None and s.old.length_mm is not None and s.old.length_mm < s.body_mm:
        speed = organ.pitch.speed_m_s
        rate = cents_per_mm(
            lambda hz: sounding_length_mm(
                rank, hz, speed, s.diameter_mm, s.mouth_width_mm, s.mean_cut_up_mm, s.wall_mm
            ),
            s.frequency_hz,
        )
        short = s.body_mm - s.old.length_mm
        words = "old pipe is {short} shorter than this pitch wants: about {cents} cents sharp"
        found.append(Text(words, short=Amount(short, "mm"), cents=Amount(short * rate)))
    return tuple(found)


def _pipe(organ: Organ, rank: Rank, key: int, choir: int, footage: Fraction, density: Density) -> Pipe:
    item = rank.range_at(key)
    if item is not None and item.made == "old":
        rank = _as_measured(rank, item.old_pipe(key))
    draft = _draft(organ, rank, key, choir, footage, item)
    if draft.made == "wood":
        return draft
    languid = (item.languid_alloy if item else None) or rank.languid_alloy or rank.alloy
    parts = pipe_parts(draft, rank, organ.allowances, density, languid, organ.languids.layer_mm)
    old_kg = 0.0
    if item is not None and item.made == "old":
        parts, old_kg = _only_new(parts, item, item.old_pipe(key))
    return replace(draft, parts=parts, old_mass_kg=old_kg)


def _as_measured(rank: Rank, old: OldPipe) -> Rank:
    """The rank with the taper of an old pipe. Errors: PipeError for a cone where the rank's pipes are none."""
    if not old.is_cone or old.top_diameter_mm is None or old.diameter_mm is None:
        return rank
    if rank.construction != "tapered":
        raise PipeError(
            "makes a cone of an old pipe, and the rank is no tapered one",
            field="top_diameter_mm",
            value=old.top_diameter_mm,
            allowed='construction = "tapered" for its rank, or no top diameter',
        )
    return replace(rank, top_ratio=old.top_diameter_mm / old.diameter_mm)


def made_of_old(organ: Organ, rank: Rank, pipe: Pipe, old: OldPipe) -> Pipe:
    """The pipe that an old one becomes in the place of a pipe of a rank: the old one's diameter, mouth and wall, the lengths that
    this place wants. Its parts are left out.

    Errors: PipeError where such a pipe cannot sound there.
    """
    item = NoteRange(pipe.key, pipe.key, "old", old=(replace(old, key=pipe.key, length_mm=None, foot_length_mm=None),))
    return _draft(organ, rank, pipe.key, pipe.choir, pipe.footage, item)


def _only_new(parts: tuple[Part, ...], item: NoteRange, old: OldPipe) -> tuple[tuple[Part, ...], float]:
    """The parts that are made anew, and the mass of what stays of the old pipe, measured or worked out from its sizes."""
    new = tuple(p for p in parts if p.kind.split()[0] in item.new_parts)
    whole = sum(p.finished_mass_kg for p in parts)
    stays = whole - sum(p.finished_mass_kg for p in new)
    return new, stays if old.mass_kg is None else old.mass_kg * stays / whole


def rank_pipes(organ: Organ, rank: Rank, density_g_cm3: Density) -> tuple[Pipe, ...]:
    """All pipes of a rank, from the lowest key up, choir by choir; borrowed and silent notes have none.

    `density_g_cm3` gives the density of an alloy by its name; zinc and copper need none.

    Errors: PipeError that names rank and note where a pipe cannot exist (no body left, past the scale's ends).
    """

    def density(metal: str) -> float:
        return BOUGHT_METALS[metal] if metal in BOUGHT_METALS else density_g_cm3(metal)

    pipes = []
    for key in rank.keys:
        item = rank.range_at(key)
        if item is not None and not item.has_pipes():
            continue
        for choir, footage in enumerate(rank.choirs_at(key), start=1):
            try:
                pipes.append(_pipe(organ, rank, key, choir, footage, density))
            except PipeError as error:
                raise error.at(
                    Text("rank {name} note {note_name}", name=repr(rank.name), note_name=note_name(key, organ.naming))
                ) from None
    return tuple(pipes)


def organ_pipes(organ: Organ, density_g_cm3: Density) -> tuple[Pipe, ...]:
    """All pipes of an organ, rank by rank.

    Errors: PipeError as `rank_pipes`, and for more pipes than MOST_PIPES; InputError where an alloy's density is not known.
    """
    count = sum(rank.last_key - rank.first_key + 1 for rank in organ.ranks)
    if count > MOST_PIPES:
        raise PipeError(
            "are too many for one organ",
            field="pipes",
            value=count,
            allowed=Text("up to {most_pipes}; plan it in parts", most_pipes=MOST_PIPES),
        )
    pipes: list[Pipe] = []
    for rank in organ.ranks:
        try:
            pipes += rank_pipes(organ, rank, density_g_cm3)
        except KeyError as error:
            raise InputError("is not a recipe of this shop", field="alloy", value=str(error.args[0])) from None
    return tuple(pipes)
