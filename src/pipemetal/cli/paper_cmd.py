"""`pipemetal print paper`, `patterns` and `label`: what is printed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, counted, json_option, out_option, print_json, recipes_option, settings_options
from pipemetal.cli.shop_cmd import open_book, shop_option
from pipemetal.errors import BookError, FileFormatError, NotInBookError, PipeError, UnitError, near, some_listed
from pipemetal.files.outbox import write_all
from pipemetal.units import UnitSystem
from pipemetal.words import LANGUAGES, Words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipemetal.documents.labels import Label
    from pipemetal.documents.patterns import Marks
    from pipemetal.pipes.pipe import Part
    from pipemetal.plans.record import Plan
    from pipemetal.shop.book import Book

__all__ = ["label", "paper", "patterns"]

PAPER = click.Choice(["a4", "letter"])
KINDS = ("dxf", "svg", "pdf")
LABEL_KINDS = (".pdf", ".png", ".zpl")


@click.command(short_help="Print a plan again: other paper, language or units.")
@click.argument("plan_file", metavar="PLAN.json", type=FILE)
@click.argument("names", metavar="[NAME...]", nargs=-1)
@out_option("--out", required=True, metavar="DIR", help="Where the PDFs are written.")
@click.option("--paper", "paper_name", type=PAPER, help="It and the next four left out: as the plan was printed.")
@click.option("--language", type=click.Choice(LANGUAGES))
@click.option("--lengths", type=click.Choice(["mm", "in"]))
@click.option("--masses", type=click.Choice(["kg", "lb"]))
@click.option("--temperatures", type=click.Choice(["C", "F"]))
@json_option
def paper(
    plan_file: Path,
    names: tuple[str, ...],
    out: Path,
    paper_name: str | None,
    language: str | None,
    lengths: str | None,
    masses: str | None,
    temperatures: str | None,
    as_json: bool,
) -> None:
    """Cutting sheets, weighing lists, casting days, rank sheets, statements and the organ's file of a plan.json as PDF.

    NAME is one or more of cutting, weighing, casting-days, ranks, metal-account, to-buy, alloy-statement, organ-file; all where
    none is given.
    """
    from pipemetal.documents.plan_paper import PAPERS, plan_paper
    from pipemetal.files.plan_file import read_plan_file
    from pipemetal.plans.record import Printed

    for name in names:
        if name not in PAPERS:
            raise UnitError("is not a paper of a plan", field="NAME", value=name, allowed=", ".join(PAPERS))
    plan = read_plan_file(plan_file)
    first = plan.printed or Printed()
    say, paper_name = Words(language or first.language), paper_name or first.paper
    units = UnitSystem(
        lengths or first.lengths_in,
        masses or first.masses_in,
        temperatures or first.temperatures_in,
        comma=say.language == "de",
    )
    made = {f"{name}.pdf": plan_paper(name, plan, units, say, paper_name) for name in names or PAPERS}
    written = [str(path) for path in write_all(out, made)]
    if as_json:
        print_json({"files": written})
    else:
        click.echo("Wrote " + ", ".join(written) + ".")


@click.command(short_help="Full-size patterns of blanks: DXF, SVG, or PDF in tiles.")
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", help="Only this rank.")
@click.option("--note", help="Only this note.")
@click.option("--part", "kind", help="Only this part: body, foot, languid ...")
@click.option("--as", "kinds", type=click.Choice(KINDS), multiple=True, default=("pdf",), show_default=True)
@out_option("--out", required=True, metavar="DIR")
@click.option("--paper", "paper_name", type=PAPER, default="a4", show_default=True)
@click.option("--landscape", is_flag=True, help="Tiles lying.")
@click.option(
    "--roll-width", "roll_mm", type=float, metavar="MM", help="PDF for a plotter's roll so wide, instead of tiles."
)
@click.option("--language", type=click.Choice(LANGUAGES), default="en", show_default=True)
@click.option("--lengths", type=click.Choice(["mm", "in"]), default="mm", show_default=True)
@settings_options
@recipes_option
@json_option
def patterns(
    organ_file: Path,
    rank: str | None,
    note: str | None,
    kind: str | None,
    kinds: tuple[str, ...],
    out: Path,
    paper_name: str,
    landscape: bool,
    roll_mm: float | None,
    language: str,
    lengths: str,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Patterns at full size for each rank and part: DXF or SVG, or PDF in tiles with overlap and check lines.

    A plain rectangle larger than the paper is drawn with its sizes on one page.
    """
    from pipemetal.cli.pipes_cmd import load_pipes
    from pipemetal.documents.dxf import dxf_text
    from pipemetal.documents.pattern_pages import roll_pdf
    from pipemetal.documents.patterns import file_stem, marks_of, pattern_drawing, pattern_groups
    from pipemetal.documents.svg import to_svg

    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    parts = [p for pipe in made if note in (None, pipe.note) for p in pipe.parts if kind in (None, p.kind)]
    if not parts:
        kinds_known, notes_known = ({p.kind for pipe in made for p in pipe.parts}, [pipe.note for pipe in made])
        raise PipeError(
            "is no blank of this organ",
            field="--note and --part",
            value=f"{note or 'any'}, {kind or 'any'}",
            allowed=", ".join(sorted(kinds_known)),
            nearest="" if note in (None, *notes_known) else near(str(note), notes_known),
        )
    drawn: dict[str, str | bytes] = {}
    marks, units, say = marks_of(made, organ.ranks), UnitSystem(lengths, comma=language == "de"), Words(language)
    for (of_rank, of_kind), members in pattern_groups(parts).items():
        title = members[0].id if len(members) == 1 else f"{of_rank} {of_kind}"
        stem = file_stem(of_rank, of_kind if note is None else f"{note} {of_kind}")
        drawing = pattern_drawing(members, title, marks, units, say)
        if "dxf" in kinds:
            drawn[f"{stem}.dxf"] = dxf_text(drawing)
        if "svg" in kinds:
            drawn[f"{stem}.svg"] = to_svg(drawing)
        if "pdf" in kinds and roll_mm is not None:
            drawn[f"{stem}.pdf"] = roll_pdf(members, title, marks, units, say, roll_mm)
        elif "pdf" in kinds:
            pages = _tiled(members, title, marks, units, say, paper_name, landscape)
            drawn |= {f"{stem}{ending}.pdf": page for ending, page in pages.items()}
    written = [str(path) for path in write_all(out, drawn)]
    if as_json:
        print_json({"blanks": len(parts), "files": written})
    else:
        click.echo(
            f"{len(parts)} blanks in {len(written)} files in {out}. Print without scaling; measure the check line first."
        )


