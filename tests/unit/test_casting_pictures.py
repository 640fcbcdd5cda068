"""Cards and pictures of casting say their figures and stay on their paper."""

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.freezing import Until, freeze
from pipemetal.casting.model import Sled
from pipemetal.casting.push import push_card
from pipemetal.casting.says import quantities
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.table import DayCast, day
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.casting.window import pour_window
from pipemetal.documents.casting_cards import DayRow, beat_card, day_card, freeze_card, learned_card, pour_card
from pipemetal.documents.casting_pictures import (
    freezing_picture,
    thickness_picture,
    window_picture,
)
from pipemetal.documents.drawing import Drawing, Text, text_width_mm
from pipemetal.documents.learned_pictures import CastDot, came_out_picture, poured_picture, quantity_picture
from pipemetal.words import Words

SN50 = Composition.parse("Sn 50 Pb bal")
CARD = push_card(Wanted(SN50, 240, 4000, 800, 2.0, 1.5), Outfit(Sled(250, 800)))
WINDOW = pour_window(SN50, 2.0, 20, 20)
DRAWINGS = [
    pour_card(CARD, WINDOW, "A sheet with a rather long name for the Principal of the Great"),
    pour_card(CARD, WINDOW, "12  14:30  A sheet (M03)", table_c=41.0, lift_after_s=400.0),
    beat_card(CARD, "Sheet"),
    day_card(
        [DayRow(k, "08:00", "Principal 8 a long name", "298-341 °C", "11 sc.") for k in range(1, 6)],
        "Day 1",
        "Note\nMore",
    ),
    day_card(
        [DayRow(1, "08:00", "B", "", "", "the box would be empty before the end of so long a sheet")], "Day 2", "Note"
    ),
    freeze_card(day([DayCast(SN50, 2.0, 234, 600.0 * i) for i in range(3)]), "Sn 50 Pb bal, 2 mm", "as estimated"),
    learned_card([("A NEW SHEET", "within 12 %")] * 4, "set the gate half a millimetre wider on one cast", "12 casts"),
    thickness_picture(CARD.thickness, [(1.0, 1.9), (3.0, 1.6)], "Thickness", CARD.rests_on),
    freezing_picture(freeze(SN50, 2.0, 234, 20, 20), "Freezing"),
    window_picture([WINDOW] * 8, [20.0] * 8, "Limits"),
]


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda d: d.title)
def test_no_text_leaves_the_paper(drawing: Drawing) -> None:
    for text in (s for s in drawing.shapes if isinstance(s, Text)):
        width = text_width_mm(text.text, text.size_mm)
        left = text.at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[text.anchor] * width
        assert left >= -0.5 and left + width <= drawing.width_mm + 0.5, text
        assert 0.0 <= text.at[1] <= drawing.height_mm - 0.6 * text.size_mm, text


def test_the_pour_card_is_read_at_three_metres() -> None:
    # A two-hundredth of the distance (common practice, no source): 15 mm.
    texts = [s for s in DRAWINGS[0].shapes if isinstance(s, Text)]
    for wanted in (f"{CARD.gate_mm:.1f} mm", f"{CARD.scoops} scoops, {CARD.charge_kg:.0f} kg"):
        assert next(t for t in texts if t.text == wanted).size_mm >= 15.0


def test_every_beat_is_on_its_card() -> None:
    texts = {s.text for s in beat_card(CARD, "Sheet").shapes if isinstance(s, Text)}
    assert {f"{b.distance_m:.2f}" for b in CARD.beats} <= texts


def test_a_sheet_lifted_before_it_is_solid_has_a_picture() -> None:
    words = [
        s.text
        for s in freezing_picture(freeze(SN50, 2.0, 234, 20, 20, until=Until(15)), "Early").shapes
        if isinstance(s, Text)
    ]
    assert not any("nan" in w for w in words)


def test_what_the_casts_say_is_read_on_a_telephone() -> None:
    # 390 pixels wide, a third of a line of 12 pixels above its size: no letter under 12 pixels.
    dots = [CastDot(f"C{k}", float(k - 4), k == 3, 5.0 * k) for k in range(9)]
    told = quantities(ShopLaw.prior(), [])
    for drawing in (
        came_out_picture(dots, 9.0, Words()),
        quantity_picture(told, Words()),
        poured_picture(dots, Words("de")),
    ):
        texts = [item for item in drawing.shapes if isinstance(item, Text)]
        assert min(t.size_mm for t in texts) * 340.0 / drawing.width_mm > 12.0
    shown = [t for t in quantity_picture(told, Words()).shapes if isinstance(t, Text)]
    assert {"0", "1"} <= {t.text for t in shown if t.layer == "axis"}
    assert all(any(f"({q.low:.2f} … {q.high:.2f})" in t.text for t in shown) for q in told)


def test_metal_that_no_temperature_suits_has_no_range_on_its_card() -> None:
    comp = Composition.parse("Sn 50 Pb bal")
    window = pour_window(comp, 5.0, 20, 20)
    card = push_card(Wanted(comp, window.sled_c, 3000, 700, 5.0, 4.0), Outfit(Sled(250, 760)))
    texts = [item.text for item in pour_card(card, window, "thick").shapes if isinstance(item, Text)]
    assert "none suits" in texts and any("by itself" in text for text in texts)
