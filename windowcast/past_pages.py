"""What the pages show of the past: what was said and how it turned out, past years, and how the
chances fared."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from windowcast import named
from windowcast.edges.settings import Configuration
from windowcast.edges.store import SaidAndSent, Store
from windowcast.entering import today_at
from windowcast.errors import UsageError, WeatherError, WindowcastError
from windowcast.language import tr, trn
from windowcast.notice import chart, page_views, season_lines, words
from windowcast.notice.page_views import (
    ChanceRow,
    ChancesOf,
    SeasonHalf,
    SeasonPage,
    SeasonRow,
    Told,
)
from windowcast.notice.plain import LICENCES, attribution
from windowcast.recipients import PUSH
from windowcast.record import site
from windowcast.season import answer_season, season_days
from windowcast.trade.course import Course, courses
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.yard import Yard
from windowcast.window.season import PastRegimen, PastStart, SeasonAnswer, half_months, pooled

PATIENCE_S = 3.0
TOLD_DAYS = 200
TOLD_SHOWN = 40
YARDS_JUDGED = 50
"""Of more than this many the first so many are judged: each has hundreds of mornings to read."""


class _Said(NamedTuple):
    """The same thing said, on one or more days on end."""

    first: date
    last: date
    document: Mapping[str, Any]
    change: str
    to: tuple[str, ...]


class _Outcome(NamedTuple):
    text: str
    held: bool | None


def told(
    configuration: Configuration, store: Store, yard: Yard, *, now: datetime
) -> tuple[tuple[Told, ...], str]:
    """What was said of a yard to whom and how it turned out, the newest first; and the whole of it
    in a sentence."""
    zone = ZoneInfo(yard.timezone)
    today = today_at(yard, now)
    provider = configuration.weather.provider
    seen = {one.day: one.tenths for one in store.observed(yard.name, place=site(yard, provider))}
    begun = courses(store.journal(yard.name))
    every = _joined(store.said_and_sent(yard.name, now - timedelta(days=TOLD_DAYS)), zone)
    found: list[Told] = []
    # A start that several notices named is one start.
    judged: dict[tuple[str, str, str], bool] = {}
    for one in every:
        outcome = _outcome(configuration, one.document, seen, begun, today)
        if outcome.held is not None:
            key = (one.document["treatment"], one.document["regimen"], one.document["start"])
            judged[key] = outcome.held
        found.append(
            Told(
                when=words.span(one.first, one.last),
                what=_said_words(configuration, one),
                to=one.to,
                outcome=outcome.text,
                held=outcome.held,
            )
        )
    note = ""
    if judged:
        note = trn(
            "{count} start that was named is over and observed: {held} held.",
            "{count} starts that were named are over and observed: {held} held.",
            len(judged),
            held=sum(judged.values()),
        )
    return tuple(reversed(found[-TOLD_SHOWN:])), note


def _joined(rows: Sequence[SaidAndSent], zone: ZoneInfo) -> list[_Said]:
    """By day and by what was said, who was told; days on end that say the same are one."""
    by_day: dict[tuple[date, str], list[SaidAndSent]] = {}
    for row in rows:
        day = row.told_at.astimezone(zone).date()
        what = f"{row.document.get('treatment')} {row.document.get('regimen')}"
        what += f" {row.document.get('start')} {row.document.get('danger')} {row.change}"
        by_day.setdefault((day, what), []).append(row)
    found: list[_Said] = []
    for (day, _), each in by_day.items():
        one = _Said(
            first=day,
            last=day,
            document=each[-1].document,
            change=each[0].change,
            to=tuple(_reached(row, zone) for row in each),
        )
        before = found[-1] if found else None
        if before is not None and _goes_on(before, one):
            found[-1] = one._replace(first=before.first)
        else:
            found.append(one)
    return found


def _goes_on(before: _Said, one: _Said) -> bool:
    keys = ("treatment", "regimen", "start", "danger", "known")
    return (
        one.change == "unchanged"
        and timedelta(0) <= one.first - before.last <= timedelta(days=1)
        and all(before.document.get(key) == one.document.get(key) for key in keys)
    )


def _reached(row: SaidAndSent, zone: ZoneInfo) -> str:
    """Who was told and how it got there."""
    who = row.recipient or tr("printed")
    if row.recipient == PUSH:
        who = tr("the other channels")
    if row.state == "sent" and row.sent_at is not None:
        hour = f"{row.sent_at.astimezone(zone):%H:%M}"
        return tr("{who}, sent at {hour}", who=who, hour=hour)
    if row.state == "waiting":
        return tr("{who}, waits to be sent", who=who)
    if row.state == "refused":
        return tr("{who}, refused: {why}", who=who, why=row.error)
    if row.state == "superseded":
        return tr("{who}, overtaken by a newer notice", who=who)
    return who


def _said_words(configuration: Configuration, one: _Said) -> str:
    document = one.document
    if document.get("danger"):
        return tr("What is in is in danger")
    if not document.get("known", True):
        return tr("No usable forecast")
    start = document.get("start")
    if start is None:
        return tr("No start was named") if one.change != "withdrawn" else tr("Start withdrawn")
    treatment, regimen = _way(configuration, document)
    name = document.get("treatment", "")
    how = document.get("regimen", "")
    if treatment is not None:
        name = words.treatment_plural(treatment)
    if regimen is not None:
        how = words.regimen(regimen)
    chance = document.get("chance")
    day = words.day(date.fromisoformat(start))
    if chance is None:
        return tr("Start {day}: {name}, {how}", day=day, name=name, how=how)
    return tr(
        "Start {day}: {name}, {how}, {chance}",
        day=day,
        name=name,
        how=how,
        chance=words.percent(chance),
    )


def _way(
    configuration: Configuration, document: Mapping[str, Any]
) -> tuple[Treatment | None, Regimen | None]:
    """The treatment and the regimen that were named, as they are configured now."""
    for treatment in configuration.treatments:
        if treatment.id == document.get("treatment"):
            for regimen in treatment.regimens:
                if regimen.id == document.get("regimen"):
                    return treatment, regimen
            return treatment, None
    return None, None


def _outcome(
    configuration: Configuration,
    document: Mapping[str, Any],
    seen: Mapping[date, int],
    begun: Sequence[Course],
    today: date,
) -> _Outcome:
    """What came of a start that was named, by the observed highs and today's bands."""
    if document.get("start") is None:
        return _Outcome("", None)
    treatment, regimen = _way(configuration, document)
    start = date.fromisoformat(document["start"])
    if treatment is None or regimen is None:
        return _Outcome(tr("This regimen is no longer in treatments.toml."), None)
    used = any(one.start == start and one.treatment.id == treatment.id for one in begun)
    done = tr("It was put in on that day.") if used else ""
    if configuration.weather.provider == "sample":
        return _joined_up(done, tr("Invented weather is not judged."), None)
    days = [start + timedelta(days=n) for n in range(regimen.exposure_days)]
    for band, day in zip(regimen.bands, days, strict=True):
        high = seen.get(day)
        low, top = band.lowest_tenths, band.highest_tenths
        if high is None or ((low is None or high >= low) and (top is None or high <= top)):
            continue
        text = tr(
            "Did not hold: {day} came to {high}.",
            day=words.day(day),
            high=words.degrees(high / 10, configuration.units),
        )
        return _joined_up(done, text, False)
    if days[-1] >= today:
        if start > today:
            return _joined_up(done, tr("Still ahead."), None)
        return _joined_up(done, tr("Not over yet: ends {day}.", day=words.day(days[-1])), None)
    lacking = sum(day not in seen for day in days)
    if lacking:
        text = trn(
            "Not known: {count} day was not observed.",
            "Not known: {count} days were not observed.",
            lacking,
        )
        return _joined_up(done, text, None)
    hottest = max(seen[day] for day in days) / 10
    text = tr("Held: hottest {high}.", high=words.degrees(hottest, configuration.units))
    return _joined_up(done, text, True)


