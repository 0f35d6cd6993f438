"""Treatments as they happen: checked against the rules of the trade, and kept in the journal.

A check and what it lets in are one transaction, so that two people at two keyboards cannot both
begin a treatment in one yard.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from windowcast.answer import YardWeather, answer_yard
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import NUMBERS, corrected, plain_text, today_at
from windowcast.errors import UsageError
from windowcast.language import tr, trn
from windowcast.notice import watch_lines, words
from windowcast.notice.reason import first_do
from windowcast.trade.course import Course, courses, in_hand, snapshot
from windowcast.trade.hive import Blocked, Obstacle, obstacles
from windowcast.trade.journal import Entry
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.visits import Task
from windowcast.trade.winter import newest_look, seen_broodless
from windowcast.trade.yard import Yard
from windowcast.window.watch import ahead

DETAILS = (
    "registration",
    "lot",
    "expiry",
    "concentration",
    "supplier",
    "supplier_address",
    "proof",
    "prescriber",
    "operator",
    "certificate",
    "protection",
    "reason",
)
"""What the records want of a treatment besides; texts."""
BROOD = ("capped", "open", "none")
"""What a look finds: capped brood; eggs or larvae and nothing capped; no brood of any age."""
OLD_DAYS = 300
"""What is entered as begun so long ago is doubted. A slip of the year lies at least so far back of
what was done in the last two months."""
MOST_SUPERS, MOST_STRIPS = 20, 100_000

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What was entered: its number, the treatment as it now stands, and what there is to say."""

    number: int
    course: Course
    remarks: tuple[str, ...] = ()


def begin(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    treatment: Treatment,
    regimen: Regimen,
    *,
    day: date,
    colonies: int | None,
    names: Sequence[str] = (),
    supers: int | None = None,
    details: Mapping[str, str | None],
    weather: YardWeather,
    anyway: bool = False,
    agreed: Callable[[Sequence[str]], bool] | None = None,
    now: datetime,
    key: str | None = None,
) -> Done:
    """Enter that a treatment was begun.

    colonies:  treated; None: all of the yard, or as many as are named
    supers:    honey supers on as it began; None: as the configuration says
    weather:   stored for the yard: what it expects of the exposure is kept with the treatment
    anyway:    what the trade's rules forbid was done all the same, and is to be on record
    agreed:    asked in the place of `anyway`: whether it is to be entered against all this, what is
               odd about it among it

    Raises UsageError where the entry cannot be true, or where a rule forbids it and not `anyway`.
    """
    count = len(names) or yard.colonies if colonies is None else colonies
    if count < 1:
        raise UsageError(
            tr("colonies is {given}; wanted: how many were treated, at least 1", given=count),
            field="colonies",
        )
    _at_most("supers", supers, MOST_SUPERS)
    remarks: list[str] = []
    if count > yard.colonies:
        remarks.append(
            trn(
                "{count} colony was treated, but yards.toml says that {yard} has {colonies}: see"
                " whether it is still right",
                "{count} colonies were treated, but yards.toml says that {yard} has {colonies}: see"
                " whether it is still right",
                count,
                yard=yard.name,
                colonies=yard.colonies,
            )
        )
    expiry = _expiry(details.get("expiry"))
    if expiry is not None and expiry < day:
        remarks.append(tr("it expired on {date}, before it was used", date=expiry))
    today = today_at(yard, now)
    asked: list[str] = []
    if (today - day).days > OLD_DAYS:
        asked.append(
            tr(
                "{day} is {number} days ago: see whether the year is right",
                day=words.day_with_year(day),
                number=words.number((today - day).days),
            )
        )
    begun = Course(
        entry=Entry(0, yard.name, "start", day, now, {}),
        treatment=treatment,
        regimen=regimen,
        colonies=count,
    )
    against, unchecked = _weather_against(configuration, weather, begun, today)
    # Days that came after what is long done are no reason to doubt that it was done.
    if day == today:
        asked += against
        against = []
    remarks += asked + against + unchecked
    expected = _expected(configuration, yard, weather, treatment, regimen, day, today, now)

    def make(entries: Sequence[Entry]) -> list[Entry]:
        known = list(courses(entries))
        _alone(yard, known, day, regimen, today)
        found = _forbidden(yard, treatment, entries, day, supers)
        broken = [_forbids(one, newest_look(entries, day)) for one in found]
        if agreed is not None:
            broken += asked
        allowed = anyway if agreed is None else agreed(tuple(broken))
        if broken and not allowed:
            raise UsageError(
                f"{yard.name}: {'; '.join(broken)}",
                field="anyway",
                typed="; ".join(
                    [
                        "",
                        *(_first_typed(one, yard.name) for one in found),
                        "or, if it was done all the same, enter it with --anyway",
                    ]
                ),
            )
        before = [one for one in known if one.start < day]
        if before and before[-1].treatment.active == treatment.active:
            remarks.append(
                tr(
                    "the last treatment, of {date}, had the same active, {active}: mites that"
                    " outlive it are bred; change the active, and count afterwards",
                    date=words.day_with_year(before[-1].start),
                    active=words.active(treatment),
                )
            )
        body: dict[str, Any] = {
            "treatment": treatment.id,
            "regimen": regimen.id,
            "colonies": count,
            "snapshot": snapshot(treatment, regimen),
            "supers": yard.hive.supers if supers is None else supers,
            **{name: plain_text(name, value) for name, value in details.items() if value},
        }
        if any(dose.g_per_chamber for dose in regimen.doses):
            body["brood_chambers"] = yard.hive.brood_chambers
        if names:
            body["names"] = list(names)
        if expected:
            body["expected"] = expected
        if broken:
            body["against"] = broken
        return [Entry(0, yard.name, "start", day, now, body, key=key)]

    (number,) = store.enter_after(yard.name, make)
    return _done(store, yard, number, remarks, today)


