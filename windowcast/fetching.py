"""The first weather service's answers: asked for once, kept as they come, one request at a time.

What is not asked for again: a yard's weather where a neighbour's answer serves it too (`cells`), a
model's run that is had already, and what a server says has not changed. What came is kept before
the next request goes out, so memory does not grow with the number of yards.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from windowcast.answer import CLOCK_SLACK, place
from windowcast.cells import SAME_CELL_DEGREES, SAME_HEIGHT_M, Share, shares, shift_tenths
from windowcast.edges.settings import Configuration
from windowcast.edges.store import (
    AnswerMark,
    Fetched,
    KnownCell,
    ObservedHigh,
    SeriesHead,
    SharedSeries,
    Store,
    StoredSeries,
    encode,
    pack_tenths,
)
from windowcast.errors import WeatherError
from windowcast.record import site
from windowcast.sky.highs import DailyHighs, Members
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    from windowcast.edges.allowance import Budget
    from windowcast.edges.openmeteo import Answer, Asking, SourceInfo
    from windowcast.edges.openmeteo_runs import Run

Say = Callable[[str], None]
Errors = dict[str, dict[str, str]]
OpenDays = tuple[date, Sequence[tuple[float | None, float | None]]]

CELLS_AT_ONCE = 1000
MOST_NAMED = 3
"""Of more yards with one and the same fault only so many are named."""


def in_few_lines(faults: Sequence[tuple[str, str]]) -> list[str]:
    """Faults, each a yard and what is wrong, as lines: of many yards with the same one in all."""
    by_fault: dict[str, list[str]] = {}
    for name, what in faults:
        by_fault.setdefault(what, []).append(name)
    lines = []
    for what, names in by_fault.items():
        if len(names) <= MOST_NAMED:
            lines += [f"{name}: {what}" for name in names]
        else:
            first = ", ".join(names[:MOST_NAMED])
            more = len(names) - MOST_NAMED
            lines.append(f"{len(names)} yards: {what} ({first} and {more} more)")
    return lines


def fetch(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
    again: bool = False,
    budgets: dict[str, Budget] | None = None,
) -> Errors:
    """Fetch the weather of `yards` and keep it; what went wrong, by yard and source.

    Highs of past days that come with it are kept as observed ones.

    again:  another process may have begun it, as of the same `now`: what it kept is not asked for
            again, so that what comes out is what it would have come to
    budgets: what earlier portions of the same morning have used of the minute and the hour; kept
            up to date
    """
    if configuration.weather.provider == "sample":
        return _sample(configuration, store, yards, now)
    from windowcast.edges.allowance import Spent
    from windowcast.edges.openmeteo import Asking

    utc_day = now.astimezone(UTC).date()
    marks = _Marks(configuration, store, now)
    errors: Errors = {}
    with Asking(
        configuration.weather,
        now=now,
        say=say,
        spent=Spent(day=utc_day, weight=store.spent(utc_day)),
        memory=marks,
        budgets=budgets,
    ) as asking:
        for name in asking.sources:
            before = asking.spent
            source = _Source(configuration, store, asking, name, marks, now, say, errors)
            try:
                source.fetch(source.not_yet(yards) if again else yards)
            finally:
                used = asking.spent
                weight = used.weight - (before.weight if used.day == before.day else 0.0)
                if weight > 0:
                    store.spend(used.day, weight)
    return errors


class _Source:
    """One source for all yards."""

    def __init__(
        self,
        configuration: Configuration,
        store: Store,
        asking: Asking,
        name: str,
        marks: _Marks,
        now: datetime,
        say: Say,
        errors: Errors,
    ) -> None:
        self._configuration = configuration
        self._settings = configuration.weather
        self._store = store
        self._asking = asking
        self._name = name
        self._marks = marks
        self._now = now
        self._fetched_at = asking.fetched_at
        self._say = say
        self._errors = errors
        self._run: Run | None = None
        self._known: dict[str, KnownCell] = {}
        self._places: dict[str, str] = {}
        self._faults: list[tuple[str, str]] = []

    def not_yet(self, yards: Sequence[Yard]) -> list[Yard]:
        """The yards without a series of this very instant."""
        names = [yard.name for yard in yards]
        heads = self._store.heads(names, self._name, self._fetched_at)
        return [
            yard
            for yard in yards
            if (head := heads.get(yard.name)) is None or head.fetched_at != self._fetched_at
        ]

    def fetch(self, yards: Sequence[Yard]) -> None:
        """Ask for what is not had, keep what comes, and say what did not."""
        try:
            self._fetch(yards)
        finally:
            for line in in_few_lines(self._faults):
                self._say(line)

    def _fetch(self, yards: Sequence[Yard]) -> None:
        had: dict[str, SeriesHead] = {}
        if self._settings.once_a_run:
            self._run = self._asking.run(self._name)
            had = self._of_this_run(yards)
        if self._settings.share_cells:
            places = self._places = {
                yard.name: encode(place(yard, self._settings)) for yard in yards
            }
            known = self._store.cells(self._name, list(places.values()))
            self._known = {name: known[where] for name, where in places.items() if where in known}
            groups = shares(yards, self._known)
        else:
            groups = [Share(yard, ()) for yard in yards]
        asked = self._without(groups, had)
        source = self._asking.source(self._name, len(asked))
        by_lead = {group.lead.name: group.others for group in asked}
        alone: list[Yard] = []
        for answers in source.ask([group.lead for group in asked]):
            alone += self._keep(answers, by_lead)
        for answers in source.ask(alone):
            self._keep(answers, {})

    def _of_this_run(self, yards: Sequence[Yard]) -> dict[str, SeriesHead]:
        """The newest series of those yards that have this very run's, today's days first."""
        run = self._run
        if run is None:
            return {}
        heads = self._store.heads(
            [yard.name for yard in yards], self._name, self._now + CLOCK_SLACK
        )
        return {
            yard.name: head
            for yard in yards
            if (head := heads.get(yard.name)) is not None
            and head.run_at == run.run_at
            and head.detail.get("run") == run.made_at
            and head.first_day == _today(yard, self._now)
            and head.detail.get("place") == place(yard, self._settings)
        }

    def _without(self, groups: Sequence[Share], had: Mapping[str, SeriesHead]) -> list[Share]:
        """Those that are to be asked; for the others it is noted that what is had is the newest."""
        if not had:
            return list(groups)
        asked: list[Share] = []
        shared: list[SharedSeries] = []
        for group in groups:
            everyone = (group.lead, *group.others)
            shared += [
                _again(head, self._name, self._fetched_at)
                for yard in everyone
                if (head := had.get(yard.name)) is not None
            ]
            missing = [yard for yard in everyone if yard.name not in had]
            if not missing:
                continue
            donor = next(
                (yard for yard in everyone if yard.name in had and self._is_own(yard, had)), None
            )
            served: list[Yard] = []
            if donor is not None:
                head = had[donor.name]
                for yard in missing:
                    row = self._beside(yard, donor, head.detail, head.of_fetched_at, None)
                    if row is not None:
                        shared.append(row)
                        served.append(yard)
            left = [yard for yard in missing if yard not in served]
            if left:
                lead = group.lead if group.lead in left else left[0]
                asked.append(Share(lead, tuple(yard for yard in left if yard is not lead)))
        if shared:
            self._store.keep_fetched(Fetched(shared=shared))
        return asked

    def _is_own(self, yard: Yard, had: Mapping[str, SeriesHead]) -> bool:
        return had[yard.name].of_yard == yard.name and yard.name in self._known

    def _keep(self, answers: Sequence[Answer], by_lead: Mapping[str, Sequence[Yard]]) -> list[Yard]:
        """Keep one request's answers; the yards that they do not serve after all."""
        from windowcast.edges.openmeteo import Unchanged

        series: list[StoredSeries] = []
        shared: list[SharedSeries] = []
        observed: list[ObservedHigh] = []
        cells: list[KnownCell] = []
        alone: list[Yard] = []
        unchanged = [one.yard for one in answers if isinstance(one.found, Unchanged)]
        heads = self._marks.heads(self._name, unchanged)
        for answer in answers:
            yard, others = answer.yard, by_lead.get(answer.yard.name, ())
            found = answer.found
            if isinstance(found, WeatherError):
                self._failed(yard, found)
                alone += others
                continue
            if isinstance(found, Unchanged):
                head = heads[yard.name]
                shared.append(_again(head, self._name, self._fetched_at))
                detail, of_at = head.detail, head.of_fetched_at
            else:
                row = self._row(yard, found, answer.open_days)
                series.append(row)
                detail, of_at = row.detail, row.fetched_at
                cells += self._seen(yard, answer.info, renew=bool(others))
            observed += self._past(yard, answer.past, 0)
            for other in others:
                one = self._beside(other, yard, detail, of_at, answer.info)
                if one is None:
                    alone.append(other)
                    continue
                shared.append(one)
                observed += self._past(other, answer.past, one.shift)
        self._store.keep_fetched(Fetched(series, shared, observed, cells, self._marks.taken()))
        return alone

    def _failed(self, yard: Yard, error: WeatherError) -> None:
        self._errors.setdefault(yard.name, {})[self._name] = str(error)
        self._faults.append((yard.name, str(error).removeprefix(f"{yard.name}: ")))

    def _row(
        self, yard: Yard, found: DailyHighs | Members, open_days: OpenDays | None
    ) -> StoredSeries:
        key = place(yard, self._settings)
        if isinstance(found, DailyHighs):
            return _of_highs(yard, found, self._fetched_at, key, open_days)
        return _of_members(yard, self._name, found, self._fetched_at, key, self._run)

    def _beside(
        self,
        yard: Yard,
        lead: Yard,
        detail: Mapping[str, Any],
        of_fetched_at: datetime,
        info: SourceInfo | None,
    ) -> SharedSeries | None:
        """A yard's series that is the lead's; None where the lead's does not serve it.

        info:  what the lead's answer was for; None: it is that of which the cell is known
        """
        shift = self._shift(yard, lead, info)
        if shift is None:
            return None
        return SharedSeries(
            yard=yard.name,
            source=self._name,
            fetched_at=self._fetched_at,
            of_yard=lead.name,
            of_fetched_at=of_fetched_at,
            shift=shift,
            detail={**detail, "place": place(yard, self._settings)},
        )

    def _shift(self, yard: Yard, lead: Yard, info: SourceInfo | None) -> int | None:
        """Tenths to be added to the lead's highs; None where they say nothing of this yard."""
        if (yard.latitude, yard.longitude, yard.elevation_m) == (
            lead.latitude,
            lead.longitude,
            lead.elevation_m,
        ):
            return 0
        mine, its = self._known.get(yard.name), self._known.get(lead.name)
        north, east, lead_m = (
            (info.returned_latitude, info.returned_longitude, info.returned_elevation_m)
            if info is not None
            else (its.latitude, its.longitude, its.height_m)
            if its is not None
            else (None, None, None)
        )
        if mine is not None and (
            north is None
            or east is None
            or abs(north - mine.latitude) > SAME_CELL_DEGREES
            or abs(east - mine.longitude) > SAME_CELL_DEGREES
        ):
            return None
        if lead.elevation_m is not None and lead_m is not None:
            if abs(lead_m - lead.elevation_m) > SAME_HEIGHT_M:
                # It does not heed the height that is asked for, so nor would it for this yard.
                return None
            lead_m = lead.elevation_m
        height_m = yard.elevation_m
        if height_m is None and mine is not None:
            height_m = mine.height_m
        if height_m is None or lead_m is None:
            return None
        return shift_tenths(lead_m, height_m)

    def _seen(self, yard: Yard, info: SourceInfo | None, *, renew: bool) -> Iterator[KnownCell]:
        """What an answer says of the yard's cell, where that is new or to be renewed."""
        if not self._settings.share_cells or info is None:
            return
        north, east = info.returned_latitude, info.returned_longitude
        height_m = info.returned_elevation_m
        known = self._known.get(yard.name)
        if not renew and known is not None and known[2:5] == (north, east, height_m):
            return
        if north is not None and east is not None and height_m is not None:
            yield KnownCell(
                self._places[yard.name], self._name, north, east, height_m, self._fetched_at
            )

    def _past(self, yard: Yard, highs: DailyHighs | None, shift: int) -> Iterator[ObservedHigh]:
        if highs is None:
            return
        where = site(yard, self._settings.provider)
        for index, tenths in enumerate(highs.tenths):
            if tenths is not None:
                yield ObservedHigh(
                    yard=yard.name,
                    day=highs.first_day + timedelta(days=index),
                    origin="service",
                    tenths=tenths + shift,
                    noted_at=self._fetched_at,
                    place=where,
                )