def _joined_up(done: str, text: str, held: bool | None) -> _Outcome:
    return _Outcome(f"{text} {done}".strip(), held)


def season_page(
    configuration: Configuration, store: Store, yard: Yard, *, now: datetime
) -> SeasonPage:
    """Past years of a yard's first treatment; nothing is fetched for it."""
    invented = configuration.weather.provider == "sample"
    try:
        answer = answer_season(
            configuration,
            store,
            yard,
            season_days(yard, None, None),
            treatment_id=None,
            now=now,
            say=_nobody,
            stored_only=True,
        )
    except WeatherError as error:
        return SeasonPage(
            name=yard.name,
            slug=page_views.slug(yard.name),
            title=tr("No past years yet"),
            note="",
            regimens=(),
            rows=(),
            first=(),
            without=(),
            with_now=False,
            advice=(),
            sources=(),
            invented=invented,
            trouble=str(error),
        )
    past = answer.past
    return SeasonPage(
        name=yard.name,
        slug=page_views.slug(yard.name),
        title=chart.season_title(answer),
        note=trn(
            "Share of {count} past year ({first} to {last}) in which every day of the exposure was"
            " inside its band.",
            "Share of {count} past years ({first} to {last}) in which every day of the exposure was"
            " inside its band.",
            past.years,
            first=past.first_year,
            last=past.last_year,
        ),
        regimens=tuple(words.regimen(one.regimen) for one in past.regimens),
        rows=tuple(_season_rows(answer)),
        first=tuple(season_lines.median_words(one) for one in past.regimens),
        without=tuple(
            "–" if one.share_without is None else words.percent(float(one.share_without))
            for one in past.regimens
        ),
        with_now=season_lines.has_now(answer),
        advice=tuple(season_lines.instead_pieces(answer)),
        sources=tuple(
            text
            for text in (
                attribution(answer.attribution),
                tr(LICENCES[answer.source]) if answer.source in LICENCES else "",
                tr(
                    "What past years allowed is no forecast."
                    " The label and local law decide, always."
                ),
            )
            if text
        ),
        invented=invented,
    )


