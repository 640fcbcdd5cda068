"""Styles: no rule that nothing on the pages uses, and no colour named outside the tokens."""

import re
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "src" / "pipemetal"
STYLES = sorted((PACKAGE / "web" / "static" / "css").glob("*.css"))
MADE = re.compile(r"wall-\d{3}|places-\d+|cut-away|more-found")
"""Classes whose names are put together from a thickness, a number or a kind of metal's way."""


def selectors() -> set[str]:
    found: set[str] = set()
    for path in STYLES:
        text = re.sub(r"/\*.*?\*/", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        for selector in re.findall(r"([^{}]+)\{", text):
            found |= set(re.findall(r"\.([a-zA-Z][\w-]*)", re.sub(r":not\([^)]*\)", "", selector)))
    return found


def test_every_style_is_used() -> None:
    said = "\n".join(
        path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*") if path.suffix in (".html", ".js", ".py")
    )
    words = set(re.findall(r"[a-zA-Z][\w-]*", said))
    assert sorted(name for name in selectors() if name not in words and not MADE.fullmatch(name)) == []


def test_colours_are_named_in_the_tokens_alone() -> None:
    for path in STYLES:
        if path.name != "tokens.css":
            text = re.sub(r"/\*.*?\*/", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
            assert re.findall(r":[^;{}]*(#[0-9a-fA-F]{3,8}\b|rgba?\()", text) == [], path.name


def test_no_line_of_a_page_is_too_long_to_read() -> None:
    files = [path for kind in ("html", "css", "js") for path in PACKAGE.rglob(f"*.{kind}")]
    long = [
        f"{path.name}:{number}"
        for path in files
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if len(line) > 140
    ]
    assert long == []
