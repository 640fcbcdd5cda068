"""Samples that nobody means well with: sound files spoilt by chance, and values that have broken readers before."""

from __future__ import annotations

import copy
import io
import json
import random
import tomllib
import zipfile
from collections.abc import Callable
from typing import Any

NUMBERS = (
    "nan",
    "inf",
    "-inf",
    "-1",
    "0",
    "-0.0",
    "1e308",
    "1e309",
    "-1e309",
    "1e-320",
    "9" * 30,
    "9" * 400,
    "9" * 5000,
    "1/0",
    "1/3",
    "0/0",
    "1" * 3000 + "/" + "1" * 3000,
    "0x10",
    "1_000",
    "1e",
    "--1",
    "1,5",
    "1.234,5",
    "1,234",
    "٣",
    "²",
    "½",
    "1 ½",
    "1e5e5",
    ".",
    "-",
    "1.7976931348623157e308",
    "4.9e-324",
    "2147483648",
    "-9223372036854775809",
    "true",
    "1e16",
    "1e100",
)
TEXTS = (
    "",
    " ",
    "\0",
    "\x1b[31mred",
    "\u202eright to left",
    "\ufeff",
    "\r\n",
    "=1+1",
    "@SUM(A1)",
    "'",
    '"',
    "a" * 5000,
    "{}",
    "[]",
    "../../..",
    "/dev/zero",
    "/etc/passwd",
    "x" * 300,
    "a\0b",
    "Sn 50 Pb bal",
    "Sn 1e999 Pb bal",
    "Sn bal Pb bal",
    "Sn 0 Pb 0",
    "Sn -1 Pb 101",
    "C" * 400,
    "c'''''",
    "c999",
    "9" * 5000 + " mm",
    "1' " * 500,
    "1/" * 500,
    "2 2/0'",
    "16''",
    "0:0 " * 3000,
    "0:nan 1:inf",
    "0 0, 0 0, 0 0",
    "0 0, 1 1, 2 2",
    "0 0, 100 0, 0 100, 100 100",
    "1e300 1e300, 0 0, 5 5",
    "2026-13-45",
    "9999-12-31",
    "0001-01-01",
    "None",
    "null",
    "<x>",
    "%s%n",
    "${x}",
    "{0}",
    "\N{PILE OF POO}",
    "é" * 50,
    "$" * 10,
    "0..4",
    "4..0",
    "rest",
    "<0.05",
    "<",
    "<nan",
    "T**999999",
    "lot:",
    "roll:x:y",
)
VALUES: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    10**30,
    10**400,
    -(10**400),
    0.0,
    -0.0,
    1e308,
    -1e308,
    5e-324,
    1e16,
    2**63,
    [],
    {},
    [[]],
    [{}],
    [None],
    {"": ""},
    [0],
    [1, 2],
    [[0, 0]],
    [[0, 0], [0, 0], [0, 0]],
    "\ud800",
    float("nan"),
    float("inf"),
    [1e308, 1e308],
    *TEXTS,
)
MOST_BYTES = 300_000


