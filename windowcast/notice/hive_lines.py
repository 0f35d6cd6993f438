"""What is to be done and minded at the hive, in words; no template engine behind them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from windowcast.language import marked, tr
from windowcast.notice import words
from windowcast.notice.plain import labelled
from windowcast.trade import hive as hives
from windowcast.trade import visits as visiting
from windowcast.trade.course import Course
from windowcast.trade.hive import Preparation
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.visits import ShutDays, Task, Visit
from windowcast.trade.yard import Hive

PREPARATION = {
    Preparation.SUPERS_OFF_SET_ASIDE: marked(
        "honey supers off and set aside; at most {supers} back on while it is in"
    ),
    Preparation.SUPERS_STAY_OFF: marked("honey supers stay off for the whole exposure"),
    Preparation.ENTRANCE_OPEN: marked("entrance wide open, no reducer"),
    Preparation.FLOOR_CLOSED: marked("screened floor closed at the back"),
    Preparation.ONE_STRIP_MIDDLE: marked("one strip in the middle of the brood nest"),
    Preparation.TWO_STRIPS_OFFSET: marked("two strips, offset from each other, not side by side"),
    Preparation.ABOVE_SINGLE_CHAMBER: marked(
        "lay it on the top bars above the single brood chamber"
    ),
    Preparation.BETWEEN_CHAMBERS: marked("lay it on the top bars between the two brood chambers"),
    Preparation.BOTH_CHAMBERS: marked(
        "as many strips in the upper brood chamber as in the lower, where the bees are"
    ),
    Preparation.ON_EXCLUDER: marked("on top of the queen excluder, where the label allows"),
}
CAUTIONS = {
    "formic acid": marked(
        "Formic acid burns skin, eyes and lungs: acid-resistant gloves, sealed goggles, long"
        " sleeves, a mask for acid vapour where the label says so; work upwind, in the open air,"
        " with plenty of water at hand."
    ),
    "oxalic acid": marked(
        "Oxalic acid harms eyes, skin and lungs: acid-resistant gloves, goggles, long sleeves, a"
        " particle mask with spray or vapour; work upwind, in the open air, with water at hand."
    ),
    "amitraz": marked(
        "Amitraz goes through the skin: wear gloves; it is not for people on MAO inhibitors."
    ),
    "thymol": marked("Thymol irritates skin and eyes and can sensitise: wear gloves and goggles."),
}
LAW = marked("The label and local law decide: read them before you open a packet.")
"""To be said as `law()`."""


def law() -> str:
    """What stands under everything that tells somebody to treat."""
    return tr(LAW)


def cautions(actives: Iterable[str]) -> list[str]:
    """One paragraph for each active that has one."""
    return [tr(CAUTIONS[active]) for active in actives if active in CAUTIONS]


def at_the_hive(treatment: Treatment, regimen: Regimen, hive: Hive) -> list[str]:
    """What to do at the hive on the start day."""
    lines: list[str] = []
    for step in hives.preparations(treatment, regimen, hive):
        text = tr(PREPARATION[step], supers=words.number(treatment.max_supers or 0))
        lines += labelled("" if lines else tr("At the hive"), f"- {text}")
    return lines


def left_shut(treatment: Treatment, regimen: Regimen, visits: Sequence[Visit]) -> list[str]:
    """On which days the hive is left alone once it is begun, and why.

    visits:  on the days on which they are told, the start first
    """
    dosed = [visit.day for visit in visits if visit.task is not Task.REMOVE]
    end = dosed[-1] + timedelta(days=regimen.exposure_days - regimen.doses[-1].day)
    return _shut(treatment, visiting.shut_between(treatment, dosed, end), dosed[1:])


def still_shut(course: Course, today: date | None = None) -> list[str]:
    """The same of what is in, by its doses as they were given and as they will be; with `today`
    only what is still to come. A dose that was given is no exception any more."""
    dosed, given = course.dose_days, len(course.dosed)
    spans = visiting.shut_between(course.treatment, dosed, course.end)
    return _shut(
        course.treatment,
        [one for one in spans if today is None or one.last_day >= today],
        dosed[given:],
    )


def _shut(treatment: Treatment, spans: Sequence[ShutDays], ahead: Sequence[date]) -> list[str]:
    """
    ahead:  the days of fresh doses
    """
    if not spans:
        return []
    days = words.listed([words.span(one.first_day, one.last_day) for one in spans])
    acid = treatment.active == "formic acid"
    if ahead and acid:
        text = tr(
            "{days}: bees may ball the queen while the vapour is strong; the swap on {day} is the"
            " one exception",
            days=days,
            day=words.day(ahead[0]),
        )
    elif ahead:
        text = tr(
            "{days}: opening it disturbs the treatment; the swap on {day} is the one exception",
            days=days,
            day=words.day(ahead[0]),
        )
    elif acid:
        text = tr("{days}: bees may ball the queen while the vapour is strong", days=days)
    else:
        text = tr("{days}: opening it disturbs the treatment", days=days)
    return labelled(tr("Leave shut"), text)
