"""A crew's plan as text, JSON, a table and a calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from windowcast import plan_shifts
from windowcast.crew.days import Lost
from windowcast.crew.explain import Bound
from windowcast.crew.needs import DOSES
from windowcast.crew.replan import Move, Why
from windowcast.edges.settings import Configuration
from windowcast.edges.store import PromisedPlan
from windowcast.language import marked, tr, trn
from windowcast.notice import crew_lines, none_lines, plan_days, plan_lines, words
from windowcast.notice.crew_lines import SheetView
from windowcast.notice.due_lines import options_in_short
from windowcast.notice.plain import labelled, licence_line, source_lines, too_old, wrapped
from windowcast.notice.plan_days import Frame
from windowcast.notice.stock_lines import stock_document, stock_words
from windowcast.plan_task import DUE, LeftOut, Task, Without
from windowcast.planning import Planned, Reason, sheet_views
from windowcast.trade.work import Job, Kind
from windowcast.visiting import INVENTED


def text(planned: Planned, *, crew: str | None = None, promised: bool = False) -> list[str]:
    """The whole plan for a terminal; or one crew's days."""
    task = planned.task
    views = _of_crew(sheet_views(planned), crew)
    last = task.first + timedelta(days=task.days - 1)
    lines = []
    if task.configuration.weather.provider == "sample":
        lines += [wrapped(tr(INVENTED)), ""]
    head = tr(
        "Plan of {crews}, {span}, {year}",
        crews=trn("{count} crew", "{count} crews", len(task.settings.crews)),
        span=words.span(task.first, last),
        year=last.year,
    )
    lines += [wrapped(head)]
    if task.settings.assumed:
        lines.append(
            wrapped(
                tr(
                    "No crew is described in crews.toml: two people on weekdays, eight hours a day,"
                    " are assumed."
                )
            )
        )
    if task.settings.base is None and any(one.base is None for one in task.settings.crews):
        lines.append(
            wrapped(tr("Days begin and end in the middle of the yards: no base is given."))
        )
    lines.append(wrapped(plan_lines.judged_line(planned.judgement)))
    solved = plan_lines.solved_line(
        planned.plan, limit_s=task.settings.seconds, nothing=not planned.plan.chosen
    )
    lines.append(wrapped(solved))
    if task.promises:
        lines.append(wrapped(plan_lines.held_line(task.instance)))
    stock = [stock_words(one, task.today) for one in task.held]
    lines += [wrapped(" ".join(said)) for said in stock if said]
    lines += _light_lines(planned, crew)
    for view in views:
        lines += ["", *crew_lines.sheet_lines(view)]
    if not views:
        lines += ["", tr("Nobody has to drive in these days.")]
    lines += _why_lines(planned, crew)
    lines += _none_lines(planned)
    lines += _left_out_lines(planned)
    lines += _move_lines(planned, crew)
    closing = crew_lines.closing_lines(views)
    if closing:
        lines += ["", *closing]
    lines += ["", wrapped(tr("A plan hangs on the weather: look at that morning's notice first."))]
    if promised:
        lines += ["", wrapped(tr("Kept as promised: later plans hold to it."))]
    answers = [one.answer for one in task.yards if one.answer is not None]
    sources = dict.fromkeys(
        line for line in (*source_lines(answers), *map(licence_line, answers)) if line
    )
    return [*lines, "", *(wrapped(one) for one in sources)] if sources else lines


def _of_crew(views: Sequence[SheetView], crew: str | None) -> tuple[SheetView, ...]:
    return tuple(view for view in views if crew is None or view.crew.casefold() == crew.casefold())


def _light_lines(planned: Planned, only: str | None) -> list[str]:
    """Of each crew that stays at home for want of light, on how many days."""
    task = planned.task
    lines = []
    for number, crew in enumerate(task.instance.crews):
        if only is not None and crew.name.casefold() != only.casefold():
            continue
        dark = sum(one.dark for one in task.leaves[number][: task.days])
        if dark:
            said = trn(
                "{crew} stays at home on {count} day, for want of light.",
                "{crew} stays at home on {count} days, for want of light.",
                dark,
                crew=crew.name,
            )
            lines.append(wrapped(said))
    return lines


