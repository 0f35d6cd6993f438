"""That crews.toml keeps treatments or visits out of a yard on days that its start would take."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from windowcast.crew.held_back import in_the_way, kept_back
from windowcast.language import tr
from windowcast.notice import words
from windowcast.notice.plain import labelled
from windowcast.trade.visits import visits
from windowcast.trade.workable import Taken
from windowcast.window.decide import Status, TreatmentAnswer

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow


def taken_words(row: FixedRow | Taken) -> str:
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
    """What keeps starts out before the one that is named, and visits of that one; no lines where
    nothing does."""
    if answer.status is Status.UNKNOWN:
        return []
    rows = [one for row in kept_back(answer) for one in row.taken]
    named = answer.named
    if named is not None:
        # Those told are moved already to days that are free.
        right = visits(named.start.regimen, start=named.day, colonies=1)
        later = in_the_way(
            fixed,
            start=named.day,
            regimen=named.start.regimen,
            visits=[visit.day for visit in right],
        )
        rows += [Taken(one.first, one.last, one.visits, one.treatments, one.why) for one in later]
    lines: list[str] = []
    for row in dict.fromkeys(rows):
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
