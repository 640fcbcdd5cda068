"""How well a shop's law is learned in worlds that it was not made from: `python bench/casting_worlds.py [--shops N]
[--closed]`.

Every world is a shop written here from physics or from a shop's troubles, apart from the program's laws: it takes
gate, head, speed, metal and place and gives a film. Three, ten or thirty casts are logged as a crew logs them (six
marks, five places three times, leftover, temperatures); then new casts of the shop as it stands are predicted: how
often the 95 % band holds a measured place, and how far the prediction is from the shop's own law (root mean square,
mm). Beside it: the mean of the log, and a spreadsheet's regression of ln thickness on ln gate, ln pace and ln head,
which is given the true head of the new casts; and one by casts, of a sheet's mean and slope on gate, pace, first head and
heat, which needs no head. `--closed`: three casts of the shop's own, then the card is pushed and logged (with its asked marks,
or without: `--unasked`), and the share of the wanted taper is told after twelve.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass, replace

import numpy as np

from casting_physics import (
    HABITS,
    NARROW,
    OUTFIT,
    PLAIN,
    RHOS,
    SHRINK,
    SLED,
    SLUSHY,
    SPOTTED,
    WORLDS,
    Array,
    Habits,
    Now,
)
from pipemetal.alloys.liquidus import liquidus
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.push import Push, PushCard, push_card, thickness_from_push
from pipemetal.casting.reduce import ReducedCast
from pipemetal.casting.wanted import Wanted
from pipemetal.errors import CastingError


@dataclass
class Shop:
    """A shop of one world, with its own habits and scatter."""

    name: str
    rng: np.random.Generator
    last: int

    def __post_init__(self) -> None:
        self.film, self.habits = WORLDS[self.name], HABITS.get(self.name, Habits())
        self.cast_sd, self.place_sd = self.rng.uniform(0.015, 0.035), self.rng.uniform(0.008, 0.02)
        self.timing = 0.08 if self.rng.random() < 0.5 else 0.02

    def crew(self, number: int) -> str:
        """Who casts."""
        second = (
            self.rng.random() < 0.5 if self.habits.turns else self.name == "crew change" and number >= 0.6 * self.last
        )
        return "B" if second else "A"

    def settings(self, number: int) -> tuple[Now, float, float, float, float]:
        """Gate, charge and speeds of an ordinary cast, by habit: (now, charge kg, length m, first and last speed)."""
        rng = self.rng
        slush = self.name in SLUSHY
        tin = bool(rng.random() < 0.5)
        gate = round(float(rng.uniform(2.0, 3.8) if not (slush or self.name in NARROW) else rng.uniform(1.6, 3.0)), 1)
        first = float(rng.uniform(0.65, 1.3))
        now = Now(
            gate,
            -10.0 if slush else float(rng.uniform(8.0, 60.0)),
            float(rng.uniform(0.12, 0.3)) if slush else 0.0,
            number,
            tin,
            self.crew(number),
            float(rng.normal(0.0, self.cast_sd)),
        )
        return (
            now,
            11.34 * float(rng.integers(6, 10)),
            float(rng.uniform(3.0, 4.3)),
            first,
            first * float(rng.uniform(0.85, 1.45)),
        )

    def lay(
        self, now: Now, charge_kg: float, length_m: float, first: float, last: float, marks: Array | None = None
    ) -> tuple[Array, Array, Array, Array]:
        """Distance, film without luck, film with the cast's luck, speed; film nan where the sled is empty.

        `marks`: distances and speeds of a card (2, n) that is followed instead of an even change from first to last.
        """
        x = np.linspace(0.0, length_m, 121)
        speed = np.linspace(first, last, 121) if marks is None else first * np.interp(x, *marks)
        return x, *self._followed(now, x, speed, charge_kg), speed

    def _followed(self, now: Now, x: Array, speed: Array, charge_kg: float) -> tuple[Array, Array]:
        area = RHOS[now.tin] * SLED.inner_length_mm * SLED.inner_width_mm * 1e-6
        head, film = charge_kg / area, np.full(len(x), np.nan)
        for i in range(20):  # the run-up
            pace = float(speed[0]) * (1.0 if self.habits.full_run_up else math.sqrt((i + 0.5) / 20.0))
            film0 = self.film(now, head, max(pace, 0.2), 0.0) * math.exp(now.luck)
            head -= min(film0, 6e-3) * 0.015 / (SLED.inner_length_mm * 1e-3)
        plain = film.copy()
        for i in range(len(x)):
            if head < 0.7e-3 * now.gate_mm:
                break
            plain[i] = self.film(now, head, float(speed[i]), float(x[i] / x[-1]))
            film[i] = plain[i] * math.exp(now.luck)
            head -= film[i] * float(x[1] - x[0]) / (SLED.inner_length_mm * 1e-3)
        self.left_kg = max(head, 0.0) * area
        return plain, film

    def log(
        self,
        number: int,
        given: tuple[Now, float, float, float, float] | None = None,
        card: PushCard | None = None,
        asked: bool = True,
    ) -> LoggedCast | None:
        """A cast as the crew logs it; None where the sled ran empty."""
        now, charge, length, first, last = given or self.settings(number)
        x, _, film, speed = self.lay(now, charge, length, first, last, None if card is None else _speeds(card))
        if not np.all(np.isfinite(film)) or self.left_kg < 2.0:
            return None
        rng, gauge = self.rng, 0.01
        readings = []
        for d in np.linspace(0.03, 0.97, 5) * length:
            here = 1e3 / SHRINK[now.tin] * float(np.interp(d, x, film)) * math.exp(rng.normal(0.0, self.place_sd))
            for _ in range(3):
                seen = here + rng.normal(0.0, gauge)
                if self.name == "misreadings" and rng.random() < 0.03:
                    seen *= float(rng.choice([0.5, 0.8, 1.3, 2.0]))
                readings.append((round(1e3 * float(d)), round(max(seen, 0.21), 2)))
        times = np.concatenate([[0.0], np.cumsum(0.5 * (1.0 / speed[1:] + 1.0 / speed[:-1]) * np.diff(x))])
        places = np.linspace(0.0, length, 6)
        seen_s = np.interp(places, x, times) + rng.normal(0.0, self.timing, 6)
        if self.name == "rounded watch":
            seen_s = np.round(seen_s / 0.2) * 0.2 + rng.normal(0.0, 0.15, 6)
        seen_s = np.maximum.accumulate(seen_s - seen_s[0] + 1e-3 * np.arange(6))
        marks = [(round(float(d), 2), round(float(t), 3)) for d, t in zip(places, seen_s, strict=True)]
        comp = SPOTTED if now.tin else PLAIN
        left_kg = round(max(self.left_kg + float(rng.normal(0.0, 0.15)), 0.1), 1)
        return LoggedCast(
            id=str(number),
            composition=comp,
            gate_mm=now.gate_mm,
            charge_kg=round(charge + float(rng.normal(0.0, 0.15)), 1),
            sled=SLED,
            length_mm=1e3 * length,
            thickness_mm=tuple(readings),
            marks=tuple(marks) if self.habits.marked else (),
            push_time_s=marks[-1][1],
            leftover_kg=left_kg if self.habits.weighed else None,
            run_up_mm=300.0,
            pour_temperature_c=round(pour_c(now), 1),
            table_temperature_c=20.0,
            air_temperature_c=18.0,
            timing_sd_s=0.08 if self.name == "rounded watch" else self.timing,
            gauge_sd_mm=gauge,
            crew=now.crew,
            asked_marks=tuple((m.distance_m, round(m.time_s, 2)) for m in card.marks) if card and asked else (),
        )


def _speeds(card: PushCard) -> Array:
    return np.array([[m.distance_m for m in card.marks], [m.speed_m_s for m in card.marks]])


def pour_c(now: Now) -> float:
    """Temperature in the sled: superheat, or where the alloy has the world's share of solid."""
    comp = SPOTTED if now.tin else PLAIN
    if not now.solid:
        return liquidus(comp).temperature_c + now.superheat_k
    from pipemetal.casting.mush import temperature_of_solid_c

    return temperature_of_solid_c(comp, now.solid)


