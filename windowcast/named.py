"""How good the chances have been that mornings named: the store's own record, judged.

Each kept morning gave a chance to every start of a regimen; the observed highs say which of these
held. A start belongs to the record once the last day of its exposure has been observed.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from windowcast.edges.store import Store, unpack_tenths
from windowcast.errors import WindowcastError
from windowcast.language import english, marked, spoken, tr, trn
from windowcast.notice import words
from windowcast.notice.document import starts as starts_of
from windowcast.past_years import cell
from windowcast.record import site
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.yard import Yard
from windowcast.verify import (
    ALL_MONTHS,
    METHODS,
    WIDTH,
    reliability_lines,
    score_head,
    score_row,
    share_words,
    verdict,
)

if TYPE_CHECKING:
    from windowcast.sky.score import Interval, ReliabilityRow

KIND = "morning"
PICTURE_FOOT = marked("From the chances that mornings named and the highs that came.")
FEWEST_CASES = 30
# Blocks of overlapping windows that a range must rest on; fewer say nothing of how far it reaches.
FEWEST_BLOCKS = 5
CLIMATE_DAYS = 10
SAME_SEASON_DAYS = 180
NOT_IN_THE_STORE = {
    "uncalibrated": marked("the store keeps each chance as it was named and no other"),
    "plain_rule": marked("the single forecast seldom covers a whole exposure"),
    "independent_days": marked("the store keeps no chances of single days"),
}
NO_PAST_YEARS = marked(
    "past years are not kept for every yard judged; windowcast season fetches them"
)


class TooFew(WindowcastError):
    """Fewer cases than can be judged: `cases`."""

    def __init__(self, cases: int, message: str) -> None:
        super().__init__(message)
        self.cases = cases


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One start as a morning saw it, and whether it held.

    issued:      the morning's local date
    safe:        the morning said that it could be named
    climatology: the share of past years' windows near the date that held; None where not known
    """

    yard: str
    issued: date
    start: date
    chance: float
    safe: bool
    held: bool
    climatology: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Starts with a chance that say nothing yet, or nothing about this regimen.

    running:     the exposure is not over
    unobserved:  a day of the exposure has no observed high
    other:       the regimen then had another number of days
    """

    running: int = 0
    unobserved: int = 0
    other: int = 0

    @property
    def total(self) -> int:
        return self.running + self.unobserved + self.other


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRecord:
    """The scores of a record; what the store cannot give is missing from brier and the like."""

    treatment: Treatment
    regimen: Regimen
    months: tuple[int, ...]
    cases: tuple[Case, ...]
    left_out: LeftOut
    base_rate: float
    brier: dict[str, float]
    skill: dict[str, float]
    sharpness: dict[str, float]
    differences: dict[str, Interval]
    reliability: list[ReliabilityRow]
    not_computed: dict[str, str]

    @property
    def safe(self) -> list[Case]:
        """The starts that a morning said could be named."""
        return [case for case in self.cases if case.safe]


def judge(
    store: Store,
    yards: Sequence[Yard],
    provider: str,
    treatment: Treatment,
    regimen: Regimen,
    *,
    months: Sequence[int] = ALL_MONTHS,
    today: date,
) -> NamedRecord:
    """Judge every start of a regimen that the kept mornings of `yards` gave a chance.

    months:  of the morning
    today:   the earliest local date of any yard; an exposure that reaches it is not over

    Of several mornings on one date the last with a chance counts. The band is the one configured
    now, whatever it was then. Invented weather is no record and is passed over.

    Raises WindowcastError with fewer than 30 usable cases.
    """
    cases: list[Case] = []
    left_out = LeftOut()
    for yard in yards:
        found, without = _cases(store, yard, provider, treatment, regimen, months, today)
        cases += found
        left_out = LeftOut(
            running=left_out.running + without.running,
            unobserved=left_out.unobserved + without.unobserved,
            other=left_out.other + without.other,
        )
    if len(cases) < FEWEST_CASES:
        with spoken(english):
            why = _left_out(left_out)
        raise TooFew(
            len(cases),
            f"{len(cases)} usable cases of {treatment.id} {regimen.id} in the store"
            f" ({left_out.total} starts left out: {why}), but {FEWEST_CASES} are"
            " needed; nothing is scored; let mornings and observed highs gather, or give"
            " --forecasts F.csv and --observed O.csv, tables of your own",
        )
    cases.sort(key=lambda case: (case.issued, case.yard, case.start))
    return _scored(treatment, regimen, tuple(months), tuple(cases), left_out)


def _cases(
    store: Store,
    yard: Yard,
    provider: str,
    treatment: Treatment,
    regimen: Regimen,
    months: Sequence[int],
    today: date,
) -> tuple[list[Case], LeftOut]:
    seen = {one.day: one.tenths for one in store.observed(yard.name, place=site(yard, provider))}
    by_morning: dict[date, list[dict[str, Any]]] = {}
    for decision in store.decisions(yard.name, kind=KIND):
        if decision.local_date.month in months:
            rows = _rows(json.loads(decision.document), treatment, regimen)
            if rows:
                by_morning[decision.local_date] = rows
    cases: list[Case] = []
    running = unobserved = other = 0
    for issued, rows in by_morning.items():
        for row in rows:
            start = date.fromisoformat(row["start"])
            days = [start + timedelta(days=n) for n in range(regimen.exposure_days)]
            if row["exposure_days"] != regimen.exposure_days:
                other += 1
            elif days[-1] >= today:
                running += 1
            elif any(day not in seen for day in days):
                unobserved += 1
            else:
                whole = held(regimen, [seen[day] for day in days])
                cases.append(
                    Case(
                        yard=yard.name,
                        issued=issued,
                        start=start,
                        chance=row["chance"],
                        safe=row["safe"],
                        held=whole,
                    )
                )
    shares = _climatology(store, yard, regimen, sorted({case.start for case in cases}))
    cases = [replace(case, climatology=shares.get(case.start)) for case in cases]
    return cases, LeftOut(running=running, unobserved=unobserved, other=other)


def _rows(document: dict[str, Any], treatment: Treatment, regimen: Regimen) -> list[dict[str, Any]]:
    """The starts of a morning's answer that were given a chance; none from invented weather."""
    if document["forecast"]["source"] in (None, "sample"):
        return []
    return [
        row
        for one in document["treatments"]
        if one["treatment"] == treatment.id
        for row in starts_of(one)
        if row["regimen"] == regimen.id and row["chance"] is not None
    ]


