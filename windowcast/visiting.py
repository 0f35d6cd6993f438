"""The work ahead at the yards: the journal and the stored forecast to visits, loads and a calendar.

Nothing is fetched: what the stored forecast says is what is planned, and how old it is is said.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from windowcast.answer import YardWeather, answer_yard, days_of, find_treatments, stored_weather
from windowcast.crew.held_back import kept_back
from windowcast.crew.promised import (
    PromisedStart,
    promised_row,
    promised_start,
    promised_visits,
    with_promised,
)
from windowcast.edges.settings import Configuration
from windowcast.edges.store import PublishedEvent, Store
from windowcast.entering import as_seen, season_rules
from windowcast.errors import UsageError
from windowcast.language import Lookup, current, english, marked, spoken, tag, tr
from windowcast.notice import visit_lines, words
from windowcast.notice.plain import licence_line, source_lines, too_old, wrapped
from windowcast.notice.promised_lines import way_of
from windowcast.notice.reason import in_short
from windowcast.notice.shut_lines import shut_words
from windowcast.notice.taken_lines import taken_words
from windowcast.trade.bring import Choice, Need, largest, season_needs
from windowcast.trade.course import courses
from windowcast.trade.due import State, of_yard
from windowcast.trade.journal import Entry
from windowcast.trade.work import (
    LAPSES_DAYS,
    Job,
    Kind,
    Plan,
    Promised,
    WorkDay,
    begun,
    by_day,
    free_from,
    jobs,
)
from windowcast.trade.yard import Yard
from windowcast.window.decide import Row, Status, YardAnswer
from windowcast.window.scan import Start

Say = Callable[[str], None]

DAYS_AHEAD = 30
MANY = 200
"""Of so many yards and more at once only the starts that are spoken of are held in memory."""
READY = (Status.OPEN, Status.LATER)
"""A start is named, and the hives are ready for it."""
INVENTED = marked(
    "INVENTED WEATHER: these are bundled sample data for invented yards."
    " Nothing here says anything about a real place."
)

if TYPE_CHECKING:
    from windowcast.crew.settings import FixedRow


@dataclass(frozen=True, slots=True, kw_only=True)
class YardWork:
    """One yard's jobs, and what there is to say of the plan among them.

    jobs:     done lately and to do, by day
    answer:   what the stored forecast says, without the starts that something else keeps back
              (`crew.held_back`); None where none is stored
    plan:     the start that it names, whether it is among the jobs or not; None: it names none
    free:     the first day for which a next start may be planned; None: nothing stands in the way
    choice:   what the yard still needs in this season; None: nothing
    promised: its next start as the crews' plan promised it; None: it does not
    fixed:    days of the yard that something else has taken
    max_age_hours: of a forecast that is not stale
    """

    yard: Yard
    today: date
    jobs: tuple[Job, ...]
    answer: YardAnswer | None
    plan: Plan | None
    free: date | None
    choice: Choice | None
    promised: PromisedStart | None = None
    fixed: tuple[FixedRow, ...] = ()
    max_age_hours: float = 12.0

    @property
    def known(self) -> bool:
        """Whether a forecast that is not stale says whether a start is named."""
        return self.answer is not None and self.answer.main.status is not Status.UNKNOWN


class Known(NamedTuple):
    """One yard's jobs as the calendar needs them; `known` as in YardWork."""

    yard: str
    today: date
    jobs: tuple[Job, ...]
    known: bool


def works(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    seams: int | None = None,
) -> list[YardWork]:
    """`yard_work` of each; alike ones of many are scanned together, and of many the answers hold
    only the starts that are spoken of."""
    if len(yards) < MANY:
        return [yard_work(configuration, store, yard, now=now, seams=seams) for yard in yards]
    from windowcast.answers import BLOCK, Weathers, slim, starts_of

    weathers = Weathers(configuration, store, yards, now, {})
    found = []
    for first in range(0, len(yards), BLOCK):
        block = [(yard, weathers[yard.name]) for yard in yards[first : first + BLOCK]]
        starts = starts_of(configuration, block, now)
        for yard, weather in block:
            work = yard_work(
                configuration,
                store,
                yard,
                now=now,
                seams=seams,
                weather=weather,
                measured=starts.get(yard.name),
            )
            if work.answer is not None:
                answer = slim(work.answer, configuration.decision.cancel_below)
                work = replace(work, answer=answer)
            found.append(work)
    return found