def spoilt_bytes(rng: random.Random, data: bytes) -> bytes:
    """Bytes flipped, cut out, doubled, put in or cut off."""
    held = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5, 20))):
        at = rng.randrange(len(held) + 1)
        length = min(rng.choice((1, 1, 2, 8, 100, 1000)), len(held) - at)
        what = rng.randrange(6)
        if what == 0 and at < len(held):
            held[at] ^= 1 << rng.randrange(8)
        elif what == 1:
            del held[at : at + length]
        elif what == 2:
            held[at:at] = held[at : at + length] * rng.choice((1, 2, 30))
        elif what == 3:
            held[at:at] = rng.choice(
                (b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1a", b"\r", b"\n", b'"', b"\xed\xa0\x80")
            )
        elif what == 4:
            held[at : at + length] = rng.randbytes(length)
        elif rng.random() < 0.2:
            del held[at:]
        del held[MOST_BYTES:]
    return bytes(held)


def spoilt_lines(rng: random.Random, data: bytes) -> bytes:
    """Lines doubled, swapped or lost; a word of one put where another stands, or something worse."""
    lines = data.decode("utf-8", "replace").split("\n")
    for _ in range(rng.choice((1, 1, 2, 4))):
        here, there = rng.randrange(len(lines)), rng.randrange(len(lines))
        what = rng.randrange(8)
        if what == 0:
            lines.insert(here, lines[there])
        elif what == 1 and len(lines) > 1:
            del lines[here]
        elif what == 2:
            lines[here], lines[there] = lines[there], lines[here]
        elif what == 3:
            lines[here : here + 1] = [lines[here]] * rng.choice((2, 50, 1000))
        else:
            lines[here] = _word_changed(rng, lines[here], lines[there])
    return "\n".join(lines).encode("utf-8", "surrogatepass")[:MOST_BYTES]


def _word_changed(rng: random.Random, line: str, other: str) -> str:
    cut = rng.choice((",", " ", "=", '"', ":", ";"))
    words, others = line.split(cut), other.split(cut)
    at = rng.randrange(len(words))
    what = rng.randrange(5)
    if what == 0:
        words[at] = rng.choice(others)
    elif what == 1:
        words[at] = rng.choice(NUMBERS)
    elif what == 2:
        words[at] = rng.choice(TEXTS)
    elif what == 3:
        words.insert(at, words[at])
    else:
        words[at] = rng.choice(("[", "{", "[[", "(")) * rng.choice((1, 2, 3000)) + words[at]
    return cut.join(words)


def spoilt_cells(rng: random.Random, data: bytes) -> bytes:
    """A table with cells swapped, emptied or put in place of others, columns lost or doubled, another separator."""
    rows = [
        line.split(",") for line in data.decode("utf-8", "replace").split("\n") if line and not line.startswith("#")
    ]
    if len(rows) > 12:
        rows = rows[:1] + rng.sample(rows[1:], rng.choice((1, 3, 11)))
    for _ in range(rng.choice((1, 2, 3, 8))):
        row, other = rng.choice(rows), rng.choice(rows)
        at, there = rng.randrange(len(row)), rng.randrange(len(other))
        what = rng.randrange(8)
        if what == 0:
            row[at], other[there] = other[there], row[at]
        elif what == 1:
            row[at] = rng.choice(NUMBERS)
        elif what == 2:
            row[at] = rng.choice(TEXTS).replace("\n", " ").replace("\r", " ").replace(",", ";")
        elif what == 3:
            row[at] = ""
        elif what == 4:
            column = min(at, *(len(r) - 1 for r in rows))
            for each in rows:
                if rng.random() < 0.5:
                    each[column] = row[at]
        elif what == 5 and len(rows) < 500:
            rows += [list(row) for _ in range(rng.choice((1, 20)))]
        elif what == 6:
            column = rng.randrange(len(rows[0]))
            for each in rows:
                if column < len(each) and len(each) > 1:
                    del each[column]
        else:
            row[at] = f'"{row[at]}"'
    cut = rng.choice((",", ",", ",", ";", "\t"))
    return "\n".join(cut.join(row) for row in rows).encode("utf-8", "surrogatepass")[:MOST_BYTES]


def places_in(tree: Any) -> list[tuple[Any, Any]]:
    """Every place of a tree of tables and lists, as its holder and key."""
    found: list[tuple[Any, Any]] = []
    stack = [tree]
    while stack:
        held = stack.pop()
        keys = list(held) if isinstance(held, dict) else range(len(held))
        for key in keys:
            found.append((held, key))
            if isinstance(held[key], dict | list):
                stack.append(held[key])
    return found


def spoilt_tree(rng: random.Random, tree: Any, value: Callable[[], Any]) -> Any:
    """A tree with some of its values replaced, taken away, doubled, swapped, wrapped or buried."""
    tree = copy.deepcopy(tree)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        places = places_in(tree)
        if not places:
            return tree
        (held, key), (other, there) = rng.choice(places), rng.choice(places)
        what = rng.randrange(8)
        if what == 0:
            del held[key]
        elif what == 1:
            held[key] = copy.deepcopy(other[there])
        elif what == 2:
            held[key] = [held[key]]
        elif what == 3 and isinstance(held, list):
            held += [copy.deepcopy(held[key]) for _ in range(rng.choice((1, 100)))]
        elif what == 4 and isinstance(held, dict):
            held[rng.choice(("", "format", "x", "name", "id", "\ud800", "a" * 3000))] = held.pop(key)
        elif what == 5 and isinstance(held[key], int | float) and abs(held[key]) < 10**300:
            held[key] = held[key] * rng.choice((-1, 1e6, 1e-6, 1e300, 1000, 0.5, 1.0001))
        else:
            held[key] = copy.deepcopy(value())
    return tree


def toml_text(value: Any) -> str:
    """A tree as the value of a TOML key."""
    if isinstance(value, bool) or value is None:
        return str(bool(value)).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {toml_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml_text(v) for v in value) + "]"
    if isinstance(value, float):
        return repr(value)
    return str(value) if isinstance(value, int) else json.dumps(str(value), ensure_ascii=False).replace("\x7f", "")


def big_int_text(value: int) -> str:
    """A whole number's digits, however many."""
    return str(value) if abs(value) < 10**4000 else f"{'-' if value < 0 else ''}1{'0' * 4999}"


def tree_of(form: str, data: bytes) -> Any:
    """The tree that a sound TOML or JSON file holds."""
    return tomllib.loads(data.decode()) if form == "toml" else json.loads(data)


def bytes_of(form: str, tree: Any) -> bytes:
    """A tree as a file again."""
    if form == "json":
        return json.dumps(tree).encode()
    if not isinstance(tree, dict):
        return toml_text(tree).encode("utf-8", "surrogatepass")
    lines = [f"{json.dumps(key)} = {toml_text(value)}" for key, value in tree.items()]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def zipped(members: dict[str, bytes], store: bool = False) -> bytes:
    """Members as an archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED if store else zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def unzipped(data: bytes) -> dict[str, bytes]:
    """The members of an archive."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}
