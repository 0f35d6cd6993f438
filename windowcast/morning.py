"""The morning job: gather → decide → act, yard by yard.

One yard's failure never stops the next. Decisions and notices are stored in one transaction before
anything is delivered; what is delivered are the stored bytes.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from windowcast import news, watching
from windowcast.answer import (
    YardWeather,
    answer_yard,
    find_treatments,
    open_store,
    place,
    stored_weather,
)
from windowcast.edges import clock as real_clock
from windowcast.edges.settings import Configuration
from windowcast.edges.store import (
    Decision,
    NewNotice,
    ObservedHigh,
    Store,
    StoredSeries,
    Told,
    pack_tenths,
)
from windowcast.errors import MailRefused, StoreError
from windowcast.language import current, spoken
from windowcast.news import Fresh
from windowcast.notice import text
from windowcast.notice.beside import Beside
from windowcast.notice.document import document
from windowcast.notice.text import Circumstances, Notice
from windowcast.recipients import PUSH, recipients_of, spoken_to, wants_only_news
from windowcast.record import site
from windowcast.sky.highs import DailyHighs, Members
from windowcast.standing import Standing, beside, standing
from windowcast.trade.yard import Yard
from windowcast.window.change import Change
from windowcast.window.decide import YardAnswer

KIND = "morning"
KEEP_FORECASTS = timedelta(days=400)
KEEP_NOTICES = timedelta(days=800)
WAIT_S = 600.0
_ROUNDS = 3
DONE, IN_PART, NOTHING_USABLE, NOT_DELIVERED = 0, 1, 3, 4

__all__ = ["MorningResult", "alone", "deliver", "gather", "open_store", "run"]

Say = Callable[[str], None]

log = logging.getLogger("windowcast")
Clock = Callable[[], datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class MorningResult:
    """What a run came to.

    printed:   notices for stdout: no mail is set, or only printing was asked for
    urgent:    messages for stdout that tell of danger, where no mail is set
    failed:    names of the yards without a usable forecast
    queued:    notices that this run stored for delivery
    exit_code: of the command
    """

    printed: tuple[Notice, ...]
    urgent: tuple[str, ...]
    failed: tuple[str, ...]
    queued: int
    exit_code: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One yard's morning: its local date, and the hour it was due if this run is late."""

    yard: Yard
    local_date: date
    late: time | None = None


@contextmanager
def alone(store: Store, say: Say, *, wait: bool) -> Iterator[None]:
    """Until nobody else does the morning on this database, or for WAIT_S: then both go on.

    wait:  False: at once
    """
    with ExitStack() as stack:
        if wait and not stack.enter_context(store.only_one(KIND)):
            say("another process on this database does the morning; waiting for it")
            stack.enter_context(store.only_one(KIND, wait_s=WAIT_S))
        yield


