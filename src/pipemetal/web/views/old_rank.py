"""What an old rank says, as a page shows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.notes import note_name
from pipemetal.restoration.make import GUESSED, SIZE_WORDS, NewPipe, ToMake
from pipemetal.restoration.says import LAW_WORDS, Said
from pipemetal.restoration.temper import NONE_OF_THESE
from pipemetal.texts import Text
from pipemetal.web.show import Show

__all__ = ["Fact", "Name", "OldRankView", "old_rank_view"]

AIRS_C: Final = (10.0, 20.0)


@dataclass(frozen=True)
class Fact:
    """Something that the pipes say, with its limits."""

    what: str
    value: str
    low: str = ""
    high: str = ""


@dataclass(frozen=True)
class Name:
    """A temperament: its name, its share in words and in percent, and whether the set holds it."""

    name: str
    share: str
    percent: float
    held: bool


@dataclass(frozen=True)
class OldRankView:
    """The answer: facts, temperaments, strangers with why, warnings, new pipes as rows, and what must be known of them."""

    facts: tuple[Fact, ...]
    names: tuple[Name, ...]
    strangers: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]
    missing: str


def old_rank_view(said: Said, made: ToMake | Text, show: Show) -> OldRankView:
    """The answer in a person's words and units."""
    old, tuning, say = said.old, said.tuning, show.say
    names: tuple[Name, ...] = ()
    if tuning is not None:
        names = tuple(
            Name(
                say(s.name) if s.name == NONE_OF_THESE else s.name,
                f"{show.number(100.0 * s.share, 1)} %",
                round(100.0 * s.share, 1),
                s.name in tuning.set_95,
            )
            for s in tuning.shares[: max(len(tuning.set_95), 2)]
        )
    heads, rows, notes = _new(made, show)
    return OldRankView(
        _facts(said, show),
        names,
        tuple((s.note, "; ".join(show.read(w) for w in s.why)) for s in said.strangers),
        tuple(show.read(w) for w in said.warnings),
        heads,
        rows,
        notes,
        ", ".join(note_name(key, old.naming) for key in old.missing_keys),
    )


def _facts(said: Said, show: Show) -> tuple[Fact, ...]:
    say, scale, tuning = show.say, said.scale, said.tuning
    found = [
        Fact(
            say("Construction"),
            "; ".join(f"{say(c.name)} {show.number(100.0 * c.share, 0)} %" for c in said.constructions),
        )
    ]
    if tuning is not None:
        a_hz, here = tuning.a_hz, speed_of_sound_m_s(tuning.at_c)
        limits = (f"{show.number(a_hz.low, 1)} Hz", f"{show.number(a_hz.high, 1)} Hz")
        what = say("a1 in air of {air}", air=show.temperature(tuning.at_c))
        found.append(Fact(what, f"{show.number(a_hz.value, 1)} Hz", *limits))
        for air in AIRS_C:
            hertz = a_hz.value * speed_of_sound_m_s(air) / here
            found.append(Fact(say("a1 in air of {air}", air=show.temperature(air)), f"{show.number(hertz, 1)} Hz"))
    if scale is not None:
        at_c, half = scale.diameter_8_foot_c, scale.halving_pipe
        lengths = [show.length(v, 1) for v in (at_c.value, at_c.low, at_c.high)]
        found.append(Fact(say("Diameter at 8' C"), *lengths))
        found.append(Fact(say("Half on pipe"), *(show.number(v, 1) for v in (half.value, half.low, half.high))))
    for name, law in said.laws.items():
        wall = name.startswith(("wall_mm", "wall_foot", "windway"))

        def shown(value: float, wall: bool = wall, size: bool = name.endswith("_mm")) -> str:
            return show.thickness(value) if wall else show.length(value, 1) if size else show.number(value, 3)

        found.append(
            Fact(say(LAW_WORDS[name]), *(shown(v) for v in (law.middle.value, law.middle.low, law.middle.high)))
        )
    return tuple(found)


def _new(made: ToMake | Text, show: Show) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...], tuple[str, ...]]:
    """Headings, rows and notes of the new pipes; only a note where none can be foretold."""
    say = show.say
    if isinstance(made, Text):
        return (), (), (show.read(made),)
    held = [(n, w) for n, w in SIZE_WORDS.items() if any(n in p.sizes for p in made.pipes)]
    heads = tuple(
        f"{say(w)}, {show.units.wall_unit if n in ('wall_mm', 'windway_mm') else show.units.length}" for n, w in held
    )
    settled = say(
        "Made for a1 = {hz} Hz at {air} ({pitch}) in {temperament} ({certain}).",
        hz=show.number(made.a_hz, 1),
        air=show.temperature(made.at_c),
        pitch=say(made.pitch_origin),
        temperament=made.temperament,
        certain=say(made.temperament_origin),
    )
    return heads, tuple(_row(p, [n for n, _ in held], show) for p in made.pipes), (settled, *map(show.read, made.notes))


def _row(pipe: NewPipe, names: list[str], show: Show) -> tuple[str, ...]:
    cells = [pipe.note]
    for name in names:
        worked = pipe.sizes.get(name)
        if worked is None:
            cells.append("")
            continue
        half = (worked.size.high - worked.size.low) / 2.0
        bare = show.units.bare_wall if name in ("wall_mm", "windway_mm") else lambda mm: show.units.bare_length(mm, 1)
        cells.append(f"{bare(worked.size.value)} ± {bare(half)}{' ?' if worked.origin == GUESSED else ''}")
    return tuple(cells)
