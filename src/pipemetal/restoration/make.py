"""What is to be made for an old rank: its missing pipes, each size with its interval and where it comes from, and their metal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pipemetal.alloys.assay import Match, combine_readings, match_analysis
from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import PipeError, near
from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.pitch import C_8_FOOT_BELOW_A, sounding_semitones
from pipemetal.pipes.rank import Rank
from pipemetal.pipes.scale_fit import Estimate
from pipemetal.pipes.sounding import sounding_length_mm
from pipemetal.pipes.temperament import temperament_cents
from pipemetal.pipes.walls import DEFAULT_WALL
from pipemetal.restoration.foretell import foretold
from pipemetal.restoration.laws import Law
from pipemetal.restoration.lengths import PLAIN_A_HZ, USUAL_CUT_UP, USUAL_MOUTH, Shape, Spoken, errors_cents
from pipemetal.restoration.old_metal import doubts_of
from pipemetal.restoration.record import SURE_95, Restoration
from pipemetal.restoration.says import Said
from pipemetal.texts import Amount, Text, joined

__all__ = [
    "COMPUTED",
    "GUESSED",
    "SIZE_WORDS",
    "Difference",
    "Metal",
    "NewPipe",
    "ToMake",
    "Worked",
    "known_alloy",
    "made_or_why",
    "metal_for",
    "metal_or_why",
    "to_make",
]

SIZE_WORDS: Final = {
    "diameter_mm": "diameter inside",
    "mouth_mm": "mouth",
    "cut_up_mm": "cut-up",
    "wall_mm": "wall at mouth",
    "length_mm": "body",
    "foot_mm": "foot",
    "toe_mm": "toe bore",
    "windway_mm": "wind-way",
}
"""The sizes of a new pipe in words."""
SHAPING: Final = ("diameter_mm", "mouth_mm", "cut_up_mm")
COMPUTED, GUESSED = "computed", "guessed"
"""Where a size comes from: from what was measured on the old pipes, or from what is usual."""
PLANNED_HZ: Final = (300.0, 600.0)
"""The pitches that an organ file takes."""
GUESS_WITHIN: Final = 0.3
"""Share within which a guessed size may be taken to lie, 95 % (common practice, no source)."""


@dataclass(frozen=True)
class Worked:
    """A size with its 95 % interval, in mm or as a share, and where it comes from: COMPUTED or GUESSED."""

    size: Estimate
    origin: str


@dataclass(frozen=True)
class NewPipe:
    """A missing pipe.

    Parameters
    ----------
    key, note : which
    sizes : by name: diameter_mm, mouth_mm, cut_up_mm, wall_mm, foot_mm, length_mm, and toe_mm and windway_mm where known
    rule_length_mm : what the length rule says for the pitch that was chosen, without what the old lengths teach
    """

    key: int
    note: str
    sizes: Mapping[str, Worked]
    rule_length_mm: float


@dataclass(frozen=True)
class ToMake:
    """What is to be made, the pitch and temperament that were settled, and what must be known of it."""

    said: Said
    a_hz: float
    at_c: float
    temperament: str
    pitch_origin: str
    temperament_origin: str
    pipes: tuple[NewPipe, ...]
    notes: tuple[Text, ...]


def _worked(law: Law | None, semitones: float, guess: float) -> Worked:
    if law is not None:
        return Worked(law.value(semitones), COMPUTED)
    return Worked(Estimate(guess, guess * (1.0 - GUESS_WITHIN), guess * (1.0 + GUESS_WITHIN)), GUESSED)


def _times(share: Worked, by: Worked, factor: float = 1.0) -> Worked:
    """A share of a size, with both errors."""
    middle = share.size.value * by.size.value * factor
    spread = math.hypot(*(math.log(max(w.size.high / w.size.low, 1.0)) / 2.0 for w in (share, by) if w.size.low > 0.0))
    origin = COMPUTED if share.origin == by.origin == COMPUTED else GUESSED
    return Worked(Estimate(middle, middle * math.exp(-spread), middle * math.exp(spread)), origin)


def to_make(said: Said) -> ToMake:
    """The missing pipes of the compass.

    Pitch and temperament are those that a person chose, else the middle of what lengths say and the likeliest name; a guess is
    called one. A body is as long as its neighbours teach, so that it speaks as they do: the common error of the rule, which
    they have too, goes out. So a chosen pitch moves no body: it names what old and new pipes sound together.

    Errors: PipeError where no pipe is missing, or too few diameters were measured to foretell one.
    """
    old, scale = said.old, said.scale
    if not old.missing_keys:
        raise PipeError("has every pipe of its compass", field="rank", value=old.rank, allowed="a compass with a gap")
    if scale is None:
        raise PipeError(
            "has too few diameters to foretell one",
            field="rank",
            value=old.rank,
            allowed="five measured pipes and more",
        )
    choice, tuning = old.choice, said.tuning
    if choice.a_hz is None and tuning is None:
        raise PipeError(
            "is not known: too few lengths speak of it",
            field="a_hz",
            allowed="[make] a_hz = 415 in the restoration file",
        )
    a_hz = choice.a_hz if choice.a_hz is not None else tuning.a_hz.value if tuning is not None else 0.0
    low, high = PLANNED_HZ
    if not low <= a_hz <= high:
        raise PipeError(
            "is no pitch that pipes are planned for: check footage, keys and lengths, or decide",
            field="a_hz",
            value=round(a_hz, 1),
            limits=(low, high, "Hz"),
        )
    name = choice.temperament or (tuning.likeliest if tuning is not None else "equal")
    pipes = tuple(_new_pipe(said, key, a_hz, name) for key in old.missing_keys)
    return ToMake(
        said,
        a_hz,
        old.pitch.at_c,
        name,
        "chosen" if choice.a_hz is not None else COMPUTED,
        "chosen" if choice.temperament else GUESSED,
        pipes,
        tuple(_notes(said, name, pipes)),
    )


def _new_pipe(said: Said, key: int, a_hz: float, temperament: str) -> NewPipe:
    old, laws = said.old, said.laws
    assert said.scale is not None
    semitones = sounding_semitones(key, old.footage)
    across = said.scale.diameter_mm(semitones)
    diameter = Worked(Estimate(across, *said.scale.interval_mm(semitones, of_a_pipe=True)), COMPUTED)
    mouth = _times(_worked(laws.get("mouth"), semitones, USUAL_MOUTH), diameter, math.pi)
    cut_up = _times(_worked(laws.get("cut_up"), semitones, USUAL_CUT_UP), mouth)
    wall = _worked(laws.get("wall_mm"), semitones, DEFAULT_WALL.mouth_mm(across))
    sizes = {"diameter_mm": diameter, "mouth_mm": mouth, "cut_up_mm": cut_up, "wall_mm": wall}
    for name in ("foot_mm", "toe_mm", "windway_mm"):
        if name in laws:
            sizes[name] = Worked(laws[name].value(semitones), COMPUTED)
    rule, length = _lengths(said, key, semitones, a_hz, temperament, sizes)
    return NewPipe(key, note_name(key, old.naming), sizes | {"length_mm": length}, rule)


def _plain_rank(said: Said, semitones: float) -> Rank:
    taper = said.laws.get("taper")
    tapered = said.construction == "tapered" and taper is not None
    top = min(max(taper.value(semitones).value, 0.15), 2.5) if tapered and taper is not None else 1.0
    old = said.old
    return Rank(
        old.rank,
        "old",
        "old",
        old.footage,
        old.first_key,
        old.last_key,
        construction=said.construction if said.construction != "tapered" or top != 1.0 else "open",
        top_ratio=top,
    )


def _lengths(
    said: Said, key: int, semitones: float, a_hz: float, temperament: str, sizes: Mapping[str, Worked]
) -> tuple[float, Worked]:
    """Body by the rule for the chosen pitch, and as the old lengths foretell it."""
    old = said.old
    rank, speed = _plain_rank(said, semitones), speed_of_sound_m_s(old.pitch.at_c)
    three = tuple(sizes[name].size.value for name in SHAPING)

    def body_mm(hertz: float) -> float:
        return sounding_length_mm(rank, hertz, speed, three[0], three[1], three[2], sizes["wall_mm"].size.value)

    octaves = (semitones - C_8_FOOT_BELOW_A) / 12.0
    wanted_hz = a_hz * 2.0 ** (octaves + temperament_cents(temperament)[key % 12] / 1200.0)
    rule = body_mm(wanted_hz)
    # limits are those of a pipe such as the old ones were: with the scatter of its own width, mouth and cut-up
    shares = tuple(math.log(sizes[n].size.high / sizes[n].size.low) / (2.0 * SURE_95) for n in SHAPING)
    own, by_diameter = errors_cents(
        rank, wanted_hz, Shape(three[0], three[1], three[2], 1.0, shares[0], shares[1], shares[2]), speed, 0.0
    )
    if said.tuning is None:
        half = 2.0 * 15.0
        middle = 1200.0 * math.log2(wanted_hz / (PLAIN_A_HZ * 2.0**octaves))
    else:
        new = Spoken(key, semitones, 0.0, own, by_diameter)
        mouths = sum(f.pipe.mouth_width_mm is None or f.pipe.cut_up_mm is None for f in old.there) / len(old.there)
        middle, sigma = foretold(said.spoken, new, said.tuning, mouths, old.choice.temperament)
        half = SURE_95 * sigma
    hertz = [PLAIN_A_HZ * 2.0 ** (octaves + (middle + sign * half) / 1200.0) for sign in (1.0, 0.0, -1.0)]
    low, value, high = (body_mm(hz) for hz in hertz)
    shaping = {sizes[name].origin for name in SHAPING}
    origin = GUESSED if said.tuning is None or GUESSED in shaping else COMPUTED
    return rule, Worked(Estimate(value, low, high), origin)


def _notes(said: Said, name: str, pipes: Sequence[NewPipe]) -> list[Text]:
    tuning, choice = said.tuning, said.old.choice
    notes = doubts_of(said.old.readings)
    if tuning is not None and choice.a_hz is not None and not tuning.a_hz.low <= choice.a_hz <= tuning.a_hz.high:
        notes.append(
            Text(
                "a_hz {chosen} lies outside what the old pipes say, {low} to {high} Hz (95 %). The new bodies stand among "
                "the old ones all the same: another pitch wants the old pipes altered too.",
                chosen=Amount(choice.a_hz, "", 1),
                low=Amount(tuning.a_hz.low, "", 1),
                high=Amount(tuning.a_hz.high, "", 1),
            )
        )
    if tuning is not None and choice.temperament is None:
        notes.append(
            Text(
                "{name} is only the likeliest of {count} temperaments that the lengths allow: decide, and write it down.",
                name=name,
                count=len(tuning.set_95),
            )
        )
    guessed = dict.fromkeys(n for pipe in pipes for n, worked in pipe.sizes.items() if worked.origin == GUESSED)
    if guessed:
        notes.append(
            Text(
                "Guessed, since too few old pipes tell: {sizes}.",
                sizes=joined((Text(SIZE_WORDS[n]) for n in guessed), ", "),
            )
        )
    far = [p for p in pipes if abs(p.rule_length_mm / p.sizes["length_mm"].size.value - 1.0) > 0.01]
    if far:
        worst = max(far, key=lambda p: abs(p.rule_length_mm / p.sizes["length_mm"].size.value - 1.0))
        notes.append(
            Text(
                "The old bodies teach other lengths than the rule: at {note} {taught} against {rule}. The organ file cuts by the "
                "old ones (bodies_mm).",
                note=worst.note,
                taught=Amount(worst.sizes["length_mm"].size.value, "mm", 1, bare=True),
                rule=Amount(worst.rule_length_mm, "mm", 1),
            )
        )
    return notes


@dataclass(frozen=True)
class Difference:
    """An element in which the old metal and a recipe differ: percent by mass, and by how many standard errors."""

    element: str
    old_wt_pct: float
    recipe_wt_pct: float
    sigmas: float
    trace: bool


@dataclass(frozen=True)
class Metal:
    """The recipe for the new pipes: chosen or nearest, in what it differs from the old metal, and how the others compare."""

    recipe: Recipe
    origin: str
    differences: tuple[Difference, ...]
    matches: tuple[Match, ...]


TRACE_WT_PCT: Final = 1.0
"""What the old metal holds less of than this is a trace."""


def known_alloy(old: Restoration, recipes: Mapping[str, Recipe]) -> str | None:
    """The alloy that somebody chose, None where nobody did. Errors: PipeError for one that is no recipe of the shop."""
    chosen = old.choice.alloy
    if chosen is not None and chosen not in recipes:
        raise PipeError(
            "is not a recipe of this shop",
            field="alloy",
            value=chosen,
            allowed=", ".join(recipes),
            nearest=near(chosen, list(recipes)),
        )
    return chosen


def metal_for(said: Said, recipes: Mapping[str, Recipe]) -> Metal:
    """The shop's recipe for the new pipes.

    Errors: PipeError where neither a reading nor a choice says which, or the choice is no recipe of the shop.
    """
    old = said.old
    matches = tuple(match_analysis(old.readings, list(recipes.values()))) if old.readings else ()
    chosen = known_alloy(old, recipes)
    if chosen is None and not matches:
        raise PipeError(
            "is not known: no reading of the old metal, and none chosen",
            field="alloy",
            allowed=Text('[make] alloy = "...": {names}; or readings in [metal]', names=", ".join(recipes)),
        )
    recipe = recipes[chosen] if chosen is not None else matches[0].recipe
    differences = tuple(
        Difference(
            r.element,
            r.wt_pct,
            recipe.target.wt_pct(r.element),
            abs(r.wt_pct - recipe.target.wt_pct(r.element)) / r.uncertainty_wt_pct,
            r.wt_pct < TRACE_WT_PCT,
        )
        for r in combine_readings(old.readings)
        if abs(r.wt_pct - recipe.target.wt_pct(r.element)) > r.uncertainty_wt_pct
    )
    return Metal(recipe, "chosen" if chosen is not None else COMPUTED, differences, matches)


def made_or_why(said: Said) -> ToMake | Text:
    """What is to be made, or why that cannot be said."""
    try:
        return to_make(said)
    except PipeError as error:
        return error.text()


def metal_or_why(said: Said, recipes: Mapping[str, Recipe]) -> Metal | Text:
    """The recipe for the new pipes, or why none can be named."""
    try:
        return metal_for(said, recipes)
    except PipeError as error:
        return error.text()
