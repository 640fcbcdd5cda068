"""How well a shop's law is learned in worlds that it was not made from: `python bench/casting_worlds.py [--shops N]
[--closed]`.

Every world is a shop written here from physics or from a shop's troubles, apart from the program's laws: it takes
gate, head, speed, metal and place and gives a film. Three, ten or thirty casts are logged as a crew logs them (six
marks, five places three times, leftover, temperatures); then new casts of the shop as it stands are predicted: how
often the 95 % band holds a measured place, and how far the prediction is from the shop's own law (root mean square,
mm). Beside it: the mean of the log, and a spreadsheet's regression of ln thickness on ln gate, ln pace and ln head,
which is given the true head of the new casts. `--closed`: three casts of the shop's own, then the card is pushed and
logged, and the share of the wanted taper is told after ten.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus
from pipemetal.alloys.properties import freezing_shrinkage_pct, liquid_density_kg_m3
from pipemetal.casting.calibrate import calibrate
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.casting.push import Push, push_card, thickness_from_push
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.errors import CastingError

Array = npt.NDArray[np.float64]
G = 9.81
SLED = Sled(250, 800)
OUTFIT = Outfit(SLED)
PLAIN, SPOTTED = Composition.parse("Sn 30 Sb 0.5 Pb bal"), Composition.parse("Sn 50 Sb 0.3 Pb bal")
METALS = (PLAIN, SPOTTED)
RHOS = tuple(liquid_density_kg_m3(c, liquidus(c).temperature_c + 20.0) for c in METALS)
SHRINK = tuple(1.0 / (1.0 - freezing_shrinkage_pct(c) / 100.0) for c in METALS)


@dataclass
class Now:
    """One cast as the world sees it: opening mm, superheat K, share solid, number of the cast, alloy, crew, luck."""

    gate_mm: float
    superheat_k: float
    solid: float
    number: int
    tin: bool
    crew: str
    luck: float


# A world gives the film in m at a head (m), a speed (m/s) and a share of the length.
World = Callable[[Now, float, float, float], float]


def orifice(now: Now, head: float, speed: float, place: float, discharge: float = 0.58, drag: float = 0.02) -> float:
    """A sluice: velocity by the head above the film's own pressure."""
    gate = 1e-3 * now.gate_mm + 1e-4
    jet = math.sqrt(2.0 * G * max(head - discharge * gate - 1.5e-3, 1e-4))
    return gate * (discharge * jet / speed + drag)


def contact_gate(now: Now, head: float, speed: float, place: float) -> float:
    """Contact time with a weak say of gate and head."""
    return 1.45e-3 * (1.0 / speed) ** 0.5 * (now.gate_mm / 3.0) ** 0.25 * (max(head, 1e-3) / 0.05) ** 0.1


def contact(now: Now, head: float, speed: float, place: float) -> float:
    """Contact time alone."""
    return 1.5e-3 * (1.0 / speed) ** 0.5


def hot_discharge(now: Now, head: float, speed: float, place: float) -> float:
    """Discharge that changes by a tenth for twenty kelvin."""
    return orifice(now, head, speed, place, 0.58 * math.exp(0.10 * (now.superheat_k - 25.0) / 20.0))


def mush(now: Now, head: float, speed: float, place: float) -> float:
    """Slush: plane Couette and Poiseuille flow in a lip of 15 mm, entrance loss, viscosity by an exponential of
    the solid.
    """
    gate, lip = 1e-3 * now.gate_mm, 0.015
    viscosity = 0.004 * math.exp(14.0 * (now.solid + 0.03 * place))
    rho = RHOS[now.tin]
    dragged, pressure = 0.55, rho * G * max(head - 0.5 * gate, 1e-4)
    a, b = 1.5 * rho, 12.0 * viscosity * lip / gate**2
    through = (math.sqrt(b * b + 4.0 * a * pressure) - b) / (2.0 * a)
    return gate * (dragged + through / speed)


def worn(now: Now, head: float, speed: float, place: float) -> float:
    """A gate that wears by a hundredth of a millimetre a cast."""
    return orifice(replace(now, gate_mm=now.gate_mm + 0.012 * now.number), head, speed, place)


def crews(now: Now, head: float, speed: float, place: float) -> float:
    """The second crew sets the sled down otherwise: a tenth thinner."""
    return orifice(now, head, speed, place) * (0.9 if now.crew == "B" else 1.0)


def season(now: Now, head: float, speed: float, place: float) -> float:
    """A twentieth up and down with the year (forty casts)."""
    return orifice(now, head, speed, place) * (1.0 + 0.05 * math.sin(2.0 * math.pi * now.number / 40.0))


def alloys(now: Now, head: float, speed: float, place: float) -> float:
    """The tin-rich alloy comes out a tenth thicker."""
    return orifice(now, head, speed, place) * (1.1 if now.tin else 1.0)


