"""One rank of the organ file. Documented in docs/organ-file.md."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Final

from pipemetal.alloys.recipe import Recipe
from pipemetal.errors import InputError, near
from pipemetal.files.measured_file import read_measured
from pipemetal.files.scale_tables import note_pairs, read_scale
from pipemetal.files.toml_table import TomlTable, texts_of
from pipemetal.files.wall_tables import read_rank_wall
from pipemetal.pipes.caps import CAP_KINDS, Cap
from pipemetal.pipes.fronts import LIPS_MADE, Lining, Lips
from pipemetal.pipes.materials import BOUGHT_METALS
from pipemetal.pipes.mouth import LIPS
from pipemetal.pipes.notes import parse_compass, parse_note
from pipemetal.pipes.old import OldPipe
from pipemetal.pipes.profile import Step
from pipemetal.pipes.ranges import MADE, NEW_PARTS, NoteRange
from pipemetal.pipes.rank import CLOSED, CONSTRUCTIONS, TUNINGS, Break, Chimney, Rank
from pipemetal.pipes.reeds import LENGTHS, SHAPES, Boot, Resonator, length_share
from pipemetal.pipes.walls import DEFAULT_WALL, WallRule
from pipemetal.texts import Text

__all__ = ["Around", "read_rank"]

FLUE_KEYS: Final = (
    "mouth",
    "cut_up",
    "lip",
    "arch",
    "flue",
    "toe_bore",
    "foot_length",
    "foot_factor",
    "languid_factor",
    "toe_diameter",
    "ears",
    "languid_alloy",
    "lips",
    "foot_lining",
)
"""Keys of a rank that say something of a mouth or a flue pipe's foot, without their unit."""


@dataclass(frozen=True)
class Around:
    """What a rank needs of the file around it: how notes are named, wall rules, recipes, and the file's folder;
    None for a text that no file lies beside."""

    naming: str
    walls: Mapping[str, WallRule]
    recipes: Mapping[str, Recipe] | None
    folder: Path | None


def _at(table: TomlTable, error: InputError) -> InputError:
    return error if error.where.startswith(table.where) else error.at(table.where)


def _compass(table: TomlTable, naming: str) -> tuple[int, int]:
    text, notes = table.text("compass", None), table.whole("notes", 1, 97, None)
    if text is None:
        if notes is None:
            table.refuse_slip("compass")
            raise table.error("is missing", "compass", example='"C-g3", or notes = 56 counted from great C')
        return 0, notes - 1
    if "-" not in text.replace("–", "-"):
        raise table.error("is not a compass, first note to last", "compass", text, example="C-g3, or notes = 56")
    try:
        keys = parse_compass(text, naming=naming)
    except InputError as error:
        raise _at(table, error) from None
    if notes is not None and notes != keys[1] - keys[0] + 1:
        raise table.error(
            Text("does not agree with the compass, which has {value}", value=keys[1] - keys[0] + 1), "notes", notes
        )
    return keys


def read_rank(table: TomlTable, around: Around) -> Rank:
    """A rank of the organ file.

    Errors: FileFormatError, PipeError, UnitError with file, table and key.
    """
    try:
        rank = _rank(table, around)
    except InputError as error:
        if not error.where:  # what the rank lacks may stand there under another name
            table.refuse_slip(error.field)
        raise _at(table, error) from None
    table.finish()
    return rank


