"""What finished pipes taught of lengths: learned from the book's pipes whose length was measured, kept as settings."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from pipemetal.errors import BookError, InputError
from pipemetal.shop.heard import HeardRow
from pipemetal.web.organs import organ_in_book
from pipemetal.web.setting_groups import BY_KEY
from pipemetal.web.show import Show
from pipemetal.web.site import Site

if TYPE_CHECKING:
    from pipemetal.planning.learned_lengths import LengthSettings
    from pipemetal.sound.learn import Learned
    from pipemetal.sound.trimmed import Trimmed

__all__ = ["LengthsView", "keep_lengths", "lengths_view"]

DECIMALS = 5
"""Of what is kept."""


@dataclass(frozen=True)
class LengthsView:
    """What the pipes taught; None where they are too few. `in_use` is what the settings say now, `kept` whether they say this."""

    pipes: int
    learned: Learned | None
    in_use: LengthSettings
    kept: bool

    @staticmethod
    def name(show: Show, parameter: str) -> str:
        """What the settings call a parameter, in a person's language."""
        return BY_KEY[f"lengths.{parameter}"].name(show)

    def used(self, parameter: str) -> float:
        """What the settings say of a parameter."""
        return float(getattr(self.in_use, parameter))


def lengths_view(site: Site) -> LengthsView:
    """What the book's pipes taught, and what the settings say."""
    from pipemetal.sound.learn import learn_lengths

    held = _trimmed(site)
    learned = None
    if held:
        try:
            learned = site.kept("lengths learned", lambda: learn_lengths(held))
        except InputError:  # too few
            learned = None
    in_use = site.settings.lengths
    kept = learned is not None and _rounded(asdict(learned.lengths)) == _rounded(asdict(in_use))
    return LengthsView(len(held), learned, in_use, kept)


def keep_lengths(site: Site) -> int:
    """Keep what was learned as settings; the event. Errors: BookError where the pipes are too few, or nothing would change."""
    learned = lengths_view(site).learned
    if learned is None:
        raise BookError("are too few to learn from", field="pipes", allowed="5 and more")
    changes = {f"lengths.{k}": value or None for k, value in _rounded(asdict(learned.lengths)).items()}
    return site.book.settings.change(changes, base=site.in_effect().said).event


def _rounded(values: dict[str, float]) -> dict[str, float]:
    return {name: round(value, DECIMALS) for name, value in values.items()}


def _trimmed(site: Site) -> list[Trimmed]:
    return site.kept("pipes trimmed", lambda: [t for row in site.book.heard.with_length() if (t := _one(site, row))])


def _one(site: Site, row: HeardRow) -> Trimmed | None:
    """A pipe with its length; None where its organ can no longer be read, or has it no more."""
    from pipemetal.pipes.make import rank_pipes
    from pipemetal.sound.trimmed import trimmed_of

    density = site.densities()
    try:
        organ = organ_in_book(site, row.organ)
        rank = next((r for r in organ.ranks if r.name == row.rank), None)
        if rank is None or row.length_mm is None:
            return None
        key = f"heard pipes {row.organ} {rank.name}"
        pipes = site.kept(
            key, lambda: {p.key: p for p in rank_pipes(organ, rank, lambda a: density[a]) if p.choir == 1}
        )
    except InputError:
        return None
    pipe = pipes.get(row.pitch_key)
    return trimmed_of(organ, pipe, row.length_mm, row.hertz, row.air_c) if pipe is not None else None
