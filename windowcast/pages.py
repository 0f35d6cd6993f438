"""What the pages show, gathered from the store; nothing is fetched and nothing is written."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from windowcast import counts, health, news, past_pages, progress, visiting
from windowcast.answer import YardWeather, answer_yard, find_treatments, moment, stored_weather
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import as_seen
from windowcast.errors import StoreError
from windowcast.language import tr, trn
from windowcast.notice import (
    count_lines,
    due_lines,
    hive_lines,
    page_views,
    reason,
    visit_lines,
    visit_words,
    watch_lines,
    words,
)
from windowcast.notice.beside import Beside
from windowcast.notice.crew_today import Key, StopToday
from windowcast.notice.health_lines import status_lines, well_words
from windowcast.notice.page_views import (
    AsOf,
    DayTasks,
    Overview,
    Row,
    ServicePage,
    Task,
    Visits,
    YardPage,
    YardTasks,
)
from windowcast.notice.plain import (
    Line,
    attribution,
    chance_words,
    headline,
    labelled,
    licence_line,
)
from windowcast.notice.rank import SOON_DAYS, Rank, rank_of
from windowcast.notice.shut_lines import shut_today
from windowcast.notice.svg import svg
from windowcast.notice.text import Circumstances, contents
from windowcast.notice.yard_picture import scene
from windowcast.picture import yard_picture
from windowcast.promised_today import stops_today
from windowcast.standing import Standing, beside, counts_asked, due_today, standing
from windowcast.trade.due import State
from windowcast.trade.work import Job, Kind, WorkDay, by_day, gear, loads
from windowcast.trade.yard import Yard
from windowcast.visiting import YardWork, yard_work
from windowcast.window.decide import Status, YardAnswer

DAYS_SHOWN = 7
"""So many days from today on stand on the list for the truck."""
LOOK_LASTS, LOOK_ENDS = timedelta(minutes=30), timedelta(hours=2)
"""What was worked out is worked out anew after the first, whatever has changed, and no longer shown
after the second."""
ZERO, ENDLESS = timedelta(0), timedelta.max
KEPT_FOR = timedelta(days=3)
"""An older forecast is stale whatever its age is compared with."""
COUNTS_SHOWN = 20
WIDE, NARROW = 900.0, 324.0
"""Widths at which a yard's picture is laid out, in CSS pixels: a screen or a sheet, and a phone."""


log = logging.getLogger("windowcast")


class Whole(NamedTuple):
    """All that is known of one yard today."""

    yard: Yard
    weather: YardWeather
    answer: YardAnswer
    standing: Standing
    beside: Beside


class Look(NamedTuple):
    """What the pages of all yards need of one, worked out at `made`.

    mark:     what it rests on; it holds while this is the same
    today:    the yard's
    jobs:     to be done, planned ones too
    remarks:  why something is not among them
    sources:  the licences of what it rests on
    stops:    what is said of the crews' stops there, from today on
    """

    mark: object
    made: datetime
    today: date
    row: Row
    jobs: tuple[Job, ...]
    remarks: tuple[str, ...]
    sources: tuple[str, ...]
    stops: Mapping[Key, StopToday] = {}


def as_of(configuration: Configuration, now: datetime) -> AsOf:
    """`now`, by the clock of the first yard."""
    zone = configuration.yards[0].timezone
    local = now.astimezone(ZoneInfo(zone))
    text = tr(
        "As of {day}, {hour} ({zone})",
        day=words.day(local.date()),
        hour=f"{local:%H:%M}",
        zone=zone,
    )
    return AsOf(text, now.isoformat(timespec="seconds"))


def whole(configuration: Configuration, store: Store, yard: Yard, *, now: datetime) -> Whole:
    """One yard today, as whoever was told last would be told now."""
    yard = as_seen(store, yard, now)
    weather = stored_weather(configuration, store, yard, now)
    answer = answer_yard(
        configuration, yard, weather, now=now, treatments=find_treatments(configuration, yard)
    )
    one = standing(configuration, store, yard, weather, answer, now=now)
    answer = one.told
    others = beside(one, answer, configuration.units)
    last = max(store.said(yard.name).values(), key=lambda said: said.told_at, default=None)
    if last is not None:
        # A start that was named is kept while its chance allows, here as in the notice.
        told = news.fresh(
            configuration, one, answer, others, last, recipient=last.recipient, now=now
        )
        answer, others = told.answer, told.beside
    return Whole(yard, weather, answer, one, others)


