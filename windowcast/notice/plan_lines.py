"""What is said of a crew's plan besides its sheets: what it is worth, why, what moved, and what
would free a yard that found no place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date, time
from typing import Any, NamedTuple

from windowcast.crew.days import Eased, Freed, Hindered, Lost
from windowcast.crew.exact import HOW
from windowcast.crew.explain import AS_LIKELY, Bound, Missing, Waits, WhyThis
from windowcast.crew.instance import Instance, Plan
from windowcast.crew.judge import Judgement
from windowcast.crew.needs import Gone
from windowcast.crew.planner import NOTHING
from windowcast.crew.replan import Move, Why
from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.none_lines import lack_words
from windowcast.notice.plan_days import Frame, days_words, kind_words, off_words
from windowcast.notice.reason import in_short, why_not
from windowcast.trade.hive import Blocked
from windowcast.trade.treatment import Regimen
from windowcast.trade.visits import Task
from windowcast.trade.work import AFTER_COUNT_DAYS, Kind

SMALLEST_GAP = 1e-6
SHORTEST_GAIN = 0.05
"""Colonies; less is told as nothing."""


def solved_line(plan: Plan, *, limit_s: float, nothing: bool = False) -> str:
    """How the plan was found, how near it is to the best, and how long that took.

    nothing:  it has no visit, so that there is nothing to be near to
    """
    if plan.how == NOTHING:
        return tr("There is nothing to do in these days that could be planned.")
    took = tr("{seconds} s", seconds=words.decimal(plan.seconds, 1))
    if nothing:
        return tr("Nothing has a place in these days; looked at for {took}.", took=took)
    if plan.gap is None:
        return tr(
            "Found in {took}, of at most {limit} s; how near it is to the best is not known.",
            took=took,
            limit=words.general(limit_s),
        )
    if plan.how == HOW and plan.gap < SMALLEST_GAP:
        return tr("The best there is: every way was looked at, in {took}.", took=took)
    return tr(
        "Found in {took}, of at most {limit} s; whatever else could be driven is worth at most"
        " {gap} more.",
        took=took,
        limit=words.general(limit_s),
        # Rounded up: it is a promise.
        gap=words.per_cent(words.decimal(math.ceil(plan.gap * 1000 - 1e-6) / 10, 1)),
    )


def solved_document(plan: Plan, *, limit_s: float) -> dict[str, Any]:
    """The same as JSON allows. `gap`: what no plan that can be driven is worth more than this one,
    as a share; `choice_gap`: the same of the choice of days that it began with, driving
    estimated."""
    return {
        "seconds": round(plan.seconds, 2),
        "limit_seconds": limit_s,
        "gap": None if plan.gap is None else round(plan.gap, 5),
        "choice_gap": None if plan.choice is None else round(plan.choice, 5),
        "how": plan.how,
    }


def solved_again(kept: Mapping[str, Any], *, nothing: bool = False) -> str:
    """`solved_line` of a plan whose `solved_document` was kept."""
    plan = Plan({}, {}, gap=kept["gap"], seconds=kept["seconds"], how=kept["how"])
    return solved_line(plan, limit_s=kept["limit_seconds"], nothing=nothing)


def judged_line(found: Judgement) -> str:
    """What the weather leaves of the plan."""
    if not found.yards:
        return tr("No treatment is begun in these days.")
    text = tr(
        "{yards}, {colonies}: {expected} expected in a window that holds",
        yards=trn("{count} yard begins", "{count} yards begin", found.yards),
        colonies=words.colonies(found.colonies),
        expected=f"{found.expected:.0f}",
    )
    if found.bad is None:
        return f"{text}."
    return tr("{text}, {bad} or more in nine scenarios of ten.", text=text, bad=found.bad)


def why_words(frame: Frame, need: int, chosen: int, found: WhyThis) -> str:
    """Why a yard has its day, and what the next best would cost."""
    option = frame.option(need, chosen)
    chance = words.percent(option.chance)
    held = frame.instance.needs[need].promised == chosen
    waits = found.waits
    if waits is not None and waits.delivery is not None and gains(waits):
        parts = [tr("{chance}; {waits}", chance=chance, waits=_delivery_words(frame, waits))]
    elif option.below:
        parts = [
            tr("{chance}, less than `min_chance`: kept because it was promised", chance=chance)
        ]
    elif found.better is None:
        parts = [
            tr("the likeliest start to hold, {chance}", chance=chance)
            if found.likeliest
            else tr("the most colonies expected, {chance}", chance=chance)
        ]
    else:
        better = frame.option(need, found.better.option)
        lacks = found.better.hours or found.better.strips or found.better.bound is not Bound.COST
        if lacks or (better.value > option.value and not held):
            lack = lack_words(frame, found.better, need)
        elif better.value > option.value:
            keep = words.general(frame.instance.keep)
            lack = tr("a move must gain more than {gain} (move_gain)", gain=_colonies(keep))
        else:
            lack = tr("the mites that grow until then would cost more")
        parts = [
            tr(
                "{chance}; {day} ({regimen}) would hold in {better}, but {lack}",
                chance=chance,
                day=frame.day(better.start),
                regimen=frame.way(better.treatment, better.regimen),
                better=words.percent(better.chance),
                lack=lack,
            )
        ]
    if waits is not None:
        parts += strips_words(frame, need, waits)
    told = None if found.better is None else found.better.option
    parts += [way_words(frame, need, chosen, one) for one in found.ways if one.option != told]
    other = found.next_best
    if other.option is None:
        days = off_words(frame.first, found.off, frame.instance.needs[need].barred)
        parts.append(
            tr("no other day fits: {days}", days=days)
            if days
            else tr("no other day fits as the plan stands")
        )
    else:
        day = frame.day(frame.option(need, other.option).start)
        if held and other.loses <= -SHORTEST_GAIN:
            parts.append(
                tr(
                    "{day} would gain {gain} colonies, less than the {keep} that a move must"
                    " (move_gain)",
                    day=day,
                    # Rounded down: it is less.
                    gain=words.decimal(math.floor(-other.loses * 10 + 1e-6) / 10, 1),
                    keep=words.general(frame.instance.keep),
                )
            )
        elif other.loses < SHORTEST_GAIN:
            parts.append(tr("{day} would cost as good as nothing", day=day))
        else:
            parts.append(
                tr(
                    "next best {day}, which costs {loses} colonies",
                    day=day,
                    loses=words.decimal(other.loses, 1),
                )
            )
    return "; ".join(parts)


def way_words(frame: Frame, need: int, chosen: int, lack: Missing) -> str:
    """Why it is not given in another way on its day: what that lacks, or that it is not better."""
    mine, other = frame.option(need, chosen), frame.option(need, lack.option)
    if lack.hours or lack.strips or lack.bound is not Bound.COST:
        why = lack_words(frame, lack, need)
        return tr("not {regimen} on that day: {why}", regimen=other.regimen, why=why)
    if other.chance < mine.chance - AS_LIKELY:
        return tr(
            "not {regimen} on that day: it would hold in {chance}",
            regimen=other.regimen,
            chance=words.percent(other.chance),
        )
    if frame.instance.needs[need].promised == chosen:
        return tr("not {regimen} on that day: this was promised", regimen=other.regimen)
    return tr("not {regimen} on that day: that would gain no more", regimen=other.regimen)


def gains(waits: Waits) -> bool:
    """Whether strips that came sooner would gain anything that is told."""
    return waits.gains is not None and waits.gains >= SHORTEST_GAIN


def _delivery_words(frame: Frame, waits: Waits) -> str:
    assert waits.delivery is not None
    day, count = waits.delivery
    return trn(
        "it waits for the {count} strip that comes on {day}",
        "it waits for the {count} strips that come on {day}",
        count,
        day=frame.day(day),
    )


def strips_words(frame: Frame, need: int, waits: Waits) -> list[str]:
    """What strips would gain that came sooner; of a start that needs a delivery also that they
    would gain nothing."""
    start = frame.option(need, waits.option).start
    if not gains(waits):
        if waits.delivery is None:
            return []
        day, _ = waits.delivery
        return [
            tr(
                "it takes strips that come on {day}; had they come sooner, that would gain nothing",
                day=frame.day(day),
            )
        ]
    assert waits.gains is not None
    more = trn("{count} more strip", "{count} more strips", waits.strips)
    values = {
        "more": more,
        "day": frame.day(start),
        "gain": words.decimal(waits.gains, 1),
    }
    if waits.sooner:
        return [tr("that delivery, or {more}, by {day} would gain {gain} colonies here", **values)]
    return [tr("{more} by {day} would gain {gain} colonies here", **values)]


def _colonies(figure: str) -> str:
    """ "1 colony", "2 colonies", "2.5 colonies"."""
    return words.colonies(int(figure)) if figure.isdecimal() else tr("{gain} colonies", gain=figure)


def held_line(instance: Instance) -> str:
    """How firmly a plan holds to what was promised."""
    return tr(
        "What was promised stays, unless it must move or a move gains more than {gain}"
        " (move_gain).",
        gain=_colonies(words.general(instance.keep)),
    )


def _why(one: Lost | Hindered) -> str:
    if one.until is None:
        return one.why
    return tr("{why} (until {day})", why=one.why, day=words.day(one.until))


def hindered_words(day: date, hindered: Hindered) -> str:
    """What stands on a day: "Fri Jul 24 too wet"."""
    return tr("{day} {why}", day=words.day(day), why=_why(hindered))


def _by_day(lost: Lost) -> str:
    """What stands on the days that would do: "Fri Jul 24 too wet; Sat Jul 25 no crew works"."""
    by_why: dict[str, list[date]] = {}
    for day, hindered in lost.days:
        by_why.setdefault(_why(hindered), []).append(day)
    return "; ".join(
        tr("{days} {why}", days=days_words(days), why=why) for why, days in by_why.items()
    )


def _freed_words(lost: Lost, *, start: bool = False) -> str:
    """What would free a start or a job; "" where no day of it is known.

    start:  it is one start of several, and is named
    """
    what = _crew_words(lost.freed) if lost.freed is not None else _eased_words(lost.eased)
    if what and start:
        return tr("{what} would free the start on {start}", what=what, start=words.day(lost.start))
    if what:
        return tr("{what} would free it", what=what)
    stands = [one for _, one in lost.days]
    if any(one.weather for one in stands):
        return tr("only other weather on one of these days would free it")
    if any(one.dark for one in stands):
        return tr("only longer days would free it")
    return tr("no crew alone would free it") if stands or lost.until is not None else ""


def _crew_words(freed: Freed) -> str:
    """ "a crew on Sat Jul 25 whose actives hold thymol"; "" where none is needed."""
    active, days = freed
    values = {
        "days": words.listed([words.day(one) for one in days]) if days else "",
        "active": tr(active) if active else "",
    }
    if active and days:
        return tr("a crew on {days} whose actives hold {active}", **values)
    if active:
        return tr("a crew whose actives hold {active}", **values)
    return tr("a crew on {days}", **values) if days else ""


def _eased_words(eased: Eased | None) -> str:
    """ "Sun Sep 20 without harvest"."""
    if eased is None:
        return ""
    days = words.day(eased.first)
    if eased.last != eased.first:
        days = words.span(eased.first, eased.last)
    text = tr("{days} without {why}", days=days, why=eased.why)
    crew = _crew_words(eased.beside)
    return words.listed([text, crew]) if crew else text


def _lost_one(one: Lost) -> str:
    several = len({_why(each) for _, each in one.days}) > 1
    values = {
        "start": words.day(one.start),
        "day": words.day(one.day),
        "why": _by_day(one) if several else _why(one),
    }
    if one.task is Task.APPLY:
        return tr("a start on {start}: {why}", **values)
    if one.task is Task.SWAP:
        return tr("a start on {start} has its swap on {day}: {why}", **values)
    return tr("a start on {start} has its removal on {day}: {why}", **values)


def _lost_several(lost: Sequence[Lost], why: str) -> str:
    values = {
        "starts": days_words([one.start for one in lost], 3),
        "days": days_words([one.day for one in lost], 3),
        "why": why,
    }
    if lost[0].task is Task.APPLY:
        return tr("starts on {starts}: {why}", **values)
    if lost[0].task is Task.SWAP:
        return tr("starts on {starts} have their swap on {days}: {why}", **values)
    return tr("starts on {starts} have their removal on {days}: {why}", **values)


def lost_words(lost: Sequence[Lost]) -> str:
    """Why starts that the weather allows cannot be worked, those of one reason together, and what
    would free the best of them."""
    groups: dict[tuple[Task, str], list[Lost]] = {}
    for one in lost:
        reasons = dict.fromkeys(_why(each) for _, each in one.days) or [_why(one)]
        groups.setdefault((one.task, words.in_a_row(list(reasons))), []).append(one)
    texts = [
        _lost_one(mine[0])
        if len({(one.start, one.day) for one in mine}) == 1
        else _lost_several(mine, why)
        for (_, why), mine in groups.items()
    ]

    def asks(one: Lost) -> tuple[bool, bool, int, float]:
        freed = one.freed or Freed()
        eased = one.freed is None and one.eased is None
        return eased, one.freed is None, len(freed.days) + bool(freed.active), -one.value

    several = len({one.start for one in lost}) > 1
    texts.append(_freed_words(min(lost, key=asks), start=several))
    return "; ".join(filter(None, texts))


def skipped_words(
    lost: Lost, swap: bool = False, removal: date | None = None, *, board: bool = False
) -> str:
    """Why a job in hand has no day, what would free one, and what that means for the rest.

    swap:     it is a fresh dose
    removal:  the day of the removal that is planned all the same; None: none is
    board:    it is a count that a board under the shut hives does for
    """
    why = _by_day(lost) or hindered_words(lost.day, Hindered(lost.why, lost.until))
    if board:
        return tr("{why}: put a board under the hives instead", why=why)
    freed = _freed_words(lost)
    text = "; ".join(filter(None, [why, freed]))
    if not swap or removal is None:
        return text
    return tr(
        "{text}. The removal on {day} is planned as if the swap were done: decide by the label"
        " whether what is in the hives stays there until then",
        text=text,
        day=words.day(removal),
    )


def shut_words(yards: Sequence[str]) -> str:
    """Why counts are left out that their yards' treatments leave no day for."""
    return trn(
        "no count is planned at {yards}: until the treatment is out and {days} days have passed, a"
        " count says little; count before it goes in",
        "no count is planned at {yards}: until the treatments are out and {days} days have passed,"
        " a count says little; count before they go in",
        len(yards),
        yards=words.listed(yards),
        days=AFTER_COUNT_DAYS,
    )


