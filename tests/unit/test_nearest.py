"""What was perhaps meant is named: a key, an alloy, a command; and a melt outside its limits is told of."""

from __future__ import annotations

import json
import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from small_organ import ORGAN

from pipemetal.cli.main import NOUNS, _loaded, cli, main
from pipemetal.errors import InputError
from pipemetal.files.csv_table import csv_table_of
from pipemetal.files.organ_file import read_organ
from pipemetal.files.rack_file import read_rack
from pipemetal.files.recipe_file import read_recipes


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


SWAPPED = [
    (noun, verb, f"{verb[:-2]}{verb[-1]}{verb[-2]}")
    for noun, held in NOUNS.items()
    for verb in held.verbs
    if held.usual
]


@pytest.mark.parametrize(("noun", "verb", "typed"), SWAPPED)
def test_a_mistyped_verb_is_no_file_of_the_usual_verb(noun: str, verb: str, typed: str) -> None:
    result = CliRunner().invoke(cli, [noun, typed, "x"])
    assert result.exit_code == 2 and f"Did you mean '{verb}'?" in result.output


@pytest.mark.parametrize("words", [["rolls", "shwo", "R126"], ["lots", "lsit"], ["melts", "entre", "M1"]])
def test_a_mistyped_verb_is_no_id(words: list[str]) -> None:
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 2 and "Did you mean" in result.output


VERBS = [(noun, verb, name) for noun, held in NOUNS.items() for verb, name in held.verbs.items()]


@pytest.mark.parametrize(("noun", "verb", "name"), VERBS)
def test_what_a_command_cannot_do_without_comes_with_an_example(noun: str, verb: str, name: str) -> None:
    command = _loaded(name)
    if isinstance(command, click.Group) or not any(param.required for param in command.params):
        return
    result = CliRunner().invoke(cli, [noun, verb, "--json"])
    assert result.exit_code == 2
    told = json.loads(result.stdout)
    assert told["error"] and told["field"] and f" {noun} {verb} " in told["example"]
    assert "For example: " in result.stderr


@pytest.mark.parametrize(
    ("words", "key"),
    [
        (["planz"], "error"),
        (["book", "histroy"], "error"),
        (["rolls", "--lenght", "3"], "nearest"),
        (["print", "paper", "plan.json", "--language", "german", "--out", "x"], "allowed"),
    ],
)
def test_an_error_of_usage_is_an_object_too(words: list[str], key: str) -> None:
    result = CliRunner().invoke(cli, [*words, "--json"])
    assert result.exit_code == 2 and json.loads(result.stdout)[key]


@pytest.mark.parametrize(
    ("file", "right", "wrong", "command"),
    [
        ("organ.toml", "footage =", "fotage =", "organ pipes"),
        ("charge.toml", "mass_kg = 380", "mas_kg = 380", "metal charge"),
        ("sheet-spotted.toml", "length_mm =", "lenght_mm =", "cast push"),
    ],
)
def test_a_misspelt_quantity_is_named(
    shop_folder: Path, capsys: pytest.CaptureFixture[str], file: str, right: str, wrong: str, command: str
) -> None:
    path = shop_folder / file
    path.write_text(path.read_text(encoding="utf-8").replace(right, wrong, 1), encoding="utf-8")
    with pytest.raises(SystemExit):
        main([*command.split(), str(path)])
    told = capsys.readouterr().err
    assert wrong.split()[0] in told and f"did you mean '{right.split()[0]}'" in told


def test_a_decimal_comma_is_named_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "organ.toml"
    file.write_text(ORGAN.replace("-2", "-2,5"), encoding="utf-8")
    with pytest.raises(InputError, match="line 11: half_tones has a decimal comma") as refused:
        read_organ(file)
    assert refused.value.example == 'half_tones = -2.5 or half_tones = "-2,5"'
    file.write_text(ORGAN.replace("-2", '"-2,5"'), encoding="utf-8")
    assert read_organ(file) is not None
    file.write_text(ORGAN + '\n[pitch]\na_hz = "high"\n', encoding="utf-8")
    with pytest.raises(InputError, match="not a number") as refused:
        read_organ(file)
    assert refused.value.example.startswith("450.5")


def test_a_row_with_a_decimal_comma_too_many_says_so() -> None:
    with pytest.raises(InputError, match=r"has 3 cells where .* for example 12\.5"):
        csv_table_of("id,mass_kg\nT1,12,5\n", "lots.csv")


def test_what_is_nowhere_else_is_named_with_its_row_and_its_neighbour(shop_folder: Path, tmp_path: Path) -> None:
    readings = shop_folder / "readings.csv"
    readings.write_text(readings.read_text(encoding="utf-8").replace("R101,", "R1O1,", 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"readings\.csv row \d+: roll .* did you mean 'R101'"):
        read_rack(shop_folder, read_recipes(shop_folder / "recipes.toml"))
    told = CliRunner().invoke(cli, ["book", "import", str(shop_folder), "--shop", str(tmp_path / "s.sqlite")])
    assert "did you mean 'R101'" in str(told.exception) and re.search(r"readings\.csv row \d", str(told.exception))
    told = CliRunner().invoke(cli, ["plan", "accept", str(shop_folder / "organ.jsn"), "--shop", str(tmp_path / "s")])
    assert told.exit_code != 0
