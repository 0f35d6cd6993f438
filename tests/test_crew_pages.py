"""The crews' days as the page shows them: from what was promised, kept in a real database."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta

import pytest

from windowcast import crew_pages, pages
from windowcast.answer import open_store
from windowcast.edges import config, config_language, shipped
from windowcast.language import spoken
from windowcast.notice import page, visit_lines, words
from windowcast.notice.crew_lines import CallView, SheetView, sheets_document
from windowcast.notice.crew_today import Known, State, StopToday, sheet_lines, visits_of
from windowcast.notice.page import Links
from windowcast.notice.page_views import Row, slug
from windowcast.notice.rank import Rank
from windowcast.trade.rules import WorkRules
from windowcast.trade.work import Plan, jobs
from windowcast.window.decide import Row as DecidedRow
from windowcast.window.scan import ForecastFit, Share, Start

MONDAY = date(2026, 8, 31)
NOW = datetime(2026, 8, 31, 15, tzinfo=UTC)  # a morning at the yards of the example
UNMEASURED = ForecastFit(0, None, None, None, None, None, None, None, ())


@pytest.fixture
def configuration(tmp_path):
    list(shipped.write_examples(tmp_path, sample=False))
    return config.load(tmp_path, os.environ, secrets=())


@pytest.fixture
def store(configuration):
    with open_store(configuration) as opened:
        yield opened


def dosed(configuration, yard, treatment, regimen=0):
    """The visits of a start on this Monday, planned with nine of ten."""
    one = next(each for each in configuration.treatments if each.id == treatment)
    plan = Plan(MONDAY, one, one.regimens[regimen], 0.9)
    found = jobs(yard, entries=(), plan=plan, rules=WorkRules(), today=MONDAY)
    return [job for job in found if job.dose is not None]


def sheet(calls, *, day=MONDAY, crew="North crew", **others):
    """A crew's day from (yard, job) pairs, an hour and a half apart from eight on."""
    at = datetime(day.year, day.month, day.day, 8)
    arrivals = [at + timedelta(minutes=90 * number) for number in range(len(calls))]
    stays = tuple(
        CallView(yard, arrive, arrive + timedelta(minutes=45), 12.4, (job._replace(on=day),))
        for arrive, (yard, job) in zip(arrivals, calls, strict=True)
    )
    values = {"rest": None, "break_minutes": 0.0, "driving": 40.0, "working": 135.0}
    return SheetView(
        crew=crew, people=2, day=day, leaves=at - timedelta(minutes=30), calls=stays,
        back=at + timedelta(hours=5), **{**values, **others},
    )  # fmt: skip


def shown(configuration, store, *sheets, now=NOW, rows=(), said=None):
    """said: of stops, by their keys; the others stand as they were promised."""
    if sheets:
        store.promise_plan({"schema": 1, "sheets": sheets_document(sheets)}, NOW)
    kept = sheets_document(sheets)
    keys = [key for yard in configuration.yards for key, _ in visits_of(kept, yard.name)]
    stops = dict.fromkeys(keys, StopToday(State.GOOD)) | (said or {})
    first = [pages.Look(None, now, MONDAY, Row("", "", Rank.REST, ""), (), (), (), stops)]
    looks = [pages.Look(None, now, MONDAY, row, (), (), ("Weather by somebody",)) for row in rows]
    looks = first + looks
    return crew_pages.crews_page(configuration, store, looks, pending=0, now=now)


def html(view, **links):
    text = page.render("crews", Links(**{"live": True, **links}), view=view)
    return text.replace("\N{NO-BREAK SPACE}", " ")


def test_before_any_promise_the_page_says_how_to_make_one(configuration, store):
    view = shown(configuration, store)

    assert (view.promised, view.crews, view.later, view.cautions) == ("", (), "", ())
    assert "windowcast plan --promise" in html(view)


