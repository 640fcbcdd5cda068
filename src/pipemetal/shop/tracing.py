"""The whole trace of one thing: where its metal came from with invoices and analyses, and where it went, to every pipe."""

from __future__ import annotations

import json
from typing import Any, Final

from pipemetal.errors import BookError
from pipemetal.shop.history import History

__all__ = ["Tracing"]

KINDS: Final = {"pipe": "pieces", "roll": "rolls", "sheet": "casts", "melt": "melts", "lot": "lots"}
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
            "is not in the book", field="id", value=name, allowed="the id of a pipe, roll, cast, melt or lot"
        )

    def trace_report(self, name: str) -> dict[str, Any]:
        """Everything about where the metal of one thing came from and went, with the rows on the way.

        `things`: by account, what the book says of it, with `analyses` and `attachments`; `backwards` and `forwards`: the
        movements in steps; `sources`: lots it came from; `pipes`: pieces it went into. A roll counted in has no movement from its
        cast: `cast_without_movement` then leads to the cast by the roll's own entry. Errors: BookError.
        """
        account = self.account_of(name)
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
