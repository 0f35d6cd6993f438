"""That crews.toml keeps treatments or visits out of a yard on days that its start would take."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from windowcast.language import tr
from windowcast.notice import words
from windowcast.notice.plain import labelled
from windowcast.trade.treatment import Regimen
from windowcast.window.decide import Status, TreatmentAnswer

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow


def in_the_way(
    fixed: Sequence[FixedRow], *, start: date, regimen: Regimen, visits: Iterable[date]
) -> tuple[FixedRow, ...]:
    """The rows that keep a start out: treatments on a day of its exposure, or people on the day of
    one of its visits."""
    ends = start + timedelta(days=regimen.exposure_days)
    days = (start, *visits)
    return tuple(
        one
        for one in fixed
        if (one.treatments and one.first < ends and start <= one.last)
        or (one.visits and any(one.first <= day <= one.last for day in days))
    )


def taken_words(row: FixedRow) -> str:
    """ "crews.toml keeps treatments out, Mon Jul 13 to Fri Jul 24: lime harvest"."""
    days = words.span(row.first, row.last)
    if row.visits and row.treatments:
        return tr(
            "crews.toml keeps visits and treatments out, {days}: {why}", days=days, why=row.why
        )
    if row.visits:
        return tr("crews.toml keeps visits out, {days}: {why}", days=days, why=row.why)
    return tr("crews.toml keeps treatments out, {days}: {why}", days=days, why=row.why)


def taken_lines(answer: TreatmentAnswer, fixed: Sequence[FixedRow]) -> list[str]:
    """What keeps the start out that is named; no lines where nothing does or none is."""
    named = answer.named
    if named is None or answer.status in (Status.UNKNOWN, Status.CLOSED):
        return []
    rows = in_the_way(
        fixed,
        start=named.day,
        regimen=named.start.regimen,
        visits=[visit.day for visit in answer.visits],
    )
    lines: list[str] = []
    for row in rows:
        lines += labelled("" if lines else tr("Taken"), taken_words(row))
    return lines


def taken_document(fixed: Sequence[FixedRow], today: date) -> list[dict[str, Any]]:
    """The rows of a yard that are not over, as JSON allows."""
    return [
        {
            "first": one.first.isoformat(),
            "last": one.last.isoformat(),
            "visits": one.visits,
            "treatments": one.treatments,
            "why": one.why,
        }
        for one in fixed
        if one.last >= today
    ]
