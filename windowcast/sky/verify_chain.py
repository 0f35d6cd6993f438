"""The whole chain, judged on past mornings as if on each of them.

Everything fitted (climate, error statistics, base rates) leaves the judged calendar year out; where
the record spans less than two years it leaves out the judged block. Either way a gap as long as the
last day ahead is left out on both sides, because windows reach beyond the fold they begin in. What
the chain is *told* on a morning (forecast, the issue before, observed highs up to the day before)
is of that morning, as it would be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowcast import progress
from windowcast.sky.calibrate import (
    MONTH_DAYS,
    Bools,
    ErrorStatistics,
    Record,
    built_in,
    calibrate,
    cases_of,
    expected_course,
    learn,
    residual_courses,
)
from windowcast.sky.climate import FEWEST_DAYS, Climate, Floats, fit_climate, year_angle
from windowcast.sky.score import (
    BrierParts,
    Interval,
    ReliabilityRow,
    brier,
    brier_parts,
    brier_skill,
    paired_difference,
    reliability_table,
    sharpness,
)

STEP = "years judged"
"""What is told of how far it is, of each archive anew."""
METHODS = ("chance", "uncalibrated", "climatology", "plain_rule", "independent_days")
FEWEST_CASES = 30
BLOCKS = 6
TWO_YEARS_DAYS = 730
SAME_SEASON_DAYS = 400
# A case of another yard counts as a third of one's own.
OTHER_YARD_WEIGHT = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class YardArchive:
    """Past forecasts and observed highs of one yard.

    first_day:  first calendar day of both arrays
    observed_c: (d,) °C, NaN where missing
    member_c:   (d, n, m) highs forecast on each day for `leads` days ahead, m = 1 for single
                forecasts, NaN where missing
    leads:      (n,) consecutive days ahead, from 0 or more
    judged:     (d,) the issues whose own first day is the first of `leads`; the others are only
                learned from
    """

    name: str
    first_day: np.datetime64
    observed_c: Floats
    member_c: Floats
    leads: NDArray[np.int64]
    judged: Bools


class TooLittle(ValueError):
    """A record from which nothing can be said; not a mistake in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """Judged mornings.

    yard, issue_day, held: (c,) of each case, by day, then by name; chances: method -> (c,)
    left_out:   issues in the months asked for that do not cover the whole exposure from their first
                day on, or whose window was not observed
    """

    yard: NDArray[np.int64]
    issue_day: NDArray[np.datetime64]
    held: Floats
    chances: dict[str, Floats]
    left_out: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification(Judged):
    """Judged mornings and their scores.

    differences: method -> Brier of the chance minus Brier of that method, 90 % interval
    """

    base_rate: float
    brier: dict[str, float]
    skill: dict[str, float]
    sharpness: dict[str, float]
    parts: BrierParts
    reliability: list[ReliabilityRow]
    differences: dict[str, Interval]


def archives_from_rows(
    name: str,
    *,
    issued: NDArray[np.datetime64],
    day: NDArray[np.datetime64],
    high_c: Floats,
    observed_day: NDArray[np.datetime64],
    observed_c: Floats,
    exposure_days: int,
    scenario: NDArray[np.int64] | None = None,
) -> list[YardArchive]:
    """One yard's tables as arrays, one archive for each first day ahead that occurs.

    Each issue is judged in the archive that begins on its own first day; it is learned from in
    every archive whose days it covers. A scenario that an issue lacks leaves that issue uncovered.

    Raises ValueError, naming rows from 1, for an issue after its day, or a repeated row.
    """
    made = np.asarray(issued).astype("datetime64[D]")
    target = np.asarray(day).astype("datetime64[D]")
    seen = np.asarray(observed_day).astype("datetime64[D]")
    if len(made) == 0 or len(seen) == 0:
        raise ValueError(f"{name}: no forecast rows or no observed rows")
    lead = (target - made).astype(int)
    if (lead < 0).any():
        rows = (np.flatnonzero(lead < 0)[:5] + 1).tolist()
        raise ValueError(f"{name}: issued after its day in forecast rows {rows}")
    who = np.zeros(len(made), np.int64) if scenario is None else np.asarray(scenario)
    members, member = np.unique(who, return_inverse=True)
    first = min(made.min(), seen.min())
    last = max(target.max(), seen.max())
    count = int((last - first).astype(int)) + 1
    day_index = (made - first).astype(int)
    none = int(lead.max()) + 1
    own_first = np.full(count, none)
    np.minimum.at(own_first, day_index, lead)
    keys = (day_index * none + lead) * len(members) + member
    _, once, times = np.unique(keys, return_index=True, return_counts=True)
    if (times > 1).any():
        rows = np.sort(once[times > 1])[:5] + 1
        raise ValueError(f"{name}: forecast rows given more than once, first at {rows.tolist()}")
    seen_index = (seen - first).astype(int)
    if len(np.unique(seen_index)) < len(seen_index):
        order = np.argsort(seen_index, kind="stable")
        again = order[1:][np.diff(seen_index[order]) == 0]
        raise ValueError(f"{name}: observed rows repeat a day, at {(again[:5] + 1).tolist()}")
    observed = np.full(count, np.nan)
    observed[seen_index] = observed_c
    found = []
    for begin in np.unique(own_first[own_first < none]).tolist():
        highs = np.full((count, exposure_days, len(members)), np.nan)
        inside = (lead >= begin) & (lead < begin + exposure_days)
        highs[day_index[inside], lead[inside] - begin, member[inside]] = np.asarray(high_c)[inside]
        found.append(
            YardArchive(
                name=name,
                first_day=first,
                observed_c=observed,
                member_c=highs,
                leads=np.arange(begin, begin + exposure_days),
                judged=own_first == begin,
            )
        )
    return found


