"""Due dates, alternatives, the winter round and the judging count in words and as plain values."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta

from support.weather import FORMIC_STRIPS, MONDAY, TWO_STRIPS, highs, regimen, scenarios, yard
from windowcast.notice import words
from windowcast.notice.due_lines import due_document, due_lines, judged_lines, winter_lines
from windowcast.trade.choice import judged
from windowcast.trade.course import courses, snapshot
from windowcast.trade.due import due
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Growth, Round, growth, passing
from windowcast.trade.rules import SeasonRules
from windowcast.trade.treatment import Band, Dose, Treatment
from windowcast.trade.winter import Broodless, Winter, winter
from windowcast.window.decide import Rules, decide
from windowcast.window.plan import timing
from windowcast.window.scan import Words, scan

NOTED = datetime(2026, 1, 1, tzinfo=UTC)
AMITRAZ = Treatment(
    id="amitraz-strips",
    active="amitraz",
    form="plastic strip",
    regimens=(regimen(21, id="three-weeks", bounds=Band()),),
    max_supers=0,
    supers_after_days=14,
    efficacy_percent=(75, 95),
)
TRICKLE = Treatment(
    id="oxalic-trickle",
    active="oxalic acid",
    form="trickle",
    regimens=(regimen(1, id="once", doses=[Dose(day=0, ml_per_seam=5.0)], bounds=Band()),),
    max_supers=0,
    needs_broodless=True,
    efficacy_percent=(95, 99),
    efficacy_with_brood_percent=(39, 60),
)
TWO_ONLY = FORMIC_STRIPS._replace(regimens=(TWO_STRIPS,))
HOT = [31] * 45
COOL = [20] * 45


def ahead(days):
    return MONDAY + timedelta(days=days)


def both(days_c, end_by, *, plans=(TWO_ONLY,), rounds=(), entries=(), place=None):
    rules = SeasonRules(winter_bees=(end_by.month, end_by.day))
    rate = passed = None
    if rounds:
        rate = growth(rounds, rules, treated=(), south=False)
        passed = passing(rounds[-1], rate, rules, south=False)
    known = courses(entries)
    found = due(
        45.0,
        MONDAY,
        rules,
        exposure_days=14,
        rounds=rounds,
        growth=rate,
        passing=passed,
        courses=known,
    )
    answers = []
    for plan in plans:
        starts = scan(
            plan,
            forecast=highs(*days_c[:15]),
            words=Words(scenarios([days_c] * 5)),
            today=MONDAY,
            first_start=MONDAY,
        )
        answers.append(
            decide(place or yard(), plan, starts, rules=Rules(0.8, 0.05), today=MONDAY, stale=False)
        )
    return found, timing(found, answers, courses=known, today=MONDAY)


def text(*given, **more):
    found, days = both(*given, **more)
    counting = found.counts_due is not None and found.counts_due <= MONDAY
    lines = due_lines(found, days, today=MONDAY, counting=counting)
    assert all(len(line) <= 78 for line in lines)
    return " ".join(" ".join(lines).split())


def counted(day, percent, low, high):
    return Round(day, day, percent, low, high, 8, 2400, 0, ("hive 7", 9.0))


def begun(what=TWO_ONLY, day=MONDAY, number=1):
    way = what.regimens[0]
    body = {
        "treatment": what.id,
        "regimen": way.id,
        "colonies": 24,
        "snapshot": snapshot(what, way),
    }
    return Entry(number, "Creek Bend", "start", day, NOTED, body)


def test_due_and_open_is_one_line_to_act_on():
    assert text([31, 31, 31, *COOL], ahead(20)) == (
        "Due start by Sun Sep 6, to be over by Sun Sep 20, when winter bees begin to be raised; so"
        " start Thu Sep 3 to Sun Sep 6"
        " Count some colonies now: counts say whether it must be sooner"
    )


def test_the_regimen_that_is_named_is_told_its_own_last_day():
    """At 27 degrees only one strip and a swap: twenty days, so six days sooner than two strips."""
    assert "start by Mon Aug 31, to be over by Sun Sep 20" in text(
        [27] * 45, ahead(20), plans=[FORMIC_STRIPS]
    )
    assert "start by Sun Sep 6, to be over by Sun Sep 20" in text(
        [20] * 45, ahead(20), plans=[FORMIC_STRIPS]
    )


def test_a_run_that_goes_on_in_a_shorter_regimen_is_told_the_last_day_of_that():
    """By Monday with one strip and a swap, which is first in the file, then two strips at once."""
    swap_first = FORMIC_STRIPS._replace(regimens=FORMIC_STRIPS.regimens[::-1])

    assert "start by Sun Sep 6, to be over by Sun Sep 20" in text(
        COOL, ahead(20), plans=[swap_first]
    )
    assert "so start Mon Aug 31 to Sun Sep 6" in text(COOL, ahead(20), plans=[swap_first])


def test_programs_are_told_the_last_day_to_start_that_people_are_told():
    """At 27 degrees one strip and a swap, twenty days; two strips at once have six days more."""
    for warm, last in (([27] * 45, "2026-08-31"), (COOL, "2026-09-06")):
        found, days = both(warm, ahead(20), plans=[FORMIC_STRIPS])
        document = due_document(found, days, Winter(Broodless.NOT_NOW, None))
        assert document["due"]["start_by"] == last
        assert words.day(date.fromisoformat(last)) in text(warm, ahead(20), plans=[FORMIC_STRIPS])


def test_far_from_due_and_treated_there_is_no_line():
    assert due_lines(*both(COOL, date(2026, 6, 1)), today=MONDAY) == []
    assert due_lines(*both(COOL, ahead(20), entries=[begun()]), today=MONDAY) == []


def test_a_treatment_that_ends_too_late_is_told():
    assert text(COOL, ahead(10), entries=[begun()]) == (
        "Late the treatment ends after Thu Sep 10, when winter bees are being raised: count early"
        " next year"
    )


def test_what_comes_after_the_forecast_is_not_made_up():
    found = text([31] * 20, ahead(40), plans=[TWO_ONLY, AMITRAZ])

    assert "no start is named up to Sun Sep 6, and what comes after cannot be judged yet" in found
    assert "Instead" not in found


def test_without_a_start_the_others_are_told_with_their_price():
    """With brood 39 to 52 %, without 99 %: Gregorc & Planinc 2001."""
    found = text(
        HOT, ahead(25), plans=[TWO_ONLY, AMITRAZ, TRICKLE], place=yard(supers=2),
    )  # fmt: skip

    assert "no start is named up to Thu Oct 1, the last day that can be judged" in found
    assert (
        "Instead - amitraz plastic strips from Mon Aug 31: supers off first, 2 visits, supers on"
        " 14 days after removal, does not reach mites under the cappings, 75 to 95 % killed in"
        " trials"
    ) in found
    assert (
        "oxalic acid trickle from Thu Sep 24: supers off first, needs a brood break (queen caged"
        " 24 to 25 days, so no start before Thu Sep 24), 1 visit, does not reach mites under the"
        " cappings, 95 to 99 % killed in trials (39 to 60 % with brood)"
    ) in found


def test_the_same_active_again_is_told():
    april = begun(AMITRAZ, date(2026, 4, 1))

    assert "the same active as last time" in text(
        HOT, ahead(25), plans=[TWO_ONLY, AMITRAZ], entries=[april]
    )


def test_a_start_of_the_same_active_is_not_held_up_without_saying_so():
    """Rotation of actives: Rinkevich 2020, PLoS ONE 15(1):e0227264."""
    april = begun(TWO_ONLY, date(2026, 4, 1))
    said = "formic acid was the last treatment too"

    assert said in text(COOL, ahead(20), entries=[april])
    assert said not in text(COOL, ahead(20), entries=[begun(AMITRAZ, date(2026, 4, 1))])
    assert said not in text(HOT, ahead(20), entries=[april])


def test_no_other_treatment_has_its_weather():
    formic = TWO_ONLY._replace(id="pads")

    assert text(HOT, ahead(25), plans=[TWO_ONLY, formic]).endswith(
        "Instead no other treatment of this yard has its weather either"
    )


def test_over_the_threshold_is_due_now_with_the_first_start():
    found = text([31, *COOL], ahead(30), rounds=[counted(MONDAY, 5.0, 4.0, 6.0)])

    assert found.startswith(
        "Due now: the threshold of this month is reached; start as soon as you can, Tue Sep 1 to"
    )
    assert (
        "Counted Mon Aug 31: 5.0 % (4.0 to 6.0 %) over 8 colonies; most in hive 7, 9.0 %" in found
    )


def test_what_is_only_expected_is_not_told_as_counted():
    found = text(COOL, ahead(30), rounds=[counted(ahead(-20), 1.9, 1.5, 2.6)])

    assert "by its growth at the threshold since Fri Aug 14, though not counted since" in found


def test_overdue_says_since_when():
    assert text([31, *COOL], ahead(10)).startswith(
        "Due overdue: the last day to start was Thu Aug 27; winter bees are raised from Thu Sep 10"
        " on; start as soon as you can, Tue Sep 1 to"
    )


def test_a_queen_lost_too_late_is_told():
    """45 days before the last winter bees, 50 days after they begin: five days after the day to
    end by. A start then leaves none; common practice, no source."""
    queens = "has no time left to raise another"

    assert queens in text([31] * 10 + COOL, ahead(3))
    assert queens not in text(COOL, ahead(3))


def test_winter_in_words():
    def said(today, *entries):
        found = winter(45.0, today, entries=entries, courses=())
        return " ".join(" ".join(winter_lines(found, today)).split())

    def look(day, capped, **more):
        body = {"capped": capped, "colonies": 8, **more}
        return Entry(1, "Creek Bend", "brood", day, NOTED, body)

    december = date(2026, 12, 1)
    assert said(date(2026, 8, 1)) == ""
    assert said(december).startswith("Winter look into some colonies for brood")
    assert said(december, look(date(2026, 11, 28), False)) == (
        "Winter no capped brood on Sat Nov 28: the conditions for oxalic acid are met until Sat Dec"
        " 5; then look again"
    )
    assert "too long ago: look again" in said(december, look(date(2026, 11, 20), False))
    assert "look again from Fri Dec 11" in said(december, look(date(2026, 11, 20), True))
    assert "met on that day only" in said(december, look(december, False, open=True))
    assert "capped by now: look again" in said(december, look(date(2026, 11, 30), False, open=True))


def judge(before, after, *, plans=(TWO_ONLY, AMITRAZ), today=date(2026, 9, 20)):
    formic = TWO_ONLY._replace(efficacy_percent=(49, 99))
    out = Entry(2, "Creek Bend", "remove", date(2026, 8, 3), NOTED, {"start": 1, "strips": 48})
    (course,) = courses([begun(formic, date(2026, 7, 20)), out])
    rounds = [
        counted(day, percent, percent * 0.8, percent * 1.2)
        for day, percent in ((date(2026, 7, 20), before), (date(2026, 8, 18), after))
        if percent is not None
    ]
    return judged(
        course,
        rounds,
        Growth(0.021, 0.013, 0.029, learned=False),
        SeasonRules(),
        plans,
        south=False,
        today=today,
    )


def test_a_failed_treatment_is_told_with_what_comes_next():
    found = " ".join(" ".join(judged_lines(judge(3.0, 2.9))).split())

    assert found == (
        "Again 2.9 % on Tue Aug 18 is still not below the 2.0 % of that month: treat again, with"
        " another active: amitraz plastic strips"
        " Weak the formic acid gel strips killed about 47 % of the mites, less than the 49 % of the"
        " poorest trial: see how they were given, and whether mites resist"
    )
    assert judged_lines(judge(3.0, 0.5)) == []
    assert "than those of this yard" in " ".join(judged_lines(judge(None, 2.9, plans=(TWO_ONLY,))))
    assert judged_lines(judge(3.0, None, today=date(2026, 8, 10))) == []
    assert judged_lines(judge(3.0, None)) == []


def test_the_document_is_plain_json_with_all_that_the_lines_say():
    found, plan = both(
        HOT, ahead(25), plans=[TWO_ONLY, AMITRAZ, TRICKLE], rounds=[counted(MONDAY, 0.5, 0.3, 0.8)]
    )
    seen = Winter(Broodless.NOT_NOW, date(2026, 11, 11))

    document = json.loads(json.dumps(due_document(found, plan, seen, judge(3.0, 2.9))))

    assert document["due"]["state"] == "coming"
    assert (document["due"]["start_by"], document["due"]["end_by"]) == ("2026-09-11", "2026-09-25")
    assert document["due"]["start_from"] is None
    assert [one["season"] for one in document["due"]["last_starts"]] == [
        "2026-09-11", "2026-09-04", "2026-09-24",
    ]  # fmt: skip
    assert [
        (one["treatment"], one["start"], one["in_time"], one["needs"])
        for one in document["options"]
    ] == [
        ("test", None, False, []),
        ("amitraz-strips", "2026-08-31", True, []),
        ("oxalic-trickle", "2026-09-24", True, ["brood"]),
    ]
    assert document["options"][2]["efficacy_with_brood_percent"] == [39, 60]
    assert document["winter"]["look_from"] == "2026-11-11"
    assert document["after"]["verdict"] == "again"
    assert document["after"]["others"] == ["amitraz-strips"]
    assert due_document(found, plan, seen)["after"] is None
