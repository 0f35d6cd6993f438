"""Fetching JSON within bounds, against a real server on loopback."""

from __future__ import annotations

import contextlib
import resource
import socket
import ssl
import threading
import time
import warnings
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import trustme

from support.service import free_port
from support.weather_server import Place, WeatherServer
from windowcast import __version__
from windowcast.edges.allowance import Budget, Spent
from windowcast.edges.http import BadRequest, Fetcher, NoNumbers, clean, is_loopback
from windowcast.errors import WeatherError, WeatherRefused, WeatherUnreachable, WeatherUnusable

FORECAST = "/v1/forecast"
QUERY = {
    "latitude": "45.0",
    "longitude": "7.5",
    "daily": "temperature_2m_max",
    "timezone": "GMT",
    "forecast_days": "4",
}
NOW = datetime(2026, 8, 31, 10, 0, 37, tzinfo=UTC)


@pytest.fixture
def server() -> Iterator[WeatherServer]:
    place = Place(daily_highs=[21.0, 22.0, 23.0, 24.0], timezone="UTC")
    with WeatherServer(default=place, now=NOW) as running:
        yield running


class Desk:
    """A fetcher with short limits, whose waits and announcements are noted and take no time."""

    def __init__(self, **options: object) -> None:
        self.said: list[str] = []
        self.slept: list[float] = []
        limits = {"connect_timeout_s": 1.0, "read_timeout_s": 5.0, **options}
        self.fetcher = Fetcher(
            say=self.said.append,
            sleep=self.slept.append,
            now=lambda: NOW,
            **limits,  # type: ignore[arg-type]
        )

    def get(self, url: str, deadline_s: float = 5.0) -> object:
        with self.fetcher:
            return self.fetcher.get_json(url, QUERY, deadline_s=deadline_s)

    def error(self, url: str, deadline_s: float = 5.0) -> WeatherError:
        with pytest.raises(WeatherError) as caught:
            self.get(url, deadline_s)
        return caught.value


def test_a_good_answer(server: WeatherServer) -> None:
    found = Desk(contact="bees@example.org").get(server.forecast_url)

    assert isinstance(found, dict)
    assert found["daily"]["temperature_2m_max"] == [21.0, 22.0, 23.0, 24.0]
    _, query, headers = server.seen[0]
    assert query == QUERY
    assert headers["User-Agent"] == f"windowcast/{__version__} (bees@example.org)"


def test_the_key_is_a_header_and_never_in_an_error(server: WeatherServer) -> None:
    server.fail(FORECAST, "ok", "status:403:plan too small")
    desk = Desk(api_key="a-secret-key")
    with desk.fetcher:
        desk.fetcher.get_json(server.forecast_url, QUERY)
        with pytest.raises(WeatherRefused, match=r"403: plan too small.*api_key_env") as caught:
            desk.fetcher.get_json(server.forecast_url, QUERY)

    assert [headers["X-Api-Key"] for _, _, headers in server.seen] == ["a-secret-key"] * 2
    assert all("a-secret-key" not in str(query) for _, query, _ in server.seen)
    assert "secret" not in str(caught.value)


