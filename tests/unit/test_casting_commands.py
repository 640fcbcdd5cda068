"""The casting commands write cards and pictures, explain a cast, and say what is wrong in one line."""

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli, main
from pipemetal.files.demo_files import packaged_file
from pipemetal.files.log_file import log_text, read_log

LOG = str(packaged_file("log.csv"))


def test_a_cast_is_explained_with_its_picture(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["calibrate", LOG, "--explain", "C106", "--pictures", str(tmp_path)])
    assert done.exit_code == 0
    for word in ("gate", "fill", "speed", "temperature", "the rest", "measured", "Next:"):
        assert word in done.output
    assert "measured" in (tmp_path / "thickness-C106.svg").read_text(encoding="utf-8")


def test_a_cast_that_is_not_logged_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    for words, says in ((["--explain", "nobody"], "not in the log"), (["--against", "C101"], "--explain")):
        with pytest.raises(SystemExit) as ended:
            main(["calibrate", LOG, *words])
        assert ended.value.code == 2
        assert says in capsys.readouterr().err


def test_push_and_freeze_write_their_pictures(tmp_path: Path) -> None:
    sheet = str(packaged_file("sheet-spotted.toml"))
    assert CliRunner().invoke(cli, ["push", sheet, "--pictures", str(tmp_path)]).exit_code == 0
    words = ["freeze", "Sn", "50", "Pb", "bal", "--thickness", "1.8", "--casts", "3", "--pictures", str(tmp_path)]
    assert CliRunner().invoke(cli, words).exit_code == 0
    assert {p.stem for p in tmp_path.glob("*.svg")} == {"thickness", "freezing", "window"}


def test_cards_for_the_wall_are_written_by_every_casting_command(tmp_path: Path) -> None:
    sheet, lots, sheets = (str(packaged_file(n)) for n in ("sheet-spotted.toml", "lots.csv", "sheets.csv"))
    for words in (
        ["push", sheet],
        ["freeze", "Sn", "50", "Pb", "bal", "--thickness", "1.8", "--casts", "2"],
        ["calibrate", LOG],
        ["day", sheets, "--lots", lots, "--measured", "2:44", "--start", "07:30", "--pictures", str(tmp_path / "p")],
    ):
        done = CliRunner().invoke(cli, [*words, "--cards", str(tmp_path)])
        assert done.exit_code == 0, done.output
    names = {p.stem for p in tmp_path.glob("*.svg")}
    assert {
        "card-pour",
        "card-beats",
        "card-freezing",
        "card-learned",
        "day1-order-1",
        "day1-01-pour",
        "day1-02-beats",
    } <= names
    assert "07:30" in (tmp_path / "day1-order-1.svg").read_text(encoding="utf-8")
    # The measured cloth is on its pour's card; the others say that theirs is a plan.
    assert "44 °C, lift" in (tmp_path / "day1-02-pour.svg").read_text(encoding="utf-8")
    assert "plan" in (tmp_path / "day1-03-pour.svg").read_text(encoding="utf-8")
    assert (tmp_path / "p" / "day1-window.svg").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["freeze", "Sn", "50", "Pb", "bal", "--thickness", "1.8", "--measured", "44"], "--measured"),
        (["freeze", "Sn", "50", "Pb", "bal", "--thickness", "1.8", "--measured", "16:44"], "while a sheet lay"),
        (["day", "sheets.csv", "--start", "25:00"], "--start"),
    ],
)
def test_a_reading_or_time_that_cannot_be_is_named(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if words[0] == "day":
        words = ["day", str(packaged_file("sheets.csv")), "--lots", str(packaged_file("lots.csv")), *words[2:]]
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    assert says in capsys.readouterr().err


def test_groups_and_drift_are_told() -> None:
    done = CliRunner().invoke(cli, ["calibrate", LOG])
    assert done.exit_code == 0 and "Drift:" in done.output and "crew" in done.output


def test_a_log_with_names_and_wanted_sheet_reads_back_alike(tmp_path: Path) -> None:
    cast = replace(
        read_log(packaged_file("log.csv"))[0],
        gate_name="long",
        sled_name="old",
        cloth_name="new",
        wanted_start_mm=2.0,
        wanted_end_mm=1.5,
    )
    path = tmp_path / "log.csv"
    path.write_text(log_text([cast]), encoding="utf-8")
    assert read_log(path) == (cast,)
