"""A bar for long work, and Ctrl+C that ends it with the best so far instead of throwing it away."""

from __future__ import annotations

import signal
import sys
import threading
from types import FrameType, TracebackType
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

__all__ = ["Watch"]


class Watch:
    """Shows progress on standard error where that is a terminal; a second Ctrl+C stops at once."""

    def __init__(self, title: str, *, quiet: bool = False) -> None:
        self.title, self.quiet = title, quiet
        self.stopped = threading.Event()
        self._bar: Progress | None = None
        self._before: Any = None

    def __enter__(self) -> Watch:
        if not self.quiet and sys.stderr.isatty():
            self._bar = Progress(
                TextColumn("{task.description}"),
                BarColumn(),
                TextColumn("{task.percentage:>3.0f} %"),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._bar.start()
            self._task = self._bar.add_task(self.title, total=1.0)
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._interrupt)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        if self.stopped.is_set():
            raise KeyboardInterrupt
        self.stopped.set()

    def progress(self, share: float, message: str) -> None:
        """Show how far the work is."""
        if self._bar is not None:
            self._bar.update(self._task, completed=share, description=f"{self.title}: {message}")

    def should_stop(self) -> bool:
        """Whether Ctrl+C was pressed."""
        return self.stopped.is_set()