@pytest.mark.parametrize(
    ("fault", "kind", "words", "requests"),
    [
        pytest.param("status:500", WeatherUnreachable, "is failing (500", 3, id="500"),
        pytest.param("status:503", WeatherUnreachable, "The service is overloaded", 3, id="503"),
        pytest.param("nginx", WeatherUnreachable, "is failing (502)", 3, id="502 with a page"),
        pytest.param("status:400:No such", BadRequest, "(400: No such)", 1, id="400"),
        pytest.param("status:404:Not Found", WeatherRefused, "(404", 1, id="404"),
        pytest.param("status:414:x", BadRequest, "(414", 1, id="address too long"),
        pytest.param("status:401:no key", WeatherRefused, "set [weather] api_key_env", 1, id="401"),
        pytest.param("html", WeatherUnreachable, "(text/html)", 3, id="a page with status 200"),
        pytest.param("truncated", WeatherUnreachable, "cut short", 3, id="body shorter than said"),
        pytest.param("cut-json", WeatherUnreachable, "cut short", 3, id="half of the JSON"),
        pytest.param("stream-error", WeatherUnreachable, "broke off", 3, id="failure mid-stream"),
        pytest.param("close", WeatherUnreachable, "connection broke off", 3, id="no answer"),
        pytest.param("nan", NoNumbers, "has no data there", 1, id="nan"),
        pytest.param("error-200", BadRequest, "something failed", 1, id="error with status 200"),
        pytest.param("429-hourly", WeatherRefused, "again at 11:00 UTC", 1, id="hour used up"),
        pytest.param("429-daily", WeatherRefused, "again at 00:00 UTC", 1, id="day used up"),
        pytest.param("status:429:Slow down", WeatherUnreachable, "Slow down", 3, id="other 429"),
        pytest.param("status:304", WeatherRefused, "(304", 1, id="unchanged, unasked"),
        pytest.param("latin-1", WeatherUnreachable, "garbled", 3, id="no UTF-8"),
        pytest.param("encoding:br", WeatherUnusable, "'br', wanted gzip", 1, id="br"),
        pytest.param("encoding:deflate", WeatherUnusable, "'deflate'", 1, id="deflate"),
        pytest.param("encoding:gzip, gzip", WeatherUnusable, "'gzip, gzip'", 1, id="twice packed"),
        pytest.param("encoding:gzip", WeatherUnreachable, "compression", 3, id="not packed"),
        pytest.param("many-headers", WeatherUnreachable, "broke off", 3, id="endless headers"),
        pytest.param("long-header", WeatherUnreachable, "broke off", 3, id="an endless header"),
    ],
)
def test_a_bad_answer(
    server: WeatherServer, fault: str, kind: type[WeatherError], words: str, requests: int
) -> None:
    server.fail(FORECAST, *[fault] * 3)

    error = Desk().error(server.forecast_url)

    assert isinstance(error, kind)
    assert words in str(error)
    assert "127.0.0.1" in str(error)
    assert server.requests[FORECAST] == requests


def test_a_failure_that_passes_costs_only_a_pause(server: WeatherServer) -> None:
    server.fail(FORECAST, "status:503", "close")
    desk = Desk()

    assert desk.get(server.forecast_url)

    assert desk.fetcher.attempts == 3
    first, second = desk.slept
    assert 0.375 <= first <= 0.625
    assert 1.5 <= second <= 2.5


def test_over_the_minute_limit_the_next_minute_is_waited_for(server: WeatherServer) -> None:
    """At 37 s past the minute: 23 s and a little, announced, at most twice."""
    server.fail(FORECAST, "429-minutely", "429-minutely")
    desk = Desk()

    assert desk.get(server.forecast_url)

    assert desk.slept == [24.5, 24.5]
    assert desk.said[0].startswith("waiting 24 s: 127.0.0.1 is over its limit for this minute")


def test_a_third_minute_is_not_waited_for(server: WeatherServer) -> None:
    server.fail(FORECAST, *["429-minutely"] * 3)
    desk = Desk()

    error = desk.error(server.forecast_url)

    assert isinstance(error, WeatherUnreachable)
    assert len(desk.slept) == 2


def test_too_many_at_once_is_tried_again_after_seconds(server: WeatherServer) -> None:
    server.fail(FORECAST, "429-concurrent")
    desk = Desk()

    assert desk.get(server.forecast_url)

    assert 2 <= desk.slept[0] <= 5
    assert "too many requests" in desk.said[0]


@pytest.mark.parametrize(
    "value", ["0", "3600", "1000000000", "-5", "soon", "Fri, 31 Dec 2038 23:59:59 GMT"]
)
def test_a_wait_that_the_server_asks_for_holds_nothing_up(
    server: WeatherServer, value: str
) -> None:
    """RFC 6585, 4, and RFC 9110, 10.2.3: a 429 may carry Retry-After, as seconds or a date."""
    server.fail(FORECAST, *[f"retry-after:{value}"] * 3)
    desk = Desk()

    error = desk.error(server.forecast_url)

    assert isinstance(error, WeatherUnreachable)
    assert "over a limit (429)" in str(error)
    assert server.requests[FORECAST] == 3
    assert sum(desk.slept) < 4


def test_a_byte_order_mark_does_no_harm(server: WeatherServer) -> None:
    """RFC 8259, 8.1: JSON must not be sent with one, and a reader may overlook it."""
    server.fail(FORECAST, "byte-order-mark")

    assert Desk().get(server.forecast_url)


def test_a_long_reason_is_cut_and_cleaned(server: WeatherServer) -> None:
    server.fail(FORECAST, "status:400:" + "\x1b[31mred\r\nX: y" + "z" * 500)

    text = str(Desk().error(server.forecast_url))

    assert text.isprintable()
    assert len(text) < 260


