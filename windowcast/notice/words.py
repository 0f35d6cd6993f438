"""Dates, degrees, chances and doses as people read them. The one place for such wording."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, time
from fractions import Fraction
from functools import lru_cache

from windowcast.language import Lookup, current, marked, tr, trn
from windowcast.trade.treatment import Band, Dose, Phase, Regimen, Treatment
from windowcast.trade.visits import Task
from windowcast.units import fahrenheit_difference, fahrenheit_from_celsius

# The likelihood scale of the IPCC guidance note on uncertainty (Mastrandrea et al. 2010, table 1),
# from memory; the lower end of each range belongs to its word.
LIKELIHOOD = (
    (0.99, marked("virtually certain")),
    (0.90, marked("very likely")),
    (0.66, marked("likely")),
    (0.33, marked("about as likely as not")),
    (0.10, marked("unlikely")),
    (0.01, marked("very unlikely")),
    (0.00, marked("exceptionally unlikely")),
)
NUMBERS = (
    marked("no"),
    marked("one"),
    marked("two"),
    marked("three"),
    marked("four"),
    marked("five"),
    marked("six"),
    marked("seven"),
    marked("eight"),
    marked("nine"),
    marked("ten"),
)
DAY_NAMES = (
    marked("Mon"),
    marked("Tue"),
    marked("Wed"),
    marked("Thu"),
    marked("Fri"),
    marked("Sat"),
    marked("Sun"),
)
MONTH_NAMES = (
    marked("Jan"),
    marked("Feb"),
    marked("Mar"),
    marked("Apr"),
    marked("May"),
    marked("Jun"),
    marked("Jul"),
    marked("Aug"),
    marked("Sep"),
    marked("Oct"),
    marked("Nov"),
    marked("Dec"),
)
TREATMENTS = (
    marked("formic acid gel strips"),
    marked("amitraz plastic strips"),
    marked("oxalic acid trickle"),
    marked("oxalic acid vapour"),
    marked("thymol gel"),
)
ACTIVES = (marked("formic acid"), marked("amitraz"), marked("oxalic acid"), marked("thymol"))
"""The names of the shipped treatments. Others are looked up too: people can translate their own."""

YARDS_NAMED = 3
MANY_YARDS = 20
"""Of more those of which the same is to be said are told of together."""


def month(number: int) -> str:
    """ "Sep" for 9."""
    return tr(MONTH_NAMES[number - 1])


def month_day(month_number: int, day_number: int) -> str:
    """ "Sep 6"."""
    return tr("{month} {day}", month=month(month_number), month_number=month_number, day=day_number)


def days_of_month(month_number: int, first: int, last: int) -> str:
    """ "Sep 1–15"."""
    return tr(
        "{month} {first}–{last}",
        month=month(month_number),
        month_number=month_number,
        first=first,
        last=last,
    )


def day(value: date) -> str:
    """ "Sun Sep 6"; in the reader's language, whatever the machine's locale."""
    return tr(
        "{weekday} {month} {day}",
        weekday=tr(DAY_NAMES[value.weekday()]),
        month=month(value.month),
        month_number=value.month,
        day=value.day,
    )


def day_with_year(value: date) -> str:
    """ "Sun Sep 6, 2026"."""
    return tr("{date}, {year}", date=day(value), year=value.year)


def day_in(value: date, year: int) -> str:
    """ "Sun Sep 6", with its year where that is not `year`."""
    return day(value) if value.year == year else day_with_year(value)


def span(first_day: date, last_day: date) -> str:
    """ "Tue Sep 1 to Sun Sep 13", or the one day."""
    if first_day == last_day:
        return day(first_day)
    return tr("{first} to {last}", first=day(first_day), last=day(last_day))


def clock(value: time) -> str:
    """ "06:05"."""
    half = tr("AM") if value.hour < 12 else tr("PM")
    return tr(
        "{hour}:{minute}",
        hour=f"{value.hour:02d}",
        hour12=f"{(value.hour + 11) % 12 + 1}\N{NO-BREAK SPACE}{half}",
        minute=f"{value.minute:02d}",
    )


def decimal(value: float, decimals: int) -> str:
    """ "23.4": with so many decimals, and the reader's decimal sign."""
    return _signed(f"{value:.{decimals}f}")


def general(value: float) -> str:
    """ "2.25", "50": with the decimals that there are."""
    return _signed(f"{value:g}")


def whole(value: float) -> str:
    """ "96,722": rounded, its thousands set apart as the reader does."""
    found, *rest = f"{value:,.0f}".split(",")
    for three in rest:
        found = tr("{thousands},{three}", thousands=found, three=three)
    return found


