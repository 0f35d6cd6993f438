"""How far a long fetch or computation is, told to whoever watches: nobody, unless a person sits at
a terminal."""

from __future__ import annotations

from collections.abc import Callable
from contextvars import ContextVar

Watcher = Callable[[str, int, int], None]
"""(what is done, how many are done, of how many); at the end all are."""

_watcher: ContextVar[Watcher | None] = ContextVar("watcher", default=None)


def watched_by(watcher: Watcher) -> None:
    """From here on `watcher` is told."""
    _watcher.set(watcher)


def step(what: str, done: int, of: int) -> None:
    """`done` of `of` are done."""
    watcher = _watcher.get()
    if watcher is not None:
        watcher(what, done, of)