@pytest.mark.parametrize("fault", ["drip", "drip-headers", "endless"])
def test_a_slow_or_endless_answer_ends_at_the_deadline(server: WeatherServer, fault: str) -> None:
    """Each byte in time for the time-out of one read, the whole never."""
    server.fail(FORECAST, fault)
    desk = Desk(cap_bytes=2**40) if fault == "endless" else Desk()
    before = time.monotonic()

    error = desk.error(server.forecast_url, deadline_s=0.5)

    assert time.monotonic() - before < 5
    assert isinstance(error, WeatherUnreachable)
    assert "no whole answer within 0.5 s" in str(error)


def test_a_silent_server_ends_at_the_time_out_of_a_read(server: WeatherServer) -> None:
    server.fail(FORECAST, "hang", "hang", "hang")
    desk = Desk(read_timeout_s=0.4)

    error = desk.error(server.forecast_url, deadline_s=9)

    assert isinstance(error, WeatherUnreachable)
    assert str(error) == "127.0.0.1: silent for 0.4 s"


def test_after_a_deadline_the_next_request_is_answered(server: WeatherServer) -> None:
    """The connection that was shut is not used again."""
    server.fail(FORECAST, "drip")
    desk = Desk()
    with desk.fetcher:
        with pytest.raises(WeatherUnreachable):
            desk.fetcher.get_json(server.forecast_url, QUERY, deadline_s=0.3)

        assert desk.fetcher.get_json(server.forecast_url, QUERY)


def test_an_endless_answer_ends_at_the_cap(server: WeatherServer) -> None:
    server.fail(FORECAST, "endless")

    error = Desk(cap_bytes=2**20).error(server.forecast_url)

    assert isinstance(error, WeatherUnusable)
    assert "more than 1 MB" in str(error)


def test_a_packed_answer_is_capped_by_its_unpacked_size(server: WeatherServer) -> None:
    """300 MB in a third of a megabyte: refused, and never held in memory."""
    server.fail(FORECAST, "gzip-bomb")
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    error = Desk(cap_bytes=2**20).error(server.forecast_url)

    assert isinstance(error, WeatherUnusable)
    # The server runs in this very process and makes the bomb piece by piece.
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < 60_000


def test_a_redirect_within_the_host_is_followed(server: WeatherServer) -> None:
    query = "&".join(f"{key}={value}" for key, value in QUERY.items())
    server.fail(FORECAST, f"redirect:{server.forecast_url}?{query}")

    assert Desk().get(server.forecast_url)


@pytest.mark.parametrize(
    ("target", "words"),
    [
        pytest.param("https://weather.example/v1", "another host, weather.example", id="host"),
        pytest.param("http://127.0.0.2:1/v1", "another host, 127.0.0.2", id="loopback's other"),
        pytest.param("http://[::1]:1/v1", "another host, ::1", id="the other family"),
    ],
)
def test_a_redirect_to_another_host_is_not(server: WeatherServer, target: str, words: str) -> None:
    server.fail(FORECAST, f"redirect:{target}")

    error = Desk(api_key="k").error(server.forecast_url)

    assert isinstance(error, WeatherRefused)
    assert words in str(error)


def test_a_redirect_in_a_circle_ends(server: WeatherServer) -> None:
    server.fail(FORECAST, *[f"redirect:{server.forecast_url}"] * 9)

    error = Desk().error(server.forecast_url)

    assert "redirects more than 3 times" in str(error)
    assert server.requests[FORECAST] == 4


@pytest.mark.parametrize(
    ("url", "words"),
    [
        pytest.param("http://weather.example/v1", "without encryption", id="http elsewhere"),
        pytest.param("ftp://weather.example/v1", "is not the address", id="another scheme"),
        pytest.param("weather.example/v1", "is not the address", id="no scheme"),
    ],
)
def test_an_address_that_is_not_asked(url: str, words: str) -> None:
    error = Desk().error(url)

    assert isinstance(error, WeatherRefused)
    assert words in str(error)


def test_nobody_listens() -> None:
    error = Desk().error(f"http://127.0.0.1:{free_port()}/v1/forecast")

    assert isinstance(error, WeatherUnreachable)
    assert str(error) == "127.0.0.1: connection refused"


