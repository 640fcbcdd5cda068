"""Every file that the program reads: sound samples of it, how it is read and used, and how it is spoilt."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import attacks as known_attacks
import mutations as m
import seeds

Read = Callable[[Path], object]


class Kind:
    """A kind of file: `form` says how it is spoilt, `read` reads it and does the first thing that is done with it."""

    def __init__(self, name: str, form: str, file: str, read: Read, seed: Callable[[Path], list[bytes]]) -> None:
        self.name, self.form, self.file, self.read, self._seed = name, form, file, read, seed

    def prepare(self, folder: Path) -> None:
        """Lay the invented shop's files around the one under fire."""
        from pipemetal.files.demo_files import copy_demo_shop

        os.environ["PIPEMETAL_BACKUPS"] = ""
        copy_demo_shop(folder)
        (folder / "organ.toml").write_bytes(seeds.small_organ(folder))

    def seeds(self, folder: Path) -> list[bytes]:
        """Sound samples."""
        return self._seed(folder)

    def put(self, folder: Path, sample: bytes) -> None:
        """Write a sample where it is read."""
        (folder / self.file).write_bytes(sample)

    def attacks(self, sound: bytes) -> list[known_attacks.Attack]:
        """Samples made by hand to hurt this kind."""
        return known_attacks.of(self.form, self.name, sound)

    def spoilt(self, rng: random.Random, sound: bytes) -> bytes:
        """A sound sample, spoilt."""
        if self.form in ("xlsx", "rows"):
            return (
                m.zipped(_spoilt_members(rng, m.unzipped(sound))) if rng.random() < 0.8 else m.spoilt_bytes(rng, sound)
            )
        ways = {
            "csv": (m.spoilt_cells, m.spoilt_cells, m.spoilt_lines, m.spoilt_bytes),
            "toml": (self._tree, self._tree, m.spoilt_lines, m.spoilt_bytes),
            "json": (self._tree, self._tree, self._tree, m.spoilt_lines, m.spoilt_bytes),
            "tdb": (m.spoilt_lines, m.spoilt_lines, m.spoilt_bytes),
        }[self.form]
        return rng.choice(ways)(rng, sound)

    def _tree(self, rng: random.Random, sound: bytes) -> bytes:
        return m.bytes_of(self.form, m.spoilt_tree(rng, m.tree_of(self.form, sound), lambda: rng.choice(m.VALUES)))

    def made(self, seed: int, sound: bytes, fire: Callable[[bytes], None], count: int) -> None:
        """Samples that hypothesis makes of this kind's words and of anything."""
        from made import samples

        samples(self.form, seed, sound, fire, count)


def _spoilt_members(rng: random.Random, members: dict[str, bytes]) -> dict[str, bytes]:
    members = dict(members)
    name = rng.choice(list(members))
    what = rng.randrange(6)
    if what == 0:
        members.pop(name)
    elif what == 1:
        members[rng.choice((name + "x", "../" + name, "x" * 300, "xl/worksheets/sheet9.xml"))] = members[name]
    elif what == 2:
        members[name] = members[rng.choice(list(members))]
    elif what == 3 and name.endswith((".jsonl", ".json")):
        members[name] = _spoilt_json_lines(rng, members[name])
    else:
        way = rng.choice((m.spoilt_bytes, m.spoilt_lines, _spoilt_xml))
        members[name] = way(rng, members[name])
    return rehashed(members) if rng.random() < 0.8 else members


def _spoilt_json_lines(rng: random.Random, data: bytes) -> bytes:
    lines = data.splitlines() or [b"{}"]
    at = rng.randrange(len(lines))
    try:
        tree = json.loads(data) if data[:2] == b"{\n" else json.loads(lines[at])
    except ValueError:
        return m.spoilt_bytes(rng, data)
    spoilt = m.spoilt_tree(rng, tree, lambda: rng.choice(m.VALUES)) if isinstance(tree, dict | list) else tree
    if data[:2] == b"{\n":
        return json.dumps(spoilt, indent=1).encode()
    lines[at] = json.dumps(spoilt, sort_keys=True, separators=(",", ":")).encode()
    return b"\n".join(lines) + b"\n"


def _spoilt_xml(rng: random.Random, data: bytes) -> bytes:
    """An XML part with an attribute's or element's text replaced."""
    import re

    found = list(re.finditer(rb'"[^"]*"|>[^<]+<', data))
    if not found:
        return data
    for hit in sorted(rng.sample(found, min(len(found), rng.choice((1, 1, 3)))), key=lambda h: -h.start()):
        text = rng.choice((*m.NUMBERS, *m.TEXTS)).encode("utf-8", "surrogatepass")
        text = text.replace(b"<", b"&lt;").replace(b'"', b"&quot;") if rng.random() < 0.9 else text
        data = data[: hit.start() + 1] + text + data[hit.end() - 1 :]
    return data


