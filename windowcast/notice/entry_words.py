"""What was entered, in whole sentences: for where nothing is laid out in columns."""

from __future__ import annotations

from collections.abc import Sequence

from windowcast.language import tr, trn
from windowcast.notice import count_lines, course_lines, hive_lines, words
from windowcast.notice.count_lines import Fall
from windowcast.notice.visit_words import visit_words
from windowcast.trade import hive as hives
from windowcast.trade.course import Course
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Round, colonies_to_sample
from windowcast.trade.yard import Hive


def sentence(entry: Entry, course: Course | None, before: Entry | None = None) -> str:
    """One entry.

    course:  the treatment that it began or belongs to; None: none, or one that no longer counts
    before:  of a void, the entry that it takes out of what counts
    """
    day = words.day_with_year(entry.day)
    body = entry.body
    if entry.kind == "count":
        return tr("Count: {count}", count=count_lines.sentence(entry))
    if entry.kind == "start":
        return _start(entry, course, day)
    if entry.kind == "swap":
        return tr("Fresh dose given on {day}: {treatment}", day=day, treatment=_name(course))
    if entry.kind == "remove":
        if body.get("strips") is None:
            return tr("Taken out on {day}: {treatment}", day=day, treatment=_name(course))
        return trn(
            "{count} strip taken out on {day}: {treatment}",
            "{count} strips taken out on {day}: {treatment}",
            body["strips"],
            day=day,
            treatment=_name(course),
        )
    if entry.kind == "brood":
        seen = tr("capped brood") if body["capped"] else tr("no capped brood")
        if body.get("open"):
            seen = tr("eggs or larvae, nothing capped")
        return trn(
            "Looked into {count} colony on {day}: {seen}",
            "Looked into {count} colonies on {day}: {seen}",
            body["colonies"],
            day=day,
            seen=seen,
        )
    if entry.kind == "queens":
        return trn(
            "Looked for queens in {count} colony on {day}: {missing} without one",
            "Looked for queens in {count} colonies on {day}: {missing} without one",
            body["checked"],
            day=day,
            missing=body["missing"],
        )
    if entry.kind == "note":
        return tr("Note of {day}: {text}", day=day, text=body["text"])
    if before is None:
        return tr("Undone: entry {number}", number=entry.corrects)
    return tr("Undone: entry {number}, {what}", number=before.id, what=sentence(before, course))


def _start(entry: Entry, course: Course | None, day: str) -> str:
    if course is None:
        return tr(
            "Treatment begun on {day}: {treatment}, {regimen}",
            day=day,
            treatment=entry.body["treatment"],
            regimen=entry.body["regimen"],
        )
    return trn(
        "Treatment begun on {day} in {count} colony: {treatment}, {regimen}",
        "Treatment begun on {day} in {count} colonies: {treatment}, {regimen}",
        course.colonies,
        day=day,
        treatment=words.treatment_plural(course.treatment),
        regimen=words.regimen(course.regimen),
    )


def _name(course: Course | None) -> str:
    return tr("no treatment") if course is None else words.treatment_plural(course.treatment)


def ahead(course: Course, hive: Hive, spare_percent: float) -> list[str]:
    """The visits of a treatment still to be made, and from when honey supers may be on."""
    found = []
    for visit in course.ahead():
        found.append(
            visit_words(
                visit,
                course.colonies,
                treatment=course.treatment,
                hive=hive,
                spare_percent=spare_percent,
            )
        )
    found.append(tr("Honey supers: {what}", what=course_lines.after_words(course)))
    return found


def at_the_hive(course: Course, hive: Hive) -> list[str]:
    """What to see to at the hive on the day of the start."""
    most = words.number(course.treatment.max_supers or 0)
    steps = hives.preparations(course.treatment, course.regimen, hive)
    return [tr(hive_lines.PREPARATION[step], supers=most) for step in steps]


def count_means(
    entry: Entry,
    last: Round | None,
    *,
    colonies: int,
    limit: float,
    fall: Fall | None,
    stale: bool,
) -> list[str]:
    """What a count says of its yard.

    last:      the round that it belongs to; None for a board
    colonies:  of the yard
    limit:     the threshold of its month, mites per 100 bees
    fall:      of a board
    stale:     a treatment began after the round, or was under way
    """
    month = words.month(entry.day.month)
    if fall is not None:
        return [count_lines.fall_against(fall, month)]
    if last is None:
        return []
    against = count_lines.round_against(last, limit, month)
    found = [tr("The yard: {round}", round=against)]
    more = count_lines.still_to_count(last, colonies)
    if more > 0:
        found.append(
            trn(
                "Count {count} more colony within the week, {all} in all",
                "Count {count} more colonies within the week, {all} in all",
                more,
                all=colonies_to_sample(colonies),
            )
        )
    if stale:
        found.append(
            tr(
                "A treatment began after this round, or was under way: count again 14 days after"
                " its end"
            )
        )
    return found


def later(entry: Entry, after: Entry) -> str:
    """What became of an entry that no longer counts."""
    day = words.day_with_year(after.noted_at.date())
    if after.kind == "void":
        return tr(
            "Entry {number} no longer counts: undone by entry {after}; both stay on record.",
            number=entry.id,
            after=after.id,
        )
    return tr(
        "Entry {number} was corrected by entry {after} of {day}; both stay on record.",
        number=entry.id,
        after=after.id,
        day=day,
    )


def cautions(actives: Sequence[str]) -> list[str]:
    """What to mind for these actives, and who decides."""
    found = hive_lines.cautions(dict.fromkeys(actives))
    return [*found, hive_lines.law()] if found else []
