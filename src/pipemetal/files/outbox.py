"""The one door through which files are written: whole or not at all, and never over what somebody else put there.

A file is made in a hidden folder beside its place and moved there when it is whole. A shop book is never written over. A file
that is there already is replaced only where this program wrote it and nobody changed it since, or where that is asked for
(`--replace`). What was written is remembered in its folder (`.pipemetal-files.json`: names and SHA-256).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import secrets
import shutil
import sqlite3
import stat
from collections.abc import Iterable, Iterator, Mapping
from contextvars import ContextVar
from pathlib import Path
from typing import IO, Final

from pipemetal.errors import FileFormatError
from pipemetal.texts import Text

try:
    import fcntl

    LOCKS = True
except ImportError:  # no such locks on this system: what a killed program left is then not cleared away
    LOCKS = False

__all__ = [
    "BESIDE_A_BOOK",
    "MEMORY",
    "check_place",
    "is_book_file",
    "is_database",
    "move_new",
    "part_folder",
    "private_file",
    "replacing",
    "shut_out_others",
    "streaming",
    "sweep",
    "write",
    "write_all",
]

MEMORY: Final = ".pipemetal-files.json"
SQLITE: Final = b"SQLite format 3\x00"
SMALLEST: Final = 512
"""No database is smaller."""
BESIDE_A_BOOK: Final = ("-wal", "-shm", "-journal")
_PART: Final = re.compile(r"\..+\.[0-9a-f]{8}\.part")
_NO_LINKS: Final = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
_REPLACING: ContextVar[bool] = ContextVar("replacing", default=False)


@contextlib.contextmanager
def replacing(allowed: bool = True) -> Iterator[None]:
    """Inside, files that are there already may be replaced, whoever wrote them; a shop book never."""
    held = _REPLACING.set(allowed)
    try:
        yield
    finally:
        _REPLACING.reset(held)


def is_book_file(path: Path) -> bool:
    """Whether a file is a SQLite book, or one of the files that SQLite keeps beside it."""
    for ending in BESIDE_A_BOOK:
        if path.name.endswith(ending) and is_database(path.with_name(path.name.removesuffix(ending))):
            return True
    return is_database(path)


def is_database(path: Path) -> bool:
    """Whether a file is a SQLite database.

    SQLite itself is asked: where a program opens and closes such a file in any other way, the system takes from it the locks
    that its own connections to the same file hold, and another program could then clear away what is being written.
    """
    try:
        if not path.is_file() or path.stat().st_size < SMALLEST:
            return False
        address = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        with contextlib.closing(sqlite3.connect(address, uri=True)) as there:
            there.execute("PRAGMA schema_version").fetchone()
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_NOTADB:
            return True  # damaged, or in somebody's hands
        with path.open("rb") as file:  # nobody works with this one: SQLite cannot
            return file.read(len(SQLITE)) == SQLITE
    except OSError:
        return False
    return True


def write(path: Path, content: str | bytes, *, private: bool = False) -> None:
    """Write one file. `private`: readable by its owner alone. Errors: FileFormatError."""
    with streaming(path, private=private) as out:
        out.write(content if isinstance(content, bytes) else content.encode())


@contextlib.contextmanager
def streaming(path: Path, *, private: bool = False) -> Iterator[IO[bytes]]:
    """A file to write into; it stands in its place when the block ends without an error. Errors: FileFormatError."""
    if path.exists() and not path.is_file() and not path.is_dir():
        with _clear(path), path.open("wb") as out:  # a terminal, a pipe: nothing to be kept whole
            yield out
        return
    check_place(path)
    with _clear(path), part_folder(path) as beside:
        made = beside / "file"
        with open(made, "wb", opener=_private if private else None) as out:
            yield out
            out.flush()
            os.fsync(out.fileno())
        _remember(path.parent, {path.name: _sha256(made)})
        _move(made, path)


def write_all(folder: Path, contents: Mapping[str, str | bytes], *, drop: Iterable[str] = ()) -> list[Path]:
    """Write the files of a folder, made if it is not there: all are checked and made before the first is moved.

    `contents`: by name, which may lead into folders below. `drop`: names of folders below whose files, where this program wrote
    them and they are not written anew, are removed. Errors: FileFormatError; then none was replaced.
    """
    if folder.exists() and not folder.is_dir():
        raise FileFormatError("is a file, a folder is wanted", where=str(folder))
    with _clear(folder):
        for parent in {(folder / name).parent for name in contents}:
            parent.mkdir(parents=True, exist_ok=True)
    paths = {name: folder / name for name in contents}
    for path in paths.values():
        check_place(path)
    with _clear(folder), part_folder(folder / "files") as beside:
        for number, (name, content) in enumerate(contents.items()):
            with (beside / str(number)).open("wb") as out:
                out.write(content if isinstance(content, bytes) else content.encode())
                out.flush()
                os.fsync(out.fileno())
            paths[name].parent.mkdir(parents=True, exist_ok=True)
        for below in drop:
            _drop_old(folder / below, {path for path in paths.values() if path.parent == folder / below})
        made = {path: beside / str(number) for number, path in enumerate(paths.values())}
        for parent in {path.parent for path in made}:
            _remember(parent, {p.name: _sha256(new) for p, new in made.items() if p.parent == parent})
        for path, new in made.items():
            _move(new, path)
    return list(paths.values())


def _drop_old(folder: Path, new: set[Path]) -> None:
    """Remove what this program wrote into a folder and is not written anew, and nothing else."""
    for name, digests in _remembered(folder).items():
        old = folder / name
        if old not in new and old.is_file() and not old.is_symlink() and _sha256(old) in digests:
            old.unlink()


@contextlib.contextmanager
def part_folder(place: Path) -> Iterator[Path]:
    """A hidden folder beside a place, readable by its owner alone, to make something in; gone when the block ends.

    What a killed program left of such folders beside this place is cleared away first. Errors: FileFormatError.
    """
    if not place.parent.is_dir():
        raise FileFormatError("has no folder to lie in", where=str(place))
    sweep(place.parent)
    while True:
        folder = place.with_name(f".{place.name[:80]}.{secrets.token_hex(4)}.part")
        folder.mkdir(mode=0o700)
        held = _locked(folder)
        if held is not None:
            break
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if held >= 0:
            os.close(held)


def sweep(folder: Path) -> None:
    """Clear away what killed programs left of their hidden folders; one that is still worked in stays."""
    if not LOCKS:
        return
    try:
        left = [entry.path for entry in os.scandir(folder) if _PART.fullmatch(entry.name)]
    except OSError:
        return
    for path in left:
        try:
            held = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        except OSError:
            continue
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(path, ignore_errors=True)
        except OSError:
            pass
        finally:
            os.close(held)


def _locked(folder: Path) -> int | None:
    """A lock on a new hidden folder that tells others its maker lives; None where a sweeper was quicker."""
    if not LOCKS:
        return -1
    try:
        held = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except FileNotFoundError:
        return None
    with contextlib.suppress(OSError):  # a file system without locks
        fcntl.flock(held, fcntl.LOCK_EX)
    try:
        if folder.stat().st_ino == os.fstat(held).st_ino:
            return held
    except FileNotFoundError:
        pass
    os.close(held)
    return None


@contextlib.contextmanager
def shut_out_others(folder: Path) -> Iterator[None]:
    """Inside, nobody else moves a new book into this folder: two programs wait for each other. Leaves nothing behind."""
    held = -1
    if LOCKS:
        held = os.open(folder, os.O_RDONLY)
        with contextlib.suppress(OSError):
            fcntl.flock(held, fcntl.LOCK_EX)
    try:
        yield
    finally:
        if held >= 0:
            os.close(held)


def move_new(made: Path, place: Path) -> None:
    """Move a file to a place where nothing is. Errors: FileExistsError; then what is there is untouched."""
    try:
        os.link(made, place)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if place.exists() or place.is_symlink():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(place)) from None
        made.rename(place)
    else:
        made.unlink()
    _sync(place.parent)


def _move(made: Path, place: Path) -> None:
    if _REPLACING.get() or place.exists():
        if place.is_file() and not place.is_symlink():
            made.chmod(stat.S_IMODE(place.stat().st_mode))
        check_place(place)  # once more, at the last moment
        made.replace(place)
        _sync(place.parent)
        return
    try:
        move_new(made, place)
    except FileExistsError:
        raise _there_already(place) from None


def check_place(path: Path) -> None:
    """Errors: FileFormatError for a place that must not be written over."""
    if not path.parent.is_dir():
        raise FileFormatError("has no folder to lie in", where=str(path))
    if is_book_file(path):
        raise FileFormatError(
            "is a shop book, which is never written over", where=str(path), allowed="a name that is free"
        )
    if path.is_dir():
        raise FileFormatError("is a folder, a file is wanted", where=str(path))
    if _REPLACING.get() or not (path.exists() or path.is_symlink()):
        return
    if path.is_symlink():
        raise FileFormatError(
            "is a link to another file",
            where=str(path),
            allowed="the file itself, or --replace to put it in the link's place",
        )
    if _sha256(path) not in _remembered(path.parent).get(path.name, ()):
        raise _there_already(path)


def _there_already(path: Path) -> FileFormatError:
    return FileFormatError(
        "is there already, and pipemetal did not write it as it stands",
        where=str(path),
        allowed="another name, or --replace to write over it",
    )


def _remembered(folder: Path) -> dict[str, list[str]]:
    """What this program wrote into a folder: by name the SHA-256 of the last two files.

    Two, because a file is remembered just before it is moved to its place, where its forerunner stands until then.
    """
    try:
        held = json.loads((folder / MEMORY).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return {str(k): v for k, v in held.items() if isinstance(v, list)} if isinstance(held, dict) else {}


def _remember(folder: Path, written: Mapping[str, str]) -> None:
    with shut_out_others(folder):
        held = _remembered(folder)
        kept = {name: digests for name, digests in held.items() if (folder / name).is_file()}
        for name, digest in written.items():
            kept[name] = [*(d for d in held.get(name, ())[-1:] if d != digest), digest]
        if kept == held:
            return
        with part_folder(folder / MEMORY) as beside:
            made = beside / "memory"
            made.write_text(json.dumps(kept, indent=0, sort_keys=True) + "\n", encoding="utf-8")
            made.replace(folder / MEMORY)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def private_file(path: Path) -> IO[bytes]:
    """A new file in a hidden folder, readable by its owner alone."""
    return open(path, "xb", opener=_private)


def _private(name: str, flags: int) -> int:
    return os.open(name, flags, 0o600)


def _sync(folder: Path) -> None:
    """Make a move last through a power cut, where the system can."""
    with contextlib.suppress(OSError):
        held = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(held)
        finally:
            os.close(held)


@contextlib.contextmanager
def _clear(place: Path) -> Iterator[None]:
    """What the system refuses (no room, no right) becomes one clear message."""
    try:
        yield
    except OSError as error:
        raise FileFormatError(
            Text("cannot be written: {value}", value=error.strerror or str(error)), where=str(place)
        ) from None
