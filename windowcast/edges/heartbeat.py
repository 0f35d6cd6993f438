"""A sign of life to a watcher elsewhere, who raises the alarm when it stays away.

Its address is a secret: whoever knows it can fake the sign. No message repeats any of it.
"""

from __future__ import annotations

import threading
from urllib.parse import urlsplit

import requests

from windowcast import __version__
from windowcast.edges.http import is_loopback

TIMEOUT_S = 10.0
"""For connecting, and again for each read."""
DEADLINE_S = 25.0
"""For all of it: a server that drips its answer holds nobody up for longer."""


def send(url: str, *, deadline_s: float = DEADLINE_S) -> str:
    """Ask the address once; "" where that went well, else the reason in a few words."""
    outcome = [f"no answer within {deadline_s:g} s"]

    def ask() -> None:
        outcome[0] = _ask(url)

    # A time limit in the library is one for each read; only a thread can be left behind.
    thread = threading.Thread(target=ask, name="heartbeat", daemon=True)
    thread.start()
    thread.join(deadline_s)
    return outcome[0]


def _ask(url: str) -> str:
    with requests.Session() as session:
        session.trust_env = not is_loopback(urlsplit(url).hostname or "")
        # An authenticator of our own keeps requests from sending what a .netrc file holds.
        session.auth = lambda request: request
        session.headers["User-Agent"] = f"windowcast/{__version__}"
        try:
            with session.get(url, timeout=TIMEOUT_S, allow_redirects=False, stream=True) as answer:
                status = answer.status_code
        except requests.exceptions.SSLError:
            return "the encrypted connection failed; its certificate may not hold"
        except requests.exceptions.Timeout:
            return "no answer in time"
        except (requests.RequestException, OSError, ValueError):
            # What these say holds the address.
            return "it cannot be reached"
    if 300 <= status < 400:
        return f"it redirects (status {status}), which is not followed"
    return "" if 200 <= status < 300 else f"it answered with status {status}"
