"""Why days of a plan do not count, in few words: what the weather, the season and the crews say of
each, those of one reason together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from windowcast.crew.explain import Bound, Off
from windowcast.crew.instance import Instance, Option
from windowcast.language import marked, tr, trn
from windowcast.notice import words
from windowcast.trade.work import AFTER_COUNT_DAYS, Kind

MOST_STRETCHES = 3
OFF = {
    Bound.SKILL: marked("no crew may handle it"),
    Bound.LENGTH: marked("no crew's day is long enough"),
    Bound.DAY: marked("no crew works"),
    Bound.HOURS: marked("hours full"),
    Bound.STRIPS: marked("too few strips"),
    Bound.COST: marked("not worth its hours"),
}
FOLLOWS = {
    Kind.APPLY: marked("it is not treated in these days, and its mites go on growing"),
    Kind.SWAP: marked(
        "the next dose is missed: too few mites are killed, and what is in the hives stays in"
    ),
    Kind.REMOVE: marked(
        "what was put in stays in longer than its days: decide by the label; mites can become"
        " resistant to it"
    ),
    Kind.REPOSITION: marked("the strips may hang away from the brood and kill fewer mites"),
    Kind.QUEENS: marked("a queen that is lost is found late"),
    Kind.COUNT_AFTER: marked("nobody knows what the treatment has left"),
    Kind.COUNT: marked("nobody knows how many mites there are: only the season says what is due"),
}


class Frame(NamedTuple):
    """What turns numbers of a plan into names: the instance and its first day.

    ways:  what regimens are called, by their treatment's and their own id
    """

    instance: Instance
    first: date
    ways: Mapping[tuple[str, str], str] = {}

    def way(self, treatment: str, regimen: str) -> str:
        """A regimen as people call it: "two strips at once"."""
        return self.ways.get((treatment, regimen), regimen)

    def day(self, number: int) -> str:
        return words.day(self.first + timedelta(days=number))

    def option(self, need: int, number: int) -> Option:
        return self.instance.needs[need].options[number]


def kind_words(kind: Kind) -> str:
    """What is done, in a word or two."""
    return tr(
        {
            Kind.APPLY: marked("start"),
            Kind.SWAP: marked("swap"),
            Kind.REMOVE: marked("removal"),
            Kind.REPOSITION: marked("move strips"),
            Kind.QUEENS: marked("queen check"),
            Kind.COUNT_AFTER: marked("count after the treatment"),
            Kind.COUNT: marked("count"),
        }[kind]
    )


def follows_words(kind: Kind, *, board: bool = False) -> str:
    """What follows where a start or a job finds no place and it stays so.

    board:  one under the hive does for a count after a treatment
    """
    if board:
        return tr("without the count or a board nobody knows what the treatment has left")
    return tr(FOLLOWS[kind])


def counted_words(yards: Sequence[str], day: date) -> str:
    """What follows where yards that were counted on a day are not counted again."""
    return trn(
        "{yards} was last counted on {day}: how many mites there are since then is only reckoned",
        "{yards} were last counted on {day}: how many mites there are since then is only reckoned",
        len(yards),
        yards=words.listed(yards),
        day=words.day(day),
    )


def stretches(days: Iterable[date]) -> list[list[date]]:
    """Days without gaps, ascending, together."""
    runs: list[list[date]] = []
    for day in sorted(set(days)):
        if runs and day - runs[-1][-1] == timedelta(days=1):
            runs[-1].append(day)
        else:
            runs.append([day])
    return runs


def days_words(days: Iterable[date], most: int = 0) -> str:
    """ "Sat Jul 25, Mon Jul 27 to Wed Jul 29"; of more than `most` stretches, the rest counted; 0:
    all are named."""
    runs = stretches(days)
    texts = [
        words.span(run[0], run[-1]) if len(run) > 2 else words.in_a_row([words.day(d) for d in run])
        for run in runs
    ]
    more = sum(len(run) for run in runs[most:]) if most else 0
    if not more:
        return words.in_a_row(texts)
    few = words.in_a_row(texts[:most])
    return trn("{days} and {count} more", "{days} and {count} more", more, days=few)


def by_day_words(first: date, whys: Iterable[tuple[int, str]]) -> str:
    """ "Wed Jul 29 hours full; all others no crew works": what stands on each day, a reason's days
    together. The reason with most days is that of all others where they are in many stretches.

    first:  day 0
    """
    by_why: dict[str, list[date]] = {}
    for day, why in sorted(whys):
        by_why.setdefault(why, []).append(first + timedelta(days=day))
    if not by_why:
        return ""
    if len(by_why) == 1 and sum(map(len, by_why.values())) > 1:
        return tr("on every one {why}", why=next(iter(by_why)))
    most = max(by_why, key=lambda why: len(by_why[why]))
    rest = len(stretches(by_why[most])) > MOST_STRETCHES
    texts = [
        tr("{days} {why}", days=days_words(days, MOST_STRETCHES), why=why)
        for why, days in by_why.items()
        if why != most or not rest
    ]
    if rest:
        texts.append(tr("all others {why}", why=most))
    return "; ".join(texts)


def off_why(one: Off) -> str:
    """What a day lacks of what crews and strips there are."""
    if one.dark and one.bound in (Bound.HOURS, Bound.LENGTH, Bound.DAY):
        why = tr("it gets dark too soon")
    else:
        why = tr(OFF[one.bound])
    return tr("{why} for a visit that follows", why=why) if one.later else why


def off_words(
    first: date,
    off: Sequence[Off],
    barred: Sequence[tuple[int, str]] = (),
    *,
    treated: range | None = None,
    days: Sequence[int] = (),
    but: Sequence[int] = (),
) -> str:
    """Why the days of a plan do not count for a start or a job.

    off:      as the crews and strips have it
    barred:   as all else has it
    treated:  of a count, days on which it would say little
    days:     on which it could be, did it say anything
    but:      days of which more is said elsewhere
    """
    whys: Mapping[int, str] = {
        **dict(barred),
        **({day: little_words() for day in days if day in treated} if treated else {}),
        **{one.day: off_why(one) for one in off},
    }
    return by_day_words(first, [(day, why) for day, why in whys.items() if day not in but])


def little_words() -> str:
    """Why a count is not made on some days."""
    return tr(
        "a count says little, inside the treatment or within {days} days after it",
        days=AFTER_COUNT_DAYS,
    )


def minutes_words(least: float, most: float) -> str:
    """ "20", "20 to 57"; up, for what is named must be enough."""
    few, many = up(least), up(most)
    return str(few) if few == many else tr("{few} to {many}", few=few, many=many)


def up(minutes: float) -> int:
    """Whole minutes, up: what is named must be enough."""
    return int(-(-minutes // 1))