def run(
    configuration: Configuration,
    store: Store,
    *,
    now: datetime,
    say: Say,
    print_only: bool = False,
    due: Sequence[Due] | None = None,
    clock: Clock = real_clock.now,
) -> MorningResult:
    """Do the job once.

    now:         what is decided is decided as of this instant
    due:         the mornings to do; None: every yard, today in its own zone
    clock:       what time it is while notices are delivered, which can take long
    print_only:  do all but deliver; the day's morning is then still to come

    A yard whose recipients have all been told today is passed over, so a second run on one day
    sends nothing again but what cannot wait. One that had no usable forecast is tried again and
    told once it has one.
    """
    mornings = list(due) if due is not None else _today(configuration, now)
    asked = len(mornings)
    mailing = configuration.mail is not None and not print_only
    told_before: list[Yard] = []
    if mailing:
        still = [one for one in mornings if untold(configuration, store, one)]
        if due is None:
            names = {one.yard.name for one in still}
            told_before = [
                yard
                for yard in watching.yards_to_watch(configuration, store, now, say=say)
                if yard.name not in names
            ]
        mornings = still
        if not mornings and due is None:
            say("everyone has been told of today; nothing new is composed, nothing sent again")
    asked_of = [*(one.yard for one in mornings), *told_before]
    weathers = gather(configuration, store, asked_of, now=now, say=say)
    answers: dict[str, YardAnswer] = {}
    others: dict[str, Beside] = {}
    standings: dict[str, Standing] = {}
    failed = []
    broken = set()
    for one in mornings:
        weather = weathers[one.yard.name]
        try:
            answer = answer_yard(
                configuration,
                one.yard,
                weather,
                now=now,
                treatments=find_treatments(configuration, one.yard),
            )
            stands = standing(configuration, store, one.yard, weather, answer, now=now)
            with spoken(configuration.lookup):
                besides = beside(stands, answer, configuration.units)
        except StoreError:
            raise  # that is no matter of one yard
        except Exception as error:
            # Untold, it is tried again; `status` and the notice of a missed morning name it.
            log.exception("%s", one.yard.name)
            watching.say_broken(one.yard, error, say)
            broken.add(one.yard.name)
            failed.append(one.yard.name)
            continue
        answers[one.yard.name] = answer
        standings[one.yard.name] = stands
        others[one.yard.name] = besides
        if not weather.usable:
            failed.append(one.yard.name)
            old = "only a stale forecast" if weather.sources else "no forecast"
            say(f"{one.yard.name}: {old}")
    mornings = [one for one in mornings if one.yard.name not in broken]
    printed: list[Notice] = []
    queued = 0
    delivered = True
    # Who is told of a yard this morning reads it there; the others are told what cannot wait.
    urgent = watching.look(configuration, store, told_before, weathers, now=now, say=say)
    if not print_only:
        watching.look(
            configuration,
            store,
            [one.yard for one in mornings],
            weathers,
            now=now,
            say=say,
            channels_only=True,
        )
    if mailing:
        queued, delivered = _record(
            configuration, store, mornings, answers, others, standings, now=now, say=say
        )
        delivered = (
            deliver(configuration, store, clock=clock, say=say, eager=due is None) and delivered
        )
    elif mornings:
        if configuration.push and not print_only:
            delivered = deliver(configuration, store, clock=clock, say=say, eager=due is None)
        shown = mornings
        with spoken(configuration.lookup):
            said = _compared(configuration, store, "", mornings, answers, others, standings, now)
        others = {name: news.beside for name, news in said.items()}
        answers = {name: news.answer for name, news in said.items()}
        if not print_only:
            told = _record_printed(store, configuration, mornings, answers, others, said, now=now)
            if due is not None:
                # The service asks again for a yard without a forecast: it says so once a day.
                shown = [one for one in mornings if (one.yard.name, one.local_date) in told]
        if shown:
            ordered = [answers[one.yard.name] for one in shown]
            with spoken(configuration.lookup):
                printed.append(_write(configuration, ordered, shown, others))
    if not print_only:
        if configuration.chance.calibrate and mornings:
            from windowcast import bootstrap

            # After the notices: nobody waits for what only later mornings need.
            bootstrap.bootstrap(
                configuration,
                store,
                [one.yard for one in mornings],
                now=now,
                say=say,
                most=bootstrap.YARDS_A_RUN if due is None else 1,
            )
        store.forget_forecasts(now - KEEP_FORECASTS)
        store.forget_notices(now - KEEP_NOTICES)
    return MorningResult(
        printed=tuple(printed),
        urgent=tuple(urgent),
        failed=tuple(failed),
        queued=queued,
        exit_code=_exit_code(len(failed), asked, delivered=delivered),
    )


def gather(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
) -> dict[str, YardWeather]:
    """Fetch the weather of `yards`, keep it, and give for each what is now known of it.

    Highs of past days that come with it are kept as observed ones.

    A source that fails falls back on its last stored forecast while that is fresh.
    """
    if not yards:
        return {}
    fetched, errors, observed = _fetch(configuration, store, yards, now=now, say=say)
    store.save_forecasts(fetched)
    store.note_observed(observed)
    if configuration.weather.contact:
        from windowcast import second_look

        second_look.look(configuration, store, yards, now=now, say=say)
    if configuration.chance.calibrate:
        from windowcast import chance

        chance.correct(configuration, store, yards, now=now, say=say)
    return {
        yard.name: stored_weather(configuration, store, yard, now, errors.get(yard.name))
        for yard in yards
    }


