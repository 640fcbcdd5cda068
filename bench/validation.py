"""Write docs/validation.md from the tests' own tables: `python bench/validation.py`, or `make validation`."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.solidus import solidus_c

ROOT = Path(__file__).parents[1]
TABLES = ROOT / "tests" / "data" / "alloys"
PAGE = ROOT / "docs" / "validation.md"
HEAD = """# What was checked against the outside

This page in one minute; the tables behind it hold every value. Written by `make validation` from the tests themselves: every
comparison that the tests in `tests/published/` make with a published or computed value, what the program gives today, and the
tolerance that the test allows. The run fails where this page is stale.

    make validation

"""
NOT_CHECKED = """## What has no outside check
- Casting: no measured cast has been published, neither thickness against push nor seconds to matt. The equations are checked one
  by one (sluice gate, freezing by Neumann and Stefan, contact of half spaces), their sum is not. A shop's own log is the check.
- Placing blanks on tapered sheets: no published instance holds a thickness rule. Checked are published strips and bins without
  it, perfect plans that we planted, and small jobs proven by an exact solver.
- Walls, flues, toes, lips, solder and dross: common practice, no source. No scale's figure for the mass of a pipe or a rank was
  found. No dross of a pipe shop and no drift of its scrap has been published.
- Old ranks: the lengths of the chest organ of Kamien Pomorski (Sensors 2021, 21(12), 4163), the tables of the 1864 rank (McNeil &
  Sedlak, The Diapason 2018) and the flue scales of Dom Bedos are in print, and could not be read. What is said of pitch and
  temperament was held against made-up ranks of known truth (docs/restoration.md).
- What a foreman's day costs in time and metal with and without this: nothing is known.

