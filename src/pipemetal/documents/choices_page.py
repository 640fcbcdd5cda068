"""Plans to choose from, side by side: cards that the pages share, and a page that opens without a server."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipemetal.documents.plan_pages import environment, safe_name
from pipemetal.documents.shown import units_of
from pipemetal.documents.svg import to_svg
from pipemetal.documents.waste_picture import small_waste_picture, waste_legend
from pipemetal.layout.waste import SheetWaste
from pipemetal.planning.choice_lines import lines_of
from pipemetal.planning.choices import Choice
from pipemetal.planning.settings import ShopSettings
from pipemetal.texts import Text
from pipemetal.words import Words

__all__ = ["Card", "CardLine", "cards_of", "choices_page"]


@dataclass(frozen=True)
class CardLine:
    """A figure of a plan: its name, what is shown, whether it is the best of all plans, its share of the largest, and from what
    it is."""

    name: Text
    shown: Text
    best: bool
    share: float
    told: Text


@dataclass(frozen=True)
class Card:
    """A plan beside others: the wish that it meets, the other wishes that the very same plan meets, its picture and its lines."""

    wish: str
    folder: str
    same_as: tuple[str, ...]
    picture: Markup
    lines: tuple[CardLine, ...]


def cards_of(
    choices: Sequence[Choice], waste: Mapping[str, Sequence[SheetWaste]], settings: ShopSettings, say: Words
) -> tuple[Card, ...]:
    """The cards of some plans; `waste` of each by the wish whose search found it, `settings` those that priced them."""
    lines = lines_of(choices, settings)
    return tuple(
        Card(
            choice.name,
            safe_name(choice.name),
            tuple(c.name for c in choices if c.found_by == choice.found_by and c is not choice),
            # to_svg escapes every text and attribute itself
            Markup(to_svg(small_waste_picture(waste[choice.found_by], say))),
            tuple(CardLine(x.name, x.shown[k], x.best[k], x.shares[k], x.told[k]) for x in lines),
        )
        for k, choice in enumerate(choices)
    )


def choices_page(
    organ: str, choices: Sequence[Choice], waste: Mapping[str, Sequence[SheetWaste]], settings: ShopSettings
) -> str:
    """The page in the shop's language and units; each plan is led to in its folder."""
    say, units = Words(settings.language), units_of(settings)
    page = environment(units, say).get_template("choices.html")
    return page.render(
        organ=organ,
        cards=cards_of(choices, waste, settings, say),
        legend=waste_legend(),
        read=lambda text: say.read(text, units),
    )