def swap(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    *,
    day: date,
    strips: int | None,
    details: Mapping[str, str | None],
    weather: YardWeather,
    now: datetime,
    key: str | None = None,
) -> Done:
    """Enter that the next dose was given.

    weather:  stored for the yard: what it has against the days that are left is said, as of a start

    Raises UsageError where none can have been.
    """
    _at_most("strips", strips, MOST_STRIPS)
    remarks: list[str] = []
    today = today_at(yard, now)

    def make(entries: Sequence[Entry]) -> list[Entry]:
        known = courses(entries)
        course = _in(yard, known, today)
        doses = course.regimen.doses
        if len(doses) == 1:
            raise UsageError(
                tr(
                    "{treatment}, {regimen}, are given once: there is no swap",
                    treatment=words.treatment_plural(course.treatment),
                    regimen=course.regimen.id,
                ),
                typed=f'; to enter that they came out: windowcast treat remove "{yard.name}"',
            )
        if len(course.swaps) + 1 >= len(doses):
            raise UsageError(
                tr(
                    "the last dose was given on {day} already",
                    day=words.day_in(course.dosed[-1], today.year),
                ),
                typed=f"; to change that entry: windowcast treat correct {course.swaps[-1].id}",
            )
        _after(day, course.dosed[-1], last=False, entry=course.entry.id)
        _before_next(course, known, day)
        planned = course.by(None).ahead()[0].day
        if day != planned:
            remarks.append(_off(day, planned, Task.SWAP))
        body = {"start": course.entry.id, "strips": strips, **_given(details)}
        entry = Entry(0, yard.name, "swap", day, now, body, key=key)
        given = course._replace(swaps=(*course.swaps, entry))
        against, unchecked = _weather_against(configuration, weather, given, today)
        remarks.extend(against + unchecked)
        return [entry]

    (number,) = store.enter_after(yard.name, make)
    return _done(store, yard, number, remarks, today)


def remove(
    store: Store,
    yard: Yard,
    *,
    day: date,
    strips: int | None,
    details: Mapping[str, str | None],
    now: datetime,
    key: str | None = None,
) -> Done:
    """Enter that what was put in came out. Raises UsageError where nothing can have."""
    _at_most("strips", strips, MOST_STRIPS)
    remarks: list[str] = []
    today = today_at(yard, now)

    def make(entries: Sequence[Entry]) -> list[Entry]:
        known = courses(entries)
        course = _in(yard, known, today)
        if not course.regimen.removed:
            raise UsageError(
                tr(
                    "{treatment}: nothing is left in the hives to take out",
                    treatment=words.treatment_plural(course.treatment),
                )
            )
        _after(day, course.dosed[-1], last=True, entry=course.entry.id)
        _before_next(course, known, day)
        planned = course.by(None).end
        if day < planned:
            remarks.append(
                tr(
                    "{early}: the exposure was cut short, and mites in cells that were still capped"
                    " were not reached; count afterwards",
                    early=_off(day, planned, Task.REMOVE),
                )
            )
        elif day > planned:
            remarks.append(_off(day, planned, Task.REMOVE))
        put_in = _strips(course)
        if strips is not None and put_in is not None and strips != put_in:
            remarks.append(
                trn(
                    "{count} strip came out, {expected} should be in: look for the rest, or note"
                    " where they went",
                    "{count} strips came out, {expected} should be in: look for the rest, or note"
                    " where they went",
                    strips,
                    expected=put_in,
                )
            )
        body = {"start": course.entry.id, "strips": strips, **_given(details)}
        return [Entry(0, yard.name, "remove", day, now, body, key=key)]

    (number,) = store.enter_after(yard.name, make)
    return _done(store, yard, number, remarks, today)


