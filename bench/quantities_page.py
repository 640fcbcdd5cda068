"""Write docs/quantities.md from the definitions: `python bench/quantities_page.py`, or `make docs`."""

from __future__ import annotations

from pathlib import Path

from pipemetal import quantities

PAGE = Path(__file__).parents[1] / "docs" / "quantities.md"
HEAD = """# Quantities that people give

Written from the definitions themselves (`make docs`); a test fails when the page is stale. Files, forms, the interface and the
calculations all use these limits. They catch slips of the pen: a wrong unit, a misplaced point.
"""


def page() -> str:
    """Every quantity with its unit, limits and meaning."""
    lines = [HEAD]
    for title in ("CAST", "HEARD", "ROLL", "READING", "LOT", "MELT"):
        lines += [f"## {title.capitalize()}", "", "| name | allowed | meaning |", "|---|---|---|"]
        lines += [f"| `{q.name}` | {q.allowed} | {q.meaning} |" for q in getattr(quantities, title).values()]
        lines.append("")
    return "\n".join(lines)


def main() -> None:
    """Write the page."""
    PAGE.write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