def held(regimen: Regimen, tenths: Sequence[int]) -> bool:
    """Whether every high of an exposure, one a day, was inside its bounds."""
    for band, high in zip(regimen.bands, tenths, strict=True):
        low, top = band.lowest_tenths, band.highest_tenths
        if (low is not None and high < low) or (top is not None and high > top):
            return False
    return True


def _climatology(
    store: Store, yard: Yard, regimen: Regimen, starts: Sequence[date]
) -> dict[date, float]:
    """For each start the share of past years' windows within ten days of its date that held.

    Only years that the store keeps are asked, and none of the start's own season.
    """
    kept = store.past_years(cell(yard)) if starts else None
    if kept is None:
        return {}
    import numpy as np

    from windowcast.sky.climate import year_angle

    tenths = [math.nan if one is None else one for one in unpack_tenths(kept.tenths)]
    if len(tenths) < regimen.exposure_days:
        return {}
    windows = np.lib.stride_tricks.sliding_window_view(np.array(tenths), regimen.exposure_days)
    known = np.isfinite(windows).all(axis=1)
    lowest = [-math.inf if (one := band.lowest_tenths) is None else one for band in regimen.bands]
    highest = [math.inf if (one := band.highest_tenths) is None else one for band in regimen.bands]
    inside = np.greater_equal(windows, lowest) & np.less_equal(windows, highest)
    outcome = inside.all(axis=1)[known]
    begun = (np.datetime64(kept.first_day, "D") + np.arange(len(windows)))[known]
    angle = year_angle(begun)
    shares: dict[date, float] = {}
    for start in starts:
        at = np.datetime64(start, "D")
        turn = np.abs(np.mod(angle - year_angle(np.array([at]))[0] + np.pi, 2 * np.pi) - np.pi)
        near = turn * 365.25 / (2 * np.pi) <= CLIMATE_DAYS
        near &= np.abs((begun - at).astype(int)) > SAME_SEASON_DAYS
        if near.any():
            shares[start] = float(outcome[near].mean())
    return shares