def note(store: Store, yard: Yard, text: str, *, day: date, now: datetime) -> int:
    """Keep a remark, with the treatment that is in, else the last one; its number."""
    kept = plain_text("the note", text)
    if not kept:
        raise UsageError(tr("the note is empty; write what is to be kept"), field="the note")

    def make(entries: Sequence[Entry]) -> list[Entry]:
        known = [one for one in courses(entries) if one.start <= day]
        body = {"text": kept, "start": known[-1].entry.id if known else None}
        return [Entry(0, yard.name, "note", day, now, body)]

    return store.enter_after(yard.name, make)[0]


def seen_brood(
    store: Store, yard: Yard, *, brood: str, colonies: int | None, day: date, now: datetime
) -> int:
    """Keep what a look for brood found, one of BROOD; its number."""
    count = yard.colonies if colonies is None else colonies
    if not 1 <= count <= yard.colonies:
        raise UsageError(
            tr(
                "colonies is {given}; wanted: how many were looked into, 1 to {most}",
                given=count,
                most=yard.colonies,
            ),
            field="colonies",
        )
    body: dict[str, Any] = {"capped": brood == "capped", "colonies": count}
    if brood == "open":
        body["open"] = True
    return store.enter([Entry(0, yard.name, "brood", day, now, body)])[0]


def seen_queens(
    store: Store, yard: Yard, *, checked: int, missing: int, day: date, now: datetime
) -> int:
    """Keep how many colonies were looked at for a queen, and how many had none; its number."""
    if not 1 <= checked <= yard.colonies or not 0 <= missing <= checked:
        raise UsageError(
            trn(
                "{missing} of {checked} without a queen; wanted: looked at the {count} colony, and"
                " no more without a queen than were looked at",
                "{missing} of {checked} without a queen; wanted: looked at 1 to {count} colonies,"
                " and no more without one than were looked at",
                yard.colonies,
                missing=missing,
                checked=checked,
            ),
            field="missing",
        )

    def make(entries: Sequence[Entry]) -> list[Entry]:
        known = [one for one in courses(entries) if one.start <= day]
        body = {
            "checked": checked,
            "missing": missing,
            "start": known[-1].entry.id if known else None,
        }
        return [Entry(0, yard.name, "queens", day, now, body)]

    return store.enter_after(yard.name, make)[0]


def correct(
    store: Store,
    yard: Yard,
    number: int,
    *,
    day: date | None,
    changes: Mapping[str, Any],
    now: datetime,
) -> Entry:
    """Enter a start, swap, removal or note anew, in place of a mistaken one; the new entry.

    changes:  of the body, by name; what is not named stays as it was

    Raises UsageError where it leaves the treatment impossible.
    """
    old = corrected(store, number, "start", "swap", "remove", "note")
    allowed = {
        "start": {"colonies", "supers", *DETAILS},
        "swap": {"strips", *DETAILS},
        "remove": {"strips", "disposed", *DETAILS},
        "note": {"text"},
    }[old.kind]
    wrong = sorted(set(changes) - allowed)
    if wrong:
        raise UsageError(
            f"entry {number} has no {', '.join(wrong)}; it can have {', '.join(sorted(allowed))}"
        )
    if day is None and not changes:
        raise UsageError("nothing to change was named; give --on or what was wrong")
    new_day = old.day if day is None else day

    def make(entries: Sequence[Entry]) -> list[Entry]:
        body = {**old.body, **changes}
        made = Entry(0, old.yard, old.kind, new_day, now, body, corrects=number)
        _possible([*entries, made._replace(id=max(one.id for one in entries) + 1)], yard, now)
        return [made]

    (new,) = store.enter_after(old.yard, make)
    return next(one for one in store.journal(old.yard) if one.id == new)


def _possible(entries: Sequence[Entry], yard: Yard, now: datetime) -> None:
    """UsageError where treatments overlap or a visit lies before what it follows."""
    before: Course | None = None
    for course in courses(entries):
        if course.colonies < 1:
            raise UsageError(f"colonies is {course.colonies}; wanted: at least 1")
        for earlier, later in zip(course.dosed, course.dosed[1:], strict=False):
            _after(later, earlier, last=False, entry=course.entry.id)
        if course.removed is not None:
            _after(course.removed.day, course.dosed[-1], last=True, entry=course.entry.id)
        if before is not None and course.start < before.end:
            raise UsageError(
                f"{yard.name}: the treatment begun on {words.day_with_year(before.start)} would"
                f" still be in on {words.day_with_year(course.start)}, when the next began"
            )
        before = course


