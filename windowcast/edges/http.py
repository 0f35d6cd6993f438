"""GET one JSON document, within bounds that hold whatever the other side does.

Time-outs of an HTTP library are per read: a server that sends a byte now and then holds such a
caller for ever. So each request here also has a total deadline, kept by a timer that shuts the
socket, and a cap on the bytes after decompression. What can go wrong becomes one of the weather
errors; their texts name the host and never hold a key.
"""

from __future__ import annotations

import contextlib
import ipaddress
import random
import re
import socket
import threading
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from datetime import timedelta
from types import TracebackType
from typing import Any, Self, TypeVar
from urllib.parse import urljoin, urlsplit

import orjson
import requests
import urllib3
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from windowcast import __version__
from windowcast.edges.allowance import AFTER_THE_TURN_S, Now, Say, Sleep, hour_of, utc_now
from windowcast.errors import WeatherError, WeatherRefused, WeatherUnreachable, WeatherUnusable

T = TypeVar("T")

DEADLINE_S = 60.0
# Longer than an answer takes; somebody at a terminal then wants to know what is going on.
SLOW_S = 5.0
CAP_BYTES = 64 * 2**20
ATTEMPTS = 3
MINUTE_WAITS = 2
REDIRECTS = 3
REASON_CHARACTERS = 200
_CHUNK_BYTES = 64 * 1024
_ERROR_BODY_BYTES = 64 * 1024
_STREAM_ERROR = b"Unexpected error while streaming data"
_BARE_NAN = re.compile(rb"[:\[,]\s*-?(?:nan|NaN|inf|Infinity)\s*[,\]}]")


class BadRequest(WeatherRefused):
    """The server refuses this very request (400, 414 …): another one may be answered."""


class NoNumbers(WeatherUnusable):
    """The answer holds `nan`, which is not JSON: the service has no data at a place asked for."""


class NotChanged(WeatherError):
    """The server has nothing newer than what was asked about (304)."""


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this machine itself."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def clean(text: str, characters: int = REASON_CHARACTERS) -> str:
    """Someone else's text made fit for a log line and a mail: one line, printable, cut."""
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return flat if len(flat) <= characters else flat[: characters - 1] + "…"


