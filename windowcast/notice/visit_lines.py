"""Visits, what to bring and what to order, in words, tables and JSON."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import date
from fractions import Fraction
from typing import Any

from windowcast.language import marked, tr, trn
from windowcast.notice import spreadsheet, words
from windowcast.notice.hive_lines import law
from windowcast.notice.plain import labelled, wrapped
from windowcast.notice.visit_words import load_words
from windowcast.trade.bring import Load, Need, Protection, protection
from windowcast.trade.treatment import Treatment
from windowcast.trade.visits import Task
from windowcast.trade.work import Job, Kind, Promised, WorkDay, gear, loads, to_do

HAZARDS = {
    "formic acid": marked("Formic acid burns skin, eyes and lungs; work upwind, in the open air."),
    "oxalic acid": marked("Oxalic acid harms eyes, skin and lungs; work upwind, in the open air."),
    "amitraz": marked("Amitraz goes through the skin; it is not for people on MAO inhibitors."),
    "thymol": marked("Thymol irritates skin and eyes and can sensitise."),
}
PLANNED = marked("A plan hangs on the weather: look at that morning's notice before you drive.")
LAPSED = marked(
    "no fresh dose was entered and the whole exposure has passed: take it out, for a fresh dose now"
    " would begin a new treatment; the label decides"
)
WEAR = {
    Protection.ACID_GLOVES: marked("acid-resistant gloves"),
    Protection.GLOVES: marked("gloves"),
    Protection.SEALED_GOGGLES: marked("sealed goggles"),
    Protection.GOGGLES: marked("goggles"),
    Protection.LONG_SLEEVES: marked("long sleeves"),
    Protection.ACID_MASK: marked("a mask for acid vapour where the label says so"),
    Protection.PARTICLE_MASK: marked("a particle mask"),
    Protection.WATER: marked("plenty of water"),
    Protection.LABEL: marked("what the label asks for"),
}
COLUMNS = (
    "day", "yard", "task", "not_before", "best_by", "late_days", "treatment", "regimen", "colonies",
    "strips", "bring_strips", "syrup_ml", "acid_g", "grams", "minutes", "planned", "optional",
    "what", "why", "wear",
)  # fmt: skip
_TASKS = {Kind.APPLY: Task.APPLY, Kind.SWAP: Task.SWAP, Kind.REMOVE: Task.REMOVE}


def what(job: Job) -> str:
    """What is done, with the amounts: "put in 2 strips a colony, 24 colonies"."""
    colonies = words.colonies(job.colonies)
    name = "" if job.treatment is None else words.treatment_plural(job.treatment)
    if job.dose is not None and job.treatment is not None:
        values = {
            "task": words.task(_TASKS[job.kind], job.dose),
            "treatment": name,
            "colonies": colonies,
        }
        rest_comes_out = job.kind is Kind.REMOVE and job.dose.strips is None
        if rest_comes_out or (job.dose.strips is None and job.dose.g is None):
            return tr("{task} ({treatment}), {colonies}", **values)
        return tr("{task} a colony ({treatment}), {colonies}", **values)
    if job.kind is Kind.REPOSITION:
        return tr(
            "move the strips to where the bees are ({treatment}), {colonies}",
            treatment=name,
            colonies=colonies,
        )
    if job.kind is Kind.QUEENS:
        return tr("look for queens or young brood, {colonies}", colonies=colonies)
    if job.kind is Kind.COUNT_AFTER:
        return trn(
            "count mites in {count} colony, to see whether the {treatment} worked",
            "count mites in {count} colonies, to see whether the {treatment} worked",
            job.colonies,
            treatment=name,
        )
    return trn("count mites in {count} colony", "count mites in {count} colonies", job.colonies)


def bring(job: Job) -> str:
    """What to load for it: "bring 51 strips (48 and 3 spare)"; "" for nothing."""
    load = job.load
    if load.bring_strips is not None and load.strips is not None:
        spare = load.bring_strips - load.strips
        if spare:
            return trn(
                "bring {count} strip ({needed} and {spare} spare)",
                "bring {count} strips ({needed} and {spare} spare)",
                load.bring_strips,
                needed=load.strips,
                spare=spare,
            )
        return trn("bring {count} strip", "bring {count} strips", load.bring_strips)
    if job.kind is Kind.REMOVE and load.strips is not None:
        return trn(
            "expect {count} strip back, bring a bag to close",
            "expect {count} strips back, bring a bag to close",
            load.strips,
        )
    amount = load_words(load)
    return tr("bring {amount}", amount=amount) if amount else ""


def why(job: Job) -> str:
    """What it is counted from, and until when it is right."""
    since = "" if job.since is None else words.day_in(job.since, job.on.year)
    start = tr("starts {day}", day=since) if job.planned else tr("started {day}", day=since)
    parts = {
        Kind.APPLY: [],
        Kind.SWAP: [start],
        Kind.REMOVE: [start],
        Kind.REPOSITION: [tr("in week 4"), start],
        Kind.QUEENS: [tr("2 to 3 weeks after the formic acid of {day}", day=since)],
        Kind.COUNT_AFTER: [tr("at least 2 weeks after its end on {day}", day=since)],
        Kind.COUNT: [tr("the season asks for a count")],
    }[job.kind]
    if job.promised is not None:
        parts.append(promised_words(job.promised))
    if job.lapsed:
        parts.append(tr(LAPSED))
    if job.moved:
        parts.append(tr("its right day is {day}", day=words.day(job.day)))
    if job.best_by > job.day:
        parts.append(tr("best by {day}", day=words.day_in(job.best_by, job.on.year)))
    elif job.latest > job.day:
        parts.append(tr("at the latest {day}", day=words.day_in(job.latest, job.on.year)))
    if job.optional:
        parts.append(tr("if you can"))
    if job.too_cold:
        parts.append(_cold_words(job))
    return "; ".join(parts)


def _cold_words(job: Job) -> str:
    """What to do about a count on a day that is too cold to open hives. A board under the hive does
    for the count after a treatment; where the season asks for one, mites on bees are wanted."""
    day = "" if job.warm_day is None else words.day_in(job.warm_day, job.on.year)
    if job.kind is Kind.COUNT_AFTER:
        if day:
            return tr(
                "too cold to open hives: put a board under them instead, or count on {day}, the"
                " first day warm enough",
                day=day,
            )
        return tr("too cold to open hives: put a board under them instead")
    if day:
        return tr("too cold to open hives: count on {day}, the first day warm enough", day=day)
    return tr("too cold to open hives: count on the first day warm enough")


def promised_words(one: Promised) -> str:
    """ "promised: Tue Dec 8, North crew", and how, where that is another way than the job's."""
    text = _promised_words(one)
    if one.passed:
        return tr("{promised}, but that day has passed and no start is entered", promised=text)
    return text


