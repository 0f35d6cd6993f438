"""A crew's day as it was promised, with today's word beside each stop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, time
from enum import Enum
from fractions import Fraction
from typing import Any, NamedTuple

from windowcast.language import tr, trn
from windowcast.notice import hive_lines, visit_lines, visit_words, words
from windowcast.notice.plain import chance_words, labelled, wrapped
from windowcast.notice.reason import first_do, why_not
from windowcast.trade import hive as hives
from windowcast.trade.bring import Load, Protection, add_up
from windowcast.trade.hive import Blocked, Obstacle
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.work import Job, Kind
from windowcast.trade.yard import Yard
from windowcast.window.decide import Row

DOSED = (Kind.APPLY, Kind.SWAP, Kind.REMOVE)
"""What has its one right day."""

Key = tuple[str, str, str, str]
"""A stop: yard, day, crew and task, as they are kept."""


class State(Enum):
    """What today says of a stop that was promised."""

    GOOD = "it stands"
    DONE = "entered already"
    UNKNOWN = "no usable forecast says anything of this start"
    UNNAMED = "a start on this day is not named any more"
    SHUT = "the hives stay shut on that day"
    BLOCKED = "the hives are not ready"
    WAITS = "what is in, or its count, comes first"
    EARLY = "its dose is not due yet"
    LAPSED = "the whole exposure has passed, so that no fresh dose is given"
    NOTHING_IN = "what it follows was not entered"
    OTHER_WAY = "it was begun in another regimen, which has no such visit"
    TAKEN = "something else has that day"
    UNSEEN = "nobody has looked at this yard for this"
    UNASKED = "the season asks for no count now, as while a treatment is in"
    DANGER = "what is in the hives is in danger of heat"


OUT = (State.DONE, State.UNNAMED, State.SHUT, State.WAITS, State.EARLY, State.LAPSED,
       State.NOTHING_IN, State.UNASKED, State.OTHER_WAY, State.TAKEN)  # fmt: skip
"""Not done on this day: nothing is loaded for it."""


class StopToday(NamedTuple):
    """What today says of one stop.

    starts:   it is a start
    day:      on which it was done, or before which it may not be
    row:      of the start, as it is judged today; None: that day is not judged
    named:    the day that is named instead; None: none is
    why:      why the hives stay shut, or what else has the day; of a start that is not known to
              stand, in English, why
    over:     that day is today, whose hours are over
    blocked:  what must be done at the hives first
    """

    state: State
    starts: bool = False
    day: date | None = None
    row: Row | None = None
    named: date | None = None
    why: str = ""
    blocked: tuple[Blocked, ...] = ()
    over: bool = False

    @property
    def out(self) -> bool:
        """It is not done on this day: supers can be taken off first, brood cannot."""
        return self.state in OUT or self.brood

    @property
    def brood(self) -> bool:
        """Capped brood keeps it out, as far as is known."""
        return self.state is State.BLOCKED and Obstacle.BROOD in (
            one.obstacle for one in self.blocked
        )


UNSEEN = StopToday(State.UNSEEN)


class Known(NamedTuple):
    """What a sheet is read with.

    treatments:  by id
    yards:       by name
    today:       what is said of its stops, where one that is missing was not looked at; None: the
                 plan is of today
    units:       of temperatures
    """

    treatments: Mapping[str, Treatment]
    yards: Mapping[str, Yard]
    today: Mapping[Key, StopToday] | None
    units: str

    def said(
        self, sheet: Mapping[str, Any], call: Mapping[str, Any], visit: Mapping[str, Any]
    ) -> StopToday:
        if self.today is None:
            return StopToday(State.GOOD)
        key = (call["yard"], sheet["date"], sheet["crew"], visit["task"])
        return self.today.get(key, UNSEEN)


def today_words(said: StopToday, units: str) -> str:
    """Today's word on one stop; "" where there is nothing to say."""
    if said.state is State.DONE:
        if said.day is None:
            return tr("DONE: it is entered already")
        return tr("DONE: entered for {day}", day=words.day(said.day))
    if said.state is State.GOOD:
        if said.row is None:
            return ""
        return tr("today it stands: {chance}", chance=chance_words(said.row))
    if said.state is State.UNKNOWN:
        return tr(
            "NOT KNOWN whether it stands: {why}; start only once a fresh forecast says so",
            why=tr(said.why),
        )
    if said.state is State.SHUT:
        return (
            tr("DO NOT START: the hives stay shut on that day ({why})", why=said.why)
            if said.starts
            else tr("HIVES STAY SHUT on that day ({why})", why=said.why)
        )
    if said.state is State.BLOCKED:
        steps = words.listed([first_do(one) for one in said.blocked])
        if said.brood:
            return tr("DO NOT START: first {steps}", steps=steps)
        return tr("DO NOT START YET: first {steps}", steps=steps)
    if said.state is State.WAITS and said.day is not None:
        return tr(
            "DO NOT START before {day}: what is in the hives, or its count, comes first",
            day=words.day(said.day),
        )
    if said.state is State.EARLY and said.day is not None:
        return tr("NOT YET: by what is entered it is due {day}", day=words.day(said.day))
    if said.state is State.LAPSED:
        return tr("NO FRESH DOSE: {why}", why=tr(visit_lines.LAPSED))
    if said.state is State.DANGER:
        return tr(
            "DANGER OF HEAT to what is in: read what is said of this yard first; no fresh dose"
            " into the heat"
        )
    if said.state is State.UNSEEN:
        return tr("NOT LOOKED AT here: read this yard's own notice or page before you begin")
    if said.state is State.UNASKED:
        return tr("LEAVE IT OUT: a count says nothing while a treatment is in or is to be judged")
    if said.state is State.OTHER_WAY:
        return tr("LEAVE IT OUT: it was begun in another regimen, which has no such visit")
    if said.state is State.TAKEN:
        return tr("NOT ON THIS DAY: {why}", why=said.why)
    if said.state is State.NOTHING_IN:
        return tr("LEAVE IT OUT: nothing is entered that it could follow; or enter it first")
    return _unnamed(said, units)


