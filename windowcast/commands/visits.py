"""The work ahead: visits by day, what to bring, what to order, and a calendar of it."""

from __future__ import annotations

from pathlib import Path

import click

from windowcast.commands.shared import (
    IN_PART,
    NOTHING_USABLE,
    config_option,
    configuration_of,
    names_of,
    say,
    say_written,
    show,
    tell,
)
from windowcast.errors import UsageError
from windowcast.language import english, spoken


@click.command()
@click.option("--from", "first", metavar="DATE", help="The first day, such as 2026-08-31.")
@click.option("--to", "last", metavar="DATE", help="The last day; else 30 days on.")
@click.option(
    "--yard", "name", metavar="NAME", shell_complete=names_of("yards"), help="Only this yard."
)
@click.option(
    "--seams",
    type=click.IntRange(1, 30),
    help="Seams of bees in a colony; else 7, or 10 with two brood chambers.",
)
@click.option("--order", is_flag=True, help="What the season takes in all, instead of the visits.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="A table instead of text.")
@click.option(
    "--ics",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also a calendar of every visit ahead, written to FILE.ics.",
)
@config_option
@click.pass_context
def visits(
    ctx: click.Context,
    first: str | None,
    last: str | None,
    name: str | None,
    seams: int | None,
    order: bool,
    as_json: bool,
    as_csv: bool,
    ics: Path | None,
    config_folder: str | None,
) -> None:
    """Show the visits ahead by day and yard, with what to bring and how long they take.

    From what was entered of treatments in hand, and from the start that the stored forecast names;
    nothing is fetched. Today and 30 days on, where no days are given.

    Example: windowcast visits --from 2026-08-31 --to 2026-09-30 --yard "Creek Bend" --csv
    """
    from windowcast import answer as asking
    from windowcast import visiting
    from windowcast.edges import clock, picture_file
    from windowcast.notice import visit_lines

    if as_json and as_csv:
        raise UsageError("--json and --csv are two forms of one answer; give one of them")
    if order and (as_csv or ics is not None or first is not None or last is not None):
        raise UsageError("--order is of the whole season; it goes with --yard, --seams and --json")
    if ics is not None:
        if ics.suffix.lower() != ".ics":
            raise UsageError(f"--ics is {str(ics)!r}, but must end in .ics")
        picture_file.check_place(ics, "--ics")
    configuration = configuration_of(ctx, config_folder)
    alone = None if name is None else asking.find_yard(configuration, name)
    yards = configuration.yards if alone is None else (alone,)
    now = clock.now()
    with asking.open_store(configuration) as store:
        found = visiting.works(configuration, store, yards, now=now, seams=seams)
        begins, ends = visiting.stretch(found, first, last)
        if ics is not None:
            made = visiting.calendar(found, configuration, store, now=now, alone=alone)
            picture_file.write(ics, made, "--ics")
            say_written(ics)
    if order:
        needs = visiting.needs(found, configuration, seams=seams)
        today = min(work.today for work in found)
        if as_json:
            show({"schema": 1, "order": visit_lines.order_document(needs)})
        else:
            spare = configuration.work.spare_percent
            lines = visit_lines.order_lines(needs, today=today, spare_percent=spare)
            tell(lines)
    elif as_json:
        show(visiting.document(found, configuration, begins, ends))
    elif as_csv:
        days = visiting.work_days(found, configuration, begins, ends)
        click.echo(visit_lines.csv_text(days), nl=False)
    else:
        tell(visiting.text(found, configuration, begins, ends))
    with spoken(english):
        troubles = visiting.troubles(found)
    for trouble in troubles:
        say(trouble)
    if troubles and not order:
        shown = any(job.on <= ends for work in found for job in work.jobs)
        nothing = len(troubles) == len(found) and not shown
        ctx.exit(NOTHING_USABLE if nothing else IN_PART)
