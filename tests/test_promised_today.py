"""What today says of promised stops: from a real journal and a real answer."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from windowcast import doing, forms, morning, pages, promised_today, visiting
from windowcast.answer import find_treatments, open_store, stored_weather
from windowcast.edges import config, shipped
from windowcast.entering import today_at
from windowcast.form_kinds import Desk
from windowcast.notice import words
from windowcast.notice.crew_today import State, today_words
from windowcast.notice.visit_lines import job_document, why
from windowcast.trade.course import snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.work import Kind
from windowcast.window.decide import Status

NOW = datetime(2026, 8, 31, 15, tzinfo=UTC)
CREW = "North crew"
WORK = [
    ("open_max_rain_mm = 1 ", "open_max_rain_mm = 100 "),
    ("open_max_wind_kmh = 25 ", "open_max_wind_kmh = 150 "),
    ("open_min_c = 12 ", "open_min_c = -40 "),
]
"""Hives can be opened in any weather, so that the day of the year decides nothing."""


@pytest.fixture
def configuration(tmp_path):
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        text = (Path(shipped.config_folder()) / name).read_text("utf-8")
        for was, now in [('"open-meteo"', '"sample"'), *WORK]:
            text = text.replace(was, now)
        (tmp_path / name).write_text(text, "utf-8")
    return config.load(tmp_path, {})


@pytest.fixture
def store(configuration):
    with open_store(configuration) as opened:
        morning.gather(configuration, opened, configuration.yards, now=NOW, say=print)
        yield opened


def yard_of(configuration):
    return configuration.yards[0]


def promised(configuration, *stops, treatment="formic-strips", regimen="two-strips", ahead=0):
    yard = yard_of(configuration)
    today = today_at(yard, NOW)
    need = {
        "key": f"{yard.name}\ntreatment-1",
        "yard": yard.name,
        "treatment": treatment,
        "regimen": regimen,
        "start": str(today + timedelta(days=ahead)),
        "stops": [],
    }
    sheets = []
    for task, after in stops:
        day = str(today + timedelta(days=after))
        need["stops"].append([task, day, CREW])
        call = {"yard": yard.name, "visits": [{"task": task}]}
        sheets.append({"date": day, "crew": CREW, "calls": [call]})
    return {"needs": [need], "sheets": sheets}


def said(configuration, store, document):
    found = pages.whole(configuration, store, yard_of(configuration), now=NOW)
    stops = promised_today.stops_today(
        configuration, document, answer=found.answer, weather=found.weather,
        entries=store.journal(found.yard.name), jobs=found.standing.all_jobs,
        passed=found.standing.passed, danger=found.standing.in_danger,
    )  # fmt: skip
    return [stops[key] for key in sorted(stops, key=lambda key: key[1])]


def begin(configuration, store, ahead=0, regimen=1):
    yard = yard_of(configuration)
    treatment = find_treatments(configuration, yard)[0]
    chosen = treatment.regimens[regimen]
    day = today_at(yard, NOW) + timedelta(days=ahead)
    body = {"treatment": treatment.id, "regimen": chosen.id, "colonies": yard.colonies,
            "snapshot": snapshot(treatment, chosen)}  # fmt: skip
    store.enter([Entry(0, yard.name, "start", day, NOW, body)])
    return store.journal(yard.name)[-1].id


def test_a_start_that_is_still_named_stands_with_its_chance(configuration, store):
    """Creek Bend of the invented weather is open on its first day."""
    (one,) = said(configuration, store, promised(configuration, ("apply", 0)))

    assert (one.state, one.starts, one.out) == (State.GOOD, True, False)
    assert today_words(one, "C").startswith("today it stands: ")


def test_a_start_of_today_says_that_the_hours_are_over_where_they_are(configuration, store):
    """The invented weather is always morning, so that the rows of today are taken out here, as the
    scan of an evening leaves them out."""
    found = pages.whole(configuration, store, yard_of(configuration), now=NOW)
    treatments = tuple(
        one._replace(rows=tuple(row for row in one.rows if row.day > found.answer.today))
        for one in found.answer.treatments
    )
    answer = found.answer._replace(treatments=treatments)

    def state(*, over):
        stops = promised_today.stops_today(
            configuration, promised(configuration, ("apply", 0)), answer=answer,
            weather=found.weather, entries=(), jobs=found.standing.all_jobs,
            passed=found.standing.passed, danger=found.standing.in_danger, over=over,
        )  # fmt: skip
        (one,) = stops.values()
        return one

    assert state(over=True).state is State.UNNAMED
    assert today_words(state(over=True), "C").startswith("DO NOT START: today's hours are over")
    assert "hours are over" not in today_words(state(over=False), "C")


def test_a_start_that_the_forecast_does_not_name_says_so_and_when_it_is_named(configuration, store):
    for yard in configuration.yards:
        main = pages.whole(configuration, store, yard, now=NOW).answer.main
        rows = [row for row in main.rows if not row.safe]
        if rows and main.named is not None:
            break
    row = rows[0]
    alone = configuration._replace(yards=(yard,))
    document = promised(alone, ("apply", (row.day - NOW.date()).days), treatment=main.treatment.id,
                        regimen=row.start.regimen.id)  # fmt: skip

    (one,) = said(alone, store, document)

    assert (one.state, one.out, one.named) == (State.UNNAMED, True, main.named.day)
    named = words.day(main.named.day)
    assert today_words(one, "C").startswith(f"DO NOT START: named is {named} now; ")


def test_without_a_forecast_what_was_promised_waits_for_one(configuration):
    with open_store(configuration) as empty:
        (one,) = said(configuration, empty, promised(configuration, ("apply", 0)))

    assert (one.state, one.out) == (State.UNKNOWN, False)
    assert today_words(one, "C") == (
        "NOT KNOWN whether it stands: no forecast is stored; start only once a fresh forecast"
        " says so"
    )


def test_an_old_forecast_withdraws_no_promise(configuration, store):
    """Of the evening before, with `max_age_hours` of 12: not to know is no reason to withdraw."""
    later = NOW + timedelta(hours=24)
    document = promised(configuration, ("apply", 1))
    store.promise_plan(document, NOW)
    yard = yard_of(configuration)

    found = pages.whole(configuration, store, yard, now=later)
    stops = promised_today.stops_today(
        configuration, document, answer=found.answer, weather=found.weather, entries=(),
        jobs=found.standing.all_jobs, passed=False, danger=False,
    )  # fmt: skip
    words_of = " ".join(" ".join(found.beside.first).split())
    remarks = visiting.remarks([visiting.yard_work(configuration, store, yard, now=later)])

    assert found.answer.forecast.stale
    (one,) = stops.values()
    assert (one.state, one.out) == (State.UNKNOWN, False)
    assert "NOT KNOWN whether it stands: the forecast is too old" in today_words(one, "C")
    assert f"{CREW}, two strips at once; the forecast is too old to tell whether it" in words_of
    assert "no start is named" not in words_of
    assert "; whether it stands is not known." in " ".join(remarks)
    assert found.beside.document["promised"]["stands"] is None


def test_what_is_entered_is_done_and_what_follows_it_stands(configuration, store):
    document = promised(configuration, ("apply", 0), ("swap", 10), ("remove", 20),
                        regimen="one-strip-swap")  # fmt: skip
    before = said(configuration, store, document)
    begin(configuration, store, regimen=1)

    after = said(configuration, store, document)

    assert [one.state for one in before[1:]] == [State.NOTHING_IN, State.NOTHING_IN]
    assert [one.state for one in after] == [State.DONE, State.GOOD, State.GOOD]
    assert after[0].day == NOW.date()


def test_a_treatment_entered_before_that_is_still_in_keeps_a_next_start_back(configuration, store):
    begin(configuration, store, ahead=-3, regimen=0)
    document = promised(configuration, ("apply", 0))
    document["needs"][0]["key"] = f"{yard_of(configuration).name}\ntreatment-2"

    (one,) = said(configuration, store, document)

    assert (one.state, one.out) == (State.WAITS, True)
    assert today_words(one, "C").startswith("DO NOT START before ")


def test_a_start_that_was_taken_back_is_not_done(configuration, store):
    first = begin(configuration, store)
    void = Entry(0, yard_of(configuration).name, "void", NOW.date(), NOW, {"why": "wrong yard"},
                 corrects=first)  # fmt: skip
    store.enter([void])

    (one,) = said(configuration, store, promised(configuration, ("apply", 0)))

    assert one.state is State.GOOD


def test_a_removal_that_is_entered_leaves_no_dose_to_give(configuration, store):
    """Taken out two days after it went in: nothing is left in for a swap."""
    start = begin(configuration, store, ahead=-2, regimen=1)
    day = NOW.date()
    store.enter([Entry(0, yard_of(configuration).name, "remove", day, NOW, {"start": start})])
    document = promised(configuration, ("swap", 8), ("remove", 18), regimen="one-strip-swap")

    found = said(configuration, store, document)

    assert [one.state for one in found] == [State.DONE, State.DONE]


def test_a_dose_before_its_day_waits(configuration, store):
    begin(configuration, store, regimen=1)
    document = promised(configuration, ("swap", 2), regimen="one-strip-swap")

    (one,) = said(configuration, store, document)

    assert (one.state, one.out) == (State.EARLY, True)
    assert today_words(one, "C").startswith("NOT YET: ")


def test_on_a_day_too_cold_to_open_hives_neither_a_start_nor_a_dose_is_given(configuration, store):
    cold = configuration._replace(work=configuration.work._replace(open_min_c=60.0))
    (start,) = said(cold, store, promised(configuration, ("apply", 0)))
    begin(configuration, store, ahead=-10, regimen=1)
    dose = swap_of_today(cold, store)

    assert (start.state, dose.state) == (State.SHUT, State.SHUT)
    assert today_words(start, "C") == "DO NOT START: the hives stay shut on that day (too cold)"
    assert today_words(dose, "C") == "HIVES STAY SHUT on that day (too cold)"


def swap_of_today(configuration, store):
    """What is said of a swap promised for today, ten days after its start."""
    document = promised(configuration, ("swap", 0), regimen="one-strip-swap", ahead=-10)
    (dose,) = said(configuration, store, document)
    return dose


def test_a_day_that_something_else_has_taken_since_is_no_day_for_a_dose(configuration, store):
    begin(configuration, store, ahead=-10, regimen=1)
    day = today_at(yard_of(configuration), NOW)
    (configuration.folder / "crews.toml").write_text(
        f'[[fixed]]\nyard = "{yard_of(configuration).name}"\nfirst = {day}\nlast = {day}\n'
        'keeps_out = "visits"\nwhy = "road closed"\n',
        "utf-8",
    )

    dose = swap_of_today(configuration, store)

    assert (dose.state, dose.out) == (State.TAKEN, True)
    assert today_words(dose, "C").startswith("NOT ON THIS DAY: crews.toml keeps visits out, ")
    assert today_words(dose, "C").endswith(": road closed")


def test_a_swap_of_a_start_that_was_made_in_another_regimen_is_not_done(configuration, store):
    begin(configuration, store, ahead=-10, regimen=0)

    dose = swap_of_today(configuration, store)

    assert (dose.state, dose.out) == (State.OTHER_WAY, True)
    assert today_words(dose, "C").startswith("LEAVE IT OUT: it was begun in another regimen")


def test_a_count_is_left_out_once_a_treatment_is_in_and_done_once_it_is_entered(
    configuration, store
):
    document = promised(configuration, ("count", 1))
    yard = yard_of(configuration)
    document["needs"][0]["key"] = f"{yard.name}\ncount-1\ncount\n0"
    (before,) = said(configuration, store, document)
    first = begin(configuration, store)
    (during,) = said(configuration, store, document)
    store.enter([Entry(0, yard.name, "void", NOW.date(), NOW, {"why": "a slip"}, corrects=first)])
    body = {"method": "wash", "mites": 3, "bees": 300, "days": None, "colony": None}
    store.enter([Entry(0, yard.name, "count", NOW.date(), NOW, body)])
    (after,) = said(configuration, store, document)

    assert (before.state, during.state) == (State.GOOD, State.UNASKED)
    assert (after.state, after.day) == (State.DONE, NOW.date())


def told(configuration, store):
    """What is named and listed, and the words of the yard's part."""
    yard = yard_of(configuration)
    found = pages.whole(configuration, store, yard, now=NOW)
    work = visiting.yard_work(configuration, store, yard, now=NOW)
    start = next((one for one in work.jobs if one.kind is Kind.APPLY and one.planned), None)
    return found.answer.main, start, " ".join(" ".join(found.beside.first).split())


