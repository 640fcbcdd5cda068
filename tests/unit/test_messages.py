"""Every message with the input that makes it: it names what was written, why not, and what would do instead.

A row: what is changed or typed, the words that name the fault, and those that help (allowed, an example, the nearest known).
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from small_organ import ORGAN

from pipemetal.cli.main import main
from pipemetal.files.demo_files import packaged_file

INNER = re.compile(
    r"cast_orders|rolls: |lots: |melts: |casts: |pieces: |windows_wt_pct|allowed: a text|sled_name_|\bNone\b"
)
"""Names that are the program's own and say nothing to who reads."""

FILES: dict[str, tuple[tuple[str, str, str], str, tuple[str, ...], tuple[str, ...]]] = {
    # the file, what stands there, what is written instead; the command; the fault; the help
    "a compass too high": (("organ", "C-c1", "C-g9"), "organ pipes {f}", ("compass", "'C-g9'"), ("C1 to c6", "C-g3")),
    "a compass of one note": (
        ("organ", "C-c1", "c1"),
        "organ pipes {f}",
        ("compass", "'c1'"),
        ("C-g3, or notes = 56",),
    ),
    "a compass backwards": (("organ", "C-c1", "c1-C"), "organ pipes {f}", ("ends before", "'c1-C'"), ("example C-c1",)),
    "a German note": (("organ", "C-c1", "H-c1"), "organ pipes {f}", ("compass", "'H'"), ("mean 'B'", "F#")),
    "a scale in words": (
        ("organ", "-2", '"minus two"'),
        "organ pipes {f}",
        ("half_tones", "minus two"),
        ("example -2",),
    ),
    "a scale's key": (("organ", "half_tones", "halftones"), "organ pipes {f}", ("halftones",), ("'half_tones'",)),
    "no scale": (("organ", "half_tones", "fat"), "organ pipes {f}", ("scale", "'fat'"), ("half_tones = -2",)),
    "a rank's key": (("organ", "alloy", "aloy"), "organ pipes {f}", ("aloy",), ("'alloy'",)),
    "an alloy": (
        ("organ", '"spotted-50"', '"spoted-50"'),
        "organ pipes {f}",
        ("'spoted-50'",),
        ("'spotted-50'", "tin-75"),
    ),
    "a footage": (("organ", "4'", "four"), "organ pipes {f}", ("footage", "'four'"), ("2 2/3'",)),
    "a table's name": (("organ", "[[rank]]", "[[ranks]]"), "organ pipes {f}", ("ranks",), ("'rank'",)),
    "a column of the rack": (("rack.csv", "place,", "plaec,"), "import {d}", ("plaec",), ("'place'", "length_mm")),
    "a column missing": (
        ("rack.csv", "length_mm", "long_mm"),
        "import {d}",
        ("length_mm", "missing column"),
        ("long_mm",),
    ),
    "an alloy of the rack": (
        ("rack.csv", "R101,lead-15", "R101,lead-16"),
        "import {d}",
        ("row 4", "'lead-16'"),
        ("'lead-15'",),
    ),
    "a column of readings": (("readings.csv", "x_mm", "xx_mm"), "import {d}", ("x_mm",), ("xx_mm",)),
    "a column of lots": (("lots.csv", "kind", "kin"), "import {d}", ("kind", "missing column"), ("kin",)),
    "a kind of lot": (("lots.csv", "T1,pig", "T1,pgi"), "import {d}", ("row 4", "'pgi'"), ("'pig'", "ingot")),
    "a metal": (
        ("lots.csv", "Sn 99.9 Pb bal", "Zn 99.9 Pb bal"),
        "import {d}",
        ("row 4", "'Zn'"),
        ("Pb, Sn", "example"),
    ),
    "a column of the log": (("log.csv", "gate_mm", "gte_mm"), "import {d}", ("gate_mm",), ("gte_mm",)),
    "a column of sheets": (("sheets.csv", "alloy", "aloy"), "metal day {f} --lots lots.csv", ("alloy",), ("aloy",)),
    "a key of the shop": (
        ("shop.toml", "kerf_mm", "kerv_mm"),
        "metal charge charge.toml",
        ("kerv_mm",),
        ("'kerf_mm'",),
    ),
    "a key of a charge": (("charge.toml", "recipe", "recip"), "metal charge {f}", ("recip",), ("'recipe'",)),
    "a charge's mass": (
        ("charge.toml", "[heel]\nmass_kg", "[heel]\nmass"),
        "metal charge correct {f}",
        ("mass", "has no unit"),
        ("25 kg",),
    ),
    "a charge without pot": (("charge.toml", "[heel]", "[hel]"), "metal charge correct {f}", ("hel",), ("'heel'",)),
    "a key of a sheet": (
        ("sheet-spotted.toml", "composition", "compositon"),
        "cast push {f}",
        ("compositon",),
        ("'composition'",),
    ),
    "a key of variants": (
        ("variants.toml", "name", "nam"),
        "plan variants organ.toml --rack . --lots lots.csv --vary {f}",
        ("nam",),
        ("name",),
    ),
    "a column of offers": (
        ("offers.csv", "price_per_kg", "price"),
        "metal buy {d}/organ.toml --offers {f}",
        ("price",),
        ("price_per_kg",),
    ),
}
TYPED: dict[str, tuple[str, tuple[str, ...], tuple[str, ...]]] = {
    # the command; the fault; the help
    "a range backwards": ("rolls --thickness 1.1..0.9", ("thickness", "1.1..0.9"), ("example 0.9..1.1",)),
    "a range in words": ("rolls --thickness thin", ("thickness", "'thin'"), ("0.65..0.85",)),
    "a length without a unit that is known": ("rolls --length 35furlongs", ("length", "'furlongs'"), ("mm, ", "thou")),
    "an alloy to look for": ("rolls --alloy spoted-50", ("'spoted-50'",), ("'spotted-50'",)),
    "a roll": ("rolls show R12", ("roll is not in the book", "'R12'"), ("'R123'", "R124")),
    "a roll's label": ("print label R999 --out l.pdf", ("roll or lot", "'R999'"), ("R101",)),
    "a lot": ("lots T9", ("lot is not in the book", "'T9'"), ("T1",)),
    "a melt where none is": ("melts show M9", ("melt is not in the book",), ("none is there yet",)),
    "a cast": ("casts C9", ("cast is not in the book",), ("C109",)),
    "an event in words": ("undo abc", ("event", "'abc'"), ("example 12", "pipemetal book history")),
    "an event that never was": ("undo 99", ("event", "99"), ("1 to 1", "pipemetal book history")),
    "the history of nothing": ("history R126x", ("'R126x'",), ("roll:ID",)),
    "a plan": ("plan done Chapel --roll R126", ("plan", "'Chapel'"), ("pipemetal plan accept",)),
    "no part of a plan": ("plan done Chapel", ("--roll or --melt",), ("--melt M1 --as 2026-17",)),
    "a melt without name": ("plan done Chapel --melt M01", ("--as",), ("--as 2026-17",)),
    "planning anew from nothing": ("plan anew", ("PLAN.json or --shop",), ("--failed N002",)),
    "a failure told to a book": ("plan anew --shop s.sqlite --failed N002", ("--failed", "'N002'"), ("log the cast",)),
    "an element": ("metal alloy Zn/50/50", ("element", "'Zn'"), ("Pb, Sn", "Sn 50 Sb 0.5 Pb bal")),
    "an element in words": ("metal alloy Tin 50 Lead 50", ("'Tin'",), ("mean 'Sn'",)),
    "amounts alone": ("metal alloy 50/50", ("'50/50'",), ("Sn 50 Sb 0.5 Pb bal",)),
    "an assay without its weight in water": ("metal assay --air 10", ("--air and --water",), ("--water",)),
    "an analysis without kind": ("book analysis T1 Pb", ("about", "'T1'"), ("'lot:T1'", "melt:ID")),
    "an analysis of a kind misspelt": ("book analysis lto:T1 Pb", ("'lto:T1'",), ("'lot:T1'",)),
    "an analysis of no lot": ("book analysis lot:T99 Pb", ("lot is not in the book", "'T99'"), ("T1",)),
    "a half-width": ("book analysis lot:T1 Pb --plus-minus Sn", ("--plus-minus", "'Sn'"), ("Sn=0.3",)),
    "a weighing without kind": ("book weigh T1 50", ("account", "'T1'"), ("'lot:T1'",)),
    "a weight in words": ("book weigh lot:T1 fifty", ("mass", "'fifty'"), ("25 kg",)),
    "a cast to trim": ("book trim C99", ("cast", "'C99'"), ("C101",)),
    "a thing to trace": ("book trace R1260", ("'R1260'",), ("'R126'",)),
    "a file's name": ("organ pipes organ.tml", ("organ.tml", "does not exist"), ("'organ.toml'",)),
    "a table's name": ("rolls add rak.csv", ("rak.csv", "does not exist"), ("'rack.csv'", "beside it")),
    "a plan's file": (
        "print paper p/plan.json --out o",
        ("p/plan.json", "nor does its folder"),
        ("pipemetal plan ORGAN",),
    ),
    "a backup": ("book restore x.backup --shop n.sqlite", ("x.backup",), ("pipemetal book backup FILE",)),
    "a book": ("rolls --shop t.sqlite", ("shop", "'t.sqlite'"), ("pipemetal book import",)),
    "a recording": ("organ ear measure x.wav", ("x.wav", "does not exist"), ("saved as WAV",)),
    "a photo": ("attach roll:R126 x.jpg", ("x.jpg", "does not exist"), ("JPEG",)),
    "a paper": ("print paper organ.toml cuting --out o", ("'cuting'",), ("'cutting'", "weighing")),
    "a rank": ("organ card organ.toml --rank Octav_4", ("--rank", "'Octav 4'"), ("'Octave 4'",)),
    "a note": ("organ card organ.toml --rank Tierce_1_3/5 --note H", ("--note", "'H'"), ("mean 'B'",)),
    "a role": ("book people add x --role wrok", ("role", "'wrok'"), ("'work'", "run")),
    "a lot to enter without mass": ("lots enter T9", ("--mass",), ("--mass 250",)),
    "a melt to enter without charge": ("melts enter M9", ("--recipe and --charge",), ("T1=200,S1=20.5",)),
    "a charge that is none": ("melts enter M9 --recipe tin-75 --charge T1", ("--charge", "'T1'"), ("T1=200",)),
    "a table of another kind": ("import lots.csv --as lotz", ("--as", "'lotz'"), ("'lots'",)),
    "a command": ("chrage", ("'chrage'",), ("'charge'",)),
    "a verb": ("metal allloy", ("'allloy'",), ("'alloy'",)),
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of the invented shop with its book; each case works on a copy of a file of it."""
    folder = tmp_path_factory.mktemp("shop")
    for path in packaged_file("organ.toml").parent.iterdir():
        if path.suffix in (".toml", ".csv"):
            shutil.copyfile(path, folder / path.name)
    with pytest.raises(SystemExit):
        main(["import", str(folder), "--shop", str(folder / "s.sqlite"), "--by", "Ada"])
    return folder


def message_of(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        main(words)
    said = capsys.readouterr()
    assert ended.value.code == 2, said.out + said.err
    return said.err


def check(said: str, fault: tuple[str, ...], help_words: tuple[str, ...]) -> None:
    assert [word for word in (*fault, *help_words) if word not in said] == [], said
    assert not INNER.search(said), said
    assert any(sign in said for sign in ("allowed: ", "for example ", "id you mean ")), said


@pytest.mark.parametrize("case", FILES)
def test_what_is_wrong_in_a_file_is_named_with_what_would_do(
    case: str, shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (name, right, wrong), command, fault, help_words = FILES[case]
    for path in shop.glob("*.*[lv]"):
        shutil.copyfile(path, tmp_path / path.name)
    changed = tmp_path / ("o.toml" if name == "organ" else name)
    text = ORGAN if name == "organ" else changed.read_text(encoding="utf-8")
    heading = re.search(rf"(?m)^[^#\n]*{re.escape(right.splitlines()[0])}", text)
    assert heading, right
    place = text.index(right, heading.start())
    changed.write_text(text[:place] + wrong + text[place + len(right) :], encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PIPEMETAL_SHOP", "new.sqlite")
    check(message_of(command.format(f=changed.name, d=".").split(), capsys), fault, help_words)


@pytest.mark.parametrize("case", TYPED)
def test_what_is_wrong_on_the_command_line_is_named_with_what_would_do(
    case: str, shop: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    command, fault, help_words = TYPED[case]
    monkeypatch.chdir(shop)
    monkeypatch.setenv("PIPEMETAL_SHOP", "s.sqlite")
    monkeypatch.setenv("PIPEMETAL_BY", "Ada")
    words = [word.replace("_", " ") if word[:1].isupper() else word for word in command.split()]
    check(message_of(words, capsys), fault, help_words)
