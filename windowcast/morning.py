"""The morning job: gather → decide → act, yard by yard.

One yard's failure never stops the next. Decisions and notices are stored in one transaction before
anything is delivered; what is delivered are the stored bytes.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from windowcast import fetching, watching
from windowcast.answer import YardWeather, open_store
from windowcast.answers import Weathers
from windowcast.edges import clock as real_clock
from windowcast.edges.allowance import Budget
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store, StoredNotice
from windowcast.notice.text import Notice
from windowcast.recipients import PUSH, is_told, recipients_of
from windowcast.telling import KIND, Due, notice_of, record, record_printed, untold, work_out, write
from windowcast.trade.yard import Yard

KEEP_FORECASTS = timedelta(days=400)
KEEP_NOTICES = timedelta(days=800)
WAIT_S = 600.0
SQUARE = 0.25
"""Degrees; the grid of the ensemble model that is asked by default, whose cells lie around its
multiples. Finer grids' cells lie within one square, but for a few at its edges."""
MOST_NAMED = 3
DONE, IN_PART, NOTHING_USABLE, NOT_DELIVERED = 0, 1, 3, 4

__all__ = [
    "KIND",
    "Done",
    "Due",
    "Elsewhere",
    "MorningResult",
    "alone",
    "deliver",
    "fetch_portion",
    "gather",
    "open_store",
    "run",
    "tell_portion",
    "today_of",
    "untold",
]

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


class Done(NamedTuple):
    """What one portion of a morning came to."""

    failed: list[str]
    printed: list[Notice]
    queued: int
    composed_all: bool


class Elsewhere(Protocol):
    """Other processes that do the portions of a morning, in whatever order."""

    def fetch(self, portions: Sequence[Sequence[Due]], now: datetime) -> list[fetching.Errors]:
        """`fetch_portion` of each; these are portions of neighbours."""
        ...

    def tell(
        self,
        portions: Sequence[Sequence[Due]],
        errors: Sequence[fetching.Errors],
        now: datetime,
    ) -> Iterable[Done]:
        """`tell_portion` of each, with what was wrong when it was fetched; these are portions by
        who is told."""
        ...


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
    elsewhere: Elsewhere | None = None,
) -> MorningResult:
    """Do the job once.

    now:         what is decided is decided as of this instant
    due:         the mornings to do; None: every yard, today in its own zone
    clock:       what time it is while notices are delivered, which can take long
    print_only:  do all but deliver; the day's morning is then still to come
    elsewhere:   who does the portions, where people are told by mail; None: this process

    All is fetched before anything is decided, so that what a yard learns from its neighbours does
    not depend on whose turn comes first.

    A yard whose recipients have all been told today is passed over, so a second run on one day
    sends nothing again but what cannot wait. One that had no usable forecast is tried again and
    told once it has one.
    """
    mornings = list(due) if due is not None else today_of(configuration, now)
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
            say(_nothing_to_write(configuration, store, now))
    failed: list[str] = []
    printed: list[Notice] = []
    urgent: list[str] = []
    queued = 0
    delivered = True
    portions = _portions(configuration, mornings, mailing=mailing)
    near = _by_square(mornings, configuration.morning.portion)
    done_by: Iterable[Done]
    if elsewhere is not None:
        if not mailing:
            raise ValueError("what is printed is worked out here")
        errors = _as_told(elsewhere.fetch(near, now), portions)
        _past_years(configuration, store, portions, now=now, say=say)
        done_by = elsewhere.tell(portions, errors, now)
    else:
        budgets: dict[str, Budget] = {}
        found = [
            fetch_portion(configuration, store, portion, now=now, say=say, budgets=budgets)
            for portion in near
        ]
        errors = _as_told(found, portions)
        _past_years(configuration, store, portions, now=now, say=say)
        done_by = (
            tell_portion(
                configuration,
                store,
                portion,
                wrong,
                now=now,
                say=say,
                print_only=print_only,
                once=due is not None,
            )
            for portion, wrong in zip(portions, errors, strict=True)
        )
    for done in done_by:
        failed += done.failed
        printed += done.printed
        queued += done.queued
        delivered = delivered and done.composed_all
    # Who is told of a yard this morning reads it there; the others are told what cannot wait.
    size = configuration.morning.portion
    for first in range(0, len(told_before), size):
        watched = told_before[first : first + size]
        weathers = gather(configuration, store, watched, now=now, say=say)
        urgent += watching.look(configuration, store, watched, weathers, now=now, say=say)
    if mailing or (mornings and configuration.push and not print_only):
        sent = deliver(configuration, store, clock=clock, say=say, eager=due is None)
        delivered = delivered and sent
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