def _fetch(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
) -> tuple[list[StoredSeries], dict[str, dict[str, str]], list[ObservedHigh]]:
    """The series to keep, what went wrong by yard and source, and the highs of days gone by."""
    settings = configuration.weather
    rows: list[StoredSeries] = []
    errors: dict[str, dict[str, str]] = {}
    observed: list[ObservedHigh] = []
    if settings.provider == "sample":
        from windowcast.edges import sample, shipped

        read = sample.read(shipped.sample_folder(), settings.sample_season, yards, now)
        for yard, weather in zip(yards, read, strict=True):
            key = place(yard, settings)
            rows.append(_of_highs(yard, weather.forecast, now, key, weather.open_days))
            rows.append(_of_members(yard, "ensemble", weather.ensemble, now, key))
            rows.append(_of_members(yard, "extended", weather.extended, now, key))
        return rows, errors, observed
    from windowcast.edges import openmeteo
    from windowcast.edges.http import Spent
    from windowcast.errors import WeatherError

    utc_day = now.astimezone(UTC).date()
    already = store.spent(utc_day)
    found = openmeteo.fetch(
        yards, settings, now=now, say=say, spent=Spent(day=utc_day, weight=already)
    )
    used = found.spent.weight - (already if found.spent.day == utc_day else 0.0)
    if used > 0:
        store.spend(found.spent.day, used)
    for yard in yards:
        answered = found.yards[yard.name]
        key = place(yard, settings)
        for source, got in (
            ("forecast", answered.forecast),
            ("ensemble", answered.ensemble),
            ("extended", answered.extended),
        ):
            if isinstance(got, WeatherError):
                errors.setdefault(yard.name, {})[source] = str(got)
                say(str(got))
            elif isinstance(got, DailyHighs):
                rows.append(_of_highs(yard, got, found.fetched_at, key, answered.open_days))
            elif got is not None:
                rows.append(_of_members(yard, source, got, found.fetched_at, key))
        if answered.past is not None:
            observed += _of_past(
                yard, answered.past, found.fetched_at, site(yard, settings.provider)
            )
    return rows, errors, observed


def _of_past(
    yard: Yard, highs: DailyHighs, fetched_at: datetime, where: list[object]
) -> list[ObservedHigh]:
    return [
        ObservedHigh(
            yard=yard.name,
            day=highs.first_day + timedelta(days=index),
            origin="service",
            tenths=tenths,
            noted_at=fetched_at,
            place=where,
        )
        for index, tenths in enumerate(highs.tenths)
        if tenths is not None
    ]


def _of_highs(
    yard: Yard,
    highs: DailyHighs,
    fetched_at: datetime,
    key: list[object],
    open_days: tuple[date, Sequence[tuple[float | None, float | None]]] | None,
) -> StoredSeries:
    detail: dict[str, object] = {"place": key}
    if open_days is not None:
        first_day, days = open_days
        detail["open_days"] = {
            "first_day": first_day.isoformat(),
            "rain_mm": [rain for rain, _ in days],
            "wind_kmh": [wind for _, wind in days],
        }
    return StoredSeries(
        yard=yard.name,
        source="forecast",
        fetched_at=fetched_at,
        run_at=None,
        first_day=highs.first_day,
        days=len(highs.tenths),
        scenarios=1,
        tenths=pack_tenths(highs.tenths),
        detail=detail,
    )


def _of_members(
    yard: Yard, source: str, members: Members, fetched_at: datetime, key: list[object]
) -> StoredSeries:
    return StoredSeries(
        yard=yard.name,
        source=source,
        fetched_at=fetched_at,
        run_at=None,
        first_day=members.first_day,
        days=members.days,
        scenarios=members.count,
        tenths=pack_tenths(members.tenths),
        dropped=members.dropped,
        detail={"place": key},
    )


def _today(configuration: Configuration, now: datetime) -> list[Due]:
    return [
        Due(yard=yard, local_date=now.astimezone(ZoneInfo(yard.timezone)).date())
        for yard in configuration.yards
    ]


def untold(configuration: Configuration, store: Store, due: Due) -> bool:
    """Whether someone is still to be told of this morning, or was told only what is not known."""
    told = store.told(due.yard.name, due.local_date)
    return any(
        not told.get(recipient, False) for recipient in recipients_of(configuration, due.yard)
    )


