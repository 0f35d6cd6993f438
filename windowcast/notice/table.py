"""Answers and bands for a terminal: plain lines that survive a pipe."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from windowcast.language import tr, trn
from windowcast.notice import columns, words
from windowcast.notice.beside import NOTHING, Beside
from windowcast.notice.plain import (
    chance_words,
    headline,
    labelled,
    licence_line,
    open_instead,
    source_line,
    wrapped,
    wrapped_below,
)
from windowcast.notice.reason import reason
from windowcast.notice.shut_lines import against, shut_before_lines, shut_lines
from windowcast.notice.taken_lines import taken_lines
from windowcast.sky.highs import DailyHighs
from windowcast.sky.quantile import quantile
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Band, Treatment
from windowcast.window.decide import Row, Status, TreatmentAnswer, YardAnswer

SHOWN_STARTS = 10
_BESIDE_REGIMEN, _HOT_AND_COLD = 59, 14
_LEAST_REGIMEN, _USUAL_REGIMEN = 12, 18


def answer_lines(answer: YardAnswer, units: str, beside: Beside = NOTHING) -> list[str]:
    """One yard: what is in its hives and when it is due, then each treatment with its answer,
    reason and first starts."""
    lines = [
        wrapped(
            tr(
                "{yard}, {date} ({timezone})",
                yard=answer.yard.name,
                date=words.day_with_year(answer.today),
                timezone=answer.yard.timezone,
            )
        )
    ]
    if beside.heading:
        lines.append(wrapped(beside.heading))
    lines += [*beside.first, *beside.last]
    if beside.windows:
        for one in answer.treatments:
            lines += ["", *_treatment_lines(one, answer, units, beside)]
    else:
        lines += ["", wrapped(beside.why or tr("No start is named while a treatment is in."))]
    sources = [wrapped(line) for line in (source_line(answer), licence_line(answer)) if line]
    return lines + (["", *sources] if sources else [])


def _treatment_lines(
    answer: TreatmentAnswer, yard: YardAnswer, units: str, beside: Beside
) -> list[str]:
    other = open_instead(yard) if answer is yard.main else None
    shut = against(other or answer, yard.today, beside.shut)
    name = words.treatment_plural(answer.treatment)
    lines = [
        wrapped(
            tr(
                "{treatment}: {headline} [{status}]",
                treatment=name,
                headline=headline(answer, yard, shut=bool(shut)),
                status=status_word(answer.status),
            )
        )
    ]
    if answer.named is not None and answer.status is not Status.UNKNOWN:
        lines += labelled(tr("Chance"), chance_words(answer.named))
    lines += shut_lines(shut)
    lines += shut_before_lines(answer)
    lines += taken_lines(answer, beside.fixed)
    lines += labelled(tr("Why"), reason(answer, yard.forecast, units))
    lines += _starts(answer.rows[:SHOWN_STARTS], units)
    if len(answer.rows) > SHOWN_STARTS:
        more = len(answer.rows) - SHOWN_STARTS
        text = trn(
            "… and {count} more (--json shows all)", "… and {count} more (--json shows all)", more
        )
        lines.append(f"  {text}")
    return lines


def _starts(rows: Sequence[Row], units: str) -> list[str]:
    """A table of starts. On a narrow terminal hot and cold are left out, so that the regimen can
    be told from its neighbour."""
    if not rows:
        return []
    room = columns.available() - _BESIDE_REGIMEN
    wide = room >= _LEAST_REGIMEN
    if not wide:
        room += _HOT_AND_COLD
    longest = max(columns.taken(row.start.regimen.id) for row in rows)
    room = min(max(longest, _USUAL_REGIMEN), room)

    def line(day: str, regimen: str, shares: Sequence[str], hottest: str, mark: str) -> str:
        chance, hot, cold, danger = shares
        outside = f" {hot:>6} {cold:>6}" if wide else ""
        return (
            f"  {day:<11} {columns.left(regimen, room)} {chance:>7}{outside}"
            f" {danger:>6} {hottest:>8}  {mark}"
        ).rstrip()

    shares_of = [tr("chance"), tr("hot"), tr("cold"), tr("danger")]
    lines = [line(tr("start"), tr("regimen"), shares_of, tr("hottest"), "")]
    for row in rows:
        start = row.start
        shares = [
            "-" if share is None else words.percent_brief(share.value)
            for share in (start.chance, start.too_hot, start.too_cold, start.danger)
        ]
        hottest_c = start.fit.hottest_c if start.hottest_c is None else start.hottest_c
        hottest = "-" if hottest_c is None else words.degrees(hottest_c, units)
        mark = tr("start") if row.safe else ""
        lines.append(line(words.day(row.day), start.regimen.id, shares, hottest, mark))
    return lines


def status_word(status: Status) -> str:
    """The status as people read it; programs read its value."""
    return {
        Status.OPEN: tr("open"),
        Status.LATER: tr("later"),
        Status.CLOSED: tr("closed"),
        Status.BLOCKED: tr("blocked"),
        Status.UNKNOWN: tr("unknown"),
    }[status]


def weather_lines(
    forecast: DailyHighs | None, scenarios: Scenarios | None, units: str
) -> list[str]:
    """The daily highs behind an answer: the forecast's, and the scenarios' range, day by day."""
    days: dict[str, list[str]] = {}
    if forecast is not None:
        for offset, tenths in enumerate(forecast.tenths):
            label = words.day(forecast.first_day + timedelta(days=offset))
            shown = "-" if tenths is None else words.degrees_bare(tenths / 10, units)
            days.setdefault(label, ["-"] * 4)[0] = shown
    if scenarios is not None:
        for offset in range(scenarios.days):
            row = sorted(value / 10 for value in scenarios.row(offset) if value != MISSING)
            if not row:
                continue
            label = words.day(scenarios.first_day + timedelta(days=offset))
            days.setdefault(label, ["-"] * 4)[1:] = [
                words.degrees_bare(quantile(row, share), units) for share in (0.05, 0.5, 0.95)
            ]
    titles = (tr("forecast"), tr("low 5 %"), tr("middle"), tr("high 5 %"))
    unit = tr("daily high, {unit}", unit=f"°{units}")
    head = f"  {unit:<14} " + " ".join(f"{title:>9}" for title in titles)
    return [
        "",
        head,
        *(
            f"  {label:<14} {cells[0]:>9} {cells[1]:>9} {cells[2]:>9} {cells[3]:>9}"
            for label, cells in days.items()
        ),
    ]


def band_lines(treatment: Treatment, regimen_id: str | None) -> list[str]:
    """A treatment's bands, in both units."""
    lines = [words.treatment_plural(treatment)]
    for regimen in treatment.regimens:
        if regimen_id is not None and regimen.id != regimen_id:
            continue
        texts = [tr("daily high {band}", band=_both(regimen.band))]
        texts += [
            tr("day {day}: high {band}", day=phase.first_day, band=_both(phase.band))
            if phase.first_day == phase.last_day
            else tr(
                "days {first} to {last}: daily high {band}",
                first=phase.first_day,
                last=phase.last_day,
                band=_both(phase.band),
            )
            for phase in regimen.phases
        ]
        if regimen.cool_only_c is not None:
            limit = regimen.cool_only_c
            texts.append(
                tr(
                    "only while the likely hottest high stays at or below {celsius} ({fahrenheit})",
                    celsius=words.degrees(limit, "C"),
                    fahrenheit=words.degrees(limit, "F"),
                )
            )
        head = tr(
            "{regimen}, {days}",
            regimen=words.regimen(regimen),
            days=words.days(regimen.exposure_days),
        )
        lines += wrapped_below(f"{regimen.id}: {head}", 2)
        for text in texts:
            lines += wrapped_below(text, 4)
    return lines


def _both(band: Band) -> str:
    if band == Band():
        return tr("without bounds")
    return f"{words.band(band, 'C')} ({words.band(band, 'F')})"
