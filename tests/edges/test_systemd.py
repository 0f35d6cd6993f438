"""The sd_notify protocol, as systemd's manual page sd_notify(3) describes it: one datagram of lines
NAME=VALUE to $NOTIFY_SOCKET, a path or an abstract name that begins with "@"."""

from __future__ import annotations

import os
import socket

import pytest

from support.service import Manager, wait_for
from windowcast.edges import systemd


@pytest.mark.parametrize("abstract", [False, True], ids=["a path", "an abstract name"])
def test_the_manager_hears_each_assignment(tmp_path, abstract):
    address = f"@windowcast-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with Manager(address) as manager:
        assert systemd.notify({"NOTIFY_SOCKET": address}, READY="1", STATUS="one\ntwo=READY")
        wait_for(lambda: manager.said, "a datagram")
    assert manager.said == [{"READY": "1", "STATUS": "one two=READY"}]


def test_an_abstract_name_is_no_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    systemd.notify({"NOTIFY_SOCKET": "@windowcast-nobody"}, READY="1")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("address", ["", "relative", "vsock:2:1234", "/nowhere/at/all"])
def test_where_nobody_listens_nothing_happens(address):
    assert systemd.notify({"NOTIFY_SOCKET": address}, READY="1") is False
    assert systemd.notify({}, READY="1") is False


def test_a_manager_that_does_not_read_holds_nobody_up(tmp_path):
    address = str(tmp_path / "full")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(address)
        sent = [systemd.notify({"NOTIFY_SOCKET": address}, STATUS="x" * 4000) for _ in range(5000)]
    assert sent[0] is True
    assert sent[-1] is False


@pytest.mark.parametrize(
    ("environ", "expected"),
    [
        pytest.param({"WATCHDOG_USEC": "30000000"}, 30.0, id="microseconds"),
        pytest.param({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "7"}, 30.0, id="meant for us"),
        pytest.param({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "8"}, None, id="for another"),
        pytest.param({"WATCHDOG_USEC": "0"}, None, id="none"),
        pytest.param({"WATCHDOG_USEC": "-5"}, None, id="not a number of anything"),
        pytest.param({}, None, id="no manager"),
    ],
)
def test_how_often_a_sign_of_life_is_wanted(environ, expected):
    """WATCHDOG_USEC and WATCHDOG_PID as in systemd's manual page sd_watchdog_enabled(3)."""
    assert systemd.watchdog_s(environ, process=7) == expected
