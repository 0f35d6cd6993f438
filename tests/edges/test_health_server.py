"""The pages for whoever looks after the service, over real connections."""

from __future__ import annotations

import socket
import threading
import time

import pytest

from support.service import ask
from windowcast.edges import health_server
from windowcast.edges.health_server import HealthServer, Page


@pytest.fixture
def server():
    pages = {"/healthz": lambda: Page(503, "application/json", b'{"status": "failing"}\n')}
    with HealthServer(("127.0.0.1", 0), pages, others=False) as one:
        yield one


def test_a_page(server):
    answer = ask(server.port, "/healthz")

    assert (answer.status, answer.text) == (503, '{"status": "failing"}\n')
    assert answer.headers["Content-Type"] == "application/json"
    assert answer.headers["Cache-Control"] == "no-store"
    assert "Python" not in str(answer.headers)


def test_head_has_the_length_and_no_body(server):
    answer = ask(server.port, "/healthz", "HEAD")

    assert (answer.status, answer.text) == (503, "")
    assert answer.headers["Content-Length"] == "22"


@pytest.mark.parametrize("path", ["/", "/healthz/", "/healthz?x=1", "/../healthz", "//healthz/x"])
def test_there_is_nothing_else(server, path):
    answer = ask(server.port, path)

    assert (answer.status, answer.text) == (404, "there is only /healthz\n")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "TRACE"])
def test_nothing_can_be_changed(server, method):
    answer = ask(server.port, "/healthz", method)

    assert answer.status == 405
    assert answer.headers["Allow"] == "GET, HEAD"


def test_a_body_is_not_waited_for(server):
    """RFC 9110, 9.3.1: content in a GET request has no meaning."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as one:
        one.sendall(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nContent-Length: 999999\r\n\r\n")
        assert one.recv(100).startswith(b"HTTP/1.0 503 ")


@pytest.mark.parametrize(
    ("host", "status"),
    [
        pytest.param("localhost:9187", 503, id="this machine"),
        pytest.param("127.0.0.1", 503, id="an address"),
        pytest.param("[::1]:9187", 503, id="an address of six"),
        pytest.param("bees.example.org", 421, id="a name that somebody else gave it"),
    ],
)
def test_a_page_in_a_browser_cannot_reach_it_under_a_name_of_its_own(server, host, status):
    assert ask(server.port, "/healthz", Host=host).status == status


@pytest.mark.parametrize(
    ("head", "status"),
    [
        pytest.param(b"X: " + b"x" * 70_000 + b"\r\n", b"431", id="a long header"),
        pytest.param(b"".join(b"X%d: y\r\n" % n for n in range(200)), b"431", id="many headers"),
    ],
)
def test_headers_have_a_limit(server, head, status):
    """431: RFC 6585, section 5."""
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as one:
        one.sendall(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n" + head + b"\r\n")
        assert one.recv(100).split()[1] == status


PAGES = {"/healthz": lambda: Page(200, "text/plain", b"x")}


def test_who_says_nothing_is_left():
    with (
        HealthServer(("127.0.0.1", 0), PAGES, others=False, read_timeout_s=0.3) as server,
        socket.create_connection(("127.0.0.1", server.port), timeout=10) as one,
    ):
        assert one.recv(100) == b""


def test_who_drips_is_cut_off():
    with (
        HealthServer(("127.0.0.1", 0), PAGES, others=False, deadline_s=0.6) as server,
        socket.create_connection(("127.0.0.1", server.port), timeout=10) as one,
    ):
        sent = 0
        try:
            for _ in range(100):
                sent += one.send(b"G")
                time.sleep(0.1)
        except OSError:
            pass
    assert 0 < sent < 100


def test_those_who_hold_connections_open_are_bounded_and_it_answers_again(server):
    before = threading.active_count()
    held = [
        socket.create_connection(("127.0.0.1", server.port), timeout=10)
        for _ in range(3 * health_server.CONNECTIONS)
    ]
    try:
        # the last ones are shut unanswered
        assert held[-1].recv(1) == b""
        # one thread and one timer each
        assert threading.active_count() - before <= 2 * health_server.CONNECTIONS
    finally:
        for one in held:
            one.close()
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            assert ask(server.port, "/healthz").status == 503
            return
        except (ConnectionError, OSError):
            time.sleep(0.1)
    raise AssertionError("it does not answer any more")


def test_an_address_that_is_taken_is_an_error(server):
    with pytest.raises(OSError):
        HealthServer(("127.0.0.1", server.port), {}, others=False)


def test_the_other_internet_protocol():
    with (
        HealthServer(("::1", 0), PAGES, others=True) as server,
        socket.create_connection(("::1", server.port), timeout=10) as asked,
    ):
        asked.sendall(b"GET /healthz HTTP/1.1\r\nHost: anything.example.org\r\n\r\n")
        assert asked.recv(100).startswith(b"HTTP/1.0 200 ")