def _scored(
    treatment: Treatment,
    regimen: Regimen,
    months: tuple[int, ...],
    cases: tuple[Case, ...],
    left_out: LeftOut,
) -> NamedRecord:
    import numpy as np

    from windowcast.sky import score

    held = np.array([case.held for case in cases], float)
    chances = {"chance": np.array([case.chance for case in cases])}
    not_computed = dict(NOT_IN_THE_STORE)
    shares = [case.climatology for case in cases]
    if None in shares:
        not_computed["climatology"] = NO_PAST_YEARS
    else:
        chances["climatology"] = np.array(shares, float)
    issued = np.array([case.issued for case in cases], "datetime64[D]")
    group = issued.astype("datetime64[Y]").astype(np.int64)
    # A block holds all starts of as many mornings as it takes for their windows to part.
    mornings = len(np.unique(issued))
    block = 2 * regimen.exposure_days * round(len(cases) / mornings)
    judged = len(cases) >= FEWEST_BLOCKS * block
    others = [method for method in chances if method != "chance"]
    return NamedRecord(
        treatment=treatment,
        regimen=regimen,
        months=months,
        cases=cases,
        left_out=left_out,
        base_rate=float(held.mean()),
        brier={method: score.brier(chances[method], held) for method in chances},
        skill={
            method: score.brier_skill(chances[method], held, chances["climatology"])
            for method in chances
            if "climatology" in chances
        },
        sharpness={method: score.sharpness(chances[method]) for method in chances},
        differences={
            method: score.paired_difference(
                chances["chance"], chances[method], held, group=group, block_days=block
            )
            for method in others
            if judged
        },
        reliability=score.reliability_table(
            chances["chance"],
            held,
            group=group,
            block_days=block,
            fewest_cases=FEWEST_CASES if judged else len(cases) + 1,
        ),
        not_computed=not_computed,
    )


def title(found: NamedRecord) -> tuple[str, str]:
    """What the reliability diagram says in words, and of which starts it speaks."""
    note = trn(
        "{treatment} {regimen}, {count} day: {starts} starts, {share} held; Brier score {score}",
        "{treatment} {regimen}, {count} days: {starts} starts, {share} held; Brier score {score}",
        found.regimen.exposure_days,
        treatment=found.treatment.id,
        regimen=found.regimen.id,
        starts=len(found.cases),
        share=tr("{number} %", number=round(found.base_rate * 100)),
        score=words.decimal(found.brier["chance"], 3),
    )
    return verdict(found.reliability), note


def document(found: NamedRecord) -> dict[str, Any]:
    """The JSON of `windowcast verify --json`; null for what the store cannot give."""
    safe = found.safe
    return {
        "schema": 1,
        "treatment": found.treatment.id,
        "regimen": found.regimen.id,
        "cases": len(found.cases),
        "base_rate": _rounded(found.base_rate),
        "brier": {method: _rounded(found.brier.get(method)) for method, _ in METHODS},
        "reliability": [
            {
                "from": row.lowest,
                "to": row.highest,
                "cases": row.cases,
                "mean_chance": _rounded(row.mean_chance),
                "observed": _rounded(row.observed),
                "band_low": _rounded(row.band_low),
                "band_high": _rounded(row.band_high),
            }
            for row in found.reliability
        ],
        "left_out": found.left_out.total,
        "months": list(found.months),
        "skill": {method: _rounded(found.skill.get(method)) for method, _ in METHODS},
        "sharpness": {method: _rounded(found.sharpness.get(method)) for method, _ in METHODS},
        "differences": {
            method: None
            if (one := found.differences.get(method)) is None
            else {
                "estimate": _rounded(one.estimate),
                "low": _rounded(one.low),
                "high": _rounded(one.high),
            }
            for method, _ in METHODS
            if method != "chance"
        },
        "source": "store",
        "yards": sorted({case.yard for case in found.cases}),
        "first_morning": found.cases[0].issued.isoformat(),
        "last_morning": found.cases[-1].issued.isoformat(),
        "safe": {
            "cases": len(safe),
            "held": sum(case.held for case in safe),
            "mean_chance": _rounded(_mean_chance(safe)),
        },
        "left_out_because": {
            "running": found.left_out.running,
            "unobserved": found.left_out.unobserved,
            "other_exposure": found.left_out.other,
        },
        "not_computed": found.not_computed,
    }


