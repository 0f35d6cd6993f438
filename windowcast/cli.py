"""The commands: the only place that prints or exits.

Heavy imports (requests, Jinja2, the scheduler) happen inside the commands that need them, so that
asking for one yard from the stored forecast stays quick.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import click

from windowcast import __version__
from windowcast.errors import ConfigError, MailError, UsageError, WindowcastError

if TYPE_CHECKING:
    from windowcast.edges.settings import Configuration
    from windowcast.named import NamedRecord
    from windowcast.trade.treatment import Regimen, Treatment

F = TypeVar("F", bound=Callable[..., Any])

DONE, IN_PART, WRONG, NOTHING_USABLE, NOT_DELIVERED = 0, 1, 2, 3, 4


def config_option(command: F) -> F:
    """`--config DIR`, before or after the command's name."""
    return click.option(
        "--config",
        "config_folder",
        metavar="DIR",
        help="The configuration folder; else $WINDOWCAST_CONFIG, ./config, or the user's own.",
    )(command)


def say(text: str) -> None:
    """Everything that is not the answer goes to stderr."""
    click.echo(text, err=True)


class Commands(click.Group):
    """Turns errors raised on purpose into a message and an exit status, in one place."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except ConfigError as error:
            for mistake in error.mistakes:
                say(mistake)
            ctx.exit(error.exit_code)
        except WindowcastError as error:
            say(f"windowcast: {error}")
            ctx.exit(error.exit_code)
        except BrokenPipeError:
            # The reader of a pipe has left (`| head`): what it wanted, it has.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(DONE)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="windowcast")
@config_option
@click.pass_context
def main(ctx: click.Context, config_folder: str | None) -> None:
    """Says, yard by yard, when a varroa treatment may start, and with what chance.

    Results go to stdout, everything else to stderr. Exit status: 0 done, 1 done in part, 2 wrong
    usage or configuration, 3 nothing usable, 4 a notice was not delivered.
    """
    ctx.obj = config_folder


def _configuration(ctx: click.Context, config_folder: str | None) -> Configuration:
    from windowcast.edges import config

    folder = config.find_folder(config_folder or ctx.obj, os.environ)
    return config.load(folder, os.environ)


@main.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--sample", is_flag=True, help="Use the bundled invented weather, not a real one.")
def init(folder: Path, sample: bool) -> None:
    """Write the three configuration files, commented, into DIR; never overwrites one.

    Example: windowcast init ~/bees
    """
    from windowcast.edges import shipped

    if str(folder) == ".":
        raise UsageError("name the folder to write into, such as: windowcast init ~/bees")
    for path, what in shipped.write_examples(folder, sample=sample):
        click.echo(f"{path}: {what}")
    click.echo(f"Edit {folder / 'yards.toml'}, then: windowcast --config {folder} check")


@main.command()
@click.option("--reach", is_flag=True, help="Also try each weather server and the mail server.")
@config_option
@click.pass_context
def check(ctx: click.Context, reach: bool, config_folder: str | None) -> None:
    """Read the configuration and say what is wrong with it, or "ready".

    Example: windowcast check --reach
    """
    from windowcast.edges import store

    configuration = _configuration(ctx, config_folder)
    store.check_place(configuration.store_url, configuration.folder)
    if reach:
        weather_reached, mail_reached = _reach(configuration)
        if not (weather_reached and mail_reached):
            say("windowcast: not every server could be reached")
            ctx.exit(NOT_DELIVERED if weather_reached else NOTHING_USABLE)
    yards, treatments = configuration.yards, configuration.treatments
    where = "printed" if configuration.mail is None else "mailed"
    click.echo(
        f"ready: {len(yards)} yard{'' if len(yards) == 1 else 's'},"
        f" {len(treatments)} treatment{'' if len(treatments) == 1 else 's'},"
        f" weather from {configuration.weather.provider}, notices {where}"
        f" at {configuration.morning.at:%H:%M}"
    )


def _reach(configuration: Configuration) -> tuple[bool, bool]:
    """Try each server and say what it answered; whether all for weather did, and the mail's."""
    from windowcast.edges import mail, openmeteo

    weather_reached = mail_reached = True
    if configuration.weather.provider == "open-meteo":
        for one in openmeteo.reach(configuration.yards[0], configuration.weather, say=say):
            click.echo(f"{one.what}: {one.text}")
            weather_reached = weather_reached and one.reached
    if configuration.mail is not None:
        try:
            with mail.Sender(configuration.mail) as sender:
                click.echo(f"mail: {sender.check()}")
        except MailError as error:
            click.echo(f"mail: {error}")
            mail_reached = False
    return weather_reached, mail_reached


