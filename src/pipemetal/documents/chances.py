"""How a chance is written on paper."""

from __future__ import annotations

__all__ = ["chance_text"]


def chance_text(chance: float | None) -> str:
    """A chance in whole percent, never more than is known; nothing where nobody worked it out.

    >>> chance_text(0.9996), chance_text(0.873), chance_text(None)
    ('>99 %', '87 %', '')
    """
    if chance is None:
        return ""
    return ">99 %" if chance >= 0.995 else f"{100.0 * chance:.0f} %"