def without_words(
    *,
    blocked: Sequence[Blocked],
    free: date | None,
    lost: Sequence[Lost],
    beyond: bool = False,
    late: tuple[date, Regimen, date] | None = None,
    others: str = "",
) -> str:
    """Why a yard that is due has no start to plan with.

    late:    the start that the notice names all the same, with the last day that is in time for it
    others:  why each day is none, as `by_day_words` has it
    """
    if lost:
        return lost_words(lost)
    if blocked:
        return tr(
            "the hives are not ready: {first}",
            first=words.listed([in_short(one) for one in blocked]),
        )
    if free is not None:
        return tr(
            "nothing new before {day}: what is in the hives, or its count, comes first; from then"
            " on it can be planned",
            day=words.day(free),
        )
    if beyond:
        return tr("the forecast does not reach these days; plan days that it reaches")
    none = tr("no start is named in these days that is in time")
    if late is not None:
        day, way, limit = late
        none = tr(
            "the notice names {day} ({regimen}), which is too late to be over in time: the last day"
            " for that is {limit}. No day is in time",
            day=words.day(day),
            regimen=words.regimen(way),
            limit=words.day(limit),
        )
    if not others:
        return none
    return tr("{none}: {days}; only other weather would free one", none=none, days=others)


def gone_words(gone: Gone, units: str) -> str:
    """Why a start that was promised is none any more."""
    if gone.free is not None:
        return tr(
            "nothing new before {day}: what is in the hives, or its count, comes first",
            day=words.day(gone.free),
        )
    if gone.limit is not None:
        return tr("the last day to start so that it is in time is {day}", day=words.day(gone.limit))
    if gone.row is not None:
        return why_not(gone.row, units)
    if gone.lost is not None and gone.lost.task is Task.APPLY:
        hindered = Hindered(gone.lost.why, gone.lost.until)
        text, freed = hindered_words(gone.lost.day, hindered), _freed_words(gone.lost)
        return f"{text}; {freed}" if freed else text
    if gone.lost is not None:
        return lost_words([gone.lost])
    if gone.over:
        return tr("today's hours are over")
    return tr("its treatment and its day are not among those looked at now")


