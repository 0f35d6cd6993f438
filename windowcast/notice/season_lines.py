"""A season from past years to lines of a terminal and to one document of plain values."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC
from fractions import Fraction
from typing import Any

from windowcast.language import tr, trn
from windowcast.notice import columns, words
from windowcast.notice.plain import LICENCES, wrapped
from windowcast.notice.waiting_lines import about_waiting, waiting_document, waiting_lines
from windowcast.window.season import (
    MonthDay,
    PastRegimen,
    PastSeasons,
    PastStart,
    SeasonAnswer,
    half_months,
    hardly_ever,
    pooled,
)

SCHEMA = 1
LABEL_COLUMNS, PAST_COLUMNS, NOW_COLUMNS = 18, 10, 9
OTHERS_SHOWN = 3


def season_lines(answer: SeasonAnswer) -> list[str]:
    """The share of past years by half-month and regimen, and what to do where few have a start."""
    past = answer.past
    name = words.treatment_plural(past.treatment)
    lines = []
    if answer.source == "sample":
        lines += [wrapped(tr("INVENTED WEATHER: of no real place and no real year.")), ""]
    years = {"first": past.first_year, "last": past.last_year}
    lines += [
        wrapped(
            tr(
                "{yard}: {treatment}, starts {days}",
                yard=answer.yard.name,
                treatment=name,
                days=_span(past.season.first, past.season.last),
            )
        ),
        wrapped(
            trn(
                "Share of {count} past year ({first} to {last}) in which every day of the exposure"
                " was inside its band; under “now”, the chance of this year's starts that the"
                " stored forecast covers.",
                "Share of {count} past years ({first} to {last}) in which every day of the exposure"
                " was inside its band; under “now”, the chance of this year's starts that the"
                " stored forecast covers.",
                past.years,
                **years,
            )
            if has_now(answer)
            else trn(
                "Share of {count} past year ({first} to {last}) in which every day of the exposure"
                " was inside its band.",
                "Share of {count} past years ({first} to {last}) in which every day of the exposure"
                " was inside its band.",
                past.years,
                **years,
            )
        ),
    ]
    lines += [wrapped(f"{one.regimen.id}: {words.regimen(one.regimen)}.") for one in past.regimens]
    beside = (columns.available() - LABEL_COLUMNS - 2) // (PAST_COLUMNS + NOW_COLUMNS)
    for first in range(0, len(past.regimens), beside):
        lines += ["", *_block(past.regimens[first : first + beside], answer)]
    if hardly_ever(past):
        lines += ["", *_instead(answer)]
    for regimen_id, waiting in answer.waiting.items():
        lines += ["", *waiting_lines(regimen_id, waiting, past.season)]
    if answer.waiting:
        lines += ["", about_waiting(next(iter(answer.waiting.values())))]
    lines += ["", *_sources(answer)]
    return lines


def _block(regimens: Sequence[PastRegimen], answer: SeasonAnswer) -> list[str]:
    with_now = has_now(answer)
    width = PAST_COLUMNS + NOW_COLUMNS if with_now else PAST_COLUMNS + NOW_COLUMNS - 1
    titles = "".join(f"{_title(one, width)}" for one in regimens)
    lines = [f"  {tr('start'):<{LABEL_COLUMNS}}{titles}"]
    if with_now:
        pair = f"{tr('past'):>{PAST_COLUMNS}}{tr('now'):>{NOW_COLUMNS}}"
        lines.append(" " * (LABEL_COLUMNS + 2) + pair * len(regimens))
    for halves in zip(*(half_months(one.starts) for one in regimens), strict=True):
        cells = ""
        for one, half in zip(regimens, halves, strict=True):
            share = _percent(pooled(half))
            if with_now:
                cells += f"{share:>{PAST_COLUMNS}}{_now(one, half, answer):>{NOW_COLUMNS}}"
            else:
                cells += f"{share:>{width}}"
        label = _span(halves[0][0].day, halves[0][-1].day)
        lines.append(f"  {label:<{LABEL_COLUMNS}}{cells}")
    at = PAST_COLUMNS if with_now else width
    gap = " " * (width - at)
    firsts = "".join(f"{_median(one):>{at}}{gap}" for one in regimens)
    none = "".join(f"{_percent(one.share_without):>{at}}{gap}" for one in regimens)
    lines.append(f"  {tr('median first start'):<{LABEL_COLUMNS}}{firsts}".rstrip())
    lines.append(f"  {tr('years without any'):<{LABEL_COLUMNS}}{none}".rstrip())
    return lines


def has_now(answer: SeasonAnswer) -> bool:
    """Whether the stored forecast covers a start of the season that is shown."""
    return any(
        (one.regimen.id, start.day) in answer.now
        for one in answer.past.regimens
        for start in one.starts
    )


def _title(one: PastRegimen, width: int) -> str:
    short = columns.cut(one.regimen.id, width - 1)
    return " " * (width - columns.taken(short)) + short


def _now(one: PastRegimen, half: Sequence[PastStart], answer: SeasonAnswer) -> str:
    """The range of this year's chances within a half-month."""
    chances = [
        answer.now[one.regimen.id, start.day]
        for start in half
        if (one.regimen.id, start.day) in answer.now
    ]
    if not chances:
        return "-"
    low, high = round(min(chances) * 100), round(max(chances) * 100)
    return words.per_cent(str(low) if low == high else f"{low}–{high}")