def yard_work(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    *,
    now: datetime,
    seams: int | None = None,
    answer: YardAnswer | None = None,
    weather: YardWeather | None = None,
    measured: Sequence[Sequence[Start]] | None = None,
) -> YardWork:
    """What is to do at one yard, as of `now` in its own day.

    seams:   of bees in a colony, for what is given by the seam; None: by the brood chambers
    answer, weather:  what the stored forecast says and rests on, where that is known already
    measured:  as of `answer_yard`
    """
    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    entries = store.journal(yard.name)
    if weather is None:
        weather = stored_weather(configuration, store, yard, now)
    if answer is None:
        if weather.sources:
            answer = answer_yard(
                configuration,
                as_seen(store, yard, now),
                weather,
                now=now,
                treatments=find_treatments(configuration, yard),
                measured=measured,
            )
    elif not answer.forecast.sources:
        answer = None
    days = days_of(configuration, yard, weather)
    kept = store.promised_plan()
    document = None if kept is None else kept.yards.get(yard.name)
    promised = promised_start(document, yard.name, begun(entries))
    days = days._replace(promised=promised_visits(document))
    below = configuration.decision.cancel_below
    if answer is not None:
        answer = with_promised(days.free(answer), promised, below)
    plan = None if answer is None else _plan(answer, promised, below)
    due = of_yard(
        yard,
        find_treatments(configuration, yard),
        entries=entries,
        rules=season_rules(configuration, today),
        today=today,
    )
    passed = due.state is State.NOW
    blocked = (
        answer is not None
        and answer.main.status is Status.BLOCKED
        and (plan is None or plan.treatment == answer.main.treatment)
    )
    found = jobs(
        yard,
        entries=entries,
        plan=None if blocked else plan,
        rules=configuration.work,
        today=today,
        counts_due=due.counts_due,
        passed=passed,
        seams=seams,
    )
    return YardWork(
        yard=yard,
        today=today,
        jobs=tuple(_as_promised(one, promised, answer, today) for one in days.moved(found, today)),
        promised=promised,
        answer=answer,
        plan=plan,
        free=free_from(entries, today, passed=passed),
        choice=_choice(configuration, yard, plan, entries, today),
        fixed=days.fixed,
        max_age_hours=configuration.weather.max_age_hours,
    )


def _as_promised(
    job: Job, promised: PromisedStart | None, answer: YardAnswer | None, today: date
) -> Job:
    """A planned start with what was promised of it."""
    if promised is None or not job.planned or job.kind is not Kind.APPLY:
        return job
    way = None if answer is None else way_of(promised, answer)
    treatment, regimen = way or (None, None)
    if job.treatment is not None and job.treatment.id == promised.treatment:
        treatment = None
        if job.regimen is not None and job.regimen.id == promised.regimen:
            regimen = None
    if job.day == promised.day and regimen is None and not _beside(job, answer):
        return job._replace(promised=Promised(promised.day, promised.crew))
    passed = promised.day < today
    return job._replace(promised=Promised(promised.day, promised.crew, treatment, regimen, passed))


def _beside(job: Job, answer: YardAnswer | None) -> bool:
    """Whether the notice names another treatment first than a planned start's."""
    if answer is None or job.treatment is None or answer.main.status not in READY:
        return False
    return answer.main.treatment.id != job.treatment.id


def _plan(answer: YardAnswer, promised: PromisedStart | None, cancel_below: float) -> Plan | None:
    """The start that the notice names for the treatment of first choice, the hives being ready or
    not. A promised one of another treatment that stands comes first, for that is what people load,
    but where an earlier day is named that can be begun."""
    main = answer.main
    row = main.named if main.status not in (Status.UNKNOWN, Status.CLOSED) else None
    other = promised_row(answer, promised, cancel_below)
    ready = [one.treatment.id for one in answer.treatments if one.status in READY]
    if other is not None and other.start.treatment.id in ready:
        same = other.start.treatment.id == main.treatment.id
        earlier = row is not None and main.status in READY and row.day < other.day
        row = row if same or earlier else other
    if row is None:
        return None
    chance = row.start.chance
    return Plan(
        start=row.day,
        treatment=row.start.treatment,
        regimen=row.start.regimen,
        chance=None if chance is None else chance.value,
    )


def _choice(
    configuration: Configuration,
    yard: Yard,
    plan: Plan | None,
    entries: Sequence[Entry],
    today: date,
) -> Choice | None:
    """The yard's first treatment in its largest regimen; of one in hand, what is still to go in.

    None where nothing is, and where the yard has lately had it.
    """
    running = [one for one in courses(entries) if not one.finished(today)]
    if running:
        course = running[-1]
        left = course.regimen.doses[1 + len(course.swaps) :]
        doses = () if course.by(today).lapsed else left
        ahead = course.ahead()
        treated = yard._replace(colonies=course.colonies)
        return Choice(treated, course.treatment, doses, ahead[0].day) if doses and ahead else None
    treatment = find_treatments(configuration, yard)[0]
    lately = today - timedelta(days=LAPSES_DAYS)
    if any(one.treatment.id == treatment.id and one.end > lately for one in courses(entries)):
        return None
    start = None if plan is None else plan.start
    return Choice(yard, treatment, largest(treatment).doses, start)