@pytest.mark.parametrize("regimen", ["two-strips", "one-strip-swap"])
def test_notice_page_visits_and_sheet_name_the_regimen_that_was_promised(
    configuration, store, regimen
):
    before, _, _ = told(configuration, store)
    document = promised(configuration, ("apply", 0), regimen=regimen)
    store.promise_plan(document, NOW)

    main, start, words_of = told(configuration, store)
    (stop,) = said(configuration, store, document)

    assert before.named.day == main.named.day == start.on == NOW.date()
    assert main.named.start.regimen.id == start.regimen.id == regimen
    assert stop.state is State.GOOD
    assert stop.row.start.regimen.id == regimen
    another = before.named.start.regimen.id != regimen
    assert ("Promised" in words_of) is another
    if another:
        assert "North crew" in words_of
        assert "holds as long as its own start stands" in words_of
    each = main.named.start.regimen.doses[0].strips
    assert main.visits[0].strips == start.load.strips == each * yard_of(configuration).colonies
    assert not any(visiting.remarks([visiting.yard_work(
        configuration, store, yard_of(configuration), now=NOW)]))  # fmt: skip


def test_a_promise_between_the_two_chances_stands_everywhere(configuration, store):
    """What is asked of a start is set above the chance of every one of the yard's."""
    plain, _, _ = told(configuration, store)
    chance = plain.named.start.chance.value
    asked = configuration.decision._replace(min_chance=1.01, cancel_below=chance)
    strict = configuration._replace(decision=asked)
    document = promised(strict, ("apply", 0), regimen=plain.named.start.regimen.id)
    none, nowhere, _ = told(strict, store)
    assert (none.named, nowhere) == (None, None)
    store.promise_plan(document, NOW)

    main, start, words_of = told(strict, store)
    (stop,) = said(strict, store, document)

    assert (main.status, main.named.day, start.on) == (Status.OPEN, NOW.date(), NOW.date())
    assert stop.state is State.GOOD
    assert "the promised start stands: " in words_of
    assert "less than `min_chance`" in words_of
    assert "no start" not in words_of

    above = strict._replace(decision=asked._replace(cancel_below=chance + 0.001))
    main, start, words_of = told(above, store)
    (stop,) = said(above, store, document)
    assert (main.named, start, stop.state) == (None, None, State.UNNAMED)
    assert "no start is named now" in words_of


