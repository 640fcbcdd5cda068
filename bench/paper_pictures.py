"""Pictures of one page of each paper of a plan, for the documents: python bench/paper_pictures.py PLAN.json."""

import sys
from pathlib import Path

import pypdfium2

from pipemetal.documents.plan_paper import plan_paper
from pipemetal.files.plan_file import read_plan_file
from pipemetal.units import UnitSystem
from pipemetal.words import Words

PAGES = {
    "cutting": ("cutting", "Roll R112"),
    "pour-cards": ("casting-days", "pour cards"),
    "casting-day": ("casting-days", "Poured in this order"),
    "weighing": ("weighing", ""),
    "rank": ("ranks", ""),
    "organ-file": ("organ-file", "from the front"),
}
WIDTH_PX = 900
COLOURS = 32


def main() -> None:
    plan = read_plan_file(Path(sys.argv[1]))
    folder = Path(__file__).parents[1] / "docs" / "pictures" / "paper"
    for name, (paper, words) in PAGES.items():
        pdf = pypdfium2.PdfDocument(plan_paper(paper, plan, UnitSystem(), Words()))
        page = next(p for p in pdf if words in p.get_textpage().get_text_bounded())
        image = page.render(scale=WIDTH_PX / page.get_width()).to_pil().convert("L").quantize(COLOURS)
        image.save(folder / f"{name}.png", optimize=True)
        print(folder / f"{name}.png")


if __name__ == "__main__":
    main()