class Looks:
    """The looks at all yards, kept between requests and shared by them.

    A yard is looked at anew when its forecast, its journal, what was said of it or its day has
    changed, and each half hour.
    """

    def __init__(self, configuration: Configuration) -> None:
        self._configuration = configuration
        self._kept: dict[str, Look] = {}
        self._lock = threading.Lock()

    def take(
        self, store: Store, now: datetime, *, within_s: float | None = None
    ) -> tuple[tuple[Look, ...], int]:
        """A look at every yard, in the file's order, and how many are still missing.

        within_s:  stop looking after so long; whoever asks again is shown more. None: all of them
        """
        yards = self._configuration.yards
        until = None if within_s is None else time.monotonic() + within_s
        with self._lock:
            marks = self._marks(store, now)
            # What is in the hives can be in danger: those yards first.
            begun = store.last_entries()
            ordered = sorted(yards, key=lambda one: one.name not in begun)
            for number, yard in enumerate(ordered):
                progress.step(tr("yards looked at"), number, len(yards))
                kept = self._kept.get(yard.name)
                age = ENDLESS if kept is None else now - kept.made
                if kept is None or kept.mark != marks[yard.name] or not ZERO <= age < LOOK_ENDS:
                    # A danger may have come up since: that is no look any more.
                    self._kept.pop(yard.name, None)
                elif age < LOOK_LASTS:
                    continue
                if until is not None and time.monotonic() > until:
                    continue
                self._kept[yard.name] = self._look(store, yard, marks[yard.name], now)
            progress.step(tr("yards looked at"), len(yards), len(yards))
            found = tuple(self._kept[yard.name] for yard in yards if yard.name in self._kept)
        return found, len(yards) - len(found)

    def _marks(self, store: Store, now: datetime) -> dict[str, object]:
        settings = self._configuration
        limit = timedelta(hours=settings.weather.max_age_hours)
        fetched = store.fetched(now - max(KEPT_FOR, 2 * limit))
        entries, said = store.last_entries(), store.last_said()
        promised = store.promised_number()
        found: dict[str, object] = {}
        for yard in settings.yards:
            local = now.astimezone(ZoneInfo(yard.timezone))
            instants = fetched.get(yard.name, ())
            found[yard.name] = (
                instants,
                tuple(now - one <= limit for one in instants),
                entries.get(yard.name),
                said.get(yard.name),
                promised,
                local.date(),
                moment(settings, yard, now).first_start,
            )
        return found

    def _look(self, store: Store, yard: Yard, mark: object, now: datetime) -> Look:
        try:
            return self._sound_look(store, yard, mark, now)
        except StoreError:
            raise  # that is no matter of one yard
        except Exception:
            log.exception("%s", yard.name)
        row = Row(
            name=yard.name,
            slug=page_views.slug(yard.name),
            rank=Rank.UNKNOWN,
            what=could_not(),
            colonies=yard.colonies,
        )
        today = now.astimezone(ZoneInfo(yard.timezone)).date()
        return Look(mark, now, today, row, (), (f"{yard.name}: {could_not()}",), ())

    def _sound_look(self, store: Store, yard: Yard, mark: object, now: datetime) -> Look:
        found = whole(self._configuration, store, yard, now=now)
        answer = found.answer if found.weather.sources else None
        work = yard_work(
            self._configuration, store, yard, now=now, answer=answer, weather=found.weather
        )
        promised = store.promised_plan()
        return Look(
            mark=mark,
            made=now,
            today=found.answer.today,
            row=row_of(found),
            jobs=tuple(job for job in work.jobs if job.done is None),
            remarks=_remarks(work),
            sources=tuple(
                text
                for text in (
                    attribution(found.answer.forecast.attribution),
                    licence_line(found.answer),
                )
                if text
            ),
            stops=stops_today(
                self._configuration,
                None if promised is None else promised.yards.get(yard.name),
                answer=found.answer,
                weather=found.weather,
                entries=store.journal(yard.name),
                jobs=found.standing.all_jobs,
                passed=found.standing.passed,
                danger=found.standing.in_danger,
                over=moment(self._configuration, yard, now).over,
            ),
        )


