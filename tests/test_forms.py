"""Forms on a real database, at instants that the tests choose: what they offer, what they enter."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import pytest

from support.journey import TREATMENTS, yard_table
from windowcast import doing, form_kinds, forms
from windowcast.answer import YardWeather, find_treatment
from windowcast.edges import config
from windowcast.edges.store import SentForm, open_store
from windowcast.errors import UsageError
from windowcast.form_kinds import KINDS, Desk
from windowcast.trade.treatment import Band, Dose, Phase, Regimen

NOW = datetime(2026, 8, 20, 13, 0, tzinfo=UTC)
NOTHING = YardWeather(
    provider="sample", forecast=None, scenarios=None, fetched_at=None, run_at=None, fresh=False,
    sources=(), missing=(),
)  # fmt: skip


@pytest.fixture
def configuration(tmp_path):
    (tmp_path / "treatments.toml").write_text(TREATMENTS, "utf-8")
    (tmp_path / "yards.toml").write_text(
        yard_table("Creek Bend", 44.9, -99.7, "America/Chicago")
        + yard_table("Far South", -44.9, 170.1, "Pacific/Auckland"),
        "utf-8",
    )
    (tmp_path / "windowcast.toml").write_text('[weather]\nprovider = "sample"\n', "utf-8")
    return config.load(tmp_path, {}, secrets=("store",))


@pytest.fixture
def store(tmp_path, store_url):
    with open_store(store_url, tmp_path) as opened:
        yield opened


@pytest.fixture
def desk(configuration, store):
    return Desk(configuration, store, configuration.yards[0], NOW)


def values(form):
    return {one.name: one.value for one in form.fields}


def errors(form):
    return {one.name: one.error for one in form.fields if one.error}


def sent(desk, kind, **typed):
    """What a form entered that was filled in from the empty one."""
    form = forms.blank(desk, kind)
    found = forms.send(desk, kind, {"key": form.key, **values(form), **typed})
    assert isinstance(found, SentForm), (found.trouble, errors(found))
    return found


def body(desk, found):
    return next(one.body for one in desk.store.journal() if one.id == found.entry)


def test_the_day_offered_is_the_yards_own(configuration, store):
    """13 o'clock UTC is 8 in Chicago and, in August, 1 of the next day in New Zealand
    (IANA time zone database)."""
    days = {
        yard.name: values(forms.blank(Desk(configuration, store, yard, NOW), "note"))["day"]
        for yard in configuration.yards
    }

    assert days == {"Creek Bend": "2026-08-20", "Far South": "2026-08-21"}


def test_every_form_has_a_key_of_its_own(desk):
    keys = {forms.blank(desk, kind).key for kind in KINDS for _ in range(20)}

    assert len(keys) == 20 * len(KINDS)
    assert all(forms.KEY.fullmatch(key) for key in keys)


@pytest.mark.parametrize(
    ("kind", "typed", "expected"),
    [
        (
            "count",
            {"mites": "9", "bees": " 300 ", "colony": " hive  7 "},
            {"method": "wash", "mites": 9, "bees": 300, "colony": "hive 7", "days": None},
        ),
        (
            "count",
            {"method": "board", "mites": "30", "days": "2,5"},
            {"method": "board", "mites": 30, "bees": None, "colony": None, "days": 2.5},
        ),
        ("brood", {"seen": "none", "colonies": "6"}, {"capped": False, "colonies": 6}),
        ("brood", {"seen": "capped"}, {"capped": True, "colonies": 24}),
        ("queens", {"missing": "0"}, {"checked": 24, "missing": 0, "start": None}),
        ("note", {"text": "two bearded"}, {"text": "two bearded", "start": None}),
    ],
)
def test_what_is_typed_is_what_is_entered(desk, kind, typed, expected):
    assert body(desk, sent(desk, kind, **typed)) == expected


def test_a_start_of_another_year_is_kept_only_once_it_is_ticked(desk):
    typed = {"way": "formic-strips/two-strips", "supers": "1", "day": "2025-01-20"}
    form = forms.blank(desk, "start")
    asked = forms.send(desk, "start", {"key": form.key, **values(form), **typed})
    assert "577 days ago: see whether the year is right" in errors(asked)["anyway"]
    assert desk.store.journal() == []

    tick = values(asked)["anyway"]
    sent(desk, "start", **typed, anyway=tick)
    (entry,) = desk.store.journal()
    assert entry.day == date(2025, 1, 20)


def test_a_treatment_from_start_to_removal(configuration, store):
    def on(day):
        return Desk(configuration, store, configuration.yards[0], NOW + timedelta(days=day))

    start = sent(
        on(0), "start", way="formic-strips/one-strip-swap", colonies="20", lot="B7", supers="1"
    )
    begun = body(on(0), start)
    assert (begun["treatment"], begun["regimen"]) == ("formic-strips", "one-strip-swap")
    assert (begun["colonies"], begun["supers"], begun["lot"]) == (20, 1, "B7")
    assert next(one.kind for one in forms.due(on(10))) == "swap"
    swap = sent(on(12), "swap", lot="B8")
    assert body(on(12), swap)["start"] == start.entry
    late, unchecked = swap.remarks
    assert late == "2 days late: the swap was planned for Sun Aug 30"
    assert "there is no usable forecast" in unchecked
    assert next(one.kind for one in forms.due(on(22))) == "remove"
    removed = sent(on(22), "remove", strips="20", disposed="bagged")
    assert body(on(22), removed) == {"start": start.entry, "strips": 20, "disposed": "bagged"}
    assert removed.remarks == ()
    shown = forms.kept(on(22), start.entry)
    assert shown is not None
    assert shown.what == (
        "Treatment begun on Thu Aug 20, 2026 in 20 colonies: formic acid gel strips, one strip, a"
        " fresh one on day 10"
    )
    assert [one.kind for one in forms.due(on(30))] == ["queens", "count"]
    # what was entered before is offered, and never filled in by itself
    again = forms.blank(on(40), "start")
    lot = next(one for one in again.fields if one.name == "lot")
    assert (lot.value, lot.suggestions) == ("", ("B8", "B7"))


def test_two_treatments_at_once_are_refused_without_a_word_of_the_terminal(desk):
    sent(desk, "start", way="formic-strips/two-strips")
    form = forms.blank(desk, "start")
    assert form.intro == ("formic acid gel strips are in since Thu Aug 20, day 1 of 14",)

    found = forms.send(
        desk, "start", {"key": form.key, **values(form), "way": "formic-strips/two-strips"}
    )

    assert isinstance(found, forms.Form)
    assert "two treatments at once are never given" in found.trouble
    assert "windowcast" not in found.trouble
    assert len(desk.store.journal()) == 1


def test_the_command_says_what_to_type_where_the_form_does_not(configuration, desk):
    sent(desk, "start", way="formic-strips/two-strips")
    treatment = find_treatment(configuration, "formic-strips")

    with pytest.raises(UsageError) as refused:
        doing.begin(
            configuration, desk.store, desk.yard, treatment, treatment.regimens[0],
            day=date(2026, 8, 20), colonies=None, details={}, weather=NOTHING, now=NOW,
        )  # fmt: skip

    assert str(refused.value) == refused.value.plain + ': windowcast treat remove "Creek Bend"'


def test_what_was_ticked_is_asked_again_where_something_else_speaks_against_it(desk):
    form = forms.blank(desk, "start")
    typed = {"key": form.key, **values(form), "way": "amitraz-strips/six-weeks", "supers": "2"}
    first = forms.send(desk, "start", typed)
    assert isinstance(first, forms.Form)
    tick = values(first)["anyway"]

    other = forms.send(desk, "start", {**typed, "supers": "3", "anyway": tick})
    same = forms.send(desk, "start", {**typed, "anyway": tick})

    assert "2 honey supers on" in errors(first)["anyway"]
    assert isinstance(other, forms.Form)
    assert "3 honey supers on" in errors(other)["anyway"]
    assert isinstance(same, SentForm)
    assert body(desk, same)["against"] == [
        "2 honey supers on: take off all 2 honey supers (none may be on)"
    ]


def test_a_note_that_is_too_long_is_named_with_its_length(desk):
    form = forms.blank(desk, "note")
    found = forms.send(desk, "note", {"key": form.key, **values(form), "text": "x" * 5000})

    assert "5000 characters" in f"{found.trouble} {errors(found)}"


def test_an_undone_form_sent_again_enters_nothing_anew(desk):
    """The answer to a form was lost, somebody else undid the entry, then the phone sends again."""
    form = forms.blank(desk, "note")
    typed = {"key": form.key, **values(form), "text": "a"}
    first = forms.send(desk, "note", typed)
    assert isinstance(first, SentForm)
    (entry,) = desk.store.journal()
    forms.undo(desk.store, entry, forms.new_key(), now=NOW)

    again = forms.send(desk, "note", typed)

    assert again == first
    assert [one.kind for one in desk.store.journal()] == ["note", "void"]
    shown = forms.kept(desk, first.entry, first)
    assert shown is not None
    assert (shown.heading, shown.undo_key) == ("No longer counts", "")
    assert "undone by entry 2" in shown.gone


def test_an_undo_is_refused_politely_where_there_is_nothing_to_undo(desk):
    kept = sent(desk, "note", text="a")
    (entry,) = desk.store.journal()
    undo = forms.undo(desk.store, entry, forms.new_key(), now=NOW)
    void = desk.store.journal()[-1]

    with pytest.raises(UsageError, match="cannot be undone: enter what is right once more"):
        forms.undo(desk.store, void, forms.new_key(), now=NOW)
    with pytest.raises(UsageError, match="Entry 1 no longer counts: undone by entry 2"):
        forms.undo(desk.store, entry, forms.new_key(), now=NOW)
    assert forms.undo(desk.store, entry, undo.key, now=NOW) == undo
    other = sent(desk, "note", text="b")
    with pytest.raises(UsageError, match="not whole"):
        forms.undo(desk.store, desk.store.journal()[-1], kept.key, now=NOW)
    assert other.entry == 3
    assert len(desk.store.journal()) == 3


def test_a_key_that_is_none_enters_nothing(desk):
    for key in ("", "1", "0b8f7d5e-0000-4000-8000-00000000000G", "x" * 36):
        found = forms.send(desk, "note", {"key": key, "text": "a", "day": "2026-08-20"})

        assert isinstance(found, forms.Form)
        assert forms.KEY.fullmatch(found.key)
        assert values(found)["text"] == "a"
    assert desk.store.journal() == []


def test_a_start_that_was_corrected_is_not_taken_from_under_its_swap(configuration, store):
    desk = Desk(configuration, store, configuration.yards[0], NOW)
    start = sent(desk, "start", way="formic-strips/one-strip-swap", day="2026-08-09")
    sent(desk, "swap")
    new = doing.correct(store, desk.yard, start.entry, day=date(2026, 8, 10), changes={}, now=NOW)

    with pytest.raises(UsageError, match="entries 2 belong to treatment 3"):
        forms.undo(store, new, forms.new_key(), now=NOW)


def test_the_list_says_what_each_entry_was_and_what_became_of_it(desk):
    sent(desk, "start", way="formic-strips/two-strips", day="2026-08-06")
    sent(desk, "remove", strips="48")
    sent(desk, "queens", missing="1")
    forms.undo(desk.store, desk.store.journal()[1], forms.new_key(), now=NOW)

    found = [(one.number, one.what, bool(one.gone)) for one in forms.latest(desk, 50)]

    assert found == [
        (
            4,
            "Undone: entry 2, 48 strips taken out on Thu Aug 20, 2026: formic acid gel strips",
            False,
        ),
        (3, "Looked for queens in 24 colonies on Thu Aug 20, 2026: 1 without one", False),
        (2, "48 strips taken out on Thu Aug 20, 2026: formic acid gel strips", True),
        (
            1,
            "Treatment begun on Thu Aug 6, 2026 in 24 colonies: formic acid gel strips, two strips"
            " at once",
            False,
        ),
    ]
    assert len(forms.latest(desk, 2)) == 2


def test_a_board_is_judged_by_its_fall_and_the_next_one_lies_as_long(desk):
    found = sent(desk, "count", method="board", mites="30", days="3", bees="")
    shown = forms.kept(desk, found.entry, found)
    assert shown is not None

    assert shown.means[0].startswith("10.0 mites a day: ")
    assert forms.next_count(shown.entry) == {
        "day": "2026-08-20", "method": "board", "days": "3",
    }  # fmt: skip


def test_an_entry_of_another_yard_is_not_shown_as_one_of_this(configuration, desk):
    found = sent(desk, "note", text="a")

    other = Desk(configuration, desk.store, configuration.yards[1], NOW)

    assert forms.kept(other, found.entry) is None
    assert forms.latest(other, 50) == ()


def test_colonies_are_offered_in_their_own_yard_alone(configuration, desk):
    sent(desk, "count", mites="3", bees="300", colony="hive 7")
    other = Desk(configuration, desk.store, configuration.yards[1], NOW)

    offered = [
        next(one.suggestions for one in forms.blank(each, "count").fields if one.name == "colony")
        for each in (desk, other)
    ]

    assert offered == [("hive 7",), ()]


def test_a_way_says_what_it_asks_of_the_weather_and_of_which_days(desk):
    """As config/treatments.toml has it: amitraz strips have a bound on their first day alone."""
    (way,) = (one for one in forms.blank(desk, "start").fields if one.name == "way")

    hints = {choice.value: choice.hint for choice in way.choices}

    assert hints["amitraz-strips/six-weeks"] == (
        "42 days; on the first day its high at or above 10.0 °C, otherwise in any weather"
    )
    assert hints["formic-strips/two-strips"] == "14 days, daily highs within 10.0–29.5 °C"


def test_a_way_with_days_of_its_own_names_them_and_the_rest():
    regimen = Regimen(
        "swap",
        20,
        (Dose(0, strips=1), Dose(10, strips=1)),
        Band(Fraction(10), Fraction("29.5")),
        phases=(
            Phase(0, 2, Band(Fraction(10), Fraction(27))),
            Phase(10, 12, Band(Fraction(10), Fraction(28))),
        ),
    )

    assert form_kinds._way_hint(regimen, "C") == (
        "20 days; on the first 3 days daily highs within 10.0–27.0 °C, from day 10 to 12 after the"
        " start daily highs within 10.0–28.0 °C, otherwise daily highs within 10.0–29.5 °C"
    )