def test_a_sheet_has_the_order_the_times_the_break_and_what_to_bring_wear_and_mind(
    configuration, store
):
    first, second, third, *_ = configuration.yards
    strips = dosed(configuration, first, "formic-strips", 1)
    syrup = dosed(configuration, third, "oxalic-trickle")
    view = shown(
        configuration, store,
        sheet([(first, strips[0]), (second, strips[1]), (third, syrup[0])],
              rest=datetime(2026, 8, 31, 10, 15), break_minutes=30.0),
    )  # fmt: skip

    ((name, (one,)),) = view.crews
    assert name == "North crew"
    assert one.title == "Mon Aug 31, North crew (2 people): 3 yards"
    assert [(step.clock, step.number, step.name) for step in one.steps] == [
        ("07:30", 0, ""),
        ("08:00", 1, first.name),
        ("09:30", 2, second.name),
        ("10:15", 0, ""),
        ("11:00", 3, third.name),
        ("13:00", 0, ""),
    ]
    assert one.steps[3].what == "break, 30 min"
    assert one.steps[1].what == "until 08:45; 12 min drive"
    assert one.steps[-1].what == "back; 2 h 15 min at the yards, 40 min on the road"
    put_in, swapped, trickled = (step.tasks[0] for step in one.steps if step.tasks)
    load = strips[0].load
    assert put_in.what.startswith("Plan (90 %): put in 1 strip a colony (formic acid gel strips)")
    assert put_in.bring.startswith(f"bring {load.bring_strips} strips ({load.strips} and ")
    assert "entrance wide open, no reducer" in put_in.remind
    assert swapped.right == "its right day is Thu Sep 10"
    assert f"bring {float(syrup[0].load.syrup_ml):g} ml of syrup with " in trickled.bring
    assert "oxalic acid dihydrate" in trickled.bring
    assert any(text.endswith(": formic acid gel strips") for text in one.load)
    assert "acid-resistant gloves" in one.wear and "sealed goggles" in one.wear
    assert [text.split()[0] for text in one.cautions] == ["Formic", "Oxalic"]
    assert view.cautions == one.cautions


def test_today_and_six_more_days_by_crew_and_what_is_behind_is_gone(configuration, store):
    yard = configuration.yards[0]
    job = dosed(configuration, yard, "formic-strips")[0]
    days = [MONDAY + timedelta(days=number) for number in (-1, 0, 3, 6, 7, 20)]
    view = shown(
        configuration,
        store,
        *(sheet([(yard, job)], day=day, crew="West crew") for day in days),
        sheet([(yard, job)], day=days[2], crew="East crew"),
    )

    assert [(one.name, [each.title[:10] for each in one.sheets]) for one in view.crews] == [
        ("West crew", ["Mon Aug 31", "Thu Sep 3,", "Sun Sep 6,"]),
        ("East crew", ["Thu Sep 3,"]),
    ]
    assert view.later.startswith("2 sheets of later days are promised;")
    assert [step.today for one in view.crews[0].sheets for step in one.steps if step.name] == [
        True, False, False,
    ]  # fmt: skip
    gone = shown(configuration, store, now=NOW + timedelta(days=60))
    assert gone.promised == "As promised on Mon Aug 31, 2026"
    assert gone.crews == ()
    assert "Nobody has to drive in these days." in html(gone)


def test_the_last_promise_is_shown(configuration, store):
    yard = configuration.yards[0]
    job = dosed(configuration, yard, "formic-strips")[0]
    shown(configuration, store, sheet([(yard, job)], crew="Old crew"))

    view = shown(configuration, store, sheet([(yard, job)], crew="New crew"))

    assert [one.name for one in view.crews] == ["New crew"]


def test_a_start_of_today_has_what_is_said_of_it_today_and_no_other_task_has(configuration, store):
    yard = configuration.yards[0]
    put_in, taken_out = dosed(configuration, yard, "formic-strips")
    row = Row(yard.name, slug(yard.name), Rank.REST, "no start in the days looked at")
    view = shown(
        configuration,
        store,
        sheet([(yard, put_in), (yard, taken_out)]),
        sheet([(yard, put_in)], day=MONDAY + timedelta(days=1)),
        rows=[row],
    )

    said = [task.today for each in view.crews[0].sheets for step in each.steps
            for task in step.tasks]  # fmt: skip
    assert said == ["what is said of it today: no start in the days looked at", "", ""]
    assert view.sources == ("Weather by somebody",)


