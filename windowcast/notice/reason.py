"""Why: one plain sentence or two that name the day and the degrees that decide."""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction

from windowcast.notice import words
from windowcast.trade.hive import Blocked, Obstacle
from windowcast.trade.treatment import Band, Treatment
from windowcast.window.decide import Flaw, ForecastState, Row, Status, TreatmentAnswer
from windowcast.window.scan import Share


def reason(answer: TreatmentAnswer, forecast: ForecastState, units: str) -> str:
    """The reason for a status, in full sentences, temperatures in `units`."""
    sentences = list(_status_sentences(answer, forecast, units))
    if answer.rows:
        sentences.extend(_source_sentences(forecast))
    return " ".join(sentences)


def unknown_because(answer: TreatmentAnswer, forecast: ForecastState) -> str:
    """Why nothing can be said: no forecast, an old one, or one that ends too soon."""
    if not forecast.sources:
        why = f" ({'; '.join(forecast.missing)})" if forecast.missing else ""
        return f"There is no forecast for this yard{why}."
    if forecast.stale and forecast.age_hours is not None:
        return (
            f"The forecast is {forecast.age_hours:.0f} hours old: too old to name a start;"
            " nothing newer could be fetched."
        )
    shortest = min(regimen.exposure_days for regimen in answer.treatment.regimens)
    what, last_day = "forecast reaches", forecast.last_day
    if forecast.scenarios_last_day is not None:
        what, last_day = "scenarios reach", forecast.scenarios_last_day
    last = "" if last_day is None else f" to {words.day(last_day)}"
    return (
        f"The {what} only{last}: too short for an exposure of"
        f" {words.counted(shortest, 'day')} from the first start on."
    )


def first_do(blocked: Blocked) -> str:
    """What removes an obstacle, as an instruction."""
    if blocked.obstacle is Obstacle.SUPERS:
        if blocked.allowed == 0:
            return f"take off {_all_of(blocked.supers)} (none may be on)"
        off = blocked.supers - blocked.allowed
        return (
            f"take off {off} of the {blocked.supers} honey supers"
            f" (at most {blocked.allowed} may be on)"
        )
    return "wait until an inspection shows no capped brood (it works only in broodless colonies)"


def in_short(blocked: Blocked) -> str:
    """The same in a word or two."""
    if blocked.obstacle is Obstacle.BROOD:
        return "only when broodless"
    return "supers off first" if blocked.allowed == 0 else "fewer supers first"


def _all_of(supers: int) -> str:
    return "the honey super" if supers == 1 else f"all {supers} honey supers"


def _status_sentences(answer: TreatmentAnswer, forecast: ForecastState, units: str) -> list[str]:
    if answer.status is Status.UNKNOWN:
        return [unknown_because(answer, forecast)]
    if answer.named is None:
        row = answer.best
        if row is None:  # a closed answer always has rows
            return [unknown_because(answer, forecast)]
        start = f"A start on {words.day(row.day)} comes nearest"
        if row.start.chance is not None and not row.start.chance.held:
            start = "No scenario holds a whole exposure, whatever the start"
        return [f"{start}: {_why_not(row, units)}", *_doubled(answer, row, units)]
    found = []
    if answer.blocked:
        first = words.listed([first_do(one) for one in answer.blocked])
        found.append(f"First {first}; then a start on {words.day(answer.named.day)} is open.")
    found.append(_why(answer.named, units))
    first_row = answer.rows[0]
    if answer.named.day > first_row.day:
        found.append(f"Not {words.day(first_row.day)}: {_why_not(first_row, units)}")
    found.extend(_doubled(answer, answer.named, units))
    return found


def _why(row: Row, units: str) -> str:
    """What speaks for a start."""
    start = row.start
    if start.chance is None:
        text = (
            f"All {start.regimen.exposure_days} forecast highs stay inside"
            if start.regimen.exposure_days > 1
            else "The forecast high stays inside"
        ) + f" ({_band(row, units)})"
    else:
        text = f"In {_of(start.chance)} scenarios {_stay(row, units)}"
    if start.fit.hottest_day is not None and start.fit.hottest_c is not None:
        text += (
            f"; warmest forecast day {words.day(start.fit.hottest_day)},"
            f" {words.degrees(start.fit.hottest_c, units)}"
        )
    return text + "."


