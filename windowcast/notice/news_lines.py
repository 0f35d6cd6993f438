"""What has changed since somebody was last told, in words."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from windowcast.language import tr, trn
from windowcast.notice import hive_lines, reason, words
from windowcast.notice.plain import chance_words, labelled, wrapped
from windowcast.notice.watch_lines import MOST_NAMED
from windowcast.window.change import Change, News
from windowcast.window.decide import Row, YardAnswer


def news_words(news: News, today: date, *, shut: bool = False) -> str:
    """For a subject; "" where nothing has changed: "opened, start on Thu Aug 20".

    shut:  hives should stay shut today
    """
    if news.row is not None:
        now, day = news.row.day == today, words.day(news.row.day)
        if now and shut:
            text = {
                Change.OPENED: tr("opened, but hives stay shut today"),
                Change.EARLIER: tr("moved earlier, but hives stay shut today"),
                Change.LATER: tr("moved later, but hives stay shut today"),
            }.get(news.change, "")
            if text:
                return text
        if news.change is Change.OPENED:
            return tr("opened, start today") if now else tr("opened, start on {day}", day=day)
        if news.change is Change.EARLIER:
            if now:
                return tr("moved earlier, start today")
            return tr("moved earlier, start on {day}", day=day)
        if news.change is Change.LATER:
            if now:
                return tr("moved later, start today")
            return tr("moved later, start on {day}", day=day)
    if news.change is Change.WITHDRAWN:
        if news.before is None:
            return tr("the start is withdrawn")
        return tr("the start of {day} is withdrawn", day=words.day(news.before))
    if news.change is Change.DANGER_OVER:
        return tr("the danger has passed")
    return ""


def kept_lines(row: Row, min_chance: float, cancel_below: float) -> list[str]:
    """That a start is kept although it would not be named anew."""
    return labelled(
        tr("Kept"),
        tr(
            "this start was named before; its chance has fallen below {percent}, and it is"
            " withdrawn below {lowest}",
            percent=words.percent(min_chance),
            lowest=words.percent(cancel_below),
        ),
    )


def withdrawn_message(found: Sequence[tuple[News, YardAnswer]], units: str) -> tuple[str, str]:
    """Subject and body of the message that starts which were named hold no longer; one or more."""
    if len(found) <= MOST_NAMED:
        subject = "; ".join(
            tr("{yard}: {what}", yard=answer.yard.name, what=news_words(news, answer.today))
            for news, answer in found
        )
    else:
        subject = trn(
            "{count} start that was named holds no longer",
            "{count} starts that were named hold no longer",
            len(found),
        )
    parts = [wrapped(tr("This cannot wait for the morning's notice."))]
    for news, answer in found:
        parts += _withdrawn(news, answer, units)
    parts.append(wrapped(hive_lines.law()))
    return subject, "\n\n".join(parts) + "\n"


def _withdrawn(news: News, answer: YardAnswer, units: str) -> list[str]:
    name = answer.yard.name
    text = (
        tr(
            "{yard}: the start that you were told of holds no longer. Do not put the treatment in"
            " on that day.",
            yard=name,
        )
        if news.before is None
        else tr(
            "{yard}: the start on {day} that you were told of holds no longer. Do not put the"
            " treatment in on that day.",
            yard=name,
            day=words.day(news.before),
        )
    )
    lines = labelled(tr("Why"), _why(news, answer, units))
    if news.row is not None:
        lines += labelled(
            tr("Instead"),
            tr(
                "{day}, {regimen}: {chance}",
                day=words.day(news.row.day),
                regimen=words.regimen(news.row.start.regimen),
                chance=chance_words(news.row),
            ),
        )
    return [wrapped(text), "\n".join(lines)]


def _why(news: News, answer: YardAnswer, units: str) -> str:
    """What speaks against the start that was named, be it the weather, the band or the day."""
    rows = [row for row in answer.main.rows if row.day == news.before and not row.safe]
    told = [row for row in rows if row.start.regimen.id == news.how] or rows
    if not told:
        return reason.reason(answer.main, answer.forecast, units)
    why = reason.why_not(told[0], units)
    return tr("Not {day}: {why}.", day=words.day(told[0].day), why=why)
