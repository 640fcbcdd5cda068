"""The front door for people who write Python: a shop read from a folder or a book, plans made of it, sheets and melts worked out.

Everything here is promised (docs/python.md) and is reached as `import pipemetal as pm`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.liquidus import liquidus as liquidus_of
from pipemetal.alloys.properties import solid_density_g_cm3
from pipemetal.alloys.recipe import Recipe
from pipemetal.casting.log import LoggedCast
from pipemetal.casting.model import Sled
from pipemetal.casting.push import PushCard
from pipemetal.casting.push import push_card as card_of
from pipemetal.casting.wanted import Outfit, Wanted
from pipemetal.errors import PlanError, SoundError
from pipemetal.given import given
from pipemetal.layout.solve import solve
from pipemetal.layout.verify import verify
from pipemetal.melts.charge import Charge
from pipemetal.melts.lots import Lot
from pipemetal.melts.mend import Blocked
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ
from pipemetal.planning.blanks import organ_for_shop
from pipemetal.planning.learning import learn
from pipemetal.planning.one_melt import MeltAsked
from pipemetal.planning.one_melt import weigh_out as weighed_out
from pipemetal.planning.plan import Search
from pipemetal.planning.plan import make_plan as planned
from pipemetal.planning.settings import ShopSettings
from pipemetal.planning.stock import Stock
from pipemetal.plans.anew import Anew, ShopNow, with_measured
from pipemetal.plans.anew import plan_anew as planned_anew
from pipemetal.plans.anew_day import check_pots
from pipemetal.plans.codec import read, write
from pipemetal.plans.making import plan_record
from pipemetal.plans.record import Plan
from pipemetal.restoration.make import ToMake
from pipemetal.restoration.make import to_make as made_for
from pipemetal.restoration.record import Restoration
from pipemetal.restoration.says import Said
from pipemetal.restoration.says import says as said_by
from pipemetal.sheets.readings import Reading
from pipemetal.sound.measure import Measured
from pipemetal.sound.measure import measure as measured_of

__all__ = [
    "Shop",
    "check_layout",
    "hear",
    "lay_out",
    "liquidus",
    "make_old_rank",
    "make_pipes",
    "make_plan",
    "plan_anew",
    "push_card",
    "read_organ",
    "read_plan",
    "read_restoration",
    "read_shop",
    "say_old_rank",
    "weigh_out",
    "write_plan",
]


@given
@dataclass(frozen=True, eq=False)
class Shop:
    """A shop: its metal, its settings, and the casts that it logged."""

    stock: Stock
    settings: ShopSettings = field(default_factory=ShopSettings)
    casts: tuple[LoggedCast, ...] = ()

    @property
    def recipes(self) -> Mapping[str, Recipe]:
        """The shop's alloys by name."""
        return self.stock.recipes

    @property
    def lots(self) -> tuple[Lot, ...]:
        """Metal that can be charged."""
        return self.stock.lots


@given
def read_shop(place: str | Path) -> Shop:
    """A shop from a folder of its files (recipes.toml, and where they are there rack.csv, readings.csv, lots.csv, log.csv,
    shop.toml), or from a shop book (a SQLite file, or a PostgreSQL database by its URL).

    Errors: FileFormatError, BookError that name file and row.

    >>> from pipemetal.files.demo_files import packaged_file
    >>> shop = read_shop(packaged_file("rack.csv").parent)
    >>> "spotted-50" in shop.recipes, len(shop.stock.rack) > 30, len(shop.casts)
    (True, True, 30)
    """
    folder = Path(place)
    if "://" in str(place) or folder.is_file():
        return _shop_of_book(str(place))
    from pipemetal.files.log_file import read_log
    from pipemetal.files.lots_file import read_lots
    from pipemetal.files.rack_file import told_of_aside, usable_rack
    from pipemetal.files.recipe_file import read_recipes
    from pipemetal.files.shop_file import read_shop as read_settings

    recipes = read_recipes(folder / "recipes.toml")
    rack, aside = usable_rack(folder / "rack.csv", recipes) if (folder / "rack.csv").exists() else ((), {})
    lots, unknown = read_lots(folder / "lots.csv", recipes) if (folder / "lots.csv").exists() else ((), ())
    settings = read_settings(folder / "shop.toml") if (folder / "shop.toml").exists() else ShopSettings()
    casts = read_log(folder / "log.csv") if (folder / "log.csv").exists() else ()
    return Shop(Stock(recipes, tuple(rack), tuple(lots), tuple(unknown), told_of_aside(aside)), settings, tuple(casts))


def _shop_of_book(target: str) -> Shop:
    from pipemetal.shop.book import Book
    from pipemetal.shop.stock import book_stock, settings_of_book

    with Book.open(target) as book:
        stock, casts = book_stock(book), tuple(book.casts.log())
    return Shop(stock, settings_of_book(target).settings, casts)