def _rank(table: TomlTable, around: Around) -> Rank:
    name = table.text("name")
    first, last = _compass(table, around.naming)
    given = table.raw("footage")
    footage = table.footage("footage", given) if given is not None else None
    construction = table.text("construction", "open", CONSTRUCTIONS)
    reed = construction == "resonator"
    usual = "cap" if construction in CLOSED else "none" if reed else "cone"
    tuning = table.text("tuning", usual, TUNINGS)
    if (tuning == "cap") != (construction in CLOSED) and tuning != "none":
        allowed = "cap or none" if construction in CLOSED else "cone, slide, slot or none"
        raise table.error(
            Text("does not go with construction {construction}", construction=construction), "tuning", tuning, allowed
        )
    if reed:
        _refuse_flue_keys(table)
    wall = read_rank_wall(table, around.walls)
    return Rank(
        name=name,
        division=table.text("division"),
        alloy=_known_alloy(table, "alloy", table.text("alloy"), around),
        footage=footage,
        first_key=first,
        last_key=last,
        construction=construction,
        scale=read_scale(table, first, around.naming),
        wall=wall if wall is not None else DEFAULT_WALL,
        breaks=tuple(_break(item, around.naming) for item in table.tables("break")),
        mouth_fraction=table.ratio("mouth", 0.1, 0.45, 0.25),
        cut_up_fraction=table.ratio("cut_up", 0.1, 0.8, 0.25),
        lip=table.text("lip", "flat", LIPS),
        arch=table.ratio("arch", 0.0, 0.5, 0.0),
        flue_mm=table.length_mm("flue", 0.05, 5.0, None),
        toe_bore_mm=table.length_mm("toe_bore", 1.0, 80.0, None),
        foot_length_mm=table.length_mm("foot_length", 40.0, 2500.0, None),
        foot_factor=table.number("foot_factor", 0.5, 3.0, 1.15),
        languid_factor=table.number("languid_factor", 0.3, 3.0, 1.0),
        toe_diameter_mm=table.length_mm("toe_diameter", 4.0, 150.0, None),
        top_ratio=table.ratio("top", 0.15, 2.5, 1.0),
        chimney=_chimney(table),
        hole_ratio=table.ratio("hole", 0.05, 0.9, None),
        steps=_steps(table),
        resonator=_resonator(table),
        tuning=tuning,
        pure_mutations=table.flag("pure", True),
        ears=table.flag("ears", None),
        languid_alloy=_alloy(table, "languid_alloy", around),
        ranges=tuple(_range(item, around, name, footage) for item in table.tables("range")),
        front=_by_note(table, "front_mm", around.naming),
        bodies=_by_note(table, "bodies_mm", around.naming),
        wind_mm_water=table.length_mm("wind", 10.0, 1500.0, None),
        cap=_cap(table, tuning, closed=construction in CLOSED),
        lips=_lips(table),
        foot_lining=_lining(table, around),
        burnish_mm=table.length_mm("burnish", 0.0, 0.5, 0.0),
    )


def _refuse_flue_keys(table: TomlTable) -> None:
    """A reed has no mouth, languid or flue foot: what is said of them would do nothing."""
    for key in table.data:
        if key.removesuffix("_mm").removesuffix("_in") in FLUE_KEYS:
            raise table.error("goes with flue pipes, a reed has none", key, allowed="leave it out; a reed has its boot")


def _alloy(table: TomlTable, key: str, around: Around, *, bought: bool = False) -> str | None:
    alloy = table.text(key, None)
    return None if alloy is None else _known_alloy(table, key, alloy, around, bought=bought)


def _known_alloy(table: TomlTable, key: str, alloy: str, around: Around, *, bought: bool = False) -> str:
    if around.recipes is None or alloy in around.recipes or (bought and alloy in BOUGHT_METALS):
        return alloy
    if alloy in BOUGHT_METALS:
        raise table.error(
            "is bought as flat sheet, not cast",
            key,
            alloy,
            'a recipe here, and [[rank.range]] made = "sheet" for the notes of zinc or copper',
        )
    names = ", ".join([*around.recipes, *(BOUGHT_METALS if bought else ())])
    raise table.error("is not a recipe of this shop", key, alloy, names, near(alloy, names.split(", ")))


