"""What came of it: past years, observed highs, and how good the chances have been."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from windowcast.commands.shared import (
    config_option,
    configuration_of,
    configuration_or_examples,
    kept,
    names_of,
    picture_kind,
    say,
    say_written,
    show,
    tell,
)
from windowcast.errors import UsageError
from windowcast.language import tr

if TYPE_CHECKING:
    from windowcast.edges.settings import Configuration
    from windowcast.named import NamedRecord
    from windowcast.trade.treatment import Regimen, Treatment


@click.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@click.option(
    "--treatment",
    "treatment_id",
    metavar="ID",
    shell_complete=names_of("treatments"),
    help="This one; else the yard's first.",
)
@click.option("--from", "first", metavar="MM-DD", help="The first start day looked at.")
@click.option("--to", "last", metavar="MM-DD", help="The last one; may lie in the next year.")
@click.option("--fetch", is_flag=True, help="Ask the archive again for the past years.")
@click.option(
    "--min-chances",
    is_flag=True,
    help="Also what each min_chance would have cost in waiting and failing; takes some seconds.",
)
@click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also a picture of it, written to FILE.png or FILE.svg.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@config_option
@click.pass_context
def season(
    ctx: click.Context,
    name: str,
    treatment_id: str | None,
    first: str | None,
    last: str | None,
    fetch: bool,
    min_chances: bool,
    picture: Path | None,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Show in how many past years a treatment could start, day by day of the season.

    Without --from and --to: from August 1 to October 15, half a year later south of the equator.
    Fetches the past years of a place once and keeps them.

    Example: windowcast season "Creek Bend" --from 09-01 --to 11-15
    """
    from windowcast import answer as asking
    from windowcast import season as past
    from windowcast.edges import clock
    from windowcast.notice import season_lines

    configuration = configuration_of(ctx, config_folder, secrets=("weather",))
    place = asking.find_yard(configuration, name)
    days = past.season_days(place, first, last)
    # A mistyped id is answered before a store is made or a server asked.
    asking.find_treatments(configuration, place, treatment_id)
    kind = None if picture is None else picture_kind(picture)
    with asking.open_store(configuration) as store:
        answer = past.answer_season(
            configuration,
            store,
            place,
            days,
            treatment_id=treatment_id,
            now=clock.now(),
            say=say,
            fetch=fetch,
            min_chances=min_chances,
        )
    if picture is not None and kind is not None:
        from windowcast.edges import picture_file
        from windowcast.notice import chart

        picture_file.write(picture, chart.season_picture(answer, kind))
        say_written(picture)
    if as_json:
        show(season_lines.season_document(answer))
    else:
        tell(season_lines.season_lines(answer))


