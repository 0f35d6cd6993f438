"""The page: what is to be shown, as HTML. Templates are in `templates`, looks in `assets`."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any, NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined
from jinja2.filters import do_urlencode

from windowcast.language import tag, tr, trn
from windowcast.notice.hive_lines import law
from windowcast.notice.svg import stylesheet
from windowcast.notice.words import kept_together

POLICY = {
    "default-src": "'none'",
    "img-src": "'self'",
    "style-src": "'self'",
    "script-src": "'self'",
    "form-action": "'self'",
    "base-uri": "'none'",
}
"""What a browser may load and do on a page of ours, whatever a yard is called."""


ASSETS = {
    "windowcast.css": "text/css; charset=utf-8",
    "windowcast.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
FORM_ASSETS = {
    "forms.css": "text/css; charset=utf-8",
    "forms.js": "text/javascript; charset=utf-8",
}
"""Of forms, which a page that is a file has not."""


class Links(NamedTuple):
    """How one page refers to another.

    live:   they are served; else they are files beside each other
    reads:  a token was shown, so that there is something to sign out of
    forms:  what can be entered by the page may be linked to
    """

    live: bool
    reads: bool = False
    forms: bool = False

    def to(self, page: str, slug: str = "") -> str:
        """page: "overview", "yard", "season", "visits", "crews", "chances" or
        "service"."""
        if self.live:
            if page == "overview":
                return "/"
            return f"/{page}/{slug}" if slug else f"/{page}"
        return file_name(page, slug)

    def part(self, number: int, find: str = "") -> str:
        """One part of the list of all yards, from 1."""
        if not self.live:
            return file_name("overview") if number == 1 else f"yards-part-{number}.html"
        wanted: dict[str, object] = {"part": number} | ({"find": find} if find else {})
        return f"/?{do_urlencode(wanted)}"

    def asset(self, name: str) -> str:
        """A file of the page's looks."""
        return f"/assets/{name}" if self.live else name

    def picture(self, name: str) -> str:
        """A picture that is a file of its own."""
        return f"/pictures/{name}" if self.live else name

    def enter(self, slug: str) -> str:
        """Where something is entered for a yard."""
        return f"/enter/{slug}"


def file_name(page: str, slug: str = "") -> str:
    """What a page is called where it is a file."""
    if page == "overview":
        return "index.html"
    return f"{page}-{slug}.html" if slug else f"{page}.html"


def policy(*, framed: bool = True) -> str:
    """The Content-Security-Policy. framed: also who may frame it, which only a header can say."""
    rules = POLICY | ({"frame-ancestors": "'none'"} if framed else {})
    return "; ".join(f"{name} {value}" for name, value in rules.items())


@cache
def asset(name: str) -> tuple[str, bytes] | None:
    """A file of the page's looks: its content type, and what is in it. None: there is none."""
    content_type = ASSETS.get(name) or FORM_ASSETS.get(name)
    if content_type is None:
        return None
    content = resources.files("windowcast.notice").joinpath("assets", name).read_bytes()
    if name == "windowcast.css":
        content += stylesheet().encode()
    return content_type, content


@cache
def _templates() -> Environment:
    environment = Environment(
        loader=PackageLoader("windowcast.notice"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
        auto_reload=False,
        finalize=_readable,
    )
    environment.globals.update(tr=tr, trn=trn, policy=policy(framed=False), law=law, language=tag)
    return environment


def _readable(value: Any) -> Any:
    """Plain text without line breaks between a figure and its unit, or within a date."""
    return kept_together(value) if type(value) is str else value


def render(template: str, links: Links, **values: Any) -> str:
    """A whole page from `templates/<template>.html`; every value is escaped."""
    return (
        _templates().get_template(f"{template}.html").render(links=links, here=template, **values)
    )
