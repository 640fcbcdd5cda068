"""The whole trace of one thing: where its metal came from with invoices and analyses, and where it went, to every pipe."""

from __future__ import annotations

import json
from typing import Any, Final

from sqlalchemy import select

from pipemetal.errors import BookError
from pipemetal.plans.codec import read
from pipemetal.plans.record import Plan
from pipemetal.shop import schema
from pipemetal.shop.history import History

__all__ = ["Tracing"]

KINDS: Final = {"pipe": "pieces", "roll": "rolls", "sheet": "casts", "melt": "melts", "lot": "lots"}
MOST_PLANS: Final = 12
"""Plans that are looked through for a pipe, accepted ones first."""
SHOWN: Final = {
    "pieces": ("roll", "organ", "rank", "pipe", "plan", "box", "mass_kg"),
    "rolls": (
        "alloy",
        "length_mm",
        "width_mm",
        "mean_mm",
        "place",
        "parent",
        "state",
        "cast",
        "day",
        "reserved_for",
        "note",
    ),
    "casts": ("melt", "day"),
    "melts": ("recipe", "day", "dross_kg", "assay", "note"),
    "lots": ("kind", "alloy", "composition", "day", "supplier", "invoice", "price_per_kg", "note"),
}


def _planned_parts(plan: Plan, pipe: str) -> list[dict[str, Any]]:
    """The cuts of a pipe in a plan."""
    return [
        {
            "part": cut.blank,
            "roll": sheet.id,
            "box_mm": [cut.x_mm, cut.y_mm, cut.x_mm + cut.length_mm, cut.y_mm + cut.width_mm],
        }
        for sheet in (*plan.rolls_used, *plan.new_sheets)
        for cut in sheet.cuts
        if pipe in (cut.pipe, cut.blank.removesuffix(f" {cut.kind}"))
    ]


class Tracing(History):
    """Trace with everything that the book knows on the way."""

    def account_of(self, name: str) -> str:
        """The account that a bare id means: a pipe, roll, sheet, melt or lot, looked for in this order.

        Errors: BookError where nothing is called so.
        """
        kind, colon, key = name.partition(":")
        if colon and kind in KINDS:
            self.row(KINDS[kind], key)
            return name
        if colon and kind == "cast":
            self.row("casts", key)
            return f"sheet:{key}"
        for kind, table in KINDS.items():
            try:
                self.row(table, name)
            except BookError:
                continue
            return f"{kind}:{name}"
        raise BookError(
            "is not in the book",
            field="id",
            value=name,
            allowed="the id of a pipe, roll, cast, melt or lot, or the name of a pipe",
        )

    def trace_report(self, name: str) -> dict[str, Any]:
        """Everything about where the metal of one thing came from and went, with the rows on the way.

        `things`: by account, what the book says of it, with `analyses` and `attachments`; `backwards` and `forwards`: the
        movements in steps; `sources`: lots it came from; `pipes`: pieces it went into. A roll counted in has no movement from its
        cast: `cast_without_movement` then leads to the cast by the roll's own entry. Errors: BookError.
        """
        try:
            account = self.account_of(name)
        except BookError:
            parts = self.pipe_parts(name)
            if not parts:
                raise
            return self._report_of_parts(name, parts)
        return self._report_of(account)

    def pipe_parts(self, pipe: str) -> list[dict[str, Any]]:
        """The parts of a pipe by its name: those cut with their roll and place, and those that a plan still holds.

        Of plans those that are accepted count; where none of these holds the pipe, the latest that does.
        """
        p, k = schema.pieces.c, schema.plans.c
        with self.reading() as connection:
            query = select(schema.pieces).where(p.pipe == pipe, p.withdrawn.is_(False)).order_by(p.id)
            cut = [dict(row) for row in connection.execute(query).mappings()]
            latest = select(k.id, k.state, k.body).where(k.withdrawn.is_(False))
            plans = connection.execute(
                latest.order_by(k.state != "accepted", k.made_at.desc(), k.id.desc()).limit(MOST_PLANS)
            ).all()
        parts = [
            {
                "part": row["id"],
                "state": "cut",
                "plan": row["plan"],
                "roll": row["roll"],
                "box_mm": json.loads(row["box"]),
            }
            for row in cut
        ]
        done = {(row["plan"], row["roll"]) for row in cut}
        held = [(key, state, _planned_parts(read(body, f"plan {key!r}"), pipe)) for key, state, body in plans]
        accepted = [entry for entry in held if entry[1] == "accepted" and entry[2]]
        for key, state, found in accepted or [entry for entry in held if entry[2]][: 0 if cut else 1]:
            words = "planned" if state == "accepted" else f"in a plan that is {state}"
            parts += [{**part, "state": words, "plan": key} for part in found if (key, part["roll"]) not in done]
        return parts

    def _report_of_parts(self, pipe: str, parts: list[dict[str, Any]]) -> dict[str, Any]:
        """One report of all the parts of a pipe that are cut, with the list of its parts."""
        whole: dict[str, Any] = {"account": pipe, "things": {}, "parts": parts}
        whole |= {key: [] for key in ("cast_without_movement", "backwards", "forwards", "sources", "pipes")}
        for part in parts:
            if part["state"] == "cut":
                one = self._report_of(f"pipe:{part['part']}")
                whole["things"] |= one["things"]
                for key in ("cast_without_movement", "backwards", "forwards", "sources", "pipes"):
                    whole[key] += [entry for entry in one[key] if entry not in whole[key]]
        return whole

    def _report_of(self, account: str) -> dict[str, Any]:
        steps = self.trace(account)
        accounts = list(
            dict.fromkeys([account, *(a for way in steps.values() for s in way for a in (s.origin, s.target))])
        )
        things = {a: thing for a in accounts if (thing := self._thing(a)) is not None}
        by_entry = []
        for key, thing in list(things.items()):
            sheet = f"sheet:{thing.get('cast', '')}"
            if key.startswith("roll:") and thing.get("cast") and sheet not in things:
                held = self._thing(sheet)
                if held is not None:
                    by_entry.append(sheet)
                    things[sheet] = held
        return {
            "account": account,
            "parts": [],
            "things": things,
            "cast_without_movement": list(dict.fromkeys(by_entry)),
            **{way: [vars(step) for step in found] for way, found in steps.items()},
            "sources": [a for a in accounts if a.startswith("lot:") and any(s.origin == a for s in steps["backwards"])],
            "pipes": sorted({s.target for s in steps["forwards"] if s.target.startswith("pipe:")}),
        }

    def _thing(self, account: str) -> dict[str, Any] | None:
        kind, colon, key = account.partition(":")
        if not colon or kind not in KINDS:
            return None
        table = KINDS[kind]
        try:
            row = self.row(table, key)
        except BookError:
            return None
        thing: dict[str, Any] = {name: row[name] for name in SHOWN[table]}
        if table == "pieces":
            thing["box"] = json.loads(row["box"])
        about = f"cast:{key}" if kind == "sheet" else account
        analyses = [r for r in self.rows("analyses") if r["about"] == about]
        names = ("id", "day", "composition", "method", "laboratory", "note")
        thing["analyses"] = [{name: r[name] for name in names} for r in analyses]
        thing["attachments"] = [r["id"] for r in self.rows("attachments") if r["about"] == about]
        return thing
