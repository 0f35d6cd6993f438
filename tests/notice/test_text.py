"""The notice as people get it: subject, width, words."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import FORMIC_STRIPS, MONDAY, highs, scenarios, yard
from windowcast.crew.held_back import Days
from windowcast.crew.settings import FixedRow
from windowcast.notice import letter as letters
from windowcast.notice import words
from windowcast.notice.beside import Beside
from windowcast.notice.strength_lines import strength_lines
from windowcast.notice.subject import subject_of
from windowcast.notice.table import answer_lines
from windowcast.notice.text import Circumstances, contents, laid_out, write
from windowcast.trade.rules import WorkRules
from windowcast.trade.vapour import Strength
from windowcast.trade.workable import Hindrance
from windowcast.window.decide import ForecastState, Rules, Status, YardAnswer, decide
from windowcast.window.scan import Words, scan

NOW = datetime(2026, 8, 31, 11, 0, tzinfo=UTC)
CIRCUMSTANCES = Circumstances(late=None, next_at=time(6, 0), invented=False, spare_percent=5.0)


def answer(name, high_c, *, stale=False, first_high_c=None, **hive):
    place = yard(name, **hive)
    course = None if high_c is None else [first_high_c or high_c, *[high_c] * 24]
    starts = scan(
        FORMIC_STRIPS,
        forecast=None if course is None else highs(*course[:15]),
        words=None if course is None else Words(scenarios([course] * 51)),
        today=MONDAY,
        first_start=MONDAY,
    )
    decided = decide(
        place,
        FORMIC_STRIPS,
        starts,
        rules=Rules(min_chance=0.8, max_danger=0.05),
        today=MONDAY,
        stale=stale,
    )
    forecast = ForecastState(
        source="open-meteo",
        fetched_at=None if course is None else NOW - timedelta(hours=1),
        run_at=None,
        age_hours=None if course is None else (20.0 if stale else 1.0),
        stale=stale,
        first_day=MONDAY,
        last_day=MONDAY + timedelta(days=24),
        scenarios=0 if course is None else 51,
        scenario_sources=("ensemble",),
        scenarios_last_day=None if course is None else MONDAY + timedelta(days=24),
        sources=() if course is None else ("forecast", "ensemble"),
        missing=() if course is not None else ("forecast: the server is away",),
        attribution="Weather data by Open-Meteo.com (CC BY 4.0)",
        how="",
    )
    return YardAnswer(yard=place, today=MONDAY, forecast=forecast, treatments=(decided,))


OPEN = answer("Creek Bend", 20)
LATER = answer("Lower Meadow", 27, first_high_c=31)
CLOSED = answer("South Slope", 34)
BLOCKED = answer("Mill Yard", 20, supers=3)
UNKNOWN = answer("Far Yard", None)
STALE = answer("Old Yard", 20, stale=True)


def named(given, name):
    return given._replace(yard=given.yard._replace(name=name))


@pytest.mark.parametrize(
    ("answers", "subject"),
    [
        ([OPEN], "Creek Bend can start today"),
        (
            [OPEN, LATER, named(LATER, "B"), CLOSED],
            "Creek Bend can start today; 2 yards later; 1 without a start",
        ),
        ([OPEN, named(OPEN, "B"), LATER], "Creek Bend and B can start today; 1 yard later"),
        (
            [OPEN, named(OPEN, "B"), named(OPEN, "C")],
            "3 yards can start today",
        ),
        ([LATER], "Lower Meadow can start on Tue Sep 1"),
        ([CLOSED], "South Slope: no start in the days looked at"),
        ([BLOCKED], "Mill Yard: take off 1 super, then start today"),
        ([LATER, CLOSED], "No yard can start today; 1 yard later; 1 without a start"),
        (
            [BLOCKED, UNKNOWN],
            "No yard can start today; 1 yard to make ready first; 1 without a usable forecast",
        ),
        ([UNKNOWN], "Far Yard: without a usable forecast"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_the_subject_is_the_message(answers, subject):
    assert subject_of(answers) == subject


def with_another(given, other):
    """The yard with the treatment of another one as its second."""
    return given._replace(treatments=(*given.treatments, *other.treatments))


@pytest.mark.parametrize(
    ("answers", "beside", "subject"),
    [
        ([OPEN], {}, "Creek Bend: due now, start today"),
        ([BLOCKED], {}, "Mill Yard: due now, take off 1 super, then start today"),
        (
            [OPEN, BLOCKED, LATER],
            {"Creek Bend": Beside()},
            "Creek Bend can start today; Mill Yard: due now, take off 1 super, then start today;"
            " Lower Meadow: due now, start on Tue Sep 1",
        ),
        (
            [BLOCKED, CLOSED],
            {"South Slope": Beside(choices=2)},
            "Mill Yard: due now, take off 1 super, then start today; no other yard can start today;"
            " 1 yard without a start",
        ),
        ([OPEN, BLOCKED, LATER], {}, "Creek Bend can start today; 3 yards due now; 1 yard to make"
         " ready first; 1 later"),
        ([CLOSED], {"South Slope": Beside(choices=2)},
         "South Slope: no start in time, two others to choose"),
    ],
)  # fmt: skip
def test_a_yard_that_is_due_now_is_named_as_such_with_what_to_do(answers, beside, subject):
    others = {one.yard.name: Beside(due=True) for one in answers} | beside
    assert subject_of(answers, others) == subject


def test_another_treatment_that_can_start_today_is_in_the_subject_and_the_heading():
    """In winter the first of the file may be one for summer."""
    other = with_another(CLOSED, OPEN)
    assert subject_of([other]) == (
        "South Slope: no start in time, but formic acid gel strips can start today"
    )
    assert subject_of([other, LATER, named(CLOSED, "B")]) == (
        "South Slope can start another treatment today; 1 yard later; 1 without a start"
    )
    assert subject_of([named(other, name) for name in "ABC"]) == (
        "3 yards can start another treatment today"
    )
    first, second = contents([LATER, other], CIRCUMSTANCES, "C").parts
    assert first.heading == (
        "South Slope: no start in the days looked at; formic acid gel strips can start today"
    )
    # What the heading holds up is told with its dose, its visits and what it asks for at the hive.
    said = " ".join(" ".join(first.lines).split())
    assert "Start Mon Aug 31, two strips at once (formic acid gel strips)" in said
    assert "Visits Mon Aug 31: put in 2 strips a colony; bring 51 (48 and 3 spare)" in said
    assert "At the hive - honey supers off" in said
    assert "Leave shut Tue Sep 1 to Sun Sep 13" in said
    wet = contents([other], CIRCUMSTANCES, "C", {"South Slope": Beside(shut=WET)}).parts[0]
    assert "Start Mon Aug 31" not in " ".join(" ".join(wet.lines).split())
    assert second.yard == "Lower Meadow"
    assert "start another" not in subject_of([with_another(LATER, OPEN)])


def many_answers(count):
    """`count` yards in the order closed, open, blocked, and again."""
    kinds = (CLOSED, OPEN, BLOCKED)
    return [named(kinds[n % 3], f"Yard {n:03}") for n in range(count)]


def whole_ones(body):
    """The names of the yards that are told whole: those with a line under their heading."""
    lines = body.splitlines()
    return [
        line.partition(":")[0]
        for line, under in pairwise(lines)
        if under and set(under) == {"-"} and len(under) == len(line)
    ]


def test_up_to_forty_yards_are_told_whole_and_what_can_start_first():
    answers = many_answers(40)
    body = write(answers, CIRCUMSTANCES, "C").body
    # What can start once the hives are made ready comes next.
    by_status = [
        one.yard.name
        for status in (Status.OPEN, Status.BLOCKED, Status.CLOSED)
        for one in answers
        if one.main.status is status
    ]
    assert whole_ones(body) == by_status
    assert "in short" not in body


def test_yards_stand_by_how_pressing_they_are_and_else_as_in_the_file():
    """As on the page: a reader who stops early has read what matters."""
    kinds = {
        "nothing": CLOSED,
        "choose": CLOSED,
        "later": LATER,
        "due": CLOSED,
        "ready": BLOCKED,
        "open": OPEN,
        "shut": OPEN,
        "treated": OPEN,
        "moved": LATER,
        "visit": OPEN,
        "risk": OPEN,
        "danger": OPEN,
        "last": CLOSED,
    }
    answers = [named(kind, name) for name, kind in kinds.items()]
    beside = {
        "choose": Beside(choices=1),
        "due": Beside(due=True),
        "shut": Beside(due=True, shut=WET),
        "treated": Beside(done=True),
        "moved": Beside(news="moved"),
        "visit": Beside(today="swap today", heading="a treatment is in"),
        "risk": Beside(risk="strips outside the band", heading="a treatment is in"),
        "danger": Beside(danger="strips in danger", heading="a treatment is in"),
    }
    said = contents(answers, CIRCUMSTANCES, "C", beside)
    order = [
        "danger", "risk", "moved", "visit", "open", "ready", "due", "shut", "choose", "later",
        "nothing", "treated", "last",
    ]  # fmt: skip
    assert [part.yard for part in said.parts] == order
    assert said.sentence.startswith(
        "danger: strips in danger; risk: strips outside the band; moved: moved; visit: swap today;"
    )
    assert whole_ones(laid_out(said).body) == order
    letter = letters.write(said, {})
    assert sorted(order, key=lambda name: letter.index(f">{name}: ")) == order


def test_of_three_hundred_yards_the_most_pressing_are_told_whole_and_each_other_in_a_line():
    beside = {
        "Yard 297": Beside(danger="strips in danger, Thu Sep 3", heading="a treatment is in"),
        "Yard 298": Beside(news="opened, start today"),
        "Yard 299": Beside(today="removal", heading="a treatment is in"),
        "Yard 001": Beside(heading="a treatment is in"),
    }
    body = write(many_answers(300), CIRCUMSTANCES, "C", beside).body
    whole = whole_ones(body)
    # 299, 2 and so on are blocked; the open ones are 1, 4, 7 and so on, and in 1 something is in.
    assert whole == [
        "Yard 297", "Yard 298", "Yard 299", *(f"Yard {n:03}" for n in range(4, 114, 3))
    ]  # fmt: skip
    brief = [line[2:10] for line in body.splitlines() if line.startswith("- Yard")]
    assert len(brief) == 260
    assert set(brief) | set(whole) == {f"Yard {n:03}" for n in range(300)}
    assert brief[0] == "Yard 115" and brief[-1] == "Yard 001"
    assert "- Yard 115: start today, two strips at once, 100 %\n" in body
    assert "260 more yards, in short, the most pressing first" in body
    assert "Formic acid burns skin" in body
    assert max(map(len, body.splitlines())) <= 78
    assert len(body.encode()) < 100_000


@pytest.mark.parametrize("count", [1, 2, 3, 4, 40, 41, 300])
@pytest.mark.parametrize("what", ["danger", "news", "today"])
@pytest.mark.parametrize("invented", [False, True])
def test_a_subject_stays_short_and_whole_words(count, what, invented):
    answers = [named(OPEN, f"{'Yard ' * 15}{n:03}") for n in range(count)]
    beside = {one.yard.name: Beside(**{what: "something to be told"}) for one in answers}
    circumstances = replace(CIRCUMSTANCES, invented=invented)

    notice = write(answers, circumstances, "C", beside)

    assert len(notice.subject) <= 150 + len(" (invented weather)")
    assert notice.subject.endswith(" (invented weather)") is invented
    full = subject_of(answers, beside)
    cut = notice.subject.removesuffix(" (invented weather)")
    if cut != full:
        kept = cut.removesuffix("…").rstrip(" ;")
        assert full.startswith(kept)
        assert full[len(kept)] in " ;"
    assert " ".join(full.split()) in " ".join(notice.body.split())


def test_a_forecast_that_lacks_everywhere_is_said_in_one_sentence():
    body = write([named(UNKNOWN, f"Yard {n:03}") for n in range(300)], CIRCUMSTANCES, "C").body
    assert body.startswith("No usable forecast for 300 yards: no start is named there.\n")
    assert body.count("not known today") == 300


def test_a_whole_notice_word_for_word():
    assert (
        write([OPEN], CIRCUMSTANCES, "C").body
        == """\
