"""Pipes without their metal: one line for each cause and rank, and the card of such a pipe says why first."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli
from pipemetal.plans.codec import read
from pipemetal.plans.record import Plan
from pipemetal.plans.unserved import unserved_pipes
from pipemetal.words import Words

ORGAN = """
[organ]
name = "Merrowby"

[wall.thick]
table_mm = [[20, 3.0], [300, 7.0]]

[[rank]]
name = "Open 16"
division = "Pedal"
footage = "16'"
notes = 7
alloy = "spotted-50"
wall = "thick"
scale = { half_tones = 0 }

[[rank]]
name = "Octave 4"
division = "Great"
footage = "4'"
notes = 3
alloy = "spotted-50"
scale = { half_tones = 0 }
"""


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, str]:
    folder = tmp_path_factory.mktemp("unserved")
    (folder / "organ.toml").write_text(ORGAN, encoding="utf-8")
    asked = ["plan", str(folder / "organ.toml"), "--iterations", "1", "--out", str(folder / "plan")]
    result = CliRunner().invoke(cli, asked)
    assert (folder / "plan" / "plan.json").exists(), result.output
    return read((folder / "plan" / "plan.json").read_text(encoding="utf-8")), result.output


def test_a_cause_is_told_once_for_a_rank(planned: tuple[Plan, str]) -> None:
    plan, output = planned
    groups = unserved_pipes(plan)
    assert {group.rank for group in groups} == {"Open 16"}
    assert len({(g.rank, re.sub(r"[\d.]+", "", g.reason)) for g in groups}) == len(groups)
    assert max(g.pipes for g in groups) == len(plan.pipes) - plan.pipes_served == 7
    assert any(g.notes == "C to F#" for g in groups)
    told = [line for line in output.splitlines() if line.startswith("Not served:")]
    assert len(told) == len(groups)


def test_without_a_rack_none_is_spoken_of(planned: tuple[Plan, str]) -> None:
    plan, output = planned
    assert "on the rack" not in output
    assert not any("rack" in lost.reason for lost in plan.unserved)


def test_every_cause_has_its_german(planned: tuple[Plan, str]) -> None:
    for group in unserved_pipes(planned[0]):
        assert not re.search(r"\b(the|be|what|its|sheet)\b", Words("de").read(group.reason))


def test_the_card_of_a_pipe_that_no_sheet_serves_says_why_first(tmp_path: Path) -> None:
    organ = tmp_path / "organ.toml"
    organ.write_text(ORGAN, encoding="utf-8")
    asked = ["card", str(organ), "--rank", "Open 16", "--note", "C"]
    lines = CliRunner().invoke(cli, asked).output.splitlines()
    assert lines[0].startswith("No sheet that the settings allow serves this pipe. body:")
    german = CliRunner().invoke(cli, [*asked, "--language", "de"]).output.splitlines()
    assert german[0].startswith("Keine Platte, die die Einstellungen erlauben, reicht für diese Pfeife. Körper:")
    fine = CliRunner().invoke(cli, ["card", str(organ), "--rank", "Octave 4", "--note", "C"]).output
    assert "No sheet" not in fine