def _promised_words(one: Promised) -> str:
    values = {"day": words.day(one.day), "crew": one.crew}
    if one.regimen is None:
        return tr("promised: {day}, {crew}", **values)
    regimen = words.regimen(one.regimen)
    if one.treatment is None:
        return tr("promised: {day}, {crew}, {regimen}", regimen=regimen, **values)
    return tr(
        "promised: {day}, {crew}, {regimen} ({treatment})",
        regimen=regimen,
        treatment=words.treatment_plural(one.treatment),
        **values,
    )


def late(job: Job) -> str:
    """ "3 days late, was due Wed Dec 9", with its year where it is another; "" where it is not."""
    return late_words(job.late_days, job.best_by, job.on.year) if job.late_days else ""


def late_words(days: int, best_by: date, year: int) -> str:
    """`late`, of so many days; `year`: that need not be said."""
    return trn(
        "{count} day late, was due {day}",
        "{count} days late, was due {day}",
        days,
        day=words.day_in(best_by, year),
    )


def sentence(job: Job) -> str:
    """All of it in one paragraph, the lateness first."""
    overdue, task = late(job), what(job)
    if job.planned and job.chance is None:
        task = tr("plan: {task}", task=task)
    elif job.planned:
        task = tr("plan ({percent}): {task}", percent=words.percent(job.chance or 0), task=task)
    elif overdue:
        task = tr("{late}: {task}", late=overdue.upper(), task=task)
    parts = [task, bring(job), why(job), f"{job.minutes:.0f}\N{NO-BREAK SPACE}min"]
    return "; ".join(part for part in parts if part)


def cautions(treatments: Iterable[Treatment]) -> list[str]:
    """One sentence for each active."""
    actives = dict.fromkeys(one.active for one in treatments)
    return [tr(HAZARDS[one]) for one in actives if one in HAZARDS]


