"""windowcast as a process on a real terminal: a pseudo-terminal of a given size."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
from collections.abc import Mapping, Sequence
from typing import NamedTuple

ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
ASKED = (
    "COLUMNS",
    "LINES",
    "NO_COLOR",
    "WINDOWCAST_COLOR",
    "COLORTERM",
    "TERM",
    "PYTHONIOENCODING",
)
"""Variables of whoever runs the tests that would decide instead of the test."""


class Shown(NamedTuple):
    """What came on the terminal, what went past it, and the exit status."""

    raw: str
    stdout: str
    stderr: str
    status: int

    @property
    def text(self) -> str:
        """Without colour."""
        return ESCAPE.sub("", self.raw)


def on_terminal(
    command: Sequence[str],
    environment: Mapping[str, str],
    *,
    columns: int = 80,
    streams: Sequence[str] = ("stdout", "stderr"),
    encoding: str = "utf-8",
    timeout: float = 60,
    **variables: str,
) -> Shown:
    """Run a command with these of its streams on a terminal, the others in pipes."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    clean = {name: value for name, value in environment.items() if name not in ASKED}
    process = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=theirs if "stdout" in streams else subprocess.PIPE,
        stderr=theirs if "stderr" in streams else subprocess.PIPE,
        env={**clean, "TERM": "xterm-256color", **variables},
    )
    os.close(theirs)
    raw = b""
    try:
        while part := _read(ours):
            raw += part
        out, err = process.communicate(timeout=timeout)
    finally:
        os.close(ours)
        process.kill()
        process.wait()
    return Shown(
        raw.decode(encoding).replace("\r\n", "\n"),
        (out or b"").decode(encoding),
        (err or b"").decode(encoding),
        process.returncode,
    )


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # Linux says EIO once the last writer has gone
        return b""
