"""A second place for the daily backups: another folder, or whatever a command of the shop's own does with the file.

PIPEMETAL_BACKUPS_SECOND names the folder: on another disk, another machine. PIPEMETAL_BACKUPS_COMMAND is a command in which
`{file}` stands for the backup; no shell reads it. Work at the book does not wait for either.
"""

from __future__ import annotations

import contextlib
import datetime
import logging
import os
import shlex
import shutil
import subprocess
import threading
from pathlib import Path
from typing import Final

from pipemetal.errors import BookError
from pipemetal.files.outbox import replacing, streaming
from pipemetal.logs import one_line
from pipemetal.texts import Text

__all__ = ["SECOND", "carry", "check_second", "last_failure", "latest_carried", "second_place"]

FOLDER: Final = "PIPEMETAL_BACKUPS_SECOND"
COMMAND: Final = "PIPEMETAL_BACKUPS_COMMAND"
SECOND: Final = (FOLDER, COMMAND)
PATIENCE_S: Final = 1800.0
CARRIED: Final = "second-place.txt"
"""Beside the daily backups: which was the latest that came to the second place."""
FAILED: Final = "second-place-failed.txt"
"""Beside them too: why the last attempt failed, while it stands."""
DAYS: Final = "????-??-??.backup"
_LOG: Final = logging.getLogger("pipemetal.book")


def second_place() -> str:
    """What is set, for people to read; empty where nothing is."""
    return os.environ.get(FOLDER) or os.environ.get(COMMAND) or ""


def check_second() -> None:
    """Errors: BookError where the folder is not there, or the command cannot be read or names no file."""
    folder, command = os.environ.get(FOLDER), os.environ.get(COMMAND)
    if folder and not Path(folder).is_dir():
        raise BookError("is not there", field=FOLDER, value=folder, allowed="a folder that can be written")
    if not command:
        return
    try:
        words = shlex.split(command)
    except ValueError:
        words = []
    if not words or not any("{file}" in word for word in words):
        raise BookError(
            "is no command for a backup",
            field=COMMAND,
            value=command,
            allowed="words with {file} among them",
            example="rsync {file} backup@other:shop/",
        )
    if shutil.which(words[0]) is None:
        raise BookError("is not installed", field=COMMAND, value=words[0], allowed="a program of this machine")


def carry(file: Path, keep: int, book: str) -> threading.Thread | None:
    """Begin to carry a backup to the second place; the thread that does it, None where there is none.

    `book`: what tells this book's backups from another's.
    """
    if not second_place():
        return None
    at_work = threading.Thread(target=_carry, args=(file, keep, book), name="second backup")
    at_work.start()
    return at_work


def latest_carried(folder: Path) -> str | None:
    """The day of the latest backup that came to the second place."""
    try:
        text = (folder / CARRIED).read_text(encoding="utf-8").strip()
        return datetime.date.fromisoformat(text).isoformat()
    except (OSError, ValueError):
        return None


def last_failure(folder: Path) -> str:
    """Why the last backup did not come to the second place; empty where it did."""
    try:
        return (folder / FAILED).read_text(encoding="utf-8", errors="replace").strip()[:300]
    except OSError:
        return ""


def _carry(file: Path, keep: int, book: str) -> None:
    failed = file.parent / FAILED
    try:
        check_second()
        if folder := os.environ.get(FOLDER):
            _copy(file, Path(folder) / book, keep)
        if command := os.environ.get(COMMAND):
            # asked for by whoever starts the program on this machine, who may run what they like
            words = [word.replace("{file}", str(file)) for word in shlex.split(command)]
            done = subprocess.run(words, timeout=PATIENCE_S, capture_output=True, check=False, stdin=subprocess.DEVNULL)
            if done.returncode:
                said = one_line(done.stderr.decode("utf-8", "replace")[-300:])
                raise BookError(Text("ended with {code}: {said}", code=done.returncode, said=said))
        with replacing(), streaming(file.parent / CARRIED, private=True) as out:
            out.write(f"{file.stem}\n".encode())
        failed.unlink(missing_ok=True)
        _LOG.info("the backup of %s is at the second place", file.stem)
    except (OSError, BookError, subprocess.SubprocessError) as error:
        told = one_line(str(error))[:300]
        _LOG.warning("the backup of %s did not come to the second place: %s", file.stem, told)
        with contextlib.suppress(OSError, BookError), replacing(), streaming(failed, private=True) as out:
            out.write(f"{told}\n".encode())


def _copy(file: Path, folder: Path, keep: int) -> None:
    folder.mkdir(mode=0o700, exist_ok=True)
    with file.open("rb") as held, replacing(), streaming(folder / file.name, private=True) as out:
        shutil.copyfileobj(held, out)
    for old in sorted(folder.glob(DAYS))[:-keep]:
        old.unlink(missing_ok=True)
