"""What the crews' plan promised of a yard's next start, beside what is named there."""

from __future__ import annotations

from typing import Any

from windowcast.crew.promised import PromisedStart, is_promised, promised_row, stands_today
from windowcast.language import tr
from windowcast.notice import words
from windowcast.notice.plain import chance_words, labelled
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.window.decide import Row, YardAnswer


def promised_lines(
    promised: PromisedStart | None, answer: YardAnswer, *, min_chance: float, cancel_below: float
) -> list[str]:
    """Where the weather names another start than was promised, and where a promised one stands
    that would not be named anew; no lines elsewhere.

    answer:  with the promised start where it stands, as of `crew.promised.with_promised`
    """
    if promised is None:
        return []
    text = _said(promised, answer, min_chance=min_chance, cancel_below=cancel_below)
    return labelled(tr("Promised"), text) if text else []


def promised_document(
    promised: PromisedStart | None, answer: YardAnswer, cancel_below: float
) -> dict[str, Any] | None:
    """The same as JSON allows, also where it is what is named; None: nothing is promised.

    answer:  without the starts that something else keeps back
    """
    if promised is None:
        return None
    stands, row = stands_today(answer, promised, cancel_below)
    chance = None if row is None else row.start.chance
    return {
        "date": promised.day.isoformat(),
        "crew": promised.crew,
        "treatment": promised.treatment,
        "regimen": promised.regimen,
        "stands": stands,
        "chance": None if chance is None else round(chance.value, 3),
    }


def way_of(promised: PromisedStart, answer: YardAnswer) -> tuple[Treatment, Regimen] | None:
    """The treatment and the regimen that were promised; None: the yard has them no more."""
    for one in answer.treatments:
        if one.treatment.id == promised.treatment:
            for regimen in one.treatment.regimens:
                if regimen.id == promised.regimen:
                    return one.treatment, regimen
    return None


def way_words(treatment: Treatment, regimen: Regimen, answer: YardAnswer) -> str:
    """ "two strips at once"; with the treatment where that is not the yard's first choice."""
    if treatment.id == answer.main.treatment.id:
        return words.regimen(regimen)
    return tr(
        "{regimen} ({treatment})",
        regimen=words.regimen(regimen),
        treatment=words.treatment_plural(treatment),
    )


def stands_words(row: Row, *, min_chance: float, cancel_below: float) -> str:
    """ "the promised start stands: likely to hold, 73 % …": it holds as long as it stands."""
    chance = row.start.chance
    if chance is None or chance.value >= min_chance:
        return tr(
            "what was promised holds as long as its own start stands, and that stands: {chance}",
            chance=chance_words(row),
        )
    return tr(
        "the promised start stands: {chance}, less than `min_chance`, {percent}; it is called off"
        " below `cancel_below`, {lowest}",
        chance=chance_words(row),
        percent=words.percent(min_chance),
        lowest=words.percent(cancel_below),
    )


def _said(
    promised: PromisedStart, answer: YardAnswer, *, min_chance: float, cancel_below: float
) -> str:
    named = answer.main.named
    day = words.day(promised.day)
    when = tr("{day}, {crew}", day=day, crew=promised.crew)
    if promised.day < answer.today:
        return tr("{promised}: that day has passed and no start is entered", promised=when)
    way = way_of(promised, answer)
    same = named is not None and (
        (named.start.treatment.id, named.start.regimen.id) == (promised.treatment, promised.regimen)
    )
    if way is not None and not same:
        when = tr(
            "{day}, {crew}, {regimen}",
            day=day,
            crew=promised.crew,
            regimen=way_words(*way, answer),
        )
    row = promised_row(answer, promised, cancel_below)
    stands = ""
    if row is not None:
        stands = stands_words(row, min_chance=min_chance, cancel_below=cancel_below)
    if answer.forecast.stale:
        return tr("{promised}; the forecast is too old to tell whether it stands", promised=when)
    if named is None:
        if stands_today(answer, promised, cancel_below)[0] is None:
            return tr("{promised}; no forecast tells whether it stands", promised=when)
        if row is None:
            return tr("{promised}; no start is named now", promised=when)
        return tr("{promised}; {stands}", promised=when, stands=stands)
    if same and named.day == promised.day:
        return _as_named(promised, answer, named, stands, min_chance)
    values = {"promised": when, "stands": stands, "day": words.day(named.day)}
    if named.day == promised.day:
        values["regimen"] = (
            words.regimen(named.start.regimen)
            if answer.main.treatment.id == promised.treatment
            else words.treatment_plural(answer.main.treatment)
        )
        if row is None:
            return tr("{promised}; named for that day is now: {regimen}", **values)
        return tr("{promised}; named first for that day is now: {regimen}; but {stands}", **values)
    if row is None:
        return tr("{promised}; the first that is named now is {day}", **values)
    return tr("{promised}; the first that is named now is {day}, but {stands}", **values)


def _as_named(
    promised: PromisedStart, answer: YardAnswer, named: Row, stands: str, min_chance: float
) -> str:
    """Of a promised start that is the one which is told."""
    when = {"day": words.day(promised.day), "crew": promised.crew}
    first = next((one for one in answer.main.rows if one.safe), None)
    if first is not None and first.day == named.day and not is_promised(first, promised):
        return tr(
            "{day}, {crew}, {regimen}; named first for that day is now: {other}; but {stands}",
            regimen=words.regimen(named.start.regimen),
            other=words.regimen(first.start.regimen),
            stands=stands,
            **when,
        )
    chance = named.start.chance
    if not stands or chance is None or chance.value >= min_chance:
        return ""
    return tr("{day}, {crew}; {stands}", stands=stands, **when)
