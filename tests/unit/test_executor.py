"""Work done here, in processes, on a cluster: every item is told, whatever happens to a worker."""

from __future__ import annotations

import functools
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipemetal.errors import InputError, PlanError
from pipemetal.executor import Cluster, Executor, Here, Processes, executor_for


def squared(number: int) -> int:
    if number == 3:
        raise PlanError("is three", field="number", value=number)
    return number * number


def killed_once(number: int, folder: str) -> int:
    """Kills its own worker the first time it is asked for 2."""
    mark = Path(folder) / "was-here"
    if number == 2 and not mark.exists():
        mark.write_text("x", encoding="utf-8")
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def always_kills(number: int) -> int:
    if number == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def never_ends(number: int) -> int:
    while True:
        time.sleep(1.0)


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    """A scheduler of our own with two worker processes, each on a thread."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as local:
        yield str(local.scheduler_address)


@pytest.mark.parametrize("executor", [Here(), Processes(2)])
def test_what_fails_is_told_and_the_rest_goes_on(executor: Executor) -> None:
    outcomes = sorted(executor.run(squared, [1, 2, 3, 4]), key=lambda o: o.index)
    assert [o.result for o in outcomes] == [1, 4, None, 16]
    assert "number is three" in outcomes[2].error


def test_a_worker_that_dies_takes_nothing_with_it(tmp_path: Path) -> None:
    work = functools.partial(killed_once, folder=str(tmp_path))
    outcomes = sorted(Processes(2).run(work, [0, 1, 2, 3, 4]), key=lambda o: o.index)
    assert [o.result for o in outcomes] == [0, 1, 2, 3, 4]


def test_an_item_that_kills_every_worker_is_given_up_in_the_end() -> None:
    outcomes = {o.index: o for o in Processes(1).run(always_kills, [0, 1])}
    assert "died 3 times" in outcomes[1].error


def test_stopping_does_not_wait_for_what_runs() -> None:
    asked: list[int] = []
    # the work never ends by itself: only a stop that does not wait for it comes back
    assert list(Processes(1).run(never_ends, [1, 2], lambda: asked.append(1) or len(asked) > 5)) == []  # type: ignore[func-returns-value]


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_does_the_work_and_loses_nothing_with_a_worker(cluster: str, tmp_path: Path) -> None:
    outcomes = sorted(Cluster(cluster).run(squared, [1, 2, 3, 4]), key=lambda o: o.index)
    assert [o.result for o in outcomes] == [1, 4, None, 16]
    assert "number is three" in outcomes[2].error
    work = functools.partial(killed_once, folder=str(tmp_path))
    assert sorted(o.result for o in Cluster(cluster).run(work, [0, 1, 2, 3, 4]) if o.result is not None) == [
        0,
        1,
        2,
        3,
        4,
    ]
    assert (tmp_path / "was-here").exists()


@pytest.mark.filterwarnings("ignore")
def test_an_address_where_nobody_answers_is_one_clear_message(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("pipemetal.executor.CONNECT_S", 1)
    with pytest.raises(InputError, match="--cluster does not answer"):
        list(Cluster("127.0.0.1:1").run(squared, [1]))


def test_workers_and_cluster_go_not_together() -> None:
    with pytest.raises(InputError, match="cannot be used together"):
        executor_for(2, "host:1")
    assert executor_for(None, None) == Here()
    assert executor_for(1, None) == Here()
    assert executor_for(4, None) == Processes(4)
