"""Write docs/validation.md from the tests' own tables: `python bench/validation.py`, or `make validation`."""

from __future__ import annotations

import csv
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.solidus import solidus_c

ROOT = Path(__file__).parents[1]
TABLES = ROOT / "tests" / "data" / "alloys"
PAGE = ROOT / "docs" / "validation.md"
HEAD = """# What was checked against the outside

Written by `make validation` from the tests' own tables; a test fails when the page is stale. The alloys stand here row by row. Of
the other rooms the sourced values stand in `tests/published/`, each beside its source; they are not yet listed here.

## What has no outside check
- Casting: no measured cast has been published, neither thickness against push nor seconds to matt. The equations are checked one
  by one (sluice gate, freezing by Neumann and Stefan, contact of half spaces), their sum is not. A shop's own log is the check.
- Placing blanks on tapered sheets: no published instance holds a thickness rule. Checked are published strips and bins without
  it, perfect plans that we planted, and small jobs proven by an exact solver.
- Walls, flues, toes and dross: common practice, no source.

"""


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
        "", "## Density at room temperature, g/cm3", "",
        "| composition | published | ours | off % | tolerance % | missed | source | note |", "|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for row in rows_of("densities.csv"):
        published, ours = float(row["density_g_cm3"]), solid_density_g_cm3(Composition.parse(row["composition"]))
        lines.append(
            f"| {row['composition']} | {published:g} | {ours:.3f} | {round(100.0 * (ours / published - 1.0), 2) + 0.0:+.2f} "
            f"| {row['within_pct']} | {row['missed_pct']} | {row['source']} | {row['note']} |"
        )
    return lines


def page() -> str:
    """The whole page."""
    return HEAD + "\n".join([*solders(), *densities(), ""])


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
