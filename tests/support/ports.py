"""A port of loopback that stays with a test while nothing listens on it."""

from __future__ import annotations

import socket


class ReservedPort:
    """`with ReservedPort() as port:` nobody else on this machine is given that port until the end.

    It is bound and never listened on, so the kernel gives it to nobody who asks for any port or
    calls out, a call to it is refused, and a server that lets addresses be used again, as all those
    of the tests do, may listen on it, stop, and listen again: SO_REUSEADDR in socket(7) of Linux.
    A port that was merely free a moment ago may belong to another test by now.
    """

    def __init__(self) -> None:
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind(("127.0.0.1", 0))
        self.number: int = self._socket.getsockname()[1]

    def __enter__(self) -> int:
        return self.number

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._socket.close()