def lines(found: NamedRecord) -> list[str]:
    """The same as plain tables, at most 78 columns wide."""
    cases, safe = found.cases, found.safe
    parts = [
        trn(
            "{count} start judged, {share} of them held; {yards}, {mornings}, {first} to {last}.",
            "{count} starts judged, {share} of them held; {yards}, {mornings}, {first} to {last}.",
            len(cases),
            share=share_words(found.base_rate),
            yards=words.yards(len({case.yard for case in cases})),
            mornings=trn(
                "{count} morning", "{count} mornings", len({case.issued for case in cases})
            ),
            first=words.day_with_year(cases[0].issued),
            last=words.day_with_year(cases[-1].issued),
        ),
        trn(
            "{count} start left out: {why}.",
            "{count} starts left out: {why}.",
            found.left_out.total,
            why=_left_out(found.left_out),
        ),
    ]
    mean = _mean_chance(safe)
    if mean is None:
        parts.append(tr("None was safe to name."))
    else:
        held = sum(case.held for case in safe)
        parts.append(
            trn(
                "{count} was safe to name: {held} of them held, {share}; the mean chance was"
                " {chance}.",
                "{count} were safe to name: {held} of them held, {share}; their mean chance was"
                " {chance}.",
                len(safe),
                held=held,
                share=share_words(held / len(safe)),
                chance=share_words(mean),
            )
        )
    head = tr(
        "{treatment} {regimen}, {days}, as named by past mornings",
        treatment=found.treatment.id,
        regimen=found.regimen.id,
        days=words.days(found.regimen.exposure_days),
    )
    out = [head, *textwrap.wrap(" ".join(parts), WIDTH), "", score_head()]
    for method, name in (("chance", marked("chance as named")), *METHODS[1:]):
        if method in found.brier:
            out.append(
                score_row(
                    tr(name),
                    found.brier[method],
                    found.skill.get(method),
                    found.sharpness[method],
                )
            )
    always = words.decimal(found.base_rate * (1 - found.base_rate), 4)
    out.append(f"{tr('the share that held, known beforehand'):<39}{always:>7}")
    out += ["", *reliability_lines(found.reliability)]
    names = dict(METHODS)
    out += ["", tr("Not scored:")]
    for method, why in found.not_computed.items():
        text = tr("- {method}: {why}", method=tr(names[method]), why=tr(why))
        out += textwrap.wrap(text, WIDTH, subsequent_indent="  ")
    out += [
        "",
        *textwrap.wrap(
            tr(
                "Starts of one morning, and mornings near each other, share their weather: there"
                " are far fewer independent cases than starts. The band is today's."
            ),
            WIDTH,
        ),
    ]
    return out


def _left_out(found: LeftOut) -> str:
    return tr(
        "{running} not over, {unobserved} not observed whole, {other} of another length",
        running=found.running,
        unobserved=found.unobserved,
        other=found.other,
    )


def _mean_chance(cases: Sequence[Case]) -> float | None:
    return sum(case.chance for case in cases) / len(cases) if cases else None


def _rounded(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else round(float(value), 5)
