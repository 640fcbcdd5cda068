"""Measured pipes from a file, and scales on screen and as a picture."""

from __future__ import annotations

import itertools
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli, main
from pipemetal.documents.scale_picture import ScaleLine, scale_picture
from pipemetal.files.demo_files import packaged_file
from pipemetal.pipes.notes import note_name
from pipemetal.pipes.scale import reference_diameter_mm

WRONG_KEY = 20


def rank_csv(path: Path, *, naming: str = "trade", footage: bool = True) -> Path:
    """An exact Octave 4' of -3 half tones, six pipes lost, one of them a stranger."""
    lines = ["note;footage;diameter_mm;remark" if footage else "note;diameter_mm;remark"]
    for key in range(40):
        value = reference_diameter_mm(key + 12) * 2 ** (-3 / 16)
        text = "" if key % 7 == 3 else f"{value * (1.15 if key == WRONG_KEY else 1.0):.2f}".replace(".", ",")
        lines.append(f"{note_name(key, naming)};{'4;' if footage else ''}{text};x")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def run(*args: object) -> str:
    result = CliRunner().invoke(cli, [str(a) for a in args])
    assert result.exit_code == 0, result.output
    return result.output


def test_a_fitted_rank_names_its_scale_and_its_stranger(tmp_path: Path) -> None:
    path = rank_csv(tmp_path / "old.csv")
    (rank,) = json.loads(run("scale", "fit", path, "--json"))["ranks"]
    assert rank["halving_pipe"]["value"] == pytest.approx(17.0, abs=0.02)
    assert rank["halving_steps"] == pytest.approx(16.0, abs=0.02)
    assert [w["note"] for w in rank["wrong"]] == ["g#"]
    assert rank["pipes_missing"] == 6
    assert len(rank["notes"]) == 40
    assert sum(n["state"] == "missing" for n in rank["notes"]) == 6
    for note in rank["notes"]:
        assert note["low_mm"] <= note["fitted_mm"] <= note["high_mm"]
    table = run("scale", "fit", path)
    for words in (
        "Half on pipe",
        "in 16.0",
        "steps",
        "Called wrong      g#",
        "same sounding pitch",
        "For an organ file",
    ):
        assert words in table


def test_the_line_for_an_organ_file_gives_the_scale_back(tmp_path: Path) -> None:
    (rank,) = json.loads(run("scale", "fit", rank_csv(tmp_path / "old.csv"), "--json"))["ranks"]
    organ = tmp_path / "organ.toml"
    organ.write_text(
        f'[organ]\nname = "X"\n[[rank]]\nname = "O"\ndivision = "I"\nfootage = "4"\ncompass = "C-d#2"\nalloy = "tin-75"\n{rank["organ_file"]}\n'
    )
    pipes = json.loads(run("pipes", organ, "--json"))["pipes"]
    for pipe, note in zip(pipes, rank["notes"], strict=True):
        assert pipe["diameter_mm"] == pytest.approx(note["fitted_mm"], rel=3e-4)