def next_visit_lines(jobs: Iterable[Job]) -> list[str]:
    """The next visit to one yard for its notice: all that is due on that day; none: no lines."""
    open_jobs = [one for one in to_do(jobs) if not one.planned]
    if not open_jobs:
        return []
    first = min(one.on for one in open_jobs)
    lines: list[str] = []
    for one in open_jobs:
        if one.on == first:
            text = tr("{day}: {task}", day=words.day(one.on), task=sentence(one))
            lines += labelled("" if lines else tr("Next visit"), text)
    return lines


def visit_lines(
    days: Sequence[WorkDay],
    *,
    first: date,
    last: date,
    remarks: Sequence[str] = (),
    sources: Sequence[str] = (),
) -> list[str]:
    """The visits of a stretch of days, both inside, day by day.

    remarks:  on yards, such as why none of theirs is planned
    sources:  what the planned ones rest on
    """
    lines = [wrapped(tr("Visits, {days}, {year}", days=words.span(first, last), year=last.year))]
    if not days:
        lines += ["", wrapped(tr("Nothing is due in these days."))]
    for each in days:
        yards = list(dict.fromkeys(one.yard for one in each.jobs))
        head = tr(
            "{day}: {yards}, {duration}",
            day=words.day(each.day),
            yards=words.yards(len(yards)),
            duration=_time(each.minutes),
        )
        lines += ["", head, "-" * len(head)]
        for treatment, load in loads(each.jobs).values():
            lines += labelled(
                tr("Load"),
                tr(
                    "{amount}: {treatment}",
                    amount=load_words(load),
                    treatment=words.treatment_plural(treatment),
                ),
            )
        if worn := gear(each.jobs):
            lines += labelled(tr("Wear, have"), words.in_a_row([tr(WEAR[one]) for one in worn]))
        for yard in yards:
            lines.append(wrapped(f"  {yard}"))
            for one in each.jobs:
                if one.yard == yard:
                    lines += labelled("", f"- {sentence(one)}")
    if remarks:
        lines += ["", *(wrapped(one) for one in remarks)]
    treatments = [one.treatment for each in days for one in each.jobs if one.treatment is not None]
    if treatments:
        lines += ["", *(wrapped(one) for one in [*cautions(treatments), law()])]
    if any(one.planned for each in days for one in each.jobs):
        lines += ["", wrapped(tr(PLANNED))]
    lines += ["", wrapped(tr("Minutes are for the work and the yard, without the drive."))]
    return [*lines, "", *(wrapped(one) for one in sources)] if sources else lines


def order_lines(needs: Sequence[Need], *, today: date, spare_percent: float) -> list[str]:
    """What the season needs in all, treatment by treatment."""
    lines = [tr("For the season")]
    for need in needs:
        lines += ["", wrapped(words.treatment_plural(need.treatment))]
        lines += labelled(
            tr("For"),
            trn(
                "{colonies} in {count} yard",
                "{colonies} in {count} yards",
                need.yards,
                colonies=words.colonies(need.colonies),
            ),
        )
        load = need.load
        if load.strips is not None and load.bring_strips is not None:
            lines += labelled(tr("Order"), _ordered(need, spare_percent))
        if amount := load_words(load._replace(strips=None, bring_strips=None)):
            lines += labelled(tr("Order"), amount)
        if need.first_start is None or need.order_by is None:
            text = tr("no first start is known yet")
        elif need.order_by <= today:
            text = tr("now: the first start is {day}", day=words.day(need.first_start))
        else:
            text = tr(
                "by {order_by}: the first start is {day}",
                order_by=words.day(need.order_by),
                day=words.day(need.first_start),
            )
        lines += labelled(tr("When"), text)
    if not needs:
        lines += ["", wrapped(tr("Nothing is left to order."))]
    lines += [
        "",
        wrapped(
            tr(
                "Counted for each yard's first treatment, in the regimen that takes most; what you"
                " still have is not taken off. A yard that had it in the last 60 days is left out."
            )
        ),
    ]
    if any(one.load.bring_strips is not None and one.yards > 1 for one in needs):
        lines.append(
            wrapped(
                tr(
                    "The spare is rounded up once here, and yard by yard in what to bring, so that"
                    " the loads may come to a strip or two more."
                )
            )
        )
    return lines


