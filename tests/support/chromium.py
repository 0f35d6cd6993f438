"""A real browser that shows what people see, and counts what it asks of the network.

Chromium is Debian's, driven by Playwright; axe-core, which judges whether everybody can read a
page, comes inside the package axe-playwright-python.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

WANTED = "Chromium is not installed (on Debian: apt-get install chromium)"

_DOCUMENT = "http://letter.invalid/"
"""Where a document that no server gives out is shown; the name can never exist (RFC 6761)."""

_OPTIONS = [
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # nothing but loopback, even where a test forgets to look at what was asked
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
]


def program() -> str | None:
    """Where Chromium is; None: it is not installed."""
    return shutil.which("chromium")


class View:
    """One window of the browser.

    page:      Playwright's own, for all that is not below
    requests:  the address of each thing asked of the network so far, without the document that
               `show` was given; `data:` addresses ask nothing
    trouble:   what the page's scripts threw, and what the browser refused or could not load
    """

    def __init__(self, page: Any) -> None:
        self.page = page
        self.requests: list[str] = []
        self.trouble: list[str] = []
        page.on("request", self._note)
        page.on("pageerror", lambda error: self.trouble.append(str(error)))
        page.on(
            "console",
            lambda said: self.trouble.append(said.text) if said.type == "error" else None,
        )

    def _note(self, request: Any) -> None:
        if request.url != _DOCUMENT and not request.url.startswith("data:"):
            self.requests.append(request.url)

    def open(self, url: str) -> None:
        """An address on this machine."""
        self.page.goto(url)

    def show(self, html: str) -> None:
        """A document that stands alone, such as a letter; every request that it makes fails."""
        self.page.route("**/*", lambda route: route.abort())
        self.page.route(
            _DOCUMENT,
            lambda route: route.fulfill(body=html, content_type="text/html; charset=utf-8"),
        )
        self.page.goto(_DOCUMENT)

    @property
    def overflow(self) -> int:
        """By how many CSS pixels the page is wider than its window; 0: no scrolling sideways."""
        return int(
            self.page.evaluate(
                "document.scrollingElement.scrollWidth - document.scrollingElement.clientWidth"
            )
        )

    @property
    def text(self) -> str:
        """What is to be read, as laid out."""
        return str(self.page.evaluate("document.body.innerText"))

    @property
    def violations(self) -> list[str]:
        """What axe-core finds wrong, one line for each place; rules of every level count."""
        return self._judged("violations")

    @property
    def undecided(self) -> list[str]:
        """What axe-core could not judge and people must, such as text on a picture."""
        return self._judged("incomplete")

    def _judged(self, kind: str) -> list[str]:
        from axe_playwright_python.sync_playwright import Axe

        # the size of what is pressed, WCAG 2.2 AA, is the one rule that is off unless asked for
        options = {"resultTypes": [kind], "rules": {"target-size": {"enabled": True}}}
        found = Axe().run(self.page, options=options).response[kind]
        return [
            f"{rule['id']}: {rule['help']}: {node['html'][:200]}: {node.get('failureSummary', '')}"
            for rule in found
            for node in rule["nodes"]
        ]

    def picture(self, file: Path) -> Path:
        """The whole page as a PNG, for people to look at."""
        file.parent.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=file, full_page=True)
        return file


class Chromium:
    """`with Chromium() as browser:` then `with browser.view(width=320, dark=True) as view:`."""

    def __enter__(self) -> Chromium:
        from playwright.sync_api import sync_playwright

        found = program()
        if found is None:
            raise RuntimeError(WANTED)
        self._playwright = sync_playwright().start()
        try:
            self._browser = self._playwright.chromium.launch(executable_path=found, args=_OPTIONS)
        except BaseException:
            self._playwright.stop()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._browser.close()
        self._playwright.stop()

    @contextmanager
    def view(
        self, *, width: int = 800, height: int = 800, dark: bool = False, **more: Any
    ) -> Iterator[View]:
        """A fresh window without cookies or cache.

        width, height:  in CSS pixels
        dark:           the reader's system asks for dark pages
        more:           what Playwright's `new_context` takes, such as `java_script_enabled`
        """
        context = self._browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            **more,
        )
        context.set_default_timeout(20_000)
        try:
            yield View(context.new_page())
        finally:
            context.close()
