"""Mite counts: entered, listed, imported, corrected."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from windowcast.commands.shared import (
    config_option,
    configuration_of,
    kept,
    names_of,
    say,
    show,
    tell,
)
from windowcast.errors import UsageError
from windowcast.language import tr

if TYPE_CHECKING:
    from windowcast.counts import Count
    from windowcast.edges.settings import Configuration
    from windowcast.edges.store import Store
    from windowcast.trade.yard import Yard


@click.group()
def count() -> None:
    """Mite counts: what they say of a yard, and when its threshold is passed."""


_METHOD = click.option(
    "--method",
    type=click.Choice(["wash", "roll", "board"]),
    default="wash",
    show_default=True,
    help="A wash of bees, a sugar roll, or the fall on a board.",
)
_MITES = click.option("--mites", type=int, required=True, help="Mites found.")
_BEES = click.option(
    "--bees",
    type=int,
    help="Bees in the sample, as counted (wash, roll); adult bees of the colony, if known (board).",
)
_DAYS = click.option("--days", type=float, help="Days that the board lay (board).")
_COLONY = click.option("--colony", metavar="NAME", help="Which colony; one count is of one.")
_ON = click.option("--on", metavar="DATE", help="The day of the count; else today.")
_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")


@count.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@_MITES
@_BEES
@_METHOD
@_COLONY
@_ON
@_DAYS
@_JSON
@config_option
@click.pass_context
def add(
    ctx: click.Context,
    name: str,
    mites: int,
    bees: int | None,
    method: str,
    colony: str | None,
    on: str | None,
    days: float | None,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Enter the count of one colony, and see what it means.

    Example: windowcast count add "Creek Bend" --mites 9 --bees 300 --colony "hive 7"
    """
    from windowcast import answer as asking
    from windowcast import counts
    from windowcast.edges import clock
    from windowcast.entering import day_of, today_at

    configuration = configuration_of(ctx, config_folder)
    place = asking.find_yard(configuration, name)
    now = clock.now()
    day = day_of(on, "--on", today_at(place, now))
    one = counts.sound(day=day, method=method, mites=mites, bees=bees, colony=colony, days=days)
    with asking.open_store(configuration) as store:
        added = counts.add(store, place, one, now=now)
        if added.known:
            say(f"this is kept already, as count {added.number}; nothing was added")
        elif added.beside is not None:
            say(
                f"{one.colony} was counted by {method} on that day already, as count"
                f" {added.beside}; both count, as one sample; if that one is wrong: windowcast"
                f" count void {added.beside}"
            )
        kept("what was entered is kept")
        _tell(configuration, store, place, added.number, one, now, as_json=as_json)