def _folds(days: NDArray[np.datetime64], archive: YardArchive) -> NDArray[np.int64]:
    """(d,) the fold each day is judged in: its year, or one of six blocks.

    Years, where two years were observed and the issues come back to the same season; blocks of the
    days from the first issue to the last otherwise. Days outside those are in no block (-1).
    """
    known = np.flatnonzero(np.isfinite(archive.observed_c))
    made = np.flatnonzero(np.isfinite(archive.member_c).any(axis=(1, 2)))
    two_years = len(known) > 0 and known[-1] - known[0] + 1 >= TWO_YEARS_DAYS
    if two_years and made[-1] - made[0] >= SAME_SEASON_DAYS:
        year: NDArray[np.int64] = days.astype("datetime64[Y]").astype(np.int64) + 1970
        return year
    edges = np.linspace(made[0], made[-1] + 1, BLOCKS + 1)
    block = np.searchsorted(edges, np.arange(len(days)), side="right") - 1
    return np.where(block < BLOCKS, block, -1)


def _kept(archive: YardArchive, days_out: NDArray[np.datetime64], gap_days: int) -> Bools:
    """Days of an archive that lie more than gap_days away from every day left out."""
    days = archive.first_day + np.arange(len(archive.observed_c))
    ordered = np.sort(days_out)
    after = ordered[np.minimum(np.searchsorted(ordered, days), len(ordered) - 1)]
    before = ordered[np.maximum(np.searchsorted(ordered, days) - 1, 0)]
    gap = np.minimum(np.abs((after - days).astype(int)), np.abs((days - before).astype(int)))
    kept: Bools = gap > gap_days
    return kept


def _inside(high_c: Floats, lower_c: Floats, upper_c: Floats) -> Bools:
    tenths = np.round(high_c, 1)
    inside: Bools = (tenths >= lower_c) & (tenths <= upper_c)
    return inside


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """Issues of one archive in the months asked for: judged, course_c and held by day."""

    judged: Bools
    course_c: Floats
    held: Floats
    left_out: int


def _asked(archive: YardArchive, lower: Floats, upper: Floats, months: Sequence[int]) -> _Asked:
    count = len(archive.observed_c)
    days = archive.first_day + np.arange(count)
    month = days.astype("datetime64[M]").astype(int) % 12 + 1
    asked = archive.judged & np.isin(month, list(months))
    index = np.minimum(np.arange(count)[:, None] + archive.leads, count - 1)
    reach = np.arange(count) + int(archive.leads[-1]) < count
    course_c = np.where(reach[:, None], archive.observed_c[index], np.nan)
    usable = np.isfinite(archive.member_c).all(axis=(1, 2)) & np.isfinite(course_c).all(axis=1)
    return _Asked(
        judged=asked & usable,
        course_c=course_c,
        held=_inside(course_c, lower, upper).all(axis=1).astype(float),
        left_out=int((asked & ~usable).sum()),
    )


