"""What all that people enter has in common: its day, its season, and how a mistake is corrected."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.errors import UsageError
from windowcast.language import marked, tr
from windowcast.trade.course import courses
from windowcast.trade.journal import Entry, in_force, standing_for
from windowcast.trade.rules import SeasonRules
from windowcast.trade.treatment import Treatment
from windowcast.trade.winter import Broodless, Winter, look_that_counts, winter
from windowcast.trade.yard import Yard

SAMPLE_DUE_DAYS = 35
"""In the invented late summer winter bees are always so far off: it begins today."""
OLDEST_DAYS = 3660
"""Ten years back: what is older is a slip of the pen."""
NAMES = {
    "count": marked("count"),
    "start": marked("treatment"),
    "swap": marked("swap"),
    "remove": marked("removal"),
    "note": marked("note"),
    "brood": marked("brood check"),
    "queens": marked("queen check"),
}
NUMBERS = {
    "mites": marked("mites"),
    "bees": marked("bees"),
    "days": marked("days"),
    "colonies": marked("colonies"),
    "supers": marked("supers"),
    "strips": marked("strips"),
    "checked": marked("checked"),
    "missing": marked("missing"),
}
"""Numbers that are entered, by the names that calls have for them."""


LONGEST_TEXT = 2000
SHOWN = 20
"""Characters of a text that say where in it something stands."""


def plain_text(name: str, value: str | None) -> str:
    """A text to keep, on one line; `name` is what it is called. Raises UsageError."""
    text = " ".join((value or "").split())
    if len(text) > LONGEST_TEXT:
        raise UsageError(
            f"{name} has {len(text)} characters; wanted: at most {LONGEST_TEXT}", field=name
        )
    at = next((place for place, one in enumerate(text) if not one.isprintable()), None)
    if at is not None:
        where = f'after "{text[max(0, at - SHOWN) : at]}"' if at else "at its beginning"
        raise UsageError(
            f"{name} has a character that cannot be printed, U+{ord(text[at]):04X}, {where};"
            " leave it out",
            field=name,
        )
    return text


def today_at(yard: Yard, now: datetime) -> date:
    """The yard's own date."""
    return now.astimezone(ZoneInfo(yard.timezone)).date()


def as_seen(
    store: Store, yard: Yard, now: datetime, entries: Sequence[Entry] | None = None
) -> Yard:
    """The yard with its hives as somebody has found them lately, whatever the configuration says:
    without capped brood, for as long as that counts.

    entries:  the journal, where it has been read already
    """
    if not yard.hive.brood:
        return yard
    if entries is None:
        entries = store.journal(yard.name)
    look = look_that_counts(entries, today_at(yard, now))
    if look is None:
        return yard
    hive = yard.hive._replace(brood=False, looked=look.day, look_until=look.until)
    return yard._replace(hive=hive)


def season_rules(configuration: Configuration, today: date) -> SeasonRules:
    """The season's rules; the invented weather has a season of its own, which begins today."""
    rules = configuration.season
    if configuration.weather.provider != "sample" or rules.winter_bees is not None:
        return rules
    late_summer = configuration.weather.sample_season == "late-summer"
    end_by = today + timedelta(days=SAMPLE_DUE_DAYS if late_summer else 200)
    return rules._replace(winter_bees=(end_by.month, min(end_by.day, 28)))


def winter_of(
    configuration: Configuration,
    yard: Yard,
    treatments: Sequence[Treatment],
    *,
    entries: Sequence[Entry],
    today: date,
) -> Winter:
    """Where the winter round of a yard stands; in the late summer of the invented weather it is
    never the time."""
    weather = configuration.weather
    if weather.provider == "sample" and weather.sample_season == "late-summer":
        return Winter(Broodless.NOT_NOW, None)
    return winter(
        yard.latitude, today, entries=entries, courses=courses(entries), treatments=treatments
    )


