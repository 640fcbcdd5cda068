"""What somebody typed into a form: read field by field, every fault kept beside its field, so that all are told at once."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence

from pipemetal.alloys.composition import Composition
from pipemetal.errors import InputError
from pipemetal.shop.free import Short
from pipemetal.web.show import Show

__all__ = ["Blank", "Typed", "short_words", "version_of"]


def short_words(short: Short, show: Show) -> str:
    """Why so much of a lot cannot be charged."""
    say = show.say
    if short.held_kg is None:
        return say("This lot is not in the book.")
    held = show.mass(short.held_kg, 2)
    kept = ", ".join(f"{show.mass(kg, 2)}: {plan}" for plan, kg in short.reserved_for)
    if kept:
        return say("Free: {free} of {held}. Reserved: {plans}", free=show.mass(short.free_kg, 2), held=held, plans=kept)
    return say("The book holds {held} of it.", held=held)


def version_of(text: str) -> int:
    """The version of a row that a form was filled in on. Errors: InputError."""
    if not text.isdecimal() or len(text) > 9:
        raise InputError("is no version", field="version", value=text[:20])
    return int(text)


class Blank(dict[str, str]):
    """What a template may ask for any name: nothing where there is nothing."""

    def __missing__(self, key: str) -> str:
        return ""


class Typed:
    """The values of a form with what is wrong: `wrong` holds words for people by the field's name."""

    def __init__(self, show: Show, values: Mapping[str, str]) -> None:
        self.show, self.values = show, values
        self.wrong: dict[str, str] = {}

    def text(self, name: str) -> str:
        """As typed, without blanks around it."""
        return self.values.get(name, "").strip()

    def fault(self, name: str, words: str) -> None:
        """Mark a field; the first fault of a field is the one that is told."""
        self.wrong.setdefault(name, words)

    def needed(self, name: str) -> str:
        """A text that must be there."""
        text = self.text(name)
        if not text:
            self.fault(name, self.show.say("Type something here."))
        return text

    def choice(self, name: str, allowed: Sequence[str]) -> str:
        """One of these; the first where it is none."""
        text = self.text(name)
        if text in allowed:
            return text
        self.fault(name, self.show.say("Choose one of the list."))
        return allowed[0] if allowed else ""

    def mass_kg(self, name: str, low_kg: float, high_kg: float, *, empty: float | None = None) -> float:
        """A mass in the person's unit or its own. `empty` is what an empty field means; without it the field is needed."""
        show, text = self.show, self.text(name)
        if not text and empty is not None:
            return empty
        try:
            mass = show.read_mass(text, name)
        except InputError:
            mass = None
        if mass is None or not low_kg <= mass <= high_kg:
            low, high = show.mass(low_kg, 2), show.mass(high_kg, 2)
            self.fault(name, show.say("Type a mass from {low} to {high}.", low=low, high=high))
            return low_kg
        return mass

    def metal(self, name: str) -> Composition | None:
        """A composition that must be there."""
        try:
            return Composition.parse(self.needed(name))
        except InputError as error:
            self.fault(name, self.show.read(error.text()))
            return None

    def day(self, name: str) -> str:
        """A day, or nothing."""
        text = self.text(name)
        try:
            return datetime.date.fromisoformat(text).isoformat() if text else ""
        except ValueError:
            self.fault(name, self.show.say("Type a day as 2026-11-25."))
            return ""

    def weighed_kg(self, most_kg: float = 5000.0) -> dict[str, float]:
        """The scale's readings by lot: fields `w:LOT`, and rows `other:N` with `other_kg:N` for lots that no list named."""
        weighed: dict[str, float] = {}
        for name in [n for n in self.values if n.startswith("w:")]:
            mass = self.mass_kg(name, 0.0, most_kg, empty=0.0)
            if mass > 0.0:
                weighed[name[2:]] = mass
        rows = {n.partition(":")[2] for n in self.values if n.startswith(("other:", "other_kg:"))}
        for row in sorted(rows):
            name, mass_name = f"other:{row}", f"other_kg:{row}"
            lot = self.text(name)
            mass = self.mass_kg(mass_name, 0.0, most_kg, empty=0.0)
            if bool(lot) != (mass > 0.0) and mass_name not in self.wrong:
                say = self.show.say
                self.fault(mass_name if lot else name, say("Type its mass.") if lot else say("Say which lot this was."))
            elif lot and lot in weighed:
                self.fault(name, self.show.say("This lot stands on the list already."))
            elif lot:
                weighed[lot] = mass
        return weighed

    def field_of(self, lot: str) -> str:
        """The field in which this lot's mass was typed."""
        if f"w:{lot}" in self.values:
            return f"w:{lot}"
        found = next((n for n in self.values if n.startswith("other:") and self.text(n) == lot), "")
        return f"other_kg:{found[6:]}" if found else ""