def _nobody(_: str) -> None:
    """There is nobody to tell."""


def _season_rows(answer: SeasonAnswer) -> list[SeasonRow]:
    rows = []
    for halves in zip(*(half_months(one.starts) for one in answer.past.regimens), strict=True):
        rows.append(
            SeasonRow(
                span=season_lines.span_words(halves[0]),
                cells=tuple(
                    _half(answer, one, half)
                    for one, half in zip(answer.past.regimens, halves, strict=True)
                ),
            )
        )
    return rows


def _half(answer: SeasonAnswer, one: PastRegimen, half: Sequence[PastStart]) -> SeasonHalf:
    share = pooled(half)
    chances = [
        answer.now[one.regimen.id, start.day]
        for start in half
        if (one.regimen.id, start.day) in answer.now
    ]
    shown = ""
    if chances:
        low, high = words.percent(min(chances)), words.percent(max(chances))
        shown = low if low == high else tr("{low} to {high}", low=low, high=high)
    return SeasonHalf(
        share=None if share is None else float(share),
        shown="–" if share is None else words.percent(float(share)),
        now=shown,
    )


class Busy(Exception):
    """Somebody else's request is working it out."""


class Records:
    """How the chances of each regimen fared, worked out at most once a day and kept.

    `all` and `picture` raise Busy where another request is at it for some seconds more.
    """

    def __init__(self, configuration: Configuration) -> None:
        self._configuration = configuration
        self._kept: dict[tuple[str, str], tuple[date, named.NamedRecord | str]] = {}
        self._pictures: dict[tuple[str, str], tuple[date, bytes]] = {}
        # What draws keeps its settings in one place for all threads.
        self._lock = threading.Lock()

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if not self._lock.acquire(timeout=PATIENCE_S):
            raise Busy
        try:
            yield
        finally:
            self._lock.release()

    def ways(self) -> list[tuple[Treatment, Regimen]]:
        """Every regimen of the treatments that are some yard's first."""
        firsts = {yard.treatments[0] for yard in self._configuration.yards if yard.treatments}
        return [
            (treatment, regimen)
            for treatment in self._configuration.treatments
            if treatment.id in firsts
            for regimen in treatment.regimens
        ]

    def all(self, store: Store, now: datetime) -> tuple[ChancesOf, ...]:
        """One for each way."""
        with self._turn():
            return tuple(
                self._view(treatment, regimen, self._record(store, treatment, regimen, now))
                for treatment, regimen in self.ways()
            )

    def picture(self, store: Store, name: str, now: datetime) -> bytes | None:
        """The reliability diagram of that name, as a PNG; None: there is none."""
        today = now.astimezone(UTC).date()
        with self._turn():
            for treatment, regimen in self.ways():
                if picture_name(treatment, regimen) != name:
                    continue
                record = self._record(store, treatment, regimen, now)
                if isinstance(record, str) or not _can_draw():
                    return None
                key = (treatment.id, regimen.id)
                kept = self._pictures.get(key)
                if kept is None or kept[0] != today:
                    kept = self._pictures[key] = (today, _drawn(record))
                return kept[1]
        return None

    def _record(
        self, store: Store, treatment: Treatment, regimen: Regimen, now: datetime
    ) -> named.NamedRecord | str:
        """The record, or why there is none."""
        yards = self._configuration.yards[:YARDS_JUDGED]
        today = min(today_at(yard, now) for yard in yards)
        key = (treatment.id, regimen.id)
        kept = self._kept.get(key)
        if kept is not None and kept[0] == today:
            return kept[1]
        found: named.NamedRecord | str
        try:
            found = named.judge(
                store, yards, self._configuration.weather.provider, treatment, regimen, today=today
            )
        except named.TooFew as error:
            found = trn(
                "{count} start that a morning gave a chance is over and observed; {needed} are"
                " needed to judge.",
                "{count} starts that mornings gave a chance are over and observed; {needed} are"
                " needed to judge.",
                error.cases,
                needed=named.FEWEST_CASES,
            )
        except WindowcastError as error:
            found = str(error)
        self._kept[key] = (today, found)
        return found

    def _view(
        self, treatment: Treatment, regimen: Regimen, record: named.NamedRecord | str
    ) -> ChancesOf:
        title = tr(
            "{name}: {how}", name=words.treatment_plural(treatment), how=words.regimen(regimen)
        )
        if isinstance(record, str):
            trouble = record
            if self._configuration.weather.provider == "sample":
                trouble = tr("Invented weather is no record: there is nothing to judge.")
            return ChancesOf(title, "", "", (), "", trouble)
        verdict, note = named.title(record)
        if len(self._configuration.yards) > YARDS_JUDGED:
            note = tr("{note}. Of the first {count} yards.", note=note, count=YARDS_JUDGED)
        return ChancesOf(
            title=title,
            verdict=verdict,
            note=note,
            rows=tuple(
                ChanceRow(
                    span=tr(
                        "{low} to {high} %",
                        low=round(row.lowest * 100),
                        high=round(row.highest * 100),
                    ),
                    cases=row.cases,
                    said=words.percent(row.mean_chance),
                    held=words.percent(row.observed),
                    expected=tr("too few to judge")
                    if row.band_low is None or row.band_high is None
                    else tr(
                        "{low} to {high}",
                        low=words.percent(row.band_low),
                        high=words.percent(row.band_high),
                    ),
                    verdict={True: tr("as said"), False: tr("outside"), None: ""}[row.consistent],
                )
                for row in record.reliability
            ),
            picture=picture_name(treatment, regimen) if _can_draw() else "",
            trouble="",
        )


def picture_name(treatment: Treatment, regimen: Regimen) -> str:
    """What the diagram of a regimen is called as a file."""
    return f"chances-{treatment.id}-{regimen.id}.png"


def _can_draw() -> bool:
    try:
        chart.check_available()
    except UsageError:
        return False
    return True


def _drawn(record: named.NamedRecord) -> bytes:
    import numpy as np

    return chart.reliability_picture(
        record.reliability,
        np.array([case.chance for case in record.cases]),
        *named.title(record),
        "png",
        foot=tr(named.PICTURE_FOOT),
    )