def test_another_treatment_that_was_promised_is_listed_and_said_to_hold(configuration, store):
    """Amitraz strips have no band but on their first day, so that they can start as well."""
    given = ("formic-strips", "amitraz-strips")
    one = yard_of(configuration)
    both = one._replace(treatments=given, hive=one.hive._replace(supers=0))
    alone = configuration._replace(yards=(both,))
    document = promised(alone, ("apply", 0), treatment="amitraz-strips", regimen="six-weeks")
    store.promise_plan(document, NOW)

    main, start, words_of = told(alone, store)
    supers = both._replace(hive=one.hive._replace(supers=1))
    _, blocked, _ = told(configuration._replace(yards=(supers,)), store)

    assert blocked.treatment.id == "formic-strips"
    assert main.treatment.id == "formic-strips"
    assert (start.treatment.id, start.promised.day) == ("amitraz-strips", NOW.date())
    assert f"promised: Mon Aug 31, {CREW}" in why(start)
    assert "(amitraz plastic strips); named first for that day is now: formic acid" in words_of


def test_a_promise_that_stands_no_more_is_said_in_the_visits_with_its_way(configuration, store):
    """Nothing is named below a chance that nothing reaches but for the first choice's."""
    store.promise_plan(promised(configuration, ("apply", 1), regimen="once-more"), NOW)
    _, unknown, _ = told(configuration, store)
    store.promise_plan(promised(configuration, ("apply", 60), regimen="one-strip-swap"), NOW)
    main, start, words_of = told(configuration, store)

    assert unknown.promised is not None and unknown.promised.regimen is None
    assert start.regimen.id == main.named.start.regimen.id
    other = start.regimen.id != "one-strip-swap"
    assert ("one strip, a fresh one on day 10" in why(start)) is other
    assert "the first that is named now is" in words_of


