"""Sound samples of every file, to be spoilt: the invented shop's own, cut short, and small ones beside them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mutations as m

from pipemetal.plans.codec import NEEDED

CSV_ROWS = 14


def small_organ(folder: Path) -> bytes:
    """The invented organ with few notes, so that many samples are read."""
    text = (folder / "organ.toml").read_text(encoding="utf-8")
    few = re.sub(r'from = "(C|c|c1)"\n', lambda hit: f'from = "{ {"C": "c2", "c": "e2", "c1": "a2"}[hit[1]] }"\n', text)
    return (
        few.replace('from = "c2"\nchoirs = ["4', 'from = "c3"\nchoirs = ["4')
        .replace("C-g3", "c2-g3")
        .replace("C-f1", "c1-f1")
        .replace("notes = 30", "notes = 4")
        .encode()
    )


def file(name: str) -> Callable[[Path], list[bytes]]:
    return lambda folder: [(folder / name).read_bytes()]


def some_rows(name: str, rows: int = CSV_ROWS) -> Callable[[Path], list[bytes]]:
    def seed(folder: Path) -> list[bytes]:
        lines = [line for line in (folder / name).read_bytes().splitlines() if not line.startswith(b"#")]
        return [b"\n".join(lines[:rows])]

    return seed


def two_rolls_seed(folder: Path) -> list[bytes]:
    """The rack's first two rolls with all their readings."""
    _cut_file(folder / "rack.csv", lambda line: line.startswith((b"id,", b"R101,", b"R102,")))
    return [_cut_file(folder / "readings.csv", lambda line: line.startswith((b"roll,", b"R101,", b"R102,")))]


def _cut_file(path: Path, wanted: Callable[[bytes], bool]) -> bytes:
    path.write_bytes(b"\n".join(line for line in path.read_bytes().splitlines() if wanted(line)))
    return path.read_bytes()


def rack_seed(folder: Path) -> list[bytes]:
    """A plain roll and those with a corner cut or an area that is barred, with their readings."""
    shaped = [line for line in (folder / "rack.csv").read_bytes().splitlines() if b"0, " in line][:3]
    ids = [b"R101,", *(line.split(b",")[0] + b"," for line in shaped)]
    _cut_file(folder / "readings.csv", lambda line: line.startswith((b"roll,", *ids)))
    return [_cut_file(folder / "rack.csv", lambda line: line.startswith((b"id,", *ids)))]


def few_rolls_seed(folder: Path) -> list[bytes]:
    """Two rolls, their readings beside them."""
    two_rolls_seed(folder)
    return [(folder / "rack.csv").read_bytes()]


def measured_seed(folder: Path) -> list[bytes]:
    rows = [
        f"Flute,8',{n},{d},,,0.6,{x},90,{d * 0.75:.1f},15,0.4,"
        for n, d, x in (
            ("C", 92.0, 2500),
            ("c", 55.3, 1230),
            ("c1", 33.1, 610),
            ("c2", 20.4, 300),
            ("c3", 12.9, 150),
            ("f3", 10.8, 112),
        )
    ]
    head = "rank,footage,note,diameter_mm,outer_diameter_mm,outer_circumference_mm,thickness_mm,length_mm,foot_length_mm,mouth_width_mm,cut_up_mm,mass_kg,remark"
    return ["\n".join([head, *rows]).encode()]


def old_rank_seed(folder: Path) -> list[bytes]:
    """The record of an old rank, its table and the readings of its metal beside it."""
    (folder / "old-pipes.csv").write_bytes(old_pipes_seed(folder)[0])
    (folder / "xrf.csv").write_bytes(readings_of_metal_seed(folder)[0])
    return [OLD_RANK.encode()]


