"""The whole notice in a line: what stands in its subject."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from windowcast.language import tr, trn
from windowcast.notice import many, words
from windowcast.notice import reason as reasons
from windowcast.notice.beside import NOTHING, Beside
from windowcast.notice.plain import open_instead
from windowcast.notice.shut_lines import shut_today
from windowcast.window.decide import Status, YardAnswer

MOST_NEWS = 3
MOST_NAMES = 2


def subject_of(answers: Sequence[YardAnswer], beside: Mapping[str, Beside] | None = None) -> str:
    """The whole message in a line: "Creek Bend can start today; 2 yards later; 1 closed".

    In the order of `Rank`: danger to what is in the hives, weather that does not fit it, what has
    changed since the last notice, what is to be done today; then the other yards that have nothing
    in: what can start, what is due now, and the rest of the windows.
    """
    others = beside or {}
    told = [(answer, others.get(answer.yard.name, NOTHING)) for answer in answers]
    texts = [at_yard(answer, one.danger) for answer, one in told if one.danger]
    if len(texts) > many.MOST_WHOLE:
        texts = [
            trn(
                "what is in is in danger at {count} yard",
                "what is in is in danger at {count} yards",
                len(texts),
            )
        ]
    risks = [(answer, one.risk) for answer, one in told if one.risk and not one.danger]
    if len(risks) <= MOST_NAMES:
        texts += [at_yard(answer, what) for answer, what in risks]
    else:
        texts.append(
            trn(
                "the weather does not fit what is in at {count} yard",
                "the weather does not fit what is in at {count} yards",
                len(risks),
            )
        )
    news = [(answer, one.news) for answer, one in told if one.news and not one.danger]
    if len(news) <= MOST_NEWS:
        texts += [at_yard(answer, what) for answer, what in news]
    else:
        texts.append(
            trn(
                "something has changed at {count} yard",
                "something has changed at {count} yards",
                len(news),
            )
        )
    today = [(answer, one.today) for answer, one in told if one.today and not one.danger]
    if len(today) <= 2:
        texts += [at_yard(answer, what) for answer, what in today]
    else:
        texts.append(
            trn("visits today at {count} yard", "visits today at {count} yards", len(today))
        )
    shown = {answer.yard.name for answer, _ in news} if len(news) <= MOST_NEWS else set()
    free = [answer for answer, one in told if one.windows and answer.yard.name not in shown]
    if free:
        texts.append(_windows_of(free, others, more=bool(texts)))
    quiet = [
        answer
        for answer, one in told
        if not (one.windows or one.danger or one.risk or one.today or answer.yard.name in shown)
    ]
    if quiet and not texts and len(quiet) == 1:
        return at_yard(quiet[0], others[quiet[0].yard.name].heading)
    if quiet:
        texts.append(
            trn(
                "{count} yard with a treatment in or just over",
                "{count} yards with a treatment in or just over",
                len(quiet),
            )
        )
    return "; ".join(texts)


def at_yard(answer: YardAnswer, what: str) -> str:
    """ "Creek Bend: start today"."""
    return tr("{yard}: {what}", yard=answer.yard.name, what=what)


def _windows_of(answers: Sequence[YardAnswer], beside: Mapping[str, Beside], *, more: bool) -> str:
    """The windows in a line, in the order of `Rank`; `more`: it follows something else."""
    if len(answers) == 1:
        return _only(answers[0], beside.get(answers[0].yard.name, NOTHING))
    shut = [one for one in answers if shut_today(one, beside.get(one.yard.name, NOTHING))]
    due = [one for one in answers if beside.get(one.yard.name, NOTHING).due]
    texts: list[str] = []
    also: list[str] = []
    if len(due) > MOST_NAMES:
        also = [trn("{count} yard due now", "{count} yards due now", len(due))]
    else:
        answers = [one for one in answers if one not in due]
        for one in due:
            starts = one.main.status is Status.OPEN and one not in shut
            (texts if starts else also).append(_only(one, beside[one.yard.name]))
        if not answers:
            return "; ".join([*texts, *also])
    opened = [one for one in answers if one.main.status is Status.OPEN]
    instead = [one for one in answers if open_instead(one) is not None]
    dry = [one for one in opened if one not in shut]
    if dry:
        texts.append(_can_start(dry))
    if len(dry) < len(opened):
        texts.append(_could_start([one for one in opened if one in shut]))
    texts += also
    if not opened and not instead and (more or texts):
        texts.append(tr("no other yard can start today"))
    elif not opened and not instead:
        texts.append(tr("No yard can start today"))
    blocked = sum(one.main.status is Status.BLOCKED for one in answers)
    if blocked:
        texts.append(_counted(Status.BLOCKED, blocked, named=True))
    if other := [one for one in instead if one not in shut]:
        texts.append(_can_start_another(other))
    if len(other) < len(instead):
        texts.append(_could_start_another([one for one in instead if one in shut]))
    named = not blocked
    for status in (Status.LATER, Status.CLOSED, Status.UNKNOWN):
        found = [one for one in answers if one.main.status is status and one not in instead]
        if found:
            # What is counted is named once.
            texts.append(_counted(status, len(found), named=named))
            named = False
    return "; ".join(texts)


def _only(answer: YardAnswer, beside: Beside) -> str:
    """One yard, by its name: "Mill Yard: due now, take off the honey super, then start today"."""
    main, named = answer.main, answer.main.named
    if not beside.due and main.status is Status.OPEN:
        shut = shut_today(answer, beside)
        return _could_start([answer]) if shut else _can_start([answer])
    if not beside.due and main.status is Status.LATER and named is not None:
        return tr("{yard} can start on {day}", yard=answer.yard.name, day=words.day(named.day))
    what = _to_do(answer, beside)
    return at_yard(answer, tr("due now, {what}", what=what) if beside.due else what)


def _to_do(answer: YardAnswer, beside: Beside) -> str:
    """What to do about its window, in a few words."""
    main, named = answer.main, answer.main.named
    other = open_instead(answer)
    shut = bool(shut_today(answer, beside))
    if other is not None and shut:
        return tr(
            "no start in time; {treatment} could start, but hives stay shut today",
            treatment=words.treatment_plural(other.treatment),
        )
    if other is not None:
        return tr(
            "no start in time, but {treatment} can start today",
            treatment=words.treatment_plural(other.treatment),
        )
    if main.status is Status.UNKNOWN:
        return tr("without a usable forecast")
    if named is None:
        if beside.choices:
            return trn(
                "no start in time, {number} other to choose",
                "no start in time, {number} others to choose",
                beside.choices,
                number=words.number(beside.choices),
            )
        return tr("no start in the days looked at")
    start = (
        tr("start today")
        if named.day == answer.today
        else tr("start on {day}", day=words.day(named.day))
    )
    if shut:
        start = tr("start on another day, hives stay shut today")
    steps = [reasons.do_in_short(one) for one in main.blocked]
    if main.status is not Status.BLOCKED or not steps:
        return start
    return tr("{steps}, then {start}", steps=words.listed(steps), start=start)


def _can_start(answers: Sequence[YardAnswer]) -> str:
    count, names = len(answers), [answer.yard.name for answer in answers]
    if count > MOST_NAMES:
        return trn("{count} yard can start today", "{count} yards can start today", count)
    return trn(
        "{yards} can start today", "{yards} can start today", count, yards=words.listed(names)
    )


def _could_start(answers: Sequence[YardAnswer]) -> str:
    """Where hives should stay shut today."""
    count, names = len(answers), [answer.yard.name for answer in answers]
    if count > MOST_NAMES:
        return trn(
            "{count} yard could start today, but hives stay shut there",
            "{count} yards could start today, but hives stay shut there",
            count,
        )
    return trn(
        "{yards} could start today, but hives stay shut there",
        "{yards} could start today, but hives stay shut there",
        count,
        yards=words.listed(names),
    )


def _can_start_another(answers: Sequence[YardAnswer]) -> str:
    count, names = len(answers), [answer.yard.name for answer in answers]
    if count > MOST_NAMES:
        return trn(
            "{count} yard can start another treatment today",
            "{count} yards can start another treatment today",
            count,
        )
    return trn(
        "{yards} can start another treatment today",
        "{yards} can start another treatment today",
        count,
        yards=words.listed(names),
    )


def _could_start_another(answers: Sequence[YardAnswer]) -> str:
    """Where hives should stay shut today."""
    count, names = len(answers), [answer.yard.name for answer in answers]
    if count > MOST_NAMES:
        return trn(
            "{count} yard could start another treatment today, but hives stay shut there",
            "{count} yards could start another treatment today, but hives stay shut there",
            count,
        )
    return trn(
        "{yards} could start another treatment today, but hives stay shut there",
        "{yards} could start another treatment today, but hives stay shut there",
        count,
        yards=words.listed(names),
    )


def _counted(status: Status, count: int, *, named: bool) -> str:
    """ "2 yards later" where the yards are `named`, else "2 later"."""
    if status is Status.LATER:
        if named:
            return trn("{count} yard later", "{count} yards later", count)
        return trn("{count} later", "{count} later", count)
    if status is Status.BLOCKED:
        if named:
            return trn(
                "{count} yard to make ready first", "{count} yards to make ready first", count
            )
        return trn("{count} to make ready first", "{count} to make ready first", count)
    if status is Status.CLOSED:
        if named:
            return trn("{count} yard without a start", "{count} yards without a start", count)
        return trn("{count} without a start", "{count} without a start", count)
    if named:
        return trn(
            "{count} yard without a usable forecast",
            "{count} yards without a usable forecast",
            count,
        )
    return trn("{count} without a usable forecast", "{count} without a usable forecast", count)