def _signed(figure: str) -> str:
    whole, point, decimals = figure.partition(".")
    return tr("{whole}.{decimals}", whole=whole, decimals=decimals) if point else figure


def degrees(temperature_c: Fraction | float, units: str) -> str:
    """ "23.4 °C" or "74.1 °F"."""
    return f"{degrees_bare(temperature_c, units)} °{units}"


def degrees_bare(temperature_c: Fraction | float, units: str) -> str:
    """The same without the unit."""
    value = float(temperature_c)
    shown = fahrenheit_from_celsius(value) if units == "F" else value
    # Zero has no sign.
    return decimal(0.0 if round(shown, 1) == 0 else shown, 1)


def difference(difference_k: Fraction | float, units: str) -> str:
    """A difference of temperatures, as a bare positive number: "1.7"."""
    value = abs(float(difference_k))
    return decimal(fahrenheit_difference(value) if units == "F" else value, 1)


def percent(chance: float) -> str:
    """ "92 %"; never rounded up to 100 or down to 0 where something is left."""
    whole = round(chance * 100)
    if whole == 100 and chance < 1:
        return tr("over 99 %")
    if whole == 0 and chance > 0:
        return tr("under 1 %")
    return per_cent(str(whole))


def percent_brief(chance: float) -> str:
    """The same for a column: "92 %", ">99 %", "<1 %"."""
    whole = round(chance * 100)
    if whole == 100 and chance < 1:
        return per_cent(">99")
    if whole == 0 and chance > 0:
        return per_cent("<1")
    return per_cent(str(whole))


def per_cent(figure: str) -> str:
    """ "3.0 %" of "3.0"."""
    return tr("{number} %", number=figure)


def likelihood(chance: float) -> str:
    """ "very likely"."""
    return tr(next(word for level, word in LIKELIHOOD if chance >= level))


def number(count: int) -> str:
    """ "two"; figures beyond ten."""
    return tr(NUMBERS[count]) if count < len(NUMBERS) else str(count)


def strips(count: int) -> str:
    """ "1 strip", "48 strips"."""
    return trn("{count} strip", "{count} strips", count)


def days(count: int) -> str:
    """ "1 day", "14 days"."""
    return trn("{count} day", "{count} days", count)


def yards(count: int) -> str:
    """ "1 yard", "4 yards"."""
    return trn("{count} yard", "{count} yards", count)


def colonies(count: int) -> str:
    """ "1 colony", "24 colonies"."""
    return trn("{count} colony", "{count} colonies", count)