def _tiled(
    members: Sequence[Part],
    title: str,
    marks: Marks,
    units: UnitSystem,
    say: Words,
    paper_name: str,
    landscape: bool,
) -> dict[str, bytes]:
    from pipemetal.documents.pattern_pages import pattern_pdfs

    try:
        return pattern_pdfs(members, title, marks, units, say, paper_name, landscape=landscape)
    except ValueError as error:
        raise PipeError(
            str(error), field="--as", value="pdf", allowed="--note, --part, --roll-width or --as dxf"
        ) from None


@click.command(short_help="Labels for rolls, remnants and lots, with QR code.")
@click.argument("ids", metavar="ID...", nargs=-1)
@out_option("--out", metavar="FILE.pdf|FILE.png|FILE.zpl", help="What its ending says; of PNG a file for each label.")
@click.option("--printer", metavar="HOST[:PORT]", help="Send the labels to a label printer on the network, as ZPL.")
@click.option("--dots", type=int, default=203, show_default=True, help="Dots an inch of the label printer.")
@click.option(
    "--sheet", "sheet_name", default="roll 90x50", show_default=True, help="A label sheet or roll by its measures."
)
@click.option("--first", type=int, default=1, show_default=True, help="First free position on the sheet.")
@click.option(
    "--right", "right_mm", type=float, default=0.0, metavar="MM", help="This printer prints so far to the left."
)
@click.option("--down", "down_mm", type=float, default=0.0, metavar="MM", help="This printer prints so far too high.")
@click.option(
    "--blanks", "plan_file", type=FILE, metavar="PLAN.json", help="Labels for the blanks of a plan; ID: of these rolls."
)
@click.option("--test-page", is_flag=True, help="Frames and numbers instead, to lay on the label sheet.")
@shop_option
@json_option
def label(
    ids: tuple[str, ...],
    out: Path | None,
    printer: str | None,
    dots: int,
    sheet_name: str,
    first: int,
    right_mm: float,
    down_mm: float,
    plan_file: Path | None,
    test_page: bool,
    shop: str | None,
    as_json: bool,
) -> None:
    """Labels with the code that a scanner types and lines that are read at two metres. Print without scaling.

    ID is that of a roll, a remnant or a lot in the book; with --blanks that of a roll in the plan, all rolls where none is given.
    """
    if out is None and printer is None:
        raise FileFormatError("is missing", field="--out", allowed="a file, or --printer HOST")
    if out is not None and out.suffix.lower() not in LABEL_KINDS:
        raise FileFormatError(
            "is not a kind of label file", field="--out", value=out.name, allowed=", ".join(LABEL_KINDS)
        )
    if not ids and not test_page and plan_file is None:
        raise BookError("are missing", field="ID", allowed="ids of rolls or lots, or --test-page")
    labels = [] if test_page else _labels(ids, plan_file, shop)
    said = []
    if out is not None:
        written = write_all(out.parent, _label_files(labels, out, sheet_name, (first, right_mm, down_mm), dots))
        said.append(
            f"Wrote a test page to {out}."
            if test_page
            else f"Wrote {counted(len(labels), 'label')} to {_names(written)}."
        )
    if printer is not None:
        _to_printer(labels, printer, sheet_name, dots)
        said.append(f"Sent {counted(len(labels), 'label')} to {printer}.")
    if as_json:
        print_json({"labels": len(labels), "file": str(out) if out else None, "printer": printer})
    else:
        click.echo(" ".join(said))


