"""The commands `alloy` and `assay` as people and programs use them."""

import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.library import analysis_of_row, historic_analyses
from pipemetal.alloys.naming import metal_names, names_of, tin_of_name
from pipemetal.cli.main import cli, main
from pipemetal.errors import AlloyError
from pipemetal.files.analyses_file import read_library, read_readings


def ran(*words: str) -> str:
    result = CliRunner().invoke(cli, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def answered(*words: str) -> Any:
    return json.loads(ran(*words, "--json"))


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main(list(words))
    assert ended.value.code == 2
    return capsys.readouterr().err


def test_an_alloy_tells_every_property_with_interval_unit_and_source() -> None:
    found = answered("alloy", "Sn 50 Sb 0.5 Pb bal", "--at", "250")
    by_name = {row["name"]: row for row in found["properties"]}
    assert by_name["liquid_density_kg_m3"]["unit"] == "kg/m3"
    assert all(row["low"] < row["value"] < row["high"] and row["source"] for row in found["properties"])
    assert "solid_hot_density_kg_m3" not in by_name
    assert any("dust" in caution for caution in found["cautions"])
    assert "spotted metal" in found["names"]


def test_a_red_pot_is_said_in_the_answer() -> None:
    assert any("turn the pot down" in c for c in answered("alloy", "Pb 100", "--at", "500")["cautions"])


def test_without_a_temperature_no_hot_property_is_told() -> None:
    assert "properties" not in answered("alloy", "Sn 50 Pb bal")
    assert answered("alloy", "Sn 50 Pb bal", "--properties")["at_c"] == pytest.approx(243.8, abs=0.1)


def test_outside_the_assessed_range_every_number_is_marked() -> None:
    text = ran("alloy", "Sn 30 Sb 4 Pb bal")
    assert text.count("outside the assessed range") >= 6
    assert "Sb 4 % is above 3 %" in text
    assert answered("alloy", "Sn 30 Sb 4 Pb bal")["outside"] == ["Sb 4 % is above 3 %"]


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("Sn 60 Pb 50", "100"),
        ("Sn -5 Pb bal", "sn_wt_pct"),
        ("Zn 5 Pb bal", "Zn"),
        ("Sn 50", "100"),
        ("Sn fifty Pb bal", "fifty"),
        ("Sn nan Pb bal", "nan"),
        ("As 100", "arsenic"),
    ],
)
def test_a_composition_that_is_none_is_refused(capsys: pytest.CaptureFixture[str], written: str, said: str) -> None:
    assert said in refused(capsys, "alloy", written)


def test_pictures_are_written_and_name_the_alloy(tmp_path: Path) -> None:
    found = answered("alloy", "Sn 50 Sb 0.3 Pb bal", "--svg", str(tmp_path / "new"))
    for name in found["pictures"]:
        title = ElementTree.parse(name).getroot()[0].text
        assert title is not None and "Sn 50 Sb 0.3 Pb bal" in title
    assert len(found["pictures"]) == 2
    rich = answered("alloy", "Sn 30 Sb 4 Pb bal", "--svg", str(tmp_path))
    assert all("OUTSIDE THE ASSESSED RANGE" in Path(name).read_text(encoding="utf-8") for name in rich["pictures"])


@pytest.mark.parametrize("written", ["Pb 100", "Sn 100", "Sn 63 Pb bal", "Sn 20 Bi 60 Pb bal", "Sn 90 Cu 10"])
def test_every_alloy_has_its_pictures(tmp_path: Path, written: str) -> None:
    for name in answered("alloy", written, "--svg", str(tmp_path))["pictures"]:
        assert "nan" not in Path(name).read_text(encoding="utf-8")


def test_a_weighing_without_word_of_antimony_reaches_down() -> None:
    unknown = answered("assay", "--air", "200", "--water", "177.5")
    known = answered("assay", "--air", "200", "--water", "177.5", "--antimony", "0.5", "--antimony-uncertainty", "0.1")
    assert unknown["sn_wt_pct_low"] < known["sn_wt_pct_low"]
    assert known["sn_wt_pct"] < unknown["sn_wt_pct"]


def test_pure_pieces_calibrate_the_weighing() -> None:
    pure = ("--pure-lead", "200", "182.4", "--pure-tin", "150", "129.45")
    found = answered("assay", "--air", "200", "--water", "177.5", "--antimony", "0", *pure)
    assert found["sn_wt_pct"] == pytest.approx(50.1, abs=0.3)


