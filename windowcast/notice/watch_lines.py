"""The watch over a treatment that is in, in words: in the notice, and in a message of its own."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from fractions import Fraction
from typing import Any

from windowcast.language import marked, tr, trn
from windowcast.notice import hive_lines, words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade.course import Course
from windowcast.trade.visits import Task
from windowcast.trade.workable import HINDRANCES
from windowcast.window.watch import Ahead, Blocked, Level, Watch, band_on

MOST_NAMED = 3
"""So many yards are named in a subject."""
ADVICE = marked(
    "Go by the label first. What keepers do: open the entrance and give more air and shade, put an"
    " empty super above a crowded colony. Do not open the brood nest early without need, and take"
    " the treatment out only as the label says."
)

BY_THE_LABEL = marked(
    "The label decides what follows when days fall outside the band: in the cold a treatment does"
    " little, in the heat it costs brood and queens. Watch the forecast, look for brood and queen"
    " when it is over, and count mites after it."
)
AHEAD = marked(
    "The label decides what follows when days fall outside the band. Watch the next notices: they"
    " name such days as soon as they are forecast."
)


def danger_words(found: Watch) -> str:
    """For a subject: "strips in danger, Thu Aug 20 and Fri Aug 21"; "" where nothing is urgent."""
    if found.level is not Level.URGENT:
        return ""
    days = [day for day, _ in found.dangerous]
    if not days and found.hottest_day is not None:
        days = [found.hottest_day]
    when = words.listed([words.day(day) for day in days]) if days else ""
    if found.course.treatment.form.endswith("strip"):
        return tr("strips in danger, {day}", day=when) if when else tr("strips in danger")
    return tr("treatment in danger, {day}", day=when) if when else tr("treatment in danger")


def risk_words(found: Watch) -> str:
    """For a subject: "strips outside the band, Thu Aug 20 to Sun Aug 23"; "" where nothing is to be
    watched, or it is urgent."""
    if found.level is not Level.WATCHFUL:
        return ""
    strips = found.course.treatment.form.endswith("strip")
    if found.outside:
        days = words.listed([words.span(*one) for one in _runs([day for day, _ in found.outside])])
        if strips:
            return tr("strips outside the band, {day}", day=days)
        return tr("treatment outside the band, {day}", day=days)
    if found.chance is not None:
        percent = words.percent(found.chance.value)
        if strips:
            return tr("strips at risk, only {percent} that all days hold", percent=percent)
        return tr("treatment at risk, only {percent} that all days hold", percent=percent)
    return tr("strips at risk") if strips else tr("treatment at risk")


def watch_lines(found: Watch, units: str) -> list[str]:
    """What is to be said of what is in; short where nothing is wrong."""
    lines: list[str] = []
    if found.days_left:
        lines += labelled(tr("Left"), _left(found))
        lines += _heat(found, units)
    for day, high_c in found.passed_out:
        lines += labelled(
            tr("Was outside"),
            tr("{day} came to {degrees}", day=words.day(day), degrees=words.degrees(high_c, units)),
        )
    for one in found.visits:
        lines += labelled(tr("Bad day"), blocked_words(one))
    return lines


def _left(found: Watch) -> str:
    if found.level is Level.UNKNOWN:
        return trn(
            "{count} day; what they bring is not known: there is no usable forecast",
            "{count} days; what they bring is not known: there is no usable forecast",
            found.days_left,
        )
    text = words.days(found.days_left)
    if found.chance is not None:
        text = trn(
            "{count} day; all in the band in {held} of {scenarios} scenarios, {percent}",
            "{count} days; all in the band in {held} of {scenarios} scenarios, {percent}",
            found.days_left,
            held=found.chance.held,
            scenarios=found.chance.of,
            percent=words.percent(found.chance.value),
        )
    elif found.covered:
        text = trn(
            "{count} day; {covered} of them are forecast",
            "{count} days; {covered} of them are forecast",
            found.days_left,
            covered=found.covered,
        )
    if found.covered < found.days_left:
        return tr(
            "{days} (the forecast covers {covered} of them)", days=text, covered=found.covered
        )
    return text


def _heat(found: Watch, units: str) -> list[str]:
    lines: list[str] = []
    limit = found.course.treatment.danger_c
    if found.dangerous and limit is not None:
        lines += labelled(tr("DANGER"), dangerous_words(found.dangerous, limit, units))
    elif found.danger is not None and found.danger.held and limit is not None:
        lines += labelled(
            tr("DANGER") if found.level is Level.URGENT else tr("Heat"),
            tr(
                "in {percent} of the scenarios a high above {degrees} on a day that costs brood and"
                " queens ({days})",
                percent=words.percent(found.danger.value),
                degrees=words.degrees(limit, units),
                days=words.listed([words.span(*one) for one in _runs(found.critical)]),
            ),
        )
    outside = [one for one in found.outside if one not in found.dangerous]
    if outside:
        lines += labelled(tr("Outside"), outside_words(outside, units))
    elif found.hottest_day is not None and found.hottest_c is not None:
        lines += labelled(
            tr("Hottest day"),
            tr(
                "{day}, {degrees}",
                day=words.day(found.hottest_day),
                degrees=words.degrees(found.hottest_c, units),
            ),
        )
    if advice := advice_words(found):
        lines += labelled(tr("Do"), advice)
    return lines


def advice_words(found: Watch) -> str:
    """What to do where the weather does not fit what is in; "" where it does."""
    return tr(_advice(found)) if found.level in (Level.URGENT, Level.WATCHFUL) else ""


def _advice(found: Watch) -> str:
    """What to do about it: about heat what keepers do against it; about all else the label."""
    hot = found.level is Level.URGENT or found.too_hot
    # Vapour in the heat is what that advice is about; it is what `danger_c` is set for.
    if hot and found.course.treatment.danger_c is not None:
        return ADVICE
    if found.outside:
        return BY_THE_LABEL
    return AHEAD


def dangerous_words(days: Sequence[tuple[date, float]], limit: Fraction, units: str) -> str:
    """ "Thu Aug 20 (35.1 °C) is forecast above 33.0 °C, on one of the days that …"."""
    return trn(
        "{days} is forecast above {degrees}, on one of the days that cost brood and queens",
        "{days} are forecast above {degrees}, on days that cost brood and queens",
        len(days),
        days=_with_highs(days, units),
        degrees=words.degrees(limit, units),
    )


def outside_words(days: Sequence[tuple[date, float]], units: str) -> str:
    """ "Thu Aug 20 is forecast at 30.1 °C, outside the band"; several in one sentence."""
    if len(days) == 1:
        day, high_c = days[0]
        return tr(
            "{day} is forecast at {degrees}, outside the band",
            day=words.day(day),
            degrees=words.degrees(high_c, units),
        )
    return tr("{days} are forecast outside the band", days=_with_highs(days, units))


def _with_highs(days: Sequence[tuple[date, float]], units: str) -> str:
    return words.listed(
        [
            tr("{day} ({degrees})", day=words.day(day), degrees=words.degrees(high_c, units))
            for day, high_c in days
        ]
    )


def ahead_words(found: Ahead, course: Course, units: str) -> list[str]:
    """What is to be said of the weather of a treatment as it begins: the danger first."""
    parts = []
    limit = course.treatment.danger_c
    if found.dangerous and limit is not None:
        parts.append(tr("DANGER: {heat}", heat=dangerous_words(found.dangerous, limit, units)))
    if found.outside:
        bands = list(dict.fromkeys(band_on(course, day) for day, _ in found.outside))
        parts.append(
            tr(
                "{outside} ({band})",
                outside=outside_words(found.outside, units),
                band=words.listed([words.band(one, units) for one in bands]),
            )
        )
    return parts


def _runs(days: Sequence[date]) -> list[tuple[date, date]]:
    """Days on end as their first and last; `days` in order."""
    found: list[tuple[date, date]] = []
    for day in days:
        if found and (day - found[-1][1]).days == 1:
            found[-1] = (found[-1][0], day)
        else:
            found.append((day, day))
    return found


def blocked_words(one: Blocked) -> str:
    """ "the swap on Thu Aug 20 falls on a day too wet; the nearest better day is Fri Aug 21"."""
    values = {
        "day": words.day(one.visit.day),
        "reasons": words.listed([tr(HINDRANCES[reason]) for reason in one.reasons]),
    }
    text = (
        tr("the swap on {day} falls on a day {reasons} to open a hive", **values)
        if one.visit.task is Task.SWAP
        else tr("the removal on {day} falls on a day {reasons} to open a hive", **values)
    )
    better = (
        tr("no better day near it is forecast")
        if one.better is None
        else tr("the nearest better day is {day}", day=words.day(one.better))
    )
    return f"{text}; {better}"


def urgent_message(found: Sequence[Watch], units: str) -> tuple[str, str]:
    """Subject and body of the message that cannot wait for the morning."""
    first = found[0]
    subject = tr("{yard}: {what}", yard=first.course.yard, what=danger_words(first))
    if len(found) > 1:
        more = trn("{count} more yard", "{count} more yards", len(found) - 1)
        subject = f"{subject}; {more}"
    parts = [wrapped(tr("This cannot wait for the morning's notice."))]
    for one in found:
        parts.append(
            "\n".join(
                [
                    wrapped(
                        tr(
                            "{yard}: {treatment} in since {day}",
                            yard=one.course.yard,
                            treatment=words.treatment_plural(one.course.treatment),
                            day=words.day(one.course.start),
                        )
                    ),
                    *watch_lines(one, units),
                    *hive_lines.still_shut(one.course),
                ]
            )
        )
    actives = dict.fromkeys(one.course.treatment.active for one in found)
    cautions = [*hive_lines.cautions(actives), hive_lines.law()]
    parts.append("\n".join(wrapped(text) for text in cautions))
    parts.append(wrapped(tr("You are told once; and again when the danger is over.")))
    return subject, "\n\n".join(parts) + "\n"


def over_message(found: Sequence[Watch], units: str) -> tuple[str, str]:
    """Subject and body of the message that the danger has passed."""
    names = words.listed([one.course.yard for one in found])
    if len(found) > MOST_NAMED:
        subject = trn(
            "the danger has passed at {count} yard",
            "the danger has passed at {count} yards",
            len(found),
        )
    else:
        subject = tr("{yards}: the danger has passed", yards=names)
    parts = [
        "\n".join(
            [
                wrapped(
                    tr(
                        "{yard}: {treatment} in since {day}; the forecast no longer shows the heat"
                        " that you were told of.",
                        yard=one.course.yard,
                        treatment=words.treatment_plural(one.course.treatment),
                        day=words.day(one.course.start),
                    )
                ),
                *watch_lines(one, units),
            ]
        )
        for one in found
    ]
    parts.append(wrapped(tr("Look for brood and queen when the treatment is over.")))
    parts.append(wrapped(hive_lines.law()))
    return subject, "\n\n".join(parts) + "\n"


def watch_document(found: Watch) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "treatment": found.course.entry.id,
        "level": found.level.name.lower(),
        "days_left": found.days_left,
        "covered": found.covered,
        "chance": None if found.chance is None else round(found.chance.value, 3),
        "danger": None if found.danger is None else round(found.danger.value, 3),
        "critical_days": [day.isoformat() for day in found.critical],
        "danger_day": None if found.danger_day is None else found.danger_day.isoformat(),
        "danger_days": [
            {"day": day.isoformat(), "high_c": high_c} for day, high_c in found.dangerous
        ],
        "hottest_day": None if found.hottest_day is None else found.hottest_day.isoformat(),
        "hottest_c": found.hottest_c,
        "outside_day": found.outside[0][0].isoformat() if found.outside else None,
        "outside_c": found.outside[0][1] if found.outside else None,
        "outside_days": [
            {"day": day.isoformat(), "high_c": high_c} for day, high_c in found.outside
        ],
        "was_outside": [
            {"day": day.isoformat(), "high_c": high_c} for day, high_c in found.passed_out
        ],
        "bad_days": [
            {
                "date": one.visit.day.isoformat(),
                "task": one.visit.task.value,
                "reasons": [reason.name.lower() for reason in one.reasons],
                "better": None if one.better is None else one.better.isoformat(),
            }
            for one in found.visits
        ],
    }
