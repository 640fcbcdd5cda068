"""Make the invented shop's rack, gauge readings and casting log anew: `python bench/make_demo_shop.py`.

Everything is drawn from a fixed seed. The rolls are what a cast gives: thickest where the push began, a little bowed
along and across; the readings are what a gauge list holds: scattered, repeated, rounded to a hundredth, a few of them
misread.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipemetal.casting.limits import WindowLimits
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled, ThermalSettings
from pipemetal.casting.shop_law import ShopLaw
from pipemetal.casting.simulate import Made, Noise, simulate_cast
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.casting.window import usual_pour_c
from pipemetal.errors import CastingError
from pipemetal.files.log_file import log_text
from pipemetal.files.recipe_file import read_recipes

SEED = 20261
SHOP = Path(__file__).parents[1] / "src" / "pipemetal" / "demo_shop"
INVENTED = "# The invented Tinbrook pipe shop: every name and number here is made up for demonstration."

# alloy, number of whole rolls, thickness at the thick end (from, to), number of languid plates, number of remnants
STOCK = [
    ("lead-15", 5, (1.20, 1.75), 1, 2),
    ("plain-30", 8, (0.70, 1.55), 1, 4),
    ("spotted-50", 6, (0.62, 1.25), 1, 4),
    ("tin-75", 5, (0.62, 1.20), 1, 2),
]


def readings_of(rng: np.random.Generator, roll: dict[str, float], bad: bool) -> list[tuple[float, float, float]]:
    """Gauge readings of one roll, rounded as a gauge shows them."""
    count = int(rng.integers(12, 34))
    x = rng.uniform(20, roll["length"] - 20, count)
    y = rng.choice([0.06, 0.3, 0.5, 0.7, 0.94], count) * roll["width"] + rng.uniform(-12, 12, count)
    y = np.clip(y, 5, roll["width"] - 5)
    along, across = x / roll["length"], 2 * y / roll["width"] - 1
    true = roll["start"] - roll["taper"] * x / 1000 + roll["bow"] * 4 * along * (1 - along) - roll["edge"] * across**2
    seen = true + rng.normal(0, 0.008, count)
    points = [(float(a), float(b), round(float(t), 2)) for a, b, t in zip(x, y, seen, strict=True)]
    for index in rng.integers(0, count, 2):  # the same place gauged twice
        a, b, t = points[index]
        points.append((a, b, round(t + float(rng.normal(0, 0.006)), 2)))
    if bad:  # digits swapped, or a key hit twice
        index = int(rng.integers(0, count))
        a, b, t = points[index]
        text = f"{t:.2f}"
        swapped = float(text[:2] + text[3] + text[2])
        points[index] = (a, b, swapped if abs(swapped - t) > 0.12 else round(t + 0.4, 2))
    return points


def main() -> None:
    """Write rack.csv, readings.csv and log.csv."""
    rng = np.random.default_rng(SEED)
    rack, readings = [], []
    number = 100
    for alloy, whole, (low, high), plates, remnants in STOCK:
        thick = np.linspace(high, low, whole)
        for kind in ["roll"] * whole + ["plate"] * plates + ["remnant"] * remnants:
            number += 1
            roll = {
                "length": float(rng.integers(31, 49) * 100),
                "width": float(rng.choice([760, 820, 860, 880])),
                "start": 0.0,
                "taper": float(rng.uniform(0.085, 0.125)),
                "bow": float(rng.normal(0.0, 0.012)),
                "edge": float(abs(rng.normal(0.0, 0.012))),
            }
            roll_id, parent, note = f"R{number}", "", ""
            if kind == "roll":
                roll["start"], thick = float(thick[0] + rng.normal(0, 0.02)), thick[1:]
            elif kind == "plate":
                roll |= {
                    "length": 1400.0,
                    "width": 480.0,
                    "start": float(rng.uniform(2.9, 3.2)),
                    "taper": 0.12,
                    "bow": 0.01,
                }
                note = "languid metal"
            else:
                roll |= {
                    "length": float(rng.integers(7, 19) * 100),
                    "width": float(rng.integers(24, 80) * 10),
                    "start": float(rng.uniform(low, high)),
                }
                roll_id, parent = f"R{number - 60}-1", f"R{number - 60}"
            roll["start"] = max(roll["start"], 0.42 + roll["taper"] * roll["length"] / 1000)
            outline = no_go = ""
            if number == 104:
                w, h = roll["length"], roll["width"]
                outline = f"0 0, {w:.0f} 0, {w:.0f} {h - 160:.0f}, {w - 260:.0f} {h:.0f}, 0 {h:.0f}"
                note = "corner torn on lifting"
            if number == 111:
                no_go, note = "1450 210, 1560 200, 1580 300, 1460 320", "blister"
            place = f"rack {'ABCD'[[s[0] for s in STOCK].index(alloy)]}, arm {number % 9 + 1}"
            rack.append(
                [
                    roll_id,
                    alloy,
                    f"{roll['length']:.0f}",
                    f"{roll['width']:.0f}",
                    0 if parent else 15,
                    place,
                    parent,
                    "" if parent else f"C{number}",
                    outline,
                    no_go,
                    note,
                ]
            )
            for x, y, t in readings_of(rng, roll, bad=number % 5 == 2):
                readings.append([roll_id, f"{x:.0f}", f"{y:.0f}", f"{t:.2f}"])
    _write(
        "rack.csv",
        ["id", "alloy", "length_mm", "width_mm", "trim_mm", "place", "parent", "cast", "outline", "no_go", "note"],
        rack,
        "x runs along the sheet from the end where the push began, y across it; outline and no_go are corners in mm.",
    )
    _write(
        "readings.csv",
        ["roll", "x_mm", "y_mm", "thickness_mm"],
        readings,
        "As the gauge list has them: misreadings and repeats left in.",
    )
    (SHOP / "log.csv").write_text(casting_log(rng), encoding="utf-8")


def casting_log(rng: np.random.Generator) -> str:
    """Thirty earlier casts of a shop that pours slush where it has tin, and whose gate departs from the law: it opens
    a little wider than set, and both speed and the metal in the sled tell more than the law says; by hand and by video."""
    truth = ShopLaw.known(
        "mush, grains closed",
        level=0.05,
        gate_zero_mm=0.08,
        speed=-0.24,
        head=0.04,
        cast_scatter=0.03,
        station_scatter=0.015,
    )
    thermal, limits = ThermalSettings(cloth_factor=1.15), WindowLimits(edges_stand=0.13, sets_in_sled=0.34)
    recipes = read_recipes(SHOP / "recipes.toml")
    casts: list[LoggedCast] = []
    while len(casts) < 30:
        number = len(casts) + 1
        name = str(rng.choice(["lead-15", "plain-30", "spotted-50", "tin-75"], p=[0.25, 0.3, 0.3, 0.15]))
        start = float(np.round(rng.uniform(1.0, 1.9), 2))
        video, width = number > 12, float(rng.choice([760.0, 820.0, 860.0]))
        table, air = (float(np.round(rng.uniform(*r), 0)) for r in ((17, 45), (12, 24)))
        length, end = float(rng.integers(32, 49) * 100), round(start * float(rng.uniform(0.74, 0.84)), 2)
        comp = recipes[name].target
        usual_c, _ = usual_pour_c(comp, start, table, air, limits=limits)
        off_k = float(rng.normal(0.0, 12.0 if name == "lead-15" else 2.0))
        want = Wanted(comp, round(usual_c + off_k, 1), length, width, start, end, table)
        gate_names = ("square lip", "bevelled lip")
        made = Made(f"C{100 + number}", want, Outfit(Sled(250.0, width)), air_c=air, thermal=thermal, limits=limits)
        noise = Noise(timing_s=0.02 if video else 0.08, gross_share=0.05)
        try:
            cast = simulate_cast(rng, truth, made, noise=noise)
        except CastingError:
            continue
        casts.append(
            replace(
                cast,
                day=f"2026-{3 + (number - 1) // 5:02d}-{4 + 5 * ((number - 1) % 5):02d}",
                crew="Anna and Jonas" if number % 3 else "Anna and Mats",
                note=f"{name}, timed by {'video' if video else 'hand'}",
                gate_name=gate_names[number > 18],
                sled_name=f"{width:.0f} wide",
                cloth_name="worn" if number <= 8 else "spring" if number <= 22 else "autumn",
                wanted_start_mm=start,
                wanted_end_mm=end,
            )
        )
    return log_text(casts, INVENTED.lstrip("# "))


def _write(name: str, headings: list[str], rows: list[list[object]], note: str) -> None:
    with (SHOP / name).open("w", newline="", encoding="utf-8") as file:
        file.write(f"{INVENTED}\n# {note}\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(headings)
        writer.writerows(rows)


if __name__ == "__main__":
    main()
