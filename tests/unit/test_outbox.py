"""The one door through which files are written: whole or not at all, never over a book or what somebody else put there."""

import ast
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from pipemetal.cli.common import OUT_FILE
from pipemetal.cli.main import COMMANDS, cli
from pipemetal.errors import FileFormatError, InputError
from pipemetal.files.outbox import MEMORY, part_folder, replacing, streaming, sweep, write, write_all
from pipemetal.shop.book import Book

SOURCE = Path(__file__).parents[2] / "src" / "pipemetal"
DOOR = SOURCE / "files" / "outbox.py"
WRITES = {
    *("write_text", "write_bytes", "savefig", "saveas", "touch", "copyfile", "copytree", "hardlink_to", "symlink_to"),
    *("mkstemp", "mkdtemp", "NamedTemporaryFile", "TemporaryDirectory", "TemporaryFile", "fdopen", "unlink", "rmtree"),
}
OF_THE_SYSTEM = {"copy", "copy2", "move", "rename", "renames", "replace", "remove", "link", "symlink", "truncate"}
"""Written by `os` or `shutil`."""
NO_FILES = {
    ("cli/serve_cmd.py", "TemporaryDirectory"),  # the invented shop of --demo, gone with the server
    ("cli/old_rank_cmd.py", "TemporaryDirectory"),  # an organ file that is read at once, and gone again
    ("cli/old_rank_cmd.py", "write_text"),  # the same
    ("shop/second_place.py", "unlink"),  # backups older than those to be kept, and a failure that is mended
    ("web/own_certificate.py", "unlink"),  # a root of this program that has ended
    ("shop/dumping.py", "rename"),  # a whole dump from the door's hidden folder to an empty place
    ("shop/places.py", "unlink"),  # what holds nothing, before a book comes to lie there
    ("shop/keeping.py", "unlink"),  # daily backups that are older than those to be kept
    ("logs.py", "open"),  # lines added to a log, and to no file that holds something else
    ("shop/archive.py", "open"),  # a member of the archive that the door's file holds
}
"""Where nothing is written over, and why."""


def names_of_writing(module: Path) -> Iterator[tuple[int, str]]:
    """Calls that write, move or remove files."""
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        given = [*node.args, *(k.value for k in node.keywords)]
        modes = [g.value for g in given if isinstance(g, ast.Constant) and isinstance(g.value, str)]
        owner = (
            node.func.value.id if isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name) else ""
        )
        if (
            name in WRITES
            or (owner in ("os", "shutil") and name in OF_THE_SYSTEM)
            or (name == "open" and any(set(m) <= set("rwxabt+") and set(m) & set("wxa+") for m in modes))
            or (name in ("replace", "rename") and len(given) == 1 and isinstance(node.func, ast.Attribute))
        ):
            yield node.lineno, name


def test_nothing_writes_a_file_but_the_door() -> None:
    found = []
    for module in sorted(SOURCE.rglob("*.py")):
        where = module.relative_to(SOURCE).as_posix()
        if module != DOOR:
            found += [
                f"{where}:{line} {name}" for line, name in names_of_writing(module) if (where, name) not in NO_FILES
            ]
    assert found == [], "write through pipemetal.files.outbox"
    assert list(names_of_writing(DOOR)), "the search finds nothing any more"


