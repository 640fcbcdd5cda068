"""Where work is done: here, in processes beside us, or on an existing cluster.

One interface: a function over items, its results as they come. A function that fails is told with its item, and the others
go on; a worker that dies takes nothing with it, its item is done again elsewhere; `should_stop` ends the rest.
"""

from __future__ import annotations

import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, Generic, Protocol, TypeVar

from pipemetal.errors import InputError, PipemetalError

__all__ = ["Cluster", "Executor", "Here", "Outcome", "Processes", "executor_for"]

Item = TypeVar("Item")
Result = TypeVar("Result")
TRIES: Final = 3
LOOK_S: Final = 0.2
CONNECT_S: Final = 10
ONE_THREAD: Final = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
)
"""What a worker's libraries may use, so that workers do not stand in each other's way."""


@dataclass(frozen=True)
class Outcome(Generic[Result]):
    """What became of one item: its number, its result, or why there is none."""

    index: int
    result: Result | None
    error: str = ""


def never() -> bool:
    """Do not stop."""
    return False


class Executor(Protocol):
    """Does a function over items. The function and its items must be picklable for any executor but `Here`."""

    def run(
        self, work: Callable[[Item], Result], items: Sequence[Item], should_stop: Callable[[], bool] = never
    ) -> Iterator[Outcome[Result]]:
        """Results as they come, in any order."""
        ...


def _told(index: int, work: Callable[[Item], Result], item: Item) -> Outcome[Result]:
    try:
        return Outcome(index, work(item))
    except PipemetalError as error:
        return Outcome(index, None, str(error))


@dataclass(frozen=True)
class Here:
    """One after the other, in this process.

    >>> [outcome.result for outcome in Here().run(abs, [-1, 2])]
    [1, 2]
    """

    def run(
        self, work: Callable[[Item], Result], items: Sequence[Item], should_stop: Callable[[], bool] = never
    ) -> Iterator[Outcome[Result]]:
        """See `Executor`."""
        for index, item in enumerate(items):
            if should_stop():
                return
            yield _told(index, work, item)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@dataclass(frozen=True)
class Processes:
    """In so many processes, each with one thread."""

    workers: int

    def run(
        self, work: Callable[[Item], Result], items: Sequence[Item], should_stop: Callable[[], bool] = never
    ) -> Iterator[Outcome[Result]]:
        """See `Executor`."""
        tries = dict.fromkeys(range(len(items)), 0)
        while tries and not should_stop():
            with _one_thread_each():
                pool = ProcessPoolExecutor(self.workers, mp_context=multiprocessing.get_context("spawn"))
                waiting: dict[Future[Outcome[Result]], int] = {
                    pool.submit(_told, index, work, items[index]): index for index in tries
                }
            try:
                yield from self._gathered(pool, waiting, tries, should_stop)
            finally:
                _ended(pool)

    def _gathered(
        self,
        pool: ProcessPoolExecutor,
        waiting: dict[Future[Outcome[Result]], int],
        tries: dict[int, int],
        should_stop: Callable[[], bool],
    ) -> Iterator[Outcome[Result]]:
        """Results until all are there, it is to stop, or a worker has died: then what is left is in `tries` still."""
        while waiting and not should_stop():
            done, _ = wait(waiting, timeout=LOOK_S, return_when=FIRST_COMPLETED)
            for future in done:
                index = waiting.pop(future)
                try:
                    outcome = future.result()
                except BrokenProcessPool:
                    # which item killed its worker cannot be told: all that were not done are tried again
                    for left in [index, *waiting.values()]:
                        tries[left] += 1
                    for left in [left for left, count in tries.items() if count >= TRIES]:
                        del tries[left]
                        yield Outcome(left, None, f"the worker died {TRIES} times over it")
                    return
                del tries[index]
                yield outcome


def _ended(pool: ProcessPoolExecutor) -> None:
    """Cancel what waits and kill what runs: a stopped search is not waited for."""
    processes = list((pool._processes or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    for process in processes:
        process.terminate()
    for process in processes:
        process.join(5.0)


@dataclass(frozen=True)
class Cluster:
    """On an existing dask.distributed scheduler, by its address."""

    address: str

    def run(
        self, work: Callable[[Item], Result], items: Sequence[Item], should_stop: Callable[[], bool] = never
    ) -> Iterator[Outcome[Result]]:
        """See `Executor`. A worker that dies is told to the scheduler, which gives its item to another, three times.

        Raises: InputError where dask.distributed is not installed, or nothing answers at the address.
        """
        distributed = _distributed()
        try:
            client = distributed.Client(self.address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, distributed.TimeoutError) as error:
            raise InputError(
                "does not answer", field="--cluster", value=self.address, allowed="HOST:PORT of a scheduler"
            ) from error
        with client:
            waiting = {
                client.submit(_told, index, work, item, pure=False, retries=TRIES): index
                for index, item in enumerate(items)
            }
            while waiting and not should_stop():
                done = [future for future in waiting if future.done()]
                if not done:
                    time.sleep(LOOK_S)
                for future in done:
                    yield _outcome_of(future, waiting.pop(future))
            client.cancel(list(waiting))


def _outcome_of(future: Any, index: int) -> Outcome[Any]:
    if future.status == "finished":
        outcome: Outcome[Any] = future.result()
        return outcome
    error = future.exception()
    return Outcome(index, None, f"the cluster gave up: {type(error).__name__}")


def _distributed() -> Any:
    try:
        import distributed
    except ImportError:
        raise InputError(
            "needs dask.distributed",
            field="--cluster",
            allowed="pip install 'pipemetal[cluster]', here and on the workers",
        ) from None
    return distributed


def executor_for(workers: int | None, cluster: str | None) -> Executor:
    """The executor that is asked for: a cluster, processes, or this process.

    Raises: InputError for both at once.
    """
    if cluster is not None and workers is not None:
        raise InputError("cannot be used together", field="--workers and --cluster", allowed="one of them")
    if cluster is not None:
        return Cluster(cluster)
    return Processes(workers) if workers is not None and workers > 1 else Here()