def test_a_name_that_does_not_exist(monkeypatch: pytest.MonkeyPatch) -> None:
    """The top-level domain .invalid never exists (RFC 6761, section 6.4)."""
    monkeypatch.setenv("no_proxy", "*")

    error = Desk().error("https://weather.invalid/v1/forecast", deadline_s=30)

    assert isinstance(error, WeatherUnreachable)
    assert str(error) == "weather.invalid: its name cannot be looked up"


def test_nobody_answers_the_call() -> None:
    """A full queue of connections: further ones are neither taken nor refused."""
    with contextlib.ExitStack() as held:
        listener = held.enter_context(socket.socket())
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        for _ in range(4):
            one = held.enter_context(socket.socket())
            one.setblocking(False)
            one.connect_ex(listener.getsockname())
        error = Desk().error(f"http://127.0.0.1:{listener.getsockname()[1]}/v1/forecast")

    assert isinstance(error, WeatherUnreachable)
    assert str(error) == "127.0.0.1: no connection within 1 s"


def test_a_proxy_that_is_down_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not the weather service, which may be well."""
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        for name in ("https_proxy", "HTTPS_PROXY"):
            monkeypatch.setenv(name, f"http://127.0.0.1:{closed.getsockname()[1]}")
        for name in ("no_proxy", "NO_PROXY"):
            monkeypatch.delenv(name, raising=False)

        error = Desk().error("https://weather.invalid/v1/forecast")

    assert isinstance(error, WeatherUnreachable)
    assert str(error) == "weather.invalid: the proxy does not connect"


def test_where_one_family_of_addresses_is_silent_the_other_is_asked(
    server: WeatherServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host with two addresses, as many have; nobody listens at the first."""
    port = int(server.url.rpartition(":")[2])
    both = [
        (socket.AF_INET6, socket.SOCK_STREAM, 6, "", ("::1", port, 0, 0)),
        (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", port)),
    ]
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: both)

    assert Desk().get(f"http://localhost:{port}/v1/forecast")


def test_loopback_is_asked_directly(
    server: WeatherServer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Neither a proxy of the environment nor a password file comes in between."""
    passwords = tmp_path / "netrc"
    passwords.write_text("machine 127.0.0.1 login me password mine\n")
    passwords.chmod(0o600)
    monkeypatch.setenv("NETRC", str(passwords))
    monkeypatch.setenv("http_proxy", "http://127.0.0.1:1")

    assert Desk().get(server.forecast_url)

    assert "Authorization" not in server.seen[0][2]


def test_a_certificate_that_nobody_vouches_for_is_refused() -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    trustme.CA().issue_cert("127.0.0.1").configure_cert(context)
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def shake_hands() -> None:
            accepted, _ = listener.accept()
            with accepted, contextlib.suppress(OSError):
                context.wrap_socket(accepted, server_side=True).close()

        thread = threading.Thread(target=shake_hands, daemon=True)
        thread.start()
        error = Desk().error(f"https://127.0.0.1:{listener.getsockname()[1]}/v1/forecast")
        thread.join(5)

    assert isinstance(error, WeatherRefused)
    assert "certificate cannot be trusted" in str(error)


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        pytest.param("expired", WeatherRefused, "(certificate has expired)", id="expired"),
        pytest.param("other host", WeatherRefused, "cannot be trusted", id="another host's"),
        pytest.param("old", WeatherUnreachable, "no encrypted connection", id="TLS 1.1 at most"),
    ],
)
def test_an_encryption_that_is_not_good_enough(
    fault: str, kind: type[WeatherError], words: str, tmp_path: Path
) -> None:
    """From an authority that is trusted; what was asked is never sent."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(
        "127.0.0.2" if fault == "other host" else "127.0.0.1",
        not_after=datetime(2020, 1, 1, tzinfo=UTC) if fault == "expired" else None,
    ).configure_cert(context)
    if fault == "old":
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)
            context.minimum_version = ssl.TLSVersion.TLSv1
            context.maximum_version = ssl.TLSVersion.TLSv1_1
    heard: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def shake_hands() -> None:
            with contextlib.suppress(OSError):
                while True:
                    accepted, _ = listener.accept()
                    with accepted, contextlib.suppress(OSError):
                        accepted.settimeout(5)
                        with context.wrap_socket(accepted, server_side=True) as safe:
                            heard.append(safe.recv(4096))

        threading.Thread(target=shake_hands, daemon=True).start()
        desk = Desk()
        desk.fetcher._session.verify = str(tmp_path / "ca.pem")
        error = desk.error(f"https://127.0.0.1:{listener.getsockname()[1]}/v1/forecast")
        listener.shutdown(socket.SHUT_RDWR)

    assert isinstance(error, kind)
    assert words in str(error)
    assert b"".join(heard) == b""


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("localhost", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("api.open-meteo.com", False),
        ("10.0.0.1", False),
        ("localhost.example", False),
    ],
)
def test_is_loopback(host: str, expected: bool) -> None:
    assert is_loopback(host) is expected