def day_of(text: str | None, option: str, today: date) -> date:
    """A day that was entered, such as 2026-08-31; None: today.

    Raises UsageError for what is no day, a day to come, or one more than ten years gone.
    """
    if text is None:
        return today
    sample = today - timedelta(days=1)
    try:
        found = (
            date.fromisoformat(text)
            if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text.strip(), re.ASCII)
            else None
        )
    except ValueError:
        found = None
    if found is None:
        raise UsageError(
            tr(
                "{option} is {given}; wanted: a day such as {sample}",
                option=option,
                given=repr(text),
                sample=sample,
            ),
            field="day",
        )
    if found > today:
        raise UsageError(
            tr(
                "{option} is {given}, which is still to come: today is {today} at the yard; wanted:"
                " a day such as {sample} or before; enter what has been done, once it is",
                option=option,
                given=found,
                today=today,
                sample=sample,
            ),
            field="day",
        )
    if (today - found).days > OLDEST_DAYS:
        raise UsageError(
            tr(
                "{option} is {given}, more than ten years ago; wanted: a day such as {sample}",
                option=option,
                given=found,
                sample=sample,
            ),
            field="day",
        )
    return found


def whole(text: str, name: str) -> int:
    """A whole number that was entered. Raises UsageError for what is none."""
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise UsageError(
            tr("{name} is {given}; wanted: a whole number", name=name, given=repr(text)),
            field=name,
        )
    return int(text)


def number(text: str, name: str) -> float:
    """The same for a number that need not be whole."""
    if not re.fullmatch(r"\d{1,6}(\.\d{1,6})?", text, re.ASCII):
        raise UsageError(
            tr(
                "{name} is {given}; wanted: a number with a decimal point",
                name=name,
                given=repr(text),
            ),
            field=name,
        )
    return float(text)


def corrected(store: Store, number: int, *kinds: str) -> Entry:
    """The entry of that number, which is to be corrected. UsageError where there is none in force
    of these kinds."""
    entries = store.journal()
    found = next((one for one in entries if one.id == number), None)
    named = NAMES[kinds[0]] if len(kinds) == 1 else "entry"
    if found is None:
        lists = "count list" if kinds == ("count",) else "records --all-entries"
        raise UsageError(f"there is no {named} {number}; windowcast {lists} shows the numbers")
    later = next((one for one in entries if one.corrects == number), None)
    if later is not None:
        if later.kind == "void":
            raise UsageError(
                f"{named} {number} was voided already, by entry {later.id}: it no longer counts;"
                " enter anew what should count"
            )
        raise UsageError(
            f"{named} {number} was corrected already, by entry {later.id}, which counts in its"
            f" place; name {later.id}"
        )
    if kinds and found.kind not in kinds:
        raise UsageError(
            f"entry {number} is a {NAMES.get(found.kind, found.kind)}, not a"
            f" {' or '.join(NAMES.get(kind, kind) for kind in kinds)}"
        )
    return found


def void(store: Store, number: int, why: str, *, now: datetime, kinds: tuple[str, ...]) -> Entry:
    """Take an entry out of what counts, with the reason; it stays on record. The entry it was.

    Raises UsageError where there is no such entry, where others belong to it, or without a reason.
    """
    why = plain_text("the reason", why)
    if not why:
        raise UsageError("say why: the reason stays on record")
    with store.transaction():
        old = corrected(store, number, *kinds)
        if old.kind == "start":
            entries = store.journal(old.yard)
            stands = standing_for(entries)
            mine = [
                one for one in in_force(entries) if stands.get(one.body.get("start") or 0) == number
            ]
            if mine:
                raise UsageError(
                    tr(
                        "entries {numbers} belong to treatment {number}",
                        numbers=", ".join(str(one.id) for one in mine),
                        number=number,
                    ),
                    typed="; void those first",
                )
        body = {"why": why}
        store.enter([Entry(0, old.yard, "void", old.day, now, body, corrects=number)])
    return old