def _chimney(table: TomlTable) -> Chimney | None:
    inner: TomlTable | None = table.table("chimney", None)
    if inner is None:
        return None
    chimney = Chimney(inner.ratio("diameter", 0.05, 0.9, 0.25), inner.number("length_diameters", 0.05, 6.0, 1.571))
    inner.finish()
    return chimney


def _refuse_idle_cap(table: TomlTable, inner: TomlTable, tuning: str) -> None:
    """A cap that is soldered on does not travel: what is said of its travel would do nothing."""
    soldered = inner.data.get("kind") == "soldered"
    if soldered and "tuning" in table and tuning == "cap":
        raise table.error("does not go with a soldered cap", "tuning", tuning, 'none, or kind = "outer"')
    for key in inner.data:
        if key != "kind" and (soldered or tuning == "none"):
            raise inner.error("goes with a cap that is tuned, and this one is soldered on", key, allowed="leave it out")
    if tuning == "none" and not soldered and "kind" in inner:
        raise inner.error("is not tuned with tuning none", "kind", inner.data["kind"], "soldered, or tuning = cap")


def _cap(table: TomlTable, tuning: str, *, closed: bool) -> Cap:
    inner: TomlTable | None = table.table("cap", None)
    if inner is None:
        return Cap()
    if not closed:
        raise table.error("goes with stopped, chimneyed and half-covered ranks", "cap")
    _refuse_idle_cap(table, inner, tuning)
    if ("travel_mm" in inner or "travel" in inner) and "travel_cents" in inner:
        raise inner.error("goes without a travel in mm: one of the two", "travel_cents")
    usual = Cap()
    made = Cap(
        kind=inner.text("kind", usual.kind, CAP_KINDS),
        travel_mm=inner.length_mm("travel", 0.0, 600.0, None),
        travel_cents=inner.number("travel_cents", 0.0, 400.0, usual.travel_cents),
        least_mm=inner.length_mm("least", 0.0, 200.0, None),
        rim_mm=inner.length_mm("rim", 3.0, 1500.0, None),
        packing_mm=inner.length_mm("packing", 0.0, 6.0, usual.packing_mm),
        hold=inner.number("hold", 0.0, 2.0, usual.hold),
        hold_least_mm=inner.length_mm("hold_least", 0.0, 200.0, usual.hold_least_mm),
    )
    inner.finish()
    return made


def _resonator(table: TomlTable) -> Resonator | None:
    inner: TomlTable | None = table.table("resonator", None)
    if inner is None:
        return None
    tip = inner.length_mm("tip", 2.0, 80.0)
    shape = inner.text("shape", "conical", SHAPES)
    named = isinstance(inner.data.get("length"), str) and inner.data["length"] in LENGTHS
    made = Resonator(
        length_share(inner.text("length"), shape) if named else inner.ratio("length", 0.05, 2.0),
        tip,
        inner.length_mm("tip_last", 2.0, 80.0, tip),
        inner.whole("sections", 1, 6, 1),
        shape,
        inner.number("neck", 0.2, 5.0, 1.0),
        inner.ratio("hood", 0.3, 0.95, None),
        _boot(inner),
        inner.length_mm("sleeve", 0.0, 200.0, 0.0),
    )
    inner.finish()
    return made


def _boot(table: TomlTable) -> Boot | None:
    inner: TomlTable | None = table.table("boot", None)
    if inner is None:
        return None
    diameter = inner.length_mm("diameter", 10.0, 200.0)
    made = Boot(
        inner.length_mm("length", 40.0, 1500.0),
        diameter,
        inner.length_mm("diameter_last", 10.0, 200.0, diameter),
        inner.length_mm("toe", 4.0, 150.0, 12.0),
        inner.ratio("cone", 0.1, 0.9, 0.4),
        inner.length_mm("wall", 0.3, 5.0, 1.0),
    )
    inner.finish()
    return made


