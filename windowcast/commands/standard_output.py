"""The standard output kept for what windowcast itself writes."""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def kept_for_answers() -> Iterator[None]:
    """What machine code of libraries prints meanwhile goes to the standard error.

    HiGHS (1.12, in scipy 1.17) prints a line when it mends a solution, whatever it is told; with a
    line in front of it nobody reads a JSON document any more.
    """
    _flush_c()
    kept = os.dup(1)
    try:
        os.dup2(2, 1)
        yield
    finally:
        _flush_c()
        os.dup2(kept, 1)
        os.close(kept)


def _flush_c() -> None:
    """C holds back what it prints to a file or a pipe."""
    try:
        ctypes.CDLL(None).fflush(None)
    except (AttributeError, OSError, TypeError):  # no such library under this name
        return
