"""Figures of the pipes room: many pipes, and scales found behind measured ones. Called by bench/run.py."""

from __future__ import annotations

import math
import random
import statistics
import time
from dataclasses import replace

from pipemetal.files.demo_files import packaged_file
from pipemetal.files.organ_file import read_organ
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.scale_fit import MeasuredPipe, fit_scale


def many_pipes() -> None:
    """Ten thousand pipes with all parts and blanks on one core."""
    organ = read_organ(packaged_file("organ.toml"))
    ranks = tuple(replace(rank, name=f"{rank.name} {n}") for n in range(11) for rank in organ.ranks)
    large = replace(organ, ranks=ranks)
    times, count = [], 0
    for _ in range(3):
        begun = time.perf_counter()
        count = len(organ_pipes(large, lambda alloy: 9.0))
        times.append(time.perf_counter() - begun)
    print(
        f"{f'pipes: {count} pipes with all parts and blanks':<58} {statistics.median(times):10.2f} s    (median of 3)"
    )


def hidden_scales(number: int = 100) -> None:
    """How near the halving pipe of hidden scales comes back: 20 of 56 pipes, 1 % noise, with and without wrong pipes."""
    for wrong in (0, 3):
        draw = random.Random(1926 + wrong)
        off, held, named, extra, begun = [], 0, 0, 0, time.perf_counter()
        for _ in range(number):
            steps = draw.uniform(13.0, 19.0)
            keys = sorted([0, 55, *draw.sample(range(1, 55), 18)])
            bad = set(draw.sample(keys, wrong))
            pipes = []
            for key in keys:
                noise = draw.gauss(0.0, 0.01) + (draw.choice((-1, 1)) * draw.uniform(0.06, 0.2) if key in bad else 0.0)
                pipes.append(MeasuredPipe(str(key), key, float(key), 150.0 * 2.0 ** (-key / steps) * math.exp(noise)))
            fit = fit_scale(pipes)
            off.append(abs(fit.halving_pipe.value - 1.0 - steps))
            held += fit.halving_pipe.low <= steps + 1.0 <= fit.halving_pipe.high
            called = {w.pipe.key for w in fit.wrong}
            named += len(called & bad)
            extra += len(called - bad)
        spent = (time.perf_counter() - begun) / number
        within = sum(o <= 0.2 for o in off)
        print(
            f"scales: {wrong} of 20 pipes wrong: halving pipe off by {statistics.median(off):.3f} steps (median), within 0.2 "
            f"in {within} of {number}, interval holds in {held}; wrong ones named {named} of {number * wrong}, "
            f"good ones called wrong {extra} of {number * (20 - wrong)}; {1000 * spent:.0f} ms each"
        )


def main() -> None:
    """Print all figures of the room."""
    many_pipes()
    hidden_scales()


if __name__ == "__main__":
    main()
