"""Old ranks with known truth: how often the 95 % sets and limits hold: `python bench/old_rank_bench.py [TRIES [NAME]]`.

The worlds are those of tests/properties/old_ranks.py, in many kinds: scatter, number of pipes, smooth errors, pipes that do not
belong, shortened pipes, missing measures, other temperaments, moved pipes, pipes that were recorded.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "properties"))
from old_ranks import OldOne, World, old_rank

from pipemetal.restoration.says import Said, says
from pipemetal.restoration.temper import NONE_OF_THESE

WORLDS = {
    **{
        f"{pipes} pipes, scatter {scatter:g}": World(pipes, scatter)
        for pipes in (12, 24, 47)
        for scatter in (3.0, 8.0, 15.0)
    },
    "no smooth error": World(smooth_cents=0.0),
    "smooth error 16 cents over 5 octaves": World(smooth_cents=16.0),
    "smooth error 10 cents over 3 octaves": World(smooth_cents=10.0, smooth_octaves=3.0),
    "one pipe in ten does not belong": World(30, 6.0, odd=0.1),
    "one pipe in five does not belong": World(40, 6.0, odd=0.2),
    "a third shortened": World(36, 6.0, shortened=0.33),
    "a third of the measures lost": World(30, 6.0, lost=0.33),
    "readings of 0.5 mm": World(30, 6.0, reading_mm=0.5),
    "another temperament": World(36, 5.0, temperament="unlisted"),
    "moved by a tone": World(36, 4.0, moved=2),
    "meantone moved by a tone": World(36, 5.0, temperament="meantone4", moved=-2),
    "one pipe heard": World(24, 6.0, heard=1),
    "five pipes heard": World(24, 6.0, heard=5),
    "stopped 8'": World(24, 6.0, construction="stopped", footage=Fraction(8)),
    "tapered 2'": World(24, 6.0, construction="tapered", top_ratio=0.6, footage=Fraction(2), reading_mm=0.05),
    "7 pipes": World(7, 6.0),
    "meantone, 24 pipes": World(24, 5.0, temperament="meantone4"),
    "equal, 24 pipes": World(24, 5.0, temperament="equal"),
    "werckmeister3, 24 pipes": World(24, 5.0, temperament="werckmeister3"),
}


@dataclass
class Tally:
    """What was counted in one world."""

    tries: int = 0
    in_set: int = 0
    on_top: int = 0
    size: list[int] = field(default_factory=list)
    pitch: int = 0
    half_cents: list[float] = field(default_factory=list)
    diameters: list[bool] = field(default_factory=list)
    construction: int = 0
    odd_found: int = 0
    odd_there: int = 0
    odd_false: int = 0
    belonging: int = 0

    def add(self, one: OldOne, said: Said, world: World) -> None:
        """One rank more."""
        tuning = said.tuning
        assert tuning is not None
        self.tries += 1
        name = NONE_OF_THESE if one.temperament == "unlisted" else one.temperament
        self.in_set += name in tuning.set_95
        self.on_top += tuning.shares[0].name == name
        self.size.append(len(tuning.set_95))
        self.pitch += tuning.a_hz.low <= one.a_hz <= tuning.a_hz.high
        self.half_cents.append(600.0 * math.log2(tuning.a_hz.high / tuning.a_hz.low))
        self.construction += said.construction == world.construction
        flagged = {s.key for s in said.strangers}
        self.odd_found += len(flagged & one.odd_keys)
        self.odd_there += len(one.odd_keys)
        self.odd_false += len(flagged - one.odd_keys)
        self.belonging += len(one.diameters_mm) - len(one.odd_keys)

    def line(self, name: str, seconds: float) -> str:
        """A line of the report."""
        n = self.tries
        odd = f"; does not belong: {self.odd_found} of {self.odd_there}, false {100 * self.odd_false / self.belonging:.1f} %"
        return (
            f"- {name}: set holds {100 * self.in_set / n:.1f} % (of {statistics.mean(self.size):.1f} names, on top "
            f"{100 * self.on_top / n:.0f} %); pitch within {100 * self.pitch / n:.1f} % "
            f"(+- {statistics.mean(self.half_cents):.0f} cents); "
            f"construction {100 * self.construction / n:.0f} %{odd}; {seconds / n:.2f} s"
        )


def measured(name: str, world: World, tries: int) -> Tally:
    """A world tried so often."""
    tally, start = Tally(), time.perf_counter()
    for seed in range(tries):
        one = old_rank(world, 7919 * seed + len(name))
        tally.add(one, says(one.record), world)
    print(tally.line(name, time.perf_counter() - start), flush=True)
    return tally


def main() -> None:
    """Every world, then all together."""
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    only = sys.argv[2] if len(sys.argv) > 2 else ""
    held = [measured(name, world, tries) for name, world in WORLDS.items() if only in name]
    n = sum(t.tries for t in held)
    print(
        f"all: set holds {100 * sum(t.in_set for t in held) / n:.1f} %, pitch within {100 * sum(t.pitch for t in held) / n:.1f} %"
    )


if __name__ == "__main__":
    main()