@count.command()
@click.argument("number", metavar="NUMBER", type=int)
@click.option("--mites", type=int, help="Mites found.")
@_BEES
@click.option(
    "--method",
    type=click.Choice(["wash", "roll", "board"]),
    help="A wash of bees, a sugar roll, or the fall on a board.",
)
@_COLONY
@_ON
@_DAYS
@_JSON
@config_option
@click.pass_context
def correct(
    ctx: click.Context,
    number: int,
    mites: int | None,
    bees: int | None,
    method: str | None,
    colony: str | None,
    on: str | None,
    days: float | None,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Enter a count anew in place of a mistaken one; both stay on record.

    What is not given is as it was, but bees and days where a board was none or is none now.

    Example: windowcast count correct 12 --mites 6
    """
    from windowcast import answer as asking
    from windowcast import counts
    from windowcast.edges import clock
    from windowcast.entering import corrected, day_of, today_at

    configuration = configuration_of(ctx, config_folder)
    now = clock.now()
    with asking.open_store(configuration) as store:
        old = corrected(store, number, "count")
        place = asking.find_yard(configuration, old.yard)
        was = old.body
        way = was["method"] if method is None else method
        alike = (way == "board") == (was["method"] == "board")
        one = counts.sound(
            day=old.day if on is None else day_of(on, "--on", today_at(place, now)),
            method=way,
            mites=was["mites"] if mites is None else mites,
            bees=was["bees"] if bees is None and alike else bees,
            colony=was.get("colony") if colony is None else colony,
            days=was.get("days") if days is None and alike else days,
        )
        new = counts.correct(store, number, one, now=now)
        kept("what was entered is kept")
        _tell(configuration, store, place, new, one, now, as_json=as_json)


@count.command()
@click.argument("number", metavar="NUMBER", type=int)
@click.option("--why", required=True, metavar="TEXT", help="Why; it stays on record.")
@config_option
@click.pass_context
def void(ctx: click.Context, number: int, why: str, config_folder: str | None) -> None:
    """Take a count out of what counts; it stays on record with the reason.

    Example: windowcast count void 12 --why "the wrong yard"
    """
    from windowcast import answer as asking
    from windowcast import entering
    from windowcast.edges import clock
    from windowcast.notice import count_lines
    from windowcast.notice.plain import wrapped

    configuration = configuration_of(ctx, config_folder)
    with asking.open_store(configuration) as store:
        old = entering.void(store, number, why, now=clock.now(), kinds=("count",))
    kept("what was entered is kept")
    text = tr(
        "Count {number} of {yard} is void: {found}. It no longer counts, and stays on record with"
        " the reason.",
        number=number,
        yard=old.yard,
        found=count_lines.sentence(old),
    )
    tell([wrapped(text)])


@count.command()
@click.option("--before", type=float, help="Mites per 100 bees before the treatment.")
@click.option("--after", type=float, help="The same after it.")
@click.option("--control-before", type=float, help="In untreated colonies, before.")
@click.option("--control-after", type=float, help="In untreated colonies, after.")
@click.option("--killed", type=int, help="Dead mites on boards during the treatment.")
@click.option("--follow-up", type=int, help="Dead mites from another active right after it.")
@_JSON
def efficacy(
    before: float | None,
    after: float | None,
    control_before: float | None,
    control_after: float | None,
    killed: int | None,
    follow_up: int | None,
    as_json: bool,
) -> None:
    """Work out from counts how much a treatment has done, in up to three ways.

    Count no sooner than 14 days after its end: until then mites come out of cells.

    Example: windowcast count efficacy --killed 850 --follow-up 150
    """
    from windowcast import counts
    from windowcast.notice import count_lines

    found = counts.efficacy(
        before=before,
        after=after,
        control_before=control_before,
        control_after=control_after,
        killed=killed,
        follow_up=follow_up,
    )
    if as_json:
        show(count_lines.efficacy_document(found))
    else:
        tell(count_lines.efficacy_lines(found))


@count.command(name="list")
@click.argument("name", metavar="[YARD]", required=False, shell_complete=names_of("yards"))
@_JSON
@config_option
@click.pass_context
def list_(ctx: click.Context, name: str | None, as_json: bool, config_folder: str | None) -> None:
    """Show the counts of a yard or of all, by rounds, and where they lead.

    Example: windowcast count list "Creek Bend"
    """
    from windowcast import answer as asking
    from windowcast import counts
    from windowcast.edges import clock
    from windowcast.entering import today_at
    from windowcast.notice import count_lines, words

    configuration = configuration_of(ctx, config_folder)
    yards = configuration.yards if name is None else (asking.find_yard(configuration, name),)
    now = clock.now()
    lines: list[str] = []
    without: list[str] = []
    documents = []
    with asking.open_store(configuration) as store:
        for yard in yards:
            found = counts.of_yard(
                configuration, yard, store.journal(yard.name), today_at(yard, now)
            )
            ahead = (
                None
                if found.passing is None or found.growth is None
                else (found.passing, found.growth)
            )
            if not found.entries and len(yards) > words.MANY_YARDS:
                without.append(yard.name)
            else:
                lines += count_lines.list_lines(
                    yard.name,
                    found.entries,
                    found.rounds,
                    stale=found.stale,
                    ahead=ahead,
                    today=found.today,
                )
            documents.append(
                {
                    "yard": yard.name,
                    "rounds": [count_lines.round_document(one) for one in found.rounds],
                    "treated_since": found.stale,
                    "growth": count_lines.growth_document(ahead),
                    "counts": [count_lines.count_document(one) for one in found.entries],
                }
            )
    if as_json:
        show({"schema": 1, "yards": documents})
    else:
        tell([*lines, *count_lines.none_lines(without)])


@count.command(name="import")
@click.argument("table", metavar="FILE.csv", type=click.Path(path_type=Path))
@click.argument("name", metavar="[YARD]", required=False, shell_complete=names_of("yards"))
@_JSON
@config_option
@click.pass_context
def import_(
    ctx: click.Context,
    table: Path,
    name: str | None,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Enter the counts of a table, all of them or none.

    The columns are yard, day (such as 2026-08-05), method (wash, roll or board), mites, bees,
    colony and days (of a board). A count that is kept already is passed over; one that is kept with
    other figures, or was voided, is a mistake of the table.

    Example: windowcast count import counts.csv
    """
    from windowcast import answer as asking
    from windowcast import counts
    from windowcast.edges import clock
    from windowcast.notice import words
    from windowcast.notice.plain import wrapped

    configuration = configuration_of(ctx, config_folder)
    place = None if name is None else asking.find_yard(configuration, name)
    with asking.open_store(configuration) as store:
        found = counts.import_table(configuration, store, table, yard=place, now=clock.now())
    kept("the table is imported")
    for doubt in found.doubts:
        say(doubt)
    if as_json:
        show({"schema": 1, "file": str(table), "new": found.new, "known": found.known})
        return
    groups: dict[int | str, list[str]] = {}
    for yard, new in found.new.items():
        # Of many those with as many new ones are told of together.
        groups.setdefault(new if len(found.new) > words.MANY_YARDS else yard, []).append(yard)
    for names in groups.values():
        yards = words.first_yards(names)
        tell(wrapped(tr("{yard}: {new} new", yard=yards, new=found.new[names[0]])).splitlines())
    tell(
        [
            tr(
                "{file}: {new} new, {known} known already",
                file=table,
                new=sum(found.new.values()),
                known=found.known,
            )
        ]
    )


def _tell(
    configuration: Configuration,
    store: Store,
    place: Yard,
    number: int,
    one: Count,
    now: datetime,
    *,
    as_json: bool,
) -> None:
    """What a count just entered means."""
    from windowcast import counts
    from windowcast.entering import today_at
    from windowcast.notice import count_lines
    from windowcast.trade.mites import threshold

    today: date = today_at(place, now)
    entries = store.journal(place.name)
    entry = next((each for each in entries if each.id == number), None)
    if entry is None:
        raise UsageError(f"count {number} is not in the journal")
    for doubt in counts.doubts(one, today):
        say(doubt)
    found = counts.of_yard(configuration, place, entries, today)
    last = next(
        (each for each in reversed(found.rounds) if each.first_day <= one.day <= each.day), None
    )
    newest = last is not None and last == found.rounds[-1]
    ahead = (
        (found.passing, found.growth)
        if newest and found.passing is not None and found.growth is not None
        else None
    )
    south = place.latitude < 0
    limit = threshold(one.day, configuration.season, south=south)
    fall = count_lines.fall_of(entry, south=south, brood=place.hive.brood)
    if as_json:
        show(
            {
                "schema": 1,
                **count_lines.count_document(entry),
                "threshold_percent": limit,
                "board": count_lines.fall_document(fall),
                "round": None
                if last is None or one.method == "board"
                else count_lines.round_document(last),
                "still_to_count": None
                if last is None or one.method == "board"
                else count_lines.still_to_count(last, place.colonies),
                "treated_since": newest and found.stale,
                "growth": count_lines.growth_document(ahead),
            }
        )
        return
    lines = count_lines.added_lines(
        entry,
        last if one.method != "board" else None,
        colonies=place.colonies,
        limit=limit,
        fall=fall,
        stale=newest and found.stale,
        ahead=ahead,
        today=today,
    )
    tell(lines)