@given
def read_organ(path: str | Path, shop: Shop | None = None) -> Organ:
    """The ranks of an organ file; with a shop, its alloys must be recipes of that shop. Errors: FileFormatError, PipeError.

    >>> from pipemetal.files.demo_files import packaged_file
    >>> read_organ(packaged_file("organ.toml")).name
    'Merrowby Chapel'
    """
    from pipemetal.files.organ_file import read_organ as read_file

    return read_file(Path(path), shop.recipes if shop is not None else None)


@given
def make_pipes(organ: Organ, shop: Shop) -> tuple[Pipe, ...]:
    """Every pipe of an organ as this shop makes it: sizes in mm, walls, parts as flat blanks, masses in kg.

    >>> from pipemetal.files.demo_files import packaged_file
    >>> shop = read_shop(packaged_file("rack.csv").parent)
    >>> pipes = make_pipes(read_organ(packaged_file("organ.toml"), shop), shop)
    >>> len(pipes), pipes[0].note
    (904, 'C')
    """
    density = {name: solid_density_g_cm3(recipe.target) for name, recipe in shop.recipes.items()}
    return organ_pipes(organ_for_shop(organ, shop.settings), lambda alloy: density[alloy])


@given
def make_plan(
    organ: Organ,
    shop: Shop,
    *,
    seconds: float | None = 30.0,
    iterations: int | None = None,
    seed: int = 0,
    progress: Callable[[float, str], None] | None = None,
) -> Plan:
    """The main job: pipes, blanks, rolls to take down, sheets to cast, melts, pours and the metal account, as one record.

    The search takes `seconds`; with `iterations` instead the same seed gives the same plan on any machine. Errors: PlanError and
    those of the rooms.

    >>> from dataclasses import replace
    >>> from pipemetal.files.demo_files import packaged_file
    >>> shop = read_shop(packaged_file("rack.csv").parent)
    >>> organ = read_organ(packaged_file("organ.toml"), shop)
    >>> octave = replace(organ, ranks=tuple(r for r in organ.ranks if r.name == "Fifteenth 2"))
    >>> plan = make_plan(octave, shop, iterations=20)
    >>> plan.pipes_served, plan.faults
    (56, ())
    """
    if seconds is None and iterations is None:
        raise PlanError("are both left out", field="seconds and iterations", allowed="one of the two")
    search = Search(None if iterations is not None else seconds, iterations, seed, progress)
    return plan_record(planned(organ, shop.stock, shop.settings, learned=learn(shop.casts), search=search))


@given
def read_plan(path: str | Path) -> Plan:
    """A plan.json of today's format or an older one. Errors: FileFormatError with list, entry and field."""
    from pipemetal.files.plan_file import read_plan_file

    return read_plan_file(Path(path))


@given
def write_plan(plan: Plan, path: str | Path) -> None:
    """Write a plan.json whole, every number in full. Errors: FileFormatError for a place that must not be written over.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_plan(Plan("Chapel"), Path(folder) / "plan.json")
    ...     read_plan(Path(folder) / "plan.json") == Plan("Chapel")
    True
    """
    from pipemetal.files.outbox import write as write_file

    text = write(plan)
    assert read(text) == plan
    write_file(Path(path), text)


@given
def weigh_out(shop: Shop, recipe: str, wanted_kg: float, lots: Sequence[Lot] | None = None) -> Charge | Blocked:
    """What to weigh for a melt of a recipe from the shop's lots (or those given), into an empty pot; or why there is none.

    Errors: PlanError for an alloy that is no recipe; MeltError.

    >>> from pipemetal.files.demo_files import packaged_file
    >>> shop = read_shop(packaged_file("rack.csv").parent)
    >>> charge = weigh_out(shop, "spotted-50", 200.0)
    >>> 190.0 < charge.mass_kg < 230.0
    True
    """
    if recipe not in shop.recipes:
        raise PlanError("is not a recipe", field="recipe", value=recipe, allowed=", ".join(shop.recipes))
    asked = MeltAsked("melt", shop.recipes[recipe], wanted_kg)
    return weighed_out(asked, shop.lots if lots is None else lots, shop.settings).charge


@given
def hear(recording: Path | str, expected_hz: float | None = None) -> Measured:
    """The pitch of the one steady pipe in a recording, with its 95 % interval ([how](ear.md)).

    `expected_hz` is about what it should sound, within 250 cents; it settles the octave.
    Errors: SoundError, whose `code` says in one word why it is refused.
    """
    from pipemetal.files.sound_file import read_recording

    if expected_hz is not None and not 15.0 <= expected_hz <= 12_000.0:
        raise SoundError("is out of range", field="expected_hz", value=expected_hz, limits=(15.0, 12_000.0, "Hz"))
    return measured_of(read_recording(Path(recording)), expected_hz)