def rehashed(members: dict[str, bytes]) -> dict[str, bytes]:
    """A backup or dump whose manifest tells the hashes of what it holds now: altered by somebody who knows the format."""
    name = next((n for n in ("manifest.json", "schema.json") if n in members), None)
    if name is None:
        return members
    try:
        manifest = json.loads(members[name])
        for table, held in manifest["tables"].items():
            content = members[f"{table}.jsonl"]
            held |= {"sha256": hashlib.sha256(content).hexdigest(), "rows": content.count(b"\n")}
        return members | {name: json.dumps(manifest).encode()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return members


class DumpKind(Kind):
    """A dump is a folder; a sample is its archive."""

    def put(self, folder: Path, sample: bytes) -> None:
        """Write the members of a sample into a folder."""
        import shutil

        where = folder / self.file
        shutil.rmtree(where, ignore_errors=True)
        where.mkdir()
        try:
            members = m.unzipped(sample)
        except Exception:  # a damaged archive is a damaged folder: some bytes in it
            members = {"schema.json": sample}
        for name, content in members.items():
            path = where / name.replace("..", "")[:200].lstrip("/")
            path.parent.mkdir(parents=True, exist_ok=True)
            if not path.is_dir():
                path.write_bytes(content)


def _command(*args: str) -> Read:
    def read(folder: Path) -> None:
        from pipemetal.cli.main import cli

        placed = [str(folder / arg[1:]) if arg.startswith("@") else arg for arg in args]
        cli.main(args=[*placed, "--json"], prog_name="pipemetal", standalone_mode=False)

    return read


def _recipes(folder: Path) -> Any:
    from pipemetal.files.recipe_file import read_recipes

    return read_recipes(folder / "recipes.toml")


def _read_shop(folder: Path) -> object:
    from pipemetal.files.shop_file import read_shop

    return read_shop(folder / "shop.toml")


def _read_variants(folder: Path) -> object:
    from pipemetal.files.shop_file import read_shop
    from pipemetal.files.variants_file import read_variants

    return read_variants(folder / "variants.toml", _recipes(folder), read_shop(folder / "shop.toml"))


def _read_rack(folder: Path) -> object:
    from pipemetal.files.rack_file import read_rack

    return read_rack(folder / "rack.csv", _recipes(folder), folder / "readings.csv")


def _read_lots(folder: Path) -> object:
    from pipemetal.files.lots_file import read_lots

    return read_lots(folder / "lots.csv", _recipes(folder))


def _read_offers(folder: Path) -> object:
    from pipemetal.files.offers_file import read_offers

    return read_offers(folder / "offers.csv")


def _read_sheets(folder: Path) -> object:
    from pipemetal.files.sheets_file import read_sheets
    from pipemetal.planning.settings import ShopSettings

    return read_sheets(folder / "sheets.csv", _recipes(folder), ShopSettings())


def _book(folder: Path) -> Any:
    """A book that holds the invented shop, made once and never changed."""
    from pipemetal.shop.book import Book

    path = folder / "shop.sqlite"
    if not path.exists():
        source = folder / "sound"
        source.mkdir()
        for name in ("recipes.toml", "rack.csv", "readings.csv", "lots.csv", "log.csv"):
            text = (folder / name).read_text(encoding="utf-8")
            (source / name).write_text(text, encoding="utf-8")
        with Book.open(path, create=True, who="somebody") as book:
            book.tables.import_folder(source)
    return Book.open(path, who="somebody")


def _import(file: str, kind: str | None = None) -> Read:
    def read(folder: Path) -> None:
        from pipemetal.shop.book import Book

        path = folder / "empty.sqlite"
        with Book.open(path, create=True, who="somebody") as book:
            if not book.recipes.all():
                _enter_recipes(book, folder)
            book.tables.import_file(folder / file, kind=kind, dry_run=True)

    return read


def _enter_recipes(book: Any, folder: Path) -> None:
    source = folder / "recipes_only"
    source.mkdir(exist_ok=True)
    (source / "recipes.toml").write_bytes((folder / "recipes.toml").read_bytes())
    book.tables.import_folder(source)


def _accept_plan(folder: Path) -> None:
    from pipemetal.errors import PipemetalError
    from pipemetal.files.plan_file import read_plan_file
    from pipemetal.planning.settings import PotSettings
    from pipemetal.plans.buying import melts_to_buy_for

    with _book(folder) as book, book._writer.rehearsal():
        plan = read_plan_file(folder / "plan.json")
        try:
            melts_to_buy_for(plan, _recipes(folder), PotSettings(), dt.date(2026, 3, 2), "P1")
        except PipemetalError:
            book.plans.accept(plan)
            raise
        book.plans.accept(plan)


def _load(make: str) -> Read:
    def read(folder: Path) -> None:
        from pipemetal.shop.archive import restore
        from pipemetal.shop.book import Book
        from pipemetal.shop.dumping import load_dump

        target = folder / "loaded.sqlite"
        for suffix in ("", "-wal", "-shm"):
            Path(f"{target}{suffix}").unlink(missing_ok=True)
        if make == "dump":
            load_dump(folder / "a-dump", target)
        else:
            restore(folder / "a.backup", target)
        with Book.open(target, who="somebody") as book:
            book.keeping.doctor()

    return read


def _parse_tdb(folder: Path) -> object:
    from pipemetal.alloys.database import parse_tdb
    from pipemetal.files.toml_table import read_text

    return parse_tdb(read_text(folder / "metal.tdb"))


KINDS = {
    kind.name: kind
    for kind in (
        Kind("organ", "toml", "organ.toml", _command("pipes", "@organ.toml"), seeds.file("organ.toml")),
        Kind("shop", "toml", "shop.toml", _read_shop, seeds.file("shop.toml")),
        Kind("recipes", "toml", "recipes.toml", _recipes, seeds.file("recipes.toml")),
        Kind("charge", "toml", "charge.toml", _command("charge", "@charge.toml"), seeds.file("charge.toml")),
        Kind(
            "sheet", "toml", "sheet-pedal.toml", _command("push", "@sheet-pedal.toml"), seeds.file("sheet-pedal.toml")
        ),
        Kind("variants", "toml", "variants.toml", _read_variants, seeds.file("variants.toml")),
        Kind("rack", "csv", "rack.csv", _read_rack, seeds.rack_seed),
        Kind("readings", "csv", "readings.csv", _read_rack, seeds.two_rolls_seed),
        Kind("lots", "csv", "lots.csv", _read_lots, seeds.some_rows("lots.csv")),
        Kind("log", "csv", "log.csv", _command("calibrate", "@log.csv"), seeds.some_rows("log.csv", 5)),
        Kind("melts", "csv", "melts.csv", _command("dross", "@melts.csv"), seeds.some_rows("melts.csv", 17)),
        Kind("offers", "csv", "offers.csv", _read_offers, seeds.file("offers.csv")),
        Kind("sheets", "csv", "sheets.csv", _read_sheets, seeds.file("sheets.csv")),
        Kind("measured", "csv", "measured.csv", _command("scale", "fit", "@measured.csv"), seeds.measured_seed),
        Kind("old-rank", "toml", "old-rank.toml", _command("old-rank", "make", "@old-rank.toml"), seeds.old_rank_seed),
        Kind("old-pipes", "csv", "old-pipes.csv", _command("old-rank", "make", "@old-rank.toml"), seeds.old_pipes_seed),
        Kind("analyses", "csv", "analyses.csv", _command("assay", "@analyses.csv"), seeds.readings_of_metal_seed),
        Kind("library", "csv", "library.csv", _command("assay", "--library", "@library.csv"), seeds.library_seed),
        Kind("ranks", "csv", "ranks.csv", _import("ranks.csv", "ranks"), seeds.ranks_seed),
        Kind("import-rolls", "csv", "rack.csv", _import("rack.csv", "rolls"), seeds.few_rolls_seed),
        Kind("import-lots", "csv", "lots.csv", _import("lots.csv", "lots"), seeds.some_rows("lots.csv")),
        Kind("import-casts", "csv", "log.csv", _import("log.csv", "casts"), seeds.some_rows("log.csv", 5)),
        Kind("xlsx", "xlsx", "tables.xlsx", _import("tables.xlsx"), seeds.workbook_seed),
        Kind("plan", "json", "plan.json", _accept_plan, seeds.plan_seed),
        Kind(
            "problem",
            "json",
            "problem.json",
            _command("layout", "@problem.json", "--iterations", "1"),
            seeds.problem_seed,
        ),
        Kind(
            "layout",
            "json",
            "layout.json",
            _command("layout-check", "@problem.json", "@layout.json"),
            seeds.layout_seed,
        ),
        Kind("tdb", "tdb", "metal.tdb", _parse_tdb, seeds.tdb_seed),
        DumpKind("dump", "rows", "a-dump", _load("dump"), seeds.dump_seed),
        Kind("backup", "rows", "a.backup", _load("backup"), seeds.backup_seed),
    )
}
