"""A WSGI application answered over HTTP in a thread of its own, by waitress."""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Callable, Iterable
from typing import Any

from windowcast.errors import UsageError

THREADS = 4
CONNECTIONS = 60
"""At once, with those that only wait; more are left in the queue of the system."""
SILENT_SECONDS = 30
LONGEST_HEADERS, LONGEST_BODY = 32 * 1024, 256 * 1024
PROGRAM = "windowcast"

Application = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]

log = logging.getLogger("windowcast")


def check_available() -> None:
    """Raises UsageError, with the remedy, where what shows the page is missing."""
    try:
        import flask  # noqa: F401
        import waitress  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "--web needs Flask and waitress, which are not installed whole; install them with:"
            " pip install 'windowcast[web]'"
        ) from error


class WebServer:
    """Listens from its making to `close`; a context manager. `alive` says whether it still does.

    listen:  address and port; port 0: any free one, `port` says which

    What a proxy says of the request in its headers is not believed, and not handed on.
    Raises OSError where the address cannot be had.
    """

    def __init__(self, listen: tuple[str, int], application: Application) -> None:
        from waitress.server import create_server

        # Whom the server itself has something to say to: it would else print it.
        logging.getLogger("waitress").addHandler(_Handing())
        logging.getLogger("waitress").propagate = False
        # Made here, because the server leaves one that it cannot have open.
        self._socket = _listening(listen)
        self.port: int = self._socket.getsockname()[1]
        self._server = create_server(
            application,
            sockets=[self._socket],
            map={},
            threads=THREADS,
            ident=PROGRAM,
            connection_limit=CONNECTIONS,
            channel_timeout=SILENT_SECONDS,
            cleanup_interval=SILENT_SECONDS // 2,
            max_request_header_size=LONGEST_HEADERS,
            max_request_body_size=LONGEST_BODY,
            clear_untrusted_proxy_headers=True,
            expose_tracebacks=False,
        )
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)
        self._thread.start()

    def __enter__(self) -> WebServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._server.run()
        except Exception:
            log.exception("the page has stopped answering")

    def close(self) -> None:
        self._server.close()
        self._thread.join(5)


def _listening(listen: tuple[str, int]) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in listen[0] else socket.AF_INET)
    try:
        if os.name == "posix":
            # Else a service that is started again waits for connections that have ended.
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(listen)
    except BaseException:
        made.close()
        raise
    return made


class _Handing(logging.Handler):
    """Hands on to our own log what is worth reading there."""

    def emit(self, record: logging.LogRecord) -> None:
        if record.levelno >= logging.ERROR:
            log.error("web: %s", record.getMessage())
