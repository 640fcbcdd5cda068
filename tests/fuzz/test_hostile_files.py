"""Single files that once did harm, each with the message that it ends with now."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import math
import shutil
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import mutations as m
from kinds import rehashed
from seeds import backup_seed, dump_seed, plan_seed, workbook_seed

from pipemetal.alloys.database import parse_tdb
from pipemetal.cli.main import cli
from pipemetal.errors import BookError, FileFormatError, InputError, LayoutError, UnitError
from pipemetal.files.csv_table import read_csv
from pipemetal.files.demo_files import copy_demo_shop
from pipemetal.files.layout_file import read_json
from pipemetal.files.plan_file import read_plan_file
from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.sheet_in import read_sheets
from pipemetal.files.shop_file import read_shop
from pipemetal.files.toml_table import parsed_toml, read_text
from pipemetal.layout.jsonform import plan_from_dict
from pipemetal.layout.problem import Blank, LayoutProblem, LayoutRoll
from pipemetal.planning.settings import PotSettings
from pipemetal.plans.buying import melts_to_buy_for
from pipemetal.plans.codec import from_value
from pipemetal.shop.archive import BACKUP_FORMAT, restore
from pipemetal.shop.book import Book
from pipemetal.shop.dumping import DUMP_FORMAT, load_dump
from pipemetal.units import parse_footage, parse_length_mm, parse_number


def written(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass"))
    return path


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[pot]\ncapacity_kg = " + "9" * 5000, "digits"),
        ("[pot]\ncapacity_kg = 1" + "0" * 400, "beyond 64 bits"),
        ("[casting]\ncasts_a_day = 1" + "0" * 400, "beyond 64 bits"),
        ("x = " + "[" * 100_000, "nested too deeply"),
        ("a." * 100_000 + "b = 1", "dots"),
        ('"a" . ' * 1000 + "b = 1", "dots"),
        ("[[a" + ".a" * 50 + "]]\n", "dots"),
        (f'"{"k" * 100_000}" = 1', "is not a key"),
    ],
)
def test_toml_beyond_all_measure_is_refused_at_once(text: str, word: str, tmp_path: Path) -> None:
    with pytest.raises(FileFormatError) as told:
        read_shop(written(tmp_path, "shop.toml", text))
    assert word in str(told.value) and len(str(told.value)) < 1000


def test_many_words_and_decimals_are_no_dotted_key() -> None:
    long = "word " * 50_000
    assert parsed_toml(f'note = "{long}"\nx = [{"1.5, " * 10_000}]')["note"] == long
    assert parsed_toml("a.b.c.d = 1") == {"a": {"b": {"c": {"d": 1}}}}


@pytest.mark.parametrize("key", ["\\u001b[31mred", "a\\nb", "\\u202ebackwards"])
def test_a_message_is_one_line_that_steers_no_terminal(key: str, tmp_path: Path) -> None:
    with pytest.raises(FileFormatError) as told:
        read_recipes(written(tmp_path, "recipes.toml", f'"{key}" = 1'))
    assert str(told.value).isprintable()


def test_a_message_shows_numbers_and_texts_that_python_cannot_print() -> None:
    assert "too long" in str(InputError("is out of range", value=10**5000))
    str(InputError("is not known", value="\ud800", field="\ud800", where="\udfff")).encode()


@pytest.mark.parametrize("parse", [parse_number, parse_length_mm, parse_footage])
@pytest.mark.parametrize("text", ["9" * 5000, "1 " * 3000, "1/" + "9" * 5000, "9" * 5000 + " mm"])
def test_quantities_longer_than_any_quantity(parse: Callable[..., object], text: str) -> None:
    with pytest.raises(UnitError):
        parse(text)


def test_a_whole_number_that_no_float_holds_is_no_number() -> None:
    with pytest.raises(UnitError):
        parse_number(10**400)


@pytest.mark.parametrize("name", ["x" * 5000, "a\0b"])
def test_names_that_no_disk_can_have(name: str, tmp_path: Path) -> None:
    with pytest.raises(FileFormatError):
        read_text(tmp_path / name)


def test_a_table_of_thirty_thousand_columns(tmp_path: Path) -> None:
    text = ",".join(f"c{k}" for k in range(30_000)) + "\n" + "," * 29_999
    with pytest.raises(FileFormatError, match="too many columns"):
        read_csv(written(tmp_path, "rack.csv", text))


@pytest.mark.parametrize(
    "text",
    [
        '{"x": 1e999}',
        '{"x": ' + "9" * 5000 + "}",
        '{"x": 1' + "0" * 400 + "}",
        '{"x": "\\ud800"}',
        '{"\\udfff": 1}',
        "[" * 100_000,
    ],
)
def test_json_that_cannot_be_kept_or_printed(text: str, tmp_path: Path) -> None:
    with pytest.raises(FileFormatError):
        read_json(written(tmp_path, "plan.json", text))
    assert read_json(written(tmp_path, "plan.json", '{"x": "\\ud83d\\ude00", "y": -1.5}')) == {
        "x": "\U0001f600",
        "y": -1.5,
    }


def test_a_layout_so_large_that_its_area_overflows() -> None:
    placed = {"blank": "B", "roll": "R", "x_mm": 1e300, "y_mm": 0.0, "turn_deg": 0}
    with pytest.raises(LayoutError, match="x_mm"):
        plan_from_dict({"placements": [placed], "unplaced": []}, LayoutProblem((), ()))


@pytest.mark.parametrize(
    "statement",
    [
        "ELEMENT",
        "ELEMENT PB X Y 0 0",
        "FUNCTION F",
        "FUNCTION F x 1; 300 N",
        "FUNCTION F 298 1;",
        "FUNCTION F 298 1; nan N",
        "PHASE P % x 1",
        "PHASE",
        "FUNCTION F 298 EXP(x*T); 300 N",
        "FUNCTION F 298 1E999; 300 N",
        "CONSTITUENT",
        "PARAMETER G(P,A;0)",
        f"PARAMETER G(P,A;{'9' * 5000}) 298 1; 300 N",
    ],
)
def test_statements_of_a_database_that_are_not_whole(statement: str) -> None:
    with pytest.raises(FileFormatError, match=r"metal\.tdb"):
        parse_tdb(statement + " !", where="metal.tdb")


def test_functions_that_add_up_pieces_without_end() -> None:
    chain = " !\n".join(f"FUNCTION F{k} 298 {f'F{k - 1}#' if k else '1'}; {300 + k} Y 1; 5000 N" for k in range(1500))
    with pytest.raises(FileFormatError, match="too many pieces"):
        parse_tdb(chain + " !")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"</sheetData>", b'<row r="1000000000000"><c r="A1000000000000"><v>1</v></c></row></sheetData>'),
        (b'r="A2"', b'r="A-"'),
        (b"</sheetData>", b'<row r="9"><c r="A9" t="s"><v>99999</v></c></row></sheetData>'),
        (b"</sheetData>", b"<row/>" * 300_000 + b"</sheetData>"),
    ],
)
def test_sheets_that_are_damaged_or_say_that_they_are_endless(old: bytes, new: bytes, tmp_path: Path) -> None:
    members = m.unzipped(workbook_seed(tmp_path)[0])
    name = next(n for n in members if n.startswith("xl/worksheets/"))
    path = written(tmp_path, "t.xlsx", m.zipped(members | {name: members[name].replace(old, new)}))
    with pytest.raises(FileFormatError, match=r"t\.xlsx"):
        read_sheets(path)


def test_a_day_that_lies_beyond_the_calendar(tmp_path: Path) -> None:
    plan = json.loads(plan_seed(tmp_path)[0])
    copy_demo_shop(tmp_path / "shop")
    recipes = read_recipes(tmp_path / "shop" / "recipes.toml")
    for changes in ({"day": 10**9}, {"day": "x"}, {"day": None}):
        plan["pours"][0] |= changes
        with pytest.raises(InputError, match="day"):
            held = read_plan_file(written(tmp_path, "plan.json", json.dumps(plan)))
            melts_to_buy_for(held, recipes, PotSettings(), dt.date(2026, 3, 2), "P1")
    for metal in (None, {"by_alloy": None}, {"by_alloy": {"spotted-50": None}}):
        spoilt = plan | {"metal": metal, "pours": plan["pours"][:0], "melts": []}
        with pytest.raises(FileFormatError, match="metal"):
            read_plan_file(written(tmp_path, "plan.json", json.dumps(spoilt)))


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ("pours", None),
        ("pours", [1]),
        ("pours", [{"sheet": "N1"}]),
        ("rolls_used", [None]),
        ("rolls_used", [{"id": "R", "mass_kg": 1.0, "cuts": [{}]}]),
        ("rolls_used", [{"id": "R", "mass_kg": 1e300, "cuts": []}]),
        ("melts", "x"),
        ("melts", [{"name": "M", "lots": None}]),
        ("melts", [{"name": "M", "lots": []}]),
        (
            "melts",
            [{"name": "M", "recipe": "r", "heel_kg": 0.0, "lots": [{"id": "T", "kind": "pig", "mass_kg": -1.0}]}],
        ),
    ],
)
def test_a_plan_that_is_none_is_named_by_list_entry_and_field(place: str, value: Any, tmp_path: Path) -> None:
    plan = json.loads(plan_seed(tmp_path)[0])
    from_value(plan)
    with pytest.raises(FileFormatError, match=rf"plan.*{place}"):
        from_value(plan | {place: value})
    for spoilt in (plan | {"seed": float("nan")}, plan | {"consumed_mm2": float("inf")}, plan | {"organ": " "}):
        with pytest.raises(FileFormatError):
            from_value(spoilt)
    with pytest.raises(FileFormatError):
        from_value(plan | {"organ": "\ud800"})


CLEAR = "cannot keep|is damaged in|that is damaged|holds no|is not a"


@pytest.fixture
def loaded(tmp_path: Path) -> Callable[[dict[str, bytes]], None]:
    """Loads a dump and a backup of these members into empty places."""

    def load(members: dict[str, bytes]) -> None:
        folder, new = tmp_path / "spoilt", tmp_path / "new.sqlite"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        for name, content in members.items():
            (folder / name).write_bytes(content)
        with pytest.raises(BookError, match=CLEAR):
            load_dump(folder, new)
        rows = {name: content for name, content in members.items() if name != "schema.json"}
        manifest = members["schema.json"].replace(DUMP_FORMAT.encode(), BACKUP_FORMAT.encode())
        with pytest.raises(BookError, match=CLEAR):
            restore(written(tmp_path, "a.backup", m.zipped(rows | {"manifest.json": manifest})), new)
        assert not new.exists()

    return load


@pytest.mark.parametrize(
    "line",
    [
        b"[" * 100_000 + b"\n",
        b"null\n",
        b"[]\n",
        b"{}\n",
        b'{"id":1}\n',
        b'{"id":"\\ud800"}\n',
        b"\xff\n",
        b"\n",
        b'{"id":' + b"9" * 400 + b"}\n",
    ],
)
def test_rows_altered_by_somebody_who_mends_the_hashes(
    line: bytes, tmp_path: Path, loaded: Callable[[dict[str, bytes]], None]
) -> None:
    copy_demo_shop(tmp_path / "shop")
    members = m.unzipped(dump_seed(tmp_path / "shop")[0])
    first = members["lots.jsonl"].splitlines()[0]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        loaded(rehashed(members | {"lots.jsonl": line}))
        for key, value in (
            ("id", None),
            ("kind", 5),
            ("price_per_kg", "x"),
            ("note", "\ud800"),
            ("price_per_kg", math.inf),
        ):
            row = json.dumps(json.loads(first) | {key: value}, sort_keys=True, separators=(",", ":"))
            loaded(rehashed(members | {"lots.jsonl": row.encode() + b"\n"}))


@pytest.mark.parametrize(
    "changes",
    [
        {"revision": []},
        {"tables": None},
        {"tables": {"lots": None}},
        {"tables": {"lots": "x"}},
        {"attachments": None},
        {"attachments": ["x"]},
        {"attachments": {"../../../../../../dev/zero": 1}},
        {"tables": {}},
    ],
)
def test_lists_of_contents_that_lead_elsewhere_or_nowhere(
    changes: dict[str, Any], tmp_path: Path, loaded: Callable[[dict[str, bytes]], None]
) -> None:
    copy_demo_shop(tmp_path / "shop")
    members = m.unzipped(dump_seed(tmp_path / "shop")[0])
    manifest = json.loads(members["schema.json"])
    loaded(members | {"schema.json": json.dumps(manifest | changes).encode()})
    loaded(members | {"schema.json": b"[" * 100_000})


def test_a_small_backup_that_unpacks_to_much(tmp_path: Path) -> None:
    copy_demo_shop(tmp_path / "shop")
    members = m.unzipped(backup_seed(tmp_path / "shop")[0])
    path = written(tmp_path, "a.backup", m.zipped(rehashed(members | {"lots.jsonl": b" " * 300_000_000 + b"\n"})))
    assert path.stat().st_size < 1_000_000
    with pytest.raises(BookError, match="too large when unpacked"):
        restore(path, tmp_path / "new.sqlite")


def test_a_backup_with_a_byte_flipped_comes_back_whole_or_not_at_all(tmp_path: Path) -> None:
    copy_demo_shop(tmp_path / "shop")
    members = m.unzipped(backup_seed(tmp_path / "shop")[0])
    for at in range(200, 1500, 100):
        data = bytearray(m.zipped(members))
        data[at] ^= 0xFF
        with contextlib.suppress(BookError):
            restore(written(tmp_path, "a.backup", bytes(data)), tmp_path / f"new-{at}.sqlite")


def test_a_row_altered_by_hand_is_named_by_the_doctor(tmp_path: Path) -> None:
    copy_demo_shop(tmp_path / "shop")
    members = m.unzipped(backup_seed(tmp_path / "shop")[0])
    row = json.loads(members["rolls.jsonl"].splitlines()[0]) | {"readings": "[[1, 2"}
    line = json.dumps(row, sort_keys=True, separators=(",", ":")).encode() + b"\n"
    path = written(tmp_path, "a.backup", m.zipped(rehashed(members | {"rolls.jsonl": line})))
    restore(path, tmp_path / "new.sqlite")
    with Book.open(tmp_path / "new.sqlite", who="Ada") as book:
        assert f"rolls {row['id']}: readings cannot be read" in book.keeping.doctor().faults


@pytest.mark.parametrize(
    "text",
    ['{"format": "pipemetal plan 1"}', '{"format": "pipemetal plan 1", "melts": 1, "pours": null}', "[" * 100_000, "{"],
)
def test_a_plan_that_is_not_whole_is_not_printed(text: str, tmp_path: Path) -> None:
    args = ["paper", str(written(tmp_path, "plan.json", text)), "--out", str(tmp_path / "paper")]
    with pytest.raises(FileFormatError, match=r"plan\.json"):
        cli.main(args=args, standalone_mode=False)


@pytest.mark.parametrize("size", [{"length_mm": 5e-324}, {"width_mm": 1e-300}])
def test_a_blank_shorter_than_any_cut(size: dict[str, float]) -> None:
    sizes = {"length_mm": 100.0, "width_mm": 100.0} | size
    with pytest.raises(LayoutError, match=r"0\.01 to 20000"):
        Blank("B", "body", "A", sizes["length_mm"], sizes["width_mm"], 1.0, 0.9, 0.1)


def test_stations_too_close_for_a_slope() -> None:
    with pytest.raises(LayoutError, match="stations_mm"):
        LayoutRoll("R", "A", 1000.0, 500.0, 10.0, (0.0, 1e-300, 1000.0), np.array([[1.0, 2.0, 1.0]]))