class _Marks:
    """What servers marked their answers with, for `openmeteo.Memory`."""

    def __init__(self, configuration: Configuration, store: Store, now: datetime) -> None:
        self._settings = configuration.weather
        self._store = store
        self._now = now
        self._taken: list[AnswerMark] = []

    def recall(self, request: str, source: str, yards: Sequence[Yard]) -> tuple[str, str]:
        """The marks of the last answer to a request, if each yard's part of it is still newest."""
        if not self._settings.once_a_run:
            return "", ""
        mark = self._store.answer_mark(request)
        if mark is None:
            return "", ""
        heads = self.heads(source, yards)
        for yard in yards:
            head = heads.get(yard.name)
            if (
                head is None
                or (head.of_yard, head.of_fetched_at) != (yard.name, mark.fetched_at)
                or head.first_day != _today(yard, self._now)
                or head.detail.get("place") != place(yard, self._settings)
            ):
                return "", ""
        return mark.since, mark.tag

    def keep(self, request: str, since: str, tag: str) -> None:
        """To be kept with the answer that they marked."""
        instant = self._now.astimezone(UTC)
        self._taken.append(AnswerMark(request, since[:100], tag[:200], instant))

    def taken(self) -> list[AnswerMark]:
        """Those that came since the last call."""
        taken, self._taken = self._taken, []
        return taken

    def heads(self, source: str, yards: Sequence[Yard]) -> dict[str, SeriesHead]:
        """The newest series of yards."""
        if not yards:
            return {}
        return self._store.heads([yard.name for yard in yards], source, self._now + CLOCK_SLACK)