class Fetcher:
    """GET JSON documents from weather servers, one after another; a context manager.

    say:                receives a line whenever something is waited for
    contact:            an address for the service's operators, part of the User-Agent
    api_key:            sent as the header X-Api-Key; "" for none
    connect_timeout_s,
    read_timeout_s:     for one connection attempt, for one read
    cap_bytes:          the largest body, after decompression
    pauses_s:           the pauses before the second and third attempt, each varied by a quarter
    sleep, now:         how to wait, and the clock that minute boundaries are read from
    """

    def __init__(
        self,
        *,
        say: Say,
        contact: str = "",
        api_key: str = "",
        connect_timeout_s: float = 10.0,
        read_timeout_s: float = 30.0,
        cap_bytes: int = CAP_BYTES,
        pauses_s: tuple[float, ...] = (0.5, 2.0),
        sleep: Sleep = time.sleep,
        now: Now = utc_now,
    ) -> None:
        self._say = say
        self._api_key = api_key
        self._timeout = (connect_timeout_s, read_timeout_s)
        self._cap_bytes = cap_bytes
        self._pauses_s = pauses_s
        self._sleep = sleep
        self._now = now
        self._sockets = _OpenSockets()
        self.attempts = 0
        self.headers: Mapping[str, str] = {}
        self._session = requests.Session()
        # An authenticator of our own keeps requests from sending what a .netrc file holds.
        self._session.auth = _no_credentials
        self._session.headers.update(
            {
                "User-Agent": f"windowcast/{__version__} ({contact or 'apiary planning service'})",
                "Accept": "application/json",
                # Only what is unpacked here, under the cap.
                "Accept-Encoding": "gzip",
            }
        )
        adapter = _Adapter(self._sockets)
        self._session.mount("https://", adapter)
        self._session.mount("http://", adapter)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self._session.close()

    def get_json(
        self,
        url: str,
        parameters: Mapping[str, str],
        *,
        deadline_s: float = DEADLINE_S,
        since: str = "",
    ) -> dict[str, Any] | list[Any]:
        """The JSON object or list that the server answers with; all else as `get`."""
        return self.get(url, parameters, read_document, deadline_s=deadline_s, since=since)

    def get(
        self,
        url: str,
        parameters: Mapping[str, str],
        read: Callable[[str, str, bytes], T],
        *,
        deadline_s: float = DEADLINE_S,
        since: str = "",
        tag: str = "",
        attempts: int = ATTEMPTS,
    ) -> T:
        """What `read` makes of the host's name, the content type and the body of an answer.

        read:        raises as `read_document`, of which `check_document` is a part
        deadline_s:  for all attempts together, announced waits for a full minute aside
        since, tag:  the Last-Modified and the ETag of what is had already; "": nothing is

        At most so many `attempts`, and only after failures that may pass. Over the minute's limit
        (429), the next minute is waited for, at most twice. `Retry-After` is not read: a wait of
        hours belongs to the next run. `attempts` counts every request sent: one for which no
        connection came about, its encryption included, has not left.

        `headers` are those of the last answer.

        Raises WeatherUnreachable, WeatherRefused or WeatherUnusable, and NotChanged where the
        server has nothing newer.
        """
        expires = time.monotonic() + deadline_s
        minute_waits = 0
        failures = 0
        while True:
            left_s = expires - time.monotonic()
            try:
                return self._attempt(url, parameters, read, left_s, deadline_s, (since, tag))
            except _OverMinuteLimit as error:
                if minute_waits == MINUTE_WAITS:
                    raise WeatherUnreachable(str(error)) from error
                minute_waits += 1
                pause_s = 60 - self._now().timestamp() % 60 + AFTER_THE_TURN_S
                self._say(f"waiting {pause_s:.0f} s: {error}")
                before = time.monotonic()
                self._sleep(pause_s)
                expires += time.monotonic() - before
            except WeatherError as error:
                failures += 1
                if not error.retry or failures >= attempts:
                    raise
                if isinstance(error, _TooManyAtOnce):
                    pause_s = random.uniform(2, 5)  # noqa: S311 - spreads load, guards nothing
                    self._say(f"waiting {pause_s:.0f} s: {error}")
                else:
                    pause_s = self._pauses_s[min(failures, len(self._pauses_s)) - 1]
                    pause_s *= random.uniform(0.75, 1.25)  # noqa: S311
                if time.monotonic() + pause_s >= expires:
                    raise
                self._sleep(pause_s)

    def _attempt(
        self,
        url: str,
        parameters: Mapping[str, str],
        read: Callable[[str, str, bytes], T],
        left_s: float,
        deadline_s: float,
        had: tuple[str, str],
    ) -> T:
        host = _checked_host(url)
        timer = threading.Timer(max(left_s, 0.01), self._sockets.shut)
        slow = threading.Timer(SLOW_S, lambda: self._say(f"still waiting for {host}"))
        for each in (timer, slow):
            each.daemon = True
            each.start()
        try:
            status, content_type, body = self._exchange(url, parameters, had)
            if self._sockets.are_shut:
                # What was read up to then can look whole, such as headers without a body.
                raise TimeoutError
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
            if not self._sockets.left:
                self.attempts -= 1
            if self._sockets.are_shut:
                raise WeatherUnreachable(
                    f"{host} gave no whole answer within {deadline_s:g} s"
                ) from error
            raise _transport_error(host, error, self._timeout) from error
        finally:
            timer.cancel()
            slow.cancel()
            timer.join()
            if self._sockets.are_shut:
                # The pool must not hand out a connection that was shut.
                self._session.close()
                self._sockets.forget()
        if status == 304 and any(had):
            raise NotChanged(f"{host} has nothing newer")
        if status != 200:
            raise self._status_error(host, status, body)
        return read(host, content_type, body)

    def _exchange(
        self, url: str, parameters: Mapping[str, str], had: tuple[str, str]
    ) -> tuple[int, str, bytes]:
        """One request, redirects within the host included: status, content type, body."""
        first = urlsplit(url)
        target: str = url
        query: Mapping[str, str] | None = parameters
        since, tag = had
        for _ in range(REDIRECTS + 1):
            host = urlsplit(target).hostname or ""
            # Through a proxy, "loopback" would be the proxy's own machine.
            self._session.trust_env = not is_loopback(host)
            self.attempts += 1
            self._sockets.left = True
            with self._session.get(
                target,
                params=dict(query) if query is not None else None,
                headers={
                    **({"X-Api-Key": self._api_key} if self._api_key else {}),
                    **({"If-Modified-Since": since} if since else {}),
                    **({"If-None-Match": tag} if tag else {}),
                },
                timeout=self._timeout,
                allow_redirects=False,
                stream=True,
            ) as response:
                self.headers = response.headers
                location = response.headers.get("Location", "")
                if response.status_code in (301, 302, 303, 307, 308) and location:
                    target = urljoin(target, location)
                    query = None
                    _check_redirect(first.hostname or "", first.scheme, target)
                    continue
                good = response.status_code == 200
                body = _body(
                    response,
                    first.hostname or "",
                    self._cap_bytes if good else _ERROR_BODY_BYTES,
                    cut=not good,
                )
                return response.status_code, response.headers.get("Content-Type", ""), body
        raise WeatherRefused(f"{first.hostname} redirects more than {REDIRECTS} times")

    def _status_error(self, host: str, status: int, body: bytes) -> WeatherError:
        reason = _reason(body)
        said = f": {reason}" if reason else ""
        if status == 429:
            return self._limit_error(host, reason, said)
        if status in (401, 403):
            hint = (
                "check the key that [weather] api_key_env names, and what it allows"
                if self._api_key
                else "it may want a key: set [weather] api_key_env"
            )
            return WeatherRefused(f"{host} does not allow this ({status}{said}); {hint}")
        if status >= 500 or status == 408:
            return WeatherUnreachable(f"{host} is failing ({status}{said})")
        kind = BadRequest if status in (400, 413, 414, 422) else WeatherRefused
        return kind(f"{host} refuses the request ({status}{said})")

    def _limit_error(self, host: str, reason: str, said: str) -> WeatherError:
        words = reason.lower()
        instant = self._now()
        if "minutely" in words:
            return _OverMinuteLimit(f"{host} is over its limit for this minute")
        if "concurrent" in words:
            return _TooManyAtOnce(f"{host} has too many requests from this address at once")
        if "hourly" in words:
            again = hour_of(instant) + timedelta(hours=1)
            return WeatherRefused(
                f"{host}: the limit for this hour is used up; it works again at {again:%H:%M} UTC"
            )
        if "daily" in words:
            return WeatherRefused(
                f"{host}: the limit for this day is used up; it works again at 00:00 UTC"
            )
        return WeatherUnreachable(f"{host} is over a limit (429{said})")