def _record(
    configuration: Configuration,
    store: Store,
    mornings: Sequence[Due],
    answers: Mapping[str, YardAnswer],
    others: Mapping[str, Beside],
    standings: Mapping[str, Standing],
    *,
    now: datetime,
    say: Say,
) -> tuple[int, bool]:
    """Store decisions and one notice for each recipient who has something to learn.

    How many notices were stored, and whether none had to be given up for a bad address.
    """
    decisions = _decisions(configuration, mornings, answers, others, now)
    queued, composed_all = 0, True
    # A notice is skipped whole where another process has just told its recipient of one of its
    # yards; what is then left to tell is composed anew.
    for _ in range(_ROUNDS):
        notices = []
        for recipient, theirs in _to_tell(configuration, store, mornings, answers).items():
            with spoken_to(configuration, recipient):
                said = _compared(
                    configuration, store, recipient, theirs, answers, others, standings, now
                )
            changes = [one.news.change for one in said.values()]
            if wants_only_news(configuration, recipient) and news.nothing_new(changes):
                store.tell_printed(
                    _told(theirs, answers),
                    done_at=now,
                    said=[one.said for one in said.values()],
                    recipient=recipient,
                )
                say(f"nothing new for {recipient}: no notice")
                continue
            for name, one in said.items():
                if one.news.change not in (Change.FIRST, Change.UNCHANGED):
                    say(f"{name}, for {recipient}: {one.news.change.value}")
            try:
                with spoken_to(configuration, recipient):
                    notices.append(_compose(configuration, recipient, theirs, said, now))
            except MailRefused as error:
                say(f"notice to {recipient}: not composed: {error}")
                composed_all = False
        recorded = store.record_morning(decisions, notices)
        queued += len(recorded.queued)
        decisions = []
        if not recorded.skipped:
            break
    return queued, composed_all


def _to_tell(
    configuration: Configuration,
    store: Store,
    mornings: Sequence[Due],
    answers: Mapping[str, YardAnswer],
) -> dict[str, list[Due]]:
    """By recipient, the mornings not told yet, or told without a forecast and now with one."""
    found: dict[str, list[Due]] = {}
    for one in mornings:
        told = store.told(one.yard.name, one.local_date)
        knows = _knows(answers[one.yard.name])
        for recipient in recipients_of(configuration, one.yard):
            if recipient not in told or (knows and not told[recipient]):
                found.setdefault(recipient, []).append(one)
    return found


def _compared(
    configuration: Configuration,
    store: Store,
    recipient: str,
    theirs: Sequence[Due],
    answers: Mapping[str, YardAnswer],
    others: Mapping[str, Beside],
    standings: Mapping[str, Standing],
    now: datetime,
) -> dict[str, Fresh]:
    """By yard, what is told to one recipient, beside what they were told last; in the language that
    is spoken now, which `others` need not be in."""
    if current() is not configuration.lookup:
        names = [one.yard.name for one in theirs]
        others = {one: beside(standings[one], answers[one], configuration.units) for one in names}
    return {
        one.yard.name: news.fresh(
            configuration,
            standings[one.yard.name],
            answers[one.yard.name],
            others[one.yard.name],
            store.said(one.yard.name).get(recipient),
            recipient=recipient,
            now=now,
        )
        for one in theirs
    }


def _told(theirs: Sequence[Due], answers: Mapping[str, YardAnswer]) -> tuple[Told, ...]:
    return tuple(
        Told(yard=one.yard.name, local_date=one.local_date, knows=_knows(answers[one.yard.name]))
        for one in theirs
    )


def _compose(
    configuration: Configuration,
    recipient: str,
    theirs: Sequence[Due],
    said: Mapping[str, Fresh],
    now: datetime,
) -> NewNotice:
    from windowcast.edges import mail

    settings = configuration.mail
    if settings is None:
        raise ValueError("notices are composed only where mail is set")
    answers = {name: one.answer for name, one in said.items()}
    notice = _write(
        configuration,
        [answers[one.yard.name] for one in theirs],
        theirs,
        {name: one.beside for name, one in said.items()},
    )
    told = _told(theirs, answers)
    key = [KIND, recipient, *(f"{one.yard}:{one.local_date}:{one.knows}" for one in told)]
    message_id = mail.message_id(
        "|".join(key), mail.mailbox(settings.sender).address.rpartition("@")[2]
    )
    return NewNotice(
        recipient=recipient,
        message_id=message_id,
        subject=notice.subject,
        created_at=now,
        kind=KIND,
        local_date=max(one.local_date for one in theirs),
        body=mail.compose(
            sender=settings.sender,
            recipient=recipient,
            subject=notice.subject,
            text=notice.body,
            message_id=message_id,
            date=now,
        ),
        told=told,
        said=tuple(one.said for one in said.values()),
    )


