"""A few fixed pages over HTTP for whoever looks after the service; nothing can be changed there."""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from socketserver import TCPServer
from typing import Any, NamedTuple
from urllib.parse import urlsplit

CONNECTIONS = 8
"""At once; more are shut unanswered, so that nobody can use up memory or threads."""


class Page(NamedTuple):
    """What is answered."""

    status: int
    content_type: str
    body: bytes


class HealthServer:
    """Pages by path, each made anew for each request; a context manager.

    listen:  address and port; port 0: any free one, `port` says which
    others:  requests for any host name are answered, not only for this machine's own names: a page
             in a browser could otherwise reach it under a name of its own
    read_timeout_s,  for one read, and for a connection from its first byte to its last
    deadline_s:

    Raises OSError where the address cannot be had.
    """

    def __init__(
        self,
        listen: tuple[str, int],
        pages: Mapping[str, Callable[[], Page]],
        *,
        others: bool,
        read_timeout_s: float = 5.0,
        deadline_s: float = 15.0,
    ) -> None:
        self._server = _Server(listen, dict(pages), others, read_timeout_s, deadline_s)
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, name="health", kwargs={"poll_interval": 0.2}
        )
        self._thread.daemon = True
        self._thread.start()

    def __enter__(self) -> HealthServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 16

    def __init__(
        self,
        listen: tuple[str, int],
        pages: dict[str, Callable[[], Page]],
        others: bool,
        read_timeout_s: float,
        deadline_s: float,
    ) -> None:
        self.read_timeout_s = read_timeout_s
        self._deadline_s = deadline_s
        self.pages = pages
        self.others = others
        self._free = threading.BoundedSemaphore(CONNECTIONS)
        if ":" in listen[0]:
            self.address_family = socket.AF_INET6
        super().__init__(listen, _Handler)

    def server_bind(self) -> None:
        # The ancestor looks its own name up, which can wait for a name server.
        TCPServer.server_bind(self)
        self.server_name, self.server_port = str(self.server_address[0]), self.server_address[1]

    def process_request(self, request: Any, client_address: Any) -> None:
        if not self._free.acquire(blocking=False):
            self.shutdown_request(request)
            return
        super().process_request(request, client_address)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        timer = threading.Timer(self._deadline_s, _shut, (request,))
        timer.daemon = True
        timer.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            timer.cancel()
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that breaks off is no news."""


def _shut(request: socket.socket) -> None:
    try:
        request.shutdown(socket.SHUT_RDWR)
    except OSError:
        return


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    error_content_type = "text/plain; charset=utf-8"
    error_message_format = "%(code)d %(message)s\n"

    def setup(self) -> None:
        super().setup()
        self.connection.settimeout(self.server.read_timeout_s)

    def version_string(self) -> str:
        return "windowcast"

    def log_message(self, format: str, *args: Any) -> None:
        """Whoever asks each few seconds would fill the log."""

    def parse_request(self) -> bool:
        if not super().parse_request():
            return False
        self.close_connection = True
        if self.command not in ("GET", "HEAD"):
            self._answer(
                Page(HTTPStatus.METHOD_NOT_ALLOWED, self.error_content_type, b"only GET and HEAD\n")
            )
        elif not (self.server.others or _this_machine(self.headers.get("Host", ""))):
            self._answer(
                Page(HTTPStatus.MISDIRECTED_REQUEST, self.error_content_type, b"not this host\n")
            )
        else:
            self._answer(self._page())
        return False  # answered: the ancestor need not look for a method of ours

    def _page(self) -> Page:
        make = self.server.pages.get(self.path)
        if make is None:
            known = ", ".join(sorted(self.server.pages))
            text = f"there is only {known}\n".encode()
            return Page(HTTPStatus.NOT_FOUND, self.error_content_type, text)
        return make()

    def _answer(self, page: Page) -> None:
        self.send_response(page.status)
        if page.status == HTTPStatus.METHOD_NOT_ALLOWED:
            self.send_header("Allow", "GET, HEAD")
        self.send_header("Content-Type", page.content_type)
        self.send_header("Content-Length", str(len(page.body)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Connection", "close")
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(page.body)


def _this_machine(host: str) -> bool:
    """Whether a Host header names this machine by an address or as localhost; absent is fine."""
    try:
        name = urlsplit(f"//{host}").hostname
        if name in (None, "localhost"):
            return True
        ipaddress.ip_address(str(name))
    except ValueError:
        return False
    return True