def could_not() -> str:
    """What is said of a yard that a fault keeps from being worked out."""
    return tr("could not be worked out; the log says why")


def remedy() -> str:
    """What brings a forecast to a yard that has none."""
    return tr(
        "A morning fetches the forecasts: the service at its hour, windowcast morning --print at"
        " once."
    )


def _remarks(work: YardWork) -> tuple[str, ...]:
    return (*visiting.remarks([work]), *visiting.troubles([work]))


def row_of(found: Whole) -> Row:
    """Where a yard stands among all, and what it asks for."""
    one, answer, others = found.standing, found.answer, found.beside
    today, main = answer.today, answer.main
    now_due = due_today(one.jobs, today)
    tasks = tuple(_task_words(job) for job in now_due)
    base = Row(
        name=found.yard.name,
        slug=page_views.slug(found.yard.name),
        rank=rank_of(answer, others),
        what=others.heading or headline(main, answer, shut=bool(shut_today(answer, others))),
        colonies=found.yard.colonies,
    )
    if base.rank in (Rank.DANGER, Rank.RISK) and one.watch is not None:
        new = (tr("New: {what}", what=others.news),) if others.news else ()
        more = (watch_lines.advice_words(one.watch), *tasks, base.what, *new)
        return base._replace(what=others.danger or others.risk, more=more)
    if base.rank is Rank.CHANGED:
        return base._replace(what=others.news, more=(*tasks, base.what))
    if base.rank is Rank.VISIT:
        late = max(job.late_days for job in now_due)
        return base._replace(what=tasks[0], more=(*tasks[1:], base.what), weight=-late)
    ahead = [job for job in one.jobs if not job.optional and job.kind is not Kind.COUNT]
    next_one = tuple(
        tr("Next: {day}, {what}", day=words.day(job.on), what=visit_lines.what(job))
        for job in ahead[:1]
    )
    if base.rank is Rank.UNKNOWN:
        why = reason.unknown_because(main, answer.forecast)
        more = (*((base.what,) if others.heading else ()), *next_one)
        return base._replace(what=why, more=more)
    if one.course is not None or one.resting is not None:
        return base._replace(more=next_one, day=ahead[0].on if ahead else date.max)
    return _free_row(base, found, ahead, next_one)


def _free_row(base: Row, found: Whole, ahead: Sequence[Job], more: tuple[str, ...]) -> Row:
    """Of a yard with nothing in, whose weather is known."""
    one, main, today = found.standing, found.answer.main, found.answer.today
    due, named = one.due, main.named
    chance = "" if named is None else chance_words(named)
    counting = tuple(_task_words(job) for job in counts_asked(one.jobs, today))
    by = {
        State.NOW: (tr("Due now: the threshold is reached"),),
        State.OVERDUE: (tr("Overdue: the last day to start is behind"),),
        State.DONE: (tr("Treated this season"),),
    }.get(due.state, ())
    last = due_lines.start_by(due, one.timing)
    if due.state is State.COMING and last is not None:
        by = (tr("Start by {day}", day=words.day(last)),)
    instead = due_lines.instead_in_short(one.timing.instead)
    steps = [reason.first_do(one) for one in main.blocked] if base.rank is Rank.READY else []
    base = base._replace(more=(*steps, *by, *instead, *counting, *more), chance=chance)
    if due.state is State.DONE:
        return base
    day = due.by or date.max
    if base.rank is Rank.OPEN:
        share = named.start.chance if named is not None else None
        return base._replace(day=day, weight=0.0 if share is None else -float(share.value))
    if base.rank is Rank.SOON:
        days = [job.on for job in ahead if (job.on - today).days <= SOON_DAYS]
        if named is not None and (named.day - today).days <= SOON_DAYS:
            days.append(named.day)
        if due.by is not None and (due.by - today).days <= SOON_DAYS:
            days.append(today)
        return base._replace(day=min(days, default=day))
    if base.rank is Rank.REST and named is not None:
        day = min(day, named.day)
    return base._replace(day=day)


def _task_words(job: Job) -> str:
    late, what = visit_lines.late(job), visit_lines.what(job)
    return tr("{what}; {late}", what=what, late=late) if late else what