@given
def read_restoration(path: str | Path) -> Restoration:
    """The record of an old rank: a TOML file, and the table of its pipes beside it ([how](restoration.md)).

    Errors: FileFormatError, PipeError, UnitError with file, row and key.
    """
    from pipemetal.files.restoration_file import read_restoration as read_file

    return read_file(Path(path))


@given
def say_old_rank(old: Restoration) -> Said:
    """What the measures of an old rank say: scale, laws, construction, pitch in Hz, temperaments as a set, what does not belong.

    Errors: PipeError for a record that holds no measure.

    >>> from fractions import Fraction
    >>> from pipemetal.pipes.old import OldPipe
    >>> from pipemetal.restoration.record import FoundPipe
    >>> pipes = tuple(FoundPipe(OldPipe(k, "", 90.0 / 2 ** (k / 16), length_mm=1200.0 / 2 ** (k / 12))) for k in range(0, 24, 2))
    >>> said = say_old_rank(Restoration("Chapel", "Octave", Fraction(4), 0, 23, pipes))
    >>> said.construction, round(said.scale.halving_pipe.value, 1)
    ('open', 17.0)
    """
    return said_by(old)


@given
def make_old_rank(said: Said) -> ToMake:
    """The missing pipes of an old rank, sizes in mm with limits of 95 % and where they come from.

    Errors: PipeError where no pipe is missing, or fewer than five diameters are known.
    """
    return made_for(said)


@given
def push_card(
    shop: Shop,
    metal: Composition,
    pour_temperature_c: float,
    size_mm: tuple[float, float],
    thickness_mm: tuple[float, float],
    sled_mm: tuple[float, float] = (250.0, 760.0),
) -> PushCard:
    """How to push a sheet so that it tapers as wanted, by the law that the shop's own log teaches.

    `size_mm`: length and width; `thickness_mm`: at its start and at its end; `sled_mm`: inner length and width.
    Errors: CastingError.

    >>> shop = Shop(Stock({}))
    >>> card = push_card(shop, Composition.parse("Sn 50 Pb bal"), 195.0, (4500.0, 760.0), (2.0, 1.5))
    >>> card.scoops, card.marks[-1].speed_m_s > card.marks[0].speed_m_s
    (6, True)
    """
    want = Wanted(metal, pour_temperature_c, *size_mm, *thickness_mm)
    return card_of(want, Outfit(Sled(*sled_mm)), learn(shop.casts).law)


@given
def plan_anew(
    plan: Plan,
    shop: Shop,
    measured: Mapping[str, Sequence[Reading]],
    *,
    cut: Sequence[str] = (),
    poured: Sequence[str] = (),
    failed: Sequence[str] = (),
    in_pots: Mapping[str, float] | None = None,
    effort: float = 1.0,
) -> Anew:
    """The rest of a plan planned anew after sheets were measured: `.plan` is the new one, `.differences` tells was and is.

    `measured`: readings of sheets of the plan as cast, by the sheet; `cut`, `poured`, `failed`: sheets that are cut, that are
    cast and not measured, whose cast came to nothing; `in_pots`: charged melts and what is left of each, kg. `shop`: the rest
    of the rack, the lots and the log as they are now. `effort`: how many moves the search makes, as a share of the usual number.
    Errors: PlanError for a sheet that the plan does not cast; SheetError.

    >>> from dataclasses import replace
    >>> from pipemetal.files.demo_files import packaged_file
    >>> from pipemetal.sheets.readings import Reading
    >>> shop = replace(read_shop(packaged_file("rack.csv").parent), casts=())
    >>> organ = read_organ(packaged_file("organ.toml"), shop)
    >>> octave = replace(organ, ranks=tuple(r for r in organ.ranks if r.name == "Fifteenth 2"))
    >>> bare = replace(shop, stock=replace(shop.stock, rack=()))
    >>> plan = make_plan(octave, bare, iterations=20)
    >>> sheet = plan.new_sheets[0]
    >>> places = [(x * sheet.length_mm, y * sheet.width_mm) for x in (0.02, 0.5, 0.98) for y in (0.1, 0.9)]
    >>> thin = 0.9 * sheet.cast_end_mm
    >>> anew = plan_anew(plan, bare, {sheet.id: [Reading(x, y, thin) for x, y in places]}, effort=0.1)
    >>> anew.plan.unserved, sheet.id in [s.id for s in anew.plan.new_sheets]
    ((), False)
    """
    check_pots(plan, in_pots or {}, shop.settings)
    now = ShopNow(shop.stock, frozenset(cut), frozenset(poured), {}, frozenset(failed), in_pots or {})
    sheets = shop.settings.sheets
    now = with_measured(plan, now, measured, sheets.trim_mm, sheets.most_planing_mm)
    return planned_anew(plan, now, shop.settings, learn(shop.casts), effort=effort)


liquidus = given(liquidus_of)
lay_out = given(solve)
check_layout = given(verify)