class Shift(NamedTuple):
    """One visit that is not on the day or with the crew that were promised."""

    task: str
    was_day: date
    was_crew: str
    day: date
    crew: str
    why: str


def _shift_words(one: Shift) -> str:
    values = {
        "task": kind_words(Kind(one.task)),
        "day": words.day(one.day),
        "crew": one.crew,
        "was_day": words.day(one.was_day),
        "was_crew": one.was_crew,
        "why": one.why,
    }
    if one.day == one.was_day:
        return tr("{task} {day} with {crew} instead of {was_crew} ({why})", **values)
    if one.crew == one.was_crew:
        return tr("{task} {day} instead of {was_day}, with {crew} ({why})", **values)
    return tr("{task} {day} with {crew} instead of {was_day} with {was_crew} ({why})", **values)


def gained_words(frame: Frame, move: Move) -> str:
    """What a move gains that need not have been, and who has what it leaves; "" where it had to
    be."""
    if move.gain is None:
        return ""
    # Rounded down: what is named is gained.
    gain = _colonies(words.decimal(math.floor(max(move.gain, 0.0) * 10 + 1e-6) / 10, 1))
    needs = frame.instance.needs
    yards = list(dict.fromkeys(needs[one].yard for one in move.serves))
    if yards:
        return tr(
            "what it had now serves {yards}; the plan gains {gain} in all",
            yards=words.listed(yards),
            gain=gain,
        )
    return tr("it spares work or driving; the plan gains {gain} in all", gain=gain)