def test_a_dose_that_was_never_given_is_not_given_once_the_exposure_is_over(configuration, store):
    begin(configuration, store, ahead=-21, regimen=1)
    document = promised(configuration, ("swap", 0), ("remove", 10), regimen="one-strip-swap",
                        ahead=-21)  # fmt: skip

    swap, _ = said(configuration, store, document)

    assert (swap.state, swap.out) == (State.LAPSED, True)
    assert today_words(swap, "C").startswith("NO FRESH DOSE: no fresh dose was entered")


def test_a_fresh_dose_that_was_given_can_be_entered_after_the_exposure_all_the_same(
    configuration, store
):
    """Nobody entered it in time: without it the treatment is over, with it ten days are left."""
    begin(configuration, store, ahead=-21, regimen=1)
    yard = yard_of(configuration)
    desk = Desk(configuration, store, yard, NOW)
    before = visiting.yard_work(configuration, store, yard, now=NOW)
    weather = stored_weather(configuration, store, yard, NOW)

    assert {"swap", "remove"} <= set(forms.offered(desk))
    assert before.choice is None
    assert [one.kind for one in before.jobs if one.lapsed] == [Kind.REMOVE]
    done = doing.swap(
        configuration, store, yard, day=NOW.date() - timedelta(days=10), strips=None, details={},
        weather=weather, now=NOW,
    )  # fmt: skip
    after = visiting.yard_work(configuration, store, yard, now=NOW)

    assert any(one.startswith("1 day late: the swap was planned for ") for one in done.remarks)
    (removal,) = [one for one in after.jobs if one.kind is Kind.REMOVE]
    assert (removal.day, removal.late_days, removal.lapsed) == (NOW.date(), 0, False)