def test_clean() -> None:
    assert clean("a\r\nb\x00c\u202e  d") == "a b c d"
    assert clean("x" * 10, 5) == "xxxx…"


class Clock:
    """An instant that only sleeping moves."""

    def __init__(self, instant: datetime) -> None:
        self.instant = instant
        self.said: list[str] = []

    def now(self) -> datetime:
        return self.instant

    def sleep(self, seconds: float) -> None:
        self.instant += timedelta(seconds=seconds)

    def budget(self, **limits: float | None) -> Budget:
        chosen = {"per_minute": None, "per_hour": None, "per_day": None} | limits
        return Budget(**chosen, say=self.said.append, sleep=self.sleep, now=self.now)

    def budget_for(
        self,
        host: str,
        *,
        minute: float | None = None,
        day: float | None = None,
        spent: Spent | None = None,
    ) -> Budget:
        return Budget.for_host(
            host,
            calls_per_minute=minute,
            calls_per_day=day,
            say=self.said.append,
            spent=spent,
            sleep=self.sleep,
            now=self.now,
        )


def test_the_minute_budget_waits_for_the_next_minute() -> None:
    clock = Clock(NOW)
    budget = clock.budget(per_minute=600)

    budget.take(583, "0 of 300 yards done")
    budget.take(583, "100 of 300 yards done")

    assert clock.said == [
        "waiting 24 s for the weather service's minute budget; 100 of 300 yards done"
    ]
    assert clock.instant == datetime(2026, 8, 31, 10, 1, 1, 500_000, tzinfo=UTC)


def test_a_request_above_the_minute_budget_goes_alone() -> None:
    clock = Clock(NOW)
    budget = clock.budget(per_minute=5)

    budget.take(9)
    assert clock.said == []
    budget.take(9)

    assert len(clock.said) == 1


def test_the_hour_budget_waits_for_the_next_hour() -> None:
    clock = Clock(NOW)
    budget = clock.budget(per_hour=100)

    budget.take(80)
    budget.take(80)

    assert clock.said == ["waiting 59 min for the weather service's hour budget"]
    assert clock.instant.hour == 11


def test_the_day_budget_refuses_and_counts_nothing() -> None:
    clock = Clock(NOW)
    budget = clock.budget_for("api.open-meteo.com", spent=Spent(NOW.date(), 9_990))

    budget.take(10)
    with pytest.raises(WeatherRefused, match="00:00 UTC"):
        budget.take(1)

    assert budget.spent == Spent(date(2026, 8, 31), 10_000)


def test_yesterday_does_not_count() -> None:
    clock = Clock(NOW)
    budget = clock.budget_for("api.open-meteo.com", spent=Spent(date(2026, 8, 30), 9_999))

    budget.take(100)

    assert budget.spent == Spent(date(2026, 8, 31), 100)


def test_the_day_begins_anew_at_midnight_utc() -> None:
    clock = Clock(datetime(2026, 8, 31, 23, 59, 50, tzinfo=UTC))
    budget = clock.budget(per_minute=600, per_day=1000)

    budget.take(600)
    budget.take(600)

    assert budget.spent == Spent(date(2026, 9, 1), 600)


@pytest.mark.parametrize(
    ("host", "minute", "expected"),
    [
        pytest.param("api.open-meteo.com", None, 600.0, id="the public service"),
        pytest.param("customer-api.open-meteo.com", None, None, id="the paid service"),
        pytest.param("weather.example", None, None, id="one's own server"),
        pytest.param("notopen-meteo.com", None, None, id="a name that only ends alike"),
        pytest.param("127.0.0.1", None, None, id="loopback"),
        pytest.param("127.0.0.1", 30.0, 30.0, id="loopback with a limit of one's own"),
        pytest.param("api.open-meteo.com", 0.0, None, id="0 is no limit"),
        pytest.param("api.open-meteo.com", 90.0, 90.0, id="a limit of one's own"),
    ],
)
def test_which_budget_a_host_has(host: str, minute: float | None, expected: float | None) -> None:
    assert Clock(NOW).budget_for(host, minute=minute).per_minute == expected