def _before_next(course: Course, known: Sequence[Course], day: date) -> None:
    """UsageError where what belongs to a treatment was done after the next one began."""
    later = next((one for one in known if one.start > course.start), None)
    if later is not None and day > later.start:
        raise UsageError(
            tr(
                "{day} is after the next treatment began, {after} (treatment {number}), and two"
                " treatments at once are never given; give the day on which it was done",
                day=words.day_with_year(day),
                after=words.day_with_year(later.start),
                number=later.entry.id,
            ),
            field="day",
        )


def _in(yard: Yard, known: Sequence[Course], today: date) -> Course:
    course = in_hand(known, today)
    if course is None:
        raise UsageError(
            tr("nothing is in the hives of {yard}; to enter what was put in", yard=yard.name),
            typed=f': windowcast treat start "{yard.name}" …',
        )
    return course


def _alone(yard: Yard, known: Sequence[Course], day: date, regimen: Regimen, today: date) -> None:
    end = day + timedelta(days=regimen.exposure_days)
    for one in known:
        over = one.end if one.finished(today) else date.max
        if regimen.removed and end <= one.start and not one.finished(today):
            raise UsageError(
                tr(
                    "{yard}: {what} are in since {day} (treatment {number}), and what was put in"
                    " before counts as in until it is entered that it came out: two treatments at"
                    " once; enter the older one once what is in has come out",
                    yard=yard.name,
                    what=words.treatment_plural(one.treatment),
                    day=words.day_with_year(one.start),
                    number=one.entry.id,
                ),
                field="day",
            )
        if one.start < end and day < over:
            what = words.treatment_plural(one.treatment)
            since = words.day_with_year(one.start)
            if not one.finished(today):
                raise UsageError(
                    tr(
                        "{yard}: {what} are in since {day} (treatment {number}), and two treatments"
                        " at once are never given; first enter that they came out",
                        yard=yard.name,
                        what=what,
                        day=since,
                        number=one.entry.id,
                    ),
                    typed=f': windowcast treat remove "{yard.name}"',
                )
            raise UsageError(
                tr(
                    "{yard}: {what} were in from {day} to {end} (treatment {number}); see whether"
                    " the day is right",
                    yard=yard.name,
                    what=what,
                    day=since,
                    end=words.day_with_year(one.end),
                    number=one.entry.id,
                ),
                field="day",
            )


def _forbidden(
    yard: Yard,
    treatment: Treatment,
    entries: Sequence[Entry],
    day: date,
    supers: int | None,
) -> tuple[Blocked, ...]:
    """What the hives forbid."""
    brood = yard.hive.brood and seen_broodless(entries, day) is None
    hive = yard.hive._replace(supers=yard.hive.supers if supers is None else supers, brood=brood)
    return obstacles(treatment, hive)


def _forbids(blocked: Blocked, look: Entry | None) -> str:
    """With what is to be done first.

    look:  the newest into the colonies; None: nobody has looked
    """
    if blocked.obstacle is Obstacle.SUPERS:
        return trn(
            "{count} honey super on: {step}",
            "{count} honey supers on: {step}",
            blocked.supers,
            step=first_do(blocked),
        )
    if look is None:
        return tr("there is capped brood, as far as is known: look, and enter what you see")
    day = words.day_with_year(look.day)
    if look.body["capped"]:
        return tr("capped brood was seen on {day}: look again, and enter what you see", day=day)
    if look.body.get("open"):
        return tr(
            "eggs or larvae seen on {day} may be capped by now: look again, and enter what you see",
            day=day,
        )
    return tr(
        "that no brood was seen on {day} is too long ago: look again, and enter what you see",
        day=day,
    )


def _first_typed(blocked: Blocked, yard: str) -> str:
    if blocked.obstacle is Obstacle.SUPERS:
        return f"once it is done, say so with --supers {blocked.allowed}"
    return (
        f'what you see: windowcast found "{yard}" --brood none, or --brood open where there are'
        " eggs or larvae and nothing is capped"
    )