def test_a_start_of_every_day_shown_has_todays_word_as_the_notice_has_it(configuration, store):
    yard = configuration.yards[0]
    put_in, taken_out = dosed(configuration, yard, "formic-strips")
    days = [MONDAY + timedelta(days=number) for number in (0, 1, 6)]
    sheets = [sheet([(yard, put_in), (yard, taken_out)], day=day) for day in days]
    said = {}
    for held, day in zip((46, 47, 48), days, strict=True):
        start = Start(put_in.treatment, put_in.regimen, day, UNMEASURED, Share(held, 50))
        key = (yard.name, day.isoformat(), "North crew", "apply")
        said[key] = StopToday(State.GOOD, True, row=DecidedRow(start, ()))
    view = shown(configuration, store, *sheets, said=said)
    known = Known({}, {}, {(yard.name, day.isoformat(), "North crew", "remove"):
                           StopToday(State.GOOD) for day in days} | said, "C")  # fmt: skip

    begun, taken = ([step.tasks[0].today for one in view.crews[0].sheets for step in one.steps
                     if step.number == number] for number in (1, 2))  # fmt: skip
    assert [text.rpartition(", ")[2] for text in begun] == ["92 %", "94 %", "96 %"]
    assert all(text.startswith("today it stands: ") for text in begun)
    assert taken == ["", "", ""]
    page_text = html(view)
    for kept, text in zip(sheets_document(sheets), begun, strict=True):
        assert text in " ".join(" ".join(sheet_lines(kept, known)).split())
        assert text in page_text


def test_what_is_done_or_must_not_be_started_stands_first_and_is_left_out_of_the_load(
    configuration, store
):
    first, second, *_ = configuration.yards
    begun, named = (dosed(configuration, yard, "formic-strips")[0] for yard in (first, second))
    day = MONDAY.isoformat()
    view = shown(
        configuration, store, sheet([(first, begun), (second, named)]),
        said={
            (first.name, day, "North crew", "apply"): StopToday(State.DONE, True, MONDAY),
            (second.name, day, "North crew", "apply"): StopToday(
                State.UNNAMED, True, named=date(2026, 9, 12)
            ),
        },
    )  # fmt: skip

    (one,) = view.crews[0].sheets
    done, halted = (task for step in one.steps for task in step.tasks)
    assert done.today == "DONE: entered for Mon Aug 31"
    assert halted.today == "DO NOT START: named is Sat Sep 12 now"
    assert (one.load, done.bring, halted.bring) == ((), "", "")
    text = html(view)
    assert text.index(done.today) < text.index(done.what)
    assert text.index(halted.today) < text.index(halted.what)


def test_a_sheet_of_which_nothing_is_to_be_done_says_so_at_its_head(configuration, store):
    first, second, *_ = configuration.yards
    begun, named = (dosed(configuration, yard, "formic-strips")[0] for yard in (first, second))
    day = MONDAY.isoformat()
    sheets = [sheet([(first, begun), (second, named)])]
    done = StopToday(State.DONE, True, MONDAY)
    halted = StopToday(State.SHUT, True, why="too wet")
    known = Known({}, {yard.name: yard for yard in configuration.yards}, {}, "C")

    def heads(*states):
        keys = [(yard.name, day, "North crew", "apply") for yard in (first, second)]
        said = dict(zip(keys, states, strict=True))
        view = shown(configuration, store, *sheets, said=said)
        (one,) = view.crews[0].sheets
        lines = sheet_lines(sheets_document(sheets)[0], known._replace(today=said))
        assert bool(one.stays) == (lines[2] == one.stays)
        assert not one.stays or html(view).index(one.stays) < html(view).index(first.name)
        return one.stays

    assert heads(done, done) == "NOBODY NEED DRIVE: all of this day is done."
    assert heads(done, halted).startswith(
        "NOBODY NEED DRIVE: what is not done of this day must not"
    )
    assert heads(halted, halted) == heads(done, halted)
    assert heads(done, StopToday(State.GOOD, True)) == ""
    assert heads(halted, StopToday(State.DANGER)) == ""


