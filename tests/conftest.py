"""Fixtures for what the machine may lack: a PostgreSQL server, Chromium."""

import os
import re
import shutil
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

LONG = os.environ.get("PIPEMETAL_TEST_LONG") == "1"
# As the command does: the arrays are small, and threads of the linear algebra wait for one another on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.pop("COLUMNS", None)  # the width of whoever runs the tests, or of a worker, is no width of a table's


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the long tests out of an ordinary run; `.ci/run` runs them too, and so does asking for them by -m."""
    if LONG or config.getoption("-m"):
        return
    later = [item for item in items if item.get_closest_marker("long")]
    if later and len(later) < len(items):
        config.hook.pytest_deselected(items=later)
        items[:] = [item for item in items if not item.get_closest_marker("long")]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Files side by side, each by one worker; the published checks as one, for their comparisons are counted together."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.partition("::")[0]
            return "tests/published" if file.startswith("tests/published/") else file

    return ByFile(config, log)


@pytest.fixture(scope="session")
def long_run() -> bool:
    """Whether this run may take its time: what is done in rounds is done more often then."""
    return LONG


def missing(what: str) -> None:
    """Skip with a reason, or fail where the run promised to skip nothing."""
    if os.environ.get("PIPEMETAL_TEST_NOTHING_SKIPPED") == "1":
        pytest.fail(f"{what}, and this run must skip nothing")
    pytest.skip(what)


@pytest.fixture
def postgres_url() -> Iterator[str]:
    """A fresh, empty PostgreSQL database, dropped afterwards."""
    server = os.environ.get("PIPEMETAL_TEST_POSTGRES")
    if not server:
        missing("no PostgreSQL server: PIPEMETAL_TEST_POSTGRES is not set")
    import psycopg

    name = f"pipemetal_test_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')  # type: ignore[call-overload]
    yield re.sub(r"/[^/]*$", f"/{name}", str(server))
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')  # type: ignore[call-overload]


@pytest.fixture
def shop_folder(tmp_path: Path) -> Path:
    """The files of the invented shop."""
    from pipemetal.files.demo_files import copy_demo_shop

    copy_demo_shop(tmp_path / "shop")
    return tmp_path / "shop"


@pytest.fixture(scope="session")
def planned_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book of an invented shop that can plan, melt and cast, with a plan in it; made once, to be copied."""
    sys.path.insert(0, str(Path(__file__).parent / "web"))
    from shop_pages import working_book, working_plan

    path = tmp_path_factory.mktemp("planned") / "s.sqlite"
    with working_book(path) as book:
        working_plan(book)
    return path


@pytest.fixture
def planned(planned_file: Path, tmp_path: Path) -> Iterator[Any]:
    """Such a book of one's own."""
    from pipemetal.shop.book import Book

    shutil.copy(planned_file, tmp_path / "s.sqlite")
    with Book.open(tmp_path / "s.sqlite", who="tester") as book:
        yield book


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """The browser of this machine."""
    path = os.environ.get("CHROMIUM", "/usr/bin/chromium")
    if not Path(path).exists():
        missing(f"no Chromium at {path}")
    return path
