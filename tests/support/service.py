"""A service manager, a watcher elsewhere, and what is asked of a running service."""

from __future__ import annotations

import http.client
import signal
import socket
import subprocess
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from support.journey import Journey


def free_port() -> int:
    """A port of loopback where nobody listens, which is given to nobody else while this runs.

    A socket of ours stays bound to it and never listens, so the kernel gives it to nobody who asks
    for any port or calls out, and a call to it is refused. A server that lets addresses be used
    again, as all those of the tests do, may listen on it, stop, and listen again: SO_REUSEADDR in
    socket(7) of Linux. One that was merely free a moment ago may belong to another test by now.
    """
    kept = socket.socket()
    kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    kept.bind(("127.0.0.1", 0))
    _kept.append(kept)
    return kept.getsockname()[1]


_kept: list[socket.socket] = []


def wait_for(found: Callable[[], object], what: str, seconds: float = 60) -> object:
    """What `found` gives once it gives anything."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if result := found():
            return result
        time.sleep(0.05)
    raise AssertionError(f"waited {seconds} s for {what}")


class Manager:
    """Listens where a service manager would; `said` holds each datagram as a dict."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.said: list[dict[str, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self._socket.settimeout(0.1)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)

    def __enter__(self) -> Manager:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(5)
        self._socket.close()
        if not self.address.startswith("@"):
            Path(self.address).unlink(missing_ok=True)

    def _listen(self) -> None:
        while not self._over.is_set():
            try:
                text = self._socket.recv(4096).decode()
            except TimeoutError:
                continue
            self.said.append(dict(line.split("=", 1) for line in text.splitlines()))

    def count(self, name: str) -> int:
        return sum(name in one for one in self.said)

    @property
    def ticks(self) -> int:
        """How many ticks have ended; each says when the next morning is."""
        return sum("next morning" in one.get("STATUS", "") for one in self.said)


@contextmanager
def ticked(journey: Journey, services: int = 1) -> Iterator[list[subprocess.Popen[str]]]:
    """So many services, once each has ended its first tick, or itself; killed at the end.

    All that is due is done then, and nothing more is for a minute.
    """
    with ExitStack() as stack:
        running = []
        for _ in range(services):
            address = f"@windowcast-{uuid.uuid4().hex}"
            manager = stack.enter_context(Manager(address))
            process = journey.start("serve", NOTIFY_SOCKET=address)
            stack.callback(process.communicate)
            stack.callback(process.kill)
            running.append((manager, process))
        for manager, process in running:
            wait_for(lambda: manager.ticks or process.poll() is not None, "a tick")  # noqa: B023
        yield [process for _, process in running]


def stopped(process: subprocess.Popen[str], how: signal.Signals = signal.SIGTERM) -> str:
    """Its log, after it was told to stop."""
    process.send_signal(how)
    _, said = process.communicate(timeout=60)
    return said


class Watcher:
    """A server elsewhere that wants a sign of life; `asked` holds the paths."""

    def __init__(self, status: int = 200) -> None:
        self.asked: list[str] = []
        watcher = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                watcher.asked.append(self.path)
                self.send_response(status)
                if status == 302:
                    self.send_header("Location", "/elsewhere")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_address[1]

    def __enter__(self) -> Watcher:
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()


def ask(port: int, path: str, method: str = "GET", **headers: str) -> http.client.HTTPResponse:
    """One request; the answer with its body read as `.text`."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        connection.request(method, path, headers=headers)
        answer = connection.getresponse()
        answer.text = answer.read().decode()  # type: ignore[attr-defined]
    finally:
        connection.close()
    return answer
