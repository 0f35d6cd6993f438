"""The records of treatments."""

from __future__ import annotations

import sys

import click

from windowcast.commands.shared import config_option, configuration_of, names_of, show, tell
from windowcast.errors import UsageError


@click.command()
@click.option("--year", type=click.IntRange(1900, 9999), help="Only what began in this year.")
@click.option(
    "--yard", "name", metavar="NAME", shell_complete=names_of("yards"), help="Only this yard."
)
@click.option("--csv", "as_csv", is_flag=True, help="A table for a spreadsheet.")
@click.option("--text", "as_text", is_flag=True, help="Text for a person; this is the default.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document.")
@click.option("--all-entries", is_flag=True, help="Every entry as made, also corrected ones.")
@config_option
@click.pass_context
def records(
    ctx: click.Context,
    year: int | None,
    name: str | None,
    as_csv: bool,
    as_text: bool,
    as_json: bool,
    all_entries: bool,
    config_folder: str | None,
) -> None:
    """Show the records of treatments, one a treatment, and what they lack.

    Example: windowcast records --year 2026 --csv
    """
    from windowcast import answer as asking
    from windowcast import records as recording
    from windowcast.edges import clock
    from windowcast.notice import record_lines

    if as_csv + as_text + as_json > 1:
        raise UsageError("--csv, --text and --json are three ways to show the same; give one")
    configuration = configuration_of(ctx, config_folder)
    yards = configuration.yards if name is None else (asking.find_yard(configuration, name),)
    with asking.open_store(configuration) as store:
        people = not (as_json or as_csv)
        if all_entries:
            what = record_lines.told_entry if people else record_lines.raw_entry
            rows = recording.journal_rows(store, yards, year=year, what=what)
        else:
            rows = recording.rows(
                configuration, store, yards, year=year, now=clock.now(), for_people=people
            )
    if as_json:
        if not all_entries:
            rows = [row | {"lacks": record_lines.lacks(row)} for row in rows]
        show({"schema": 1, "entries" if all_entries else "records": rows})
    elif as_csv:
        # As bytes: a table has its own line ends, whatever the platform's are.
        text = record_lines.csv_text(rows, lacking=not all_entries)
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode("utf-8"))
        sys.stdout.buffer.flush()
    else:
        lines = record_lines.journal_lines(rows) if all_entries else record_lines.record_lines(rows)
        tell(lines)
