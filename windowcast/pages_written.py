"""The page as files in a folder."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from windowcast import crew_pages, pages, past_pages, progress
from windowcast.edges.page_files import PageFolder
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.errors import StoreError
from windowcast.language import tr
from windowcast.notice import page
from windowcast.notice.page import Links
from windowcast.notice.page_views import ROWS_A_PAGE, slug
from windowcast.notice.rank import Rank
from windowcast.pages import Looks
from windowcast.past_pages import Records

LINKS = Links(live=False)

log = logging.getLogger("windowcast")


class Written(NamedTuple):
    """written: what is new or has changed. removed: what an earlier run wrote. total: all files.
    usable: yards with a usable forecast. broken: those that could not be worked out."""

    written: tuple[str, ...]
    removed: tuple[str, ...]
    total: int
    usable: int
    broken: tuple[str, ...]


def write(configuration: Configuration, store: Store, folder: Path, *, now: datetime) -> Written:
    """Write every page; what was there before stays until its successor is whole.

    Raises UsageError where the folder cannot be used.
    """
    records = Records(configuration)
    looks, _ = Looks(configuration).take(store, now)
    chances = records.all(store, now)
    parts = -(-len(configuration.yards) // ROWS_A_PAGE)
    slugs = [slug(yard.name) for yard in configuration.yards]
    pictures = [one.picture for one in chances if one.picture]
    names = [
        *page.ASSETS,
        *pictures,
        *(page.file_name("yard", one) for one in slugs),
        *(page.file_name("season", one) for one in slugs),
        *(page.file_name(one) for one in ("visits", "crews", "chances", "service")),
        *(LINKS.part(number) for number in range(parts, 0, -1)),
    ]

    broken: list[str] = []
    made = pages.as_of(configuration, now)

    def whole_page(template: str, view: object) -> bytes:
        return page.render(template, LINKS, view=view, asof=made).encode()

    def each() -> Iterator[tuple[str, bytes]]:
        for name in page.ASSETS:
            found = page.asset(name)
            assert found is not None
            yield name, found[1]
        for name in pictures:
            drawn = records.picture(store, name, now)
            assert drawn is not None
            yield name, drawn
        for number, (yard, one) in enumerate(zip(configuration.yards, slugs, strict=True)):
            progress.step(tr("pages of yards"), number, len(slugs))
            try:
                content = whole_page("yard", pages.yard_page(configuration, store, yard, now=now))
            except StoreError:
                raise
            except Exception:
                log.exception("%s", yard.name)
                broken.append(yard.name)
                text = f"{yard.name}: {pages.could_not()}"
                content = page.render("wrong", LINKS, text=text).encode()
            yield page.file_name("yard", one), content
            past = past_pages.season_page(configuration, store, yard, now=now)
            yield page.file_name("season", one), whole_page("season", past)
        progress.step(tr("pages of yards"), len(slugs), len(slugs))
        listed = pages.visits(configuration, looks, pending=0, now=now)
        yield page.file_name("visits"), whole_page("visits", listed)
        sheets = crew_pages.crews_page(configuration, store, looks, pending=0, now=now)
        yield page.file_name("crews"), whole_page("crews", sheets)
        yield page.file_name("chances"), whole_page("chances", chances)
        service = pages.service_page(configuration, store, now=now)
        yield page.file_name("service"), whole_page("service", service)
        # Last, so that whatever the first page leads to is there.
        for number in range(parts, 0, -1):
            part = pages.overview(configuration, looks, pending=0, now=now, page=number)
            yield LINKS.part(number), whole_page("overview", part)

    target = PageFolder(folder, names)
    written = tuple(target.write(each()))
    return Written(
        written=written,
        removed=tuple(target.tidy()),
        total=len(names),
        broken=tuple(broken),
        usable=sum(look.row.rank is not Rank.UNKNOWN for look in looks),
    )
