"""A check of a plan's days, sleds, tables and pots that shares nothing with the planning: it reads plan.json and adds up."""

from __future__ import annotations

import datetime as dt
import itertools
from collections import Counter
from typing import Any

SLACK_MIN, SLACK_MM, SLACK_KG = 1e-6, 0.2, 1e-6
STEEL_J_KGK = 500.0


def minutes(clock: str) -> int:
    hours, _, rest = clock.strip().partition(":")
    return 60 * int(hours) + int(rest)


def spans(text: str) -> list[tuple[int, int]]:
    return [(minutes(a), minutes(b)) for a, _, b in (word.partition("-") for word in text.split(",") if word.strip())]


def day_faults(plan: dict[str, Any], shop: dict[str, Any]) -> list[str]:
    """What is wrong with the days of a plan; `shop` holds the shop's own words: shift, breaks, and so on."""
    found: list[str] = []
    pours = {p["sheet"]: p for p in plan["pours"]}
    melts = {m["name"]: m for m in plan["melts"]}
    sheets = {s["id"]: s for s in plan["new_sheets"]}
    poured = Counter(s["what"] for day in plan["days"] for s in day["steps"] if s["kind"] == "pour")
    if poured != Counter(list(sheets)):
        found.append(f"sheets poured {poured}, to cast {sorted(sheets)}")
    if Counter(m for day in plan["days"] for m in day["melts"]) != Counter(list(melts)):
        found.append("a melt lies on no day, or on two")
    for day in plan["days"]:
        found += [f"day {day['day']}: {fault}" for fault in _hours(day, pours, melts, shop)]
    dates = [dt.date.fromisoformat(day["date"]) for day in plan["days"] if day.get("date")]
    for earlier, later in itertools.pairwise(dates):
        if later <= earlier:
            found.append(f"{later} does not come after {earlier}")
    found += [f"{date} is no day of casting" for date in dates if date.weekday() > 4 or date in shop.get("free", ())]
    return found


def _hours(day: dict[str, Any], pours: Any, melts: Any, shop: dict[str, Any]) -> list[str]:
    found: list[str] = []
    (begin, end), steps = spans(shop["shift"])[0], day["steps"]
    if len(day["melts"]) > shop["melts"]:
        found.append("has too many melts")
    # a table rests and a pot warms by itself; whatever takes hands is done one after the other, and so is all of one pot
    found += _after_each_other([s for s in steps if s["kind"] not in ("rest", "melt")])
    pots = {name: melt.get("pot", "") for name, melt in melts.items()}
    of_melt = {p["sheet"]: p["melt"] for p in pours.values()}
    for pot in {pots[name] for name in day["melts"]}:
        mine = [s for s in steps if s["kind"] != "rest" and pots.get(of_melt.get(s["what"], s["what"])) == pot]
        found += _after_each_other(mine)
    if steps[0]["from_min"] < begin or steps[0]["kind"] != "melt":
        found.append("does not begin with the burner, in the shift")
    over = max(0.0, max(s["to_min"] for s in steps) - end)
    if abs(over - day["over_min"]) > SLACK_MIN:
        found.append(f"runs {over} min over, told {day['over_min']}")
    if over > SLACK_MIN and (len(day["melts"]) > 1 or len(melts[day["melts"][0]]["sheets"]) > 1):
        found.append(f"runs {over} min over, though its work could be parted")
    at_work = [s for s in steps if s["kind"] in ("pour", "ladle", "skim", "sled", "alloy")]
    for low, high in spans(shop["breaks"]):
        found += [
            f"{s['kind']} {s['what']} lies in a break"
            for s in at_work
            if s["from_min"] < high - SLACK_MIN and s["to_min"] > low + SLACK_MIN
        ]
    heated = [s for s in steps if s["kind"] == "melt"]
    if sorted(s["what"] for s in heated) != sorted(day["melts"]):
        found.append("does not heat its melts in their order")
    for step in heated:
        melt = melts[step["what"]]
        if "heat" in melt and abs(step["to_min"] - step["from_min"] - 60.0 * melt["heat"]["hours"]) > 1e-3:
            found.append(f"heats {melt['name']} for another time than it takes")
    return found + _casts(day, pours, melts, shop)


def _after_each_other(steps: list[dict[str, Any]]) -> list[str]:
    return [
        f"{after['kind']} {after['what']} begins before {step['kind']} {step['what']} ends"
        for step, after in itertools.pairwise(steps)
        if after["from_min"] < step["to_min"] - SLACK_MIN
    ]


