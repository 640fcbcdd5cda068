"""What if: variants beside the shop as it is."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipemetal.cli.main import cli, main
from pipemetal.files.demo_files import copy_demo_shop, packaged_file
from pipemetal.files.recipe_file import read_recipes
from pipemetal.files.shop_file import read_shop
from pipemetal.files.variants_file import read_variants

ORGAN = """
[organ]
name = "Chapel"

[[rank]]
name = "Principal 8"
division = "Great"
footage = "8'"
compass = "c1-c2"
alloy = "tin-75"
scale = { half_tones = -2 }

[[rank]]
name = "Octave 4"
division = "Great"
footage = "4'"
compass = "c1-g1"
alloy = "spotted-50"
scale = { half_tones = -2 }
"""
"""Two short ranks of two alloys, for the demo's shop."""


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    copy_demo_shop(tmp_path / "shop")
    folder = tmp_path / "shop"
    (folder / "organ.toml").write_text(ORGAN, encoding="utf-8")
    return folder


def test_the_invented_variants_say_what_is_different() -> None:
    recipes = read_recipes(packaged_file("recipes.toml"))
    settings = read_shop(packaged_file("shop.toml"))
    changes = {c.name: c for c in read_variants(packaged_file("variants.toml"), recipes, settings)}
    wide = changes["table 1.1 m wide"].settings
    assert wide is not None
    assert (wide.sheets.most_width_mm, wide.sheets.planing_mm) == (1100.0, settings.sheets.planing_mm)
    assert changes["spotted for the Principal"].alloys == {"Principal 8": "spotted-50"}
    assert changes["wider limits for plain metal"].recipes["plain-30"].window("Sn") == (27.5, 32.0)
    assert changes["without the old conductor lead"].without_lots == ("S8",)


VARY = """
[[variant]]
name = "planed less"
[variant.sheets]
planing_mm = 0.05

[[variant]]
name = "no rolls"
without_rolls = [ROLLS]
"""


@pytest.mark.parametrize("workers", [[], ["--workers", "2"]])
def test_variants_stand_side_by_side_wherever_they_are_planned(shop: Path, workers: list[str]) -> None:
    lines = [line for line in (shop / "rack.csv").read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rolls = [row["id"] for row in csv.DictReader(lines)]
    (shop / "v.toml").write_text(VARY.replace("ROLLS", str(rolls)[1:-1]), encoding="utf-8")
    words = [
        "variants",
        str(shop / "organ.toml"),
        "--rack",
        str(shop),
        "--lots",
        str(shop / "lots.csv"),
        "--vary",
        str(shop / "v.toml"),
        "--iterations",
        "120",
        "--json",
        *workers,
    ]
    told = CliRunner().invoke(cli, words, catch_exceptions=False)
    assert told.exit_code == 0, told.output
    rows = {row["name"]: row for row in json.loads(told.stdout)["variants"]}
    assert list(rows) == ["as it is", "planed less", "no rolls"]
    assert rows["as it is"]["pipes"] == rows["planed less"]["pipes"] == 21
    assert rows["as it is"]["rolls"] > rows["no rolls"]["rolls"] == 0
    assert all(row["pipes_served"] == row["pipes"] for row in rows.values())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("[[variant]]\nname = 'a'\n[variant.sheets]\nwidth = 3\n", "is not a key"),
        ("[[variant]]\nname = 'a'\n[[variant]]\nname = 'a'\n", "used for two variants"),
        ("[[variant]]\nname = 'as it is'\n", "used for two variants"),
        ("[[variant]]\nname = 'a'\n[variant.alloys]\n'Principal 8' = 'gold'\n", "gold"),
        ("[[variant]]\nname = 'a'\n[variant.sheets]\nmost_width_mm = 90000\n", "out of range"),
        ("[[variant]]\nname = 'a'\nwithout_lots = ['nobody']\n", "without_lots is not there"),
        ("[[variant]]\nname = 'a'\n[variant.alloys]\n'No rank' = 'tin-75'\n", "alloys is not there"),
    ],
)
def test_a_bad_variant_is_one_clear_message(
    shop: Path, capsys: pytest.CaptureFixture[str], text: str, says: str
) -> None:
    (shop / "v.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SystemExit) as ended:
        main(["variants", str(shop / "organ.toml"), "--vary", str(shop / "v.toml")])
    assert ended.value.code == 2
    assert says in capsys.readouterr().err


def test_three_plans_are_priced_side_by_side(shop: Path, tmp_path: Path) -> None:
    given = [str(shop / "organ.toml"), "--rack", str(shop), "--lots", str(shop / "lots.csv"), "--iterations", "60"]
    out = tmp_path / "out"
    told = CliRunner().invoke(cli, ["variants", *given, "--choices", "--out", str(out), "--json"])
    assert told.exit_code == 0, told.output
    rows = {row["name"]: row for row in json.loads(told.stdout)["variants"]}
    assert list(rows) == ["least metal", "least work", "safest"]
    for row in rows.values():
        work = row["work"]
        assert work["hours"] > 0.0 and work["cost"] > 0.0 and work["kept_m2"] >= 0.0
        assert work["sheets_of_a_rank"] >= work["melts_of_a_rank"] >= 1.0
        assert 0.0 < work["pipes_expected"] <= row["pipes_served"]
    assert (
        len({row["pipes_served"] for row in rows.values()})
        == len({row["work"]["kg_price"] for row in rows.values()})
        == 1
    )
    for name, kind, least in (
        ("least metal", lambda row: row["consumed_m2"], min),
        ("least work", lambda row: row["work"]["hours"], min),
        ("safest", lambda row: row["work"]["pipes_expected"], max),
    ):
        assert kind(rows[name]) == pytest.approx(least(map(kind, rows.values())))
    page = (out / "choices.html").read_text(encoding="utf-8")
    for name in rows:
        folder = name.replace(" ", "-")
        assert f'href="{folder}/index.html"' in page and (out / folder / "index.html").exists()
        assert f'aria-label="{name}"' in page
    assert all((out / name.replace(" ", "-") / "pictures" / "waste.svg").exists() for name in rows)


def test_either_variants_or_choices(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for more in ([], ["--choices", "--vary", str(shop / "shop.toml")]):
        with pytest.raises(SystemExit) as ended:
            main(["variants", str(shop / "organ.toml"), *more])
        assert ended.value.code == 2
        assert "--choices" in capsys.readouterr().err