def work_days(
    found: Sequence[YardWork], configuration: Configuration, first: date, last: date
) -> tuple[WorkDay, ...]:
    """The days from `first` to `last`, both inside, on which there is something to do."""
    every = [one for work in found for one in work.jobs if first <= one.on <= last]
    return by_day(every, configuration.work)


def needs(
    found: Sequence[YardWork], configuration: Configuration, *, seams: int | None = None
) -> tuple[Need, ...]:
    """What the season takes in all these yards."""
    choices = [work.choice for work in found if work.choice is not None]
    return season_needs(choices, configuration.work, seams=seams)


def stretch(found: Sequence[YardWork], first: str | None, last: str | None) -> tuple[date, date]:
    """The days asked for, both inside; else the yards' today to `DAYS_AHEAD` days on.

    Raises UsageError.
    """
    begins = min(work.today for work in found) if first is None else _day("--from", first)
    ends = begins + timedelta(days=DAYS_AHEAD) if last is None else _day("--to", last)
    if ends < begins:
        raise UsageError(f"--to {ends} is before --from {begins}; give the later day to --to")
    return begins, ends


def _day(option: str, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{option} is {text!r}, but must be a day such as 2026-08-31") from None


def remarks(found: Sequence[YardWork]) -> list[str]:
    """Why a start that is named is not among the visits, or what keeps one out that is."""
    lines = []
    for work in found:
        planned = any(job.planned and job.kind is Kind.APPLY for job in work.jobs)
        lines += _held_back(work)
        lines += _taken(work)
        if work.promised is not None and not planned:
            lines.append(_promised_alone(work, work.promised))
        if work.plan is None or work.answer is None:
            continue
        name, start = work.yard.name, words.day(work.plan.start)
        if work.free is not None and work.plan.start < work.free:
            lines.append(
                tr(
                    "{yard}: no next start is planned before {day}: what is in the hives, or the"
                    " count that says whether it worked, comes first.",
                    yard=name,
                    day=words.day(work.free),
                )
            )
        elif (
            work.answer.main.status is Status.BLOCKED
            and work.plan.treatment == work.answer.main.treatment
        ):
            first = words.listed([in_short(one) for one in work.answer.main.blocked])
            lines.append(
                tr(
                    "{yard}: the weather allows a start on {day}, the hives are not ready:"
                    " {steps}.",
                    yard=name,
                    day=start,
                    steps=first,
                )
            )
    return lines


def _promised_alone(work: YardWork, promised: PromisedStart) -> str:
    """What was promised where no start is among the visits."""
    values = {
        "yard": work.yard.name,
        "day": words.day(promised.day),
        "crew": promised.crew,
    }
    if promised.day < work.today:
        return tr(
            "{yard}: promised: {day}, {crew}; that day has passed and no start is entered.",
            **values,
        )
    if not work.known:
        return tr(
            "{yard}: promised: {day}, {crew}; whether it stands is not known.",
            **values,
        )
    return tr("{yard}: promised: {day}, {crew}; no start is planned here now.", **values)


def _kept_back(work: YardWork) -> list[Row]:
    """The starts that something keeps back from the first day on for which one may be planned."""
    held = () if work.answer is None else kept_back(work.answer.main)
    return [row for row in held if work.free is None or row.day >= work.free]


def _held_back(work: YardWork) -> list[str]:
    """Why the first start that the weather names is not planned, and which is the next."""
    if work.answer is None or work.answer.main.status is Status.UNKNOWN:
        return []
    rows = _kept_back(work)
    if not rows:
        return []
    first = rows[0]
    why = [taken_words(one) for one in first.taken] or [shut_words(first.day, first.shut)]
    found = {"yard": work.yard.name, "why": "; ".join(why), "first": words.day(first.day)}
    if work.plan is None:
        text = tr(
            "{yard}: {why}; no start is planned for {first}, and none that is named later is free.",
            **found,
        )
    else:
        text = tr(
            "{yard}: {why}; no start is planned for {first}: the next that is free is {day}.",
            day=words.day(work.plan.start),
            **found,
        )
    return [text]


def _taken(work: YardWork) -> list[str]:
    """What keeps out a visit to be made, though it is listed, or moves it."""
    said = {taken_words(one) for row in _kept_back(work)[:1] for one in row.taken}
    ahead = [job for job in work.jobs if job.done is None]
    rows = [
        row
        for row in work.fixed
        if row.visits
        and any(row.first <= day <= row.last for job in ahead for day in (job.on, job.day))
    ]
    return [
        tr("{yard}: {what}", yard=work.yard.name, what=what)
        for what in dict.fromkeys(taken_words(row) for row in rows)
        if what not in said
    ]


def troubles(found: Sequence[YardWork]) -> list[str]:
    """Of which yards the forecast says nothing, so that no start of theirs is planned."""
    return [
        tr(
            "{yard}: {why}; no start is planned there (windowcast morning --print fetches one)",
            yard=work.yard.name,
            why=_why_unknown(work),
        )
        for work in found
        if not work.known
    ]


def _why_unknown(work: YardWork) -> str:
    if work.answer is None:
        return tr("no forecast is stored")
    age_hours = work.answer.forecast.age_hours
    if work.answer.forecast.stale and age_hours is not None:
        return too_old(age_hours, work.max_age_hours)
    return tr("the forecast is too short")


def text(
    found: Sequence[YardWork], configuration: Configuration, first: date, last: date
) -> list[str]:
    """The visits of these days for a terminal."""
    answers = [work.answer for work in found if work.answer is not None]
    sources = source_lines(answers)
    licences = dict.fromkeys(licence_line(one) for one in answers)
    lines = visit_lines.visit_lines(
        work_days(found, configuration, first, last),
        first=first,
        last=last,
        remarks=remarks(found),
        sources=[line for line in (*sources, *licences) if line],
    )
    if configuration.weather.provider == "sample":
        return [wrapped(tr(INVENTED)), "", *lines]
    return lines


def document(
    found: Sequence[YardWork], configuration: Configuration, first: date, last: date
) -> dict[str, Any]:
    """The same as JSON allows."""
    return {
        "schema": 1,
        "from": first.isoformat(),
        "to": last.isoformat(),
        "days": visit_lines.visits_document(work_days(found, configuration, first, last)),
        "forecasts": [_forecast(work) for work in found],
        "remarks": remarks(found),
    }


def _forecast(work: YardWork) -> dict[str, Any]:
    state = None if work.answer is None else work.answer.forecast
    age_hours = None if state is None else state.age_hours
    return {
        "yard": work.yard.name,
        "today": work.today.isoformat(),
        "source": None if state is None else state.source,
        "age_hours": None if age_hours is None else round(age_hours, 1),
        "stale": None if state is None else state.stale,
        "attribution": "" if state is None else state.attribution,
    }


def calendar(
    found: Sequence[YardWork],
    configuration: Configuration,
    store: Store,
    *,
    now: datetime,
    alone: Yard | None = None,
) -> bytes:
    """The iCalendar file of every visit of these yards, and what was said of them before.

    What it says is kept in the store, so that the next one can tell what has changed.

    alone:  the one yard asked for; None: all, and what was said of yards that are gone is called
            off too
    """
    known = [Known(one.yard.name, one.today, one.jobs, one.known) for one in found]
    revise = _revision(known, configuration, now)
    events = store.publish(None if alone is None else [alone.name], revise)
    return calendar_file(events, configuration, now=now)


def published(
    found: Sequence[Known], configuration: Configuration, store: Store, *, now: datetime
) -> list[PublishedEvent]:
    """What the calendar says of these yards and of no other, by day; it is kept as `calendar`
    keeps it."""
    return store.publish({one.yard for one in found}, _revision(found, configuration, now))


def _revision(
    found: Sequence[Known], configuration: Configuration, now: datetime
) -> Callable[[bytes, list[PublishedEvent]], list[PublishedEvent]]:
    from windowcast.notice import calendar as ical

    others = _other_languages(configuration)

    def revise(origin: bytes, before: list[PublishedEvent]) -> list[PublishedEvent]:
        events = ical.revise(
            [ical.Event(*one) for one in before],
            [job for one in found for job in one.jobs],
            origin=origin,
            now=now,
            today=min(one.today for one in found),
            unknown={one.yard for one in found if not one.known},
            others=others,
        )
        return [PublishedEvent(*one) for one in events]

    return revise


def _other_languages(configuration: Configuration) -> dict[str, Lookup]:
    """Those that somebody reads besides that of the configuration, by their tags."""
    if configuration.mail is None:
        return {}
    found = {}
    for name in sorted(set(configuration.mail.languages.values())):
        lookup = configuration.lookups.get(name, english)
        if lookup is not configuration.lookup:
            with spoken(lookup):
                found[tag()] = lookup
    return found


def calendar_file(
    events: Sequence[PublishedEvent], configuration: Configuration, *, now: datetime
) -> bytes:
    """The iCalendar file of these events, in the language spoken now."""
    from windowcast import __version__
    from windowcast.notice import calendar as ical

    mail = configuration.mail
    return ical.file(
        [ical.Event(*one) for one in events],
        organizer=ical.NOBODY if mail is None else ical.address(mail.sender),
        version=__version__,
        now=now,
        language="" if current() is configuration.lookup else tag(),
    )