Mon Aug 31, 2026
Creek Bend can start today.

Creek Bend: start today, two strips at once
-------------------------------------------
  Start        Mon Aug 31, two strips at once (formic acid gel strips)
  Chance       virtually certain to hold, 100 %
  Hottest day  Mon Aug 31, 20.0 °C forecast; 20.0 °C over the exposure (middle
               of the scenarios)
  Why          In 51 of 51 scenarios all 14 daily highs stay within
               10.0–29.5 °C; warmest forecast day Mon Aug 31, 20.0 °C.
  Visits       Mon Aug 31: put in 2 strips a colony; bring 51 (48 and 3 spare)
               for 24 colonies
               Mon Sep 14: take out 2 strips a colony; expect 48 for 24
               colonies
  At the hive  - honey supers off and set aside; at most two back on while it
                 is in
               - entrance wide open, no reducer
               - two strips, offset from each other, not side by side
               - lay it on the top bars above the single brood chamber
  Leave shut   Tue Sep 1 to Sun Sep 13: bees may ball the queen while the
               vapour is strong

Formic acid burns skin, eyes and lungs: acid-resistant gloves, sealed goggles,
long sleeves, a mask for acid vapour where the label says so; work upwind, in
the open air, with plenty of water at hand.
The label and local law decide: read them before you open a packet.

