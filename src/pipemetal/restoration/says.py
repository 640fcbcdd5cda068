"""What an old rank says, in one value: its scale and laws, its construction, its pitch and temperament, what does not belong."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.scale_fit import LEAST_PIPES, ScaleFit, fit_scale
from pipemetal.restoration.laws import Law, laws_of
from pipemetal.restoration.lengths import CONSTRUCTIONS, Spoken, spoken_of
from pipemetal.restoration.old_metal import doubts_of
from pipemetal.restoration.record import PitchRange, Restoration
from pipemetal.restoration.suspects import Suspect, without_suspects
from pipemetal.restoration.temper import NONE_OF_THESE, Tuning, tuning_of
from pipemetal.texts import Amount, Text, joined

__all__ = ["LAW_WORDS", "Construction", "Said", "Stranger", "says"]

STRAIGHT_SHARE: Final = 0.02
"""A law of top over mouth that lies nearer to 1 is that of a cylinder (common practice, no source)."""
WIDE_RANGE: Final = (200.0, 900.0)
"""Where a1 is looked for when the lengths fit nowhere in the range of pitches."""
LEFT_OUT_COSTS: Final = 12.0
"""What a reading that is left out costs, in log evidence: one pipe in thirty is wrong, by anything up to some octaves."""
LEAST_SHARE: Final = 0.005
LAW_WORDS: Final[Mapping[str, str]] = {
    "mouth": "mouth, share of the circumference",
    "cut_up": "cut-up, share of the mouth",
    "wall_mm": "wall at the mouth",
    "wall_top_share": "wall at the top, share of that at the mouth",
    "wall_foot_mm": "wall of the foot",
    "foot_mm": "foot",
    "toe_mm": "toe",
    "windway_mm": "wind-way",
    "taper": "top, share of the diameter at the mouth",
}
"""The laws in words."""


@dataclass(frozen=True)
class Construction:
    """A construction and its share of belief."""

    name: str
    share: float


@dataclass(frozen=True)
class Stranger:
    """A pipe that does not belong, and by what."""

    key: int
    note: str
    why: tuple[Text, ...]


@dataclass(frozen=True)
class Said:
    """What an old rank says.

    Parameters
    ----------
    old : the record
    scale : its scale; None for fewer than five diameters
    laws : its other laws by name
    constructions : what it may be, the likeliest first
    tuning : pitch and temperament; None where too few lengths speak
    spoken : what each pipe says of the pitch, under the likeliest construction
    strangers : pipes that do not belong
    warnings : what a reader must know
    """

    old: Restoration
    scale: ScaleFit | None
    laws: Mapping[str, Law]
    constructions: tuple[Construction, ...]
    tuning: Tuning | None
    spoken: tuple[Spoken, ...]
    strangers: tuple[Stranger, ...]
    warnings: tuple[Text, ...]

    @property
    def construction(self) -> str:
        """The likeliest construction."""
        return self.constructions[0].name


def says(old: Restoration) -> Said:
    """Everything that the measures of an old rank say.

    Errors: PipeError for a rank of which nothing was measured.
    """
    if not old.there:
        raise PipeError("holds no pipe with a measure", field="measured", allowed="at least one size of one pipe")
    warnings: list[Text] = []
    scale = _scale(old, warnings)
    laws = laws_of(old)
    found = _constructions(old, scale, laws, old.pitch)
    if all(f.tuning is None or f.tuning.at_edge for f in found) and any(f.tuning for f in found):
        found = _constructions(old, scale, laws, PitchRange(*WIDE_RANGE, old.pitch.at_c))
        warnings.append(
            Text(
                "No construction brings a1 to {low} to {high} Hz: check the footage, whether keys were moved, and whether the "
                "lengths run from the mouth.",
                low=Amount.short(old.pitch.low_hz),
                high=Amount.short(old.pitch.high_hz),
            )
        )
    tuning = found[0].tuning
    warnings += [*_tuning_warnings(old, tuning), *doubts_of(old.readings)]
    return Said(
        old,
        scale,
        laws,
        _shares(old, found),
        tuning,
        found[0].spoken,
        _strangers(old, scale, laws, found[0]),
        tuple(warnings),
    )


def _scale(old: Restoration, warnings: list[Text]) -> ScaleFit | None:
    measured = old.as_old_rank().measured()
    known = [f for f in old.there if f.pipe.diameter_mm is not None]
    if len(known) < LEAST_PIPES:
        warnings.append(Text("{count} diameters make no scale: it takes {least}.", count=len(known), least=LEAST_PIPES))
        return None
    reading_mm = sum(f.sigma_mm("diameter_mm") for f in known) / len(known)
    try:
        return fit_scale(measured, reading_mm=reading_mm)
    except PipeError as error:
        warnings.append(Text("No scale was found: {error}", error=error.text()))
        return None


@dataclass(frozen=True)
class _Found:
    """A construction, what the lengths say under it, and the readings that it must leave out."""

    name: str
    tuning: Tuning | None
    spoken: tuple[Spoken, ...]
    suspects: tuple[Suspect, ...]

    @property
    def log(self) -> float:
        """How well it explains the pipes; every reading that it leaves out costs."""
        return self.tuning.log_evidence - LEFT_OUT_COSTS * len(self.suspects) if self.tuning else -math.inf


def _constructions(
    old: Restoration, scale: ScaleFit | None, laws: Mapping[str, Law], known: PitchRange
) -> list[_Found]:
    """Every construction that the rank may have, with what the lengths say under it, the likeliest first."""
    taper = laws.get("taper")
    tapered = taper is not None and abs(taper.middle.value - 1.0) > STRAIGHT_SHARE
    names = [old.construction] if old.construction else ["tapered" if tapered else "open", "stopped"]
    mouths = sum(f.pipe.mouth_width_mm is None or f.pipe.cut_up_mm is None for f in old.there) / len(old.there)
    found: list[_Found] = []
    for name in names:
        if name not in CONSTRUCTIONS:
            found.append(_Found(name, None, (), ()))
            continue
        spoken = tuple(s for f in old.there if (s := spoken_of(old, f, name, scale, laws)) is not None)
        kept, suspects = without_suspects(spoken)
        found.append(_Found(name, tuning_of(kept, known, mouths), kept, suspects))
    return sorted(found, key=lambda item: -item.log)


def _shares(old: Restoration, found: list[_Found]) -> tuple[Construction, ...]:
    if old.construction or all(f.tuning is None for f in found):
        share = 1.0 if old.construction else 1.0 / len(found)
        return tuple(Construction(f.name, share) for f in found)
    weights = [math.exp(max(f.log - found[0].log, -700.0)) for f in found]
    total = sum(weights)
    return tuple(
        Construction(f.name, w / total) for f, w in zip(found, weights, strict=True) if w / total > LEAST_SHARE
    )


def _tuning_warnings(old: Restoration, tuning: Tuning | None) -> list[Text]:
    if tuning is None:
        if old.construction and old.construction not in CONSTRUCTIONS:
            return [
                Text(
                    "Of {construction} pipes the lengths are not read: only {known}.",
                    construction=old.construction,
                    known=joined(CONSTRUCTIONS, ", "),
                )
            ]
        return [Text("Too few lengths speak of the pitch: it takes three pipes that were not altered.")]
    told = []
    half = 600.0 * math.log2(tuning.a_hz.high / tuning.a_hz.low)
    if not tuning.recorded:
        told.append(
            Text(
                "The pitch is known to plus or minus {cents} cents, however many pipes there are: the length rule errs for all "
                "alike. One pipe that still speaks, recorded with the temperature of its air, takes that out.",
                cents=Amount(half),
            )
        )
    if tuning.shares[0].name == NONE_OF_THESE and tuning.shares[0].share > 0.5:
        told.append(Text("Most of the belief lies in a temperament that is none of the named ones."))
    moved = next((m for m in tuning.moved if m[0] != 0 and m[1] >= 0.2), None)
    if moved is not None:
        told.append(
            Text(
                "The temperament may lie {steps} half tones from its keys ({share} %): pipes moved, another pitch, another wolf.",
                steps=Amount(moved[0], signed=True),
                share=Amount(100.0 * moved[1]),
            )
        )
    return told


def _strangers(
    old: Restoration, scale: ScaleFit | None, laws: Mapping[str, Law], found: _Found
) -> tuple[Stranger, ...]:
    why: dict[int, list[Text]] = {}
    for wrong in scale.wrong if scale is not None else ():
        told = Text(
            "scale: {diameter} where {expected} are expected",
            diameter=Amount(wrong.pipe.diameter_mm or 0.0, "mm", 1, bare=True),
            expected=Amount(wrong.expected_mm, "mm", 1),
        )
        why.setdefault(wrong.pipe.key, []).append(told)
    for law in laws.values():
        for miss in law.wrong:
            told = Text(
                "{law}: {value} where {expected} is expected",
                law=Text(LAW_WORDS[law.name]),
                value=Amount(miss.value, "", 3),
                expected=Amount(miss.expected, "", 3),
            )
            why.setdefault(miss.key, []).append(told)
    for suspect in found.suspects:
        why.setdefault(suspect.key, []).append(suspect.why)
    for odd in found.tuning.odd if found.tuning is not None else ():
        told = Text(
            "length: {cents} cents off what the others say, {sigmas} standard errors",
            cents=Amount(odd.cents, signed=True),
            sigmas=Amount(odd.sigmas, "", 1),
        )
        why.setdefault(odd.key, []).append(told)
    return tuple(Stranger(key, note_name(key, old.naming), tuple(words)) for key, words in sorted(why.items()))