def listed(things: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(things) == 1:
        return things[0]
    return tr("{things} and {last}", things=in_a_row(things[:-1]), last=things[-1])


def in_a_row(things: Sequence[str]) -> str:
    """ "a, b, c"."""
    found = things[0]
    for one in things[1:]:
        found = tr("{things}, {next}", things=found, next=one)
    return found


def first_yards(names: Sequence[str]) -> str:
    """ "Creek Bend", "Creek Bend and Mill Yard", "Mill 1, Mill 2, Mill 3 and 4997 more yards"."""
    rest = len(names) - YARDS_NAMED
    if rest <= 1:
        return listed(names)
    return trn(
        "{names} and {count} more yard",
        "{names} and {count} more yards",
        rest,
        names=in_a_row(names[:YARDS_NAMED]),
    )


def capital(text: str) -> str:
    """As the beginning of a sentence; other letters stay as they are."""
    return text[:1].upper() + text[1:]


def band(bounds: Band, units: str) -> str:
    """ "within 10.0–29.5 °C", "at or above 4.0 °C"; "anything" without a bound."""
    if bounds.low_c is not None and bounds.high_c is not None:
        return tr(
            "within {low}–{high}",
            low=degrees_bare(bounds.low_c, units),
            high=degrees(bounds.high_c, units),
        )
    if bounds.low_c is not None:
        return tr("at or above {degrees}", degrees=degrees(bounds.low_c, units))
    if bounds.high_c is not None:
        return tr("at or below {degrees}", degrees=degrees(bounds.high_c, units))
    return tr("anything")


def phase_band(phase: Phase, units: str) -> str:
    """ "on the first day its high at or above 10.0 °C"."""
    first, last = phase.first_day, phase.last_day
    values = {"band": band(phase.band, units), "first": first, "last": last}
    if first == 0:
        return trn(
            "on the first day its high {band}",
            "on the first {count} days daily highs {band}",
            last + 1,
            **values,
        )
    if first == last:
        return tr("on day {first} after the start its high {band}", **values)
    return tr("from day {first} to {last} after the start daily highs {band}", **values)


def many(treatment: Treatment) -> bool:
    """Whether its name is a plural: strips are, a gel is."""
    return _english_name(treatment).endswith("s")


def _english_name(treatment: Treatment) -> str:
    return _named(treatment.active, treatment.form)


def _named(active: str, form: str) -> str:
    name = f"{active} {form}"
    return name + "s" if form.endswith(("strip", "tablet")) else name


def kept_name(active: str, form: str) -> str:
    """The same as `treatment_plural` of a treatment whose active and form alone are kept."""
    return tr(_named(active, form))


def treatment_plural(treatment: Treatment) -> str:
    """ "formic acid gel strips"; forms that are not counted stay as they are."""
    return tr(_english_name(treatment))


def active(treatment: Treatment) -> str:
    """ "formic acid"."""
    return tr(treatment.active)


def dose(amount: Dose) -> str:
    """What one colony gets: "2 strips", "5 ml per seam of bees"."""
    if amount.strips is not None:
        return strips(amount.strips)
    if amount.strips_per_chamber is not None:
        return trn(
            "{count} strip per brood chamber",
            "{count} strips per brood chamber",
            amount.strips_per_chamber,
        )
    if amount.ml_per_seam is not None:
        return tr("{amount} ml per seam of bees", amount=general(amount.ml_per_seam))
    if amount.g_per_chamber is not None:
        return tr("{amount} g per brood chamber", amount=general(amount.g_per_chamber))
    return f"{general(amount.g or 0)} g"


def regimen(way: Regimen) -> str:
    """ "two strips at once", "one strip, a fresh one on day 10", "50 g, again on day 14"."""
    first, later = way.doses[0], way.doses[1:]
    again = listed([str(one.day) for one in later]) if later else ""
    if first.strips is None:
        start = dose(first)
        return tr("{dose}, again on day {days}", dose=start, days=again) if later else start
    count = first.strips
    if later:
        start = trn("{number} strip", "{number} strips", count, number=number(count))
        if count == 1:
            return tr("{strips}, a fresh one on day {days}", strips=start, days=again)
        return tr("{strips}, fresh ones on day {days}", strips=start, days=again)
    if count == 1:
        return trn("{number} strip", "{number} strips", count, number=number(count))
    return trn("{number} strip at once", "{number} strips at once", count, number=number(count))


def task(kind: Task, amount: Dose) -> str:
    """The verb and what it is done with, for one colony: "put in 2 strips"."""
    what, counted = dose(amount), amount.counted
    if kind is Task.APPLY:
        return tr("put in {strips}", strips=what) if counted else tr("give {dose}", dose=what)
    if kind is Task.SWAP:
        if amount.strips == 1:
            return tr("take out the old strip, put in 1 fresh strip")
        return tr("take out the old, give {dose} fresh", dose=what)
    return tr("take out {strips}", strips=what) if counted else tr("take out what is left")


def invented_subject(subject: str) -> str:
    """The subject of what rests on the sample weather."""
    return tr("{subject} (invented weather)", subject=subject)


def task_name(kind: Task) -> str:
    """In a word: "swap"."""
    return {
        Task.APPLY: tr("apply"),
        Task.SWAP: tr("swap"),
        Task.REMOVE: tr("remove"),
    }[kind]


def kept_together(text: str) -> str:
    """With no-break spaces where no line may end: between a figure and its unit, within a day."""
    return _inseparable(current()).sub(
        lambda found: found[0].replace(" ", "\N{NO-BREAK SPACE}"), text
    )


@lru_cache(maxsize=16)
def _inseparable(_: Lookup) -> re.Pattern[str]:
    """Days as this language writes them, with or without their weekday; blanks before a unit."""
    names = "|".join(re.escape(tr(one)) for one in MONTH_NAMES)
    weekdays = "|".join(re.escape(tr(one)) for one in DAY_NAMES)
    # Letters that stand for the parts while the rest is made literal.
    parts = {"\1": f"(?:{weekdays})", "\2": f"(?:{names})", "\3": r"\d{1,2}", "\4": r"\d{1,2}"}
    months = {"month": "\2", "month_number": "\3", "day": "\4"}
    patterns = []
    for pattern in (
        tr("{weekday} {month} {day}", weekday="\1", **months),
        tr("{month} {day}", **months),
    ):
        literal = re.escape(pattern)
        for sign, part in parts.items():
            literal = literal.replace(re.escape(sign), part)
        patterns.append(literal)
    return re.compile(rf"(?<!\w)(?:{'|'.join(patterns)})(?!\w)| (?=[°%])")