def test_a_removal_that_is_overdue_says_late_with_its_days_as_the_notice_does(configuration, store):
    yard = configuration.yards[0]
    removal = dosed(configuration, yard, "formic-strips")[-1]._replace(planned=False)
    due = removal.day
    days = [due + timedelta(days=number) for number in (0, 1, removal.slack.later + 1)]
    sheets = [sheet([(yard, removal)], day=day) for day in days]
    late = removal._replace(late_days=3)
    sheets.append(sheet([(yard, late)], day=due + timedelta(days=3), crew="West crew"))
    view = shown(configuration, store, *sheets, now=NOW + (due - MONDAY))

    right = {one.title[:3]: one.steps[1].tasks[0].right for one in view.crews[0].sheets}
    (overdue,) = (one.steps[1].tasks[0].right for one in view.crews[1].sheets)
    name = words.day(due)
    assert list(right.values()) == [
        "", f"1 day after its right day, {name}",
        f"{removal.slack.later + 1} DAYS LATE, WAS DUE {name.upper()}",
    ][: len(right)]  # fmt: skip
    assert overdue == f"3 DAYS LATE, WAS DUE {name.upper()}"
    assert overdue == visit_lines.late(late._replace(on=due + timedelta(days=3))).upper()
    assert any(overdue in " ".join(" ".join(sheet_lines(one, Known({}, {}, None, "C"))).split())
               for one in sheets_document(sheets))  # fmt: skip


def test_yards_lead_to_their_pages_and_one_that_is_no_more_does_not(configuration, store):
    yard = configuration.yards[0]
    gone = yard._replace(name="<b>Gone</b> & over")
    job = dosed(configuration, yard, "formic-strips")[0]
    view = shown(configuration, store, sheet([(yard, job), (gone, job)]))

    live, files = html(view), html(view, live=False)

    assert f'href="/yard/{slug(yard.name)}"' in live
    assert f'href="yard-{slug(yard.name)}.html"' in files
    assert "&lt;b&gt;Gone&lt;/b&gt; &amp; over" in live
    assert slug(gone.name) not in live
    assert "/enter/" not in live
    assert f'href="/enter/{slug(yard.name)}"' in html(view, reads=True, forms=True)


def test_a_treatment_that_is_no_longer_kept_is_shown_by_its_name(configuration, store):
    yard = configuration.yards[0]
    job = dosed(configuration, yard, "formic-strips")[0]
    others = tuple(one for one in configuration.treatments if one.id != "formic-strips")
    without = configuration._replace(treatments=others)
    view = shown(without, store, sheet([(yard, job)]))

    (one,) = view.crews[0].sheets
    assert one.load[0].endswith(": formic-strips")
    assert "acid-resistant gloves" in one.wear
    assert view.law in html(view)


def test_the_page_speaks_the_readers_language(configuration, store, tmp_path):
    yard = configuration.yards[0]
    job = dosed(configuration, yard, "formic-strips")[0]
    with spoken(config_language.read("de", tmp_path)):
        view = shown(configuration, store, sheet([(yard, job)]))
        text = html(view)

    assert "North crew" in text
    assert "säurefeste Handschuhe" in view.crews[0].sheets[0].wear
    assert "Ameisensäure" in view.cautions[0]
    assert "Gebrauchsinformation" in view.law
    assert view.promised.startswith("Wie am ")


def test_a_sheet_kept_in_english_is_read_whole_in_the_readers_language(
    configuration, store, tmp_path
):
    """The notice's sheet: no word of it is left in the language of whoever promised it."""
    yard = configuration.yards[0]
    put_in, swap, removal = dosed(configuration, yard, "formic-strips", 1)
    (kept,) = sheets_document(
        [sheet([(yard, put_in), (yard, swap), (yard, removal)],
               rest=datetime(2026, 8, 31, 10, 15), break_minutes=30.0)]
    )  # fmt: skip
    known = Known(
        {one.id: one for one in configuration.treatments}, {yard.name: yard},
        {key: StopToday(State.DONE if key[3] == "apply" else State.GOOD, day=MONDAY)
         for key, _ in visits_of([kept], yard.name)}, "C",
    )  # fmt: skip
    english = "\n".join(sheet_lines(kept, known))
    with spoken(config_language.read("de", tmp_path)):
        german = "\n".join(sheet_lines(kept, known))

    for word in ("Load", "Wear, have", "leave", "people", "put in", "take out", "bring", "break",
                 "back;", "until", "colonies", "enter the"):  # fmt: skip
        assert word in english, word
        assert word not in german, word
    assert "ERLEDIGT: eingetragen für " in german
    assert "säurefeste Handschuhe" in " ".join(german.split())
