"""What a person sees while they wait: a bar on standard error, on a terminal only, and only when it takes long."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

__all__ = ["SHOWN_AFTER_S", "Advance", "progress"]

#: A wait that is shorter shows nothing [s].
SHOWN_AFTER_S = 2.0

#: Called with the share that is done, 0 to 1.
Advance = Callable[[float], None]


@contextmanager
def progress(words: str) -> Iterator[Advance | None]:
    """A bar on standard error while the work goes on; None, and nothing at all, where no person watches.

    Work that calls what is given with the share that is done moves the bar; else it runs to and fro.
    """
    if not _watched():
        yield None
        return
    wait = _Wait(words)
    timer = threading.Timer(SHOWN_AFTER_S, wait.show)
    timer.daemon = True
    timer.start()
    try:
        yield wait.advance
    finally:
        timer.cancel()
        wait.end()


def _watched() -> bool:
    try:
        return sys.stderr is not None and sys.stderr.isatty()
    except ValueError:  # it is closed
        return False


class _Wait:
    """One wait, whose bar a timer's thread may show while the work goes on in its own."""

    def __init__(self, words: str) -> None:
        self.words = words
        self.share: float | None = None
        self.bar: Progress | None = None
        self.ended = False
        self.lock = threading.Lock()

    def show(self) -> None:
        with self.lock:
            if self.ended:
                return
            from rich.console import Console
            from rich.progress import Progress

            self.bar = Progress(console=Console(stderr=True), transient=True)
            self.bar.add_task(self.words, total=None)
            self.bar.start()
            self._move()

    def advance(self, share: float) -> None:
        with self.lock:
            self.share = share
            self._move()

    def end(self) -> None:
        with self.lock:
            self.ended = True
            if self.bar is not None:
                self.bar.stop()
                self.bar = None

    def _move(self) -> None:
        if self.bar is not None and self.share is not None:
            self.bar.update(self.bar.task_ids[0], total=1.0, completed=self.share)
