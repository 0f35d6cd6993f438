"""The page as `serve --web` shows it: who may look, and which page is asked for.

Whoever shows the token may read; without one, only this machine's own addresses answer, which
`check` sees to. Nothing can be changed here: what people enter has its own module.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import logging
import secrets
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from flask import Blueprint, Flask, Response, abort, current_app, g, redirect, request
from werkzeug.exceptions import HTTPException

from windowcast import crew_pages, past_pages
from windowcast import pages as gathering
from windowcast.answer import open_store
from windowcast.edges import clock
from windowcast.edges.settings import Configuration, WebSettings
from windowcast.edges.store import Store
from windowcast.errors import StoreError
from windowcast.language import Lookup, spoken, tr
from windowcast.notice import page
from windowcast.notice.page import Links
from windowcast.pages import Looks
from windowcast.past_pages import Busy, Records
from windowcast.trade.yard import Yard

WITHIN_S, AGAIN_S = 4.0, 2
"""So long a request looks at yards; what it has not come to, the next one does, so soon."""
SLICE_S, IDLE_S = 1.0, 60.0
"""So long it is looked at yards ahead of any request, and rested between: a request that comes
meanwhile waits no longer."""
SIGNED_IN_DAYS = 90
REMEMBERED_ADDRESSES = 1000
FREE_TRIES = 2
"""Wrong tokens in a row that a slip may cost: the right one after them is taken at once."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
OPEN_PATHS = ("/sign-in", "/assets/windowcast.css", "/assets/windowcast.js", "/assets/icon.svg")
"""What a browser needs before somebody has signed in; nothing in it is of these yards."""

log = logging.getLogger("windowcast")


class Site(NamedTuple):
    """What the requests of one application share.

    now:      the clock
    looks,    what is worked out once for several requests
    records:
    """

    configuration: Configuration
    gate: Gate
    now: Callable[[], datetime]
    looks: Looks
    records: Records


