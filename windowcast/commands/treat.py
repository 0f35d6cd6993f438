"""Treatments as they happen: begun, swapped, removed, noted, listed, corrected."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any, TypeVar

import click

from windowcast.commands.shared import config_option, configuration_of, kept, names_of, show, tell
from windowcast.errors import UsageError
from windowcast.language import tr, trn

if TYPE_CHECKING:
    from windowcast.doing import Done
    from windowcast.edges.settings import Configuration
    from windowcast.trade.yard import Yard

F = TypeVar("F", bound=Callable[..., Any])

DETAILS = {
    "registration": "The registration number.",
    "lot": "The lot or batch.",
    "expiry": "The day it expires.",
    "concentration": 'The strength of the active, such as "68 %".',
    "supplier": "Who sold it.",
    "supplier-address": "Where the seller is.",
    "proof": "Proof of purchase, such as an invoice number.",
    "prescriber": "Who prescribed it, with contact.",
    "operator": "Who did it.",
    "certificate": "The certificate of who did it.",
    "protection": "What was worn.",
    "reason": "Why, such as the counts.",
}
"""What the records want besides, by option."""


@click.group()
def treat() -> None:
    """Treatments as they happen: enter what was done, and see what is to be done next."""


def detail_options(*names: str) -> Callable[[F], F]:
    """An option for each."""

    def add(command: F) -> F:
        for name in reversed(names):
            command = click.option(f"--{name}", metavar="TEXT", help=DETAILS[name])(command)
        return command

    return add


_ON = click.option("--on", metavar="DATE", help="The day it was done; else today.")
_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
_STRIPS = click.option("--strips", type=click.IntRange(0, 100_000), help="Strips, counted.")


@treat.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@click.argument("treatment_id", metavar="TREATMENT", shell_complete=names_of("treatments"))
@click.argument("regimen_id", metavar="REGIMEN", shell_complete=names_of("regimens"))
@_ON
@click.option("--colonies", type=int, help="How many were treated; else all of the yard.")
@click.option("--colony", "names", multiple=True, metavar="NAME", help="Which; may be repeated.")
@click.option("--supers", type=click.IntRange(0, 20), help="Honey supers on as it began.")
@detail_options(*DETAILS)
@click.option("--anyway", is_flag=True, help="It was done against a rule and is to be on record.")
@_JSON
@config_option
@click.pass_context
def start(
    ctx: click.Context,
    /,
    name: str,
    treatment_id: str,
    regimen_id: str,
    on: str | None,
    colonies: int | None,
    names: tuple[str, ...],
    supers: int | None,
    anyway: bool,
    as_json: bool,
    config_folder: str | None,
    **details: str | None,
) -> None:
    """Enter that a treatment was begun, and see its visits.

    Example: windowcast treat start "Creek Bend" formic-strips two-strips --on 2026-08-31
    """
    from windowcast import answer as asking
    from windowcast import doing
    from windowcast.entering import day_of, today_at
    from windowcast.notice import course_lines

    configuration, place, now = _at(ctx, config_folder, name)
    (treatment,) = asking.find_treatments(configuration, place, treatment_id)
    asking.check_regimen(treatment, regimen_id)
    regimen = next(one for one in treatment.regimens if one.id == regimen_id)
    with asking.open_store(configuration) as store:
        done = doing.begin(
            configuration,
            store,
            place,
            treatment,
            regimen,
            day=day_of(on, "--on", today_at(place, now)),
            colonies=colonies,
            names=names,
            supers=supers,
            details=details,
            weather=asking.stored_weather(configuration, store, place, now),
            anyway=anyway,
            now=now,
        )
    kept("what was entered is kept")
    if as_json:
        _show(done, place, now)
        return
    spare = configuration.work.spare_percent
    tell(
        course_lines.begun_lines(done.number, done.course, place, done.remarks, spare_percent=spare)
    )


@treat.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@_ON
@_STRIPS
@detail_options("lot", "registration", "operator")
@_JSON
@config_option
@click.pass_context
def swap(
    ctx: click.Context,
    /,
    name: str,
    on: str | None,
    strips: int | None,
    as_json: bool,
    config_folder: str | None,
    **details: str | None,
) -> None:
    """Enter that the fresh dose went in.

    Example: windowcast treat swap "Creek Bend" --on 2026-09-10
    """
    from windowcast import answer as asking
    from windowcast import doing
    from windowcast.entering import day_of, today_at

    configuration, place, now = _at(ctx, config_folder, name)
    with asking.open_store(configuration) as store:
        done = doing.swap(
            configuration,
            store,
            place,
            day=day_of(on, "--on", today_at(place, now)),
            strips=strips,
            details=details,
            weather=asking.stored_weather(configuration, store, place, now),
            now=now,
        )
    _visited("Swap", done, configuration, place, now, as_json=as_json)


@treat.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@_ON
@_STRIPS
@click.option("--disposed", metavar="TEXT", help="Where what came out went, and how.")
@detail_options("operator")
@_JSON
@config_option
@click.pass_context
def remove(
    ctx: click.Context,
    /,
    name: str,
    on: str | None,
    strips: int | None,
    as_json: bool,
    config_folder: str | None,
    **details: str | None,
) -> None:
    """Enter that what was put in came out.

    Example: windowcast treat remove "Creek Bend" --strips 48 --disposed "bagged, waste site"
    """
    from windowcast import answer as asking
    from windowcast import doing
    from windowcast.entering import day_of, today_at

    configuration, place, now = _at(ctx, config_folder, name)
    with asking.open_store(configuration) as store:
        done = doing.remove(
            store,
            place,
            day=day_of(on, "--on", today_at(place, now)),
            strips=strips,
            details=details,
            now=now,
        )
    _visited("Removal", done, configuration, place, now, as_json=as_json)


@treat.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@click.argument("text", metavar="TEXT")
@_ON
@config_option
@click.pass_context
def note(
    ctx: click.Context, name: str, text: str, on: str | None, config_folder: str | None
) -> None:
    """Keep a remark with the treatment that is in, or the last one.

    Example: windowcast treat note "Creek Bend" "two colonies bearded on day 1"
    """
    from windowcast import answer as asking
    from windowcast import doing
    from windowcast.entering import day_of, today_at

    configuration, place, now = _at(ctx, config_folder, name)
    with asking.open_store(configuration) as store:
        day = day_of(on, "--on", today_at(place, now))
        number = doing.note(store, place, text, day=day, now=now)
    kept("what was entered is kept")
    tell([tr("note {number} of {yard} is kept", number=number, yard=place.name)])


@treat.command(name="list")
@click.argument("name", metavar="[YARD]", required=False, shell_complete=names_of("yards"))
@_JSON
@config_option
@click.pass_context
def list_(ctx: click.Context, name: str | None, as_json: bool, config_folder: str | None) -> None:
    """Show what is in, what is next, and past treatments, of a yard or of all.

    Example: windowcast treat list
    """
    from windowcast import answer as asking
    from windowcast.edges import clock
    from windowcast.entering import today_at
    from windowcast.notice import course_lines, words
    from windowcast.trade.course import courses

    configuration = configuration_of(ctx, config_folder)
    yards = configuration.yards if name is None else (asking.find_yard(configuration, name),)
    now = clock.now()
    lines: list[str] = []
    without: list[str] = []
    documents = []
    with asking.open_store(configuration) as store:
        for yard in yards:
            known = courses(store.journal(yard.name))
            today = today_at(yard, now)
            if known or len(yards) <= words.MANY_YARDS:
                lines += course_lines.list_lines(yard.name, known, today)
            else:
                without.append(yard.name)
            documents += [course_lines.course_document(one, today) for one in known]
    if as_json:
        show({"schema": 1, "treatments": documents})
    else:
        tell([*lines, *course_lines.none_lines(without)])


@treat.command()
@click.argument("number", metavar="NUMBER", type=int)
@click.option("--on", metavar="DATE", help="The right day.")
@click.option("--colonies", type=int, help="How many were treated.")
@click.option("--supers", type=click.IntRange(0, 20), help="Honey supers on as it began.")
@_STRIPS
@click.option("--disposed", metavar="TEXT", help="Where what came out went, and how.")
@click.option("--text", metavar="TEXT", help="The text of a note.")
@detail_options(*DETAILS)
@config_option
@click.pass_context
def correct(
    ctx: click.Context,
    /,
    number: int,
    on: str | None,
    config_folder: str | None,
    **changes: Any,
) -> None:
    """Enter a start, swap, removal or note anew, in place of a mistaken one; both stay on record.

    Example: windowcast treat correct 12 --on 2026-08-30 --lot B7
    """
    from windowcast import answer as asking
    from windowcast import doing
    from windowcast.edges import clock
    from windowcast.entering import corrected, day_of, today_at

    configuration = configuration_of(ctx, config_folder)
    now = clock.now()
    with asking.open_store(configuration) as store:
        old = corrected(store, number, "start", "swap", "remove", "note")
        place = asking.find_yard(configuration, old.yard)
        entry = doing.correct(
            store,
            place,
            number,
            day=None if on is None else day_of(on, "--on", today_at(place, now)),
            changes={name: value for name, value in changes.items() if value is not None},
            now=now,
        )
    kept("what was entered is kept")
    tell(
        [
            tr(
                "entry {number} of {yard} is corrected by entry {new}",
                number=number,
                yard=entry.yard,
                new=entry.id,
            )
        ]
    )


@treat.command()
@click.argument("number", metavar="NUMBER", type=int)
@click.option("--why", required=True, metavar="TEXT", help="Why; it stays on record.")
@config_option
@click.pass_context
def void(ctx: click.Context, number: int, why: str, config_folder: str | None) -> None:
    """Take an entry out of what counts; it stays on record with the reason.

    Example: windowcast treat void 12 --why "entered for the wrong yard"
    """
    from windowcast import answer as asking
    from windowcast import entering
    from windowcast.edges import clock
    from windowcast.notice import words
    from windowcast.notice.plain import wrapped

    configuration = configuration_of(ctx, config_folder)
    kinds = ("start", "swap", "remove", "note", "brood", "queens")
    with asking.open_store(configuration) as store:
        old = entering.void(store, number, why, now=clock.now(), kinds=kinds)
    kept("what was entered is kept")
    text = tr(
        "Entry {number} of {yard} is void: {kind}, {day}. It no longer counts, and stays on record"
        " with the reason.",
        number=number,
        yard=old.yard,
        kind=tr(entering.NAMES[old.kind]),
        day=words.day_with_year(old.day),
    )
    tell([wrapped(text)])


def _at(
    ctx: click.Context, config_folder: str | None, name: str
) -> tuple[Configuration, Yard, datetime]:
    from windowcast import answer as asking
    from windowcast.edges import clock

    configuration = configuration_of(ctx, config_folder)
    return configuration, asking.find_yard(configuration, name), clock.now()


def _visited(
    what: str,
    done: Done,
    configuration: Configuration,
    place: Yard,
    now: datetime,
    *,
    as_json: bool,
) -> None:
    from windowcast.notice import course_lines

    kept("what was entered is kept")
    if as_json:
        _show(done, place, now)
        return
    tell(
        course_lines.visited_lines(
            what,
            done.number,
            done.course,
            place,
            done.remarks,
            spare_percent=configuration.work.spare_percent,
        )
    )


def _show(done: Done, place: Yard, now: datetime) -> None:
    from windowcast.entering import today_at
    from windowcast.notice import course_lines

    show(
        {
            "schema": 1,
            "entry": done.number,
            "remarks": list(done.remarks),
            **course_lines.course_document(done.course, today_at(place, now)),
        }
    )


@click.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@click.option(
    "--brood",
    type=click.Choice(["capped", "open", "none"]),
    help="Capped brood; eggs or larvae and nothing capped; no brood of any age.",
)
@click.option("--colonies", type=int, help="How many were looked into for brood; else all.")
@click.option("--queens-checked", type=int, help="Colonies looked at for a queen.")
@click.option("--queens-missing", type=int, help="Of these, without one.")
@_ON
@config_option
@click.pass_context
def found(
    ctx: click.Context,
    name: str,
    brood: str | None,
    colonies: int | None,
    queens_checked: int | None,
    queens_missing: int | None,
    on: str | None,
    config_folder: str | None,
) -> None:
    """Enter what a look into the colonies showed: brood, queens.

    Example: windowcast found "Creek Bend" --brood none --colonies 6
    """
    from windowcast import answer as asking
    from windowcast import doing
    from windowcast.entering import day_of, today_at
    from windowcast.notice import words

    configuration, place, now = _at(ctx, config_folder, name)
    if brood is None and queens_checked is None and queens_missing is None:
        raise UsageError(
            "nothing was named; give --brood, or --queens-checked and --queens-missing"
        )
    if (queens_checked is None) != (queens_missing is None):
        raise UsageError("--queens-checked and --queens-missing go together")
    day = day_of(on, "--on", today_at(place, now))
    lines = []
    with asking.open_store(configuration) as store:
        if brood is not None:
            number = doing.seen_brood(
                store, place, brood=brood, colonies=colonies, day=day, now=now
            )
            values = {
                "number": number,
                "yard": place.name,
                "day": words.day_in(day, today_at(place, now).year),
            }
            said = {
                "capped": tr("entry {number}: {yard}, capped brood on {day}", **values),
                "open": tr(
                    "entry {number}: {yard}, eggs or larvae and nothing capped on {day}; oxalic"
                    " acid finds most mites open on that day only, for larvae may be capped the"
                    " day after",
                    **values,
                ),
                "none": tr("entry {number}: {yard}, no brood on {day}", **values),
            }
            lines.append(said[brood])
        if queens_checked is not None and queens_missing is not None:
            number = doing.seen_queens(
                store, place, checked=queens_checked, missing=queens_missing, day=day, now=now
            )
            lines.append(
                trn(
                    "entry {number}: {yard}, {missing} of {count} colonies without a queen on"
                    " {day}",
                    "entry {number}: {yard}, {missing} of {count} colonies without a queen on"
                    " {day}",
                    queens_checked,
                    number=number,
                    yard=place.name,
                    missing=queens_missing,
                    day=words.day_in(day, today_at(place, now).year),
                )
            )
    kept("what was entered is kept")
    tell(lines)