def _again(head: SeriesHead, source: str, fetched_at: datetime) -> SharedSeries:
    """That what is had is what would come now."""
    return SharedSeries(
        yard=head.yard,
        source=source,
        fetched_at=fetched_at,
        of_yard=head.of_yard,
        of_fetched_at=head.of_fetched_at,
        shift=head.shift,
        detail=head.detail,
    )


def _today(yard: Yard, now: datetime) -> date:
    return now.astimezone(ZoneInfo(yard.timezone)).date()


def _sample(
    configuration: Configuration, store: Store, yards: Sequence[Yard], now: datetime
) -> Errors:
    from windowcast.edges import sample, shipped

    settings = configuration.weather
    read = sample.read(shipped.sample_folder(), settings.sample_season, yards, now)
    rows: list[StoredSeries] = []
    for yard, weather in zip(yards, read, strict=True):
        key = place(yard, settings)
        rows.append(_of_highs(yard, weather.forecast, now, key, weather.open_days))
        rows.append(_of_members(yard, "ensemble", weather.ensemble, now, key, None))
        rows.append(_of_members(yard, "extended", weather.extended, now, key, None))
    store.save_forecasts(rows)
    return {}


def _of_highs(
    yard: Yard,
    highs: DailyHighs,
    fetched_at: datetime,
    key: list[object],
    open_days: OpenDays | None,
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
    yard: Yard,
    source: str,
    members: Members,
    fetched_at: datetime,
    key: list[object],
    run: Run | None,
) -> StoredSeries:
    detail: dict[str, object] = {"place": key}
    if run is not None:
        detail["run"] = run.made_at
    return StoredSeries(
        yard=yard.name,
        source=source,
        fetched_at=fetched_at,
        run_at=None if run is None else run.run_at,
        first_day=members.first_day,
        days=members.days,
        scenarios=members.count,
        tenths=pack_tenths(members.tenths),
        dropped=members.dropped,
        detail=detail,
    )
