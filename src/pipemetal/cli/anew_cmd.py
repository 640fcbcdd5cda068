"""`pipemetal plan anew`: a sheet was measured, and the rest of the plan is planned anew."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, json_option, out_option, print_json, settings_for
from pipemetal.cli.progress import Watch
from pipemetal.errors import InputError, near, some_listed
from pipemetal.texts import Text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipemetal.casting.log import LoggedCast
    from pipemetal.planning.settings import SheetSettings
    from pipemetal.plans.anew import Anew, ShopNow
    from pipemetal.plans.record import Plan

__all__ = ["anew"]


@click.command(short_help="A sheet was measured: the rest of the plan anew.")
@click.argument("plan_file", metavar="[PLAN.json]", type=FILE, required=False)
@click.option("--shop", metavar="PATH|URL", help="Take the accepted plan and all that was done from this shop book.")
@click.option("--plan", "plan_id", metavar="ID", help="With --shop: which plan [the latest accepted].")
@click.option("--take", "takes", is_flag=True, help="With --shop: put the new plan in the place of the old one.")
@click.option("--by", metavar="NAME", help="With --take: who takes it.", envvar="PIPEMETAL_BY")
@click.option(
    "--readings",
    "readings_path",
    type=FILE,
    metavar="readings.csv",
    help="Sheets as measured, as cast: roll (the plan's sheet), x_mm, y_mm, thickness_mm.",
)
@click.option("--rack", "rack_path", type=FILE, metavar="rack.csv|DIR", help="Rolls [rack.csv beside the plan].")
@click.option("--lots", "lots_path", type=FILE, metavar="lots.csv", help="Metal to charge.")
@click.option("--recipes", "recipes_path", type=FILE, metavar="recipes.toml")
@click.option("--log", "log_path", type=FILE, metavar="LOG.csv", help="Casting log to learn from.")
@click.option("--settings", "settings_path", type=FILE, metavar="shop.toml")
@click.option("--cut", multiple=True, metavar="SHEET", help="A roll or sheet that is cut; may be given again.")
@click.option("--poured", multiple=True, metavar="SHEET", help="A sheet that is cast, not measured.")
@click.option("--failed", multiple=True, metavar="SHEET", help="A sheet whose cast came to nothing.")
@click.option("--in-pot", "in_pot", multiple=True, metavar="MELT:KG", help="A melt that is charged, and what is left.")
@click.option("--from", "today", metavar="DATE", help="The first day on which may be cast [as the settings say].")
@click.option(
    "--effort",
    type=click.FloatRange(0.01, 100.0),
    default=1.0,
    show_default=True,
    help="How many moves the search makes, as a share of the usual number.",
)
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 3600.0),
    default=20.0,
    show_default=True,
    help="When the search ends in any case, on a busy machine.",
)
@out_option(
    "--out", "out", metavar="DIR", help="Where plan.json goes, and with PLAN.json the rack with what was measured."
)
@json_option
def anew(
    plan_file: Path | None,
    shop: str | None,
    plan_id: str | None,
    takes: bool,
    by: str | None,
    readings_path: Path | None,
    rack_path: Path | None,
    lots_path: Path | None,
    recipes_path: Path | None,
    log_path: Path | None,
    settings_path: Path | None,
    cut: tuple[str, ...],
    poured: tuple[str, ...],
    failed: tuple[str, ...],
    in_pot: tuple[str, ...],
    today: str | None,
    effort: float,
    seconds: float,
    out: Path | None,
    as_json: bool,
) -> None:
    """Plan the rest of PLAN.json anew from sheets that were measured, or the plan of a shop book from all that was done.

    What is cut or poured stays. Prints what changes, as was and is; --out writes the new plan.json, and beside it rack.csv and
    readings.csv with the sheets that were measured: the next sheet begins there. Exit code 1 where a blank finds no place.
    """
    from pipemetal.files.log_file import read_log
    from pipemetal.planning.learning import learn
    from pipemetal.plans.anew import plan_anew
    from pipemetal.plans.anew_day import check_pots

    if (plan_file is None) == (shop is None):
        raise InputError(
            "is needed: one of the two",
            field="PLAN.json or --shop",
            example="pipemetal plan anew --shop shop.sqlite, or pipemetal plan anew chapel/plan.json --failed N002",
        )
    day = _day(today)
    done = _Done(cut, poured, failed, dict(_in_pot(in_pot)), day)
    casts: Sequence[LoggedCast] = read_log(log_path) if log_path is not None else ()
    if shop is not None:
        _refuse_told(done)
        plan_id, plan, now, logged = _of_book(shop, plan_id, day)
        casts = casts or logged
    else:
        assert plan_file is not None
        plan, now = _of_files(plan_file, rack_path, lots_path, recipes_path, done)
    settings = settings_for(settings_path, shop, plan_file or Path("shop.toml"))
    if shop is None:
        check_pots(plan, done.pots, settings)
    now = _with_readings(plan, now, readings_path, settings.sheets)
    _warn_of_pots(plan, now)
    with Watch("planning anew", quiet=as_json) as watch:
        made = plan_anew(plan, now, settings, learn(casts), seconds=seconds, effort=effort, tell=watch.progress)
    _write(made, out, with_rack=shop is None)
    if done.failed and not as_json:
        click.echo(f"Taken as failed, their places are free again: {', '.join(done.failed)}.")
    _tell(made, as_json=as_json)
    if takes:
        if shop is None or plan_id is None:
            raise InputError("needs the book", field="--take", allowed="--shop PATH beside it")
        _take(shop, by, plan_id, made, quiet=as_json)
    click.get_current_context().exit(1 if made.plan.unserved or made.plan.faults else 0)


@dataclasses.dataclass(frozen=True)
class _Done:
    """What was done, as the options say it."""

    cut: tuple[str, ...]
    poured: tuple[str, ...]
    failed: tuple[str, ...]
    pots: Mapping[str, float]
    today: dt.date | None


def _warn_of_pots(plan: Plan, now: ShopNow) -> None:
    """Say which melts were poured from, still pour by the plan, and of which nobody says what is left."""
    from pipemetal.plans.now import melts_unknown

    for name in sorted(melts_unknown(plan, now)):
        click.echo(
            f"{name} was poured from: without --in-pot {name}:KG, the mass that is left in its pot, nothing is counted on there.",
            err=True,
        )


def _refuse_told(done: _Done) -> None:
    """A book knows what was done: options that tell it are refused, so that none is passed over. Errors: InputError."""
    told = {"--cut": done.cut, "--poured": done.poured, "--failed": done.failed, "--in-pot": tuple(done.pots)}
    for option, given in told.items():
        if given:
            raise InputError(
                "goes with PLAN.json; with --shop the book says what was done",
                field=option,
                value=", ".join(given),
                example=Text(
                    "log the cast and book its metal as scrap, or pipemetal plan anew chapel/plan.json --failed N002"
                ),
            )


def _check_known(plan: Plan, done: _Done) -> None:
    """Errors: InputError for a sheet or melt that this plan does not have."""
    sheets = [s.id for s in plan.new_sheets]
    known = {
        "--failed": (done.failed, sheets),
        "--poured": (done.poured, sheets),
        "--cut": (done.cut, [*sheets, *(r.id for r in plan.rolls_used)]),
        "--in-pot": (tuple(done.pots), [m.name for m in plan.melts]),
    }
    for option, (given, there) in known.items():
        for name in given:
            if name not in there:
                raise InputError(
                    "is not in this plan",
                    field=option,
                    value=name,
                    allowed=some_listed(name, there),
                    nearest=near(name, there),
                )


def _day(text: str | None) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError("is no date", field="--from", value=text, example="2026-12-07") from None


def _in_pot(pairs: Sequence[str]) -> list[tuple[str, float]]:
    found = []
    for pair in pairs:
        melt, _, mass = pair.rpartition(":")
        try:
            found.append((melt, float(mass)))
        except ValueError:
            raise InputError("cannot be read", field="--in-pot", value=pair, example="M01:120.5") from None
    return found


def _of_files(
    plan_file: Path, rack_path: Path | None, lots_path: Path | None, recipes_path: Path | None, done: _Done
) -> tuple[Plan, ShopNow]:
    """The plan of a file, and the shop as files and options tell it."""
    from pipemetal.cli.plan_cmd import stock_of
    from pipemetal.files.plan_file import read_plan_file
    from pipemetal.plans.anew import ShopNow

    plan = read_plan_file(plan_file)
    _check_known(plan, done)
    beside = plan_file.parent / "rack.csv"
    if rack_path is None and not beside.exists():
        click.echo("No --rack: planned as if no roll hung there. For example --rack . --lots lots.csv", err=True)
    stock = stock_of(plan_file, rack_path or (beside if beside.exists() else None), lots_path, None, recipes_path)
    now = ShopNow(
        stock,
        frozenset(done.cut),
        frozenset(done.poured),
        {},
        frozenset(done.failed),
        done.pots,
        today=done.today,
    )
    return plan, now


def _of_book(shop: str, plan_id: str | None, today: dt.date | None) -> tuple[str, Plan, ShopNow, Sequence[LoggedCast]]:
    """The accepted plan of a book, what it stands on now, and the log."""
    from pipemetal.shop.book import Book
    from pipemetal.shop.now import shop_now
    from pipemetal.shop.rows import PlanState

    with Book.open(shop, who=None) as book:
        accepted = [p.id for p in book.plans.all() if p.state is PlanState.ACCEPTED]
        if plan_id is None and not accepted:
            raise InputError(
                "holds no accepted plan",
                field="--shop",
                value=shop,
                example="pipemetal plan accept chapel/plan.json, or pipemetal plan anew chapel/plan.json",
            )
        key = plan_id or accepted[0]
        plan = book.plans.plan(key)
        assert plan is not None
        for held in book.plans.rests_on(key):
            click.echo(str(held.words), err=True)
        return key, plan, shop_now(book, key, today=today), book.casts.log()


def _with_readings(plan: Plan, now: ShopNow, path: Path | None, sheets: SheetSettings) -> ShopNow:
    """The shop with the sheets that a file of readings tells of hanging as rolls, each called as its sheet."""
    if path is None:
        return now
    from pipemetal.files.rack_file import read_readings
    from pipemetal.plans.anew import with_measured

    return with_measured(plan, now, read_readings(path), sheets.trim_mm, sheets.most_planing_mm)


def _write(made: Anew, out: Path | None, *, with_rack: bool) -> None:
    if out is None:
        return
    from pipemetal.files.outbox import write as write_file
    from pipemetal.files.rack_out import rack_files
    from pipemetal.plans.codec import write

    out.mkdir(parents=True, exist_ok=True)
    write_file(out / "plan.json", write(made.plan))
    if with_rack:
        for name, text in rack_files(made.now.stock.rack).items():
            write_file(out / name, text)


def _tell(made: Anew, *, as_json: bool) -> None:
    from pipemetal.plans.differences import summary

    found = made.differences
    if as_json:
        print_json(
            {
                "alloys": list(made.alloys),
                "differences": [
                    {"kind": str(d.kind), "thing": d.thing, "alloy": d.alloy, "was": d.was, "now": d.now} for d in found
                ],
                "pots": [dataclasses.asdict(p) | {"suffices": p.suffices} for p in made.pots],
                "stops": [dataclasses.asdict(s) | {"words": list(s.words)} for s in made.stops],
                "cast_first": list(made.first),
                "why": list(made.why),
                "left_to_do": list(made.left),
                "unexplained": list(made.unexplained),
                "planing_mm": dict(made.now.planing_mm),
                "unserved": [u.blank for u in made.plan.unserved],
            }
        )
        return
    click.echo(summary(found))
    for sheet, planing_mm in made.now.planing_mm.items():
        click.echo(f"Plane {planing_mm:.2f} mm off {sheet}.")
    for d in found:
        click.echo(f"  {d.kind}  {d.words}")
    for pot in (p for p in made.pots if p.sheets or p.not_served):
        suffices = "it suffices" if pot.suffices else f"too little for {', '.join(pot.not_served)}"
        click.echo(f"In the pot: {pot.melt}, {pot.left_kg:.1f} kg, {pot.needed_kg:.1f} kg are needed: {suffices}.")
    for words in made.unexplained:
        click.echo(words)
    for stop in made.stops:
        head, *more = stop.words
        click.echo(head)
        for words in (*more, *(c.words for c in stop.check)):
            click.echo(f"  {words}")
    if made.first:
        click.echo(f"Cast first: {', '.join(made.first)}.")
    for words in (*made.why, *made.left):
        click.echo(f"  {words}")


def _take(shop: str, by: str | None, plan_id: str, made: Anew, *, quiet: bool) -> None:
    from pipemetal.shop.book import Book

    with Book.open(shop, who=by) as book:
        event, _ = book.plans.take(plan_id, made.plan)
    if not quiet:
        click.echo(f"Taken: event {event}.")