@dataclass
class Tally:
    """What is counted in one world at one length of log."""

    held: list[float]
    misses: dict[str, list[float]]


def logged(shop: Shop, casts: int) -> list[LoggedCast]:
    """The first casts of a shop."""
    log: list[LoggedCast] = []
    while len(log) < casts:
        cast = shop.log(len(log))
        if cast is not None:
            log.append(cast)
    return log


def judged(name: str, casts: int, seed: int, tally: Tally, tests: int = 6) -> None:
    """One shop: log some casts, learn, predict new ones."""
    shop = Shop(name, np.random.default_rng(seed), casts)
    log = logged(shop, casts)
    found = calibrate(log)
    sheet, by_cast = _spreadsheet(found.reduced), _by_cast(log)
    mean_mm = float(np.mean([t for c in log for _, t in c.thickness_mm]))
    done = 0
    while done < tests:
        now, charge, length, first, last = shop.settings(casts)
        x, plain, film, speed = shop.lay(now, charge, length, first, last)
        if not np.all(np.isfinite(film)) or shop.left_kg < 2.0:
            continue
        done += 1
        comp = SPOTTED if now.tin else PLAIN
        places = np.linspace(0.0, length, 7)
        law = found.law.for_sheet(comp, SLED.inner_width_mm, now.crew if shop.habits.named else "")
        push = Push(comp, round(pour_c(now), 1), charge, now.gate_mm, places, np.interp(places, x, speed))
        try:
            told = thickness_from_push(push, OUTFIT, law)
        except CastingError:
            tally.held.append(0.0)
            continue
        usual, slope = (_row(now.gate_mm, 0.5 * (first + last), charge, pour_c(now)) @ by_cast).tolist()
        solid = 1e3 / SHRINK[now.tin]
        for s in told:
            true = solid * float(np.interp(s.distance_m, x, plain))
            seen = solid * float(np.interp(s.distance_m, x, film)) * math.exp(shop.rng.normal(0.0, shop.place_sd))
            tally.held.append(float(s.low_mm <= seen <= s.high_mm))
            tally.misses["program"].append(s.thickness_mm - true)
            tally.misses["mean"].append(mean_mm - true)
            laid = np.concatenate([[0.0], np.cumsum(0.5 * (film[1:] + film[:-1]) * np.diff(x))])
            head = 1e-3 * (
                shop.left_kg / (RHOS[now.tin] * 0.2e-3) + (laid[-1] - np.interp(s.distance_m, x, laid)) / 0.25e-3
            )
            pace = -math.log(float(np.interp(s.distance_m, x, speed)))
            row = [1.0, math.log(now.gate_mm), pace, math.log(max(1e-3, float(head)))]
            tally.misses["spreadsheet"].append(math.exp(float(np.dot(row, sheet))) - true)
            tally.misses["by casts"].append(usual + slope * (s.distance_m / length - 0.5) - true)


