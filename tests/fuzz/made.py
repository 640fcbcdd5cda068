"""Samples that hypothesis makes: of a kind's own words, and of anything at all."""

from __future__ import annotations

import json
import random
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mutations as m
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

ANY_TEXT = st.one_of(st.sampled_from(m.TEXTS), st.text(max_size=12))
ANY_NUMBER = st.one_of(st.integers(), st.floats(), st.sampled_from((10**400, -(10**30))))


def samples(form: str, number: int, sound: bytes, fire: Callable[[bytes], object], count: int) -> None:
    """Give `fire` so many samples; the same number, the same samples."""

    @seed(number)
    @settings(
        max_examples=max(count, 1),
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(_of(form, sound))
    def each(data: bytes) -> None:
        fire(data)

    each()


def _of(form: str, sound: bytes) -> st.SearchStrategy[bytes]:
    if form in ("toml", "json"):
        return _tree(form, m.tree_of(form, sound))
    if form == "csv":
        return _table(sound)
    if form == "xlsx":
        return _workbook()
    if form == "tdb":
        return _statements(sound)
    return _members(sound)


def _anything(words: list[str]) -> st.SearchStrategy[Any]:
    keys = st.sampled_from(words) if words else st.text(max_size=3)
    leaves = st.one_of(st.none(), st.booleans(), ANY_NUMBER, ANY_TEXT, keys)
    return st.recursive(
        leaves, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4), max_leaves=12
    )


def _tree(form: str, tree: Any) -> st.SearchStrategy[bytes]:
    """Anything under the kind's own keys, and the sound tree with anything grafted on."""
    words = sorted({key for _, key in m.places_in(tree) if isinstance(key, str)})
    top = st.dictionaries(st.sampled_from(sorted(tree)), _anything(words), max_size=6)

    @st.composite
    def grafted(draw: st.DrawFn) -> Any:
        values = draw(st.lists(_anything(words), min_size=1, max_size=3))
        return m.spoilt_tree(random.Random(draw(st.integers(0, 2**32))), tree, lambda: draw(st.sampled_from(values)))

    return st.one_of(top, grafted(), grafted()).map(lambda made: m.bytes_of(form, made))


def _table(sound: bytes) -> st.SearchStrategy[bytes]:
    """The kind's own headings with cells of other rows, of numbers and of anything."""
    rows = [line.split(",") for line in sound.decode().split("\n") if line and not line.startswith("#")]
    cells = sorted({cell for row in rows[1:] for cell in row})
    cell = st.one_of(
        st.sampled_from(cells), st.sampled_from(cells), ANY_NUMBER.map(m_number), ANY_TEXT, st.sampled_from(m.NUMBERS)
    )

    @st.composite
    def table(draw: st.DrawFn) -> bytes:
        cut = draw(st.sampled_from(",;\t"))
        lines = draw(st.lists(st.lists(cell, min_size=len(rows[0]), max_size=len(rows[0])), min_size=1, max_size=6))
        clean = [[c.replace(cut, " ").replace('"', "'") for c in line] for line in (rows[0], *lines)]
        return "\n".join(cut.join(line) for line in clean).encode("utf-8", "surrogatepass")

    return table()


def m_number(value: float) -> str:
    """A number as a cell."""
    return m.big_int_text(value) if isinstance(value, int) else repr(value)


def _workbook() -> st.SearchStrategy[bytes]:
    words = [
        "id",
        "kind",
        "mass_kg",
        "composition",
        "alloy",
        "length_mm",
        "width_mm",
        "pig",
        "scrap",
        "Sn 50 Pb bal",
        "spotted-50",
        "thickness_start_mm",
    ]
    small = st.floats(-1e300, 1e300, allow_nan=False)
    texts = st.text(st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\ufffe\uffff"), max_size=12)
    cell = st.one_of(
        st.none(),
        st.booleans(),
        small,
        st.integers(-(10**15), 10**15),
        texts,
        st.sampled_from(words),
        st.datetimes(),
        st.times(),
        st.timedeltas(),
        st.sampled_from(("=1+1", "=A1", "#N/A", '=HYPERLINK("x")')),
    )
    sheet = st.lists(st.lists(cell, min_size=1, max_size=7), max_size=5)
    return st.tuples(
        st.sampled_from((words[:4], ["id", *words[4:7]])),
        st.dictionaries(st.sampled_from(("lots", "rolls", "x", "casts")), sheet, min_size=1),
    ).map(_written)


def _written(held: tuple[list[str], dict[str, list[list[Any]]]]) -> bytes:
    from openpyxl import Workbook

    headings, sheets = held
    book = Workbook()
    for number, (title, rows) in enumerate(sheets.items()):
        sheet = book.active if number == 0 else book.create_sheet()
        sheet.title = title
        for row in (headings, *rows):
            try:
                sheet.append(row)
            except ValueError:  # what a workbook cannot hold
                sheet.append(["?"])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.xlsx"
        try:
            book.save(path)
        except (ValueError, TypeError, OverflowError):
            return b"PK"
        return path.read_bytes()


def _statements(sound: bytes) -> st.SearchStrategy[bytes]:
    """Statements put together from a database's own words."""
    words = sorted(set(sound.decode().split()))
    word = st.one_of(
        st.sampled_from(words), st.sampled_from(words), ANY_TEXT, st.sampled_from(m.NUMBERS), ANY_NUMBER.map(m_number)
    )
    start = st.sampled_from(
        (
            "ELEMENT",
            "FUNCTION",
            "PHASE",
            "CONSTITUENT",
            "PARAMETER",
            "FUNCTION F 298.15",
            "PARAMETER G(LIQUID,PB,SN;0) 298.15",
            "",
        )
    )
    statement = st.tuples(start, st.lists(word, max_size=9)).map(lambda s: " ".join((s[0], *s[1])))
    return st.lists(statement, max_size=6).map(lambda all_: " !\n".join((*all_, "")).encode("utf-8", "surrogatepass"))


def _members(sound: bytes) -> st.SearchStrategy[bytes]:
    """Backups and dumps whose rows hold anything under the columns' names, with the hashes to fit."""
    from kinds import rehashed

    members = m.unzipped(sound)
    names = [name for name in members if name.endswith(".jsonl")]

    @st.composite
    def altered(draw: st.DrawFn) -> bytes:
        name = draw(st.sampled_from(names))
        rows = [json.loads(line) for line in members[name].splitlines()][:3] or [{"id": 1}]
        keys = [str(key) for key in rows[0]]
        for row in rows:
            row[draw(st.sampled_from(keys))] = draw(_anything(keys))
        lines = [json.dumps(row, sort_keys=True, separators=(",", ":")) + "\n" for row in rows]
        return m.zipped(rehashed(members | {name: "".join(lines).encode()}))

    return altered()