def _frame(planned: Planned) -> Frame:
    ways = {
        (one.id, way.id): words.regimen(way)
        for one in planned.task.configuration.treatments
        for way in one.regimens
    }
    return Frame(planned.task.instance, planned.task.first, ways)


def _goes(planned: Planned, need: int, only: str | None) -> bool:
    """Whether a crew goes to one of a need's visits; None: any crew."""
    crews = planned.task.instance.crews
    chosen = planned.plan.chosen.get(need)
    stops = () if chosen is None else chosen.stops
    return only is None or any(crews[one.crew].name.casefold() == only.casefold() for one in stops)


def _why_lines(planned: Planned, only: str | None) -> list[str]:
    frame = _frame(planned)
    lines: list[str] = []
    alike: dict[tuple[str, str, str], list[str]] = {}
    for need, found in planned.why.items():
        if not _goes(planned, need, only):
            continue
        chosen = planned.plan.chosen[need].option
        option = frame.option(need, chosen)
        why = plan_lines.why_words(frame, need, chosen, found)
        key = frame.day(option.start), frame.way(option.treatment, option.regimen), why
        alike.setdefault(key, []).append(planned.task.instance.needs[need].yard)
    for (day, regimen, why), yards in alike.items():
        said = tr(
            "{yard}, {day} ({regimen}): {why}",
            yard=words.listed(yards),
            day=day,
            regimen=regimen,
            why=why,
        )
        lines += labelled("" if lines else tr("Why"), f"- {said}")
    return ["", *lines] if lines else []


def _none_lines(planned: Planned) -> list[str]:
    """The yards and jobs that found no place."""
    task = planned.task
    found = []
    kinds: list[Kind] = []
    uncounted: list[str] = []
    for group in _alike(planned):
        kinds.append(_kind(planned, group[0].need))
        names = [task.instance.needs[one.need].yard for one in group]
        uncounted += names if kinds[-1] is Kind.COUNT else []
        found.append(_said(words.listed(names), kinds[-1], _none_words(planned, group)))
    if planned.shut:
        kinds.append(Kind.COUNT)
        left = dict.fromkeys(task.instance.needs[number].yard for number in planned.shut)
        uncounted += left
        found.append(words.capital(plan_lines.shut_words(list(left))))
    skipped: dict[tuple[Kind, str], list[str]] = {}
    boards = 0
    for one in task.yards:
        for job, lost in one.skipped:
            said = _skipped(planned, job, lost)
            skipped.setdefault((job.kind, said), []).append(one.yard.name)
            uncounted += [one.yard.name] * (job.kind is Kind.COUNT)
            boards += job.kind is Kind.COUNT_AFTER and _shut_by_weather(lost)
    kinds += [kind for kind, _ in skipped]
    found += [_said(words.listed(names), kind, why) for (kind, why), names in skipped.items()]
    for one in task.yards:
        if one.without is not None and one.without.known:
            kinds.append(Kind.APPLY)
            said = _without(planned, one.without)
            found.append(tr("{yard}: {what}", yard=one.yard.name, what=said))
    unknown: dict[str, list[str]] = {}
    for one in task.yards:
        if one.without is not None and not one.without.known:
            unknown.setdefault(_without(planned, one.without), []).append(one.yard.name)
            kinds.append(Kind.APPLY)
    found += [
        tr("{yard}: {what}", yard=words.listed(names), what=said) for said, names in unknown.items()
    ]
    lines: list[str] = []
    for said in found:
        lines += labelled("" if lines else tr("No place"), f"- {said}")
    if not lines:
        return []
    told: list[str] = []
    for kind in sorted(set(kinds), key=list(Kind).index):
        board = kind is Kind.COUNT_AFTER and boards > 0
        follows = [plan_days.follows_words(kind, board=board)]
        if kind is Kind.COUNT:
            follows = _without_count(task, uncounted)
        for what in follows:
            said = tr("{task}: {what}", task=plan_days.kind_words(kind), what=what)
            told += labelled("" if told else tr("If it stays"), f"- {said}")
    return ["", *lines, "", *told]