class _OverMinuteLimit(WeatherUnreachable):
    """Passes when the minute turns."""


class _TooManyAtOnce(WeatherUnreachable):
    """Passes within seconds."""


class _Adapter(HTTPAdapter):
    """Connections that enter their sockets where the deadline's timer finds them."""

    def __init__(self, sockets: _OpenSockets) -> None:
        self._sockets = sockets
        super().__init__(pool_connections=4, pool_maxsize=1, max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs)
        self._enter_sockets(self.poolmanager)

    def proxy_manager_for(self, proxy: str, **kwargs: Any) -> Any:
        manager = super().proxy_manager_for(proxy, **kwargs)
        self._enter_sockets(manager)
        return manager

    def _enter_sockets(self, manager: Any) -> None:
        sockets = self._sockets

        class Plain(HTTPConnection):
            def connect(self) -> None:
                with sockets.connecting():
                    super().connect()
                sockets.enter(self.sock)

        class Encrypted(HTTPSConnection):
            # TLS takes the plain socket over before it shakes hands; a twin of it can be shut
            # while that lasts.
            twin: socket.socket | None = None

            def _new_conn(self) -> socket.socket:
                plain = super()._new_conn()
                self.twin = plain.dup()
                sockets.enter(self.twin)
                return plain

            def connect(self) -> None:
                try:
                    with sockets.connecting():
                        super().connect()
                finally:
                    if self.twin is not None:
                        self.twin.close()
                        self.twin = None
                sockets.enter(self.sock)

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class EncryptedPool(HTTPSConnectionPool):
            ConnectionCls = Encrypted

        manager.pool_classes_by_scheme = {"http": PlainPool, "https": EncryptedPool}


