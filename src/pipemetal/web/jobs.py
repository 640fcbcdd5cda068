"""Long work beside the pages: one worker process at a time, the rest waits its turn; progress, stop, and what came of it."""

from __future__ import annotations

import itertools
import logging
import multiprocessing
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from multiprocessing.synchronize import Event
from typing import Any, Final, TypeVar

from pipemetal.errors import InputError
from pipemetal.logs import one_line
from pipemetal.web import work

__all__ = ["Job", "JobState", "Jobs"]

MOST_WAITING: Final = 20
MOST_KEPT: Final = 40
STOPPING: Final = "stopping: the best so far is being written out"
_LOG: Final = logging.getLogger("pipemetal.jobs")
Made = TypeVar("Made")
Finish = Callable[[Made], tuple[str, str]]
"""What is done with a result in the server's own process, in the asker's name: gives words and a page to look at."""


class JobState(StrEnum):
    """How far a piece of long work is."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"


@dataclass
class Job:
    """One piece of long work."""

    id: int
    title: str
    who: str
    task: work.Task[object] = field(repr=False)
    finish: Finish[Any] = field(repr=False)
    state: JobState = JobState.WAITING
    share: float = 0.0
    words: str = ""
    link: str = ""
    begun_s: float = 0.0
    ended_s: float = 0.0
    stopping: bool = False

    @property
    def kind(self) -> str:
        """What kind of work it is."""
        return self.task.KIND

    @property
    def is_over(self) -> bool:
        """Whether nothing more will come."""
        return self.state not in (JobState.WAITING, JobState.RUNNING)

    @property
    def may_go_again(self) -> bool:
        """Whether it can be asked for anew."""
        return self.state in (JobState.FAILED, JobState.STOPPED)

    @property
    def seconds(self) -> float:
        """How long it has run."""
        return (self.ended_s or time.monotonic()) - self.begun_s if self.begun_s else 0.0

    def as_dict(self) -> dict[str, str | int | bool]:
        """What the page asks for while it waits."""
        return {
            "id": self.id,
            "state": self.state,
            "stopping": self.stopping,
            "percent": round(100 * self.share),
            "words": self.words,
            "link": self.link,
            "seconds": round(self.seconds),
        }


class Jobs:
    """A queue of jobs and the thread that takes them to a worker process, one after the other."""

    def __init__(self) -> None:
        self._held: dict[int, Job] = {}
        self._numbers = itertools.count(1)
        self._lock = threading.Condition()
        self._thread: threading.Thread | None = None
        self._stop: Event | None = None
        self._process: SpawnProcess | None = None
        self._closed = False

    def add(self, task: work.Task[Made], title: str, who: str, finish: Finish[Made]) -> Job:
        """Queue a job. Raises: work.WorkError where too many wait already."""
        with self._lock:
            if sum(1 for j in self._held.values() if not j.is_over) >= MOST_WAITING:
                raise work.WorkError(
                    "has too many waiting", field="jobs", value=MOST_WAITING, allowed="stop one, or wait"
                )
            job = Job(next(self._numbers), title, who, task, finish)
            self._held[job.id] = job
            for key in [k for k, j in self._held.items() if j.is_over][: max(len(self._held) - MOST_KEPT, 0)]:
                del self._held[key]
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, daemon=True)
                self._thread.start()
            self._lock.notify_all()
            return job

    def all(self) -> list[Job]:
        """All jobs, the latest first."""
        with self._lock:
            return sorted(self._held.values(), key=lambda j: -j.id)

    def running(self) -> list[Job]:
        """What waits or runs."""
        return [j for j in self.all() if not j.is_over]

    def stop(self, number: int, *, keep: bool) -> None:
        """End a job: at its best so far, or at once with nothing kept."""
        with self._lock:
            job = self._held.get(number)
            if job is None or job.is_over:
                return
            if job.state == JobState.WAITING:
                job.state = JobState.STOPPED
                return
            job.stopping = True
            if keep:
                job.words = STOPPING
                if self._stop is not None:
                    self._stop.set()
                return
            job.state = JobState.STOPPED
            if self._process is not None:
                self._process.terminate()

    def again(self, number: int, who: str) -> Job | None:
        """Queue a job anew that failed or was stopped, in the name of who asks now; None where there is none."""
        with self._lock:
            job = self._held.get(number)
        if job is None or not job.may_go_again:
            return None
        return self.add(job.task, job.title, who, job.finish)

    def close(self) -> None:
        """End whatever runs; for when the server stops."""
        with self._lock:
            self._closed = True
            for job in self._held.values():
                if not job.is_over:
                    job.state = JobState.STOPPED
            if self._process is not None:
                self._process.terminate()
            self._lock.notify_all()

    def _run(self) -> None:
        while True:
            with self._lock:
                job = next((j for j in self._held.values() if j.state == JobState.WAITING), None)
                if job is None and not self._closed:
                    self._lock.wait(30.0)
                    job = next((j for j in self._held.values() if j.state == JobState.WAITING), None)
                if job is None or self._closed:
                    self._thread = None
                    return
                job.state, job.begun_s = JobState.RUNNING, time.monotonic()
            _LOG.info("job %d begun: %s, %s, by %s", job.id, job.kind, one_line(job.title), one_line(job.who))
            self._work(job)
            _LOG.info("job %d %s after %.1f s: %s", job.id, job.state, job.seconds, one_line(str(job.words)))

    def _work(self, job: Job) -> None:
        # a fresh interpreter: a forked one would share the server's connections to the database
        context = multiprocessing.get_context("spawn")
        mine, its = context.Pipe(duplex=False)
        stop = context.Event()
        process = context.Process(target=work.run, args=(job.task, its, stop), daemon=True)
        with self._lock:
            if job.is_over:  # it was stopped before it had begun
                job.ended_s = time.monotonic()
                return
            if job.stopping:
                stop.set()
            process.start()
            self._stop, self._process = stop, process
        its.close()
        result, failure = _listen(job, mine)
        process.join()
        mine.close()
        with self._lock:
            self._stop = self._process = None
        if job.state == JobState.RUNNING:
            self._settle(job, result, failure)
        job.ended_s = time.monotonic()

    def _settle(self, job: Job, result: object, failure: str) -> None:
        if failure:
            job.words, job.state = failure, JobState.FAILED
            return
        try:
            job.words, job.link = job.finish(result)
            job.share, job.state = 1.0, JobState.DONE
        except InputError as error:
            job.words, job.state = str(error), JobState.FAILED
        except Exception as error:
            _LOG.exception("job %d: what it made could not be kept", job.id)
            job.words, job.state = str(error), JobState.FAILED


def _listen(job: Job, mine: Connection) -> tuple[object, str]:
    """Follow a worker to its end: its result, or why there is none."""
    try:
        while True:
            kind, *said = mine.recv()
            if kind == "progress":
                job.share = said[0]
                job.words = STOPPING if job.stopping else said[1]
            elif kind == "result":
                return said[0], ""
            else:
                if said[1]:
                    _LOG.error("job %d: the worker broke off\n%s", job.id, said[1])
                return None, str(said[0])
    except (EOFError, OSError):
        return None, "the worker ended without an answer"