def judge_cases(
    archives: Sequence[YardArchive],
    *,
    lower_c: Floats,
    upper_c: Floats,
    months: Sequence[int] = tuple(range(1, 13)),
    columns: int = 1000,
    seed: int = 0,
) -> Judged:
    """Judge, for each issue, a start on the first day it covers.

    lower_c, upper_c: (n,) bounds of each day of the exposure, inside; infinite where none
    months:           of the issue day
    columns:          courses simulated for each case

    The other methods, on the same cases and with the same days left out: `climatology`, the share
    of the kept years' windows within ten days of the date that held; `plain_rule`, 1 where all
    forecast highs are inside; `uncalibrated`, the share of raw members, or, for single forecasts,
    the forecast dressed with the kept raw error courses within 35 days of the date;
    `independent_days`, the calibrated chances of the single days multiplied.

    Raises TooLittle with fewer than 30 cases, or with too few observed days outside a fold.
    """
    lower, upper = np.asarray(lower_c, np.float64), np.asarray(upper_c, np.float64)
    n = len(lower)
    names = sorted({archive.name for archive in archives})
    for archive in archives:
        if len(archive.leads) != n:
            raise ValueError(f"{archive.name}: {len(archive.leads)} days ahead, exposure {n}")
    every = [_asked(archive, lower, upper, months) for archive in archives]
    left_out = sum(one.left_out for one in every)
    usable = sum(int(one.judged.sum()) for one in every)
    if usable < FEWEST_CASES:
        raise TooLittle(
            f"{usable} usable cases ({left_out} issues left out), but {FEWEST_CASES} are needed"
        )
    found: list[tuple[int, np.datetime64, float, list[float]]] = []
    for which, (archive, asked) in enumerate(zip(archives, every, strict=True)):
        days = archive.first_day + np.arange(len(archive.observed_c))
        if not asked.judged.any():
            continue
        fold = _folds(days, archive)
        # Windows that begin in the fold end after it.
        gap = int(archive.leads[-1])
        folds = np.unique(fold[asked.judged])
        for number, one in enumerate(folds):
            progress.step(STEP, number, len(folds))
            judged = np.flatnonzero(asked.judged & (fold == one))
            rng = np.random.default_rng([seed, which, int(one)])
            chances = _judge_fold(
                archives, which, judged, days[fold == one], gap, asked, lower, upper, columns, rng
            )
            found += [
                (
                    names.index(archive.name),
                    days[i],
                    asked.held[i],
                    [chances[m][k] for m in METHODS],
                )
                for k, i in enumerate(judged)
            ]
        progress.step(STEP, len(folds), len(folds))
    found.sort(key=lambda row: (row[1], row[0]))
    outcome = np.array([row[2] for row in found])
    table = np.array([row[3] for row in found])
    chances = {m: table[:, k] for k, m in enumerate(METHODS)}
    issue_day = np.array([row[1] for row in found])
    yards = np.array([row[0] for row in found])
    return Judged(yard=yards, issue_day=issue_day, held=outcome, chances=chances, left_out=left_out)


def verify(
    archives: Sequence[YardArchive],
    *,
    lower_c: Floats,
    upper_c: Floats,
    months: Sequence[int] = tuple(range(1, 13)),
    columns: int = 1000,
    seed: int = 0,
) -> Verification:
    """`judge_cases`, and the scores of what it finds. Raises as it does."""
    cases = judge_cases(
        archives, lower_c=lower_c, upper_c=upper_c, months=months, columns=columns, seed=seed
    )
    outcome, chances, issue_day = cases.held, cases.chances, cases.issue_day
    # Yards share their weather: a block takes the mornings of all of them together.
    group = issue_day.astype("datetime64[Y]").astype(np.int64)
    block = 2 * len(lower_c) * round(len(issue_day) / len(np.unique(issue_day)))
    scores = {m: brier(chances[m], outcome) for m in METHODS}
    return Verification(
        yard=cases.yard,
        issue_day=issue_day,
        held=outcome,
        chances=chances,
        left_out=cases.left_out,
        base_rate=float(outcome.mean()),
        brier=scores,
        skill={m: brier_skill(chances[m], outcome, chances["climatology"]) for m in METHODS},
        sharpness={m: sharpness(chances[m]) for m in METHODS},
        parts=brier_parts(chances["chance"], outcome),
        reliability=reliability_table(
            chances["chance"], outcome, group=group, block_days=block, seed=seed
        ),
        differences={
            m: paired_difference(
                chances["chance"], chances[m], outcome, group=group, block_days=block, seed=seed
            )
            for m in METHODS
            if m != "chance"
        },
    )


