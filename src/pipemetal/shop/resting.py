"""What an accepted plan was worked out around and was taken back since: a cast that failed, a lost day, a measured sheet."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection, RowMapping, select

from pipemetal.shop import schema
from pipemetal.shop.ledger import taken_back
from pipemetal.shop.roles import Action
from pipemetal.texts import Text

__all__ = ["RestsOn", "rests_on"]

DAY: Final = "day."
CASTS: Final = {
    Action.SHEET_TRIMMED: Text("the metal of {sheet} that was booked as scrap, cast {cast}"),
    Action.CAST_LOGGED: Text("{sheet} as it was logged, cast {cast}"),
    Action.ROLL_ENTERED: Text("{sheet} as it was measured and hung, cast {cast}"),
}
"""What of a cast a plan is worked out around, by the action that books it."""


@dataclass(frozen=True)
class RestsOn:
    """A plan that was taken by an event, worked out around what was booked before and taken back after it."""

    plan: str
    plan_event: int
    event: int
    what: Text
    alloy: str = ""

    @property
    def words(self) -> Text:
        """As a person reads it."""
        return Text(
            "This plan was worked out around {what} (event {event}). That was taken back since: plan the rest anew, or take the "
            "plan back too (event {taken}).",
            what=self.what,
            event=self.event,
            taken=self.plan_event,
        )


def rests_on(connection: Connection, plan_id: str) -> tuple[RestsOn, ...]:
    """What the plan that stands under this id was worked out around and was taken back since; nothing where it was accepted as
    made, or where all of it stands."""
    e = schema.events.c
    pairs = [(row.id, row.undoes) for row in connection.execute(select(e.id, e.undoes))]
    gone = taken_back(pairs)
    mine = select(e.id).where(e.about == f"plan:{plan_id}", e.what == Action.PLAN_ANEW)
    taken = max(set(connection.execute(mine).scalars()) - gone, default=0)
    after = {undoes for number, undoes in pairs if undoes is not None and number > taken and number not in gone}
    asked = sorted(number for number in gone & after if number < taken)
    if not asked:
        return ()
    rows = connection.execute(select(schema.events).where(e.id.in_(asked)).order_by(e.id)).mappings()
    found = ((row["id"], _of_plan(connection, plan_id, row)) for row in rows)
    return tuple(RestsOn(plan_id, taken, number, told[0], told[1]) for number, told in found if told is not None)


def _of_plan(connection: Connection, plan_id: str, row: RowMapping) -> tuple[Text, str] | None:
    """What an event means to a plan, and of which alloy; None where it means nothing to it."""
    kind, _, key = str(row["about"]).partition(":")
    if row["what"] in (Action.SETTINGS_CHANGED, Action.SETTINGS_FORGOTTEN):
        return _of_days(json.loads(row["changes"]))
    told = next((text for action, text in CASTS.items() if row["what"] == action and kind == "cast"), None)
    if told is None:
        return None
    o = schema.cast_orders.c
    order = connection.execute(select(o.sheet, o.alloy).where(o.plan == plan_id, o.cast == key)).first()
    if order is None:  # logging it was taken back: the list has it to be cast again
        ids = [c["id"] for c in json.loads(row["changes"]) if c["table"] == "cast_orders"]
        order = connection.execute(select(o.sheet, o.alloy).where(o.plan == plan_id, o.id.in_(ids))).first()
    return (Text(told.template, sheet=order.sheet, cast=key), order.alloy) if order is not None else None


def _of_days(changes: list[Mapping[str, Mapping[str, str] | None]]) -> tuple[Text, str] | None:
    """Days that were lost, or other habits of the casting day, by a change of the settings."""
    was, now = (
        {
            name: value
            for change in changes
            for name, value in json.loads((change[side] or {}).get("said", "{}") or "{}").items()
            if name.startswith(DAY)
        }
        for side in ("before", "after")
    )
    if was == now:
        return None
    before = {day.strip() for day in str(was.get("day.lost_days", "")).split(",")}
    lost = [d for day in str(now.get("day.lost_days", "")).split(",") if (d := day.strip()) and d not in before]
    if lost:
        return Text("a lost day, {day}", day=", ".join(lost)), ""
    return Text("other casting days in the settings"), ""
