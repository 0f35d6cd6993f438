"""What is said of a crew's plan: each reason in words, and nothing wider than a terminal."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import pytest

from support.weather import FORMIC_STRIPS, MONDAY, yard
from windowcast.crew.days import Eased, Freed, Hindered, Lost
from windowcast.crew.explain import Bound, Missing, NextBest, Off, Peers, Shortage, Waits, WhyThis
from windowcast.crew.instance import Crew, Instance, Need, Option, Plan, Stop
from windowcast.crew.judge import Judgement
from windowcast.crew.needs import Gone
from windowcast.crew.replan import Move, Promise, Why
from windowcast.language import spoken
from windowcast.notice import crew_lines, none_lines, plan_days, plan_lines
from windowcast.notice.crew_lines import CallView, SheetView
from windowcast.notice.plan_days import Frame
from windowcast.notice.plan_lines import Hours, Shift
from windowcast.trade.hive import Blocked, Obstacle
from windowcast.trade.rules import WorkRules
from windowcast.trade.visits import Task
from windowcast.trade.work import Plan as PlannedStart
from windowcast.trade.work import jobs

STOP = Stop("apply", (0,), 72.0, 12.0, "formic acid")
OPTIONS = (
    Option(0, "test", "two-strips", (STOP,), 20.0, 0.82),
    Option(3, "test", "one-strip-swap", (STOP,), 23.0, 0.95),
)
FRAME = Frame(
    Instance(
        crews=(Crew("North crew", 2, 0, (480.0,) * 9),),
        needs=(Need("k", "Creek Bend", 1, 24, 5, OPTIONS),),
        roads=[[0.0, 9.0], [9.0, 0.0]],
        days=9,
    ),
    MONDAY,
    {
        ("test", "two-strips"): "two strips at once",
        ("test", "one-strip-swap"): "one strip, a fresh one on day 10",
    },
)
PROMISE = Promise(
    "k", "Creek Bend", "test", "two-strips", MONDAY, (("apply", MONDAY, "North crew"),)
)


@pytest.mark.parametrize(
    ("missing", "words"),
    [
        (
            Missing(0, Bound.SKILL),
            "no crew may handle formic acid; a crew whose actives hold formic acid would free it",
        ),
        (
            Missing(0, Bound.LENGTH),
            "no crew's day is long enough for the drive and the work there; a crew that is nearer,"
            " or has more hands, would free it",
        ),
        (
            Missing(0, Bound.DAY, visit="remove", on=8),
            "no crew works on a day for its removal, which could be from Tue Sep 8 on; a crew on"
            " Tue Sep 8 would free it",
        ),
        (Missing(0, Bound.COST), "its hours on the road and at the hives cost more"),
        (
            Missing(0, Bound.HOURS, (Shortage(0, 0, 69.2, False),)),
            "North crew lacks 70 min on Mon Aug 31; 70 more minutes with North crew on Mon Aug 31"
            " would free it",
        ),
        (
            Missing(0, Bound.HOURS, (Shortage(0, 0, 12.0, True),)),
            "North crew lacks 12 min on Mon Aug 31; one more hand with North crew on Mon Aug 31"
            " would free it",
        ),
        (Missing(0, Bound.STRIPS, (), 10), "two strips at once); 10 more strips would free it"),
        (
            Missing(0, Bound.STRIPS, (Shortage(0, 3, 5.0, True),), 1),
            "1 strip is missing and North crew lacks 5 min on Thu Sep 3; one more hand with North"
            " crew on Thu Sep 3 and 1 more strip would free it",
        ),
    ],
)
def test_what_an_option_lacks_and_what_would_free_it(missing: Missing, words: str):
    text = none_lines.none_words(FRAME, [0], [missing])

    assert text.startswith("it could almost be on Mon Aug 31 (two strips at once)")
    assert text.endswith(words)


def test_a_visit_that_follows_the_start_is_called_so():
    """The option begins on Monday; on Thursday is a visit that hangs on it."""
    missing = Missing(0, Bound.HOURS, (Shortage(0, 3, 26.0, False),))

    assert none_lines.none_words(FRAME, [0], [missing]).startswith(
        "it could almost be on Mon Aug 31 (two strips at once), but for a visit that follows:"
        " North crew lacks 26 min on Thu Sep 3"
    )


def test_why_this_day_and_what_the_next_best_costs():
    likeliest = WhyThis(True, None, NextBest(0, 3.04))
    alone = WhyThis(True, None, NextBest(None, 0.0))
    better = WhyThis(False, Missing(1, Bound.COST), NextBest(1, 0.01))

    assert plan_lines.why_words(FRAME, 0, 1, likeliest) == (
        "the likeliest start to hold, 95 %; next best Mon Aug 31, which costs 3.0 colonies"
    )
    assert plan_lines.why_words(FRAME, 0, 1, alone).endswith("no other day fits as the plan stands")
    assert plan_lines.why_words(FRAME, 0, 0, better) == (
        "82 %; Thu Sep 3 (one strip, a fresh one on day 10) would hold in 95 %, but its hours on"
        " the road and at the hives cost more; Thu Sep 3 would cost as good as nothing"
    )


def with_options(*options, promised=None):
    (need,) = FRAME.instance.needs
    needs = (need._replace(options=options, promised=promised),)
    return FRAME._replace(instance=FRAME.instance._replace(needs=needs))


def test_a_start_below_what_is_asked_says_that_it_is_kept_because_it_was_promised():
    frame = with_options(OPTIONS[0]._replace(chance=0.73, below=True), promised=0)

    assert plan_lines.why_words(frame, 0, 0, WhyThis(True, None, NextBest(None, 0.0))) == (
        "73 %, less than `min_chance`: kept because it was promised; no other day fits as the plan"
        " stands"
    )


@pytest.mark.parametrize(
    ("chance", "promised", "lack", "why"),
    [
        (0.96, None, Missing(1, Bound.STRIPS, (), 34), "34 strips are missing"),
        (
            0.96,
            None,
            Missing(1, Bound.HOURS, (Shortage(0, 0, 12.0, True),)),
            "North crew lacks 12 min on Mon Aug 31",
        ),
        (
            0.96,
            None,
            Missing(1, Bound.DAY, visit="swap", on=9),
            "no crew works on a day for its swap",
        ),
        (0.85, None, Missing(1, Bound.COST), "it would hold in 85 %"),
        (0.96, 0, Missing(1, Bound.COST), "this was promised"),
        (0.96, None, Missing(1, Bound.COST), "that would gain no more"),
    ],
)
def test_one_strip_and_not_two_says_why(chance, promised, lack, why):
    mine = OPTIONS[1]._replace(start=0, chance=0.96)
    frame = with_options(mine, OPTIONS[0]._replace(chance=chance), promised=promised)
    found = WhyThis(True, None, NextBest(None, 0.0), ways=(lack,))

    text = plan_lines.why_words(frame, 0, 0, found)

    assert f"the likeliest start to hold, 96 %; not two-strips on that day: {why}" in text


@pytest.mark.parametrize(
    ("why", "now", "gain", "words"),
    [
        (Why.GAIN, 1, 3.0, "now Thu Sep 3 (one strip, a fresh one on day 10): it gains 3.0"
         " colonies, more than the 1 that a move must (move_gain)"),
        (Why.ROOM, 1, 4.5, "it spares work or driving; the plan gains 4.5 colonies in all"),
        (Why.ROOM, None, None, "now none: its hours or strips are gone"),
        (Why.GONE, None, None, "now none: nothing is due there any more"),
        (Why.MISSED, 1, None, "its day has passed and no start was entered"),
        (Why.BEFORE, 1, None, "that day comes before the days planned here"),
    ],
)  # fmt: skip
def test_each_move_says_why(why: Why, now: int | None, gain: float | None, words: str):
    text = plan_lines.move_words(FRAME, Move(0, PROMISE, now, why, gain))

    assert text.startswith("was Mon Aug 31 (two strips at once), now ")
    assert text.endswith(words)


def test_a_start_that_found_no_room_says_what_it_lacks():
    lacks = Missing(0, Bound.HOURS, (Shortage(0, 3, 5.0, True),))

    text = plan_lines.move_words(FRAME, Move(0, PROMISE, 1, Why.ROOM, None, lacks))

    assert text.endswith(": North crew lacks 5 min on Thu Sep 3")


def test_who_has_the_strips_of_a_yard_that_lost_its_place_is_named_with_the_gain():
    """Rounded down: what is named is gained."""
    needs = (*FRAME.instance.needs, FRAME.instance.needs[0]._replace(yard="Mill Yard"))
    frame = FRAME._replace(instance=FRAME.instance._replace(needs=needs))
    lacks = Missing(0, Bound.STRIPS, (), 40)

    move = Move(0, PROMISE, None, Why.ROOM, 6.09, lacks, serves=(1,))

    assert plan_lines.move_words(frame, move).endswith(
        "now none: 40 strips are missing; what it had now serves Mill Yard; the plan gains 6.0"
        " colonies in all"
    )


def test_a_start_that_comes_too_late_is_told_as_that_where_the_notice_names_it():
    named = (date(2026, 9, 3), FORMIC_STRIPS.regimens[1], MONDAY)

    said = plan_lines.without_words(blocked=(), free=None, lost=(), late=named, others="x")

    assert said.startswith(
        "the notice names Thu Sep 3 (one strip, a fresh one on day 10), which is too late to"
        " be over in time: the last day for that is Mon Aug 31. No day is in time: x;"
    )


@pytest.mark.parametrize(
    ("gone", "words"),
    [
        (Gone(free=MONDAY), "nothing new before Mon Aug 31: what is in the hives, or its count,"
         " comes first"),
        (Gone(over=True), "today's hours are over"),
        (Gone(limit=MONDAY), "the last day to start so that it is in time is Mon Aug 31"),
        (Gone(lost=Lost(MONDAY, Task.APPLY, MONDAY, "too windy")),
         "Mon Aug 31 too windy"),
        (Gone(lost=Lost(MONDAY, Task.APPLY, MONDAY, "no crew works", freed=Freed(days=(MONDAY,)))),
         "Mon Aug 31 no crew works; a crew on Mon Aug 31 would free it"),
        (Gone(lost=Lost(MONDAY, Task.REMOVE, date(2026, 9, 14), "no crew works")),
         "a start on Mon Aug 31 has its removal on Mon Sep 14: no crew works"),
    ],
)  # fmt: skip
def test_a_start_that_is_gone_has_its_one_reason_with_its_figure(gone: Gone, words: str):
    text = plan_lines.move_words(
        FRAME, Move(0, PROMISE, None, Why.GONE), plan_lines.gone_words(gone, "C")
    )

    assert text == f"was Mon Aug 31 (two strips at once), now none: {words}"


SHIFT = Shift("swap", date(2026, 9, 10), "North crew", date(2026, 9, 11), "North crew", "")


@pytest.mark.parametrize(
    ("shift", "words"),
    [
        (SHIFT._replace(why="Thu Sep 10 too wet"),
         "swap Fri Sep 11 instead of Thu Sep 10, with North crew (Thu Sep 10 too wet)"),
        (SHIFT._replace(crew="South crew", why="too wet"),
         "swap Fri Sep 11 with South crew instead of Thu Sep 10 with North crew (too wet)"),
        (SHIFT._replace(day=SHIFT.was_day, crew="South crew", why="too wet"),
         "swap Thu Sep 10 with South crew instead of North crew (too wet)"),
    ],
)  # fmt: skip
def test_a_visit_that_moves_names_the_old_and_the_new_day_and_crew_and_why(shift, words):
    move = Move(0, PROMISE, 0, Why.VISIT, None)
    mine = Promise("a\n1\ndoses", "Creek Bend", "", "", MONDAY, ())

    assert plan_lines.move_words(FRAME, move, "", [shift]) == f"the start keeps its day; {words}"
    assert plan_lines.move_words(FRAME, move._replace(was=mine), "", [shift]) == words


def test_a_count_that_is_dropped_is_no_start():
    promise = Promise("a\ncount-1\ncount\n0", "Creek Bend", "", "", MONDAY,
                      (("count", MONDAY, "North crew"),))  # fmt: skip

    dropped = plan_lines.move_words(FRAME, Move(0, promise, None, Why.ROOM, 0.5))

    assert dropped.startswith(
        "promised was count Mon Aug 31 with North crew, now none: it spares work"
    )


def test_a_day_with_other_hours_is_one_line():
    found = Hours("South crew", date(2026, 7, 14), True, (("Holly", time(8, 39), time(12, 1)),))

    assert plan_lines.hours_words(found) == (
        "South crew, Tue Jul 14: another order; Holly at 08:39 instead of 12:01"
    )
    assert "other hours; Holly" in plan_lines.hours_words(found._replace(order=False))


def test_a_day_that_gains_less_than_a_move_must_is_told_with_the_threshold():
    """Promised is the first option; a move must gain two colonies."""
    need = FRAME.instance.needs[0]._replace(promised=0)
    frame = FRAME._replace(instance=FRAME.instance._replace(needs=(need,), keep=2.0))
    stays = WhyThis(False, Missing(1, Bound.COST), NextBest(1, -0.74))

    assert plan_lines.why_words(frame, 0, 0, stays) == (
        "82 %; Thu Sep 3 (one strip, a fresh one on day 10) would hold in 95 %, but a move must"
        " gain more than 2 colonies (move_gain); Thu Sep 3 would gain 0.7 colonies, less than the"
        " 2 that a move must (move_gain)"
    )
    assert plan_lines.held_line(frame.instance) == (
        "What was promised stays, unless it must move or a move gains more than 2 colonies"
        " (move_gain)."
    )


def test_what_a_count_lacks_names_no_start_and_no_visit_that_follows():
    """It could be from Monday on; the day that lacks least is Thursday."""
    count = Stop("count", (0, 1, 2, 3), 72.0, 12.0)
    need = Need("a\ncount-1\ncount\n0", "Beech", 1, 24, 5, (Option(0, "", "", (count,), 6.0),),
                starts=False)  # fmt: skip
    frame = FRAME._replace(instance=FRAME.instance._replace(needs=(need,)))

    assert none_lines.none_words(
        frame, [0], [Missing(0, Bound.HOURS, (Shortage(0, 3, 25.0, False),))]
    ) == (
        "North crew lacks 25 min on Thu Sep 3; 25 more minutes with North crew on Thu Sep 3 would"
        " free it"
    )
    assert none_lines.none_words(frame, [0], [Missing(0, Bound.COST)]) == (
        "its hours on the road and at the hives cost more"
    )


def test_counts_that_a_treatment_leaves_no_day_for_are_told_in_one_sentence():
    assert plan_lines.shut_words(["Cedar", "Elm", "Beech"]) == (
        "no count is planned at Cedar, Elm and Beech: until the treatments are out and 14 days have"
        " passed, a count says little; count before they go in"
    )


def day(number: int) -> date:
    return MONDAY + timedelta(days=number)


def test_starts_of_one_reason_are_told_together_with_what_would_free_the_best():
    """Sundays on which nobody works; that of September 13 is worth most."""
    worth = {6: 3.0, 13: 8.0, 20: 2.0, 27: 1.0, 34: 0.5}
    lost = [
        Lost(day(one), Task.APPLY, day(one), "no crew works", freed=Freed(days=(day(one),)),
             value=value)
        for one, value in worth.items()
    ]  # fmt: skip

    assert plan_lines.lost_words(lost) == (
        "starts on Sun Sep 6, Sun Sep 13, Sun Sep 20 and 2 more: no crew works; a crew on Sun Sep"
        " 13 would free the start on Sun Sep 13"
    )
    assert plan_lines.lost_words(lost[:1]) == (
        "a start on Sun Sep 6: no crew works; a crew on Sun Sep 6 would free it"
    )


def test_an_active_that_no_crew_may_handle_is_told_once_with_what_would_free_it():
    lost = [
        Lost(day(one), Task.APPLY, day(one), "no crew may handle thymol", freed=Freed("thymol"),
             value=1.0 + one)
        for one in (0, 1, 2)
    ]  # fmt: skip

    assert plan_lines.lost_words(lost) == (
        "starts on Mon Aug 31 to Wed Sep 2: no crew may handle thymol; a crew whose actives hold"
        " thymol would free the start on Wed Sep 2"
    )


def test_a_later_visit_and_days_that_are_taken_until_a_day():
    swap = Lost(MONDAY, Task.SWAP, day(10), "contract", day(12))

    assert plan_lines.lost_words([swap]) == (
        "a start on Mon Aug 31 has its swap on Thu Sep 10: contract (until Sat Sep 12);"
        " no crew alone would free it"
    )
    assert plan_lines.lost_words([swap, swap._replace(start=day(1), day=day(11))]) == (
        "starts on Mon Aug 31, Tue Sep 1 have their swap on Thu Sep 10, Fri Sep 11: contract (until"
        " Sat Sep 12); no crew alone would free it"
    )


def test_a_job_without_a_day_has_the_reason_of_each_day_and_what_follows_from_it():
    lost = Lost(
        MONDAY, Task.SWAP, day(4), "too wet",
        days=((day(4), Hindered("too wet")), (day(5), Hindered("no crew works", crew=True)),
              (day(6), Hindered("no crew works", crew=True))),
        freed=Freed(days=(day(5),)),
    )  # fmt: skip

    why = "Fri Sep 4 too wet; Sat Sep 5, Sun Sep 6 no crew works; a crew on Sat Sep 5 would free it"
    assert plan_lines.skipped_words(lost) == why
    assert plan_lines.skipped_words(lost, True, day(20)).startswith(
        f"{why}. The removal on Sun Sep 20 is planned as if the swap were done: decide"
    )


@pytest.mark.parametrize(
    ("others", "words"),
    [
        ({"lost": [Lost(MONDAY, Task.REMOVE, MONDAY, "harvest")]}, "harvest"),
        ({"blocked": [Blocked(Obstacle.SUPERS, 3, 2)]}, "the hives are not ready: fewer supers"),
        ({"free": date(2026, 9, 20)}, "nothing new before Sun Sep 20"),
        ({"beyond": True}, "the forecast does not reach these days"),
        ({}, "no start is named in these days that is in time"),
    ],
)
def test_why_a_yard_that_is_due_has_no_start_to_plan_with(others, words):
    given = {"blocked": (), "free": None, "lost": (), **others}

    assert words in plan_lines.without_words(**given)


def test_how_it_was_found_is_said_with_gap_and_time():
    whole = Plan({}, {}, 1.0, 0.0, None, 0.21, "every way looked at")
    near = Plan({}, {}, 1.0, 0.0093, 0.004, 4.2, "x")
    unknown = Plan({}, {}, None, None, None, 60.0, "x")

    assert plan_lines.solved_line(whole, limit_s=60) == (
        "The best there is: every way was looked at, in 0.2 s."
    )
    assert plan_lines.solved_line(near, limit_s=60) == (
        "Found in 4.2 s, of at most 60 s; whatever else could be driven is worth at most"
        " 1.0 % more."
    )
    kept = plan_lines.solved_document(near, limit_s=60)
    assert (kept["gap"], kept["choice_gap"]) == (0.0093, 0.004)
    assert plan_lines.solved_again(kept) == plan_lines.solved_line(near, limit_s=60)
    assert "is not known" in plan_lines.solved_line(unknown, limit_s=60)
    empty = plan_lines.solved_line(near, limit_s=60, nothing=True)
    assert empty == "Nothing has a place in these days; looked at for 4.2 s."
    assert plan_lines.solved_again(kept, nothing=True) == empty


def test_what_the_weather_leaves_of_the_plan():
    assert plan_lines.judged_line(Judgement(2, 56, 51.6, 24)) == (
        "2 yards begin, 56 colonies: 52 expected in a window that holds, 24 or more in nine"
        " scenarios of ten."
    )
    assert plan_lines.judged_line(Judgement(1, 24, 20.0, None)).endswith("that holds.")
    assert plan_lines.judged_line(Judgement(0, 0, 0.0, None)).startswith("No treatment")


def sheet(**others) -> SheetView:
    found = jobs(
        yard(supers=3, queen_excluder=True, floor="screened"),
        entries=(),
        plan=PlannedStart(MONDAY, FORMIC_STRIPS, FORMIC_STRIPS.regimens[1], 0.9),
        rules=WorkRules(),
        today=MONDAY,
    )
    dosed = [job for job in found if job.dose is not None]
    return SheetView(
        **{
            "crew": "North crew",
            "people": 2,
            "day": MONDAY,
            "leaves": datetime(2026, 8, 31, 7, 30),
            "calls": tuple(
                CallView(yard(f"Yard {number}"), datetime(2026, 8, 31, 8 + number),
                         datetime(2026, 8, 31, 8 + number, 45), 12.4, (job._replace(on=MONDAY),))
                for number, job in enumerate(dosed)
            ),
            "rest": datetime(2026, 8, 31, 9, 50),
            "break_minutes": 30.0,
            "back": datetime(2026, 8, 31, 11, 20),
            "driving": 40.0,
            "working": 135.0,
            **others,
        }
    )  # fmt: skip


def test_a_sheet_has_the_order_the_times_the_load_and_the_reminders():
    lines = crew_lines.sheet_lines(sheet())
    text = " ".join(" ".join(lines).split())

    assert lines[0] == "Mon Aug 31, North crew (2 people): 3 yards"
    assert "Load 52 strips: formic acid gel strips" in text  # 26 put in, 26 for the swap
    assert "acid-resistant gloves, sealed goggles" in text
    assert text.index("07:30 leave") < text.index("1. Yard 0") < text.index("2. Yard 1")
    assert text.index("2. Yard 1") < text.index("09:50 break, 30 min") < text.index("3. Yard 2")
    assert "entrance wide open, no reducer" in text
    assert "its right day is Thu Sep 10" in text
    assert "old ones out before fresh ones go in; enter the swap" in text
    assert text.endswith("11:20 back; 2 h 15 min at the yards, 40 min on the road")
    assert max(map(len, lines)) <= 78


def test_a_day_without_a_break_has_none_and_one_at_the_end_is_before_the_way_back():
    without = " ".join(crew_lines.sheet_lines(sheet(rest=None, break_minutes=0.0)))
    late = " ".join(
        " ".join(crew_lines.sheet_lines(sheet(rest=datetime(2026, 8, 31, 10, 45)))).split()
    )

    assert "break" not in without
    assert late.index("3. Yard 2") < late.index("10:45 break") < late.index("11:20 back")


def test_every_text_can_be_in_another_language():
    """Each text that a person reads is looked up: what is looked up is marked, and nothing but
    names, figures and what other rooms say is left unmarked."""
    seen: list[str] = []

    def lookup(text: str, plural: str | None, count: int | None) -> str:
        seen.append(text)
        return text if plural is None or count == 1 else plural

    with spoken(lookup):
        crew_lines.sheet_lines(sheet())
        plan_lines.judged_line(Judgement(2, 56, 51.6, 24))
        plan_lines.why_words(FRAME, 0, 1, WhyThis(True, None, NextBest(0, 3.0)))

    assert "leave" in seen
    assert "back; {working} at the yards, {driving} on the road" in seen
    assert "the likeliest start to hold, {chance}" in seen
    assert "{count} yard begins" in seen


def test_a_start_that_waits_for_strips_says_for_which_and_what_sooner_would_gain():
    """Strips come on Thursday; the start on Monday lacks 40."""
    waits = Waits(0, 40, 1.26, (3, 200), True)
    found = WhyThis(True, None, NextBest(0, 3.0), waits=waits)

    text = plan_lines.why_words(FRAME, 0, 1, found)
    other = plan_lines.why_words(FRAME, 0, 1, found._replace(waits=waits._replace(sooner=False)))
    nothing = plan_lines.why_words(FRAME, 0, 1, found._replace(waits=waits._replace(gains=None)))

    assert text.startswith(
        "95 %; it waits for the 200 strips that come on Thu Sep 3; that delivery, or 40 more"
        " strips, by Mon Aug 31 would gain 1.3 colonies here; next best"
    )
    assert "Thu Sep 3; 40 more strips by Mon Aug 31 would gain 1.3 colonies here;" in other
    assert nothing.startswith(
        "the likeliest start to hold, 95 %; it takes strips that come on Thu Sep 3; had they come"
        " sooner, that would gain nothing; next best"
    )


def test_why_no_other_day_fits_is_told_by_day_those_of_one_reason_together():
    need = FRAME.instance.needs[0]._replace(
        barred=((1, "too wet"), (2, "too wet"), (4, "no crew works"), (6, "no crew works"),
                (8, "no crew works"), (10, "no crew works"))
    )  # fmt: skip
    frame = FRAME._replace(instance=FRAME.instance._replace(needs=(need,)))
    off = (Off(0, Bound.HOURS), Off(5, Bound.STRIPS), Off(7, Bound.HOURS, later=True))

    text = plan_lines.why_words(frame, 0, 1, WhyThis(True, None, NextBest(None, 0.0), off))

    assert text.endswith(
        "no other day fits: Mon Aug 31 hours full; Tue Sep 1, Wed Sep 2 too wet; Sat Sep 5 too few"
        " strips; Mon Sep 7 hours full for a visit that follows; all others no crew works"
    )


def test_days_of_a_count_that_would_say_little_are_told_as_that():
    assert plan_days.off_words(MONDAY, [Off(0, Bound.HOURS)], treated=range(1, 30),
                               days=range(6)) == (
        "Mon Aug 31 hours full; Tue Sep 1 to Sat Sep 5 a count says little, inside the treatment"
        " or within 14 days after it"
    )  # fmt: skip


def test_one_remedy_of_several_yards_says_how_many_it_frees():
    needs = tuple(
        FRAME.instance.needs[0]._replace(yard=name) for name in ("Ash", "Beech", "Elm", "Oak")
    )
    frame = FRAME._replace(instance=FRAME.instance._replace(needs=needs))
    lacks = [Missing(0, Bound.HOURS, (Shortage(0, 0, 12.0 + more, True),)) for more in (0, 4, 9)]

    def words(told, frees):
        return none_lines.none_words(
            frame, told, [lacks[one] for one in told], peers=Peers((0, 1, 2), frees)
        )

    hand = "one more hand with North crew on Mon Aug 31 would free"
    room = hand.replace("free", "make room for only")
    assert "North crew lacks 12 to 21 min on Mon Aug 31" in words([0, 1, 2], 1)
    assert words([0, 1, 2], 1).endswith(f"{room} one of these 3, whichever you choose")
    assert words([0, 1, 2], 2).endswith(f"{room} 2 of these 3")
    assert words([0, 1, 2], 3).endswith(f"{hand} them")
    assert words([1], 1).endswith(
        f"{room} one of these 3, whichever you choose: Ash, Beech and Elm"
    )
    both = none_lines.none_words(frame, [0], [lacks[0]], peers=Peers((0,), 1, shared=True))
    assert both.endswith(f"{hand} it, or a yard that lacks hours of the same crew on the same day")
    alone = none_lines.none_words(frame, [0], [lacks[0]], peers=Peers((0,), 1, alone=True))
    assert alone.endswith(f"{hand} this one alone")


@pytest.mark.parametrize(
    ("lack", "bound", "words"),
    [
        (Shortage(0, 0, 12.0, True, True), Bound.HOURS, "one more hand with North crew on"),
        (Shortage(0, 0, 12.0, False, True), Bound.HOURS, "North crew leaving earlier on"),
        (Shortage(0, 0, 12.0, False, True, False), Bound.HOURS, "a second crew on Mon Aug 31"),
    ],
)
def test_where_daylight_binds_it_is_named(lack: Shortage, bound: Bound, words: str):
    text = none_lines.none_words(FRAME, [0], [Missing(0, bound, (lack,), dark=True)])

    assert "North crew lacks 12 min of daylight on Mon Aug 31; " in text
    assert words in text
    long = none_lines.none_words(FRAME, [0], [Missing(0, Bound.LENGTH, dark=True)])
    assert "it gets dark before any crew could drive there, work and be back; only longer" in long
    assert plan_days.off_why(Off(0, Bound.HOURS, dark=True)) == "it gets dark too soon"


def test_what_else_has_a_visits_days_would_have_to_leave_one():
    lost = Lost(
        MONDAY, Task.REMOVE, day(4), "harvest", day(20),
        days=((day(4), Hindered("harvest", day(20))), (day(5), Hindered("harvest", day(20)))),
        eased=Eased("harvest", day(4), day(4)),
    )  # fmt: skip
    beside = lost._replace(eased=Eased("harvest", day(5), day(5), Freed(days=(day(5),))))
    wet = Lost(MONDAY, Task.SWAP, day(4), "too wet",
               days=((day(4), Hindered("too wet", weather=True)),))  # fmt: skip

    assert plan_lines.skipped_words(lost).endswith("; Fri Sep 4 without harvest would free it")
    assert plan_lines.skipped_words(beside).endswith(
        "; Sat Sep 5 without harvest and a crew on Sat Sep 5 would free it"
    )
    assert plan_lines.skipped_words(wet).endswith(
        "; only other weather on one of these days would free it"
    )