def old_pipes_seed(folder: Path) -> list[bytes]:
    """Pipes of an old rank, one that was shortened, one that speaks, one that is missing."""
    (folder / "old-rank.toml").write_text(OLD_RANK, encoding="utf-8")
    (folder / "xrf.csv").write_bytes(readings_of_metal_seed(folder)[0])
    head = "note,diameter_mm,thickness_mm,length_mm,mouth_width_mm,cut_up_mm,toe_mm,altered,altered_by_mm,sounds_hz,air_c,mark,length_plus_minus_mm"
    rows = [
        "C,47.5,0.6,611.6,37.3,9.4,7,,,,,C oct,0.4",
        "D,43.6,,546.2,34.2,8.7,,shortened,3,,,,",
        "E,40.0,0.57,484.3,31.4,7.8,6.5,,,321.4,17.5,,",
        "G,35.1,,413.8,27.5,6.9,,,,,,,",
        "c,28.3,0.52,303.6,22.2,5.5,,,,,,,",
        "d,26,,,,,,,,,,,",
        "g,20.9,0.49,202.2,16.4,4.1,,,,,,,",
        "c1,16.8,,149.4,13.2,3.3,,,,,,,",
    ]
    return ["\n".join([head, *rows]).encode()]


OLD_RANK = """
[restoration]
name = "Hill"
sources = ["bench"]
[rank]
name = "Octave"
footage = "2'"
compass = "C-e1"
measured = "old-pipes.csv"
without = ["C#"]
[pitch]
low_hz = 380
at = "15 C"
[plus_minus]
diameter_mm = 0.2
[how]
length = "rule"
[metal]
readings = "xrf.csv"
[make]
alloy = "spotted-50"
[[added]]
what = "toe"
"""


def readings_of_metal_seed(_: Path) -> list[bytes]:
    return [
        b"element,wt_pct,plus_minus,method\nSn,49.8,0.4,wet\nPb,49.6,0.4,wet\nSb,0.3,0.05,xrf\nBi,<0.05,,xrf\nSn,50.1,,xrf\n"
    ]


def library_seed(_: Path) -> list[bytes]:
    return [
        b"object,source,Sn,Pb,Sb,Bi,Cu,others,note,status\na pipe,invented,0..4,rest,0.3,,0.1,Zn 0.25,none,invented\nb,invented,50,49,,,,,,\n"
    ]


def ranks_seed(_: Path) -> list[bytes]:
    return [
        b'name,division,footage,compass,alloy,scale,construction,chimney,mouth,cut_up\nOctave 4,Great,4\',c2-g3,spotted-50,"{ half_tones = [[""c2"", -2], [""g3"", 1]] }",,,1/4,1/4\n'
        b'Chimney Flute,Great,8\',c2-c3,tin-75,{ half_tones = 2 },chimney,"{ diameter = ""1/4"", length_diameters = 1.2 }",1/4,1/3\n'
    ]


def workbook_seed(folder: Path) -> list[bytes]:
    from pipemetal.files.sheet_out import OutTable, write_tables

    lots = [
        ["T1", "pig", 500, 25, "Sn 99.9 Pb bal", "2026-03-04", 27.5],
        ["S1", "scrap", 80.5, "", "Sn 50 Pb bal", "", ""],
    ]
    rolls = [["R1", "spotted-50", 3600, 760, 1.2, 0.9, "0 0, 100 0, 0 100"], ["R2", "tin-75", 3200, 880, 1.1, 0.8, ""]]
    path = folder / "seed.xlsx"
    write_tables(
        path,
        [
            OutTable("lots", ["id", "kind", "mass_kg", "piece_kg", "composition", "day", "price_per_kg"], lots),
            OutTable(
                "rolls",
                ["id", "alloy", "length_mm", "width_mm", "thickness_start_mm", "thickness_end_mm", "no_go"],
                rolls,
            ),
        ],
    )
    return [path.read_bytes()]


def plan_seed(_: Path) -> list[bytes]:
    def cut(blank: str, x: float) -> dict[str, Any]:
        return {
            "number": 1,
            "blank": blank,
            "kind": "body",
            "rank": "Flute 8",
            "note": "C",
            "x_mm": x,
            "y_mm": 10.0,
            "turn_deg": 0,
            "length_mm": 800.0,
            "width_mm": 500.0,
            "mass_kg": 3.5,
        }

    plan = {
        **{kind: [] for kind in NEEDED},
        "format": "pipemetal plan 1",
        "organ": "Chapel",
        "rolls_used": [
            {"id": "R101", "mass_kg": 10.0, "cuts": [cut("Flute 8 C body", 10.0), cut("Flute 8 D body", 900.0)]}
        ],
        "new_sheets": [{"id": "N1", "mass_kg": 10.0, "cuts": []}],
        "melts": [
            {
                "name": "M1",
                "recipe": "spotted-50",
                "heel_kg": 0.0,
                "wanted_kg": 50.0,
                "dross_kg": 0.2,
                "lots": [{"id": "T1", "kind": "pig", "mass_kg": 25.0}, {"id": "T2", "kind": "pig", "mass_kg": 25.0}],
            }
        ],
        "pours": [{"sheet": "N1", "alloy": "spotted-50", "melt": "M1", "day": 1, "number": 1, "charge_kg": 15.0}],
        "metal": {"by_alloy": {"spotted-50": {"offcuts_kg": 4.0, "bench_trimmings_kg": 1.0}}},
    }
    return [json.dumps(plan).encode()]