def _without_count(task: Task, yards: Sequence[str]) -> list[str]:
    """What follows where yards are not counted: of those that were this season, since when nobody
    knows."""
    by_last: dict[date | None, list[str]] = {}
    for yard in dict.fromkeys(yards):
        last = task.named[yard].due.last
        by_last.setdefault(None if last is None else last.day, []).append(yard)
    found = []
    for day, names in by_last.items():
        if day is None and len(by_last) == 1:
            found.append(plan_days.follows_words(Kind.COUNT))
        elif day is None:
            what = plan_days.follows_words(Kind.COUNT)
            found.append(tr("{yard}: {what}", yard=words.listed(names), what=what))
        else:
            found.append(plan_days.counted_words(names, day))
    return found


def _kind(planned: Planned, number: int) -> Kind:
    """What finds no place: a start, or the first visit of a job in hand."""
    need = planned.task.instance.needs[number]
    return Kind.APPLY if need.starts else Kind(need.options[0].stops[0].task)


def _follows(planned: Planned, number: int) -> str:
    """What follows where a need finds no place and it stays so."""
    yard = planned.task.instance.needs[number].yard
    return _follows_of(planned.task, _kind(planned, number), yard)


def _follows_of(task: Task, kind: Kind, yard: str, lost: Lost | None = None) -> str:
    if kind is Kind.COUNT:
        return _without_count(task, [yard])[0]
    board = kind is Kind.COUNT_AFTER and lost is not None and _shut_by_weather(lost)
    return plan_days.follows_words(kind, board=board)


def _alike(planned: Planned) -> list[list[Reason]]:
    """The needs without a place, those together of which the same is said but for the minutes."""
    groups: dict[object, list[Reason]] = {}
    for one in planned.unplaced:
        need, lack = planned.task.instance.needs[one.need], one.missing
        key: object = one.need
        if lack is not None and not lack.strips and lack.bound is Bound.HOURS:
            option = need.options[lack.option]
            peers = None if one.peers is not None and one.peers.alone else one.peers
            key = (
                (option.start, option.regimen) if need.starts else _kind(planned, one.need),
                tuple(short._replace(minutes=0.0) for short in lack.hours),
                peers,
                _other_days(planned, one),
            )
        groups.setdefault(key, []).append(one)
    return list(groups.values())


def _none_words(planned: Planned, group: Sequence[Reason]) -> str:
    """What is said of needs that are alike."""
    one = group[0]
    lacks = [each.missing for each in group if each.missing is not None]
    return none_lines.none_words(
        _frame(planned),
        [each.need for each in group],
        lacks,
        others=_other_days(planned, one),
        peers=one.peers,
    )


def _other_days(planned: Planned, reason: Reason) -> str:
    """Why the days do not count on which a need could not almost be."""
    task, lack = planned.task, reason.missing
    need = task.instance.needs[reason.need]
    if need.starts:
        told = [] if lack is None else [need.options[lack.option].start]
        return plan_days.off_words(task.first, reason.off, need.barred, but=told)
    told = [] if lack is None else [short.day for short in lack.hours]
    calendar = task.named[need.yard].calendar
    barred = []
    days: list[int] = []
    for stop in need.options[0].stops:
        for day in range(min(stop.days), max(stop.days) + 1):
            days.append(day)
            stands = None if day in stop.days else calendar.hindered(day, stop.skill)
            if stands is not None:
                barred.append((day, stands.why))
    return plan_days.off_words(
        task.first, reason.off, barred, treated=reason.treated, days=days, but=told
    )


