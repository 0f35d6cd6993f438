"""The highs of the coming days against the band, drawn with characters; no colour is needed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from math import ceil, floor
from typing import NamedTuple

from windowcast.language import tr
from windowcast.notice import columns, words
from windowcast.notice.plain import wrapped
from windowcast.sky.highs import DailyHighs
from windowcast.sky.quantile import quantile
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Band
from windowcast.units import fahrenheit_from_celsius
from windowcast.window.decide import Row, Status, YardAnswer

FEWEST_DAYS, MOST_DAYS = 10, 22
_DAY, _FIGURE, _WORD = 13, 7, 10
"""Columns of the day before the drawing, and of the forecast's high and a word after it."""


class Signs(NamedTuple):
    """What is drawn: a bound of the band, the range of the scenarios, the forecast's high."""

    bound: str
    range: str
    high: str


UNICODE = Signs("│", "─", "●")
ASCII = Signs("|", "-", "o")


class _Day(NamedTuple):
    """One row; °C, None where it is not known."""

    day: date
    band: Band
    high: float | None
    low_5: float | None
    high_95: float | None
    word: str


def chart_lines(
    answer: YardAnswer,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
    units: str,
    *,
    signs: Signs = UNICODE,
) -> list[str]:
    """A row for each day from today, for the first treatment of the answer; empty without highs.

    The band is that of the start that is named, on its days by its phases; else that of the start
    which comes nearest, else of the first regimen.
    """
    main = answer.main
    row = main.named or main.best
    regimen = main.treatment.regimens[0] if row is None else row.start.regimen
    start = None if row is None else row.day
    begins = start if main.status in (Status.OPEN, Status.LATER) else None
    days = _days(answer.today, start, regimen.exposure_days, forecast, scenarios)
    known = [
        _Day(
            day,
            _band(row, day),
            _forecast(forecast, day),
            *_range(scenarios, day),
            tr("start") if day == begins else "",
        )
        if row is not None
        else _Day(day, regimen.band, _forecast(forecast, day), *_range(scenarios, day), "")
        for day in days
    ]
    scale = _Scale.of(known, units)
    if scale is None:
        return []
    what = tr(
        "Daily highs, °{unit}, and the band of {treatment}, {regimen}:",
        unit=units,
        treatment=words.treatment_plural(main.treatment),
        regimen=regimen.id,
    )
    key = tr(
        "{bound} bound of the band   {high} forecast   {range} where 90 % of the scenarios are",
        bound=signs.bound,
        high=signs.high,
        range=signs.range * 3,
    )
    return [wrapped(what), scale.head(), *(scale.row(one, signs) for one in known), wrapped(key)]


def _days(
    today: date,
    start: date | None,
    exposure: int,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
) -> list[date]:
    """From today to the last day of the exposure, as far as something is known of them."""
    end = today if start is None else start + timedelta(days=exposure - 1)
    lasts = [one.last_day for one in (forecast, scenarios) if one is not None]
    last = min(max(end, today + timedelta(days=FEWEST_DAYS - 1)), max(lasts, default=today))
    count = min((last - today).days + 1, MOST_DAYS)
    return [today + timedelta(days=ahead) for ahead in range(count)]


def _band(row: Row, day: date) -> Band:
    regimen = row.start.regimen
    exposed = (day - row.day).days
    return regimen.band_on(exposed) if 0 <= exposed < regimen.exposure_days else regimen.band


def _forecast(forecast: DailyHighs | None, day: date) -> float | None:
    ahead = -1 if forecast is None else (day - forecast.first_day).days
    if forecast is None or not 0 <= ahead < len(forecast.tenths):
        return None
    tenths = forecast.tenths[ahead]
    return None if tenths is None else tenths / 10


def _range(scenarios: Scenarios | None, day: date) -> tuple[float | None, float | None]:
    """Where the middle 90 % of the scenarios are: a twentieth is left out at each end."""
    ahead = -1 if scenarios is None else (day - scenarios.first_day).days
    if scenarios is None or not 0 <= ahead < scenarios.days:
        return None, None
    row = sorted(value / 10 for value in scenarios.row(ahead) if value != MISSING)
    if not row:
        return None, None
    return quantile(row, 0.05), quantile(row, 0.95)


class _Scale(NamedTuple):
    """Degrees along the row, in the reader's units, and the columns that they take."""

    low: int
    high: int
    width: int
    units: str

    @classmethod
    def of(cls, days: Sequence[_Day], units: str) -> _Scale | None:
        """One on which all highs and bounds find room; None where there are no highs."""
        highs = [
            one for day in days for one in (day.high, day.low_5, day.high_95) if one is not None
        ]
        if not highs:
            return None
        bounds = [
            float(one)
            for day in days
            for one in (day.band.low_c, day.band.high_c)
            if one is not None
        ]
        low, high = (_shown(one, units) for one in (min(highs + bounds), max(highs + bounds)))
        width = columns.available() - _DAY - _FIGURE - _WORD
        return cls(floor(low) - 1, ceil(high) + 1, width, units)

    def at(self, degrees_c: float) -> int:
        """The column of a temperature."""
        share = (_shown(degrees_c, self.units) - self.low) / (self.high - self.low)
        return round(share * (self.width - 1))

    def head(self) -> str:
        """Figures over the columns that they stand for."""
        line = [" "] * self.width
        room = (self.high - self.low) / max(self.width // 7, 1)
        step = next(one for one in (5, 10, 20, 50, 100) if one >= room)
        for value in range(ceil(self.low / step) * step, self.high + 1, step):
            share = (value - self.low) / (self.high - self.low)
            figure = str(value)
            begin = round(share * (self.width - 1)) - len(figure) + 1
            if begin >= 0:
                line[begin : begin + len(figure)] = figure
        return (" " * _DAY + "".join(line)).rstrip()

    def row(self, day: _Day, signs: Signs) -> str:
        """One day."""
        line = [" "] * self.width
        if day.low_5 is not None and day.high_95 is not None:
            for column in range(self.at(day.low_5), self.at(day.high_95) + 1):
                line[column] = signs.range
        for bound in (day.band.low_c, day.band.high_c):
            if bound is not None:
                line[self.at(float(bound))] = signs.bound
        if day.high is not None:
            line[self.at(day.high)] = signs.high
        figure = "" if day.high is None else words.degrees_bare(day.high, self.units)
        word = _outside(day) or day.word
        return f"  {words.day(day.day):<11}{''.join(line)}{figure:>{_FIGURE}}  {word}".rstrip()


def _shown(degrees_c: float, units: str) -> float:
    return fahrenheit_from_celsius(degrees_c) if units == "F" else degrees_c


def _outside(day: _Day) -> str:
    """Where the forecast's high is outside the band, in words."""
    if day.high is None:
        return ""
    tenths = round(day.high * 10)
    if day.band.high_c is not None and tenths > day.band.high_c * 10:
        return tr("too hot")
    if day.band.low_c is not None and tenths < day.band.low_c * 10:
        return tr("too cold")
    return ""