def fetch_portion(
    configuration: Configuration,
    store: Store,
    portion: Sequence[Due],
    *,
    now: datetime,
    say: Say,
    again: bool = False,
    budgets: dict[str, Budget] | None = None,
) -> fetching.Errors:
    """Fetch the weather of some yards, and keep it; what went wrong, by yard and source.

    again:    somebody else may have been at it, as of the same `now`, and been lost
    budgets:  by host, what the portions before have used of the minute and the hour
    """
    yards = [one.yard for one in portion]
    return _fetched(configuration, store, yards, now=now, say=say, again=again, budgets=budgets)


def _past_years(
    configuration: Configuration,
    store: Store,
    portions: Sequence[Sequence[Due]],
    *,
    now: datetime,
    say: Say,
) -> None:
    if configuration.chance.calibrate:
        from windowcast import chance

        for portion in portions:
            yards = [one.yard for one in portion]
            chance.fetch_past_years(configuration, store, yards, now=now, say=say)


def tell_portion(
    configuration: Configuration,
    store: Store,
    mornings: Sequence[Due],
    errors: fetching.Errors,
    *,
    now: datetime,
    say: Say,
    print_only: bool = False,
    once: bool = False,
    apart: bool = True,
) -> Done:
    """Decide and store the mornings of some yards whose weather has been fetched.

    errors:      what went wrong then
    print_only:  as of `run`
    once:        what is printed is not printed again
    apart:       processes of their own may be started for a part of it
    """
    mailing = configuration.mail is not None and not print_only
    yards = [one.yard for one in mornings]
    if configuration.chance.calibrate:
        from windowcast import chance

        chance.correct(configuration, store, yards, now=now, say=say, fetch=False, apart=apart)
    weathers = Weathers(configuration, store, yards, now, errors)
    works, broken = work_out(configuration, store, mornings, weathers, now=now, say=say)
    # Untold of anything known, a broken one is tried again; `status` names it as well.
    failed = [one.yard.name for one in broken]
    without = [work for work in works if not work.knows]
    failed += [work.name for work in without]
    for line in fetching.in_few_lines(
        [(one.name, "only a stale forecast" if one.sources else "no forecast") for one in without]
    ):
        say(line)
    if not print_only:
        yards = [one.due.yard for one in works]
        watching.look(configuration, store, yards, weathers, now=now, say=say, channels_only=True)
    if mailing:
        recorded = record(configuration, store, works, broken, now=now, say=say)
        failed += _also(failed, recorded.broken)
        return Done(failed, [], recorded.queued, recorded.composed_all)
    written = write(configuration, store, "", works, broken, now=now, say=say)
    if not print_only:
        told = record_printed(store, works, written, now=now)
        if once:
            # The service asks again for a yard without a forecast: it says so once a day.
            works = [one for one in works if (one.name, one.due.local_date) in told]
            lost = [one for one in written.broken if (one.yard.name, one.local_date) in told]
            written = written._replace(broken=tuple(lost))
    failed += _also(failed, written.broken)
    printed = []
    if works or written.broken:
        printed.append(notice_of(configuration, store, "", works, written.said, written.broken)[1])
    return Done(failed, printed, 0, True)


def _by_square(mornings: Sequence[Due], size: int) -> list[list[Due]]:
    """The mornings in portions to be fetched, of so many yards or more: neighbours in one, whoever
    is told of them, since one answer may serve all of a grid cell."""
    if len(mornings) <= size:
        return [list(mornings)] if mornings else []

    def square(one: Due) -> tuple[int, int]:
        return round(one.yard.latitude / SQUARE), round(one.yard.longitude / SQUARE)

    found: list[list[Due]] = []
    for _, some in groupby(sorted(mornings, key=square), square):
        if found and len(found[-1]) < size:
            found[-1].extend(some)
        else:
            found.append(list(some))
    return found


def _as_told(
    errors: Iterable[fetching.Errors], portions: Sequence[Sequence[Due]]
) -> list[fetching.Errors]:
    """What went wrong while fetching, for each portion of those who are told."""
    known = {name: wrong for each in errors for name, wrong in each.items()}
    return [
        {one.yard.name: known[one.yard.name] for one in portion if one.yard.name in known}
        for portion in portions
    ]


