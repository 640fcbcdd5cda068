"""What a shop lets a part's thickness be: by its kind and alloy, thinner, thicker, and thicker still where it is then worked."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from pipemetal.errors import PlanError, near
from pipemetal.layout.problem import Blank
from pipemetal.texts import Amount, Text, joined

__all__ = [
    "PARTS",
    "WORKED",
    "PartTolerance",
    "check_tolerances",
    "parse_tolerances",
    "thin_parts",
    "with_tolerance",
]

WORKED: Final = ("planed", "hammered", "scraped")
PARTS: Final = (
    *("body", "foot", "languid", "ears", "cap", "cap disc", "cap rim", "lip", "lip upper", "lip lower", "lining"),
    *("boot", "boot toe", "sleeve", "slide", "chimney", "joint"),
)
"""Parts by which tolerances are said; `cap`, `lip` and `boot` are all of these, and `languid` and `body` all their pieces."""
GERMAN: Final = {
    "body": "Körper",
    "foot": "Fuß",
    "languid": "Kern",
    "ears": "Bärte",
    "cap": "Deckel",
    "cap disc": "Deckelscheibe",
    "cap rim": "Deckelmantel",
    "lip": "Labium",
    "lip upper": "Oberlabium",
    "lip lower": "Unterlabium",
    "lining": "Fußfutter",
    "boot": "Stiefel",
    "boot toe": "Stiefelspitze",
    "sleeve": "Hülse",
    "slide": "Stimmring",
    "chimney": "Rohr",
    "joint": "Ring",
    "planed": "gehobelt",
    "hammered": "gehämmert",
    "scraped": "geschabt",
}
"""What parts and ways to work them are called on German pages: they may be typed so, whatever the language of the page."""
FIELD: Final = "sure.tolerances"
EXAMPLE: Final = "languid -10 % +20 %, planed 0.5 mm; foot of spotted-50 -0.05 mm +0.1 mm"
_WAYS: Final = (*WORKED, *(GERMAN[way] for way in WORKED))
_NUMBER: Final = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_TWO_WAYS: Final = re.compile(r"[1-9]\d{0,2},\d{3}")
_SIZE: Final = rf"{_NUMBER}\s*(mm|%)"
_ENTRY: Final = re.compile(
    r"(?P<kind>[a-zäöüß][a-zäöüß ]*?)(?:\s+(?:of|von|aus)\s+(?P<alloy>\S(?:.*?\S)??))?\s(?=[-+])"
    rf"(?:-\s*(?P<low>{_SIZE}))?(?:\s*\+\s*(?P<high>{_SIZE}))?"
    rf"(?:\s*,?\s*(?P<worked>{'|'.join(_WAYS)})\s+(?P<up_to>{_SIZE}))?",
    re.IGNORECASE,
)
MOST_MM, MOST_PERCENT = 5.0, 100.0
MOST_THINNER_PERCENT: Final = 50.0
"""Where half of a wall may be missing a pipe is no longer the one that was reckoned (estimate)."""
LEAST_PERCENT: Final = 1.0
LEAST_MM: Final = 0.01
"""Less room than this, thinner and thicker together, no sheet keeps, and no gauge tells (common practice, no source)."""
THIN_PERCENT: Final = 100.0 / 3.0
"""Where more of a wall may be missing the plan says so (estimate)."""


@dataclass(frozen=True)
class Size:
    """A size in mm, or a share of the thickness wanted (`percent`)."""

    value: float
    percent: bool

    def mm(self, wall_mm: float) -> float:
        """In mm, for a thickness wanted."""
        return self.value * wall_mm / 100.0 if self.percent else self.value


@dataclass(frozen=True)
class PartTolerance:
    """What a kind of part may be, of one alloy or (empty) of any; `entry` is what was written."""

    kind: str
    alloy: str
    thinner: Size
    thicker: Size
    worked: str = ""
    worked_up_to: Size = Size(0.0, False)
    entry: str = ""

    def is_for(self, blank: Blank) -> bool:
        """Whether it says something of a blank: a part's own kind, or a kind that holds it (`cap` a `cap disc`)."""
        kind = blank.kind == self.kind or blank.kind.startswith(f"{self.kind} ")
        return kind and self.alloy.casefold() in ("", blank.alloy.casefold())