def all_commands(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield f"{before}{name}", command
        if isinstance(command, click.Group):
            yield from all_commands(command, f"{before}{name} ")


def test_every_command_that_writes_a_file_takes_replace() -> None:
    assert isinstance(cli, click.Group) and len(COMMANDS) > 40
    writing = {}
    for name, command in all_commands(cli):
        if any(param.type is OUT_FILE for param in command.params):
            writing[name] = [param.name for param in command.params]
    assert len(writing) > 15 and all("replace" in names for names in writing.values())


@pytest.fixture
def book_file(tmp_path: Path) -> Path:
    with Book.open(tmp_path / "other.sqlite", create=True):
        pass
    return tmp_path / "other.sqlite"


@pytest.mark.parametrize("allowed", [False, True])
@pytest.mark.parametrize("ending", ["", "-wal", "-shm", "-journal"])
def test_a_book_is_never_written_over(book_file: Path, allowed: bool, ending: str, tmp_path: Path) -> None:
    held, place = book_file.read_bytes(), Path(f"{book_file}{ending}")
    link = tmp_path / "link.csv"
    link.symlink_to(place)
    with replacing(allowed):
        for path in (place, link) if not ending else (place,):
            with pytest.raises(FileFormatError, match="shop book"):
                write(path, "gone")
            with pytest.raises(FileFormatError, match="shop book"):
                write_all(path.parent, {"first.csv": "x", path.name: "gone"})
            assert not (tmp_path / "first.csv").exists()
    assert book_file.read_bytes() == held and link.is_symlink()


def test_what_somebody_else_put_there_stays_unless_it_is_told(tmp_path: Path) -> None:
    path = tmp_path / "rack.csv"
    path.write_text("kept by hand")
    with pytest.raises(FileFormatError, match="did not write it"):
        write(path, "ours")
    assert path.read_text() == "kept by hand"
    with replacing():
        write(path, "ours")
    write(path, "ours again")  # what the program wrote it may write anew
    path.write_text("ours, changed by hand")
    with pytest.raises(FileFormatError, match="as it stands"):
        write(path, "gone")
    assert path.read_text() == "ours, changed by hand"


def test_a_link_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").write_text("somebody's")
    (tmp_path / "out.csv").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "loose.csv").symlink_to(tmp_path / "not there")
    for name in ("out.csv", "loose.csv"):
        with pytest.raises(FileFormatError, match="link"):
            write(tmp_path / name, "ours")
    with replacing():
        write(tmp_path / "out.csv", "ours")
    assert (tmp_path / "elsewhere").read_text() == "somebody's" and not (tmp_path / "out.csv").is_symlink()


def test_a_file_is_whole_or_as_it_was(tmp_path: Path) -> None:
    write(tmp_path / "a", "whole")
    with pytest.raises(ZeroDivisionError), streaming(tmp_path / "a") as out:
        out.write(b"half")
        raise ZeroDivisionError
    assert (tmp_path / "a").read_text() == "whole" and {p.name for p in tmp_path.iterdir()} == {MEMORY, "a"}


def test_of_several_files_all_are_written_or_none(tmp_path: Path) -> None:
    write_all(tmp_path / "p", {"a": "1", "below/b": "1", "below/c": "1"}, drop=["below"])
    write_all(tmp_path / "p", {"a": "2", "below/b": "2"}, drop=["below"])
    assert (tmp_path / "p/below/b").read_text() == "2" and not (tmp_path / "p/below/c").exists()
    (tmp_path / "p/below/mine").write_text("mine")
    (tmp_path / "p/a").write_text("changed by hand")
    with pytest.raises(FileFormatError):
        write_all(tmp_path / "p", {"below/b": "3", "a": "3"}, drop=["below"])
    assert (tmp_path / "p/below/b").read_text() == "2" and (tmp_path / "p/below/mine").read_text() == "mine"


def test_rights_are_the_folders_or_stay_as_they_were(tmp_path: Path) -> None:
    held = os.umask(0o022)
    try:
        write(tmp_path / "open", "x")
        write(tmp_path / "private", "x", private=True)
        (tmp_path / "private").chmod(0o640)
        write(tmp_path / "private", "y", private=True)
        write(tmp_path / "other", "x", private=True)
    finally:
        os.umask(held)
    modes = {p: stat.S_IMODE((tmp_path / p).stat().st_mode) for p in ("open", "private", "other")}
    assert modes == {"open": 0o644, "private": 0o640, "other": 0o600}