class _OpenSockets:
    """The sockets in use, to be shut from another thread; once shut, also those that come later.

    left:  whether a request can have left: not where its connection did not come about
    """

    def __init__(self) -> None:
        self._all: list[socket.socket] = []
        self.are_shut = False
        self.left = True

    @contextlib.contextmanager
    def connecting(self) -> Iterator[None]:
        self.left = False
        yield
        self.left = True

    def enter(self, new: socket.socket | None) -> None:
        self._all = [one for one in self._all if one.fileno() != -1]
        if new is not None:
            self._all.append(new)
            if self.are_shut:
                _shut(new)

    def shut(self) -> None:
        self.are_shut = True
        for one in list(self._all):
            _shut(one)

    def forget(self) -> None:
        self._all = []
        self.are_shut = False


def _shut(one: socket.socket) -> None:
    # It may have been closed in the meantime.
    with contextlib.suppress(OSError, ValueError):
        # The plain method also on a TLS socket, whose own one is not safe while another thread
        # reads; that thread then sees the end of the stream.
        socket.socket.shutdown(one, socket.SHUT_RDWR)


def _no_credentials(request: requests.PreparedRequest) -> requests.PreparedRequest:
    return request


def _checked_host(url: str) -> str:
    parts = urlsplit(url)
    host = parts.hostname or ""
    if parts.scheme not in ("http", "https") or not host:
        raise WeatherRefused(f"{clean(url)!r} is not the address of a server (https://…)")
    if parts.scheme == "http" and not is_loopback(host):
        raise WeatherRefused(
            f"{host} is asked without encryption; use https:// (http:// is for this machine only)"
        )
    return host


def _check_redirect(host: str, scheme: str, target: str) -> None:
    parts = urlsplit(target)
    if (parts.hostname or "") != host:
        raise WeatherRefused(
            f"{host} redirects to another host, {clean(parts.hostname or '?')}: not followed;"
            " put the right address into [weather]"
        )
    if parts.scheme != "https" and not (scheme == "http" and is_loopback(host)):
        raise WeatherRefused(f"{host} redirects to an address without encryption: not followed")


def _body(response: requests.Response, host: str, cap_bytes: int, *, cut: bool) -> bytes:
    """The body, unpacked. Above the cap: cut where `cut`, else WeatherUnusable."""
    coding = response.headers.get("Content-Encoding", "identity").strip().lower()
    if coding not in ("", "identity", "gzip", "x-gzip"):
        raise WeatherUnusable(f"{host} answers in the encoding {clean(coding)!r}, wanted gzip")
    unpacker = zlib.decompressobj(31) if coding.endswith("gzip") else None
    parts: list[bytes] = []
    size = 0
    for packed in response.raw.stream(_CHUNK_BYTES, decode_content=False):
        pending = packed
        while pending:
            if unpacker is None:
                piece, pending = pending, b""
            else:
                try:
                    piece = unpacker.decompress(pending, cap_bytes - size + 1)
                except zlib.error as error:
                    raise WeatherUnreachable(
                        f"{host}: the answer's compression is broken"
                    ) from error
                pending = unpacker.unconsumed_tail
            parts.append(piece)
            size += len(piece)
            if size > cap_bytes:
                if cut:
                    return b"".join(parts)[:cap_bytes]
                raise WeatherUnusable(
                    f"{host} sends more than {cap_bytes / 2**20:g} MB, far more than was asked for"
                )
    if unpacker is not None and size and not unpacker.eof:
        raise WeatherUnreachable(f"{host}: the answer was cut short")
    return b"".join(parts)


