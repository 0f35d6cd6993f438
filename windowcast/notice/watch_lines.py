"""The watch over a treatment that is in, in words: in the notice, and in a message of its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from windowcast.notice import hive_lines, words
from windowcast.notice.plain import labelled, wrapped
from windowcast.trade.visits import Task
from windowcast.window.watch import Blocked, Level, Watch

MOST_NAMED = 3
"""So many yards are named in a subject."""
ADVICE = (
    "Go by the label first. What keepers do: open the entrance and give more air and shade, put an"
    " empty super above a crowded colony. Do not open the brood nest early without need, and take"
    " the treatment out only as the label says."
)


def danger_words(found: Watch) -> str:
    """For a subject: "strips in danger, Thu Aug 20 at 34.1 °C"; "" where nothing is urgent."""
    if found.level is not Level.URGENT:
        return ""
    what = "strips" if found.course.treatment.form.endswith("strip") else "treatment"
    day = found.danger_day or found.hottest_day
    return f"{what} in danger" + ("" if day is None else f", {words.day(day)}")


def watch_lines(found: Watch, units: str) -> list[str]:
    """What is to be said of what is in; short where nothing is wrong."""
    lines: list[str] = []
    if found.days_left:
        lines += labelled("Left", _left(found))
        lines += _heat(found, units)
    for day, high_c in found.passed_out:
        lines += labelled("Was outside", f"{words.day(day)} came to {words.degrees(high_c, units)}")
    for one in found.visits:
        lines += labelled("Bad day", blocked_words(one))
    return lines


def _left(found: Watch) -> str:
    days = words.counted(found.days_left, "day")
    if found.level is Level.UNKNOWN:
        return f"{days}; what they bring is not known: there is no usable forecast"
    text = f"{days}"
    if found.chance is not None:
        text += (
            f"; all in the band in {found.chance.held} of {found.chance.of} scenarios,"
            f" {words.percent(found.chance.value)}"
        )
    elif found.covered:
        text += f"; {found.covered} of them are forecast"
    if found.covered < found.days_left:
        text += f" (the forecast covers {found.covered} of them)"
    return text


def _heat(found: Watch, units: str) -> list[str]:
    lines: list[str] = []
    limit = found.course.treatment.danger_c
    if found.danger_day is not None and limit is not None:
        lines += labelled(
            "DANGER",
            f"{words.day(found.danger_day)} is forecast above {words.degrees(limit, units)} on one"
            " of the days that cost brood and queens",
        )
    elif found.danger is not None and found.danger.held and limit is not None:
        label = "DANGER" if found.level is Level.URGENT else "Heat"
        days = words.span(found.critical[0], found.critical[-1])
        lines += labelled(
            label,
            f"in {words.percent(found.danger.value)} of the scenarios a high above"
            f" {words.degrees(limit, units)} on a day that costs brood and queens ({days})",
        )
    if found.out_day is not None and found.out_c is not None and found.danger_day is None:
        lines += labelled(
            "Outside",
            f"{words.day(found.out_day)} is forecast at {words.degrees(found.out_c, units)},"
            " outside the band",
        )
    elif found.hottest_day is not None and found.hottest_c is not None:
        lines += labelled(
            "Hottest day",
            f"{words.day(found.hottest_day)}, {words.degrees(found.hottest_c, units)}",
        )
    if found.level is Level.URGENT:
        lines += labelled("Do", ADVICE)
    return lines


def blocked_words(one: Blocked) -> str:
    """ "the swap on Thu Aug 20 falls on a day too wet; the nearest better day is Fri Aug 21"."""
    what = "swap" if one.visit.task is Task.SWAP else "removal"
    why = words.listed([reason.value for reason in one.reasons])
    text = f"the {what} on {words.day(one.visit.day)} falls on a day {why} to open a hive"
    if one.better is None:
        return f"{text}; no better day near it is forecast"
    return f"{text}; the nearest better day is {words.day(one.better)}"


def urgent_message(found: Sequence[Watch], units: str) -> tuple[str, str]:
    """Subject and body of the message that cannot wait for the morning."""
    first = found[0]
    subject = f"{first.course.yard}: {danger_words(first)}"
    if len(found) > 1:
        subject += f"; {words.counted(len(found) - 1, 'more yard')}"
    parts = [wrapped("This cannot wait for the morning's notice.")]
    for one in found:
        parts.append(
            "\n".join(
                [
                    wrapped(
                        f"{one.course.yard}: {words.treatment_plural(one.course.treatment)} in"
                        f" since {words.day(one.course.start)}"
                    ),
                    *watch_lines(one, units),
                    *hive_lines.left_shut(
                        one.course.treatment, one.course.regimen, start=one.course.start
                    ),
                ]
            )
        )
    actives = dict.fromkeys(one.course.treatment.active for one in found)
    parts += ["\n".join(wrapped(text) for text in [*hive_lines.cautions(actives), hive_lines.LAW])]
    parts.append(wrapped("You are told once; and again when the danger is over."))
    return subject, "\n\n".join(parts) + "\n"


def over_message(found: Sequence[Watch], units: str) -> tuple[str, str]:
    """Subject and body of the message that the danger has passed."""
    names = words.listed([one.course.yard for one in found])
    if len(found) > MOST_NAMED:
        names = words.counted(len(found), "yard")
    subject = f"{names}: the danger has passed"
    parts = [
        "\n".join(
            [
                wrapped(
                    f"{one.course.yard}: {words.treatment_plural(one.course.treatment)} in since"
                    f" {words.day(one.course.start)}; the forecast no longer shows the heat that"
                    " you were told of."
                ),
                *watch_lines(one, units),
            ]
        )
        for one in found
    ]
    parts.append(wrapped("Look for brood and queen when the treatment is over."))
    parts.append(wrapped(hive_lines.LAW))
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
        "hottest_day": None if found.hottest_day is None else found.hottest_day.isoformat(),
        "hottest_c": found.hottest_c,
        "outside_day": None if found.out_day is None else found.out_day.isoformat(),
        "outside_c": found.out_c,
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