def _skipped(planned: Planned, job: Job, lost: Lost) -> str:
    """Why a job in hand has no day, and what is planned of its treatment all the same."""
    key = f"{job.yard}\n{job.series}\n{DOSES}"
    removal = next(
        (
            planned.task.first + timedelta(days=placed.day)
            for need, chosen in planned.plan.chosen.items()
            if planned.task.instance.needs[need].key == key
            for stop, placed in zip(
                planned.task.instance.needs[need].options[0].stops, chosen.stops, strict=True
            )
            if stop.task == Kind.REMOVE.value
        ),
        None,
    )
    board = job.kind is Kind.COUNT_AFTER and _shut_by_weather(lost)
    return plan_lines.skipped_words(lost, job.kind is Kind.SWAP, removal, board=board)


def _shut_by_weather(lost: Lost) -> bool:
    """The weather alone keeps hives shut on a day that would do."""
    return lost.freed is None and lost.eased is None and any(one.weather for _, one in lost.days)


MOST_NAMES = 5
LEFT_OUT = {
    LeftOut.NOT_DUE: marked("nothing is due yet, though the weather would let a start be: {yards}"),
    LeftOut.TREATED: marked(
        "treated this season, though the weather would let a start be: {yards}"
    ),
    LeftOut.LOOK: marked(
        "look for brood first (windowcast found), oxalic acid works only where none is capped:"
        " {yards}"
    ),
    LeftOut.BROOD: marked("capped brood was seen, so that oxalic acid waits: {yards}"),
}


def _left_out_lines(planned: Planned) -> list[str]:
    """Where no start is looked for, by the reason."""
    lines: list[str] = []
    for why, text in LEFT_OUT.items():
        yards = [one.yard.name for one in planned.task.yards if why in one.left_out]
        if not yards:
            continue
        few, more = yards[:MOST_NAMES], len(yards) - MOST_NAMES
        if more > 0:
            few.append(trn("{count} more", "{count} more", more))
        said = tr(text, yards=words.listed(few))
        lines += labelled("" if lines else tr("No start"), f"- {said}")
    return ["", *lines] if lines else []


def _said(yard: str, kind: Kind, why: str) -> str:
    return tr("{yard}, {task}: {why}", yard=yard, task=plan_days.kind_words(kind), why=why)


def _move_lines(planned: Planned, only: str | None) -> list[str]:
    found = [
        tr("{yard}: {what}", yard=move.was.yard, what=_moved(planned, move))
        for move in planned.moves
        if only is None
        or any(crew.casefold() == only.casefold() for _, _, crew in move.was.stops)
        or (move.need is not None and _goes(planned, move.need, only))
    ]
    found += [
        plan_lines.hours_words(one)
        for one in plan_shifts.other_hours(planned)
        if only is None or one.crew.casefold() == only.casefold()
    ]
    lines: list[str] = []
    for said in found:
        lines += labelled("" if lines else tr("Moved"), f"- {said}")
    return ["", *lines] if lines else []


def _moved(planned: Planned, move: Move) -> str:
    shifts = plan_shifts.shifts(planned, move, _frame(planned)) if move.why is Why.VISIT else ()
    return plan_lines.move_words(_frame(planned), move, _gone(planned, move), shifts)


def _gone(planned: Planned, move: Move) -> str:
    """Why a start that was promised is none any more; "" where nothing is due there."""
    task = planned.task
    one = task.named.get(move.was.yard)
    if one is None:
        return tr("the yard is not in yards.toml any more")
    if one.gone is not None and (any(one.gone) or one.without is None):
        return plan_lines.gone_words(one.gone, task.configuration.units)
    if one.without is None and LeftOut.BROOD in one.left_out:
        return tr("capped brood was seen, so that oxalic acid waits")
    if one.without is None and LeftOut.LOOK in one.left_out:
        return tr("no look for brood counts there any more: look again first")
    return "" if one.without is None else _without(planned, one.without)


def unknown_words(without: Without, configuration: Configuration) -> str:
    """What is wrong with the forecast of a yard without a usable one."""
    if without.old_hours is None:
        return tr("no usable forecast is stored")
    return too_old(without.old_hours, configuration.weather.max_age_hours)


