"""How good the named chances would have been, from tables of past forecasts and observed highs.

Tables are read and checked here, judged in `windowcast.sky.verify_chain`, and put into words here.
Nothing in a table is guessed: what cannot be read as it stands is an error that names its lines.
"""

from __future__ import annotations

import math
import re
import textwrap
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from windowcast.errors import UsageError, WindowcastError
from windowcast.language import marked, tr, trn
from windowcast.notice import words
from windowcast.trade.treatment import Regimen, Treatment

if TYPE_CHECKING:
    import pandas as pd

    from windowcast.sky.score import ReliabilityRow
    from windowcast.sky.verify_chain import Verification

Say = Callable[[str], None]

LOWEST_C, HIGHEST_C = -90.0, 60.0
"""The lowest and highest air temperatures ever measured lie just inside: -89.2 and 56.7 °C."""
NAMED_LINES = 5
ALL_MONTHS = tuple(range(1, 13))
METHODS = (
    ("chance", marked("calibrated chance")),
    ("uncalibrated", marked("uncalibrated")),
    ("climatology", marked("climatology")),
    ("plain_rule", marked("plain rule: all forecast highs inside")),
    ("independent_days", marked("product of daily chances")),
)
"""Each with its name, of at most 38 columns, as `lines` lays them out."""
WIDTH = 78
# Another unit shows where a whole table lies this far from the other, which no forecast does.
MIXED_UNITS_K = 12.0
# A single row is taken for the other unit only at short range, where the miss cannot be real.
SHORT_RANGE_DAYS, ROW_MISS_K, ROW_FIT_K = 3, 25.0, 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What `verify` answers: whose windows, in which months, and how the chances fared."""

    treatment: Treatment
    regimen: Regimen
    months: tuple[int, ...]
    found: Verification


def months_of(text: str) -> tuple[int, ...]:
    """Months of the year from "7-10", "11-2" (over the new year) or "8".

    Raises UsageError for anything else.
    """
    match = re.fullmatch(r"\s*(\d{1,2})\s*(?:-\s*(\d{1,2})\s*)?", text)
    ends = [int(part) for part in match.groups() if part is not None] if match else []
    if not ends or not all(1 <= month <= 12 for month in ends):
        raise UsageError(
            f"--months is {text!r}, but may be one month or two with a dash, each 1 to 12, such as"
            " 7-10, 11-2 or 8"
        )
    first, last = ends[0], ends[-1]
    return tuple((first - 1 + step) % 12 + 1 for step in range((last - first) % 12 + 1))


def judge(
    treatment: Treatment,
    regimen: Regimen,
    forecasts: Path,
    observed: Path,
    *,
    months: Sequence[int] = ALL_MONTHS,
    say: Say,
) -> Judgement:
    """Judge every issue of every yard in the tables.

    months: of the issue day

    Each issue is asked for a start on the first day it covers. Issues that do not cover the whole
    exposure, or whose days were not all observed, are left out and counted.

    Raises UsageError for a table that cannot be used as it stands, WindowcastError where it is
    sound but holds too little to score.
    """
    from windowcast.sky import verify_chain

    issues = _read_forecasts(forecasts)
    seen = _read_observed(observed)
    _check_yards(issues, forecasts, seen, observed, say)
    _check_units(issues, forecasts, seen, observed)
    _tell_gaps(issues, forecasts, say)
    asked = issues[issues["issued"].dt.month.isin(months)]
    made = len(asked.groupby(["yard", "issued"]))
    empty = made - len(asked.dropna(subset=["high_c"]).groupby(["yard", "issued"]))
    issues, seen = issues.dropna(subset=["high_c"]), seen.dropna(subset=["high_c"])
    archives = []
    seen_by_yard = dict(list(seen.groupby("yard")))
    for name, rows in issues.groupby("yard", sort=True):
        own = seen_by_yard.get(name)
        if own is None:
            raise WindowcastError(f"{observed}: {name} has no observed high; nothing is scored")
        scenario = None
        if "scenario" in rows:
            scenario = rows["scenario"].astype("category").cat.codes.to_numpy()
        archives += verify_chain.archives_from_rows(
            str(name),
            issued=rows["issued"].to_numpy(),
            day=rows["day"].to_numpy(),
            high_c=rows["high_c"].to_numpy(),
            observed_day=own["day"].to_numpy(),
            observed_c=own["high_c"].to_numpy(),
            exposure_days=regimen.exposure_days,
            scenario=scenario,
        )
    lower_c, upper_c = _bounds(regimen)
    try:
        found = verify_chain.verify(archives, lower_c=lower_c, upper_c=upper_c, months=months)
    except verify_chain.TooLittle as error:
        raise WindowcastError(
            f"{forecasts}, {observed}: {error} for {treatment.id} {regimen.id}"
            f" ({regimen.exposure_days} days); nothing is scored; give a longer record, more months"
            " or a regimen with a shorter exposure"
        ) from error
    found = replace(found, left_out=found.left_out + empty)
    return Judgement(treatment=treatment, regimen=regimen, months=tuple(months), found=found)


def _bounds(regimen: Regimen) -> tuple[Any, Any]:
    """Bounds of each day of the exposure in whole tenths, infinite where there is none, °C."""
    import numpy as np

    lowest = [band.lowest_tenths for band in regimen.bands]
    highest = [band.highest_tenths for band in regimen.bands]
    return (
        np.array([-math.inf if tenths is None else tenths / 10 for tenths in lowest]),
        np.array([math.inf if tenths is None else tenths / 10 for tenths in highest]),
    )


def _read_forecasts(path: Path) -> pd.DataFrame:
    """yard, issued, day, high_c (NaN where empty), scenario where given, and the line of each."""
    table = _read(path, "forecasts", ("yard", "issued", "day"))
    table["issued"] = _dates(path, table, "issued")
    table["day"] = _dates(path, table, "day")
    table = _with_celsius(path, table)
    late = table["issued"] > table["day"]
    if late.any():
        row = table[late].iloc[0]
        raise UsageError(
            f"{path}:{_lines(table, late)}: issued after the day it is for, first"
            f" {row['issued']:%Y-%m-%d} for {row['day']:%Y-%m-%d}; an issue is for its own day or"
            " later ones; take these rows out or correct them"
        )
    keys = ["yard", "issued", "day"] + (["scenario"] if "scenario" in table else [])
    hint = "" if "scenario" in table else "; rows of an ensemble need a column scenario"
    _check_once(path, table, keys, hint)
    return table


def _read_observed(path: Path) -> pd.DataFrame:
    """yard, day, high_c (NaN where empty), and the line of each."""
    table = _read(path, "observed", ("yard", "day"))
    table["day"] = _dates(path, table, "day")
    table = _with_celsius(path, table)
    _check_once(path, table, ["yard", "day"], "")
    return table


def _read(path: Path, what: str, columns: Sequence[str]) -> pd.DataFrame:
    """The table as text, each row with its line in the file; blank lines are passed over."""
    import pandas as pd

    try:
        with warnings.catch_warnings():
            # A row with more cells than the header would otherwise lose the last ones in silence.
            warnings.simplefilter("error", pd.errors.ParserWarning)
            table = pd.read_csv(
                path,
                dtype=str,
                keep_default_na=False,
                skip_blank_lines=False,
                index_col=False,
                encoding="utf-8-sig",
            )
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise UsageError(f"--{what} {path}: {why}; name a CSV file") from error
    except pd.errors.EmptyDataError as error:
        raise UsageError(f"{path}: the file is empty; wanted: {_header(columns)}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: not UTF-8 text; save it as CSV in UTF-8") from error
    except (pd.errors.ParserError, pd.errors.ParserWarning) as error:
        line = re.search(r"line (\d+)", str(error))
        where = f"{path}:{line[1]}" if line else f"{path}"
        raise UsageError(
            f"{where}: a row has more cells than the header has columns; wanted: {_header(columns)}"
        ) from error
    table.columns = [str(name).strip() for name in table.columns]
    names = list(table.columns)
    missing = [name for name in columns if name not in names]
    units = [name for name in ("high_c", "high_f") if name in names]
    if missing or not units:
        lacking = ", ".join(missing + ([] if units else ["high_c or high_f"]))
        raise UsageError(
            f"{path}:1: no column {lacking}; found: {','.join(names)}; wanted: {_header(columns)}"
        )
    if len(units) == 2:
        raise UsageError(
            f"{path}:1: both high_c and high_f are given; keep the one that was measured"
        )
    table = table.fillna("").apply(lambda column: column.str.strip())
    table["line"] = range(2, len(table) + 2)
    table = table[(table[names] != "").any(axis=1)].copy()
    if table.empty:
        raise UsageError(f"{path}: no rows below the header; wanted: {_header(columns)}")
    nameless = table["yard"] == ""
    if nameless.any():
        raise UsageError(f"{path}:{_lines(table, nameless)}: yard is empty; wanted: a name")
    return table


def _header(columns: Sequence[str]) -> str:
    return f"{','.join(columns)},high_c (or high_f)"


def _lines(table: pd.DataFrame, rows: Any) -> str:
    """The lines of some rows as people read them: "3,7,9 and 12 more"."""
    lines = [str(line) for line in table.loc[rows, "line"]]
    rest = len(lines) - NAMED_LINES
    return ",".join(lines[:NAMED_LINES]) + (f" and {rest} more" if rest > 0 else "")


def _dates(path: Path, table: pd.DataFrame, column: str) -> Any:
    import pandas as pd

    text = table[column]
    day = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
    bad = day.isna() | ~text.str.fullmatch(r"\d{4}-\d{2}-\d{2}")
    if bad.any():
        raise UsageError(
            f"{path}:{_lines(table, bad)}: {column} is {text[bad].iloc[0]!r}; wanted: a date such"
            " as 2026-08-31"
        )
    return day.astype("datetime64[s]")


def _with_celsius(path: Path, table: pd.DataFrame) -> pd.DataFrame:
    """The table with high_c in tenths of a °C, NaN where the cell is empty."""
    import numpy as np
    import pandas as pd

    column = "high_c" if "high_c" in table else "high_f"
    text = table[column]
    value = pd.to_numeric(text, errors="coerce").astype(float)
    bad = (text != "") & ~np.isfinite(value)
    if bad.any():
        raise UsageError(
            f"{path}:{_lines(table, bad)}: {column} is {text[bad].iloc[0]!r}; wanted: a number, or"
            " nothing where it is missing"
        )
    high_c = value if column == "high_c" else (value - 32) / 1.8
    wild = (high_c < LOWEST_C) | (high_c > HIGHEST_C)
    if wild.any():
        unit = "°C" if column == "high_c" else "°F"
        low, high = (LOWEST_C, HIGHEST_C) if unit == "°C" else (-130.0, 140.0)
        raise UsageError(
            f"{path}:{_lines(table, wild)}: {column} is {text[wild].iloc[0]}; wanted: {low:g} to"
            f" {high:g} {unit}; are units mixed? One table holds one unit: high_c or high_f"
        )
    table["high_c"] = high_c.round(1)
    return table


def _check_once(path: Path, table: pd.DataFrame, keys: list[str], hint: str) -> None:
    again = table.duplicated(keys, keep=False)
    if not again.any():
        return
    twins = table[again].sort_values([*keys, "line"], kind="stable")
    first = twins.iloc[0]
    what = ", ".join(
        f"{first[key]:%Y-%m-%d}" if key in ("issued", "day") else str(first[key]) for key in keys
    )
    same = (twins[keys] == first[keys]).all(axis=1)
    raise UsageError(
        f"{path}:{_lines(table, again)}: rows given more than once, first {what} on lines"
        f" {' and '.join(map(str, twins.loc[same, 'line']))}; wanted: one row for each"
        f" {', '.join(keys)}; keep one{hint}"
    )


def _check_yards(
    issues: pd.DataFrame, forecasts: Path, seen: pd.DataFrame, observed: Path, say: Say
) -> None:
    alone = sorted(set(issues["yard"]) - set(seen["yard"]))
    if alone:
        rows = issues["yard"].isin(alone)
        raise UsageError(
            f"{forecasts}:{_lines(issues, rows)}: {', '.join(alone)} is not in {observed}, which"
            f" has {', '.join(sorted(set(seen['yard'])))}; wanted: the same names in both; add its"
            " observed highs, or take its rows out"
        )
    unasked = sorted(set(seen["yard"]) - set(issues["yard"]))
    if unasked:
        say(f"{observed}: {', '.join(unasked)} not in {forecasts}; these rows are not used")


def _check_units(issues: pd.DataFrame, forecasts: Path, seen: pd.DataFrame, observed: Path) -> None:
    """Errors where one table, or single rows of it, are plainly in the other unit."""
    both = issues.merge(seen, on=["yard", "day"], suffixes=("", "_seen"))
    both = both.dropna(subset=["high_c", "high_c_seen"])
    miss = both["high_c"] - both["high_c_seen"]
    typical = miss.groupby(both["yard"]).median()
    apart = typical[typical.abs() > MIXED_UNITS_K]
    if len(apart):
        rows = issues["yard"] == apart.index[0]
        raise UsageError(
            f"{forecasts}:{_lines(issues, rows)}: the highs of {apart.index[0]} lie"
            f" {abs(apart.iloc[0]):.1f} °C {'above' if apart.iloc[0] > 0 else 'below'} those of"
            f" {observed}, typically; are units mixed? Name each column for what it holds: high_c"
            " or high_f"
        )
    near = (both["day"] - both["issued"]).dt.days <= SHORT_RANGE_DAYS
    far = near & (miss.abs() > ROW_MISS_K)
    for column, table, path in (("", issues, forecasts), ("_seen", seen, observed)):
        value = both[f"high_c{column}"]
        other = both["high_c_seen" if column == "" else "high_c"]
        read = ((value - 32) / 1.8 - other).abs(), (value * 1.8 + 32 - other).abs()
        fits = far & ((read[0] < ROW_FIT_K) | (read[1] < ROW_FIT_K))
        if fits.any():
            rows = table["line"].isin(both.loc[fits, f"line{column}"])
            raise UsageError(
                f"{path}:{_lines(table, rows)}: high is {value[fits].iloc[0]:g} °C where the other"
                f" table has {other[fits].iloc[0]:g} °C; are units mixed? One table holds one unit"
            )


def _tell_gaps(issues: pd.DataFrame, path: Path, say: Say) -> None:
    """Say which issues skip a day or leave a high empty; they cover no window across the gap."""
    empty = issues["high_c"].isna()
    if empty.any():
        say(f"{path}:{_lines(issues, empty)}: no high; an exposure that needs it is left out")
    keys = ["yard", "issued"]
    once = issues.drop_duplicates([*keys, "day"]).sort_values([*keys, "day"])
    step = once.groupby(keys)["day"].diff().dt.days
    gap = step > 1
    if gap.any():
        say(
            f"{path}:{_lines(once, gap)}: days of the issue are missing before these rows; an"
            " exposure that needs them is left out"
        )


def document(judgement: Judgement) -> dict[str, Any]:
    """The JSON of `windowcast verify --json`."""
    found = judgement.found
    return {
        "schema": 1,
        "treatment": judgement.treatment.id,
        "regimen": judgement.regimen.id,
        "cases": len(found.held),
        "base_rate": _rounded(found.base_rate),
        "brier": {method: _rounded(found.brier[method]) for method, _ in METHODS},
        "reliability": [
            {
                "from": row.lowest,
                "to": row.highest,
                "cases": row.cases,
                "mean_chance": _rounded(row.mean_chance),
                "observed": _rounded(row.observed),
                "band_low": None if row.band_low is None else _rounded(row.band_low),
                "band_high": None if row.band_high is None else _rounded(row.band_high),
            }
            for row in found.reliability
        ],
        "left_out": found.left_out,
        "months": list(judgement.months),
        "skill": {method: _rounded(found.skill[method]) for method, _ in METHODS},
        "sharpness": {method: _rounded(found.sharpness[method]) for method, _ in METHODS},
        "differences": {
            method: {
                "estimate": _rounded(one.estimate),
                "low": _rounded(one.low),
                "high": _rounded(one.high),
            }
            for method, one in found.differences.items()
        },
    }


def _rounded(value: float) -> float | None:
    return None if math.isnan(value) else round(float(value), 5)


def verdict(rows: Sequence[ReliabilityRow]) -> str:
    """What a reliability table says in words."""
    judged = [row for row in rows if row.consistent is not None]
    more = sum(row.consistent is False and row.observed > row.mean_chance for row in judged)
    fewer = sum(row.consistent is False and row.observed < row.mean_chance for row in judged)
    parts = []
    if more:
        parts.append(
            tr(
                "more windows held than was said in {some} of {judged} tenths",
                some=more,
                judged=len(judged),
            )
        )
    if fewer:
        parts.append(
            tr(
                "fewer windows held than was said in {some} of {judged} tenths",
                some=fewer,
                judged=len(judged),
            )
        )
    text = ", ".join(parts) or tr("windows held as often as was said, as far as luck allows")
    if not judged:
        text = tr("too few windows in any tenth to say whether the chances were right")
    elif len(judged) <= len(rows) / 2:
        text = tr(
            "only {judged} of {tenths} tenths hold enough windows to judge; there {verdict}",
            judged=len(judged),
            tenths=len(rows),
            verdict=text,
        )
    return text[0].upper() + text[1:]


def title(judgement: Judgement) -> tuple[str, str]:
    """What the reliability diagram says in words, and of which windows it speaks."""
    found, regimen = judgement.found, judgement.regimen
    text = verdict(found.reliability)
    note = trn(
        "{treatment} {regimen}, {count} day: {windows} windows, {share} held; Brier score {score}"
        " (climatology {climatology}, plain rule {rule})",
        "{treatment} {regimen}, {count} days: {windows} windows, {share} held; Brier score {score}"
        " (climatology {climatology}, plain rule {rule})",
        regimen.exposure_days,
        treatment=judgement.treatment.id,
        regimen=regimen.id,
        windows=len(found.held),
        share=tr("{number} %", number=round(found.base_rate * 100)),
        score=words.decimal(found.brier["chance"], 3),
        climatology=words.decimal(found.brier["climatology"], 3),
        rule=words.decimal(found.brier["plain_rule"], 3),
    )
    return text, note


def lines(judgement: Judgement) -> list[str]:
    """The same as plain tables, at most 78 columns wide."""
    found, regimen = judgement.found, judgement.regimen
    many = len(set(found.yard.tolist()))
    head = trn(
        "{count} window judged, {share} of them held; {yards}; {issues} left out.",
        "{count} windows judged, {share} of them held; {yards}; {issues} left out.",
        len(found.held),
        share=share_words(found.base_rate),
        yards=words.yards(many),
        issues=trn("{count} issue", "{count} issues", found.left_out),
    )
    out = [
        _titled(judgement.treatment, regimen),
        *_wrapped(head),
        "",
        f"{score_head()}  {tr('chance better by')}",
    ]
    for method, name in METHODS:
        row = score_row(tr(name), found.brier[method], found.skill[method], found.sharpness[method])
        if method in found.differences:
            one = found.differences[method]
            row += "  " + tr("{low} to {high}", low=_gain(-one.high), high=_gain(-one.low))
        out.append(row)
    out += ["", *reliability_lines(found.reliability), ""]
    out += _wrapped(
        tr(
            "Skill is against climatology. Ranges hold 90 % of block-bootstrap samples, as windows"
            " overlap. All that was fitted left the judged year or stretch out."
        )
    )
    return out


def _titled(treatment: Treatment, regimen: Regimen) -> str:
    return tr(
        "{treatment} {regimen}, {days}",
        treatment=treatment.id,
        regimen=regimen.id,
        days=words.days(regimen.exposure_days),
    )


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH)


def share_words(share: float) -> str:
    """ "32.4 %": to a tenth, here and in the tables below."""
    return words.per_cent(words.decimal(100 * share, 1))


def _gain(value: float) -> str:
    return ("+" if value >= 0 else "-") + words.decimal(abs(value), 3)


def score_head() -> str:
    """The heads of `score_row`."""
    return f"{tr('Brier score (0 is perfect)'):<39}{tr('score'):>7}{tr('skill'):>7}{tr('sharp'):>7}"


def score_row(name: str, score: float, skill: float | None, sharpness: float) -> str:
    """How good one kind of chance was; no skill where there is no climatology."""
    shown = "" if skill is None or math.isnan(skill) else words.decimal(skill, 2)
    return f"{name:<39}{words.decimal(score, 4):>7}{shown:>7}{words.decimal(sharpness, 3):>7}"


def reliability_lines(tenths: Sequence[ReliabilityRow]) -> list[str]:
    """A table of what held by tenth of chance, and where it would lie were the chances right."""
    out = [
        f"{tr('chance'):<12}{tr('cases'):>7}{tr('mean chance'):>13}{tr('held'):>9}"
        f"  {tr('would lie in, were it right')}"
    ]

    def span(low: float, high: float, decimals: int) -> str:
        return tr(
            "{low} to {high}",
            low=words.decimal(100 * low, decimals),
            high=words.per_cent(words.decimal(100 * high, decimals)),
        )

    for tenth in tenths:
        row = (
            f"{span(tenth.lowest, tenth.highest, 0):<12}{tenth.cases:>7}"
            f"{share_words(tenth.mean_chance):>13}{share_words(tenth.observed):>9}  "
        )
        if tenth.band_low is None or tenth.band_high is None:
            row += tr("too few to judge")
        else:
            row += span(tenth.band_low, tenth.band_high, 1)
            row += "" if tenth.consistent else f"  {tr('outside')}"
        out.append(row)
    return out
