"""Dates, degrees, chances and doses as people read them. The one place for such wording."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from fractions import Fraction

from windowcast.trade.treatment import Band, Dose, Regimen, Treatment
from windowcast.trade.visits import Task
from windowcast.units import fahrenheit_difference, fahrenheit_from_celsius

# The likelihood scale of the IPCC guidance note on uncertainty (Mastrandrea et al. 2010, table 1),
# from memory; the lower end of each range belongs to its word.
LIKELIHOOD = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.33, "about as likely as not"),
    (0.10, "unlikely"),
    (0.01, "very unlikely"),
    (0.00, "exceptionally unlikely"),
)
NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTH_NAMES = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


def day(value: date) -> str:
    """ "Sun Sep 6"; English whatever the machine's locale."""
    return f"{DAY_NAMES[value.weekday()]} {MONTH_NAMES[value.month - 1]} {value.day}"


def day_with_year(value: date) -> str:
    """ "Sun Sep 6, 2026"."""
    return f"{day(value)}, {value.year}"


def span(first_day: date, last_day: date) -> str:
    """ "Tue Sep 1 to Sun Sep 13", or the one day."""
    return day(first_day) if first_day == last_day else f"{day(first_day)} to {day(last_day)}"


def degrees(temperature_c: Fraction | float, units: str) -> str:
    """ "23.4 °C" or "74.1 °F"."""
    return f"{degrees_bare(temperature_c, units)} °{units}"


def degrees_bare(temperature_c: Fraction | float, units: str) -> str:
    """The same without the unit."""
    value = float(temperature_c)
    return f"{fahrenheit_from_celsius(value) if units == 'F' else value:.1f}".replace("-0.0", "0.0")


def difference(difference_k: Fraction | float, units: str) -> str:
    """A difference of temperatures, as a bare positive number: "1.7"."""
    value = abs(float(difference_k))
    return f"{fahrenheit_difference(value) if units == 'F' else value:.1f}"


def percent(chance: float) -> str:
    """ "92 %"; never rounded up to 100 or down to 0 where something is left."""
    whole = round(chance * 100)
    if whole == 100 and chance < 1:
        return "over 99 %"
    if whole == 0 and chance > 0:
        return "under 1 %"
    return f"{whole} %"


def likelihood(chance: float) -> str:
    """ "very likely"."""
    return next(word for level, word in LIKELIHOOD if chance >= level)


def number(count: int) -> str:
    """ "two"; figures beyond ten."""
    return NUMBERS[count] if count < len(NUMBERS) else str(count)


def counted(count: int, thing: str) -> str:
    """ "1 strip", "48 strips"."""
    return f"{count} {thing if count == 1 else thing + 's'}"


def colonies(count: int) -> str:
    """ "1 colony", "24 colonies"."""
    return f"{count} {'colony' if count == 1 else 'colonies'}"


def listed(things: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return things[0] if len(things) == 1 else f"{', '.join(things[:-1])} and {things[-1]}"


def band(bounds: Band, units: str) -> str:
    """ "within 10.0–29.5 °C", "at or above 4.0 °C"; "anything" without a bound."""
    if bounds.low_c is not None and bounds.high_c is not None:
        low = degrees_bare(bounds.low_c, units)
        return f"within {low}–{degrees(bounds.high_c, units)}"
    if bounds.low_c is not None:
        return f"at or above {degrees(bounds.low_c, units)}"
    if bounds.high_c is not None:
        return f"at or below {degrees(bounds.high_c, units)}"
    return "anything"


def treatment_plural(treatment: Treatment) -> str:
    """ "formic acid gel strips"; forms that are not counted stay as they are."""
    return treatment.name + "s" if treatment.form.endswith(("strip", "tablet")) else treatment.name


def dose(amount: Dose) -> str:
    """What one colony gets: "2 strips", "5 ml per seam of bees"."""
    if amount.strips is not None:
        return counted(amount.strips, "strip")
    if amount.ml_per_seam is not None:
        return f"{amount.ml_per_seam:g} ml per seam of bees"
    if amount.g_per_chamber is not None:
        return f"{amount.g_per_chamber:g} g per brood chamber"
    return f"{amount.g or 0:g} g"


def regimen(way: Regimen) -> str:
    """ "two strips at once", "one strip, a fresh one on day 10", "50 g, again on day 14"."""
    first, later = way.doses[0], way.doses[1:]
    if first.strips is not None:
        start = f"{number(first.strips)} strip{'' if first.strips == 1 else 's'}"
        if not later:
            return f"{start} at once" if first.strips > 1 else start
        fresh = "a fresh one" if first.strips == 1 else "fresh ones"
        return f"{start}, {fresh} on day {listed([str(one.day) for one in later])}"
    start = dose(first)
    if not later:
        return start
    return f"{start}, again on day {listed([str(one.day) for one in later])}"


def task(kind: Task, amount: Dose) -> str:
    """The verb and what it is done with, for one colony: "put in 2 strips"."""
    what = dose(amount)
    if kind is Task.APPLY:
        return f"put in {what}" if amount.strips is not None else f"give {what}"
    if kind is Task.SWAP:
        if amount.strips == 1:
            return "take out the old strip, put in 1 fresh strip"
        return f"take out the old, give {what} fresh"
    return f"take out {what}" if amount.strips is not None else "take out what is left"
