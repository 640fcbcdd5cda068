"""Cards and pictures that the casting commands write, and the options that ask for them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.alloys.composition import Composition
from pipemetal.cli.common import out_option

if TYPE_CHECKING:
    from pipemetal.casting.push import PushCard
    from pipemetal.casting.window import PourWindow
    from pipemetal.documents.drawing import Drawing
    from pipemetal.planning.learning import Learned
    from pipemetal.planning.pours import Pour

__all__ = [
    "cards_option",
    "cast_picture",
    "clock_text",
    "cloth_words",
    "day_drawings",
    "freeze_drawings",
    "learned_drawing",
    "pairs_of",
    "pictures_option",
    "push_drawings",
    "write_drawings",
]

cards_option = out_option(
    "--cards",
    metavar="DIR",
    help="Write cards for the wall as SVG: A4, letters read at three metres.",
)


def pictures_option(help_text: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """--pictures DIR."""
    return out_option("--pictures", "folder", metavar="DIR", help=help_text)


def pairs_of(texts: Sequence[str], option: str, allowed: str) -> list[tuple[float, float]]:
    """Pairs of numbers given as first:second; a usage error names the one that is none."""
    pairs = []
    for text in texts:
        first, colon, second = text.partition(":")
        try:
            if not colon:
                raise ValueError
            pairs.append((float(first), float(second)))
        except ValueError:
            raise click.UsageError(f"{option}: {text!r} is no pair; allowed: {allowed}") from None
    return pairs


def write_drawings(folder: Path, drawings: dict[str, Drawing]) -> None:
    """Write drawings into a folder, made if it is not there."""
    from pipemetal.documents.svg import to_svg
    from pipemetal.files.outbox import write_all

    for path in write_all(folder, {f"{name}.svg": to_svg(drawing) for name, drawing in drawings.items()}):
        click.echo(f"Written: {path}", err=True)


def push_drawings(cards: Path | None, folder: Path | None, card: PushCard, window: PourWindow, job: Any) -> None:
    """The pour and beat cards of one push; its thickness as a picture."""
    from pipemetal.documents.casting_cards import beat_card, pour_card
    from pipemetal.documents.casting_pictures import thickness_picture

    both = {
        "card-pour": pour_card(card, window, job.name, table_c=job.table_c, measured=True),
        "card-beats": beat_card(card, job.name),
    }
    if cards is not None:
        write_drawings(cards, both)
    if folder is not None:
        title = f"{job.name}: thickness along the sheet"
        write_drawings(folder, {"thickness": thickness_picture(card.thickness, [], title, card.rests_on)})


def freeze_drawings(
    cards: Path | None,
    folder: Path | None,
    comp: Composition,
    thickness_mm: float,
    air_c: float,
    tables: Any,
    known: Learned,
) -> None:
    """The freezing card, the temperatures and the window over the day."""
    from pipemetal.casting.model import ThermalSettings
    from pipemetal.casting.window import pour_window
    from pipemetal.documents.casting_cards import freeze_card
    from pipemetal.documents.casting_pictures import freezing_picture, window_picture

    name = f"{comp.text()}, {thickness_mm:g} mm"
    if cards is not None:
        write_drawings(cards, {"card-freezing": freeze_card(tables, name, cloth_words(known))})
    if folder is None:
        return
    settings = ThermalSettings(cloth_factor=known.cloth_factor)
    windows = [
        pour_window(comp, thickness_mm, t.cloth_c, air_c, first_cast=i == 0, settings=settings, limits=known.limits)
        for i, t in enumerate(tables)
    ]
    write_drawings(
        folder,
        {
            "freezing": freezing_picture(tables[0].freezing, f"{name}: first sheet of the day", cloth_words(known)),
            "window": window_picture(
                windows, [t.stone_top_c for t in tables], f"{name}: pouring range through the day"
            ),
        },
    )


def cast_picture(folder: Path, cast_id: str, casts: Any, found: Any) -> None:
    """Thickness along a logged cast with its band and readings."""
    from pipemetal.casting.explain import expected_stations
    from pipemetal.documents.casting_pictures import thickness_picture

    stations = expected_stations(cast_id, casts, found)
    cast = next(c for c in casts if c.id == cast_id)
    readings = [(1e-3 * d, t) for d, t in cast.thickness_mm]
    rests_on = f"{found.casts_used} logged casts of this shop, this one among them if it was used"
    picture = thickness_picture(stations, readings, f"Cast {cast_id}: thickness", rests_on)
    write_drawings(folder, {f"thickness-{cast_id}": picture})


def learned_drawing(cards: Path, found: Any, cloth: Any, verdicts: Any) -> None:
    """What the log teaches, for the wall."""
    from pipemetal.documents.casting_cards import learned_card

    limits, moved = verdicts.limits, found.drift
    drifted = moved.low_percent > 0.0 or moved.high_percent < 0.0
    rows = (
        ("A NEW SHEET", f"within {found.predictive_half_width_percent:.0f} %"),
        ("DRIFT", f"now {moved.now_percent:+.0f} %" if drifted else "none to tell"),
        ("FILM RUNS", f"{limits.shortest_mobile_s:.0f} to {limits.longest_mobile_s:.0f} s"),
        ("CLOTH", f"{cloth.factor:.2f} times usual"),
    )
    rests_on = (
        f"{found.casts_used} casts used, {len(found.casts_left_out)} left out; cloth by {cloth.casts_used} casts, window by "
        f"{verdicts.verdicts_used} verdicts"
    )
    write_drawings(cards, {"card-learned": learned_card(rows, found.log_next, rests_on)})


def cloth_words(known: Learned) -> str:
    """How well the cloth is known.

    >>> from pipemetal.planning.learning import Learned
    >>> cloth_words(Learned())
    'its resistance is known to a factor of two until the log says more'
    """
    if known.cloth_factor == 1.0:
        return "its resistance is known to a factor of two until the log says more"
    return f"its resistance is {known.cloth_factor:.2f} of the estimate by the log"


def clock_text(start_minutes: float, seconds: float) -> str:
    """Time of day in hours and minutes.

    >>> clock_text(8 * 60, 5400)
    '09:30'
    """
    minutes = round(start_minutes + seconds / 60.0)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def day_drawings(
    cards: Path | None, folder: Path | None, pours: Sequence[Pour], learned_words: str, start_minutes: float
) -> None:
    """For every day the order card and the window; for every pour its card and beats."""
    from pipemetal.documents.casting_cards import ROWS_A_CARD, DayRow, beat_card, day_card, pour_card
    from pipemetal.documents.casting_pictures import thickness_picture, window_picture

    drawings: dict[str, Drawing] = {}
    pictures: dict[str, Drawing] = {}
    for number in sorted({p.day for p in pours}):
        todays = [p for p in pours if p.day == number]
        rows = []
        for p in todays:
            name, clock = p.order.sheet.id, clock_text(start_minutes, p.start_s)
            key = f"day{number}-{p.number:02d}"
            band = (
                "" if p.window is None or p.window.empty else f"{p.window.try_low_c:.0f}-{p.window.try_high_c:.0f} °C"
            )
            scoops = "" if p.card is None else f"{p.card.scoops} sc."
            rows.append(DayRow(p.number, clock, name, band, scoops, p.problem))
            if p.card is None or p.window is None:
                continue
            title = f"{p.number}  {clock}  {name} ({p.melt})"
            drawings[f"{key}-pour"] = pour_card(
                p.card, p.window, title, table_c=p.cloth_c, lift_after_s=p.lift_after_s, measured=p.measured
            )
            drawings[f"{key}-beats"] = beat_card(p.card, title)
            pictures[f"{key}-thickness"] = thickness_picture(
                p.card.thickness, [], f"{title}: thickness", p.card.rests_on
            )
        a_card = math.ceil(len(rows) / math.ceil(len(rows) / ROWS_A_CARD))
        pieces = range(0, len(rows), a_card)
        for part, first in enumerate(pieces, start=1):
            of = f", part {part} of {len(pieces)}" if len(pieces) > 1 else ""
            note = "Pour bands: readings of the tipping pot. Measure the cloth before each pour: it wins.\n"
            note += f"Learned: {learned_words}."
            drawings[f"day{number}-order-{part}"] = day_card(rows[first : first + a_card], f"Day {number}{of}", note)
        with_window = [(p.window, p.stone_c) for p in todays if p.window is not None]
        if with_window:
            pictures[f"day{number}-window"] = window_picture(
                [w for w, _ in with_window], [c for _, c in with_window], f"Day {number}: pour window, pour by pour"
            )
    if cards is not None:
        write_drawings(cards, drawings)
    if folder is not None:
        write_drawings(folder, pictures)
