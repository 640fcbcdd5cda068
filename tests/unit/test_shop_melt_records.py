"""Dross fitted from the melts of a book: what was booked as lost, not what was guessed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from shop_samples import HALF

from pipemetal.alloys.composition import Composition
from pipemetal.cli.main import cli
from pipemetal.shop.book import Book, NewLot, NewMelt


def fill(book: Book, melts: int = 8) -> None:
    book.recipes.add(HALF)
    book.lots.add(NewLot("S", "scrap", 5000.0, Composition.parse("Sn 49 Pb bal"), uncertainty_wt_pct=(("Sn", 0.5),)))
    book.lots.add(NewLot("T", "pig", 5000.0, Composition.parse("Sn 100")))
    for number in range(melts):
        book.melts.record(
            NewMelt(
                f"M{number}", "half", {"S": 300.0, "T": 10.0}, dross_kg=9.0, assay=Composition.parse("Sn 50.5 Pb bal")
            )
        )


def test_what_the_book_lost_is_what_the_fit_learns_from(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite"
    with Book.open(path, create=True) as book:
        fill(book)
        book.melts.record(NewMelt("M9", "half", {"S": 100.0}))
        records, silent = book.melts.records()
    assert silent == ("M9",)
    assert len(records) == 8
    assert records[0].out_kg == pytest.approx(301.0)
    assert records[0].assay is not None
    told = CliRunner().invoke(cli, ["dross", "--shop", str(path), "--json"], catch_exceptions=False)
    assert told.exit_code == 0
    scrap = next(f for f in json.loads(told.stdout)["factors"] if f["name"] == "scrap")
    assert scrap["value"] > 0.022
    assert scrap["interval"][0] < 0.0295 < scrap["interval"][1]


def test_a_melt_taken_back_teaches_nothing(tmp_path: Path) -> None:
    with Book.open(tmp_path / "shop.sqlite", create=True) as book:
        fill(book, 1)
        book.history.undo(book.history.last())
        assert book.melts.records() == ((), ())
