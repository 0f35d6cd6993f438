"""Forms by the page: entering what was done at a yard, and undoing it. Only where there is a token.

Browsers send the cookie with a form of ours alone (SameSite), say where a form stands (Origin), and
each form carries proof that it was shown to whoever is signed in.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
from collections.abc import Mapping
from typing import Any

from flask import Blueprint, Response, abort, redirect, request, url_for

from windowcast import forms
from windowcast.answer import open_store
from windowcast.edges.store import SentForm, Store
from windowcast.errors import StoreError, UsageError
from windowcast.form_kinds import KINDS, Desk
from windowcast.forms import Form
from windowcast.language import tr
from windowcast.notice import page
from windowcast.notice.page_views import slug
from windowcast.trade.journal import Entry
from windowcast.trade.yard import Yard
from windowcast.web import links, reading, site, yard_of

blueprint = Blueprint("forms", __name__)

LATEST = 50
"""So many entries of a yard are listed."""

log = logging.getLogger("windowcast")


def proof(*parts: str) -> str:
    """What only a page of ours, shown to whoever is signed in now, can know of a form."""
    gate = site().gate
    told = "\0".join(["windowcast form", request.cookies.get(gate.cookie, ""), *parts])
    return hmac.new(gate.settings.token.encode(), told.encode(), hashlib.sha256).hexdigest()


def _proven(*parts: str) -> bool:
    given = request.form.get("csrf", "")
    return hmac.compare_digest(given.encode(), proof(*parts).encode())


def _desk(store: Store, yard: Yard) -> Desk:
    return Desk(site().configuration, store, yard, site().now())


def _kind(name: str) -> str:
    if name not in KINDS:
        abort(404)
    return name


def _see(where: str) -> Response:
    answer: Response = redirect(where, 303)  # type: ignore[assignment]
    return answer


@blueprint.get("/enter/<name>")
def enter(name: str) -> Response:
    """What can be entered for a yard: the visits that are due, then everything else."""
    yard = yard_of(name)
    with reading() as store:
        kinds: tuple[str, ...] = tuple(KINDS)
        try:
            kinds = forms.offered(_desk(store, yard))
            due, known = forms.due(_desk(store, yard)), True
        except StoreError:
            raise
        except Exception:
            # What was done can be entered all the same.
            log.exception("%s", yard.name)
            due, known = (), False
    shown = page.render(
        "enter",
        links(),
        yard=yard.name,
        slug=name,
        known=known,
        due=[(one.text, _show_at(name, one.kind, **one.offered)) for one in due],
        entries=url_for("forms.entries", name=name),
        others=[(KINDS[kind].title(), _show_at(name, kind)) for kind in kinds],
    )
    return Response(shown)


def _show_at(name: str, kind: str, **offered: Any) -> str:
    return url_for("forms.show", name=name, kind=kind, **offered)


@blueprint.get("/enter/<name>/<kind>")
def show(name: str, kind: str) -> Response:
    """An empty form; `after` names a count whose round goes on."""
    yard = yard_of(name)
    offered: Mapping[str, str] = {
        field: value for field, value in request.args.items() if field in _OFFERED
    }
    with reading() as store:
        desk = _desk(store, yard)
        after = request.args.get("after", 0, type=int)
        if after and kind == "count":
            entry = next((one for one in desk.entries() if one.id == after), None)
            if entry is not None and entry.kind == "count":
                offered = forms.next_count(entry)
        form = forms.blank(desk, _kind(kind), offered=offered)
    return _form(form, name, fresh=True)


_OFFERED = ("way", "text")
"""What an address may fill in beforehand: what a visit that is due already says."""


@blueprint.post("/enter/<name>/<kind>")
def send(name: str, kind: str) -> Response:
    """Enter what was typed, once, and go to where it says so."""
    yard, given = yard_of(name), request.form.to_dict()
    proven = _proven(name, _kind(kind), given.get("key", ""))
    try:
        with open_store(site().configuration, create=False) as store:
            desk = _desk(store, yard)
            if not proven:
                form = forms.again(
                    desk,
                    kind,
                    given,
                    tr(
                        "This form was open since before you signed in. Look through it, and send"
                        " it again."
                    ),
                )
                return _form(form, name, status=403)
            sent = forms.send(desk, kind, given)
    except StoreError as error:
        return _not_kept(error)
    if isinstance(sent, Form):
        return _form(sent, name, status=409 if sent.used else 422)
    log.info("web: entry %d of %s (%s)", sent.entry, yard.name, kind)
    return _see(url_for("forms.kept", key=sent.key))


def _not_kept(error: StoreError) -> Response:
    log.error("web: %s", error)
    text = tr(
        "The database did not answer, so that it is not sure whether this is kept. Go back and"
        " send it again: it is kept once."
    )
    return Response(page.render("wrong", links(), status=503, text=text), 503)


def _form(form: Form, name: str, *, status: int = 200, fresh: bool = False) -> Response:
    shown = page.render(
        "form",
        links(),
        form=form,
        fresh=fresh,
        slug=name,
        action=url_for("forms.send", name=name, kind=form.kind),
        csrf=proof(name, form.kind, form.key),
        used="" if form.used is None else url_for("forms.kept", key=form.used.key),
        back=url_for("forms.enter", name=name),
    )
    return Response(shown, status)


@blueprint.get("/kept/<key>")
def kept(key: str) -> Response:
    """What a form entered."""
    with reading() as store:
        sent = store.sent_form(key) if forms.KEY.fullmatch(key) else None
        if sent is None:
            abort(404)
        name = slug(sent.yard)
        return _kept(_desk(store, yard_of(name)), name, sent.entry, sent)


@blueprint.get("/entry/<name>/<int:number>")
def entry(name: str, number: int) -> Response:
    """An entry, wherever it came from."""
    with reading() as store:
        return _kept(_desk(store, yard_of(name)), name, number)


@blueprint.get("/entries/<name>")
def entries(name: str) -> Response:
    """The latest entries of a yard, corrected ones too."""
    yard = yard_of(name)
    with reading() as store:
        lines = forms.latest(_desk(store, yard), LATEST + 1)
    shown = page.render(
        "entries",
        links(),
        yard=yard.name,
        slug=name,
        lines=lines[:LATEST],
        older=len(lines) > LATEST,
        url=lambda number: url_for("forms.entry", name=name, number=number),
    )
    return Response(shown)


@blueprint.post("/undo/<name>/<int:number>")
def undo(name: str, number: int) -> Response:
    """Take an entry out of what counts; both stay on record."""
    yard, key = yard_of(name), request.form.get("key", "")
    proven = _proven(name, str(number), key)
    try:
        with open_store(site().configuration, create=False) as store:
            desk = _desk(store, yard)
            found = next((one for one in desk.entries() if one.id == number), None)
            if found is None:
                abort(404)
            if not proven:
                text = tr("This page was open since before you signed in. Undo it again.")
                return _kept(desk, name, number, trouble=text, status=403)
            try:
                sent = forms.undo(store, found, key, now=site().now())
            except UsageError as error:
                return _kept(desk, name, number, trouble=error.plain, status=409)
    except StoreError as error:
        return _not_kept(error)
    log.info("web: entry %d of %s undoes entry %d", sent.entry, yard.name, number)
    return _see(url_for("forms.kept", key=sent.key))


def _kept(
    desk: Desk,
    name: str,
    number: int,
    sent: SentForm | None = None,
    *,
    trouble: str = "",
    status: int = 200,
) -> Response:
    view = forms.kept(desk, number, sent)
    if view is None:
        abort(404)
    shown = page.render(
        "kept",
        links(),
        view=view,
        yard=desk.yard.name,
        slug=name,
        trouble=trouble,
        done=""
        if sent is None
        else url_for("forms.send", name=name, kind=sent.kind)
        if sent.kind in KINDS
        else "",
        action=url_for("forms.undo", name=name, number=number),
        csrf=proof(name, str(number), view.undo_key),
        again=_again(name, view.entry),
        enter=url_for("forms.enter", name=name),
        entries=url_for("forms.entries", name=name),
    )
    return Response(shown, status)


def _again(name: str, entry: Entry) -> str:
    """Where the next colony of a round is entered; "" for what is no count."""
    if entry.kind != "count":
        return ""
    return _show_at(name, "count", after=entry.id)