def _lips(table: TomlTable) -> Lips:
    inner: TomlTable | None = table.table("lips", None)
    if inner is None:
        return Lips()
    usual = Lips()
    made = Lips(
        inner.text("made", usual.made, LIPS_MADE),
        inner.number("upper", 0.2, 4.0, usual.upper),
        inner.number("lower", 0.2, 4.0, usual.lower),
        inner.length_mm("sheet", 0.2, 5.0, None),
    )
    inner.finish()
    return made


def _lining(table: TomlTable, around: Around) -> Lining | None:
    inner: TomlTable | None = table.table("foot_lining", None)
    if inner is None:
        return None
    usual = Lining()
    made = Lining(
        inner.ratio("share", 0.1, 1.0, usual.share),
        inner.length_mm("sheet", 0.2, 3.0, usual.sheet_mm),
        _alloy(inner, "alloy", around, bought=True),
    )
    inner.finish()
    return made


def _steps(table: TomlTable) -> tuple[Step, ...]:
    steps = []
    for item in table.array("steps", []):
        match item:
            case [int() | float() as share, int() | float() as below, int() | float() as above] if not any(
                isinstance(v, bool) for v in item
            ):
                steps.append(Step(float(share), float(below), float(above)))
            case _:
                raise table.error(
                    "is not a list of steps", "steps", item, "[[0.6, 1.0, 1.0], [0.4, 1.0, 0.5]]: share, below, above"
                )
    return tuple(steps)


def _by_note(table: TomlTable, name: str, naming: str) -> tuple[tuple[int, float], ...]:
    value = table.raw(name)
    if value is None:
        return ()
    return tuple((parse_note(note, field=name, naming=naming), size) for note, size in note_pairs(table, name, value))


def _break(table: TomlTable, naming: str) -> Break:
    key = parse_note(table.text("from"), field="from", naming=naming)
    choirs = tuple(table.footage("choirs", item) for item in table.array("choirs"))
    table.finish()
    return Break(key, choirs)


def _range(table: TomlTable, around: Around, rank_name: str, footage: Fraction | None) -> NoteRange:
    made = table.text("made", choices=MADE)
    try:
        first, last = parse_compass(table.text("notes"), field="notes", naming=around.naming)
        found = NoteRange(
            first,
            last,
            made,
            alloy=_alloy(table, "alloy", around, bought=made == "sheet"),
            wall=read_rank_wall(table, around.walls, None),
            sheet_mm=table.length_mm("sheet", 0.2, 8.0, None),
            languid_alloy=_alloy(table, "languid_alloy", around),
            lender=table.text("lender", None),
            old=_old(table, around, rank_name, footage),
            new_parts=_new_parts(table),
        )
    except InputError as error:
        raise _at(table, error) from None
    table.finish()
    return found


def _new_parts(table: TomlTable) -> tuple[str, ...]:
    parts = texts_of(table.array("new_parts", []))
    if parts is None:
        raise table.error("holds something that is not a part", "new_parts", allowed=", ".join(NEW_PARTS))
    return parts


def _old(table: TomlTable, around: Around, rank_name: str, footage: Fraction | None) -> tuple[OldPipe, ...]:
    name = table.text("measured", None)
    if name is None:
        return ()
    if around.folder is None:
        problem = "names a file, and an organ that the book keeps has none beside it"
        raise table.error(problem, "measured", name, "planning from the organ file, with that table beside it")
    ranks = read_measured(around.folder / name, naming=around.naming, footage=footage, rank_name=rank_name)
    chosen = [r for r in ranks if r.name == rank_name] or (list(ranks) if len(ranks) == 1 else [])
    if not chosen:
        raise table.error(
            Text("holds no rank {rank_name}", rank_name=repr(rank_name)),
            "measured",
            name,
            Text("a file with this rank; it has {names}", names=", ".join(r.name for r in ranks)),
        )
    if chosen[0].footage != footage:
        raise table.error("was measured at another footage", "measured", name, "the footage of this rank")
    return chosen[0].pipes