@click.command()
@click.argument("name", metavar="YARD", shell_complete=names_of("yards"))
@click.argument("table", metavar="[FILE.csv]", required=False, type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@config_option
@click.pass_context
def observed(
    ctx: click.Context, name: str, table: Path | None, as_json: bool, config_folder: str | None
) -> None:
    """Show a yard's observed highs, or import those of its own thermometer, which then count.

    The table has the columns day (such as 2026-08-31) and high_c or high_f, one row a day. The same
    day imported again with another high is corrected. A table with a mistake is not imported at
    all.

    Example: windowcast observed "Creek Bend" highs.csv
    """
    from windowcast import answer as asking
    from windowcast import observed as seen
    from windowcast.edges import clock

    configuration = configuration_of(ctx, config_folder, secrets=("weather",))
    place = asking.find_yard(configuration, name)
    provider, now = configuration.weather.provider, clock.now()
    with asking.open_store(configuration) as store:
        if table is None:
            known = seen.known(store, place, provider, now)
            document = seen.known_document(known)
            text = seen.known_lines(known, configuration.units)
        else:
            imported = seen.import_table(store, place, provider, table, now=now, say=say)
            kept("the table is imported")
            document = seen.import_document(imported)
            text = seen.import_lines(imported, configuration.units)
    if as_json:
        show(document)
    else:
        tell(text)


@click.command()
@click.option(
    "--forecasts",
    metavar="F.csv",
    type=click.Path(path_type=Path),
    help="Past forecasts: yard,issued,day,high_c (or high_f), optional scenario.",
)
@click.option(
    "--observed",
    metavar="O.csv",
    type=click.Path(path_type=Path),
    help="Observed highs: yard,day,high_c (or high_f).",
)
@click.option("--months", metavar="A-B", help="Only issues of these months, such as 7-10 or 11-2.")
@click.option(
    "--treatment",
    "treatment_id",
    metavar="ID",
    shell_complete=names_of("treatments"),
    help="Else the first one.",
)
@click.option(
    "--regimen",
    "regimen_id",
    metavar="ID",
    shell_complete=names_of("regimens"),
    help="Else the treatment's first one.",
)
@click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also the reliability diagram, written to FILE.png or FILE.svg.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@config_option
@click.pass_context
def verify(
    ctx: click.Context,
    forecasts: Path | None,
    observed: Path | None,
    months: str | None,
    treatment_id: str | None,
    regimen_id: str | None,
    picture: Path | None,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Judge chances against the highs that came.

    Without tables: those that the mornings kept in the store have named. With both tables: those
    that these past forecasts would have given.

    Example: windowcast verify --forecasts F.csv --observed O.csv --months 7-10 --json
    """
    from windowcast import answer as asking
    from windowcast import verify as judging

    kind = None if picture is None else picture_kind(picture)
    asked = judging.ALL_MONTHS if months is None else judging.months_of(months)
    from_store = forecasts is None and observed is None
    configuration = (
        configuration_of(ctx, config_folder, secrets=("weather",))
        if from_store
        else configuration_or_examples(ctx, config_folder)
    )
    treatment = (
        configuration.treatments[0]
        if treatment_id is None
        else asking.find_treatment(configuration, treatment_id)
    )
    asking.check_regimen(treatment, regimen_id)
    regimen = next(one for one in treatment.regimens if regimen_id in (None, one.id))
    if forecasts is not None and observed is not None:
        judged = judging.judge(treatment, regimen, forecasts, observed, months=asked, say=say)
        found, text = judging.document(judged), judging.lines(judged)
        if picture is not None and kind is not None:
            from windowcast.edges import picture_file
            from windowcast.notice import chart

            drawn = chart.reliability_picture(
                judged.found.reliability,
                judged.found.chances["chance"],
                *judging.title(judged),
                kind,
            )
            picture_file.write(picture, drawn)
            say_written(picture)
    elif from_store:
        record = _judge_store(configuration, treatment, regimen, asked)
        from windowcast import named

        found, text = named.document(record), named.lines(record)
        if picture is not None and kind is not None:
            import numpy as np

            from windowcast.edges import picture_file
            from windowcast.notice import chart

            drawn = chart.reliability_picture(
                record.reliability,
                np.array([case.chance for case in record.cases]),
                *named.title(record),
                kind,
                foot=tr(named.PICTURE_FOOT),
            )
            picture_file.write(picture, drawn)
            say_written(picture)
    else:
        lacking = "--forecasts F.csv" if forecasts is None else "--observed O.csv"
        raise UsageError(
            f"tables go in pairs: give {lacking} too, or neither to judge the store's own record"
        )
    if as_json:
        show(found)
    else:
        tell(text)


def _judge_store(
    configuration: Configuration, treatment: Treatment, regimen: Regimen, months: tuple[int, ...]
) -> NamedRecord:
    """The record of the mornings kept, of all yards."""
    from zoneinfo import ZoneInfo

    from windowcast import answer as asking
    from windowcast import named
    from windowcast.edges import clock

    now = clock.now()
    yards = configuration.yards
    with asking.open_store(configuration) as store:
        return named.judge(
            store,
            yards,
            configuration.weather.provider,
            treatment,
            regimen,
            months=months,
            today=min(now.astimezone(ZoneInfo(yard.timezone)).date() for yard in yards),
        )