def _unnamed(said: StopToday, units: str) -> str:
    if said.over and said.named is None:
        return tr("DO NOT START: today's hours are over, and no later start is named")
    if said.over and said.named is not None:
        return tr(
            "DO NOT START: today's hours are over; named is {day} now", day=words.day(said.named)
        )
    if said.named is None:
        text = tr("DO NOT START: no start is named any more")
    else:
        text = tr("DO NOT START: named is {day} now", day=words.day(said.named))
    if said.row is None:
        return text
    return tr("{text}; {why}", text=text, why=why_not(said.row, units))


def sheet_lines(sheet: Mapping[str, Any], known: Known) -> list[str]:
    """One sheet as `sheets_document` keeps it, for a terminal or a mail, in the reader's language.

    What is done already or must not be done today is left out of the load.
    """
    calls = sheet["calls"]
    head = title(sheet)
    lines = [wrapped(head), "-" * min(len(head), 78)]
    if stays := stays_words(sheet, known):
        lines.append(wrapped(stays))
    for text in load_texts(sheet, known):
        lines += labelled(tr("Load"), text)
    if sheet["wear"]:
        lines += labelled(tr("Wear, have"), wear_words(sheet))
    lines += labelled(sheet["leave"], leave_words(sheet))
    rest = sheet["break_at"]
    for number, call in enumerate(calls, start=1):
        if rest is not None and comes_before(sheet, rest, call["arrive"]):
            lines += _rest(sheet)
            rest = None
        lines += labelled(
            call["arrive"],
            tr(
                "{number}. {yard}, until {leave} ({drive} min drive)",
                number=number,
                yard=call["yard"],
                leave=call["leave"],
                drive=round(call["drive_minutes"]),
            ),
        )
        for visit in call["visits"]:
            said = known.said(sheet, call, visit)
            word = today_words(said, known.units)
            task = _task(sheet, visit, known)
            if said.state is not State.GOOD:
                # What must not be overlooked stands before what was promised.
                text = tr("{word}. Promised was: {task}", word=word, task=task)
                lines += labelled("", f"- {text}")
                if not said.out:
                    lines += _reminders(visit, known)
                continue
            lines += labelled("", f"- {task}")
            if word:
                lines += labelled("", f"- {word}")
            lines += _reminders(visit, known)
    if rest is not None:
        lines += _rest(sheet)
    lines += labelled(sheet["back"], back_words(sheet))
    return lines


def nobody_lines(promised: Sequence[str], today: date) -> list[str]:
    """That no crew drives today or tomorrow, laid out as a sheet.

    promised:  the days on which one does
    """
    head = tr("Crews")
    later = min((day for day in map(date.fromisoformat, promised) if day > today), default=None)
    text = (
        tr("No crew drives today or tomorrow, and no later day is promised.")
        if later is None
        else tr(
            "No crew drives today or tomorrow; the next day that is promised is {day}.",
            day=words.day(later),
        )
    )
    return [head, "-" * len(head), *wrapped(text).splitlines()]


