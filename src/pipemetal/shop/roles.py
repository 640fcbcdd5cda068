"""Who may do what: a pure table of roles and of the book's own actions. What is not in the table may be done by nobody.

A new role: one line in `Role`, its place among the others, and the actions that begin with it.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final

__all__ = ["ACTIONS", "ROLES", "Action", "Role", "lesser", "may", "role_needed"]


class Role(StrEnum):
    """Each role may do what the ones before it may: look at the book, work at the bench, keep the stock, run the shop."""

    LOOK = "look"
    WORK = "work"
    KEEP = "keep"
    RUN = "run"


class Action(StrEnum):
    """What can be done with a book, in the words that its events keep."""

    LOOK = "look at the book"
    SEARCH = "search the rack"
    TRACE = "trace"
    ROLL_CHANGED = "roll changed"
    ROLL_CUT = "roll cut"
    ROLL_ENTERED = "roll entered"
    CAST_LOGGED = "cast logged"
    MELT_CHARGED = "melt charged"
    MELT_CORRECTED = "melt corrected"
    INGOTS_POURED = "ingots poured"
    SHEET_TRIMMED = "sheet trimmed"
    PLANNED_ROLL_CUT = "planned roll cut"
    PLANNED_BLANK_CUT = "planned blank cut"
    PIPE_HEARD = "pipe heard"
    ATTACHMENT_KEPT = "attachment kept"
    PIN_SET = "pin set"
    PASSWORD_SET = "password set"
    TAKEN_BACK = "taken back"
    RECIPE_ENTERED = "recipe entered"
    RECIPE_CHANGED = "recipe changed"
    LOT_ENTERED = "lot entered"
    LOT_CHANGED = "lot changed"
    IMPORTED = "imported"
    ANALYSIS_ENTERED = "analysis entered"
    WEIGHED = "weighed"
    SOLD = "sold"
    ORGAN_KEPT = "organ kept"
    PLAN_KEPT = "plan kept"
    PLAN_ACCEPTED = "plan accepted"
    PLAN_CHANGED = "plan changed by hand"
    PLAN_ANEW = "plan taken anew"
    PLAN_GIVEN_UP = "plan given up"
    ATTACHMENT_WITHDRAWN = "attachment withdrawn"
    BOOK_EXPORTED = "book exported"
    PERSON_ENTERED = "person entered"
    ROLE_GIVEN = "role given"
    PERSON_CLOSED = "person closed"
    TOKEN_GIVEN = "token given"
    TOKEN_WITHDRAWN = "token withdrawn"
    BOOK_BACKED_UP = "book backed up"
    BOOK_DUMPED = "book dumped"
    SETTINGS_CHANGED = "settings changed"
    SETTINGS_FORGOTTEN = "settings forgotten"


ROLES: Final = tuple(Role)
ACTIONS: Final[dict[Action, Role]] = {
    **dict.fromkeys((Action.LOOK, Action.SEARCH, Action.TRACE), Role.LOOK),
    **dict.fromkeys(
        (
            Action.ROLL_CHANGED,
            Action.ROLL_CUT,
            Action.ROLL_ENTERED,
            Action.CAST_LOGGED,
            Action.MELT_CHARGED,
            Action.MELT_CORRECTED,
            Action.INGOTS_POURED,
            Action.SHEET_TRIMMED,
            Action.PLANNED_ROLL_CUT,
            Action.PLANNED_BLANK_CUT,
            Action.PLAN_ANEW,
            Action.PIPE_HEARD,
            Action.ATTACHMENT_KEPT,
            Action.PIN_SET,
            Action.PASSWORD_SET,
            Action.TAKEN_BACK,
        ),
        Role.WORK,
    ),
    **dict.fromkeys(
        (
            Action.RECIPE_ENTERED,
            Action.RECIPE_CHANGED,
            Action.LOT_ENTERED,
            Action.LOT_CHANGED,
            Action.IMPORTED,
            Action.ANALYSIS_ENTERED,
            Action.WEIGHED,
            Action.SOLD,
            Action.ORGAN_KEPT,
            Action.PLAN_KEPT,
            Action.PLAN_ACCEPTED,
            Action.PLAN_CHANGED,
            Action.PLAN_GIVEN_UP,
            Action.ATTACHMENT_WITHDRAWN,
            Action.BOOK_EXPORTED,
        ),
        Role.KEEP,
    ),
    **dict.fromkeys(
        (
            Action.PERSON_ENTERED,
            Action.ROLE_GIVEN,
            Action.PERSON_CLOSED,
            Action.TOKEN_GIVEN,
            Action.TOKEN_WITHDRAWN,
            Action.BOOK_BACKED_UP,
            Action.BOOK_DUMPED,
            Action.SETTINGS_CHANGED,
            Action.SETTINGS_FORGOTTEN,
        ),
        Role.RUN,
    ),
}
"""The least role of every action. Taking an action back needs the role that the action itself needs."""
_BY_NAME: Final[dict[str, Role]] = {action.value: role for action, role in ACTIONS.items()}
_RANK: Final[dict[str, int]] = {role.value: rank for rank, role in enumerate(Role)}


def role_needed(action: str) -> Role | None:
    """The least role that may do this; None where nobody may.

    >>> str(role_needed("roll cut")), role_needed("burn the book")
    ('work', None)
    """
    return _BY_NAME.get(action)


def may(role: str | None, action: str) -> bool:
    """Whether somebody of this role may do this; nobody without a role may do anything.

    >>> may("work", "roll cut"), may("work", "person entered"), may(None, "look at the book"), may("run", "burn the book")
    (True, False, False, False)
    """
    needed = _BY_NAME.get(action)
    return needed is not None and role is not None and _RANK.get(role, -1) >= _RANK[needed]


def lesser(role: str, other: str) -> str:
    """Of two roles the one that may do less.

    >>> lesser("run", "work"), lesser("look", "keep")
    ('work', 'look')
    """
    return min(role, other, key=lambda name: _RANK.get(name, -1))
