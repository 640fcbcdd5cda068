"""The main job on the invented shop, as the README shows it: `python bench/demo_bench.py [--quick]`."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time


def main() -> None:
    """Run the demo in a folder of its own; print what it prints and how long it took."""
    shorter = ["--seconds", "5"] if "--quick" in sys.argv else []
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "pipemetal", "demo", *shorter],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        took = time.perf_counter() - begun
    if done.returncode > 1:
        sys.exit(done.stderr)
    print(f"demo: the main job on the invented shop, book and papers and all, in {took:.0f} s:")
    print("\n".join(line.rstrip() for line in done.stdout.splitlines() if not line.startswith("Rolls to take down")))


if __name__ == "__main__":
    main()