def _task(sheet: Mapping[str, Any], visit: Mapping[str, Any], known: Known) -> str:
    parts = [what(visit, known), bring(visit), right_words(sheet, visit)]
    return "; ".join(part for part in parts if part)


def _reminders(visit: Mapping[str, Any], known: Known) -> list[str]:
    return [line for text in remind(visit, known) for line in labelled("", f"- {text}")]


def _rest(sheet: Mapping[str, Any]) -> list[str]:
    return labelled(sheet["break_at"], tr("break, {minutes} min", minutes=sheet["break_minutes"]))


def title(sheet: Mapping[str, Any]) -> str:
    """ "Mon Aug 31, North crew (2 people): 3 yards"."""
    return tr(
        "{day}, {crew} ({people}): {yards}",
        day=words.day(date.fromisoformat(sheet["date"])),
        crew=sheet["crew"],
        people=trn("{count} person", "{count} people", sheet["people"]),
        yards=words.yards(len(sheet["calls"])),
    )


def wear_words(sheet: Mapping[str, Any]) -> str:
    """What to wear or have on that day; "" for nothing."""
    worn = [Protection(one) for one in sheet["wear"]]
    return words.in_a_row([tr(visit_lines.WEAR[one]) for one in worn]) if worn else ""


def leave_words(sheet: Mapping[str, Any]) -> str:
    """That it leaves, and for what it waits until then."""
    begins = sheet.get("waits_from")  # a plan of an older version does not say it
    if begins is None:
        return tr("leave")
    at = words.clock(time.fromisoformat(begins))
    return tr("leave: it is light now, at {begins} it was not", begins=at)


def back_words(sheet: Mapping[str, Any]) -> str:
    """How long it works and drives."""
    return tr(
        "back; {working} at the yards, {driving} on the road",
        working=visit_lines.time_words(sheet["working_minutes"]),
        driving=visit_lines.time_words(sheet["driving_minutes"]),
    )


def comes_before(sheet: Mapping[str, Any], one: str, other: str) -> bool:
    """Whether an hour of that day is before another; a day may go past midnight."""
    left = _minutes(sheet["leave"])
    return (_minutes(one) - left) % 1440 < (_minutes(other) - left) % 1440


def _minutes(clock: str) -> int:
    at = time.fromisoformat(clock)
    return 60 * at.hour + at.minute


def load_texts(sheet: Mapping[str, Any], known: Known) -> list[str]:
    """What goes onto the truck, by treatment, without what is not done on that day."""
    totals: dict[str, Load] = {}
    for call in sheet["calls"]:
        for visit in call["visits"]:
            said = known.said(sheet, call, visit)
            if Kind(visit["task"]) not in (Kind.APPLY, Kind.SWAP) or said.out:
                continue
            id_ = visit["treatment"]
            totals[id_] = add_up(totals.get(id_, Load()), load_of(visit))
    return [
        tr(
            "{amount}: {treatment}",
            amount=visit_words.load_words(load),
            treatment=words.treatment_plural(known.treatments[id_])
            if id_ in known.treatments
            else id_,
        )
        for id_, load in totals.items()
    ]


def left_out(sheet: Mapping[str, Any], known: Known) -> bool:
    """Whether something of that day is not to be done."""
    every = (known.said(sheet, call, visit) for call in sheet["calls"] for visit in call["visits"])
    return any(said.out for said in every)


def stays_words(sheet: Mapping[str, Any], known: Known) -> str:
    """That nothing of that day is to be done; "" where something is."""
    every = [known.said(sheet, call, visit) for call in sheet["calls"] for visit in call["visits"]]
    if not all(said.out for said in every):
        return ""
    if all(said.state is State.DONE for said in every):
        return tr("NOBODY NEED DRIVE: all of this day is done.")
    return tr("NOBODY NEED DRIVE: what is not done of this day must not be done on it.")


def right_words(sheet: Mapping[str, Any], visit: Mapping[str, Any]) -> str:
    """That another day would be the right one; "" where this one is.

    Of what is in the hives that it is late, by how much: where it was overdue when it was planned,
    or comes later than its regimen allows.
    """
    right = visit["not_before"]
    on, best_by = date.fromisoformat(sheet["date"]), date.fromisoformat(visit["best_by"])
    overdue = visit["late_days"] > 0 or on > date.fromisoformat(visit["latest"])
    if Kind(visit["task"]) in (Kind.SWAP, Kind.REMOVE) and on > best_by and overdue:
        return visit_lines.late_words((on - best_by).days, best_by, on.year).upper()
    if Kind(visit["task"]) not in DOSED or right == sheet["date"]:
        return ""
    late = (on - date.fromisoformat(right)).days
    if late > 0:
        return trn(
            "{count} day after its right day, {day}",
            "{count} days after its right day, {day}",
            late,
            day=words.day(date.fromisoformat(right)),
        )
    return tr("its right day is {day}", day=words.day(date.fromisoformat(right)))