def _why_not(row: Row, units: str) -> str:
    """What speaks against a start: the flaw that decides first, with its day and degrees."""
    start = row.start
    flaw = row.flaws[0]
    if flaw is Flaw.VETO and start.fit.veto_day is not None:
        offset = (start.fit.veto_day - start.start).days
        return _outside(row, offset, units)
    if flaw is Flaw.DANGER:
        limit = start.treatment.danger_c
        if limit is not None and start.danger is not None:
            return (
                f"in {_of(start.danger)} scenarios a high above {words.degrees(limit, units)} comes"
                f" within {words.counted(start.treatment.danger_days, 'day')} of a dose, which"
                " costs brood and queens."
            )
        if limit is not None and start.fit.danger_day is not None:
            return (
                f"{words.day(start.fit.danger_day)} is forecast above"
                f" {words.degrees(limit, units)}, soon after a dose."
            )
    if flaw is Flaw.CHANCE and start.chance is not None:
        text = f"in only {_of(start.chance)} scenarios {_stay(row, units)}"
        causes = [
            f"{word} in {share.held}"
            for word, share in (("too hot", start.too_hot), ("too cold", start.too_cold))
            if share is not None and share.held
        ]
        if causes:
            text += f" ({', '.join(causes)})"
        if start.fit.margin_c is not None and start.fit.limiting_day is not None:
            offset = (start.fit.limiting_day - start.start).days
            if start.fit.margin_c < 0:
                return f"{text}; {_outside(row, offset, units)}"
            high_c = start.fit.high_c(start.start, start.fit.limiting_day)
            if high_c is not None:
                text += (
                    f"; {words.day(start.fit.limiting_day)} comes closest to a bound,"
                    f" {words.degrees(high_c, units)} forecast"
                )
        return text + "."
    if flaw is Flaw.FORECAST and start.fit.limiting_day is not None:
        return _outside(row, (start.fit.limiting_day - start.start).days, units)
    if flaw is Flaw.STALE:
        return "the forecast is too old."
    return _too_warm_for_double(row, units)


def _outside(row: Row, offset: int, units: str) -> str:
    """ "Sun Aug 9 is forecast at 31.2 °C, 1.7 above the band."."""
    start = row.start
    bounds = start.regimen.band_on(offset)
    high_c = start.fit.highs[offset]
    day = words.day(start.start + timedelta(days=offset))
    if high_c is None:
        return f"{day} is outside the band."

    value_c = Fraction(high_c, 10)
    text = f"{day} is forecast at {words.degrees(value_c, units)}"
    if bounds.high_c is not None and value_c > bounds.high_c:
        return f"{text}, {words.difference(value_c - bounds.high_c, units)} above the band."
    if bounds.low_c is not None and value_c < bounds.low_c:
        return f"{text}, {words.difference(bounds.low_c - value_c, units)} below the band."
    return f"{text}."


def _doubled(answer: TreatmentAnswer, row: Row, units: str) -> list[str]:
    """Says where a double dose on the same day fits the band but not its cool limit."""
    return [
        f"{words.regimen(other.start.regimen).capitalize()} would fit the band, but"
        f" {_too_warm_for_double(other, units)}"
        for other in answer.rows
        if other.day == row.day and other is not row and other.flaws == (Flaw.COOL_ONLY,)
    ]


def _too_warm_for_double(row: Row, units: str) -> str:
    start = row.start
    hottest_c = start.fit.hottest_c if start.hottest_c is None else start.hottest_c
    limit_c = start.regimen.cool_only_c
    if hottest_c is None or limit_c is None:
        return "how warm it gets is not known."
    return (
        f"the hottest day is likely to reach {words.degrees(hottest_c, units)}, above the"
        f" {words.degrees(limit_c, units)} that a double dose allows."
    )


def _of(share: Share) -> str:
    return f"{share.held} of {share.of}"


def _band(row: Row, units: str) -> str:
    bands = set(row.start.regimen.bands)
    if len(bands) == 1:
        return words.band(bands.pop(), units)
    return "inside the band of its day"


def _stay(row: Row, units: str) -> str:
    regimen = row.start.regimen
    bands = set(regimen.bands)
    bounded = [offset for offset, bounds in enumerate(regimen.bands) if bounds != Band()]
    if not bounded:
        return "nothing speaks against it (no bound is set)"
    if len(bands) == 1:
        text = words.band(bands.pop(), units)
        if regimen.exposure_days == 1:
            return f"the high of the day stays {text}"
        return f"all {regimen.exposure_days} daily highs stay {text}"
    if len(bounded) == 1:
        text = words.band(regimen.band_on(bounded[0]), units)
        return f"the high of day {bounded[0]} is {text} (the only day with a bound)"
    return f"all {regimen.exposure_days} daily highs stay inside the band of their day"


def _source_sentences(forecast: ForecastState) -> list[str]:
    found = []
    if not forecast.scenarios:
        found.append("This rests on a single forecast, not on scenarios.")
    elif forecast.scenario_sources == ("forecast",):
        found.append("The scenarios are made from a single forecast and its past errors.")
    elif "forecast" not in forecast.sources:
        found.append("No single forecast was at hand: this rests on the scenarios alone.")
    if forecast.scenarios and forecast.scenario_sources == ("extended",):
        found.append("The scenarios are the extended range alone, whose level is not corrected.")
    return found


def name_of(treatment: Treatment) -> str:
    """ "formic acid gel strips"."""
    return words.treatment_plural(treatment)