def _ordered(need: Need, spare_percent: float) -> str:
    """ "51 strips (48 and 5 % spare): 6 packs of 10"."""
    load = need.load
    assert load.strips is not None and load.bring_strips is not None
    text = words.strips(load.bring_strips)
    if load.bring_strips > load.strips:
        text = trn(
            "{count} strip ({needed} and {percent} spare)",
            "{count} strips ({needed} and {percent} spare)",
            load.bring_strips,
            needed=load.strips,
            percent=words.per_cent(words.general(spare_percent)),
        )
    if need.packs is None:
        return text
    return trn(
        "{strips}: {count} pack of {in_a_pack}",
        "{strips}: {count} packs of {in_a_pack}",
        need.packs,
        strips=text,
        in_a_pack=need.treatment.strips_in_a_pack,
    )


def visits_document(days: Sequence[WorkDay]) -> list[dict[str, Any]]:
    """The days as JSON allows."""
    return [
        {
            "date": each.day.isoformat(),
            "minutes": round(each.minutes, 1),
            "load": [
                {"treatment": treatment.id} | _load_document(load)
                for treatment, load in loads(each.jobs).values()
            ],
            "wear": [one.value for one in gear(each.jobs)],
            "visits": [job_document(one) for one in each.jobs],
        }
        for each in days
    ]


def job_document(job: Job) -> dict[str, Any]:
    """One job; `date` is the day that it is listed under."""
    return {
        "date": job.on.isoformat(),
        "yard": job.yard,
        "task": job.kind.value,
        "not_before": job.day.isoformat(),
        "best_by": job.best_by.isoformat(),
        "early_days": job.slack.earlier,
        "latest": job.latest.isoformat(),
        "late_days": job.late_days,
        "treatment": None if job.treatment is None else job.treatment.id,
        "regimen": None if job.regimen is None else job.regimen.id,
        "colonies": job.colonies,
        **_load_document(job.load),
        "minutes": round(job.minutes, 1),
        "planned": job.planned,
        "optional": job.optional,
        "too_cold": job.too_cold,
        "lapsed": job.lapsed,
        "warm_day": None if job.warm_day is None else job.warm_day.isoformat(),
        "promised": None
        if job.promised is None
        else {
            "date": job.promised.day.isoformat(),
            "crew": job.promised.crew,
            "treatment": None if job.promised.treatment is None else job.promised.treatment.id,
            "regimen": None if job.promised.regimen is None else job.promised.regimen.id,
            "passed": job.promised.passed,
        },
        "chance": None if job.chance is None else round(job.chance, 3),
        "wear": [one.value for one in job.protection],
        "what": what(job),
        "why": why(job),
    }


def order_document(needs: Sequence[Need]) -> list[dict[str, Any]]:
    """The season's needs as JSON allows."""
    return [
        {
            "treatment": need.treatment.id,
            "yards": need.yards,
            "colonies": need.colonies,
            **_load_document(need.load),
            "packs": need.packs,
            "first_start": None if need.first_start is None else need.first_start.isoformat(),
            "order_by": None if need.order_by is None else need.order_by.isoformat(),
            "wear": [one.value for one in protection(need.treatment)],
        }
        for need in needs
    ]


def load_document(load: Load) -> dict[str, Any]:
    """A load as JSON allows."""
    return _load_document(load)


def time_words(minutes: float) -> str:
    """ "2 h 05 min", "40 min"."""
    return _time(minutes)


def csv_text(days: Sequence[WorkDay]) -> str:
    """A table of the visits with a heading row; no cell is taken for a formula."""
    import csv

    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for each in days:
        for job in each.jobs:
            row = job_document(job) | {"day": job.on.isoformat()}
            row["wear"] = ", ".join(row["wear"])
            table.writerow([spreadsheet.cell(row[column]) for column in COLUMNS])
    return out.getvalue()


def _load_document(load: Load) -> dict[str, Any]:
    return {
        "strips": load.strips,
        "bring_strips": load.bring_strips,
        "syrup_ml": _tenths(load.syrup_ml),
        "acid_g": _tenths(load.acid_g),
        "acid_anhydrous_g": _tenths(load.anhydrous_g),
        "grams": _tenths(load.grams),
    }


def _tenths(amount: Fraction | None) -> float | None:
    return None if amount is None else round(float(amount), 1)


def _time(minutes: float) -> str:
    """Units as the SI brochure writes them, in every language."""
    hours, left = divmod(round(minutes), 60)
    return f"{hours} h {left:02d} min" if hours else f"{left} min"
