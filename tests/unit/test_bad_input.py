"""Bad input in the shop's files: one clear message that names file, place and what is allowed, and exit code 2."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli, main
from pipemetal.files.demo_files import packaged_file

Change = Callable[[Path], None]


def replaced(name: str, old: str, new: str, count: int = 1) -> Change:
    def change(folder: Path) -> None:
        path = folder / name
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} is not in {name}"
        path.write_text(text.replace(old, new, count), encoding="utf-8")

    return change


def added(name: str, text: str) -> Change:
    def change(folder: Path) -> None:
        path = folder / name
        path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")

    return change


def emptied(name: str) -> Change:
    return lambda folder: (folder / name).write_text("", encoding="utf-8") and None


def scribbled(name: str, content: bytes) -> Change:
    return lambda folder: (folder / name).write_bytes(content) and None


BAD = {
    "wrong unit of a length": (
        replaced("organ.toml", "foot_length_mm = 240", 'foot_length = "240 kg"'),
        ["organ.toml", "Bourdon 16", "foot_length", "kg"],
    ),
    "length in an unknown key": (
        replaced("organ.toml", "foot_length_mm = 240", "foot_length_cm = 24"),
        ["organ.toml", "foot_length_cm", "is not a key"],
    ),
    "length that can be read in two ways": (
        replaced("organ.toml", "foot_length_mm = 240", 'foot_length = "1,240 mm"'),
        ["two ways", "1.240 or 1240"],
    ),
    "misspelt key": (replaced("organ.toml", 'cut_up = "1/3"', 'cutup = "1/3"'), ["cutup", "did you mean 'cut_up'"]),
    "pitch out of range": (replaced("organ.toml", "a_hz = 440", "a_hz = 44"), ["[pitch]", "a_hz", "300 to 600"]),
    "NaN pitch": (replaced("organ.toml", "a_hz = 440", "a_hz = nan"), ["a_hz", "finite"]),
    "eleven offsets": (
        replaced("organ.toml", "[4, -3, 1, -1, -2, 5, -4, 3, -2, 0, 2, -3]", "[0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]"),
        ["temperament_cents", "twelve"],
    ),
    "unknown alloy of a rank": (
        replaced("organ.toml", 'alloy = "tin-75"', 'alloy = "silver"'),
        ["Principal 8", "alloy", "silver", "spotted-50"],
    ),
    "compass backwards": (replaced("organ.toml", 'compass = "C-f1"', 'compass = "f1-C"'), ["compass", "ends before"]),
    "compass past the scale": (
        replaced("organ.toml", '["g3", 11.5]', '["c3", 14]'),
        ["Viola 8", "past the ends of the scale"],
    ),
    "note that is none": (replaced("organ.toml", 'compass = "C-f1"', 'compass = "C-x9"'), ["compass", "not a note"]),
    "unknown construction": (
        replaced("organ.toml", 'construction = "stopped"', 'construction = "stoped"'),
        ["construction", "did you mean 'stopped'"],
    ),
    "footage that is none": (replaced("organ.toml", 'footage = "2 2/3\'"', 'footage = "two"'), ["footage", "2 2/3'"]),
    "two ranks of one name": (
        replaced("organ.toml", 'name = "Octave 4"', 'name = "Fifteenth 2"'),
        ["used for two ranks", "Fifteenth 2"],
    ),
    "broken TOML": (added("organ.toml", "\n[[rank]\n"), ["organ.toml", "is not TOML", "line"]),
    "empty organ": (emptied("organ.toml"), ["organ.toml", "is empty"]),
    "organ that is no text": (scribbled("organ.toml", b"\xff\xfe\x00\x81"), ["organ.toml", "UTF-8"]),
    "missing column of the rack": (
        replaced("rack.csv", "length_mm", "long"),
        ["rack.csv", "length_mm", "missing column"],
    ),
    "unknown column of the rack": (
        replaced("rack.csv", "place,", "plaec,"),
        ["rack.csv", "plaec", "did you mean 'place'"],
    ),
    "unknown alloy on the rack": (
        replaced("rack.csv", "R101,lead-15", "R101,lead-99"),
        ["rack.csv row", "lead-99", "lead-15"],
    ),
    "duplicate roll": (replaced("rack.csv", "R102,", "R101,"), ["rack.csv row", "R101", "used already in row"]),
    "negative width": (
        replaced("rack.csv", "R101,lead-15,3600,760", "R101,lead-15,3600,-760"),
        ["rack.csv row", "width_mm", "-760"],
    ),
    "unit in a cell": (
        replaced("rack.csv", "R101,lead-15,3600", "R101,lead-15,3600 mm"),
        ["rack.csv row", "length_mm", "not a number"],
    ),
    "row with a cell too many": (added("rack.csv", "R999,lead-15,3600,760,15,x,,,,,,,\n"), ["rack.csv row", "cells"]),
    "negative thickness": (added("readings.csv", "R101,100,100,-1.2\n"), ["readings.csv row", "thickness_mm", "-1.2"]),
    "NaN reading": (added("readings.csv", "R101,100,100,nan\n"), ["readings.csv row", "thickness_mm", "not a number"]),
    "reading beyond the sheet": (added("readings.csv", "R101,9100,100,1.5\n"), ["rack.csv row", "R101", "x_mm"]),
    "reading of an unknown roll": (
        added("readings.csv", "R999,10,10,1.1\n" * 6),
        ["readings.csv", "R999", "not on the rack"],
    ),
    "empty readings": (emptied("readings.csv"), ["readings.csv", "is empty"]),
    "no-go area that is none": (
        replaced("rack.csv", '"1450 210, 1560 200, 1580 300, 1460 320"', "here"),
        ["rack.csv row", "no_go", "corners"],
    ),
    "negative mass of a lot": (replaced("lots.csv", "T1,pig,500", "T1,pig,-500"), ["lots.csv row", "mass_kg", "-500"]),
    "zero mass of a lot": (replaced("lots.csv", "T1,pig,500", "T1,pig,0"), ["lots.csv row", "mass_kg"]),
    "composition over 100": (replaced("lots.csv", "Sn 99.9 Pb bal", "Sn 99.9 Pb 5"), ["lots.csv row", "100"]),
    "zinc in a lot": (replaced("lots.csv", "Sn 22.5 Sb 0.6", "Sn 22.5 Zn 0.6"), ["lots.csv row", "Zn"]),
    "duplicate lot": (replaced("lots.csv", "T2,pig", "T1,pig"), ["lots.csv row", "T1", "used already"]),
    "unknown kind of lot": (replaced("lots.csv", "T1,pig", "T1,brick"), ["lots.csv row", "kind", "brick", "ingot"]),
    "empty lots": (emptied("lots.csv"), ["lots.csv", "is empty"]),
    "recipe window upside down": (
        replaced("recipes.toml", "Sn = [74, 76.5]", "Sn = [76.5, 74]"),
        ["recipes.toml", "tin-75", "Sn"],
    ),
    "target outside its window": (
        replaced("recipes.toml", 'target = "Sn 75 ', 'target = "Sn 80 '),
        ["recipes.toml", "tin-75", "limits"],
    ),
    "recipe over 100": (
        replaced("recipes.toml", 'target = "Sn 75 Sb 0.2 Cu 0.1 Bi 0.05 Pb bal"', 'target = "Sn 75 Pb 30"'),
        ["recipes.toml", "100"],
    ),
    "pot smaller than its heel": (replaced("shop.toml", "heel_kg = 15", "heel_kg = 400"), ["shop.toml", "heel"]),
    "unknown setting": (
        replaced("shop.toml", "kerf_mm = 1", "kerv_mm = 1"),
        ["shop.toml", "kerv_mm", "did you mean 'kerf_mm'"],
    ),
    "log with a torn pair": (replaced("log.csv", "0:0 ", "0-0 "), ["log.csv row", "marks"]),
    "log with a verdict of its own": (replaced("log.csv", ",good,", ",fine,"), ["log.csv row", "verdict", "too cold"]),
}


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    source = packaged_file("organ.toml").parent
    for path in source.iterdir():
        if path.suffix in (".toml", ".csv"):
            shutil.copyfile(path, tmp_path / path.name)
    return tmp_path


@pytest.mark.parametrize("case", BAD)
def test_bad_files_end_with_one_message_and_exit_code_2(
    case: str, shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    change, words = BAD[case]
    change(shop)
    out = shop / "plan"
    args = ["plan", str(shop / "organ.toml"), "--rack", str(shop), "--lots", str(shop / "lots.csv"), "--out", str(out)]
    with pytest.raises(SystemExit) as stopped:
        main([*args, "--iterations", "1"])
    assert stopped.value.code == 2
    message = capsys.readouterr().err
    assert message.startswith("pipemetal: ")
    assert len(message.strip().splitlines()) == 1, message
    for word in words:
        assert word in message, f"{word!r} is not in: {message}"
    assert not out.exists(), "nothing may be half-written"


@pytest.mark.parametrize(
    ("args", "word"),
    [
        (["alloy", "Sn 50 Zn 50"], "Zn"),
        (["alloy", "Sn 50"], "100"),
        (["alloy", "Sn nan Pb bal"], "composition"),
        (["assay", "--air", "10", "--water", "12"], "water_g"),
        (["assay", "--air", "10"], "--water"),
        (["pipes", "missing.toml"], "does not exist"),
        (["layout", "missing.json"], "does not exist"),
        (["calibrate", "missing.csv"], "does not exist"),
        (["freeze", "Sn50Pb50", "--thickness", "-2"], "thickness_mm"),
    ],
)
def test_bad_arguments_end_with_exit_code_2(args: list[str], word: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(args)
    assert stopped.value.code == 2
    assert word in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "is empty"),
        ("{", "is not JSON"),
        ('{"format": "layout problem 1", "format": "x"}', "twice"),
        ('{"format": "layout problem 1", "kerf_mm": NaN, "blanks": [], "rolls": []}', "NaN"),
        ('{"format": "layout problem 9", "blanks": [], "rolls": []}', "format"),
        ('{"format": "layout problem 1", "kerf_mm": -1, "blanks": [], "rolls": []}', "kerf_mm"),
        ("[" * 100_000, "JSON"),
    ],
)
def test_bad_layout_problems(text: str, word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "problem.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main(["layout", str(path)])
    assert stopped.value.code == 2
    assert word in capsys.readouterr().err


def test_help_names_every_command_and_loads_none() -> None:
    result = CliRunner().invoke(cli, ["--help"])
    assert result.exit_code == 0
    for command in ("plan", "cast", "layout", "serve"):
        assert command in result.output


def test_commands_print_one_json_object(shop: Path) -> None:
    for args, key in (
        (["pipes", str(shop / "organ.toml"), "--rank", "Octave 4"], "pipes"),
        (["blanks", str(shop / "organ.toml"), "--rank", "Octave 4"], "blanks"),
        (["alloy", "Sn", "50", "Pb", "bal"], "liquidus_c"),
        (["charge", str(shop / "charge.toml")], "lots"),
        (["push", str(shop / "sheet-spotted.toml")], "marks"),
        (["freeze", "Sn50Pb50", "--thickness", "1.5", "--casts", "2"], "stone_temperature_c"),
        (["calibrate", str(shop / "log.csv")], "coefficients"),
        (["assay", "--air", "200", "--water", "177.4"], "sn_wt_pct"),
    ):
        result = CliRunner().invoke(cli, [*args, "--json"], catch_exceptions=False)
        assert result.exit_code == 0, result.output
        assert key in json.loads(result.output)


def test_a_day_from_a_list_of_sheets_and_a_corrected_pot(shop: Path) -> None:
    done = CliRunner().invoke(
        cli, ["day", str(shop / "sheets.csv"), "--lots", str(shop / "lots.csv"), "--json"], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    day = json.loads(done.output)
    assert sorted(p["sheet"] for p in day["pours"]) == ["A-1", "A-2", "B-1", "B-2", "B-3", "C"]
    assert all(m["lots"] for m in day["melts"])
    corrected = CliRunner().invoke(
        cli, ["charge", "correct", str(shop / "charge.toml"), "--json"], catch_exceptions=False
    )
    assert corrected.exit_code == 0
    assert json.loads(corrected.output)["lots"] == []
    cooled = CliRunner().invoke(cli, ["cool", "Sn50Pb50", "--mass", "60", "--from", "340", "--to", "290", "--json"])
    pieces = json.loads(cooled.output)
    assert pieces["first_kg"] + pieces["then_kg"] == pytest.approx(pieces["pieces_kg"], abs=0.02)
