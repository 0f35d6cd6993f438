"""Why: one plain sentence or two that name the day and the degrees that decide."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

from windowcast.language import marked, tr, trn
from windowcast.notice import words
from windowcast.trade.hive import Blocked, Obstacle
from windowcast.trade.treatment import Band, Regimen
from windowcast.window.decide import Flaw, ForecastState, Row, Status, TreatmentAnswer


def reason(answer: TreatmentAnswer, forecast: ForecastState, units: str) -> str:
    """The reason for a status, in full sentences, temperatures in `units`."""
    sentences = list(_status_sentences(answer, forecast, units))
    if answer.rows:
        sentences.extend(_source_sentences(forecast))
    return " ".join(sentences)


NOTHING_STORED = (
    marked("forecast: none is stored"),
    marked("ensemble: none is stored"),
    marked("extended: none is stored"),
    marked("forecast: only an old one is stored"),
    marked("ensemble: only an old one is stored"),
    marked("extended: only an old one is stored"),
    marked("the first days are those of MET Norway"),
    marked("the first days are those of the US National Weather Service"),
)
"""What `answer` says of sources. What a server said of itself is quoted as it was said."""


def missing(forecast: ForecastState) -> str:
    """What the forecast lacks, as people read it."""
    return "; ".join(tr(one) for one in forecast.missing)


def unknown_because(answer: TreatmentAnswer, forecast: ForecastState) -> str:
    """Why nothing can be said: no forecast, an old one, or one that ends too soon."""
    if not forecast.sources:
        if forecast.missing:
            return tr("There is no forecast for this yard ({causes}).", causes=missing(forecast))
        return tr("There is no forecast for this yard.")
    if forecast.stale and forecast.age_hours is not None:
        return trn(
            "The forecast is {count} hour old: too old to name a start; nothing newer could be"
            " fetched.",
            "The forecast is {count} hours old: too old to name a start; nothing newer could be"
            " fetched.",
            round(forecast.age_hours),
        )
    shortest = min(regimen.exposure_days for regimen in answer.treatment.regimens)
    if forecast.scenarios_last_day is not None:
        return trn(
            "The scenarios reach only to {day}: too short for an exposure of {count} day from the"
            " first start on.",
            "The scenarios reach only to {day}: too short for an exposure of {count} days from the"
            " first start on.",
            shortest,
            day=words.day(forecast.scenarios_last_day),
        )
    if forecast.last_day is not None:
        return trn(
            "The forecast reaches only to {day}: too short for an exposure of {count} day from the"
            " first start on.",
            "The forecast reaches only to {day}: too short for an exposure of {count} days from the"
            " first start on.",
            shortest,
            day=words.day(forecast.last_day),
        )
    return trn(
        "The forecast is too short for an exposure of {count} day from the first start on.",
        "The forecast is too short for an exposure of {count} days from the first start on.",
        shortest,
    )


def first_do(blocked: Blocked) -> str:
    """What removes an obstacle, as an instruction."""
    if blocked.obstacle is Obstacle.LOOK and blocked.looked and blocked.until:
        if blocked.until == blocked.looked:
            return tr(
                "look again (eggs or larvae were seen: the look of {day} holds on that day only)",
                day=words.day(blocked.looked),
            )
        return tr(
            "look again (the look of {day} holds until {until})",
            day=words.day(blocked.looked),
            until=words.day(blocked.until),
        )
    if blocked.obstacle is not Obstacle.SUPERS:
        return tr(
            "wait until an inspection shows no capped brood (it works only in broodless colonies)"
        )
    if blocked.allowed == 0:
        return trn(
            "take off the honey super (none may be on)",
            "take off all {count} honey supers (none may be on)",
            blocked.supers,
        )
    return trn(
        "take off {off} of the {count} honey supers (at most {allowed} may be on)",
        "take off {off} of the {count} honey supers (at most {allowed} may be on)",
        blocked.supers,
        off=blocked.supers - blocked.allowed,
        allowed=blocked.allowed,
    )


def in_short(blocked: Blocked) -> str:
    """The same in a word or two."""
    if blocked.obstacle is Obstacle.BROOD:
        return tr("only when broodless")
    if blocked.obstacle is Obstacle.LOOK and blocked.until:
        return tr("look again first: the look counts until {day}", day=words.day(blocked.until))
    return tr("supers off first") if blocked.allowed == 0 else tr("fewer supers first")


def do_in_short(blocked: Blocked) -> str:
    """What removes an obstacle, in a few words: "take off 1 super"."""
    if blocked.obstacle is Obstacle.LOOK:
        return tr("look for brood again")
    if blocked.obstacle is not Obstacle.SUPERS:
        return tr("wait until no brood is capped")
    off = blocked.supers - blocked.allowed
    return trn("take off {count} super", "take off {count} supers", off)


def _status_sentences(answer: TreatmentAnswer, forecast: ForecastState, units: str) -> list[str]:
    if answer.status is Status.UNKNOWN:
        return [unknown_because(answer, forecast)]
    if answer.named is None:
        row = answer.best
        if row is None:  # a closed answer always has rows
            return [unknown_because(answer, forecast)]
        why = why_not(row, units)
        if row.start.chance is not None and not row.start.chance.held:
            first = tr("No scenario holds a whole exposure, whatever the start: {why}.", why=why)
        else:
            first = tr("A start on {day} comes nearest: {why}.", day=words.day(row.day), why=why)
        return [first, *_doubled(answer, row, units)]
    found = []
    if answer.blocked:
        found.append(
            tr(
                "First {steps}; then a start on {day} is open.",
                steps=words.listed([first_do(one) for one in answer.blocked]),
                day=words.day(answer.named.day),
            )
        )
    found.append(_why(answer.named, units))
    first_row = _nearest_of(answer, answer.rows[0].day)
    if answer.named.day > first_row.day:
        found.append(
            tr("Not {day}: {why}.", day=words.day(first_row.day), why=why_not(first_row, units))
        )
    found.extend(_doubled(answer, answer.named, units))
    return found


def _nearest_of(answer: TreatmentAnswer, day: date) -> Row:
    """Of the starts on a day the first that only other things than the weather keep back, else the
    first."""
    rows = [row for row in answer.rows if row.day == day]
    return next((row for row in rows if row.weather_fits), rows[0])


def _why(row: Row, units: str) -> str:
    """What speaks for a start."""
    start = row.start
    if start.chance is None:
        text = trn(
            "The forecast high stays inside ({band})",
            "All {count} forecast highs stay inside ({band})",
            start.regimen.exposure_days,
            band=_band(row, units),
        )
    else:
        text = tr(
            "In {held} of {scenarios} scenarios {outcome}",
            held=start.chance.held,
            scenarios=start.chance.of,
            outcome=_stay(row, units),
        )
    if start.fit.hottest_day is None or start.fit.hottest_c is None:
        return tr("{sentence}.", sentence=text)
    return tr(
        "{sentence}; warmest forecast day {day}, {degrees}.",
        sentence=text,
        day=words.day(start.fit.hottest_day),
        degrees=words.degrees(start.fit.hottest_c, units),
    )


def why_not(row: Row, units: str) -> str:
    """What speaks against a start: the flaw that decides first, with its day and degrees. A
    sentence without its end."""
    start = row.start
    flaw = row.flaws[0]
    if flaw is Flaw.VETO and start.fit.veto_day is not None:
        offset = (start.fit.veto_day - start.start).days
        return _outside(row, offset, units)
    if flaw is Flaw.DANGER:
        limit = start.treatment.danger_c
        if limit is not None and start.danger is not None:
            return trn(
                "in {held} of {scenarios} scenarios a high above {degrees} comes within {count}"
                " day of a dose, which costs brood and queens",
                "in {held} of {scenarios} scenarios a high above {degrees} comes within {count}"
                " days of a dose, which costs brood and queens",
                start.treatment.danger_days,
                held=start.danger.held,
                scenarios=start.danger.of,
                degrees=words.degrees(limit, units),
            )
        if limit is not None and start.fit.danger_day is not None:
            return tr(
                "{day} is forecast above {degrees}, soon after a dose",
                day=words.day(start.fit.danger_day),
                degrees=words.degrees(limit, units),
            )
    if flaw is Flaw.CHANCE and start.chance is not None:
        return _too_seldom(row, units)
    if flaw is Flaw.FORECAST and start.fit.limiting_day is not None:
        return _outside(row, (start.fit.limiting_day - start.start).days, units)
    if flaw is Flaw.STALE:
        return tr("the forecast is too old")
    if flaw is Flaw.TAKEN:
        return tr("something else has taken its days")
    if flaw is Flaw.SHUT:
        return tr("hives stay shut on that day")
    return _too_warm_for_double(row, units)


def _too_seldom(row: Row, units: str) -> str:
    """Too few scenarios fit: what they break, and the day that is nearest to it."""
    start = row.start
    assert start.chance is not None
    held, of = start.chance.held, start.chance.of
    hot = 0 if start.too_hot is None else start.too_hot.held
    cold = 0 if start.too_cold is None else start.too_cold.held
    stay = _stay(row, units)
    if hot and cold:
        text = tr(
            "in only {held} of {scenarios} scenarios {outcome} (too hot in {hot}, too cold in"
            " {cold})",
            held=held,
            scenarios=of,
            outcome=stay,
            hot=hot,
            cold=cold,
        )
    elif hot:
        text = tr(
            "in only {held} of {scenarios} scenarios {outcome} (too hot in {hot})",
            held=held,
            scenarios=of,
            outcome=stay,
            hot=hot,
        )
    elif cold:
        text = tr(
            "in only {held} of {scenarios} scenarios {outcome} (too cold in {cold})",
            held=held,
            scenarios=of,
            outcome=stay,
            cold=cold,
        )
    else:
        text = tr(
            "in only {held} of {scenarios} scenarios {outcome}",
            held=held,
            scenarios=of,
            outcome=stay,
        )
    limiting = start.fit.limiting_day
    if start.fit.margin_c is None or limiting is None:
        return text
    if start.fit.margin_c < 0:
        return f"{text}; {_outside(row, (limiting - start.start).days, units)}"
    high_c = start.fit.high_c(start.start, limiting)
    if high_c is None:
        return text
    near = tr(
        "{day} comes closest to a bound, {degrees} forecast",
        day=words.day(limiting),
        degrees=words.degrees(high_c, units),
    )
    return f"{text}; {near}"


def _outside(row: Row, offset: int, units: str) -> str:
    """ "Sun Aug 9 is forecast at 31.2 °C, 1.7 above the band"."""
    start = row.start
    bounds = start.regimen.band_on(offset)
    high_c = start.fit.highs[offset]
    day = words.day(start.start + timedelta(days=offset))
    if high_c is None:
        return tr("{day} is outside the band", day=day)

    value_c = Fraction(high_c, 10)
    high = words.degrees(value_c, units)
    if bounds.high_c is not None and value_c > bounds.high_c:
        return tr(
            "{day} is forecast at {degrees}, {difference} above the band",
            day=day,
            degrees=high,
            difference=words.difference(value_c - bounds.high_c, units),
        )
    if bounds.low_c is not None and value_c < bounds.low_c:
        return tr(
            "{day} is forecast at {degrees}, {difference} below the band",
            day=day,
            degrees=high,
            difference=words.difference(bounds.low_c - value_c, units),
        )
    return tr("{day} is forecast at {degrees}", day=day, degrees=high)


def _doubled(answer: TreatmentAnswer, row: Row, units: str) -> list[str]:
    """That a double dose on the same day fits the band but not its cool limit."""
    return [
        tr(
            "{regimen} would fit the band, but {why}.",
            regimen=words.capital(words.regimen(other.start.regimen)),
            why=_too_warm_for_double(other, units),
        )
        for other in answer.rows
        if other.day == row.day and other is not row and other.flaws == (Flaw.COOL_ONLY,)
    ]


def _too_warm_for_double(row: Row, units: str) -> str:
    start = row.start
    hottest_c = start.fit.hottest_c if start.hottest_c is None else start.hottest_c
    limit_c = start.regimen.cool_only_c
    if hottest_c is None or limit_c is None:
        return tr("how warm it gets is not known")
    return tr(
        "the hottest day is likely to reach {degrees}, above the {limit} that a double dose allows",
        degrees=words.degrees(hottest_c, units),
        limit=words.degrees(limit_c, units),
    )


def _band(row: Row, units: str) -> str:
    one = _only_band(row.start.regimen)
    if one is not None:
        return words.band(one, units)
    return tr("inside the band of its day")


def _stay(row: Row, units: str) -> str:
    """What holds in a scenario, to follow "in 47 of 51 scenarios"."""
    regimen = row.start.regimen
    bounded = [offset for offset, bounds in enumerate(regimen.bands) if _any_bound(bounds)]
    if not bounded:
        return tr("nothing speaks against it (no bound is set)")
    only = _only_band(regimen)
    if only is not None:
        return trn(
            "the high of the day stays {band}",
            "all {count} daily highs stay {band}",
            regimen.exposure_days,
            band=words.band(only, units),
        )
    if len(bounded) == 1:
        return tr(
            "the high of day {number} is {band} (the only day with a bound)",
            number=bounded[0],
            band=words.band(regimen.band_on(bounded[0]), units),
        )
    return trn(
        "all {count} daily highs stay inside the band of their day",
        "all {count} daily highs stay inside the band of their day",
        regimen.exposure_days,
    )


def _only_band(regimen: Regimen) -> Band | None:
    """The band of all days of an exposure; None where they differ."""
    first, *others = regimen.bands
    # Days without a phase share one; fractions take their time to be compared, as they do in a set.
    return first if all(one is first or one == first for one in others) else None


def _any_bound(band: Band) -> bool:
    return band.low_c is not None or band.high_c is not None


def _source_sentences(forecast: ForecastState) -> list[str]:
    found = []
    if not forecast.scenarios:
        found.append(tr("This rests on a single forecast, not on scenarios."))
    elif forecast.scenario_sources == ("forecast",):
        found.append(tr("The scenarios are made from a single forecast and its past errors."))
    elif "forecast" not in forecast.sources:
        found.append(tr("No single forecast was at hand: this rests on the scenarios alone."))
    if forecast.scenarios and forecast.scenario_sources == ("extended",):
        found.append(
            tr("The scenarios are the extended range alone, whose level is not corrected.")
        )
    return found