def parse_tolerances(text: str) -> tuple[PartTolerance, ...]:
    """The tolerances of a setting.

    >>> found = parse_tolerances("languid -10 % +20 %, planed 0.5 mm; Foot of spotted-50 -0,05 mm +0,1 mm;")
    >>> found[0].worked, found[1].alloy, found[1].thicker.mm(0.8)
    ('planed', 'spotted-50', 0.1)
    >>> parse_tolerances("Kern von plain-30 -10 % +20 %, gehobelt 0,5 mm")[0].kind
    'languid'

    Errors: PlanError for what cannot be read, with an example; a part that is not known, or is named twice; only one end;
    a number that can be read in two ways.
    """
    found: dict[tuple[str, str], PartTolerance] = {}
    for entry in filter(None, (part.strip(" \t\r\n,") for part in text.replace("\u2212", "-").split(";"))):
        made = _entry(" ".join(entry.split()))
        key = (made.kind, made.alloy.casefold())
        if key in found:
            both = Text("{first}; and {second}", first=found[key].entry, second=made.entry)
            raise PlanError(
                Text("names {part} twice: {both}", part=_named(made), both=both),
                field=FIELD,
                allowed=Text("one entry for a part and alloy"),
            )
        found[key] = made
    return tuple(found.values())


def _named(said: PartTolerance) -> str:
    return f"{said.kind} of {said.alloy}" if said.alloy else said.kind


def _entry(entry: str) -> PartTolerance:
    match = _ENTRY.fullmatch(entry)
    if match is None:
        _part(re.split(r" (?:of|von|aus|[-+])|[-+\d]", entry.lower(), maxsplit=1)[0].strip(), entry)
        raise PlanError("cannot be read", field=FIELD, value=entry[:60], example=EXAMPLE)
    kind = _part(match["kind"], entry)
    low, high, up_to = (match[end] for end in ("low", "high", "up_to"))
    if not low or not high:
        end, written = low or high, match["kind"] if _folded(match["kind"]) in _ENGLISH else kind
        name = written + entry[match.end("kind") : match.end("alloy")] if match["alloy"] else written
        zero = f"0 {'%' if '%' in end else 'mm'}"
        one = f"{name} -{end} +{zero}" if low else f"{name} -{zero} +{end}"
        raise PlanError(
            "says one end only",
            field=FIELD,
            value=entry[:60],
            allowed=Text("{one} or {both}", one=one, both=f"{name} -{end} +{end}"),
        )
    worked = _english(match["worked"] or "")
    thinner, thicker = _size(low, MOST_THINNER_PERCENT), _size(high)
    if not _leaves_room(thinner, thicker):
        raise PlanError(
            "leaves no room: no sheet is so even",
            field=FIELD,
            value=entry[:60],
            allowed=Text(
                "{percent} % or {mm} at least, thinner and thicker together",
                percent=Amount.short(LEAST_PERCENT),
                mm=Amount.short(LEAST_MM, "mm"),
            ),
            example=EXAMPLE,
        )
    up = _size(up_to) if worked else Size(0.0, False)
    return PartTolerance(kind, match["alloy"] or "", thinner, thicker, worked, up, entry)


def _leaves_room(thinner: Size, thicker: Size) -> bool:
    """Whether some sheet can be so even; of sizes in both units it is taken to be."""
    if thinner.value and thicker.value and thinner.percent != thicker.percent:
        return True
    percent = (thinner if thinner.value else thicker).percent
    return thinner.value + thicker.value >= (LEAST_PERCENT if percent else LEAST_MM)


def _part(written: str, entry: str) -> str:
    """The part that is meant, by its English or its German name. Errors: PlanError where it is none."""
    kind = _english(written)
    if kind not in PARTS:
        raise PlanError(
            Text("names a part that is not known: {part}", part=written.lower()[:40] or entry[:40]),
            field=FIELD,
            value=entry[:60],
            allowed=joined((Text(part) for part in PARTS), ", "),
            nearest=near(written.lower(), [*PARTS, *(GERMAN[part] for part in PARTS)]),
        )
    return kind


def _english(name: str) -> str:
    """The English name of a part or a way to work it, in small letters; as it is where it is neither.

    >>> _english("Fuß"), _english("Koerper"), _english("Cap disc")
    ('foot', 'body', 'cap disc')
    """
    return _ENGLISH.get(_folded(name), name.lower())