def test_a_step_is_told_and_put_into_the_organ_line(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    lines = ["note,footage,diameter_mm"]
    for key in range(48):
        value = reference_diameter_mm(float(key)) * 2 ** ((-3.0 if key < 24 else 1.0) / 16)
        lines.append(f"{note_name(key)},8',{value:.2f}")
    path.write_text("\n".join(lines), encoding="utf-8")
    shown = run("scale", "fit", path)
    assert "Breaks at         c1" in shown
    assert "steps by +4.00 half tones" in shown
    assert '["b", -3.00], ["c1", 1.00]' in shown


def test_a_scale_that_does_not_narrow_is_given_as_diameters(tmp_path: Path) -> None:
    path = tmp_path / "level.csv"
    path.write_text(
        "note,footage,diameter_mm\n" + "".join(f"{note_name(k)},8',50\n" for k in range(20)), encoding="utf-8"
    )
    (rank,) = json.loads(run("scale", "fit", path, "--json"))["ranks"]
    assert rank["halving_pipe"]["value"] is None
    assert rank["organ_file"].startswith('scale = { points_mm = [["C", 50.00]')
    assert "never" in run("scale", "fit", path)


def test_tables_and_pictures_are_written(tmp_path: Path) -> None:
    path = rank_csv(tmp_path / "old.csv", naming="german", footage=False)
    run(
        "scale",
        "fit",
        path,
        "--footage",
        "4'",
        "--notes",
        "german",
        "--csv",
        tmp_path / "t.csv",
        "--svg",
        tmp_path / "p.svg",
    )
    rows = (tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 41
    assert rows[0].startswith("rank,footage,note,key,semitones,measured_mm,fitted_mm")
    drawn = ElementTree.parse(tmp_path / "p.svg").getroot()
    texts = "".join(drawn.itertext())
    assert "gis" in texts
    assert "measured, called wrong" in texts
    run("scale", "show", packaged_file("organ.toml"), "--svg", tmp_path / "s.svg", "--by-pitch")
    shown = "".join(ElementTree.parse(tmp_path / "s.svg").getroot().itertext())
    assert "Pedal Chimney Flute 8" in shown
    old = rank_csv(tmp_path / "old.csv")
    run(
        "scale",
        "show",
        packaged_file("organ.toml"),
        "--rank",
        "Octave 4",
        "--measured",
        old,
        "--svg",
        tmp_path / "m.svg",
    )
    both = "".join(ElementTree.parse(tmp_path / "m.svg").getroot().itertext())
    assert "Octave 4" in both
    assert "old, measured" in both


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("note,diameter_mm\nC,100\n", "footage"),
        ("note,footage\nC,8\n", "diameter_mm"),
        ("note,footage,diameter_mm\nH,8,100\n", "row 2: note"),
        ("note,footage,diameter_mm\nC,8,100\nD,4,90\n", "differs within one rank"),
        ("note,footage,diameter_mm\nC,8,-3\n", "out of range"),
        ("note,footage,outer_diameter_mm\nC,8,100\n", "thickness_mm"),
        ("note,footage,outer_diameter_mm,thickness_mm\nC,8,3,1.4\n", "leaves nothing inside"),
        ("note,footage,diameter_mm,outer_diameter_mm,thickness_mm\nC,8,99,100,1\n", "given twice"),
        ("note,footage,diameter_mm\nC,8,100\nD,8,90\n", "too few diameters"),
        ("note,footage,width_mm,diameter_mm\nC,8,1,2\n", "not a column"),
    ],
)
def test_bad_measured_files_end_with_one_message(
    text: str, word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "m.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main(["scale", "fit", str(path)])
    assert stopped.value.code == 2
    message = capsys.readouterr().err
    assert word in message
    assert "m.csv" in message
    assert len(message.strip().splitlines()) == 1


def test_outer_circumference_and_inches_give_the_inner_diameter(tmp_path: Path) -> None:
    from fractions import Fraction

    from pipemetal.files.measured_file import read_measured

    path = tmp_path / "m.csv"
    path.write_text("note,outer_circumference_in,thickness_mm\nC,19.4,1.1\n", encoding="utf-8")
    (rank,) = read_measured(path, footage=Fraction(8))
    assert rank.pipes[0].diameter_mm == pytest.approx(19.4 * 25.4 / 3.141592653589793 - 2.2)


def test_names_stay_on_the_sheet_and_apart_however_many_and_long() -> None:
    lines = [
        ScaleLine(
            f"{'A rank with a name that does not end ' * (1 + i % 3)}{i}", (((0.0, float(i)), (55.0, -float(i))),)
        )
        for i in range(31)
    ]
    drawing = scale_picture(lines, "Title " * 40)
    names = [s for s in drawing.shapes if type(s).__name__ == "Text" and s.layer == "key"]
    assert len(names) == 31
    for name in names:
        assert name.at[0] + 0.56 * len(name.text) * name.size_mm <= drawing.width_mm + 0.1
        assert name.at[1] > 6.0
    places = [n.at for n in names]
    assert len(set(places)) == 31
    column_starts = sorted({x for x, _ in places})
    for left, right in itertools.pairwise(column_starts):
        for name in (n for n in names if n.at[0] == left):
            assert left + 0.56 * len(name.text) * name.size_mm < right - 15.0
    strokes = {(s.stroke, s.dashes) for s in drawing.shapes if type(s).__name__ == "Line" and s.layer == "key"}
    assert len(strokes) == 24
    assert re.search("half tones", " ".join(s.text for s in drawing.shapes if type(s).__name__ == "Text"))