def problem_seed(_: Path) -> list[bytes]:
    """Blanks of every shape, one roll, and sheets that may be cast."""
    blank = {
        "id": "B1",
        "kind": "body",
        "alloy": "spotted-50",
        "length_mm": 700.0,
        "width_mm": 300.0,
        "mouth_thickness_mm": 1.0,
        "top_thickness_mm": 0.95,
        "tolerance_mm": 0.15,
        "turns_deg": [0, 180],
    }
    foot = {
        "id": "B2",
        "kind": "foot",
        "length_mm": 161.0,
        "width_mm": 17.8,
        "turns_deg": [0],
        "sector": {"outer_radius_mm": 341.132, "inner_radius_mm": 181.132, "angle_deg": 2.9813},
    }
    languid = {
        "id": "B3",
        "kind": "languid",
        "length_mm": 60.0,
        "width_mm": 50.0,
        "turns_deg": [0],
        "outline": [[0.0, 0.0], [60.0, 0.0], [60.0, 50.0]],
    }
    roll = {
        "id": "R1",
        "alloy": "spotted-50",
        "length_mm": 2000.0,
        "width_mm": 700.0,
        "trim_mm": 10.0,
        "stations_mm": [0.0, 1000.0, 2000.0],
        "thickness_mm": [[1.1, 1.0, 0.9], [1.1, 1.0, 0.9]],
        "no_go": [[[100.0, 100.0], [200.0, 100.0], [150.0, 200.0]]],
    }
    held = {
        "format": "layout problem 1",
        "kerf_mm": 1.0,
        "blanks": [blank, blank | foot, blank | languid, blank | {"id": "B4", "width_mm": 690.0}],
        "rolls": [roll],
        "castable": {"alloys": ["spotted-50"], "max_width_mm": 900.0, "max_length_mm": 2000.0},
    }
    return [json.dumps(held).encode()]


def layout_seed(folder: Path) -> list[bytes]:
    from pipemetal.cli.main import cli

    (folder / "problem.json").write_bytes(problem_seed(folder)[0])
    args = ["layout", str(folder / "problem.json"), "--iterations", "1", "--out", str(folder / "layout.json"), "--json"]
    cli.main(args=args, standalone_mode=False)
    return file("layout.json")(folder)


def tdb_seed(_: Path) -> list[bytes]:
    from pipemetal.alloys.tables import read_text

    whole = read_text("pbsn_pipe.tdb")
    return [whole.encode()]


def dump_seed(folder: Path) -> list[bytes]:
    with _small_book(folder) as book:
        book.keeping.dump(folder / "seed-dump")
    return [m.zipped({p.name: p.read_bytes() for p in sorted((folder / "seed-dump").iterdir()) if p.is_file()})]


def backup_seed(folder: Path) -> list[bytes]:
    with _small_book(folder) as book:
        book.keeping.backup(folder / "seed.backup")
    return [(folder / "seed.backup").read_bytes()]


def _small_book(folder: Path) -> Any:
    from pipemetal.shop.book import Book

    two_rolls_seed(folder)
    for name in ("lots.csv", "log.csv"):
        (folder / name).write_bytes(some_rows(name, 4)(folder)[0])
    source = folder / "sound"
    source.mkdir(exist_ok=True)
    for name in ("recipes.toml", "rack.csv", "readings.csv", "lots.csv", "log.csv"):
        (source / name).write_bytes((folder / name).read_bytes())
    book = Book.open(folder / "small.sqlite", create=True, who="somebody")
    book.tables.import_folder(source)
    return book