Forecast fetched Mon Aug 31 05:00 (1.0 h ago), 51 scenarios to Thu Sep 24.
Weather data by Open-Meteo.com (CC BY 4.0)
https://open-meteo.com/ under https://creativecommons.org/licenses/by/4.0/;
daily highs and chances worked out from it by windowcast.
The next notice is due tomorrow at 06:00. If none comes, something is broken:
no notice is not an all-clear.
"""
    )


def test_every_kind_of_answer_stays_within_78_columns():
    notice = write([OPEN, LATER, CLOSED, BLOCKED, UNKNOWN, STALE], CIRCUMSTANCES, "F")
    assert max(map(len, notice.body.splitlines())) <= 78
    assert "°C" not in notice.body


def test_the_word_safe_stands_in_no_notice():
    """A chance is named instead; nothing that a person does with acid is called so either."""
    body = write([OPEN, LATER, CLOSED, BLOCKED, UNKNOWN, STALE], CIRCUMSTANCES, "C").body
    assert "safe" not in body.casefold()


def test_no_forecast_is_the_first_line():
    body = write([OPEN, UNKNOWN], CIRCUMSTANCES, "C").body
    assert body.startswith("No usable forecast for Far Yard: no start is named there.\n")


def test_an_old_forecast_is_the_first_line_and_names_no_start():
    body = write([STALE], CIRCUMSTANCES, "C").body
    assert body.startswith("Only an old forecast for Old Yard:")
    assert "20 hours old" in body
    assert "  Start " not in body


def test_too_short_a_forecast_is_told_from_none():
    short = OPEN._replace(treatments=(answer("P", None).treatments[0],))
    body = write([short], CIRCUMSTANCES, "C").body
    assert body.startswith("Too short a forecast for Creek Bend: no start is named there.\n")
    assert "The scenarios reach only to Thu Sep 24: too short for an exposure of 14 days" in (
        " ".join(body.split())
    )


def test_yards_with_different_dates_each_show_their_own():
    tomorrow = named(OPEN, "East")._replace(today=MONDAY + timedelta(days=1))
    body = write([OPEN, tomorrow], CIRCUMSTANCES, "C").body
    assert body.startswith("Mon Aug 31 or Tue Sep 1, 2026, each yard's own date\n")
    assert "  Today        Mon Aug 31\n" in body
    assert "  Today        Tue Sep 1\n" in body


def test_treatments_with_one_name_are_told_apart_by_their_id():
    twice = OPEN._replace(treatments=OPEN.treatments * 2)
    assert "formic acid gel strips (test): Mon Aug 31" in write([twice], CIRCUMSTANCES, "C").body


def test_a_late_notice_says_so_first():
    late = replace(CIRCUMSTANCES, late=time(6, 0))
    assert write([OPEN], late, "C").body.startswith("This notice is late: it was due at 06:00.\n")


def test_invented_weather_is_said_in_subject_and_body():
    notice = write([OPEN], replace(CIRCUMSTANCES, invented=True), "C")
    assert notice.subject.endswith("(invented weather)")
    assert notice.body.startswith("INVENTED WEATHER")


@pytest.mark.parametrize("season", ["late-summer", "early-winter"])
def test_the_season_of_the_invented_weather_is_said(season):
    """On a day in November a reader would take its late summer for the real one."""
    said = contents([OPEN], replace(CIRCUMSTANCES, invented=True, season=season), "C")
    assert f"It is {season.replace('-', ' ')} in them, moved so that it begins today" in (
        " ".join(laid_out(said).body.split())
    )
    assert "moved so that it begins today" in letters.write(said, {})
    real = contents([OPEN], replace(CIRCUMSTANCES, season=season), "C")
    assert "begins today" not in laid_out(real).body


def test_the_swap_is_the_one_exception():
    body = write([LATER], CIRCUMSTANCES, "C").body
    assert "the swap on Fri Sep 11 is the one exception" in " ".join(body.split())
    assert (
        "Fri Sep 11: take out the old strip, put in 1 fresh strip a colony; bring 26 (24 and 2"
        " spare) for 24 colonies"
    ) in " ".join(body.split())


def test_the_best_is_shown_with_its_chance_where_nothing_is_named():
    assert CLOSED.main.status is Status.CLOSED
    assert "Nearest" in write([CLOSED], CIRCUMSTANCES, "C").body


def test_supers_in_the_way_are_said_first():
    assert "First take off 1 of the 3 honey supers" in " ".join(
        write([BLOCKED], CIRCUMSTANCES, "C").body.split()
    )


@pytest.mark.parametrize(
    ("chance", "word"),
    [
        (1.0, "virtually certain"),
        (0.99, "virtually certain"),
        (0.90, "very likely"),
        (0.66, "likely"),
        (0.33, "about as likely as not"),
        (0.10, "unlikely"),
        (0.01, "very unlikely"),
        (0.0, "exceptionally unlikely"),
    ],
)
def test_words_for_chances(chance, word):
    """Lower ends of the IPCC likelihood scale (Mastrandrea et al. 2010, table 1), from memory."""
    assert words.likelihood(chance) == word


@pytest.mark.parametrize(
    ("chance", "text"),
    [(0.999, "over 99 %"), (1.0, "100 %"), (0.001, "under 1 %"), (0.0, "0 %"), (0.922, "92 %")],
)
def test_percents_are_never_rounded_into_certainty(chance, text):
    assert words.percent(chance) == text


@given(st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=80))
def test_any_yard_name_leaves_the_notice_whole(name):
    """A name is a value, never a template; {{ }} and % are letters like others."""
    notice = write([named(OPEN, name)], CIRCUMSTANCES, "C")
    assert notice.subject == f"{name} can start today"
    assert "The label and local law decide" in notice.body


def with_amitraz_too(one):
    """The same yard with a second choice that could start as well."""
    other = one.main.treatment._replace(id="amitraz", active="amitraz", form="plastic strip")
    return one._replace(treatments=(one.main, one.main._replace(treatment=other)))


def test_cautions_are_of_what_is_held_up_and_not_of_every_other_choice():
    one = with_amitraz_too(answer("Creek Bend", 20.0))
    body = write([one], CIRCUMSTANCES, "C").body
    instead = write([one], CIRCUMSTANCES, "C", {"Creek Bend": Beside(others=False)}).body

    assert "Others" in body and "amitraz" in body
    assert "Formic acid burns skin" in body and "MAO" not in body
    assert "The label and local law decide" in body
    # What is told instead of the first choice is held up to be handled.
    assert "MAO" in " ".join(instead.split())


def test_the_hottest_high_of_a_start_has_its_unit():
    shown = {unit: "\n".join(answer_lines(answer("Creek Bend", 20.0), unit)) for unit in "CF"}

    assert re.search(r" 0 %  +20\.0 °C  start$", shown["C"], re.MULTILINE)
    assert re.search(r" 0 %  +68\.0 °F  start$", shown["F"], re.MULTILINE)
    assert max(map(len, shown["F"].splitlines())) <= 78


WET = (Hindrance.WET, Hindrance.WINDY)


def test_where_hives_should_stay_shut_today_the_yards_part_says_why_and_nothing_says_start_today():
    second = named(OPEN, "Oak")
    beside = {"Creek Bend": Beside(), "Oak": Beside(shut=WET)}
    notice = write([OPEN, second, LATER], CIRCUMSTANCES, "C", beside)
    head, _, oak = notice.body.partition("\nOak: ")

    assert notice.subject == (
        "Creek Bend can start today; Oak could start today, but hives stay shut there; 1 yard later"
    )
    assert "Creek Bend: start today, " in head
    assert "Bad day" not in head
    assert oak.startswith("start on another day, hives stay shut today\n")
    assert (
        "Bad day today is too wet and too windy to open hives (`[work]`): start on another day"
    ) in " ".join(oak.split())
    assert "start today" not in oak


@pytest.mark.parametrize(
    ("given", "beside", "said"),
    [
        (OPEN, {}, "Creek Bend could start today, but hives stay shut there"),
        (OPEN, {"due": True}, "Creek Bend: due now, start on another day, hives stay shut today"),
        (
            BLOCKED,
            {},
            "Mill Yard: take off 1 super, then start on another day, hives stay shut today",
        ),
        (LATER, {}, "Lower Meadow can start on Tue Sep 1"),
        (CLOSED, {}, "South Slope: no start in the days looked at"),
    ],
)
def test_the_subject_sends_nobody_to_open_hives_that_should_stay_shut(given, beside, said):
    assert subject_of([given], {given.yard.name: Beside(shut=WET, **beside)}) == said


def test_several_yards_whose_hives_stay_shut_are_counted():
    several = [named(OPEN, name) for name in ("A", "B", "C")]
    shut = {one.yard.name: Beside(shut=WET) for one in several}

    assert subject_of([*several, LATER], shut) == (
        "3 yards could start today, but hives stay shut there; 1 yard later"
    )


def test_another_treatment_is_kept_back_as_well():
    other = with_another(CLOSED, OPEN)
    shut = {other.yard.name: Beside(shut=WET)}
    notice = write([other, LATER], CIRCUMSTANCES, "C", shut)

    assert "could start another treatment today, but hives stay shut there" in notice.subject
    assert "start today" not in notice.body.partition("\nSouth Slope: ")[2].partition("\n")[0]
    assert "Bad day" in notice.body
    assert "\n  Bad day" in "\n".join(answer_lines(OPEN, "C", Beside(shut=WET)))


def test_cold_keeps_no_winter_treatment_back_that_is_made_for_it():
    """Trickled at highs of 3 to 10 °C (common practice, no source), below what opens a hive for
    longer."""
    winter = OPEN.main._replace(treatment=OPEN.main.treatment._replace(form="trickle"))
    given = OPEN._replace(treatments=(winter,))

    assert subject_of([given], {"Creek Bend": Beside(shut=(Hindrance.COLD,))}) == (
        "Creek Bend can start today"
    )
    assert "hives stay shut" in subject_of([OPEN], {"Creek Bend": Beside(shut=(Hindrance.COLD,))})
    assert "hives stay shut" in subject_of([given], {"Creek Bend": Beside(shut=WET)})


@pytest.mark.parametrize(
    ("first", "last", "keeps_out", "told"),
    [
        # The exposure of a start on Monday is of 14 days, to Sunday, Sep 13.
        (13, 30, (False, True), True),
        (14, 30, (False, True), False),
        (-9, 0, (False, True), True),
        (-9, -1, (False, True), False),
        (0, 0, (True, False), True),
        (1, 3, (True, False), False),
        (14, 14, (True, False), True),
    ],
)
def test_days_that_keep_the_named_start_out_are_told_with_their_why(first, last, keeps_out, told):
    """Treatments on a day of its exposure; people on the day of one of its visits."""
    days = [MONDAY + timedelta(days=number) for number in (first, last)]
    row = FixedRow("Creek Bend", *days, *keeps_out, why="lime harvest")
    assert OPEN.main.named.start.regimen.exposure_days == 14
    part = contents([OPEN], CIRCUMSTANCES, "C", {"Creek Bend": Beside(fixed=(row,))}).parts[0]
    text = " ".join(" ".join(part.lines).split())
    what = "visits" if keeps_out[0] else "treatments"

    words_of = f"Taken crews.toml keeps {what} out, {words.span(*days)}: lime harvest"
    assert (words_of in text) == told
    assert ("Taken" in text) == told
    shown = answer_lines(OPEN, "C", Beside(fixed=(row,)))
    assert (words_of in " ".join(" ".join(shown).split())) == told


def test_a_removal_whose_day_is_taken_is_told_on_the_day_on_which_it_is_listed():
    """As `windowcast visits` lists it; what takes its right day is still said."""
    row = FixedRow("Creek Bend", MONDAY + timedelta(days=14), MONDAY + timedelta(days=15), True,
                   False, why="lime harvest")  # fmt: skip
    days = Days((row,), {}, None, WorkRules())
    told = OPEN.main._replace(visits=days.visits_moved(OPEN.main, MONDAY))
    given = OPEN._replace(treatments=(told,))

    part = contents([given], CIRCUMSTANCES, "C", {"Creek Bend": Beside(fixed=(row,))}).parts[0]

    text = " ".join(" ".join(part.lines).split())
    assert "Wed Sep 16: take out 2 strips a colony" in text
    assert "for 24 colonies; its right day is Mon Sep 14" in text
    assert "Mon Sep 14: take out" not in text
    assert "Taken crews.toml keeps visits out, Mon Sep 14 to Tue Sep 15: lime harvest" in text


def test_forecasts_fetched_at_once_are_told_once_with_the_zone_of_the_hour():
    """Three zones at one instant: 05:00 in Chicago, in central daylight time."""
    how = "Chance: 51 ensemble members, corrected with built-in errors."
    zones = ("America/Chicago", "Europe/Berlin", "Asia/Tokyo")
    answers = []
    for number, zone in enumerate(zones):
        one = named(OPEN, f"Yard {number}")
        place = one.yard._replace(timezone=zone)
        answers.append(one._replace(yard=place, forecast=one.forecast._replace(how=how)))

    sources = contents(answers, CIRCUMSTANCES, "C").sources

    assert sources[:3] == (
        "Forecast fetched Mon Aug 31 05:00 in America/Chicago (1.0 h ago), 51 scenarios to Thu Sep"
        " 24.",
        how,
        "Weather data by Open-Meteo.com (CC BY 4.0)",
    )
    assert len(sources) == len(set(sources)) <= 4
    # Fetched at different times, each hour is told; what is the same of them only once.
    later = answers[1].forecast.fetched_at + timedelta(minutes=20)
    answers[1] = answers[1]._replace(forecast=answers[1].forecast._replace(fetched_at=later))
    fetched = [line for line in contents(answers, CIRCUMSTANCES, "C").sources if "fetched" in line]
    assert [line[:50] for line in fetched] == [
        "Forecast fetched Mon Aug 31 05:00 in America/Chica",
        "Forecast fetched Mon Aug 31 12:20 in Europe/Berlin",
    ]


@pytest.mark.parametrize(("units", "reference"), [("C", "20 °C"), ("F", "68 °F")])
def test_strength_names_its_day_in_the_units_of_the_configuration(units: str, reference: str):
    """68 °F is 20 °C: the definition of the degree Fahrenheit, 9/5 and 32."""
    regimen = OPEN.main.named.start.regimen
    found = {regimen.id: Strength(1.2, 1.0, 1.4)}

    said = " ".join(" ".join(strength_lines(OPEN.main, found, units)).split())

    days = regimen.exposure_days
    assert f"1.2 times as strongly as {days} days at {reference} (1.0 to 1.4)" in said