def what(visit: Mapping[str, Any], known: Known) -> str:
    """What is done, in the language spoken now; in the words of the promise where its treatment is
    not kept any more."""
    job = _job(visit, known)
    text = visit["what"] if job is None else visit_lines.what(job)
    return str(text)


def bring(visit: Mapping[str, Any]) -> str:
    """What to load for it."""
    return visit_lines.bring(_bare(visit))


def remind(visit: Mapping[str, Any], known: Known) -> list[str]:
    """What to mind at the hive, as `what` says it."""
    job, yard = _job(visit, known), known.yards.get(visit["yard"])
    if job is None or yard is None:
        return list(visit["remind"])
    return reminders(job, yard)


def reminders(job: Job, yard: Yard) -> list[str]:
    """What to mind at the hive for one job."""
    if job.treatment is None or job.regimen is None:
        return []
    if job.kind is Kind.APPLY:
        return [
            tr(hive_lines.PREPARATION[step], supers=words.number(job.treatment.max_supers or 0))
            for step in hives.preparations(job.treatment, job.regimen, yard.hive)
        ]
    if job.kind is Kind.REMOVE and job.load.strips is not None:
        told = [tr(visit_lines.LAPSED)] if job.lapsed else []
        return [*told, tr("count what comes out and close the bag; enter the removal")]
    if job.kind is Kind.SWAP:
        return [tr("old ones out before fresh ones go in; enter the swap")]
    return []


def load_of(visit: Mapping[str, Any]) -> Load:
    """A load as it is kept."""

    def amount(name: str) -> Fraction | None:
        return None if visit.get(name) is None else Fraction(str(visit[name]))

    return Load(
        strips=visit["strips"],
        bring_strips=visit["bring_strips"],
        syrup_ml=amount("syrup_ml"),
        acid_g=amount("acid_g"),
        grams=amount("grams"),
    )


def _bare(visit: Mapping[str, Any]) -> Job:
    """As far as its load is said from it."""
    on = date.fromisoformat(visit["date"])
    return Job(
        yard=visit["yard"],
        kind=Kind(visit["task"]),
        series="",
        number=0,
        day=on,
        best_by=on,
        on=on,
        late_days=0,
        colonies=visit["colonies"],
        minutes=visit["minutes"],
        load=load_of(visit),
        lapsed=visit.get("lapsed", False),
    )


def _job(visit: Mapping[str, Any], known: Known) -> Job | None:
    """As far as it is said; None: its treatment or regimen is not kept any more, or has changed so
    that its dose is not what was promised."""
    job = _bare(visit)
    if visit["treatment"] is None:
        return job
    treatment = known.treatments.get(visit["treatment"])
    place = known.yards.get(visit["yard"])
    if treatment is not None and place is not None:
        treatment = treatment.in_hives_of(place.hive.brood_chambers)
    regimen = None if treatment is None else _regimen(treatment, visit["regimen"])
    if treatment is None or regimen is None:
        return None
    job = job._replace(treatment=treatment, regimen=regimen)
    if job.kind not in DOSED:
        return job
    doses = {
        Kind.APPLY: regimen.doses[:1],
        Kind.SWAP: regimen.doses[1:],
        Kind.REMOVE: regimen.doses[-1:],
    }[job.kind]
    for dose in doses:
        strips = None if dose.strips is None else dose.strips * job.colonies
        if strips == job.load.strips:
            return job._replace(dose=dose)
    return None


def _regimen(treatment: Treatment, id_: str) -> Regimen | None:
    return next((one for one in treatment.regimens if one.id == id_), None)


def visits_of(sheets: Sequence[Mapping[str, Any]], yard: str) -> list[tuple[Key, date]]:
    """The stops at one yard on these sheets, each with its day."""
    return [
        ((yard, sheet["date"], sheet["crew"], visit["task"]), date.fromisoformat(sheet["date"]))
        for sheet in sheets
        for call in sheet["calls"]
        if call["yard"] == yard
        for visit in call["visits"]
    ]
