"""Who may do what: a pure table of roles and of the book's own actions. What is not in the table may be done by nobody."""

from __future__ import annotations

from typing import Final

__all__ = ["ACTIONS", "ROLES", "may", "role_needed"]

ROLES: Final = ("look", "work", "keep", "run")
"""Each role may do what the ones before it may: look at the book, work at the bench, keep the stock, run the shop."""

ACTIONS: Final[dict[str, str]] = {
    "look at the book": "look",
    "search the rack": "look",
    "trace": "look",
    "roll changed": "work",
    "roll cut": "work",
    "roll entered": "work",
    "cast logged": "work",
    "melt charged": "work",
    "melt corrected": "work",
    "ingots poured": "work",
    "sheet trimmed": "work",
    "planned roll cut": "work",
    "attachment kept": "work",
    "recipe entered": "keep",
    "recipe changed": "keep",
    "lot entered": "keep",
    "lot changed": "keep",
    "imported": "keep",
    "analysis entered": "keep",
    "weighed": "keep",
    "sold": "keep",
    "organ kept": "keep",
    "plan kept": "keep",
    "plan accepted": "keep",
    "plan changed by hand": "keep",
    "plan given up": "keep",
    "attachment withdrawn": "keep",
    "book exported": "keep",
    "person entered": "run",
    "role given": "run",
    "person closed": "run",
    "book backed up": "run",
    "book dumped": "run",
    "settings changed": "run",
    "settings forgotten": "run",
    "pin set": "work",
    "password set": "work",
    "taken back": "work",
}
"""The least role of every action. Taking an action back needs the role that the action itself needs."""


def role_needed(action: str) -> str | None:
    """The least role that may do this; None where nobody may.

    >>> role_needed("roll cut"), role_needed("burn the book")
    ('work', None)
    """
    return ACTIONS.get(action)


def may(role: str | None, action: str) -> bool:
    """Whether somebody of this role may do this; nobody without a role may do anything.

    >>> may("work", "roll cut"), may("work", "person entered"), may(None, "look at the book"), may("run", "burn the book")
    (True, False, False, False)
    """
    needed = ACTIONS.get(action)
    return needed is not None and role in ROLES and ROLES.index(role) >= ROLES.index(needed)