def _names(written: Sequence[Path]) -> str:
    return str(written[0]) if len(written) == 1 else f"{len(written)} files, the first {written[0]}"


def _labels(ids: tuple[str, ...], plan_file: Path | None, shop: str | None) -> list[Label]:
    if plan_file is not None:
        from pipemetal.files.plan_file import read_plan_file

        return _blank_labels(read_plan_file(plan_file), ids)
    with open_book(shop) as book:
        return [_label_of(book, one) for one in ids]


def _label_files(
    labels: list[Label], out: Path, sheet_name: str, moved: tuple[int, float, float], dots: int
) -> dict[str, bytes]:
    """What is written, by its name: one PDF or ZPL file, or a picture for each label. No labels: the test page."""
    from pipemetal.documents.labels import label_images, label_pdf, test_page_pdf
    from pipemetal.files.label_printer import zpl_of

    first, right_mm, down_mm = moved
    kind = out.suffix.lower()
    if kind == ".pdf" and not labels:
        return {out.name: test_page_pdf(sheet_name, right_mm=right_mm, down_mm=down_mm)}
    if kind == ".pdf":
        return {out.name: label_pdf(labels, sheet_name, first=first, right_mm=right_mm, down_mm=down_mm)}
    if not labels:
        raise FileFormatError("is printed as PDF only", field="--test-page", value=out.name, allowed=".pdf")
    images = label_images(labels, sheet_name, dots)
    if kind == ".zpl":
        return {out.name: zpl_of(images)}
    if len(images) == 1:
        return {out.name: images[0]}
    return {f"{out.stem}-{number}.png": image for number, image in enumerate(images, start=1)}


def _to_printer(labels: list[Label], printer: str, sheet_name: str, dots: int) -> None:
    from pipemetal.documents.labels import label_images
    from pipemetal.files.label_printer import send, zpl_of

    if not labels:
        raise FileFormatError("is printed as PDF only", field="--test-page", value=printer, allowed="--out FILE.pdf")
    send(zpl_of(label_images(labels, sheet_name, dots)), printer)


def _blank_labels(plan: Plan, ids: tuple[str, ...]) -> list[Label]:
    """A label for every blank of some rolls of a plan, in the order of marking out."""
    from pipemetal.documents.labels import Label

    rolls = {sheet.id: sheet for sheet in plan.sheets}
    for one in ids:
        if one not in rolls:
            raise BookError(
                "is not a roll of this plan",
                field="ID",
                value=one,
                allowed=some_listed(one, list(rolls)),
                nearest=near(one, list(rolls)),
            )
    return [
        Label(
            cut.blank,
            (
                f"{cut.rank} {cut.note}",
                cut.kind,
                f"{cut.length_mm:.0f} x {cut.width_mm:.0f} mm",
                f"{cut.actual_mouth_mm:.2f} / {cut.actual_top_mm:.2f} mm",
                f"no. {cut.number} of {one}",
            ),
        )
        for one in ids or rolls
        for cut in rolls[one].cuts
    ]


def _label_of(book: Book, one: str) -> Label:
    from pipemetal.documents.labels import Label

    try:
        roll = book.rolls.row(one)
    except NotInBookError as error:
        known = [*book.rolls.ids(), *book.lots.ids()]
        if not book.lots.has(one):
            raise NotInBookError(field="roll or lot", value=one, known=known) from error
        lot = book.lots.row(one)
        metal = lot.composition or lot.alloy or "no analysis"
        return Label(one, (one, lot.alloy or lot.kind, metal, lot.note or lot.kind))
    size = f"{roll.length_mm:.0f} x {roll.width_mm:.0f} mm"
    parent = f"from {roll.parent}" if roll.parent else ""
    off_mm = book.casts.planed_off_mm(roll)
    planed = f"plane {off_mm:.2f} mm off" if off_mm else ""
    lines = (one, roll.alloy, size, f"mean {roll.mean_mm:.2f} mm", planed, roll.place or "", parent)
    return Label(one, tuple(line for line in lines if line))
