"""What a rank is made of is told pipe by pipe: mixed alloys are summed apart, wood has no metal."""

from __future__ import annotations

import pytest

from pipemetal.documents.plan_sheets import statement_sheet
from pipemetal.documents.rank_sheet import of_what, rank_sheets
from pipemetal.documents.sheet import Paragraph, Table
from pipemetal.plans.record import PipeRow, Plan
from pipemetal.units import UnitSystem
from pipemetal.words import Words

PIPES = (
    *(PipeRow(f"P {k}", "Principal", str(k), "zinc", key=k, mass_kg=2.0, thickness_mouth_mm=1.0) for k in range(6)),
    *(
        PipeRow(f"P {k}", "Principal", str(k), "spotted", key=k, mass_kg=0.5, thickness_mouth_mm=0.7)
        for k in range(6, 54)
    ),
    *(PipeRow(f"B {k}", "Bass", str(k), "plain", key=k, made="wood", thickness_mouth_mm=1.4) for k in range(3)),
)


def plan() -> Plan:
    return Plan(organ="O", shop="S", pipes=PIPES)  # type: ignore[call-arg]


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_statement_sums_by_pipe(language: str) -> None:
    sheet = statement_sheet(plan(), UnitSystem(), Words(language))
    ranks = next(block for block in sheet.blocks if isinstance(block, Table))
    wood = "Holz" if language == "de" else "wood"
    assert [(row[0], row[1], str(row[2]), str(row[3]).replace(",", ".")) for row in ranks.rows] == [
        ("Principal", "zinc", "6", "12.0"),
        ("Principal", "spotted", "48", "24.0"),
        ("Bass", wood, "3", ""),
    ]


def test_a_rank_sheet_names_every_metal_and_measures_no_wall_of_wood() -> None:
    principal, bass = rank_sheets(plan(), UnitSystem(), Words())
    first = next(b for b in principal.blocks if isinstance(b, Paragraph))
    assert "zinc (6), spotted (48)" in first.text
    table = next(b for b in bass.blocks if isinstance(b, Table))
    assert all(cell == "" for row in table.rows for cell in row[7:15])
    assert set(of_what(PIPES)) == {"zinc", "spotted", "wood"}
