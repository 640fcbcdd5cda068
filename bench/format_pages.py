"""Formats the pages' HTML, CSS and JavaScript, or says with --check which files are not as the formatter leaves them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cssbeautifier
import jsbeautifier

PACKAGE = Path(__file__).parents[1] / "src" / "pipemetal"


def formatted(path: Path) -> str:
    """A style sheet or a script as the formatter leaves it."""
    library = cssbeautifier if path.suffix == ".css" else jsbeautifier
    options = library.default_options()
    options.indent_size, options.end_with_newline, options.wrap_line_length = 2, True, 0
    text = path.read_text(encoding="utf-8")
    for _ in range(3):  # a block that holds a comment alone settles at the second pass
        text = str(library.beautify(text, options))
    return text


def main() -> int:
    """Format everything, or check it."""
    check = "--check" in sys.argv[1:]
    untidy = []
    for path in sorted([*PACKAGE.rglob("*.css"), *PACKAGE.rglob("*.js")]):
        text = formatted(path)
        if text != path.read_text(encoding="utf-8"):
            untidy.append(path)
            if not check:
                path.write_text(text, encoding="utf-8")
    folders = sorted({str(path.parent) for path in PACKAGE.rglob("*.html")})
    run = [sys.executable, "-m", "djlint", "--quiet", "--check" if check else "--reformat", *folders]
    found = subprocess.run(run, capture_output=True, text=True, check=False)
    if check and (untidy or found.returncode):
        print("not as the formatter leaves them; run make lint:", *untidy, found.stdout, sep="\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