def _instead(answer: SeasonAnswer) -> list[str]:
    """What to do where most years have no start: other treatments, other dates."""
    past = answer.past
    least = past.least_without
    name = words.treatment_plural(past.treatment)
    lines = [
        wrapped(
            tr(
                "Here most years have no start for {treatment} in these days: {percent} of them"
                " with the regimen that fits most often. Plan something else for them:",
                treatment=name,
                percent=_percent(least),
            )
        )
    ]
    better = sorted(
        (
            one
            for one in answer.others
            if one.least_without is not None and least is not None and one.least_without < least
        ),
        key=lambda one: one.least_without or Fraction(0),
    )
    for one in better[:OTHERS_SHOWN]:
        shares = [share for regimen in one.regimens if (share := pooled(regimen.starts))]
        values = {
            "treatment": words.treatment_plural(one.treatment),
            "id": one.treatment.id,
            "percent": _percent(max(shares, default=None)),
        }
        lines.append(
            _item(
                tr(
                    "{treatment} ({id}): in the same days {percent} of starts held; only while"
                    " there is no capped brood",
                    **values,
                )
                if one.treatment.needs_broodless
                else tr("{treatment} ({id}): in the same days {percent} of starts held", **values)
            )
        )
    lines += [_item(text) for text in _other_dates(answer)]
    if len(lines) == 1:
        lines.append(
            _item(
                tr(
                    "no other treatment of treatments.toml held more often, and no half-month of"
                    " the year held in half of the years: ask for one with another band"
                )
            )
        )
    return lines


def _other_dates(answer: SeasonAnswer) -> list[str]:
    """The half-months nearest to the season, before and after it, that held in most years."""
    if answer.all_year is None:
        return []
    looked_at = {start.day for one in answer.past.regimens for start in one.starts}
    # By half-month, the best regimen's share.
    year: list[tuple[Fraction, str, tuple[PastStart, ...]]] = []
    for halves in zip(*(half_months(one.starts) for one in answer.all_year.regimens), strict=True):
        shares = [
            (pooled(half) or Fraction(0), one.regimen.id, half)
            for one, half in zip(answer.all_year.regimens, halves, strict=True)
        ]
        year.append(max(shares, key=lambda share: share[0]))
    inside = [i for i, one in enumerate(year) if any(start.day in looked_at for start in one[2])]
    good = [i for i, one in enumerate(year) if one[0] >= Fraction(1, 2) and i not in set(inside)]
    if not good or not inside:
        return []
    before = min(good, key=lambda i: (_first_half(answer, inside, year) - i) % len(year))
    after = min(good, key=lambda i: (i - _first_half(answer, inside, year)) % len(year))
    found = []
    for earlier, index in ((True, before), (False, after)):
        share, regimen_id, half = year[index]
        values = {
            "days": _span(half[0].day, half[-1].day),
            "percent": _percent(share),
            "regimen": regimen_id,
        }
        found.append(
            tr("earlier: starts {days} held in {percent} of cases ({regimen})", **values)
            if earlier
            else tr("later: starts {days} held in {percent} of cases ({regimen})", **values)
        )
    return found[:1] if before == after else found