def test_what_a_killed_writer_left_goes_and_a_living_ones_stays(tmp_path: Path) -> None:
    code = f"""
import os, signal, sys
from pathlib import Path
from pipemetal.files.outbox import part_folder
with part_folder(Path({str(tmp_path / "x")!r})) as beside:
    (beside / "half").write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""
    subprocess.run([sys.executable, "-c", code], check=False)
    assert len(list(tmp_path.glob(".x.*.part"))) == 1
    with part_folder(tmp_path / "y") as alive:
        assert [p for p in tmp_path.iterdir() if p.suffix == ".part"] == [alive]
        sweep(tmp_path)
        assert alive.is_dir()
    assert list(tmp_path.iterdir()) == []


def test_a_terminal_or_pipe_is_written_to_and_not_replaced() -> None:
    write(Path("/dev/null"), "x")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)


# --- the commands -------------------------------------------------------------------------------------------------------------

DEMO = SOURCE / "demo_shop"
COMPOSITION = ["Sn", "50", "Pb", "bal"]
OUT_COMMANDS = {
    "export folder": (["export", "{dir}", "--shop", "{shop}"], "rack.csv"),
    "export workbook": (["export", "{dir}/a.xlsx", "--shop", "{shop}"], "a.xlsx"),
    "backup": (["backup", "{dir}/a.backup", "--shop", "{shop}"], "a.backup"),
    "trace page": (["trace", "R1", "--html", "{dir}/a.html", "--shop", "{shop}"], "a.html"),
    "table": (["rolls", "--table", "{dir}/a.csv", "--shop", "{shop}"], "a.csv"),
    "pictures": (["alloy", *COMPOSITION, "--svg", "{dir}"], "freezing.svg"),
    "pipes": (["pipes", str(DEMO / "organ.toml"), "--csv", "{dir}/a.csv"], "a.csv"),
    "patterns": (
        ["patterns", str(DEMO / "organ.toml"), "--note", "c", "--part", "foot", "--as", "dxf", "--out", "{dir}"],
        None,
    ),
    "label": (["label", "R1", "--out", "{dir}/a.pdf", "--shop", "{shop}"], "a.pdf"),
}


@pytest.fixture
def out_shop(tmp_path: Path) -> Path:
    from shop_samples import HALF, a_roll

    with Book.open(tmp_path / "shop.sqlite", create=True) as book:
        book.recipes.add(HALF)
        book.rolls.add(a_roll())
    return tmp_path / "shop.sqlite"


def run(args: list[str], folder: Path, shop: Path) -> int:
    filled = [a.format(dir=folder, shop=shop) for a in args]
    result = CliRunner().invoke(cli, filled)
    if isinstance(result.exception, InputError):
        return 2
    assert result.exception is None or isinstance(result.exception, SystemExit), (result.output, result.exception)
    return result.exit_code


@pytest.mark.parametrize("kind", OUT_COMMANDS)
def test_every_kind_of_output_asks_before_it_replaces(kind: str, out_shop: Path, tmp_path: Path) -> None:
    args, name = OUT_COMMANDS[kind]
    folder = tmp_path / "out"
    folder.mkdir()
    assert run(args, folder, out_shop) == 0
    assert run(args, folder, out_shop) == 0, "a second time into its own place"
    found = folder / name if name else next(p for p in folder.iterdir() if p.suffix == ".dxf")
    whole = found.read_bytes()
    found.write_text("kept by hand")
    assert run(args, folder, out_shop) == 2 and found.read_text() == "kept by hand"
    assert run([*args, "--replace"], folder, out_shop) == 0 and found.stat().st_size > 100
    shutil.copy(out_shop, found)
    assert run([*args, "--replace"], folder, out_shop) == 2
    with sqlite3.connect(found) as still:
        assert still.execute("SELECT count(*) FROM rolls").fetchone() == (1,)
    still.close()
    assert len(whole) > 100


@pytest.mark.parametrize("kind", ["export workbook", "backup", "trace page", "label"])
def test_the_open_book_is_never_an_output(kind: str, out_shop: Path) -> None:
    args = [a.replace("{dir}/a.xlsx", "{shop}").replace("{dir}/a", "{shop}") for a in OUT_COMMANDS[kind][0]]
    args = [
        a.replace("{shop}.backup", "{shop}").replace("{shop}.html", "{shop}").replace("{shop}.pdf", "{shop}")
        for a in args
    ]
    with pytest.raises(InputError):
        CliRunner().invoke(cli, [a.format(shop=out_shop) for a in [*args, "--replace"]], catch_exceptions=False)
    with Book.open(out_shop) as book:
        assert book.keeping.doctor().faults == [] and len(book.rolls.rows()) == 1
