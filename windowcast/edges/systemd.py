"""Telling the service manager how the service does, by the protocol of sd_notify(3).

Nothing happens where no service manager listens.
"""

from __future__ import annotations

import socket
from collections.abc import Mapping
from contextlib import suppress


def notify(environ: Mapping[str, str], **assignments: str) -> bool:
    """Send assignments such as READY="1" in one datagram; whether somebody took it.

    Never waits and never raises: a manager that does not listen must not hold the service up.
    """
    address = environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
        return False
    if address.startswith("@"):
        # An abstract socket: not a file, its name begins with a zero byte.
        address = f"\0{address[1:]}"
    text = "\n".join(f"{name}={' '.join(value.split())}" for name, value in assignments.items())
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.setblocking(False)
        one.sendto(text.encode(), address)
        return True
    return False


def watchdog_s(environ: Mapping[str, str], process: int) -> float | None:
    """Within how many seconds the manager wants a sign of life; None: it wants none of us."""
    microseconds = environ.get("WATCHDOG_USEC", "")
    meant = environ.get("WATCHDOG_PID", "")
    if not microseconds.isdecimal() or int(microseconds) == 0:
        return None
    if meant and meant != str(process):
        return None
    return int(microseconds) / 1e6
