"""Every comparison with a published value is recorded, so that the page of checks is written from the tests themselves.

`assert ours == pytest.approx(published, ...)` is what is recorded. When all tests of this folder have run and passed, their
comparisons are held against docs/validation.md by the last of them: a page that lacks one, or has one too many, is stale.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
LAST = "test_whole_page.py"
_approx = pytest.approx


@dataclass(frozen=True)
class Comparison:
    """One published value beside ours."""

    test: str
    case: str
    source: str
    published: float
    ours: float
    tolerance: float


COMPARISONS: list[Comparison] = []
_running: list[pytest.Item] = []
_outcomes: dict[str, bool] = {}
_left_out: list[pytest.Item] = []


class Recorded:
    """`pytest.approx`, which also writes down what it was compared with."""

    __array_ufunc__ = None
    __array_priority__ = 100

    def __init__(self, expected: Any, rel: Any = None, abs: Any = None, nan_ok: bool = False) -> None:  # noqa: A002
        self.inner = _approx(expected, rel=rel, abs=abs, nan_ok=nan_ok)
        self.expected, self.rel, self.abs = expected, rel, abs

    def __eq__(self, actual: object) -> bool:
        same = bool(self.inner == actual)
        if same and _running:
            _record(self, actual)
        return same

    def __ne__(self, actual: object) -> bool:
        return not self == actual

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return repr(self.inner)


def _record(check: Recorded, actual: Any) -> None:
    item = _running[-1]
    function = getattr(item, "function", None)
    given = getattr(getattr(item, "callspec", None), "params", {}).get("source", "")
    module = getattr(getattr(item, "module", None), "__doc__", "") or ""
    words = " ".join((getattr(function, "__doc__", "") or str(given) or module).split())
    name = item.name.partition("[")[0].removeprefix("test_").replace("_", " ")
    case = item.name.partition("[")[2].removesuffix("]")
    pairs = (
        list(zip(check.expected, actual, strict=True))
        if isinstance(check.expected, list | tuple)
        else [(check.expected, actual)]
    )
    for published, ours in pairs:
        if isinstance(published, int | float):
            wide = max(
                check.abs or 0.0,
                (check.rel if check.rel is not None else 0.0 if check.abs else 1e-6) * math.fabs(published),
            )
            COMPARISONS.append(
                Comparison(f"{item.path.stem}: {name}", case, words, float(published), float(ours), wide)
            )


def pytest_configure(config: pytest.Config) -> None:
    pytest.approx = Recorded  # type: ignore[assignment]


def pytest_unconfigure(config: pytest.Config) -> None:
    pytest.approx = _approx


def _is_ours(item: pytest.Item) -> bool:
    return HERE in item.path.parents


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Any:
    if _is_ours(item):
        _running.append(item)
    yield
    if _running:
        _running.pop()


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.when == "call" or report.outcome != "passed":
        _outcomes[report.nodeid] = _outcomes.get(report.nodeid, True) and report.outcome == "passed"


def keys() -> list[str]:
    """What the page must hold: test, case, published value and tolerance of every comparison."""
    return sorted(f"{c.test}|{c.case}|{c.published:.9g}|{c.tolerance:.3g}" for c in COMPARISONS)


def fingerprint() -> str:
    """A hash of the keys, which the page carries."""
    return hashlib.sha256("\n".join(keys()).encode()).hexdigest()[:16]


def pytest_deselected(items: list[pytest.Item]) -> None:
    _left_out.extend(item for item in items if _is_ours(item))


def _all_have_passed(session: pytest.Session) -> bool:
    """Whether every test of this folder has run and passed, but for the last, which asks."""
    ours = [item for item in session.items if _is_ours(item)]
    whole = {item.path for item in ours} == set(HERE.glob("test_*.py")) and not _left_out
    whole = whole and all("::" not in argument for argument in session.config.args)
    return whole and all(_outcomes.get(item.nodeid, False) for item in ours if item.path.name != LAST)


@pytest.fixture
def comparisons_made(request: pytest.FixtureRequest) -> str:
    """A hash of all comparisons, which the page carries; skips where some of them were not made."""
    if not _all_have_passed(request.session):
        pytest.skip("not every comparison was made in this run")
    return fingerprint()


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    out = os.environ.get("PIPEMETAL_COMPARISONS_OUT")
    if out and _all_have_passed(session):
        held = {"fingerprint": fingerprint(), "comparisons": [vars(c) for c in COMPARISONS]}
        Path(out).write_text(json.dumps(held), encoding="utf-8")
