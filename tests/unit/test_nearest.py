"""What was perhaps meant is named: a key, an alloy, a command; and a melt outside its limits is told of."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli, main
from pipemetal.errors import InputError
from pipemetal.files.organ_file import read_organ

ORGAN = """
[organ]
name = "Chapel"

[[rank]]
name = "Octave 4"
division = "Great"
footage = "4'"
compass = "C-c1"
alloy = "spotted-50"
scale = { half_tones = -2 }
"""


@pytest.mark.parametrize(
    ("right", "wrong", "nearest"),
    [("alloy =", "aloy =", "alloy"), ("compass =", "compas =", "compass"), ("division =", "divison =", "division")],
)
def test_a_misspelt_key_that_is_needed_is_named_with_the_one_that_was_meant(
    tmp_path: Path, right: str, wrong: str, nearest: str
) -> None:
    file = tmp_path / "organ.toml"
    file.write_text(ORGAN.replace(right, wrong), encoding="utf-8")
    with pytest.raises(InputError) as refused:
        read_organ(file)
    assert refused.value.nearest == nearest and refused.value.field == wrong.split()[0]


def test_a_needed_text_is_not_asked_for_as_a_text(tmp_path: Path) -> None:
    file = tmp_path / "organ.toml"
    file.write_text(ORGAN.replace('alloy = "spotted-50"\n', ""), encoding="utf-8")
    with pytest.raises(InputError, match="alloy is missing") as refused:
        read_organ(file)
    assert "a text" not in str(refused.value)


@pytest.mark.parametrize(
    ("words", "meant"), [(["metal", "allloy"], "alloy"), (["chrage"], "charge"), (["bok"], "book")]
)
def test_a_mistyped_command_gets_its_neighbour(words: list[str], meant: str) -> None:
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 2 and f"Did you mean '{meant}'?" in result.output


def test_an_alloy_that_nothing_has_is_refused_and_a_melt_outside_its_limits_is_told_of(
    shop_folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(shop_folder / "s.sqlite")
    monkeypatch.setenv("PIPEMETAL_BY", "tester")

    def said(*words: str) -> str:
        with pytest.raises(SystemExit):
            main([*words, "--shop", book])
        captured = capsys.readouterr()
        return captured.out + captured.err

    said("import", str(shop_folder))
    assert "did you mean" in said("rolls", "--alloy", "spoted-50").lower()
    assert "0 rolls" in said("rolls", "--alloy", "spotted-50", "--thickness", "7..8")
    told = said("melts", "--add", "M9", "--recipe", "spotted-50", "--charge", "T1=50")
    assert "Outside its limits: Sn 99" in told
    assert "Sn 99" in said("melts")
    heading = next(line for line in said("rolls", "R126").splitlines() if "Roll R126" in line)
    assert heading.strip().startswith("Roll R126: spotted-50,")