def _record_printed(
    store: Store,
    configuration: Configuration,
    mornings: Sequence[Due],
    answers: Mapping[str, YardAnswer],
    others: Mapping[str, Beside],
    said: Mapping[str, Fresh],
    *,
    now: datetime,
) -> set[tuple[str, date]]:
    """Note what is printed; the yards and dates that had not been told before."""
    store.record_morning(_decisions(configuration, mornings, answers, others, now), ())
    told = store.tell_printed(
        _told(mornings, answers), done_at=now, said=[one.said for one in said.values()]
    )
    return {(one.yard, one.local_date) for one in told}


def _decisions(
    configuration: Configuration,
    mornings: Sequence[Due],
    answers: Mapping[str, YardAnswer],
    others: Mapping[str, Beside],
    now: datetime,
) -> list[Decision]:
    return [
        Decision(
            yard=one.yard.name,
            local_date=one.local_date,
            made_at=now,
            kind=KIND,
            document=json.dumps(
                document(answers[one.yard.name], configuration.units)
                | dict(others[one.yard.name].document),
                ensure_ascii=False,
            ),
        )
        for one in mornings
    ]


def _knows(answer: YardAnswer) -> bool:
    """Whether there was a usable forecast: what was told then need not be told again today."""
    return bool(answer.forecast.sources) and not answer.forecast.stale


def _write(
    configuration: Configuration,
    answers: Sequence[YardAnswer],
    mornings: Sequence[Due],
    others: Mapping[str, Beside],
) -> Notice:
    return text.write(
        answers,
        Circumstances(
            late=next((one.late for one in mornings if one.late is not None), None),
            next_at=configuration.morning.at,
            invented=configuration.weather.provider == "sample",
        ),
        configuration.units,
        others,
    )


def deliver(
    configuration: Configuration, store: Store, *, clock: Clock, say: Say, eager: bool
) -> bool:
    """Send what waits in the store; False if anything was not delivered.

    eager:  also what failed before and whose next attempt is not due yet
    """
    from windowcast.edges import mail

    settings = configuration.mail
    waiting = [
        one
        for one in (store.notices("waiting") if eager else store.due_notices(clock()))
        if (configuration.push if one.recipient == PUSH else settings is not None)
    ]
    if not waiting:
        return True
    delivered = True
    with ExitStack() as stack:
        sender: mail.Sender | None = None
        for notice in waiting:
            # Another process may be sending it: what it holds is its own to report.
            claim = store.claim(clock(), notice_id=notice.id)
            if claim is None:
                continue
            if notice.recipient == PUSH:
                from windowcast.edges import push

                outcome = push.deliver(configuration.push, notice.body)
            else:
                if sender is None and settings is not None:
                    sender = stack.enter_context(mail.Sender(settings))
                if sender is None:
                    raise ValueError("a notice for an address waits, but no mail is set")
                outcome = sender.deliver(notice.recipient, notice.body)
            if outcome.result is mail.Result.SENT:
                store.mark_sent(claim, now=clock(), code=outcome.code)
                say(f"notice to {notice.recipient}: sent")
                continue
            delivered = False
            if outcome.result is mail.Result.REFUSED:
                store.mark_refused(claim, now=clock(), error=outcome.reason, code=outcome.code)
                say(f"notice to {notice.recipient}: refused for good: {outcome.reason}")
                continue
            store.mark_deferred(
                claim,
                now=clock(),
                error=outcome.reason,
                unanswered=outcome.result is mail.Result.UNKNOWN,
            )
            say(f"notice to {notice.recipient}: kept and tried again: {outcome.reason}")
            if outcome.whole_server:
                break
    return delivered


def _exit_code(failed: int, asked: int, *, delivered: bool) -> int:
    """The first that applies of: nothing usable, not delivered, done in part, done."""
    if asked and failed == asked:
        return NOTHING_USABLE
    if not delivered:
        return NOT_DELIVERED
    return IN_PART if failed else DONE