def move_words(frame: Frame, move: Move, gone: str = "", shifts: Sequence[Shift] = ()) -> str:
    """What has become of a promise, and why.

    gone:    why its start is none any more
    shifts:  of a move of visits: each that moves
    """
    if move.why is Why.VISIT:
        moved = "; ".join(_shift_words(one) for one in shifts)
        return tr("the start keeps its day; {visits}", visits=moved) if move.was.begins else moved
    if move.was.begins:
        way = frame.way(move.was.treatment, move.was.regimen)
        was = tr("was {day} ({regimen})", day=words.day(move.was.start), regimen=way)
    else:
        days = [
            tr(
                "{task} {day} with {crew}",
                task=kind_words(Kind(task)),
                day=words.day(day),
                crew=crew,
            )
            for task, day, crew in move.was.stops
        ]
        was = tr("promised was {visits}", visits=words.listed(days))
    if move.now is None or move.need is None:
        now = tr("now none")
    else:
        option = frame.option(move.need, move.now)
        way = frame.way(option.treatment, option.regimen)
        now = tr("now {day} ({regimen})", day=frame.day(option.start), regimen=way)
    because = {
        Why.MISSED: tr("its day has passed and no start was entered"),
        Why.BEFORE: tr("that day comes before the days planned here"),
        Why.GONE: gone or tr("nothing is due there any more"),
    }.get(move.why)
    if because is None:
        if move.why is Why.GAIN:
            because = tr(
                "it gains {gain} colonies, more than the {keep} that a move must (move_gain)",
                gain="" if move.gain is None else words.decimal(move.gain, 1),
                keep=words.general(frame.instance.keep),
            )
        else:
            # Without a need and what it lacks no room is looked for.
            lack = (
                ""
                if move.lacks is None or move.need is None
                else lack_words(frame, move.lacks, move.need)
            )
            gained = gained_words(frame, move)
            because = "; ".join(filter(None, [lack, gained])) or tr("its hours or strips are gone")
    return tr("{was}, {now}: {because}", was=was, now=now, because=because)


class Hours(NamedTuple):
    """A crew's day that was promised with other hours.

    order:  the yards come in another order
    yards:  each that is reached at another time, with that of now and that promised
    """

    crew: str
    day: date
    order: bool
    yards: tuple[tuple[str, time, time], ...]


def hours_words(found: Hours) -> str:
    """ "South crew, Tue Jul 14: another order; Holly at 08:39 instead of 12:01"."""
    yards = words.listed(
        [
            tr(
                "{yard} at {now} instead of {was}",
                yard=yard,
                now=words.clock(now),
                was=words.clock(was),
            )
            for yard, now, was in found.yards
        ]
    )
    values = {"crew": found.crew, "day": words.day(found.day), "yards": yards}
    if found.order:
        return tr("{crew}, {day}: another order; {yards}", **values)
    return tr("{crew}, {day}: other hours; {yards}", **values)