def test_weighing_options_that_are_none_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    weighed = ("assay", "--air", "200", "--water", "177.5")
    assert "--antimony" in refused(capsys, *weighed, "--antimony", "some")
    assert "--pure-lead and --pure-tin" in refused(capsys, *weighed, "--pure-lead", "200", "182.4")


ANALYSIS = "element,wt_pct,plus_minus,method\nSn,50.4,0.8,XRF\nSn,49.9,0.4,wet\nSb,0.4,0.1,wet\nCu,<0.05,,wet\n"


def test_readings_of_two_methods_become_one_composition(tmp_path: Path) -> None:
    path = tmp_path / "piece.csv"
    path.write_text(ANALYSIS, encoding="utf-8")
    found = answered("assay", str(path))
    assert found["composition"] == "Sn 50 Sb 0.4 Cu 0.025 Pb bal"
    assert found["intervals_wt_pct"]["Bi"] == [0.0, 2.0]
    assert found["matches"][0]["recipe"] == "spotted-50"
    assert found["matches"][1]["sigmas"]["Sn"] > 50
    assert [r.below_limit for r in read_readings(path)] == [False, False, False, True]


@pytest.mark.parametrize(
    ("row", "said"),
    [("Zn,5,0.1,x", "row 2"), ("Sn,<,0.1,x", "row 2"), ("Sn,120,0.1,x", "0 to 100"), ("Sb,1,0.1,x", "tin or lead")],
)
def test_readings_that_are_none_name_their_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], row: str, said: str
) -> None:
    path = tmp_path / "piece.csv"
    path.write_text(f"element,wt_pct,plus_minus,method\n{row}\n", encoding="utf-8")
    message = refused(capsys, "assay", str(path))
    assert "piece.csv" in message and said in message


def test_the_library_holds_only_rows_with_a_source(tmp_path: Path) -> None:
    assert all(held.source and held.status for held in historic_analyses())
    own = tmp_path / "own.csv"
    own.write_text("object,Sn,Pb,Sb,source\nold flute,22.4,rest,0.3..0.5,own analysis 2025\n", encoding="utf-8")
    (held,) = read_library(own)
    assert held.range("Pb") == pytest.approx((77.1, 77.3))
    assert "old flute" in ran("assay", "--historic", "--library", str(own))
    piece = tmp_path / "piece.csv"
    piece.write_text("element,wt_pct,plus_minus\nSn,22.3,0.4\n", encoding="utf-8")
    assert answered("assay", str(piece), "--library", str(own))["historic"][0]["object"] == "old flute"


@pytest.mark.parametrize(
    "row",
    [
        {"object": "x", "Sn": "5"},
        {"object": "x", "source": "y", "Sn": "much"},
        {"object": "x", "source": "y", "Sn": "9..4"},
        {"object": "x", "source": "y", "Sn": "rest", "Pb": "rest"},
        {"object": "x", "source": "y", "Sn": "60", "Pb": "50"},
    ],
)
def test_library_rows_that_are_none_are_refused(row: dict[str, str]) -> None:
    with pytest.raises(AlloyError):
        analysis_of_row(row)


def test_names_are_naming_by_tin_alone() -> None:
    assert [n.name for n in names_of(Composition.parse("Sn 75 Sb 1 Pb bal"))] == ["12-lötig, Probezinn"]
    assert tin_of_name("Probezinn") == (74.0, 76.0)
    assert all(0 <= n.sn_wt_pct_low <= n.sn_wt_pct_high <= 100 and n.source for n in metal_names())
    with pytest.raises(AlloyError, match="not a name"):
        tin_of_name("brass")
    assert "not a standard" in ran("alloy", "Sn 50 Pb bal")


def test_a_property_that_cannot_be_had_is_named_with_the_reason() -> None:
    cold = answered("alloy", "Sn 50 Pb bal", "--at", "100")
    assert any("no pressure of lead vapour" in words for words in cold["cautions"])
    assert {row["name"] for row in cold["properties"]} >= {"solid_hot_density_kg_m3", "heat_content_kj_kg"}
    copper = answered("alloy", "Cu 100", "--at", "300")
    assert any("no viscosity" in words for words in copper["cautions"])
    assert not any(row["within_range"] for row in copper["properties"])


def test_a_temperature_beyond_the_tables_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert "20 to 600 C" in refused(capsys, "alloy", "Sn 50 Pb bal", "--at", "900")