def _folded(name: str) -> str:
    """A name as it may be typed without umlauts."""
    return name.casefold().translate({ord("ä"): "ae", ord("ö"): "oe", ord("ü"): "ue"})


_ENGLISH: Final = {_folded(german): english for english, german in GERMAN.items()}


def _size(said: str, most_percent: float = MOST_PERCENT) -> Size:
    percent = said.endswith("%")
    number = said.rstrip("m% M")
    if _TWO_WAYS.fullmatch(number):
        pointed, whole = number.replace(",", "."), number.replace(",", "")
        allowed = Text("write {pointed} or {whole}", pointed=pointed, whole=whole)
        raise PlanError("can be read in two ways", field=FIELD, value=number, allowed=allowed)
    size = Size(float(number.replace(",", ".")), percent)
    if size.value > (most_percent if size.percent else MOST_MM):
        allowed = Text("up to {mm}, {percent} %", mm=Amount.short(MOST_MM, "mm"), percent=Amount.short(most_percent))
        problem = "lets too much of the wall be missing" if most_percent < MOST_PERCENT else "is too large"
        raise PlanError(problem, field=FIELD, value=said, allowed=allowed)
    return size


def check_tolerances(said: Sequence[PartTolerance], recipes: Iterable[str], blanks: Iterable[Blank] = ()) -> None:
    """Refuse tolerances of alloys that are no recipe, and such as let half of a blank's wall be missing. Errors: PlanError."""
    known = list(recipes)
    alike = {name.casefold() for name in known}
    for one in said:
        if one.alloy and one.alloy.casefold() not in alike:
            raise PlanError(
                Text("names an alloy that is not a recipe: {alloy}", alloy=one.alloy[:40]),
                field=FIELD,
                value=one.entry[:60],
                allowed=", ".join(known),
                nearest=near(one.alloy, known),
            )
    for blank in blanks:
        mine, wall = _of(blank, said), _wall_mm(blank)
        most_mm = MOST_THINNER_PERCENT * wall / 100.0
        if mine is not None and mine.thinner.mm(wall) > most_mm + 1e-9:
            raise PlanError(
                Text("lets too much of the wall of {part} be missing", part=blank.id),
                field=FIELD,
                value=mine.entry[:60],
                allowed=Text(
                    "up to {most}, {percent} % of its {wall}",
                    most=Amount.short(round(most_mm, 3), "mm"),
                    percent=Amount.short(MOST_THINNER_PERCENT),
                    wall=Amount(wall, "mm", 2),
                ),
            )


def thin_parts(said: Sequence[PartTolerance], blanks: Iterable[Blank]) -> tuple[str, ...]:
    """The parts, as they are named, of which more than a third of some wall may be missing."""
    found: dict[str, None] = {}
    for blank in blanks:
        mine, wall = _of(blank, said), _wall_mm(blank)
        if mine is not None and mine.thinner.mm(wall) > THIN_PERCENT * wall / 100.0 + 1e-9:
            found[_named(mine)] = None
    return tuple(found)


def _wall_mm(blank: Blank) -> float:
    return min(blank.mouth_thickness_mm, blank.top_thickness_mm)


def _of(blank: Blank, tolerances: Sequence[PartTolerance]) -> PartTolerance | None:
    mine = [t for t in tolerances if t.is_for(blank)]
    return max(mine, key=lambda t: (t.alloy != "", len(t.kind))) if mine else None


def with_tolerance(blank: Blank, tolerances: Sequence[PartTolerance]) -> Blank:
    """The blank with what the shop lets its thickness be, as it is where nothing is said of it.

    What is said of its alloy goes before what is said of any; then `cap disc` before `cap`.

    >>> blank = Blank("L", "languid", "A", 50.0, 50.0, 2.0, 2.0, 0.3)
    >>> made = with_tolerance(blank, parse_tolerances("languid -10 % +20 %, planed 0.5 mm"))
    >>> made.tolerance_mm, made.over_mm, made.most_over_mm
    (0.2, 0.4, 0.9)
    """
    said, wall = _of(blank, tolerances), _wall_mm(blank)
    if said is None:
        return blank
    return replace(
        blank,
        tolerance_mm=said.thinner.mm(wall),
        thicker_mm=said.thicker.mm(wall),
        worked_mm=said.worked_up_to.mm(wall),
        worked=said.worked,
    )
