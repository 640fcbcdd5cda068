"""Cards and pictures of casting say their figures and stay on their paper."""

import pytest

from pipemetal.alloys.composition import Composition
from pipemetal.casting.freezing import freeze
from pipemetal.casting.model import Sled
from pipemetal.casting.push import push_card
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
    window_picture([WINDOW] * 8, [20.0] * 8, "Window"),
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
        for s in freezing_picture(freeze(SN50, 2.0, 234, 20, 20, duration_s=15), "Early").shapes
        if isinstance(s, Text)
    ]
    assert not any("nan" in w for w in words)
