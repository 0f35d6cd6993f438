"""The morning's notices as mail: text and HTML of the same words, the yards' pictures, and the
visits as a calendar."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from datetime import datetime
from html import escape
from importlib.util import find_spec
from typing import NamedTuple

from windowcast import visiting
from windowcast.edges import mail, mail_parts
from windowcast.edges.mail_parts import File, Picture
from windowcast.edges.settings import Configuration, MailSettings
from windowcast.edges.store import PublishedEvent, Store
from windowcast.errors import MailRefused, StoreError
from windowcast.language import Lookup, current, spoken
from windowcast.notice import letter
from windowcast.notice.letter import Shown
from windowcast.notice.text import Contents, Notice
from windowcast.picture import yard_picture
from windowcast.standing import Standing
from windowcast.window.decide import Status, YardAnswer

LARGEST = 100_000
"""Octets of a letter as it is sent; pictures that would make it larger are left out. HTML that
alone is larger is left out too: mail programs begin to cut what they show there (common practice,
no source)."""
MANY_YARDS = 10
"""With more of them only those where something is new or to be done get a picture."""
WIDTH = 320
"""Of a picture, in CSS pixels: as a telephone has them."""
SCALE = 1.5
"""Pixels for each of them: below it small letters break up, above it few pictures fit."""

REMARK = 2000
"""Octets of a letter at most that say what is left out."""
AROUND = 2000
"""Octets at most that a picture takes beside itself and its words."""

log = logging.getLogger("windowcast")


class Drawn(NamedTuple):
    """A yard's picture, and what it shows in words."""

    png: bytes
    alt: str
    height: int


def octets_at_most(drawn: Drawn) -> int:
    """By how much a letter grows with a picture: four octets for three, in lines of 76 and their
    ends (RFC 2045, 6.8), and its words, escaped, in the HTML, where an octet may become three
    (6.7), in lines as well."""
    words = len(escape(drawn.alt).encode())
    return len(drawn.png) * 4 * 78 // (3 * 76) + words * 4 + AROUND


def can_draw() -> bool:
    """Whether the extra `picture` is installed."""
    return find_spec("matplotlib") is not None


class Letters:
    """What the letters of one morning have in common is made once, when the first one needs it.

    answers,    by yard name, of every yard that is told of; as worked out for nobody in particular
    standings:
    whole:      the answers hold every start, as a picture shows them; else it is worked out anew
    """

    def __init__(
        self,
        configuration: Configuration,
        store: Store,
        answers: Mapping[str, YardAnswer],
        standings: Mapping[str, Standing],
        *,
        now: datetime,
        whole: bool,
    ) -> None:
        self._configuration = configuration
        self._whole = whole
        self._store = store
        self._answers = answers
        self._standings = standings
        self._now = now
        self._drawn: dict[tuple[str, Lookup], Drawn | None] = {}
        self._events: list[PublishedEvent] | None = None

    def compose(
        self,
        settings: MailSettings,
        recipient: str,
        said: Contents,
        plain: Notice,
        message_id: str,
    ) -> bytes:
        """One recipient's notice, ready to store and send; `plain` is what it says, laid out.

        In the language spoken now, as `said` is.

        Where a picture, the calendar or the HTML cannot be made, the log says so and the notice
        goes without.

        Raises MailRefused.
        """

        def composed(
            html: str = "", pictures: tuple[Picture, ...] = (), files: tuple[File, ...] = ()
        ) -> bytes:
            return mail.compose(
                sender=settings.sender,
                recipient=recipient,
                subject=plain.subject,
                text=plain.body,
                message_id=message_id,
                date=self._now,
                html=html,
                pictures=pictures,
                files=files,
            )

        if not settings.html:
            return composed()
        try:
            html = letter.write(said, {})
            if len(html.encode()) > LARGEST:
                return composed()
            files = self._calendar(said)
            bare = composed(html, files=files)
            if not (settings.pictures and can_draw()):
                return bare
            shown: dict[str, Shown] = {}
            pictures: tuple[Picture, ...] = ()
            left_out = False
            size = len(bare) + REMARK
            for name in _wanting(said):
                drawn = self._picture(name) if size < LARGEST else None
                if drawn is None:
                    left_out = left_out or size >= LARGEST
                    continue
                identifier = mail_parts.content_id(message_id, len(pictures) + 1)
                more = shown | {
                    name: Shown(mail_parts.source(identifier), drawn.alt, WIDTH, drawn.height)
                }
                carried = (*pictures, Picture(identifier, drawn.png))
                size += octets_at_most(drawn)
                # To write and check the whole letter for each picture takes as long as to draw it.
                if size > LARGEST:
                    # With the remark on what is left out, so that it fits whatever comes.
                    tried = composed(letter.write(said, more, left_out=True), carried, files)
                    size = len(tried)
                    if size > LARGEST:
                        left_out = True
                        break
                shown, pictures = more, carried
            left_out = left_out or len(said.parts) > MANY_YARDS
            if not shown and not left_out:
                return bare
            return composed(letter.write(said, shown, left_out=left_out), pictures, files)
        except (MailRefused, StoreError):
            raise  # that is no matter of how a notice looks
        except Exception:
            log.exception("notice to %s: plain text only", recipient)
            return composed()

    def _picture(self, yard: str) -> Drawn | None:
        """Drawn once for a language, whoever is told; None: it could not be."""
        key = (yard, current())
        if key not in self._drawn:
            try:
                self._drawn[key] = self._draw(self._answers[yard])
            except StoreError:
                raise
            except Exception:
                log.exception("%s: no picture of it", yard)
                self._drawn[key] = None
        return self._drawn[key]

    def _draw(self, answer: YardAnswer) -> Drawn:
        from windowcast.notice.raster import png
        from windowcast.notice.yard_picture import described, scene

        found = yard_picture(
            self._configuration,
            self._store,
            answer.yard,
            self._now,
            answer=answer if self._whole else None,
            stands=self._standings.get(answer.yard.name),
        )
        laid_out = scene(found, WIDTH, brief=True)
        return Drawn(png(laid_out, SCALE, smooth=False), described(found), round(laid_out.height))

    def _calendar(self, said: Contents) -> tuple[File, ...]:
        """The visits to the yards that are told of; nothing where there are none."""
        if self._events is None:
            known = [self._known(one) for one in self._answers.values()]
            with spoken(self._configuration.lookup):
                self._events = (
                    visiting.published(known, self._configuration, self._store, now=self._now)
                    if known
                    else []
                )
        names = {part.yard for part in said.parts}
        theirs = [one for one in self._events if one.yard in names]
        if not theirs:
            return ()
        content = visiting.calendar_file(theirs, self._configuration, now=self._now)
        return (File("text/calendar", "visits.ics", content, more=(("method", "PUBLISH"),)),)

    def _known(self, answer: YardAnswer) -> visiting.Known:
        return visiting.Known(
            yard=answer.yard.name,
            today=answer.today,
            jobs=self._standings[answer.yard.name].all_jobs,
            known=bool(answer.forecast.sources) and answer.main.status is not Status.UNKNOWN,
        )


def _wanting(said: Contents) -> Iterator[str]:
    """The yards that get a picture while there is room: first where something is to be done."""
    yield from (part.yard for part in said.parts if part.acts)
    if len(said.parts) <= MANY_YARDS:
        yield from (part.yard for part in said.parts if not part.acts)
