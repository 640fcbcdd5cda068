"""Run every bench and write docs/benchmarks.md from what it prints: `python bench/page.py [--quick]`, or `make bench`.

`--quick` prints only; `--again SCRIPT.py` runs one script and puts its lines in the place of those that the page has of it;
`--note TEXT` is written above. A figure is printed once, by the script that measures it; the page adds machine and versions.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from datetime import date
from importlib import metadata
from pathlib import Path

HERE = Path(__file__).parent
PAGE = HERE.parent / "docs" / "benchmarks.md"
NAMES = (
    "numpy",
    "numba",
    "highspy",
    "shapely",
    "sqlalchemy",
    "typst",
    "ortools",
    "rectpack",
    "spyrrow",
    "pycalphad",
    "scheil",
    "scipy",
)


def versions() -> str:
    """The libraries that were measured, and those beside them."""
    found = []
    for name in NAMES:
        try:
            found.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            found.append(f"{name} not there")
    return ", ".join(found)


def processor() -> str:
    """The processor by its own name, where the system tells it."""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


def printed(command: list[str]) -> list[str]:
    """The lines of a command, shown as they come. Ends this program where the command fails."""
    lines: list[str] = []
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONUNBUFFERED": "1"}
    ) as run:
        assert run.stdout is not None
        for line in run.stdout:
            print(line, end="", flush=True)
            lines.append(line.rstrip())
    if run.returncode:
        sys.exit(run.returncode)
    return lines


def again(script: str) -> None:
    """Run one script, and put its lines where the page has those of the same script: under its own line of dashes."""
    head, _, rest = PAGE.read_text(encoding="utf-8").partition("```\n")
    body, _, tail = rest.partition("\n```")
    blocks = body.split("\n-- ")
    new = "\n".join([script, *printed([sys.executable, "-u", str(HERE / script)])])
    place = next(
        (i for i, block in enumerate(blocks) if block.split("\n")[0].removeprefix("-- ") == script), len(blocks)
    )
    blocks[place : place + 1] = [new]
    PAGE.write_text(head + "```\n" + "\n-- ".join(blocks) + "\n```" + tail, encoding="utf-8")


def main() -> None:
    """Run, print as it comes, and write the page."""
    if "--again" in sys.argv:
        again(sys.argv[sys.argv.index("--again") + 1])
        return
    lines = printed([sys.executable, "-u", str(HERE / "run.py"), *sys.argv[1:]])
    if "--quick" in sys.argv:
        return
    note = sys.argv[sys.argv.index("--note") + 1] + "\n\n" if "--note" in sys.argv else ""
    PAGE.write_text(
        f"""# Benchmarks

Written by `make bench` on {date.today().isoformat()}: every figure as it was printed, ours and others' on the same input in
the same run. {processor()}, {os.cpu_count()} cores, {platform.platform()}, Python {platform.python_version()}; {versions()}.

What is lost stands as plainly as what is won. Times are medians where a line says so; other lines are single runs, and a busy
machine makes them longer.

{note}```
"""
        + "\n".join(lines)
        + "\n```\n",
        encoding="utf-8",
    )
    print(f"Wrote {PAGE}.")


if __name__ == "__main__":
    main()