@dataclass
class Gate:
    """Who may look: whoever shows the token, at an address that is ours.

    waits:  by address of who asks: failed tries in a row, and when the next one is looked at, by
            a clock that nobody sets
    """

    settings: WebSettings
    waits: dict[str, tuple[int, float]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def secure(self) -> bool:
        """Browsers reach the page by https."""
        return self.settings.public_url.startswith("https://")

    @property
    def cookie(self) -> str:
        return "__Host-windowcast" if self.secure else "windowcast"

    def ours(self, host: str) -> bool:
        """Whether a Host header names this page. A name that somebody else's server gives to this
        machine would let their page read this one."""
        try:
            name = urlsplit(f"//{host}").hostname
        except ValueError:
            return False
        if not name:
            return False
        if name == (urlsplit(self.settings.public_url).hostname or "localhost"):
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return name == "localhost"
        # An address is nobody's to give away.
        return address.is_loopback or not ipaddress.ip_address(self.settings.listen[0]).is_loopback

    def right(self, token: str) -> bool:
        return hmac.compare_digest(token.encode(), self.settings.token.encode())

    def pass_for(self, now: datetime) -> str:
        """What the cookie holds: until when it counts, and proof that the token was shown. The
        token cannot be had from it, and another token ends it."""
        until = int((now + timedelta(days=SIGNED_IN_DAYS)).timestamp())
        salt = secrets.token_hex(8)
        return f"{until}.{salt}.{self._proof(until, salt)}"

    def passes(self, cookie: str, now: datetime) -> bool:
        until, _, rest = cookie.partition(".")
        salt, _, proof = rest.partition(".")
        # All digits of a number too long to be one would be read for a while.
        if not (until.isascii() and until.isdigit() and len(until) <= 12 and len(salt) == 16):
            return False
        right = hmac.compare_digest(proof.encode(), self._proof(int(until), salt).encode())
        return right and now.timestamp() < int(until)

    def _proof(self, until: int, salt: str) -> str:
        told = f"windowcast page {until} {salt}".encode()
        return hmac.new(self.settings.token.encode(), told, hashlib.sha256).hexdigest()

    def wait_s(self, who: str) -> float:
        """How long a try from there is not looked at yet; 0: it is."""
        with self.lock:
            _, until = self.waits.get(_network(who), (0, 0.0))
        return max(until - time.monotonic(), 0.0)

    def failed(self, who: str) -> None:
        """After the free ones each failed try in a row doubles the wait."""
        network = _network(who)
        with self.lock:
            tries, _ = self.waits.pop(network, (0, 0.0))
            over = tries - FREE_TRIES
            wait = 0.0 if over < 0 else min(FIRST_WAIT_S * 2.0 ** min(over, 10), LONGEST_WAIT_S)
            self.waits[network] = (tries + 1, time.monotonic() + wait)
            while len(self.waits) > REMEMBERED_ADDRESSES:
                del self.waits[next(iter(self.waits))]

    def succeeded(self, who: str) -> None:
        with self.lock:
            self.waits.pop(_network(who), None)


def _network(who: str) -> str:
    """Who asks, as far as it can be told apart: of IPv6 a whole /64, which one house has."""
    try:
        address = ipaddress.ip_address(who)
    except ValueError:
        return who
    if address.version == 4:
        return who
    return str(ipaddress.ip_network((address, 64), strict=False))


pages = Blueprint("pages", __name__)


class _Spoken:
    """An application all of whose answers are in one language."""

    def __init__(self, answer: Callable[..., Iterable[bytes]], lookup: Lookup) -> None:
        self._answer, self._lookup = answer, lookup

    def __call__(self, environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        # Every page is whole before it is sent: nothing is worded after this.
        with spoken(self._lookup):
            return self._answer(environ, start)


def create_app(
    configuration: Configuration,
    *,
    now: Callable[[], datetime] = clock.now,
    behind_token: Sequence[Blueprint] = (),
) -> Flask:
    """The application of one service.

    behind_token:  more pages, only where a token is wanted
    """
    app = Flask("windowcast", static_folder=None)
    app.extensions["windowcast"] = Site(
        configuration, Gate(configuration.web), now, Looks(configuration), Records(configuration)
    )
    app.wsgi_app = _Spoken(app.wsgi_app, configuration.lookup)  # type: ignore[assignment]
    app.url_map.strict_slashes = app.url_map.merge_slashes = False
    app.before_request(_guard)
    app.after_request(_protect)
    app.register_error_handler(Exception, _went_wrong)
    app.register_blueprint(pages)
    for more in behind_token if configuration.web.token else ():
        app.register_blueprint(more)
    return app


def keep_ready(app: Flask, over: threading.Event) -> None:
    """Look at the yards ahead of those who ask, a little at a time, until `over` is set. What goes
    wrong is left to their requests to say."""
    shared: Site = app.extensions["windowcast"]
    pause = SLICE_S
    while not over.wait(pause):
        pause = IDLE_S
        try:
            with (
                open_store(shared.configuration, create=False, read_only=True) as store,
                spoken(shared.configuration.lookup),
            ):
                _, pending = shared.looks.take(store, shared.now(), within_s=SLICE_S)
            if pending:
                pause = SLICE_S
        except StoreError:
            continue
        except Exception:
            log.exception("web: the yards could not be looked at")


def site() -> Site:
    """That of the application at work."""
    found: Site = current_app.extensions["windowcast"]
    return found


def links() -> Links:
    """For the page that is being answered."""
    token = bool(site().configuration.web.token)
    return Links(live=True, reads=token, forms=token and "forms" in current_app.blueprints)


def _guard() -> Response | None:
    """Before everything: is it for us, from us, and may they?"""
    gate = site().gate
    g.open = False
    if not gate.ours(request.host):
        return _plain("421 This page has another address.\n", 421)
    if request.method not in ("GET", "HEAD") and not _from_here():
        return _plain("403 Forms are sent from the page itself.\n", 403)
    if not gate.settings.token or request.path in OPEN_PATHS:
        g.open = request.path in OPEN_PATHS and request.path != "/sign-in"
        return None
    if gate.passes(request.cookies.get(gate.cookie, ""), site().now()):
        return None
    given = request.headers.get("Authorization", "")
    if given:
        return _by_header(gate, given)
    if request.method == "GET" and "text/html" in request.headers.get("Accept", ""):
        return _redirect("/sign-in")
    answer = _unauthorized()
    if "text/html" in request.headers.get("Accept", ""):
        text = tr("You are not signed in, and nothing was kept. Sign in, then send the form again.")
        answer.data = page.render("wrong", Links(live=True), status=401, text=text)
        answer.content_type = "text/html; charset=utf-8"
    return answer


def _by_header(gate: Gate, given: str) -> Response | None:
    who = request.remote_addr or ""
    wait = gate.wait_s(who)
    if wait:
        return _too_many(wait)
    scheme, _, token = given.partition(" ")
    if scheme.casefold() == "bearer" and gate.right(token.strip()):
        gate.succeeded(who)
        return None
    gate.failed(who)
    log.warning("web: a wrong token from %s", who)
    return _unauthorized()


def _from_here() -> bool:
    """Whether what is sent comes from a page of ours. Browsers say where a form stands; what says
    nothing is no browser, and must show the token itself."""
    origin = request.headers.get("Origin")
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        return False
    if origin is None:
        return "Authorization" in request.headers
    ours = {f"{request.scheme}://{request.host}", site().configuration.web.public_url}
    return origin.casefold() in {one.casefold() for one in ours if one}


def _plain(text: str, status: int) -> Response:
    return Response(text, status, content_type="text/plain; charset=utf-8")


def _unauthorized() -> Response:
    answer = _plain("401 This page wants its token.\n", 401)
    answer.headers["WWW-Authenticate"] = "Bearer"
    return answer


def _too_many(wait: float) -> Response:
    answer = _plain("429 Too many wrong tokens; wait.\n", 429)
    answer.headers["Retry-After"] = str(int(wait) + 1)
    return answer


def _redirect(where: str) -> Response:
    answer: Response = redirect(where, 303)  # type: ignore[assignment]
    return answer


def _protect(answer: Response) -> Response:
    headers = answer.headers
    headers["Content-Security-Policy"] = page.policy()
    headers["X-Content-Type-Options"] = "nosniff"
    headers["X-Frame-Options"] = "DENY"
    # Not "no-referrer": browsers would then not say of a form where it stands.
    headers["Referrer-Policy"] = "same-origin"
    headers["Cross-Origin-Opener-Policy"] = "same-origin"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    headers["Cache-Control"] = "no-cache" if g.get("open") else "no-store"
    return answer


def _went_wrong(error: Exception) -> Response:
    if isinstance(error, HTTPException):
        status = error.code or 500
        text = {404: tr("There is no such page."), 405: tr("That cannot be done here.")}.get(
            status, error.name
        )
    elif isinstance(error, Busy):
        status, text = 503, tr("This is being worked out. It is loaded again in a moment.")
    elif isinstance(error, StoreError):
        log.error("web: %s", error)
        status, text = 503, tr("The database cannot be read now; the service's log says why.")
    else:
        log.exception("web: a page failed")
        status, text = 500, tr("This page failed; the service's log says why.")
    if status == 405 or "text/html" not in request.headers.get("Accept", ""):
        return _plain(f"{status} {text}\n", status)
    shown = Links(live=True)
    answer = Response(page.render("wrong", shown, status=status, text=text), status)
    return _again(answer, pending=isinstance(error, Busy))


@pages.get("/sign-in")
def sign_in() -> Response:
    if not site().gate.settings.token:
        return _redirect("/")
    return Response(page.render("sign_in", Links(live=True), trouble=""))


@pages.post("/sign-in")
def signed_in() -> Response:
    gate, who = site().gate, request.remote_addr or ""
    if not gate.settings.token:
        return _redirect("/")
    wait = gate.wait_s(who)
    if wait:
        answer = Response(page.render("sign_in", Links(live=True), trouble="wait"), 429)
        answer.headers["Retry-After"] = str(int(wait) + 1)
        return answer
    if not gate.right(request.form.get("token", "").strip()):
        gate.failed(who)
        log.warning("web: a wrong token from %s", who)
        return Response(page.render("sign_in", Links(live=True), trouble="wrong"), 403)
    gate.succeeded(who)
    answer = _redirect("/")
    answer.set_cookie(
        gate.cookie,
        gate.pass_for(site().now()),
        max_age=SIGNED_IN_DAYS * 86400,
        path="/",
        secure=gate.secure,
        httponly=True,
        samesite="Strict",
    )
    return answer


@pages.post("/sign-out")
def sign_out() -> Response:
    answer = _redirect("/sign-in")
    gate = site().gate
    answer.delete_cookie(
        gate.cookie, path="/", secure=gate.secure, httponly=True, samesite="Strict"
    )
    return answer


@pages.get("/assets/<name>")
def asset(name: str) -> Response:
    found = page.asset(name)
    if found is None:
        abort(404)
    content_type, content = found
    answer = Response(content, content_type=content_type)
    answer.add_etag()
    answer.make_conditional(request)
    return answer


@contextmanager
def reading() -> Iterator[Store]:
    """The database, opened for this request alone; nothing can be written through it."""
    with open_store(site().configuration, create=False, read_only=True) as store:
        yield store


def yard_of(name: str) -> Yard:
    """The yard that an address names; else there is no such page."""
    found = gathering.by_slug(site().configuration).get(name)
    if found is None:
        abort(404)
    return found


def _shown(template: str, view: object) -> Response:
    made = gathering.as_of(site().configuration, site().now())
    return Response(page.render(template, links(), view=view, asof=made))


def _again(answer: Response, pending: int) -> Response:
    """A list that is not whole yet is loaded again by the browser itself."""
    if pending:
        answer.headers["Refresh"] = str(AGAIN_S)
    return answer


@pages.get("/")
def overview() -> Response:
    shared, now = site(), site().now()
    with reading() as store:
        looks, pending = shared.looks.take(store, now, within_s=WITHIN_S)
    view = gathering.overview(
        shared.configuration,
        looks,
        pending=pending,
        now=now,
        page=request.args.get("part", 1, type=int),
        find=request.args.get("find", "")[:80],
    )
    return _again(_shown("overview", view), pending)


@pages.get("/visits")
def visits() -> Response:
    shared, now = site(), site().now()
    with reading() as store:
        looks, pending = shared.looks.take(store, now, within_s=WITHIN_S)
    view = gathering.visits(shared.configuration, looks, pending=pending, now=now)
    return _again(_shown("visits", view), pending)


@pages.get("/crews")
def crews() -> Response:
    shared, now = site(), site().now()
    with reading() as store:
        looks, pending = shared.looks.take(store, now, within_s=WITHIN_S)
        view = crew_pages.crews_page(shared.configuration, store, looks, pending=pending, now=now)
    return _again(_shown("crews", view), pending)


@pages.get("/yard/<name>")
def yard(name: str) -> Response:
    one, shared, now = yard_of(name), site(), site().now()
    with reading() as store:
        view = gathering.yard_page(shared.configuration, store, one, now=now)
    return _shown("yard", view)


@pages.get("/season/<name>")
def season(name: str) -> Response:
    one, shared = yard_of(name), site()
    with reading() as store:
        view = past_pages.season_page(shared.configuration, store, one, now=shared.now())
    return _shown("season", view)


@pages.get("/chances")
def chances() -> Response:
    shared = site()
    with reading() as store:
        view = shared.records.all(store, shared.now())
    return _shown("chances", view)


@pages.get("/pictures/<name>")
def picture(name: str) -> Response:
    shared = site()
    with reading() as store:
        drawn = shared.records.picture(store, name, shared.now())
    if drawn is None:
        abort(404)
    return Response(drawn, content_type="image/png")


@pages.get("/service")
def service() -> Response:
    shared = site()
    with reading() as store:
        view = gathering.service_page(shared.configuration, store, now=shared.now())
    return _shown("service", view)