def overview(
    configuration: Configuration,
    looks: Sequence[Look],
    *,
    pending: int,
    now: datetime,
    page: int = 1,
    find: str = "",
) -> Overview:
    """All yards, sorted by what needs doing today."""
    return page_views.overview(
        [look.row for look in looks],
        date=_dates({look.today for look in looks} or {now.date()}),
        page=page,
        pending=pending,
        invented=configuration.weather.provider == "sample",
        find=find,
        sources=sources_of(looks),
        remedy=remedy()
        if any(look.row.rank is Rank.UNKNOWN and look.row.what != could_not() for look in looks)
        else "",
    )


def _dates(days: Iterable[date]) -> str:
    each = sorted(days)
    if len(each) == 1:
        return words.day_with_year(each[0])
    return tr(
        "{first} or {last}, each yard's own date",
        first=words.day(each[0]),
        last=words.day_with_year(each[-1]),
    )


def sources_of(looks: Iterable[Look]) -> list[str]:
    """What the answers of these yards rest on, each once."""
    return list(dict.fromkeys(text for look in looks for text in look.sources))


def visits(
    configuration: Configuration, looks: Sequence[Look], *, pending: int, now: datetime
) -> Visits:
    """The days ahead at all yards, for the truck."""
    first = min((look.today for look in looks), default=now.date())
    last = first + timedelta(days=DAYS_SHOWN - 1)
    jobs = [job for look in looks for job in look.jobs if job.on <= last]
    days = by_day(jobs, configuration.work)
    treatments = [job.treatment for job in jobs if job.treatment is not None]
    return Visits(
        span=words.span(first, last),
        days=tuple(_day(one) for one in days),
        remarks=tuple(text for look in looks for text in look.remarks),
        cautions=tuple(visit_lines.cautions(treatments)),
        law=hive_lines.law(),
        planned=tr(visit_lines.PLANNED) if any(job.planned for job in jobs) else "",
        sources=tuple(sources_of(looks)),
        invented=configuration.weather.provider == "sample",
        pending=pending,
    )


def _day(one: WorkDay, *, alone: bool = False) -> DayTasks:
    """`alone`: of one yard, whose page it stands on."""
    yards = list(dict.fromkeys(job.yard for job in one.jobs))
    day, minutes, worn = words.day(one.day), round(one.minutes), gear(one.jobs)
    return DayTasks(
        title=trn(
            "{day}: {count} minute without the drive",
            "{day}: {count} minutes without the drive",
            minutes,
            day=day,
        )
        if alone
        else trn(
            "{day}: {yards}, {count} minute without the drive",
            "{day}: {yards}, {count} minutes without the drive",
            minutes,
            day=day,
            yards=page_views.count_of(len(yards)),
        ),
        load=tuple(
            tr("{amount}: {what}", amount=amount, what=words.treatment_plural(treatment))
            for treatment, load in loads(one.jobs).values()
            if (amount := visit_words.load_words(load))
        ),
        wear=words.in_a_row([tr(visit_lines.WEAR[each]) for each in worn]) if worn else "",
        yards=tuple(
            YardTasks(
                name=name,
                slug=page_views.slug(name),
                tasks=tuple(_task(job) for job in one.jobs if job.yard == name),
            )
            for name in yards
        ),
    )


def _task(job: Job) -> Task:
    what = visit_lines.what(job)
    if job.planned:
        what = (
            tr("Plan: {what}", what=what)
            if job.chance is None
            else tr("Plan ({chance}): {what}", chance=words.percent(job.chance), what=what)
        )
    return Task(
        what=what,
        bring=visit_lines.bring(job),
        why=visit_lines.why(job),
        late=visit_lines.late(job),
        plan=job.planned,
        minutes=trn("{count} minute", "{count} minutes", round(job.minutes)),
    )