def _without(planned: Planned, without: Without) -> str:
    if not without.known:
        why = unknown_words(without, planned.task.configuration)
        return tr("{why} (windowcast morning --print fetches one)", why=why)
    why = _why_without(planned, without)
    others = options_in_short(without.instead)
    return tr("{why}; instead: {treatments}", why=why, treatments=others) if others else why


def _why_without(planned: Planned, without: Without) -> str:
    if without.look is not None and not (without.lost or without.blocked or without.free):
        return tr(
            "no start is named up to {day}, as long as the look for brood counts; look again then",
            day=words.day(without.look),
        )
    told = without.lost or without.blocked or without.free or without.beyond
    if without.due.state not in DUE and not told:
        return tr("no start is named in these days")
    return plan_lines.without_words(
        blocked=without.blocked,
        free=without.free,
        lost=without.lost,
        beyond=without.beyond,
        late=without.late,
        others=plan_days.by_day_words(planned.task.first, without.barred),
    )


def csv_text(planned: Planned, *, crew: str | None = None) -> str:
    """The table of the crews' days."""
    return crew_lines.csv_text(_of_crew(sheet_views(planned), crew))


def document(planned: Planned, *, number: int | None, crew: str | None = None) -> dict[str, Any]:
    """The plan as JSON allows.

    number:  of the promise that it was kept as; None: it was not
    """
    frame, task, plan = _frame(planned), planned.task, planned.plan
    last = task.first + timedelta(days=task.days - 1)
    judged = planned.judgement
    return {
        "schema": 1,
        "from": task.first.isoformat(),
        "to": last.isoformat(),
        "promised": number,
        "move_gain": task.instance.keep,
        "crews": [
            {
                "name": one.name,
                "people": one.people,
                "hours": row.hours,
                "assumed": task.settings.assumed,
            }
            for one, row in zip(task.instance.crews, task.settings.crews, strict=True)
        ],
        "expected": {
            "yards": judged.yards,
            "colonies": judged.colonies,
            "holds": round(judged.expected, 1),
            "bad": judged.bad,
        },
        "stock": [stock_document(one) for one in task.held],
        "solved": plan_lines.solved_document(plan, limit_s=task.settings.seconds),
        "sheets": crew_lines.sheets_document(_of_crew(sheet_views(planned), crew)),
        "starts": [_start_document(planned, need) for need in planned.why],
        "no_place": [
            {
                "yard": task.instance.needs[one.need].yard,
                "task": "start"
                if task.instance.needs[one.need].starts
                else task.instance.needs[one.need].options[0].stops[0].task,
                "why": _none_words(planned, [one]),
                "follows": _follows(planned, one.need),
                "lacks": none_lines.missing_document(frame, one.missing, one.need),
            }
            for one in planned.unplaced
        ]
        + [
            {
                "yard": task.instance.needs[number].yard,
                "task": task.instance.needs[number].options[0].stops[0].task,
                "why": plan_lines.shut_words([task.instance.needs[number].yard]),
                "follows": _follows(planned, number),
                "lacks": None,
            }
            for number in planned.shut
        ]
        + [
            {
                "yard": one.yard.name,
                "task": "start",
                "why": _without(planned, one.without),
                "follows": plan_days.follows_words(Kind.APPLY),
                "lacks": None,
            }
            for one in task.yards
            if one.without is not None
        ]
        + [
            {
                "yard": one.yard.name,
                "task": job.kind.value,
                "why": _skipped(planned, job, lost),
                "follows": _follows_of(task, job.kind, one.yard.name, lost),
                "lacks": None,
            }
            for one in task.yards
            for job, lost in one.skipped
        ],
        "left_out": [
            {"yard": one.yard.name, "why": why.value} for one in task.yards for why in one.left_out
        ],
        "moves": [
            {
                "yard": move.was.yard,
                "why": move.why.name.lower(),
                "gain": None if move.gain is None else round(move.gain, 2),
                "was": move.was.start.isoformat(),
                "text": _moved(planned, move),
            }
            for move in planned.moves
        ],
        "other_hours": [
            {
                "crew": one.crew,
                "date": one.day.isoformat(),
                "other_order": one.order,
                "yards": [
                    {"yard": yard, "arrive": f"{now:%H:%M}", "promised": f"{was:%H:%M}"}
                    for yard, now, was in one.yards
                ],
                "text": plan_lines.hours_words(one),
            }
            for one in plan_shifts.other_hours(planned)
        ],
    }