def _casts(day: dict[str, Any], pours: Any, melts: Any, shop: dict[str, Any]) -> list[str]:
    found: list[str] = []
    casts = [(s, pours[s["what"]]) for s in day["steps"] if s["kind"] == "pour"]
    if len(casts) > shop["casts_a_day"]:
        found.append(f"has {len(casts)} casts")
    if [p["sheet"] for _, p in casts] != [sheet for m in day["melts"] for sheet in melts[m]["sheets"]]:
        found.append("does not cast its sheets in the order of its melts")
    ready = {s["what"]: s["to_min"] for s in day["steps"] if s["kind"] in ("melt", "skim", "sample")}
    filled = {s["what"]: s for s in day["steps"] if s["kind"] == "ladle"}
    for number, (step, pour) in enumerate(casts, 1):
        scoops = -(-(pour["charge_kg"] - 1e-6) // shop.get("scoop_kg", 11.3))
        least = scoops * shop.get("ladle_minutes", 0.25)
        ladle = filled.get(pour["sheet"], {"from_min": step["from_min"], "to_min": step["from_min"]})
        if (
            abs(ladle["to_min"] - step["from_min"]) > SLACK_MIN
            or ladle["to_min"] - ladle["from_min"] < least - SLACK_MIN
        ):
            found.append(f"{pour['sheet']}: its sled is not filled right before, in {least} min")
        rest = next((s for s in day["steps"] if s["kind"] == "rest" and s["what"] == pour["sheet"]), None)
        following = [s for s, _ in casts if s["from_min"] > step["from_min"]]
        if rest is not None and following and following[0]["from_min"] < rest["to_min"] - SLACK_MIN:
            found.append(f"{pour['sheet']}: the next is poured while its table rests")
        if (pour["day"], pour["number"]) != (day["day"], number) or pour["starts_at_min"] != step["from_min"]:
            found.append(f"pour {pour['sheet']} says another time than the day")
        if ladle["from_min"] < ready[pour["melt"]] - SLACK_MIN:
            found.append(f"{pour['sheet']} is poured before {pour['melt']} is ready")
        if "lift_after_s" in pour and abs(step["to_min"] - step["from_min"] - pour["lift_after_s"] / 60.0) > 1e-6:
            found.append(f"{pour['sheet']} lies for another time than its card says")
    for (one, before), (two, after) in itertools.pairwise(casts):
        least = shop["minutes_between"]
        if before["sled"] != after["sled"]:
            least = max(least, one["to_min"] - one["from_min"] + shop["sled_minutes"])
        if two["from_min"] - one["from_min"] < least - SLACK_MIN:
            found.append(f"{after['sheet']} follows {before['sheet']} too soon")
    return found


def shop_faults(plan: dict[str, Any], shop: dict[str, Any]) -> list[str]:
    """Sheets on sleds and tables that there are, and pots that hold what is asked of them."""
    found: list[str] = []
    for pour in plan["pours"]:
        name, sled = pour["sheet"], shop["sleds"].get(pour["sled"])
        table = shop["tables"].get(pour["table"])
        if sled is None or table is None:
            found.append(f"{name}: no such sled or table: {pour['sled']}, {pour['table']}")
            continue
        if abs(pour["width_mm"] - sled[1]) > SLACK_MM:
            found.append(f"{name}: {pour['width_mm']} mm wide on a sled of {sled[1]} mm")
        if pour["length_mm"] + shop["run_up_mm"] > table[0] + SLACK_MM or pour["width_mm"] > table[1] + SLACK_MM:
            found.append(f"{name}: larger than table {pour['table']}")
    for sheet in plan["new_sheets"]:
        width = sheet["width_mm"] + SLACK_MM
        if any(cut["y_mm"] + cut["width_mm"] > width for cut in sheet["cuts"]) or sheet["used_width_mm"] > width:
            found.append(f"{sheet['id']}: more is used than its width")
    for melt in plan["melts"]:
        holds = shop["pots"][melt["pot"]] if melt.get("pot") else shop["capacity_kg"]
        if melt.get("mass_kg", melt["wanted_kg"]) > holds + SLACK_KG:
            found.append(f"{melt['name']}: more than the pot holds")
        left = melt.get("mass_kg", melt["wanted_kg"])
        for name in melt["sheets"]:
            pour = next(p for p in plan["pours"] if p["sheet"] == name)
            if pour["charge_kg"] > left + SLACK_KG:
                found.append(f"{melt['name']}: {left:.1f} kg left, {name} is ladled with {pour['charge_kg']:.1f}")
            left -= pour["used_kg"]
    return found