def _row(gate_mm: float, pace_m_s: float, charge_kg: float, heat_c: float) -> Array:
    return np.array([1.0, gate_mm - 2.8, pace_m_s - 1.0, 0.05 * (charge_kg - 80.0), 0.02 * (heat_c - 260.0)])


def _by_cast(log: list[LoggedCast]) -> Array:
    """A spreadsheet's regression of every sheet's mean and slope; shape (5, 2)."""
    rows, targets = [], []
    for cast in log:
        d, t = np.array(cast.thickness_mm).T
        slope, _ = np.polyfit(d / cast.length_mm - 0.5, t, 1)
        pace = 1e-3 * cast.length_mm / (cast.push_time_s or 1.0)
        rows.append(_row(cast.gate_mm, pace, cast.charge_kg, cast.pour_temperature_c or 260.0))
        targets.append([float(np.median(t)), slope])
    return np.linalg.lstsq(np.array(rows), np.array(targets), rcond=None)[0]


def _spreadsheet(reduced: tuple[ReducedCast, ...]) -> Array:
    rows, targets = [], []
    for cast in reduced:
        for film, head, speed in zip(cast.film_m, cast.head_m, cast.speed_m_s, strict=True):
            rows.append([1.0, math.log(1e3 * cast.gate_m), -math.log(speed), math.log(head)])
            targets.append(math.log(1e3 * film / 1.03))
    return np.linalg.lstsq(np.array(rows), np.array(targets), rcond=None)[0]