@main.command()
@click.option("--print", "print_only", is_flag=True, help="Do all but deliver; print the notice.")
@config_option
@click.pass_context
def morning(ctx: click.Context, print_only: bool, config_folder: str | None) -> None:
    """Do the morning job once: fetch, scan, decide, store, then send (or print).

    Example: windowcast morning --print
    """
    from windowcast import morning as job
    from windowcast.edges import clock

    configuration = _configuration(ctx, config_folder)
    with job.open_store(configuration) as store:
        result = job.run(configuration, store, now=clock.now(), say=say, print_only=print_only)
    for notice in result.printed:
        click.echo(notice.body, nl=False)
    ctx.exit(result.exit_code)


@main.command()
@click.argument("name")
@click.option("--treatment", "treatment_id", metavar="ID", help="Only this treatment.")
@click.option("--fetch", is_flag=True, help="Fetch a new forecast first.")
@click.option(
    "--print-weather", is_flag=True, help="Also the daily highs that the answer rests on."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@config_option
@click.pass_context
def yard(
    ctx: click.Context,
    name: str,
    treatment_id: str | None,
    fetch: bool,
    print_weather: bool,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Show the windows of one yard now, from the stored forecast.

    Fetches only where there is no stored forecast or a stale one.

    Example: windowcast yard "Creek Bend" --treatment formic-strips --json
    """
    from windowcast import answer as asking
    from windowcast.edges import clock

    configuration = _configuration(ctx, config_folder)
    place = asking.find_yard(configuration, name)
    chosen = asking.find_treatments(configuration, place, treatment_id)
    now = clock.now()
    with asking.open_store(configuration) as store:
        weather = asking.stored_weather(configuration, store, place, now)
        if fetch or not weather.fresh:
            from windowcast import morning as job

            weather = job.gather(configuration, store, [place], now=now, say=say)[place.name]
        elif configuration.chance.calibrate and not weather.corrected:
            # Made when the corrections were set otherwise, or before the past years were had.
            from windowcast import chance

            chance.correct(configuration, store, [place], now=now, say=say, fetch=False)
            weather = asking.stored_weather(configuration, store, place, now)
    answer = asking.answer_yard(configuration, place, weather, now=now, treatments=chosen)
    if as_json:
        from windowcast.notice.document import document

        found = document(answer, configuration.units)
        if print_weather:
            found["weather"] = asking.weather_document(weather)
        # Laid out for a person only where one looks: it costs as much as the answer itself.
        indent = 2 if sys.stdout.isatty() else None
        click.echo(json.dumps(found, ensure_ascii=False, indent=indent))
    else:
        from windowcast.notice import table

        lines = table.answer_lines(answer, configuration.units)
        if print_weather:
            lines += table.weather_lines(weather.forecast, weather.scenarios, configuration.units)
        click.echo("\n".join(lines))
    if not weather.usable:
        say(f"{place.name}: {'only a stale forecast' if weather.sources else 'no forecast'}")
        ctx.exit(NOTHING_USABLE)


@main.command()
@click.argument("name", metavar="YARD")
@click.option("--treatment", "treatment_id", metavar="ID", help="This one; else the yard's first.")
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

    configuration = _configuration(ctx, config_folder)
    place = asking.find_yard(configuration, name)
    days = past.season_days(place, first, last)
    # A mistyped id is answered before a store is made or a server asked.
    asking.find_treatments(configuration, place, treatment_id)
    kind = None if picture is None else _picture_kind(picture)
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
    if as_json:
        indent = 2 if sys.stdout.isatty() else None
        found = season_lines.season_document(answer)
        click.echo(json.dumps(found, ensure_ascii=False, indent=indent))
    else:
        click.echo("\n".join(season_lines.season_lines(answer)))


@main.command()
@click.argument("name", metavar="YARD")
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

    configuration = _configuration(ctx, config_folder)
    place = asking.find_yard(configuration, name)
    provider, now = configuration.weather.provider, clock.now()
    with asking.open_store(configuration) as store:
        if table is None:
            known = seen.known(store, place, provider, now)
            document = seen.known_document(known)
            text = seen.known_lines(known, configuration.units)
        else:
            imported = seen.import_table(store, place, provider, table, now=now, say=say)
            document = seen.import_document(imported)
            text = seen.import_lines(imported, configuration.units)
    if as_json:
        indent = 2 if sys.stdout.isatty() else None
        click.echo(json.dumps(document, ensure_ascii=False, indent=indent))
    else:
        click.echo("\n".join(text))


@main.command()
@click.argument("treatment_id", metavar="TREATMENT")
@click.argument("regimen_id", metavar="[REGIMEN]", required=False)
@click.option("--high-min", metavar="DEGREES", help="The new lowest allowed daily high.")
@click.option("--high-max", metavar="DEGREES", help="The new highest allowed daily high.")
@click.option("--unit", type=click.Choice(["C", "F"]), default="C", show_default=True)
@config_option
@click.pass_context
def band(
    ctx: click.Context,
    treatment_id: str,
    regimen_id: str | None,
    high_min: str | None,
    high_max: str | None,
    unit: str,
    config_folder: str | None,
) -> None:
    """Show a treatment's bands in both units, or change one in the file.

    A change keeps the file's comments; a refused one leaves it untouched.

    Example: windowcast band formic-strips two-strips --high-max 85 --unit F
    """
    from windowcast import answer as asking
    from windowcast.edges import config, config_edit
    from windowcast.notice import table

    folder = config.find_folder(config_folder or ctx.obj, os.environ)
    configuration = config.load(folder, os.environ)
    treatment = asking.find_treatment(configuration, treatment_id)
    asking.check_regimen(treatment, regimen_id)
    if high_min is not None or high_max is not None:
        config_edit.set_band(
            folder,
            treatment_id,
            regimen_id,
            high_min=high_min,
            high_max=high_max,
            unit=unit,
            environ=os.environ,
        )
        configuration = config.load(folder, os.environ)
        treatment = asking.find_treatment(configuration, treatment_id)
    click.echo("\n".join(table.band_lines(treatment, regimen_id)))


@main.command()
@config_option
@click.pass_context
def serve(ctx: click.Context, config_folder: str | None) -> None:
    """Run the morning job for each yard at its local time, until stopped.

    Example: windowcast --config /etc/windowcast serve
    """
    from windowcast import service

    configuration = _configuration(ctx, config_folder)
    if not service.serve(configuration):
        # A thread that waits for a server would hold the interpreter's ordinary end.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(DONE)


@main.command()
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
@click.option("--treatment", "treatment_id", metavar="ID", help="Else the first one.")
@click.option("--regimen", "regimen_id", metavar="ID", help="Else the treatment's first one.")
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

    kind = None if picture is None else _picture_kind(picture)
    asked = judging.ALL_MONTHS if months is None else judging.months_of(months)
    from_store = forecasts is None and observed is None
    configuration = (
        _configuration(ctx, config_folder)
        if from_store
        else _configuration_or_examples(ctx, config_folder)
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
                foot=named.PICTURE_FOOT,
            )
            picture_file.write(picture, drawn)
    else:
        lacking = "--forecasts F.csv" if forecasts is None else "--observed O.csv"
        raise UsageError(
            f"tables go in pairs: give {lacking} too, or neither to judge the store's own record"
        )
    if as_json:
        indent = 2 if sys.stdout.isatty() else None
        click.echo(json.dumps(found, ensure_ascii=False, indent=indent))
    else:
        click.echo("\n".join(text))


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


def _picture_kind(picture: Path) -> Literal["png", "svg"]:
    """What to draw, once it is sure that it can be drawn and written: before any long work."""
    from windowcast.edges import picture_file
    from windowcast.notice import chart

    kind = picture_file.kind(picture)
    chart.check_available()
    return kind


def _configuration_or_examples(ctx: click.Context, config_folder: str | None) -> Configuration:
    """The configuration, or the shipped examples where none is named and none is found."""
    from windowcast.edges import config, shipped

    named = config_folder or ctx.obj or os.environ.get("WINDOWCAST_CONFIG")
    try:
        folder = config.find_folder(config_folder or ctx.obj, os.environ)
    except ConfigError:
        if named:
            raise
        folder = shipped.config_folder()
        say("windowcast: no configuration found; the shipped example treatments are used")
    return config.load(folder, os.environ)
