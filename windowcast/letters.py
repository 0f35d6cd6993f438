"""The morning's notices as mail: text and HTML of the same words, and the visits as a calendar."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from datetime import datetime

from windowcast import visiting
from windowcast.edges import mail
from windowcast.edges.mail_parts import File
from windowcast.edges.settings import Configuration, MailSettings
from windowcast.edges.store import PublishedEvent, Store
from windowcast.errors import StoreError
from windowcast.notice import letter, text
from windowcast.notice.text import Contents
from windowcast.window.decide import YardAnswer

log = logging.getLogger("windowcast")


class Letters:
    """What the letters of one morning have in common is made once, when the first one needs it.

    answers:  by yard name, of every yard that is told of; as worked out for nobody in particular
    """

    def __init__(
        self,
        configuration: Configuration,
        store: Store,
        answers: Mapping[str, YardAnswer],
        *,
        now: datetime,
    ) -> None:
        self._configuration = configuration
        self._store = store
        self._answers = answers
        self._now = now
        self._events: list[PublishedEvent] | None = None

    def compose(
        self, settings: MailSettings, recipient: str, said: Contents, message_id: str
    ) -> bytes:
        """One recipient's notice, ready to store and send.

        Where the calendar or the HTML cannot be made, the log says so and the notice goes without.

        Raises MailRefused.
        """
        plain = text.laid_out(said)
        html, files = "", []
        if settings.html:
            try:
                html = letter.write(said, {})
                files = self._calendar(said)
            except StoreError:
                raise  # that is no matter of one notice
            except Exception:
                log.exception("notice to %s: plain text only", recipient)
                html, files = "", []
        return mail.compose(
            sender=settings.sender,
            recipient=recipient,
            subject=plain.subject,
            text=plain.body,
            message_id=message_id,
            date=self._now,
            html=html,
            files=files,
        )

    def _calendar(self, said: Contents) -> list[File]:
        """The visits to the yards that are told of; nothing where there are none."""
        if self._events is None:
            works = [work for one in self._answers.values() if (work := self._work(one))]
            self._events = visiting.published(works, self._store, now=self._now) if works else []
        names = {part.yard for part in said.parts}
        theirs = [one for one in self._events if one.yard in names]
        if not theirs:
            return []
        content = visiting.calendar_file(theirs, self._configuration, now=self._now)
        return [File("text/calendar", "visits.ics", content, more=(("method", "PUBLISH"),))]

    def _work(self, answer: YardAnswer) -> visiting.YardWork | None:
        try:
            return visiting.yard_work(
                self._configuration, self._store, answer.yard, now=self._now, answer=answer
            )
        except StoreError:
            raise
        except Exception:
            log.exception("%s: no calendar of its visits", answer.yard.name)
            return None