def closed(name: str, seed: int, casts: int = 12, *, asked: bool = True) -> float:
    """Share of the wanted taper reached by the last of twelve casts, three of the shop's own and then by the card."""
    shop = Shop(name, np.random.default_rng(seed), casts)
    log = logged(shop, 3)
    shares = []
    for number in range(3, casts):
        found = calibrate(log)
        now, *_ = shop.settings(number)
        comp = SPOTTED if now.tin else PLAIN
        law = found.law.for_sheet(comp, SLED.inner_width_mm, now.crew if shop.habits.named else "")
        start, end = (2.0, 1.5) if name in (*SLUSHY, *NARROW) else (1.8, 1.35)
        try:
            card = push_card(Wanted(comp, round(pour_c(now), 1), 4000, 800, start, end), OUTFIT, law)
        except CastingError as error:
            print("   ", name, seed, number, error)
            shares.append(0.0)
            continue
        now = replace(now, gate_mm=card.gate_mm)
        pace = math.exp(shop.rng.normal(0.0, 0.03))
        given = (now, card.charge_kg, 4.0, pace, pace)
        film = shop.lay(*given, _speeds(card))[2]
        good = film[np.isfinite(film)] * 1e3 / SHRINK[now.tin]
        shares.append((good[0] - good[-1]) / (start - end) if len(good) == len(film) else 0.0)
        cast = shop.log(number, given, card, asked)
        if cast is not None:
            log.append(cast)
    return float(np.median(shares[-3:]))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--shops", type=int, default=20)
    parser.add_argument("--closed", action="store_true")
    parser.add_argument("--unasked", action="store_true")
    parser.add_argument("--worlds", default="")
    parser.add_argument("--casts", default="3,10,30")
    asked = parser.parse_args()
    names = [n for n in WORLDS if not asked.worlds or n in asked.worlds.split(",")]
    for name in names:
        if asked.closed:
            shares = [closed(name, 1000 + s, asked=not asked.unasked) for s in range(asked.shops)]
            print(
                f"{name:18} taper reached after twelve casts: " + " ".join(f"{s:.2f}" for s in sorted(shares)),
                flush=True,
            )
            continue
        line = f"{name:18}"
        for casts in (int(c) for c in asked.casts.split(",")):
            tally = Tally([], {k: [] for k in ("program", "mean", "spreadsheet", "by casts")})
            for s in range(asked.shops):
                judged(name, casts, 100 * casts + s, tally)
            rms = {k: math.sqrt(float(np.mean(np.square(v)))) for k, v in tally.misses.items()}
            line += (
                f" | {casts:2}: {100 * np.mean(tally.held):5.1f} %  {rms['program']:.3f} "
                f"(mean {rms['mean']:.3f}, sheet {rms['spreadsheet']:.3f}, by casts {rms['by casts']:.3f})"
            )
        print(line, flush=True)


if __name__ == "__main__":
    main()
