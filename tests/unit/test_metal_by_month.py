"""Metal by month: what came and what became of it, from every movement of the book; double entry holds month by month."""

import sqlite3
from pathlib import Path

import pytest
from shop_samples import HALF, TIN, a_roll

from pipemetal.shop.book import Book, NewLot, NewMelt, Piece
from pipemetal.web.views.months import months_of


def moved(book: Path, event: int, month: str) -> None:
    """An event as if it had been written in another month."""
    with sqlite3.connect(book) as raw:
        raw.execute("UPDATE events SET at = ? WHERE id = ?", (f"{month}-15T08:00:00.000+00:00", event))
    raw.close()


def test_a_month_tells_what_came_and_what_became_of_it(tmp_path: Path) -> None:
    target = tmp_path / "s.sqlite"
    with Book.open(target, create=True) as book:
        book.recipes.add(HALF)
        came = book.lots.add(NewLot("H", "ingot", 200.0, HALF.target, alloy="half")).event
        tin = book.lots.add(NewLot("T", "pig", 50.0, TIN)).event
        book.rolls.add(a_roll("R1"))
        melt = book.melts.record(NewMelt("M1", "half", {"H": 60.0}, dross_kg=1.0)).event
        sold = book.ledger.sell("lot:T", 20.0).event
        taken = book.ledger.sell("lot:T", 5.0).event
        back = book.history.undo(taken).event
        cut = book.rolls.cut("R1", [Piece("p", (20.0, 20.0, 400.0, 300.0))]).event
        scale = book.ledger.weigh("lot:T", 29.0).event
        roll_kg = book.ledger.mass_kg("roll:R1")
        pipe_kg = book.ledger.mass_kg("pipe:p")
        stock = sum(m for kind, m in book.ledger.stock_by_kind().items() if kind in ("lot", "roll", "melt", "sheet"))
    for event, month in ((came, "2026-01"), (tin, "2026-02"), (melt, "2026-02"), (sold, "2026-03"), (taken, "2026-03")):
        moved(target, event, month)
    for event, month in ((back, "2026-03"), (cut, "2026-04"), (scale, "2026-05")):
        moved(target, event, month)
    with Book.open(target) as book:
        flows = {f.month: f for f in book.ledger.by_month()}
    assert flows["2026-01"].came_kg == pytest.approx(200.0) and flows["2026-02"].dross_kg == pytest.approx(1.0)
    assert flows["2026-03"].sold_kg == pytest.approx(20.0)  # what was taken back cancels out
    assert flows["2026-04"].pipes_kg == pytest.approx(pipe_kg)
    assert flows["2026-05"].found_kg == pytest.approx(-1.0)
    assert max(flows.values(), key=lambda f: f.month).standing_kg == pytest.approx(stock, abs=1e-6)
    before = 0.0
    for flow in sorted(flows.values(), key=lambda f: f.month):
        out = flow.pipes_kg + flow.sold_kg + flow.dross_kg + flow.cut_away_kg
        assert flow.standing_kg == pytest.approx(before + flow.came_kg + flow.found_kg - out, abs=1e-6)
        before = flow.standing_kg
    assert roll_kg >= 0.0
    picture = months_of(list(flows.values()))
    assert picture is not None and {"came", "pipes", "sold", "dross", "missing"} <= set(picture.kinds)
    assert all(p.y >= 0.0 and p.y + p.high <= picture.high for p in picture.parts)