def _after(day: date, before: date, *, last: bool, entry: int) -> None:
    """`last`: before it came the last dose, not any other."""
    if day <= before:
        values = {
            "day": words.day_with_year(day),
            "before": words.day_with_year(before),
            "number": entry,
        }
        raise UsageError(
            tr(
                "{day} is not after the last dose, {before} (treatment {number}); give the day on"
                " which it was done, or correct the other",
                **values,
            )
            if last
            else tr(
                "{day} is not after the dose before it, {before} (treatment {number}); give the day"
                " on which it was done, or correct the other",
                **values,
            ),
            field="day",
        )


def _off(day: date, planned: date, task: Task) -> str:
    """ "2 days late: the swap was planned for Wed Dec 9"."""
    days, on = abs((day - planned).days), words.day_in(planned, day.year)
    if day > planned:
        late = trn("{count} day late", "{count} days late", days)
        if task is Task.SWAP:
            return tr("{late}: the swap was planned for {day}", late=late, day=on)
        return tr("{late}: the removal was planned for {day}", late=late, day=on)
    early = trn("{count} day early", "{count} days early", days)
    if task is Task.SWAP:
        return tr("{early}: the swap was planned for {day}", early=early, day=on)
    return tr("{early}: the removal was planned for {day}", early=early, day=on)


def _strips(course: Course) -> int | None:
    """How many strips should be in when the last came in: those of the last dose."""
    dose = course.regimen.doses[min(len(course.swaps), len(course.regimen.doses) - 1)]
    return None if dose.strips is None else dose.strips * course.colonies


def _at_most(name: str, found: int | None, most: int) -> None:
    if found is not None and not 0 <= found <= most:
        raise UsageError(
            tr(
                "{name} is {given}; wanted: a whole number, 0 to {most}",
                name=tr(NUMBERS[name]),
                given=found,
                most=most,
            ),
            field=name,
        )


def _given(details: Mapping[str, str | None]) -> dict[str, str]:
    return {name: plain_text(name, value) for name, value in details.items() if value}


def _expiry(text: str | None) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            tr("expiry is {given}; wanted: a day such as 2027-03-31", given=repr(text)),
            field="expiry",
            typed=", in --expiry",
        ) from None


def _weather_against(
    configuration: Configuration, weather: YardWeather, begun: Course, today: date
) -> tuple[list[str], list[str]]:
    """What the stored forecast has against a treatment, and what it does not know of it."""
    usable = weather.usable and weather.forecast is not None
    found = ahead(begun, weather.forecast if usable else None, today=today)
    against = watch_lines.ahead_words(found, begun, configuration.units)
    if not found.unknown:
        return against, []
    last = words.day_in(found.unknown[-1], today.year)
    if not usable:
        return [], [
            tr(
                "the weather up to {day} was not checked: there is no usable forecast; look at one"
                " yourself",
                day=last,
            )
        ]
    return against, [
        trn(
            "{count} day up to {day} was not checked: the forecast does not reach it",
            "{count} days up to {day} were not checked: the forecast does not reach them",
            len(found.unknown),
            day=last,
        )
    ]


def _expected(
    configuration: Configuration,
    yard: Yard,
    weather: YardWeather,
    treatment: Treatment,
    regimen: Regimen,
    day: date,
    today: date,
    now: datetime,
) -> dict[str, Any]:
    """What the stored forecast expects of the exposure; empty where it says nothing of it."""
    found: dict[str, Any] = {}
    if weather.fetched_at is None:
        return found
    if weather.forecast is not None:
        highs = {}
        for offset in range(regimen.exposure_days):
            high = weather.forecast.on(day + timedelta(days=offset))
            if high is not None:
                highs[(day + timedelta(days=offset)).isoformat()] = high / 10
        if highs:
            found["highs_c"] = highs
    if day == today:
        answer = answer_yard(configuration, yard, weather, now=now, treatments=[treatment])
        for row in answer.main.rows:
            if row.day == day and row.start.regimen.id == regimen.id:
                chance = row.start.chance
                found["chance"] = None if chance is None else round(chance.value, 4)
                found["named"] = row.safe
    if found:
        fetched = weather.fetched_at.astimezone(ZoneInfo("UTC"))
        found["source"] = weather.provider
        found["fetched_at"] = fetched.strftime("%Y-%m-%dT%H:%M:%SZ")
    return found


def _done(store: Store, yard: Yard, number: int, remarks: Sequence[str], today: date) -> Done:
    entries = store.journal(yard.name)
    for course in courses(entries):
        removed = () if course.removed is None else (course.removed.id,)
        if number in (course.entry.id, *(one.id for one in course.swaps), *removed):
            return Done(number=number, course=course.by(today), remarks=tuple(remarks))
    raise UsageError(f"entry {number} belongs to no treatment; void it and enter it anew")
