"""What has changed since somebody was last told, in words."""

from __future__ import annotations

from datetime import date

from windowcast.notice import hive_lines, reason, words
from windowcast.notice.plain import chance_words, labelled, wrapped
from windowcast.window.change import Change, News
from windowcast.window.decide import Row, YardAnswer


def news_words(news: News, today: date) -> str:
    """For a subject; "" where nothing has changed: "opened, start on Thu Aug 20"."""
    row = news.row
    when = "" if row is None else ("today" if row.day == today else f"on {words.day(row.day)}")
    if news.change is Change.OPENED:
        return f"opened, start {when}"
    if news.change is Change.EARLIER:
        return f"moved earlier, start {when}"
    if news.change is Change.LATER:
        return f"moved later, start {when}"
    if news.change is Change.WITHDRAWN:
        before = "" if news.before is None else f" of {words.day(news.before)}"
        return f"the start{before} is withdrawn"
    if news.change is Change.DANGER_OVER:
        return "the danger has passed"
    return ""


def kept_lines(row: Row, min_chance: float, cancel_below: float) -> list[str]:
    """That a start is kept although it would not be named anew."""
    return labelled(
        "Kept",
        f"this start was named before; its chance has fallen below {words.percent(min_chance)}, and"
        f" it is withdrawn below {words.percent(cancel_below)}",
    )


def withdrawn_message(news: News, answer: YardAnswer, units: str) -> tuple[str, str]:
    """Subject and body of the message that a start which was named holds no longer."""
    name = answer.yard.name
    subject = f"{name}: {news_words(news, answer.today)}"
    before = "" if news.before is None else f" on {words.day(news.before)}"
    parts = [
        wrapped("This cannot wait for the morning's notice."),
        wrapped(
            f"{name}: the start{before} that you were told of holds no longer by the newest"
            " forecast. Do not put the treatment in on that day."
        ),
    ]
    lines = labelled("Why", reason.reason(answer.main, answer.forecast, units))
    if news.row is not None:
        way = words.regimen(news.row.start.regimen)
        lines += labelled("Instead", f"{words.day(news.row.day)}, {way}: {chance_words(news.row)}")
    parts += ["\n".join(lines), wrapped(hive_lines.LAW)]
    return subject, "\n\n".join(parts) + "\n"