def _nothing_to_write(configuration: Configuration, store: Store, now: datetime) -> str:
    """What is said where all of today's notices are written; not all need have been delivered."""
    today = {one.yard.name: one.local_date for one in today_of(configuration, now)}
    written = [
        found
        for name, day in today.items()
        if (found := store.newest_morning(name)) is not None and found.local_date == day
    ]
    if any(one.waiting for one in written):
        return (
            "today's notices are written, and not all are delivered: nothing new is composed,"
            " those that wait are tried again"
        )
    if any(one.refused for one in written):
        return (
            "today's notices are written, and not all could be delivered (windowcast status):"
            " nothing new is composed, nothing sent again"
        )
    return (
        "everyone has been told of today; no notice is composed or sent again, and only what cannot"
        " wait is told"
    )


def _portions(
    configuration: Configuration, mornings: Sequence[Due], *, mailing: bool
) -> list[list[Due]]:
    """The mornings in portions of so many yards or more, whoever is told of one of a portion of all
    that they are told of: what is done with one need not be held when the next is begun."""
    size = configuration.morning.portion
    if not mailing or len(mornings) <= size:
        return [list(mornings)] if mornings else []
    # Each recipient stands for a group, and leads to the one that it has become a part of.
    leads: dict[str, str] = {}

    def group(recipient: str) -> str:
        while (further := leads.setdefault(recipient, recipient)) != recipient:
            leads[recipient] = leads[further]
            recipient = further
        return recipient

    told = [recipients_of(configuration, one.yard) for one in mornings]
    for recipients in told:
        for other in recipients[1:]:
            leads[group(other)] = group(recipients[0])
    groups: dict[str, list[Due]] = {}
    for one, recipients in zip(mornings, told, strict=True):
        groups.setdefault(group(recipients[0]) if recipients else "", []).append(one)
    found: list[list[Due]] = []
    for some in groups.values():
        if found and len(found[-1]) < size:
            found[-1].extend(some)
        else:
            found.append(some)
    return found


def gather(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
) -> Mapping[str, YardWeather]:
    """Fetch the weather of `yards`, keep it, and give for each, by name, what is now known of it.

    Highs of past days that come with it are kept as observed ones.

    A source that fails falls back on its last stored forecast while that is fresh.
    """
    if not yards:
        return {}
    errors = _fetched(configuration, store, yards, now=now, say=say)
    if configuration.chance.calibrate:
        from windowcast import chance

        chance.correct(configuration, store, yards, now=now, say=say)
    return Weathers(configuration, store, yards, now, errors)


def _fetched(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
    again: bool = False,
    budgets: dict[str, Budget] | None = None,
) -> fetching.Errors:
    errors = fetching.fetch(
        configuration, store, yards, now=now, say=say, again=again, budgets=budgets
    )
    if configuration.weather.contact:
        from windowcast import second_look

        second_look.look(configuration, store, yards, now=now, say=say)
    return errors


def today_of(configuration: Configuration, now: datetime) -> list[Due]:
    """Every yard's morning of today, in its own zone."""
    return [
        Due(yard=yard, local_date=now.astimezone(ZoneInfo(yard.timezone)).date())
        for yard in configuration.yards
    ]


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
        for number, notice in enumerate(waiting):
            # Another process may be sending it: what it holds is its own to report.
            claim = store.claim(clock(), notice_id=notice.id)
            if claim is None:
                continue
            if not is_told(configuration, notice.recipient):
                # Taken out since it was written: who has asked for no more letters gets none.
                store.mark_dropped(claim)
                say(f"notice to {notice.recipient}: not sent, no longer among the recipients")
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
                behind = waiting[number + 1 :]
                if behind:
                    say(f"{len(behind)} more kept and tried again: to {_some(behind)}")
                break
    return delivered


def _some(notices: Sequence[StoredNotice]) -> str:
    """Whom they are for, the first few of many."""
    names = list(dict.fromkeys(one.recipient for one in notices))
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} others" if more > 0 else "")


def _also(failed: Sequence[str], broken: Sequence[Due]) -> list[str]:
    """The yards that are to join those that failed."""
    return [one.yard.name for one in broken if one.yard.name not in failed]


def _exit_code(failed: int, asked: int, *, delivered: bool) -> int:
    """The first that applies of: nothing usable, not delivered, done in part, done."""
    if asked and failed == asked:
        return NOTHING_USABLE
    if not delivered:
        return NOT_DELIVERED
    return IN_PART if failed else DONE