def _judge_fold(
    archives: Sequence[YardArchive],
    yard: int,
    judged: NDArray[np.int64],
    days_out: NDArray[np.datetime64],
    gap: int,
    asked: _Asked,
    lower: Floats,
    upper: Floats,
    columns: int,
    rng: np.random.Generator,
) -> dict[str, Floats]:
    archive = archives[yard]
    course_c, held = asked.course_c, asked.held
    order = [yard] + [
        k
        for k, other in enumerate(archives)
        if k != yard and other.name != archive.name and other.leads[0] == archive.leads[0]
    ]
    pooled, use = [], []
    for k in order:
        other = archives[k]
        keep = _kept(other, days_out, gap)
        known = keep & np.isfinite(other.observed_c)
        if known.sum() < FEWEST_DAYS:
            if k != yard:
                continue
            raise TooLittle(
                f"{other.name}: {int(known.sum())} observed days outside the judged stretch "
                f"{days_out.min()} to {days_out.max()}, but {FEWEST_DAYS} are needed"
            )
        other_days = other.first_day + np.arange(len(keep))
        climate_k = fit_climate(other_days, np.where(keep, other.observed_c, np.nan))
        if k == yard:
            climate = climate_k
        mean = other.member_c.mean(axis=2)
        record = Record(
            first_day=other.first_day,
            observed_c=other.observed_c,
            forecast_c=mean,
            leads=other.leads,
            spread_k=other.member_c.std(axis=2) if other.member_c.shape[2] > 1 else None,
        )
        cases = cases_of(record, climate_k)
        end = np.minimum(np.arange(len(keep)) + int(other.leads[-1]), len(keep) - 1)
        pooled.append(cases)
        use.append(keep & keep[end])
    own, own_use = pooled[0], use[0]
    days = archive.first_day + np.arange(len(archive.observed_c))
    angle = year_angle(days)
    members = archive.member_c.shape[2]
    # Ten-day groups share one set of statistics.
    group = np.round(angle[judged] / (2 * np.pi) * 36).astype(int)
    centres = np.unique(group)
    statistics = learn(
        pooled,
        built_in(archive.leads, ensemble=members > 1),
        use=use,
        yard_weights=[1.0] + [OTHER_YARD_WEIGHT] * (len(pooled) - 1),
        season_angle=centres * 2 * np.pi / 36,
    )
    result = {m: np.full(len(judged), np.nan) for m in METHODS}
    train = own.whole & own_use
    window_known = own_use & np.isfinite(course_c).all(axis=1)
    error = archive.member_c.mean(axis=2) - course_c
    for centre in centres:
        rows = np.flatnonzero(group == centre)
        at = judged[rows]
        if members > 1:
            for row, i in zip(rows, at, strict=True):
                inside = _calibrated_inside(
                    archive, int(i), climate, statistics, lower, upper, columns, rng
                )
                result["chance"][row] = inside.all(axis=1).mean()
                result["independent_days"][row] = inside.mean(axis=0).prod()
            continue
        turn = float(centre * 2 * np.pi / 36)
        courses, left = expected_course(statistics, turn, own.known[at])
        # Fresh courses for each case: shared ones would shift a whole ten-day group together.
        residual = residual_courses(statistics, turn, left, len(at) * columns, rng)
        residual = residual.reshape(len(at), columns, -1)
        target = days[at][:, None] + archive.leads
        mean_c, spread_k = climate.mean_c(target), climate.spread_k(target)
        high_c = mean_c[:, None] + spread_k[:, None] * (courses[:, None] + residual)
        inside = _inside(high_c, lower, upper)
        result["chance"][rows] = inside.all(axis=2).mean(axis=1)
        result["independent_days"][rows] = inside.mean(axis=1).prod(axis=1)
    forecast = archive.member_c[judged]
    raw_inside = _inside(forecast, lower[:, None], upper[:, None])
    centre_inside = _inside(forecast.mean(axis=2), lower, upper)
    result["plain_rule"] = centre_inside.all(axis=1).astype(float)
    result["uncalibrated"] = raw_inside.all(axis=1).mean(axis=1)
    base = float(held[window_known].mean()) if window_known.any() else 0.5
    for k, i in enumerate(judged):
        gap_days = (
            np.abs(np.mod(angle - angle[i] + np.pi, 2 * np.pi) - np.pi) * 365.25 / (2 * np.pi)
        )
        near = window_known & (gap_days <= 10)
        result["climatology"][k] = held[near].mean() if near.any() else base
        if members == 1:
            close = train & (gap_days <= 35)
            if close.any():
                dressed = forecast[k, :, 0] - error[close]
                result["uncalibrated"][k] = _inside(dressed, lower, upper).all(axis=1).mean()
    return result


def _calibrated_inside(
    archive: YardArchive,
    issue: int,
    climate: Climate,
    statistics: ErrorStatistics,
    lower: Floats,
    upper: Floats,
    columns: int,
    rng: np.random.Generator,
) -> Bools:
    """(columns, n) which highs of the calibrated members are inside: the morning's own engine."""
    issue_day = archive.first_day + issue
    members = archive.member_c.shape[2]
    previous = archive.member_c[issue - 1, 1:].mean(axis=1) if issue else None
    out = calibrate(
        archive.member_c[issue],
        first_day=issue_day + int(archive.leads[0]),
        issue_day=issue_day,
        climate=climate,
        statistics=statistics,
        recent_c=archive.observed_c[max(issue - MONTH_DAYS, 0) : issue],
        previous_c=previous,
        columns=members * max(round(columns / members), 1),
        seed=int(rng.integers(2**31)),
    )
    return _inside(out.high_c.T.astype(np.float64), lower, upper)
