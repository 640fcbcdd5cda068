"""Whatever a shop says of itself comes back unchanged: from a file, from the book, and through a person's units."""

import json
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipemetal.files.shop_file import CHOICES, KEYS, limits_of, read_said, settings_of, shop_toml, value_of
from pipemetal.planning.settings import ShopSettings
from pipemetal.shop.settings import BOOK, InEffect
from pipemetal.units import UnitSystem
from pipemetal.web.setting_groups import GROUPS
from pipemetal.web.shop_fields import allowed, fields_of, read_form
from pipemetal.web.show import Show
from pipemetal.words import Words

OWN = ShopSettings()
NAMES = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=20)

MANDRELS = st.lists(st.integers(5, 300), min_size=1, max_size=4).map(lambda sizes: ", ".join(map(str, sizes)))
LISTS = {
    "shop.mandrels": MANDRELS,
    "owned.sleds": st.lists(st.integers(300, 900), min_size=1, max_size=3, unique=True).map(
        lambda widths: "; ".join(f"s{w} 250 x {w}, 12 kg" for w in widths)
    ),
    "owned.tables": st.integers(5500, 9000).map(lambda length: f"long {length} x 1200 level stone"),
    "day.shift": st.sampled_from(["6:00-17:30", "7:30-16:00"]),
    "day.breaks": st.sampled_from(["9:30-9:45, 12:00-12:30", "13:00-14:00"]),
    "day.starts_on": st.dates().map(str),
    "day.weekdays": st.sampled_from(["Mon-Fri", "Tue, Thu-Sat"]),
    "day.free_days": st.sampled_from(["2026-12-24..2027-01-02", "2026-05-01"]),
    "day.holidays": st.sampled_from(["DE-BY", "GB-ENG", "FR"]),
    "day.lost_days": st.sampled_from(["2026-12-08", "2026-12-08, 2027-01-11"]),
    "owned.pots": st.sampled_from(["small 60 kg 8 kW", "small 60 kg, 8 kW; hand 15 kg 3 kW"]),
    "sure.tolerances": st.sampled_from(["languid -10 % +20 %, planed 0.5 mm", "foot of spotted-50 -0.05 mm +0.12 mm"]),
    "owned.planes": st.sampled_from(["long 650 0.4-2.5", "long 650 0.4-2.5; hand 1000 0.8-5"]),
}
NEEDS = {"day.holidays": "day.starts_on", "day.lost_days": "day.starts_on"}
NOT_BESIDE = dict.fromkeys(("sheets.most_width_mm", "sheets.least_width_mm", "casting.sled_length_mm"), "owned.sleds")
FIRST_LOST = "2026-12-08"


def _agreeing(said: dict[str, Any]) -> dict[str, Any]:
    """Without what contradicts the rest: it is refused, and tested elsewhere."""
    if "day.lost_days" in said and said.get("day.starts_on", "") > FIRST_LOST:
        said = said | {"day.starts_on": FIRST_LOST}
    return {
        key: value for key, value in said.items() if NEEDS.get(key, key) in said and NOT_BESIDE.get(key) not in said
    }


def _values(key: str) -> st.SearchStrategy[Any]:
    if key in LISTS:
        return LISTS[key]
    limits = limits_of(OWN, key)
    if limits is None:
        choices = CHOICES.get(key)
        return st.sampled_from(choices) if choices else NAMES
    if isinstance(value_of(OWN, key), int):
        return st.integers(int(limits[0]), int(limits[1]))
    own = float(value_of(OWN, key))
    # near the program's own, so that values which hang together go together
    return st.floats(max(limits[0], 0.9 * own), min(limits[1], 1.1 * own + 0.01))


SAID = st.fixed_dictionaries({}, optional={key: _values(key) for key in KEYS}).map(_agreeing)
SHOWN = st.builds(
    Show,
    st.builds(
        UnitSystem,
        st.sampled_from(["mm", "in"]),
        st.sampled_from(["kg", "lb"]),
        st.sampled_from(["C", "F"]),
        st.booleans(),
    ),
    say=st.sampled_from([Words("en"), Words("de")]),
)


@settings(deadline=None)
@given(SAID)
def test_a_file_written_out_reads_back_as_it_was_said(said: dict[str, Any]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.toml"
        path.write_text(shop_toml(said, OWN), encoding="utf-8")
        if said:
            assert read_said(path) == said
    assert {key: value_of(settings_of(json.loads(json.dumps(said))), key) for key in said} == said


@settings(deadline=None)
@given(SAID, SHOWN)
def test_a_form_sent_as_it_was_shown_changes_nothing(said: dict[str, Any], show: Show) -> None:
    now = InEffect(settings_of(said), said, BOOK, 1)
    for group in GROUPS:
        fields = fields_of(show, group, now)
        form = {f.key: f.text for f in fields} | {f"was:{f.key}": f.was for f in fields}
        assert read_form(show, group, form, now) == ({}, {})


@settings(deadline=None)
@given(SAID, SHOWN)
def test_what_is_shown_can_be_typed_again_and_is_as_near_as_it_is_written(said: dict[str, Any], show: Show) -> None:
    now = InEffect(settings_of(said), said, BOOK, 1)
    for group in GROUPS:
        fields = fields_of(show, group, now)
        form = {f.key: f.text for f in fields}
        changes, wrong = read_form(show, group, form, now)
        # at an edge the rounding of a unit may lie outside; it is told, never taken
        for key, value in changes.items():
            assert key not in wrong
            if isinstance(value, float):
                near = 0.06 if key.endswith("_c") else 2e-3 * max(1.0, abs(value))  # tenths of a degree are shown
                assert abs(value - float(value_of(now.settings, key))) <= near


@given(SHOWN)
def test_both_ends_of_what_is_allowed_can_be_typed(show: Show) -> None:
    now = InEffect(OWN, {}, BOOK, 1)
    for group in GROUPS:
        for setting in group.settings:
            limits = limits_of(OWN, setting.key)
            if limits is None:
                continue
            for end in (
                allowed(show, setting, limits).replace(show.say("{low} to {high}", low="", high=""), "|").split("|")
            ):
                number = end.split()[0]
                changes, _ = read_form(show, group, {setting.key: number}, now)
                value = changes.get(setting.key, value_of(OWN, setting.key))
                assert limits[0] <= float(value) <= limits[1], (setting.key, end)