def test_the_visits_say_of_a_promised_day_that_it_has_passed(configuration, store):
    yard = yard_of(configuration)
    store.promise_plan(promised(configuration, ("apply", -1)), NOW)
    gone = f"promised: {words.day(NOW.date() - timedelta(days=1))}, {CREW}"

    work = visiting.yard_work(configuration, store, yard, now=NOW)
    start = next(one for one in work.jobs if one.kind is Kind.APPLY)
    nowhere = dataclasses.replace(work, jobs=())

    assert f"{gone}, but that day has passed and no start is entered" in why(start)
    assert job_document(start)["promised"]["passed"] is True
    (said_alone,) = [one for one in visiting.remarks([nowhere]) if "promised" in one]
    assert said_alone == f"{yard.name}: {gone}; that day has passed and no start is entered."


def test_an_earlier_start_of_the_first_choice_is_listed_before_another_that_was_promised(
    configuration, store
):
    given = ("formic-strips", "amitraz-strips")
    one = yard_of(configuration)
    both = one._replace(treatments=given, hive=one.hive._replace(supers=0))
    alone = configuration._replace(yards=(both,))
    document = promised(alone, ("apply", 1), treatment="amitraz-strips", regimen="six-weeks")
    store.promise_plan(document, NOW)

    main, start, words_of = told(alone, store)

    assert main.named.day == start.on == NOW.date()
    assert start.treatment.id == "formic-strips"
    assert start.promised.treatment.id == "amitraz-strips"
    assert "the first that is named now is Mon Aug 31, but what was promised holds" in words_of


def test_a_start_that_needs_a_look_which_has_run_out_by_its_day_waits(configuration, store):
    """Where larvae are seen the oldest may be capped the day after: Martin 1998, as given by Torres
    & Torres 2020, Vet. Sci. 7:139. The first choice stands here for one that wants no brood."""
    yard = yard_of(configuration)
    treatments = tuple(one._replace(needs_broodless=True) for one in configuration.treatments)
    made = configuration._replace(treatments=treatments)
    store.enter(
        [Entry(0, yard.name, "brood", today_at(yard, NOW), NOW,
               {"colonies": 6, "capped": False, "open": True})]
    )  # fmt: skip
    main = pages.whole(made, store, yard, now=NOW).answer.main
    later = next(row for row in main.rows if row.safe and row.day > today_at(yard, NOW))
    regimen = later.start.regimen.id
    ahead = (later.day - today_at(yard, NOW)).days

    (today,) = said(made, store, promised(made, ("apply", 0)))
    (after,) = said(made, store, promised(made, ("apply", ahead), regimen=regimen, ahead=ahead))

    assert (main.status, today.state) == (Status.OPEN, State.GOOD)
    assert after.state is State.BLOCKED
    assert "DO NOT START YET: first look again (eggs or larvae were seen" in today_words(after, "C")