def yard_page(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    *,
    now: datetime,
) -> YardPage:
    """One yard's own page."""
    found = whole(configuration, store, yard, now=now)
    answer, others = found.answer, found.beside
    today = answer.today
    said = contents(
        [answer],
        Circumstances(
            late=None,
            next_at=configuration.morning.at,
            invented=configuration.weather.provider == "sample",
            spare_percent=configuration.work.spare_percent,
        ),
        configuration.units,
        {yard.name: others},
    )
    work = yard_work(
        configuration,
        store,
        yard,
        now=now,
        answer=answer if found.weather.sources else None,
        weather=found.weather,
    )
    jobs = [job for job in work.jobs if job.done is None and job.on < today + timedelta(days=30)]
    counted = counts.of_yard(configuration, yard, store.journal(yard.name), today)
    row = row_of(found)
    drawn = yard_picture(
        configuration,
        store,
        yard,
        now,
        weather=found.weather,
        answer=answer,
        stands=found.standing,
    )
    wide = scene(drawn, WIDE)
    told, told_note = past_pages.told(configuration, store, yard, now=now)
    return YardPage(
        name=yard.name,
        slug=page_views.slug(yard.name),
        date=words.day_with_year(today),
        place=_place(yard),
        rank=row.rank,
        answer=others.heading
        or headline(answer.main, answer, shut=bool(shut_today(answer, others))),
        urgent=others.danger or others.risk,
        facts=page_views.facts([*_new(others), *said.parts[0].lines]),
        picture=svg(wide, identity="wide"),
        narrow=svg(scene(drawn, NARROW), identity="narrow"),
        days=tuple("; ".join(one.title.splitlines()) for one in wide.columns),
        visits=tuple(_day(one, alone=True) for one in by_day(jobs, configuration.work)),
        rounds=_rounds(counted),
        counts=tuple(
            count_lines.sentence(entry) for entry in reversed(counted.entries[-COUNTS_SHOWN:])
        ),
        told=told,
        told_note=told_note,
        cautions=said.cautions,
        law=said.law,
        sources=said.sources,
        invented=bool(said.invented),
        remedy=remedy() if answer.main.status is Status.UNKNOWN else "",
    )


def _new(others: Beside) -> list[str]:
    return labelled(tr("New"), others.news) if others.news else []


def _place(yard: Yard) -> str:
    hive = yard.hive
    parts = [
        trn("{count} colony", "{count} colonies", yard.colonies),
        trn("{count} brood chamber", "{count} brood chambers", hive.brood_chambers),
        trn("{count} honey super on", "{count} honey supers on", hive.supers),
    ]
    return ", ".join(parts)


def _rounds(found: counts.YardCounts) -> tuple[str, ...]:
    """What the counts come to."""
    lines = [
        tr("{day}: {result}", day=words.day_with_year(one.day), result=count_lines.round_words(one))
        for one in reversed(found.rounds)
    ]
    if found.stale and lines:
        lines.insert(0, tr("A treatment began after the last round: count again."))
    if found.growth is not None and found.passing is not None:
        lines.insert(0, count_lines.passing_words(found.passing, found.growth, found.today))
    return tuple(lines)


def by_slug(configuration: Configuration) -> Mapping[str, Yard]:
    """The yards by what stands for them in addresses."""
    return {page_views.slug(yard.name): yard for yard in configuration.yards}


def service_page(configuration: Configuration, store: Store, *, now: datetime) -> ServicePage:
    """How the service does, as `windowcast status` says it."""
    found = health.document(health.look(configuration, store, now))
    said = status_lines({**found, "yards": [], "outbox": []})
    outbox = status_lines({**found, "yards": [], "troubles": []})
    return ServicePage(
        troubles=tuple(found["troubles"]),
        well=well_words(found),
        facts=page_views.facts(line for line in said if isinstance(line, Line)),
        yards=tuple(
            (
                one["yard"],
                tr("none yet") if one["last_morning"] is None else _day_of(one["last_morning"]),
                _hour_of(one["next_due"]),
                tr("none is stored")
                if one["forecast_age_hours"] is None
                else tr("{hours} h old", hours=words.decimal(one["forecast_age_hours"], 1)),
            )
            for one in found["yards"]
        ),
        outbox=tuple(
            fact
            for fact in page_views.facts(line for line in outbox if isinstance(line, Line))
            if fact.label == tr("To")
        ),
    )


def _day_of(text: str) -> str:
    return words.day(date.fromisoformat(text))


def _hour_of(text: str) -> str:
    local = datetime.fromisoformat(text)
    return f"{words.day(local.date())}, {local:%H:%M}"
