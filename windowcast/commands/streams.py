"""The standard streams of a process, whatever they were given as: closed, or on a full disk."""

from __future__ import annotations

import errno
import io
import os
import sys
from collections.abc import Callable
from typing import Any, TextIO

from windowcast.errors import OutputError


def secure() -> None:
    """Have stdout raise OutputError where it takes nothing, and stderr lose what it cannot take.

    A reader of a pipe who has left (`| head`) stays a BrokenPipeError. What is said beside an
    answer must not end the work that it tells of, least of all a service's.
    """
    if sys.stdout is None:
        # Not left to the next file that is opened, which would get what a library prints.
        sys.stdout = _nothing(os.O_RDONLY)
    if sys.stderr is None:
        sys.stderr = _nothing(os.O_WRONLY)
    _guard(sys.stdout, _refuse)
    _guard(sys.stderr, lambda error: None)


def give_up() -> None:
    """Let what stdout still holds back go nowhere, so that the end of the process is quiet."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _nothing(flags: int) -> TextIO:
    """What is closed already: to be written to it is opened for reading, so that writing fails."""
    return io.TextIOWrapper(
        io.BufferedWriter(io.FileIO(os.open(os.devnull, flags), "w")), encoding="utf-8"
    )


def _guard(stream: TextIO, failed: Callable[[OSError], None]) -> None:
    """Below the text, where all that is written comes by."""
    buffer = getattr(stream, "buffer", None)
    # The second where Python is told to hold nothing back.
    if not isinstance(buffer, io.BufferedWriter | io.FileIO):
        return  # somebody's own stream in the place of the process's
    write, flush = buffer.write, buffer.flush

    def guarded_write(octets: Any) -> int:
        try:
            return write(octets)
        except OSError as error:
            failed(error)
            return len(octets)

    def guarded_flush() -> None:
        try:
            flush()
        except OSError as error:
            failed(error)

    vars(buffer).update(write=guarded_write, flush=guarded_flush)


def _refuse(error: OSError) -> None:
    if isinstance(error, BrokenPipeError):
        raise error
    closed = error.errno == errno.EBADF
    why = "it is closed" if closed else (error.strerror or str(error)).lower()
    raise OutputError(f"the standard output cannot be written: {why}") from error