"""
AGAINST = {
    "alloys": "melting, freezing, density, heat, flow and surface of lead-tin alloys: solder standards, handbooks, assessments",
    "pipes": "pitch, lengths, scales, mouths, walls: measured pipes, treatises, acoustics, finite elements",
    "sheets": "the mass of rolled lead by its standard, figures of sheet from outside",
    "layout": "the proven least of one rank, by an exact solver; more in benchmarks",
    "melts": "old tables of alloys, mass balances, worked examples of mixing and buying",
    "casting": "closed forms, worked tables, the few reports there are, and what common practice says (no source)",
    "restoration": "a historic temperament and pitches at their temperatures; the rest against made-up ranks",
}
"""What each room is held against, in a line."""
ROOMS = {
    "alloys": "Alloys",
    "pipes": "Pipes",
    "sheets": "Sheets",
    "layout": "Layout",
    "melts": "Melts",
    "casting": "Casting",
    "restoration": "Restoration",
}


def rows_of(name: str) -> list[dict[str, str]]:
    """Rows of a table of the tests, its first line of words left out."""
    lines = [line for line in (TABLES / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def solders() -> list[str]:
    """Solidus and liquidus of standard solders beside their tables."""
    lines = [
        "## Melting of standard solders, C",
        "Tolerance: the error that the row had with the first data. Missed: our true error where it is larger, with the reason.",
        "",
        "| alloy | solidus | ours | off | liquidus | ours | off | tolerance K | missed | source | note |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in rows_of("solders.csv"):
        comp = Composition.parse(row["composition"])
        ours = {"solidus": solidus_c(comp), "liquidus": liquidus(comp).temperature_c}
        cells = [row["alloy"]]
        for what, value in ours.items():
            published = float(row[f"{what}_c"])
            # a difference of less than half the last digit has no sign
            cells += [f"{published:.1f}", f"{value:.1f}", f"{round(value - published, 1) + 0.0:+.1f}"]
        cells += [
            f"{row['solidus_within_k']} / {row['liquidus_within_k']}",
            row["liquidus_missed_k"],
            row["source"],
            row["note"],
        ]
        lines.append("| " + " | ".join(cells) + " |")
    return lines


def densities() -> list[str]:
    """Densities beside published ones."""
    lines = [
        "",
        "## Density at room temperature, g/cm3",
        "",
        "| composition | published | ours | off % | tolerance % | missed | source | note |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in rows_of("densities.csv"):
        published, ours = float(row["density_g_cm3"]), solid_density_g_cm3(Composition.parse(row["composition"]))
        lines.append(
            f"| {row['composition']} | {published:g} | {ours:.3f} | {round(100.0 * (ours / published - 1.0), 2) + 0.0:+.2f} "
            f"| {row['within_pct']} | {row['missed_pct']} | {row['source']} | {row['note']} |"
        )
    return lines


def status_of(source: str) -> str:
    """How sure a published value is, by the words of its source."""
    found = [word for word in ("not checked", "read", "computed") if re.search(rf"\b{word}\b", source.lower())]
    return ", ".join(found) or "stated"


def short(value: float) -> str:
    """A number in five digits."""
    return f"{value:.5g}"


def room_rows(room: str, comparisons: list[dict[str, Any]]) -> list[str]:
    """The comparisons of one room: a table for each test, its source above it."""
    lines = [f"## {ROOMS[room]}"]
    ours = [c for c in comparisons if c["test"].startswith(f"test_{room}_")]
    for test in dict.fromkeys(c["test"] for c in ours):
        rows = [c for c in ours if c["test"] == test]
        source = rows[0]["source"] or "no source stated"
        name = test.partition(": ")[2]
        lines += [
            "",
            f"**{name[0].upper() + name[1:]}.** {source} ({status_of(source)})",
            "",
            "| case | published | ours | off | tolerance |",
            "|---|---|---|---|---|",
        ]
        for c in rows:
            off = c["ours"] - c["published"]
            off = 0.0 if abs(off) < 1e-9 * max(abs(c["published"]), 1.0) else off
            case = c["case"].replace("|", "/")[:60]
            lines.append(
                f"| {case} | {short(c['published'])} | {short(c['ours'])} | {off:+.2g} | {c['tolerance']:.2g} |"
            )
    return lines


def summary(comparisons: list[dict[str, Any]]) -> list[str]:
    """What is held against what, by room: how many values, how many hold, how many miss, and how sure the values are."""
    lines = ["| room | checked against | values | hold | miss |", "|---|---|---|---|---|"]
    kinds = ["read", "computed", "not checked", "stated"]
    sure = ["| room | " + " | ".join(kinds) + " |", "|---|---|---|---|---|"]
    extra = {"alloys": [bool(row[1]) for row in missed_of_tables()]}
    for room, name in ROOMS.items():
        ours = [c for c in comparisons if c["test"].startswith(f"test_{room}_")]
        off = sum(abs(c["ours"] - c["published"]) > c["tolerance"] * (1.0 + 1e-9) for c in ours)
        rows = extra.get(room, [])
        total, miss = len(ours) + len(rows), off + sum(rows)
        lines.append(f"| [{name}](#{room}) | {AGAINST[room]} | {total} | {total - miss} | {miss or ''} |")
        counts = [sum(status_of(c["source"]).startswith(kind) for c in ours) for kind in kinds]
        sure.append(f"| {name} | " + " | ".join(str(n) for n in counts) + " |")
    misses = [f"- {name}: {words}" for name, words in missed_of_tables() if words]
    return [
        *lines,
        "",
        "A value holds where it lies within its tolerance: the print's own where it has one. Of alloys it is the error that the",
        "row had when it was first compared, so that none gets worse unseen. Where a value misses, its true error and the reason",
        "stand beside it.",
        "",
        "## Which miss",
        *(misses or ["None."]),
        "",
        NOT_CHECKED.rstrip("\n"),
        "",
        "## How sure the published values are",
        "`read`: the source was read. `computed`: worked out independently from a stated formula. `not checked`: quoted without",
        "the source at hand. `stated`: the source stands beside the value.",
        "",
        *sure,
        "",
    ]


def missed_of_tables() -> list[tuple[str, str]]:
    """Each value of the tables of the tests, with what it misses by and why; nothing where it holds."""
    found = []
    for row in rows_of("solders.csv"):
        why = f"liquidus {row['liquidus_missed_k']} K off. {row['note']}" if row["liquidus_missed_k"] else ""
        found += [(f"{row['alloy']}, solidus", ""), (f"{row['alloy']}, liquidus", why)]
    for row in rows_of("densities.csv"):
        why = f"density {row['missed_pct']} % off. {row['note']}" if row["missed_pct"] else ""
        found.append((row["composition"], why))
    return found


def tables() -> list[str]:
    """The tables that stand row by row in files of the tests."""
    return [*solders(), *densities()]


def compared() -> dict[str, Any]:
    """All comparisons of the published tests, by running them."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "comparisons.json"
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "tests/published"],
            cwd=ROOT,
            check=True,
            env=os.environ | {"PIPEMETAL_COMPARISONS_OUT": str(out), "PIPEMETAL_TEST_LONG": "1"},
        )
        found: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
        return found


def page(held: dict[str, Any]) -> str:
    """The whole page."""
    comparisons = held["comparisons"]
    lines = [*summary(comparisons), *tables(), ""]
    for room in ROOMS:
        lines += [*room_rows(room, comparisons), ""]
    return HEAD + "\n".join(lines) + f"\n<!-- comparisons {held['fingerprint']} -->\n"


if __name__ == "__main__":
    PAGE.write_text(page(compared()), encoding="utf-8")
    print(f"Wrote {PAGE}.")