def _start_document(planned: Planned, need: int) -> dict[str, Any]:
    frame, task = _frame(planned), planned.task
    found = planned.why[need]
    chosen = planned.plan.chosen[need]
    option = frame.option(need, chosen.option)
    other = found.next_best
    return {
        "yard": task.instance.needs[need].yard,
        "colonies": task.instance.needs[need].colonies,
        "weight": round(task.instance.needs[need].weight, 3),
        "treatment": option.treatment,
        "regimen": option.regimen,
        "start": (task.first + timedelta(days=option.start)).isoformat(),
        "chance": round(option.chance, 3),
        "visits": [
            {
                "task": stop.task,
                "date": (task.first + timedelta(days=placed.day)).isoformat(),
                "crew": task.instance.crews[placed.crew].name,
            }
            for stop, placed in zip(option.stops, chosen.stops, strict=True)
        ],
        "why": plan_lines.why_words(frame, need, chosen.option, found),
        "next_best": None
        if other.option is None
        else {
            "start": (
                task.first + timedelta(days=frame.option(need, other.option).start)
            ).isoformat(),
            "costs_colonies": round(other.loses, 2),
        },
    }


def promised_lines(
    promised_at: datetime, document: Mapping[str, Any], *, crew: str | None = None
) -> list[str]:
    """The sheets as they were promised."""
    day = words.day_with_year(promised_at.date())
    lines = [wrapped(tr("As promised on {day}", day=day))]
    if "solved" in document:  # a plan of an older version does not say it
        nothing = not document["sheets"]
        lines.append(wrapped(plan_lines.solved_again(document["solved"], nothing=nothing)))
    for sheet in document["sheets"]:
        if crew is None or sheet["crew"].casefold() == crew.casefold():
            lines += ["", *sheet["text"]]
    return lines


def promised_document(
    number: int,
    promised_at: datetime,
    document: Mapping[str, Any],
    *,
    crew: str | None = None,
) -> dict[str, Any]:
    """The same as JSON allows."""
    found = {"schema": 1, "promised": number, "promised_at": promised_at.isoformat()} | {
        key: value for key, value in document.items() if key != "schema"
    }
    found["sheets"] = [
        sheet
        for sheet in document["sheets"]
        if crew is None or sheet["crew"].casefold() == crew.casefold()
    ]
    return found


def calendar(
    planned: Planned,
    *,
    origin: bytes,
    now: datetime,
    number: int | None,
    before: PromisedPlan | None,
    crew: str | None = None,
) -> bytes:
    """The crews' days as an iCalendar file; what was promised before and is no more is called off.

    origin:  of the database, part of every event's name
    number:  of the promise that the events come from, which numbers their versions; None: it is a
             draft
    """
    from windowcast import __version__
    from windowcast.notice import crew_calendar
    from windowcast.notice.calendar import NOBODY, address

    mail = planned.task.configuration.mail
    gone: list[tuple[str, str]] = []
    if before is not None:
        gone = [
            (one["crew"], one["date"])
            for one in before.document["sheets"]
            if crew is None or one["crew"].casefold() == crew.casefold()
        ]
    return crew_calendar.file(
        _of_crew(sheet_views(planned), crew),
        origin=origin,
        zone=planned.task.yards[0].yard.timezone,
        gone=gone,
        today=planned.task.today,
        sequence=number,
        organizer=NOBODY if mail is None else address(mail.sender),
        version=__version__,
        now=now,
    )