def dragged(now: Now, head: float, speed: float, place: float) -> float:
    """An orifice with a quarter of the speed dragged along."""
    return orifice(now, head, speed, place, 0.5, 0.25)


def cloth(now: Now, head: float, speed: float, place: float) -> float:
    """Half the gap goes with a rough cloth, the head drives the rest with a turbulent loss."""
    gate = 1e-3 * now.gate_mm
    loss = 1.0 / (2.0 * 0.45**2) + 0.025 * 0.02 / (4.0 * gate)
    return gate * (0.48 + math.sqrt(G * max(head - 0.5 * gate, 1e-4) / loss) / speed)


def bent(now: Now, head: float, speed: float, place: float) -> float:
    """No power law: contact time at low speed goes over into a gate that scrapes at a third of itself, thinner to
    the end.
    """
    scraped, stuck = 0.42e-3 * now.gate_mm, 1.5e-3 / math.sqrt(speed)
    return (scraped**4 + stuck**4) ** 0.25 * (1.0 - 0.06 * place)


WORLDS: dict[str, World] = {
    "orifice": orifice,
    "contact and gate": contact_gate,
    "contact alone": contact,
    "hot discharge": hot_discharge,
    "mush": mush,
    "worn gate": worn,
    "crew change": crews,
    "rounded watch": orifice,
    "misreadings": orifice,
    "season": season,
    "two alloys": alloys,
    "drag": dragged,
    "cloth": cloth,
    "bent": bent,
}


@dataclass
class Shop:
    """A shop of one world, with its own habits and scatter."""

    name: str
    rng: np.random.Generator
    last: int

    def __post_init__(self) -> None:
        self.film = WORLDS[self.name]
        self.cast_sd, self.place_sd = self.rng.uniform(0.015, 0.035), self.rng.uniform(0.008, 0.02)
        self.timing = 0.08 if self.rng.random() < 0.5 else 0.02

    def settings(self, number: int) -> tuple[Now, float, float, float, float]:
        """Gate, charge and speeds of an ordinary cast, by habit: (now, charge kg, length m, first and last speed)."""
        rng = self.rng
        slush = self.name == "mush"
        tin = bool(rng.random() < 0.5)
        gate = round(float(rng.uniform(2.0, 3.8) if self.name not in ("mush", "cloth") else rng.uniform(1.6, 3.0)), 1)
        first = float(rng.uniform(0.65, 1.3))
        now = Now(
            gate,
            -10.0 if slush else float(rng.uniform(8.0, 60.0)),
            float(rng.uniform(0.12, 0.3)) if slush else 0.0,
            number,
            tin,
            "B" if self.name == "crew change" and number >= 0.6 * self.last else "A",
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
            film0 = self.film(now, head, max(float(speed[0]) * math.sqrt((i + 0.5) / 20.0), 0.2), 0.0) * math.exp(
                now.luck
            )
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
        marks: Array | None = None,
    ) -> LoggedCast | None:
        """A cast as the crew logs it; None where the sled ran empty."""
        now, charge, length, first, last = given or self.settings(number)
        x, _, film, speed = self.lay(now, charge, length, first, last, marks)
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
        return LoggedCast(
            id=str(number),
            composition=comp,
            gate_mm=now.gate_mm,
            charge_kg=round(charge + float(rng.normal(0.0, 0.15)), 1),
            sled=SLED,
            length_mm=1e3 * length,
            thickness_mm=tuple(readings),
            marks=tuple(marks),
            push_time_s=marks[-1][1],
            leftover_kg=round(max(self.left_kg + float(rng.normal(0.0, 0.15)), 0.1), 1),
            run_up_mm=300.0,
            pour_temperature_c=round(pour_c(now), 1),
            table_temperature_c=20.0,
            air_temperature_c=18.0,
            timing_sd_s=0.08 if self.name == "rounded watch" else self.timing,
            gauge_sd_mm=gauge,
            crew=now.crew,
        )


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


