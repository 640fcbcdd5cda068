"""How a chance is written on paper, and what is to be worked before a blank fits."""

from __future__ import annotations

from pipemetal.documents.flat_picture import named_blank
from pipemetal.planning.cuts import Cut
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["blank_name", "chance_text", "name_with_labour"]


def chance_text(chance: float | None) -> str:
    """A chance in whole percent, never more than is known; nothing where nobody worked it out.

    >>> chance_text(0.9996), chance_text(0.873), chance_text(None)
    ('>99 %', '87 %', '')
    """
    if chance is None:
        return ""
    return ">99 %" if chance >= 0.995 else f"{100.0 * chance:.0f} %"


def blank_name(cut: Cut, say: Words) -> str:
    """A blank's name, its part in the reader's language."""
    return named_blank(cut.blank.id, cut.blank.kind, say)


def name_with_labour(cut: Cut, units: UnitSystem, say: Words) -> str:
    """A blank's name, and how much of it is planed, hammered or scraped before it fits."""
    if cut.to_work_mm == 0.0:
        return blank_name(cut, say)
    return f"{blank_name(cut, say)}, {say(cut.blank.worked)} {units.show_length(cut.to_work_mm, 2)}"