def check_document(host: str, content_type: str, body: bytes) -> None:
    """That a body looks like JSON that was sent whole, before it is read. As `read_document`."""
    if _STREAM_ERROR in body[-2000:]:
        raise WeatherUnreachable(f"{host}: the service broke off in the middle of its answer")
    kind = content_type.partition(";")[0].strip().lower()
    start = body.removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
    if "json" not in kind or start not in (b"{", b"["):
        shown = clean(kind, 40) or "no content type"
        raise WeatherUnreachable(
            f"{host} answers with something other than weather data ({shown}):"
            " an overloaded server, or a network that wants a login"
        )


def read_document(host: str, content_type: str, body: bytes) -> dict[str, Any] | list[Any]:
    """The JSON object or list in a body that came with status 200.

    Raises WeatherUnreachable where trying again may help, NoNumbers for `nan`, BadRequest for an
    error that the service reports in spite of the status.
    """
    check_document(host, content_type, body)
    try:
        found = orjson.loads(body.removeprefix(b"\xef\xbb\xbf"))
    except orjson.JSONDecodeError as error:
        if body.rstrip()[-1:] in (b"}", b"]") and _BARE_NAN.search(body):
            raise NoNumbers(f"{host} has no data there (it answers nan)") from error
        raise WeatherUnreachable(f"{host}: the answer was cut short or garbled") from error
    if isinstance(found, dict) and found.get("error"):
        raise BadRequest(f"{host} refuses the request: {_reason(body) or 'no reason given'}")
    if not isinstance(found, dict | list):
        raise WeatherUnusable(f"{host} answers with neither an object nor a list")
    return found


def _reason(body: bytes) -> str:
    """The service's own words for an error; "" where the body holds none."""
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        return ""
    if not isinstance(found, dict):
        return ""
    # "reason" is this service's own word; "detail" and "title" are those of RFC 9457.
    for key in ("reason", "detail", "title"):
        if isinstance(found.get(key), str):
            return clean(found[key])
    return ""


def _transport_error(
    host: str, error: BaseException, timeout_s: tuple[float, float]
) -> WeatherError:
    causes = _causes(error)
    texts = " ".join(str(cause) for cause in causes)
    if "CERTIFICATE_VERIFY_FAILED" in texts or "doesn't match" in texts:
        detail = re.search(r"certificate verify failed: ([^(\]]+)", texts)
        why = f" ({clean(detail[1], 80)})" if detail else ""
        return WeatherRefused(f"{host}: its certificate cannot be trusted{why}")
    # The narrow kinds first: urllib3 counts a refused connection among the connection time-outs.
    # A proxy's comes before what lies beneath it, which is not the host's doing.
    for kind, words in (
        (requests.exceptions.ProxyError, "the proxy does not connect"),
        (socket.gaierror, "its name cannot be looked up"),
        (urllib3.exceptions.NameResolutionError, "its name cannot be looked up"),
        (ConnectionRefusedError, "connection refused"),
        (requests.ConnectTimeout, f"no connection within {timeout_s[0]:g} s"),
        (urllib3.exceptions.ConnectTimeoutError, f"no connection within {timeout_s[0]:g} s"),
        (requests.Timeout, f"silent for {timeout_s[1]:g} s"),
        (urllib3.exceptions.TimeoutError, f"silent for {timeout_s[1]:g} s"),
        (TimeoutError, f"silent for {timeout_s[1]:g} s"),
        (urllib3.exceptions.IncompleteRead, "the answer was cut short"),
        (requests.exceptions.ChunkedEncodingError, "the answer was cut short"),
        (requests.exceptions.SSLError, "no encrypted connection could be agreed"),
    ):
        if any(isinstance(cause, kind) for cause in causes):
            return WeatherUnreachable(f"{host}: {words}")
    if isinstance(error, requests.exceptions.InvalidURL | requests.exceptions.InvalidSchema):
        return WeatherRefused(f"{host}: not an address that can be asked")
    return WeatherUnreachable(f"{host}: the connection broke off")


def _causes(error: BaseException) -> list[BaseException]:
    """An error and all that led to it, however the libraries wrapped it."""
    found: list[BaseException] = []
    todo: list[object] = [error]
    while todo:
        one = todo.pop(0)
        if not isinstance(one, BaseException) or one in found:
            continue
        found.append(one)
        todo += [one.__cause__, one.__context__, getattr(one, "reason", None), *one.args]
    return found