def judged(name: str, casts: int, seed: int, tally: Tally, tests: int = 6) -> None:
    """One shop: log some casts, learn, predict new ones."""
    shop = Shop(name, np.random.default_rng(seed), casts)
    log: list[LoggedCast] = []
    number = 0
    while len(log) < casts:
        cast = shop.log(number)
        if cast is not None:
            log.append(cast)
            number += 1
    found = calibrate(log)
    sheet = _spreadsheet(log, found.reduced)
    mean_mm = float(np.mean([t for c in log for _, t in c.thickness_mm]))
    done = 0
    while done < tests:
        now, charge, length, first, last = shop.settings(number)
        x, plain, film, speed = shop.lay(now, charge, length, first, last)
        if not np.all(np.isfinite(film)) or shop.left_kg < 2.0:
            continue
        comp = SPOTTED if now.tin else PLAIN
        places = np.linspace(0.0, length, 7)
        law = found.law.for_cast(alloy=_alloy_name(log, comp), crew=now.crew)
        try:
            told = thickness_from_push(
                Push(comp, round(pour_c(now), 1), charge, now.gate_mm, places, np.interp(places, x, speed)), OUTFIT, law
            )
        except CastingError:
            tally.held.append(0.0)
            done += 1
            continue
        done += 1
        for s in told:
            true = 1e3 / SHRINK[now.tin] * float(np.interp(s.distance_m, x, plain))
            seen = (
                1e3
                / SHRINK[now.tin]
                * float(np.interp(s.distance_m, x, film))
                * math.exp(shop.rng.normal(0.0, shop.place_sd))
            )
            tally.held.append(float(s.low_mm <= seen <= s.high_mm))
            tally.misses["program"].append(s.thickness_mm - true)
            tally.misses["mean"].append(mean_mm - true)
            laid = np.concatenate([[0.0], np.cumsum(0.5 * (film[1:] + film[:-1]) * np.diff(x))])
            head = 1e-3 * (
                shop.left_kg / (RHOS[now.tin] * 0.2e-3) + (laid[-1] - np.interp(s.distance_m, x, laid)) / 0.25e-3
            )
            row = [
                1.0,
                math.log(now.gate_mm),
                -math.log(float(np.interp(s.distance_m, x, speed))),
                math.log(max(1e-3, float(head))),
            ]
            tally.misses["spreadsheet"].append(math.exp(float(np.dot(row, sheet))) - true)


def _alloy_name(log: list[LoggedCast], comp: Composition) -> str:
    from pipemetal.casting.groups import alloy_names

    names = alloy_names(log)
    return next((names[c.id] for c in log if c.composition == comp), "")


def _spreadsheet(log: list[LoggedCast], reduced: tuple) -> Array:
    rows, targets = [], []
    for cast in reduced:
        for film, head, speed in zip(cast.film_m, cast.head_m, cast.speed_m_s, strict=True):
            rows.append([1.0, math.log(1e3 * cast.gate_m), -math.log(speed), math.log(head)])
            targets.append(math.log(1e3 * film / 1.03))
    return np.linalg.lstsq(np.array(rows), np.array(targets), rcond=None)[0]


def closed(name: str, seed: int, casts: int = 10) -> float:
    """Share of the wanted taper reached by the last of ten casts, three of the shop's own and then by the card."""
    shop = Shop(name, np.random.default_rng(seed), casts)
    log: list[LoggedCast] = []
    number = 0
    while len(log) < 3:
        cast = shop.log(number)
        if cast is not None:
            log.append(cast)
            number += 1
    shares = []
    for number in range(3, casts):
        found = calibrate(log)
        now, *_ = shop.settings(number)
        comp = SPOTTED if now.tin else PLAIN
        law = found.law.for_cast(alloy=_alloy_name(log, comp))
        start, end = (2.0, 1.5) if name in ("mush", "cloth") else (1.8, 1.35)
        try:
            card = push_card(Wanted(comp, round(pour_c(now), 1), 4000, 800, start, end), OUTFIT, law)
        except CastingError as error:
            print("   ", name, seed, number, error)
            shares.append(0.0)
            continue
        now = replace(now, gate_mm=card.gate_mm)
        pace = math.exp(shop.rng.normal(0.0, 0.03))
        marks = np.array([[m.distance_m for m in card.marks], [m.speed_m_s for m in card.marks]])
        given = (now, card.charge_kg, 4.0, pace, pace)
        film = shop.lay(*given, marks)[2]
        good = film[np.isfinite(film)] * 1e3 / SHRINK[now.tin]
        shares.append((good[0] - good[-1]) / (start - end) if len(good) == len(film) else 0.0)
        cast = shop.log(number, given, marks)
        if cast is not None:
            log.append(cast)
    return float(np.median(shares[-3:]))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--shops", type=int, default=20)
    parser.add_argument("--closed", action="store_true")
    parser.add_argument("--worlds", default="")
    parser.add_argument("--casts", default="3,10,30")
    asked = parser.parse_args()
    names = [n for n in WORLDS if not asked.worlds or n in asked.worlds.split(",")]
    for name in names:
        if asked.closed:
            shares = [closed(name, 1000 + s) for s in range(asked.shops)]
            print(
                f"{name:18} taper reached after ten casts: " + " ".join(f"{s:.2f}" for s in sorted(shares)), flush=True
            )
            continue
        line = f"{name:18}"
        for casts in (int(c) for c in asked.casts.split(",")):
            tally = Tally([], {"program": [], "mean": [], "spreadsheet": []})
            for s in range(asked.shops):
                judged(name, casts, 100 * casts + s, tally)
            rms = {k: math.sqrt(float(np.mean(np.square(v)))) for k, v in tally.misses.items()}
            line += (
                f" | {casts:2}: {100 * np.mean(tally.held):5.1f} %  {rms['program']:.3f} "
                f"(mean {rms['mean']:.3f}, sheet {rms['spreadsheet']:.3f})"
            )
        print(line, flush=True)


if __name__ == "__main__":
    main()