def _first_half(
    answer: SeasonAnswer,
    inside: Sequence[int],
    year: Sequence[tuple[Fraction, str, tuple[PastStart, ...]]],
) -> int:
    """The place in the year of the half-month in which the season begins."""
    first = answer.past.season.first
    return next((i for i in inside if any(start.day == first for start in year[i][2])), inside[0])


def _item(text: str) -> str:
    first, *rest = wrapped(f"- {text}").split("\n")
    return "\n".join([first, *(f"  {line}" for line in rest)])


def _sources(answer: SeasonAnswer) -> list[str]:
    lines = []
    if answer.fetched_at is not None:
        fetched = words.day_with_year(answer.fetched_at.date())
        lines.append(
            wrapped(
                tr(
                    "Past years fetched {date}. {source}",
                    date=fetched,
                    source=tr(answer.attribution),
                )
            )
        )
    if answer.source in LICENCES:
        lines.append(wrapped(tr(LICENCES[answer.source])))
    lines.append(
        wrapped(
            tr("What past years allowed is no forecast. The label and local law decide, always.")
        )
    )
    return lines


def season_document(answer: SeasonAnswer) -> dict[str, Any]:
    """The whole answer as plain values; shares from 0 to 1, start days as MM-DD."""
    past = answer.past
    fetched_at = answer.fetched_at
    return {
        "schema": SCHEMA,
        "yard": answer.yard.name,
        "treatment": past.treatment.id,
        "first_start": str(past.season.first),
        "last_start": str(past.season.last),
        "source": answer.source,
        "fetched_at": None
        if fetched_at is None
        else fetched_at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "attribution": answer.attribution,
        "years": past.years,
        "first_year": past.first_year,
        "last_year": past.last_year,
        "regimens": [_regimen(one, answer) for one in past.regimens],
        "others": [_other(one) for one in answer.others],
        "waiting": [
            waiting_document(regimen_id, waiting, past.season)
            for regimen_id, waiting in answer.waiting.items()
        ],
    }


def _regimen(one: PastRegimen, answer: SeasonAnswer) -> dict[str, Any]:
    return {
        "regimen": one.regimen.id,
        "median_first_start": None if one.median_first is None else str(one.median_first),
        "share_without": _rounded(one.share_without),
        "whole_years": one.whole_years,
        "starts": [
            {
                "start": str(start.day),
                "share": _rounded(start.share),
                "years": start.years,
                "chance_now": _rounded(answer.now.get((one.regimen.id, start.day))),
            }
            for start in one.starts
        ],
    }


def _other(one: PastSeasons) -> dict[str, Any]:
    return {"treatment": one.treatment.id, "share_without": _rounded(one.least_without)}


def _rounded(share: Fraction | float | None) -> float | None:
    return None if share is None else round(float(share), 3)


def _percent(share: Fraction | None) -> str:
    return "-" if share is None else words.percent(float(share))


def _median(one: PastRegimen) -> str:
    if one.median_first is not None:
        return _day(one.median_first)
    return tr("none") if one.whole_years else "-"


def _day(day: MonthDay) -> str:
    return words.month_day(day.month, day.day)


def _span(first: MonthDay, last: MonthDay) -> str:
    if first == last:
        return _day(first)
    if first.month == last.month and first.day < last.day:
        return words.days_of_month(first.month, first.day, last.day)
    return tr("{first} to {last}", first=_day(first), last=_day(last))


def instead_pieces(answer: SeasonAnswer) -> list[str]:
    """What to do where hardly any past year had a start, a sentence each; else nothing."""
    if not hardly_ever(answer.past):
        return []
    return [" ".join(line.split()).removeprefix("- ") for line in _instead(answer)]


def span_words(half: Sequence[PastStart]) -> str:
    """The days of one half-month: "Aug 16–31"."""
    return _span(half[0].day, half[-1].day)


def median_words(one: PastRegimen) -> str:
    """The median first start: a day, "none", or "-" where it is not known."""
    return _median(one)
