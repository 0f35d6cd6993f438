"""What is new for one recipient: the answer as it is told to them, and what is to be remembered."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, NamedTuple

from windowcast.edges.settings import Configuration
from windowcast.edges.store import SaidOf
from windowcast.notice import news_lines
from windowcast.notice.beside import Beside
from windowcast.notice.shut_lines import shut_today
from windowcast.standing import Standing
from windowcast.trade.hive import obstacles
from windowcast.trade.visits import visits
from windowcast.window.change import Change, News, Said, compare
from windowcast.window.decide import Row, Status, YardAnswer
from windowcast.window.watch import Level


class Fresh(NamedTuple):
    """One yard as it is told to one recipient.

    news:    how it differs from what they were told last
    answer:  with the start that is kept for them, where one is
    beside:  with what has changed
    said:    to be kept once it is told
    """

    news: News
    answer: YardAnswer
    beside: Beside
    said: SaidOf


def fresh(
    configuration: Configuration,
    one: Standing,
    answer: YardAnswer,
    beside: Beside,
    before: SaidOf | None,
    *,
    recipient: str,
    now: datetime,
) -> Fresh:
    """Compare a yard's answer with what a recipient was told last; `before` None: nothing yet."""
    rules = configuration.decision
    last = None if before is None else said_of(before.document)
    news = compare(
        last,
        answer.main,
        today=answer.today,
        cancel_below=rules.cancel_below,
        danger=_danger(one, last),
        treated=one.course is not None or one.resting is not None,
    )
    told = answer
    first = beside.first
    if news.row is not None and news.said.held:
        told = _with_kept(answer, news.row, one)
        first = (
            *news_lines.kept_lines(news.row, rules.min_chance, rules.cancel_below),
            *first,
        )
    return Fresh(
        news=news,
        answer=told,
        beside=beside._replace(
            news=news_lines.news_words(news, answer.today, shut=bool(shut_today(told, beside))),
            first=first,
        ),
        said=SaidOf(
            yard=answer.yard.name,
            recipient=recipient,
            change=news.change.value,
            document=document_of(news.said),
            told_at=now,
            number=0 if before is None else before.number,
        ),
    )


def _danger(one: Standing, last: Said | None) -> bool:
    """Between urgent and quiet what was said stands, so that a chance that wobbles is no news."""
    if one.watch is None:
        return False
    if one.watch.level is Level.URGENT:
        return True
    return one.watch.level is not Level.QUIET and last is not None and last.danger


def _with_kept(answer: YardAnswer, row: Row, one: Standing) -> YardAnswer:
    """The answer with a start that is named only because it was named before."""
    main = answer.main
    status = main.status
    blocked = obstacles(main.treatment, answer.yard.hive, start=row.day)
    if blocked:
        status = Status.BLOCKED
    elif status is not Status.UNKNOWN:
        status = Status.OPEN if row.day == answer.today else Status.LATER
    kept = main._replace(
        status=status,
        named=row,
        blocked=blocked,
        visits=visits(row.start.regimen, start=row.day, colonies=answer.yard.colonies),
    )
    kept = kept._replace(visits=one.days.visits_moved(kept, answer.today))
    return answer._replace(treatments=(kept, *answer.treatments[1:]))


def document_of(said: Said) -> dict[str, Any]:
    """What is remembered, as JSON allows."""
    found = said._asdict()
    found["start"] = None if said.start is None else said.start.isoformat()
    return found


def said_of(kept: Mapping[str, Any]) -> Said:
    """The same read back; what a later version adds is at its default."""
    known = {key: kept[key] for key in Said._fields if key in kept}
    if known.get("start") is not None:
        known["start"] = date.fromisoformat(known["start"])
    return Said(**known)


def nothing_new(changes: list[Change]) -> bool:
    """Whether somebody who wants only news has nothing to read."""
    return all(one is Change.UNCHANGED for one in changes)
