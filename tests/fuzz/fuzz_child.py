"""One kind of file under fire, in a process of its own with bounded memory: `fuzz_child.py KIND SHOTS SEED KEEP`.

Prints one JSON object: how many samples were read, how many refused, the slowest, the memory it took, and what went wrong.
"""

from __future__ import annotations

import contextlib
import faulthandler
import io
import json
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

# What hangs is stopped; far above what the slowest machine takes for the slowest sample.
SAMPLE_CPU_S, SAMPLE_S = 120.0, 3600.0
MORE_MEMORY_BYTES = 1_000_000_000
LONGEST_MESSAGE = 2000
MOST_FAILURES = 20


class TooSlowError(BaseException):
    """A sample took too long; no `except Exception` may swallow it."""


def _too_slow(*_: object) -> None:
    raise TooSlowError


@contextlib.contextmanager
def limited() -> Iterator[None]:
    """Stop what takes too long: of the processor's time, so that a busy machine fails nothing, and of the clock's."""
    signal.setitimer(signal.ITIMER_PROF, SAMPLE_CPU_S)
    signal.setitimer(signal.ITIMER_REAL, SAMPLE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.setitimer(signal.ITIMER_REAL, 0.0)


def unclear(error: BaseException) -> str:
    """What a person could not use in a message; empty for a clear one."""
    text = str(error)
    lines = 1 + len(getattr(error, "problems", ()))
    if not text.strip():
        return "says nothing"
    if len(text) > LONGEST_MESSAGE * lines:
        return f"has {len(text)} characters"
    if len(text.splitlines()) > lines:
        return "has more than one line"
    try:
        text.encode()
    except UnicodeEncodeError:
        return "cannot be printed"
    return "carries control characters" if any(c < " " and c != "\n" for c in text) else ""


class Round:
    """Samples of one kind, and what became of them."""

    def __init__(self, kind: Any, folder: Path, keep: Path) -> None:
        self.kind, self.folder, self.keep = kind, folder, keep
        self.counts = {"read": 0, "refused": 0}
        self.slowest_s, self.failures = 0.0, dict[str, dict[str, str]]()
        self.last_refused = ""

    def try_one(self, sample: bytes) -> None:
        """Read one sample; note what comes out of it beside the errors that are meant for people."""
        from pipemetal.errors import PipemetalError

        self.kind.put(self.folder, sample)
        begun = time.process_time()
        try:
            with limited(), contextlib.redirect_stdout(io.StringIO()):
                self.kind.read(self.folder)
            self.counts["read"] += 1
        except PipemetalError as error:
            self.counts["refused"] += 1
            self.last_refused = str(error)
            if words := unclear(error):
                self._failed(sample, f"message {words}", traceback.format_exc())
        except TooSlowError:
            self._failed(sample, "too slow", traceback.format_exc())
        except Exception as error:
            self._failed(sample, type(error).__name__, traceback.format_exc())
        except SystemExit:
            self.counts["read"] += 1
        self.slowest_s = max(self.slowest_s, time.process_time() - begun)

    def _failed(self, sample: bytes, what: str, trace: str) -> None:
        ours = [line.strip() for line in trace.splitlines() if "pipemetal/" in line and line.strip().startswith("File")]
        key = f"{what} {ours[-1] if ours else ''}"
        if key not in self.failures and len(self.failures) < MOST_FAILURES:
            self.keep.mkdir(parents=True, exist_ok=True)
            path = self.keep / f"{self.kind.name}-{len(self.failures)}"
            path.write_bytes(sample)
            self.failures[key] = {"what": what, "sample": str(path), "trace": trace[-3000:]}


def run(kind: Any, shots: int, seed: int, keep: Path) -> dict[str, Any]:
    """Fire so many shots at one kind: known attacks for a third of them, then spoilt samples and made ones.

    By count and from the seed alone: the same shots on every machine.
    """
    with tempfile.TemporaryDirectory(prefix=f"fuzz-{kind.name}-") as folder:
        round_ = Round(kind, Path(folder), keep)
        kind.prepare(Path(folder))
        sound = kind.seeds(Path(folder))
        for data in sound:  # what compiles does so once and without a limit: no alarm may fall into the compiler
            kind.put(Path(folder), data)
            with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
                kind.read(Path(folder))
        for data in sound:
            round_.try_one(data)
        assert round_.counts["read"] == len(sound), (
            f"a sound {kind.name} is refused: {round_.last_refused} {round_.failures}"
        )
        held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (held + MORE_MEMORY_BYTES,) * 2)
        rng, known = random.Random(seed), kind.attacks(sound[0])
        rng.shuffle(known)
        known = known[: max(shots // 3, 1)]
        for sample in known:
            round_.try_one(sample if isinstance(sample, bytes) else sample())
        made = shots // 6
        for _ in range(max(shots - len(known) - made, 1)):
            round_.try_one(kind.spoilt(rng, rng.choice(sound)))
        kind.made(rng.randrange(2**32), sound[0], round_.try_one, made)
        shutil.rmtree(folder, ignore_errors=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    return {
        "kind": kind.name,
        "samples": sum(round_.counts.values()) + len(round_.failures),
        **round_.counts,
        "slowest_s": round(round_.slowest_s, 2),
        "peak_mb": peak,
        "failures": list(round_.failures.values()),
    }


def main() -> None:
    """Run one kind and print what was found."""
    name, shots, seed, keep = sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])
    faulthandler.enable()
    signal.signal(signal.SIGPROF, _too_slow)
    signal.signal(signal.SIGALRM, _too_slow)
    from kinds import KINDS

    with contextlib.redirect_stdout(io.StringIO()):  # commands print what they found
        found = run(KINDS[name], shots, seed, keep)
    print(json.dumps(found))  # noqa: T201


if __name__ == "__main__":
    main()
