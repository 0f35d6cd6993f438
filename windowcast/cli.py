"""The commands: with `commands`, the only place that prints or exits.

Heavy imports (requests, Jinja2, the scheduler) happen inside the commands that need them, so that
asking for one yard from the stored forecast stays quick.
"""

from __future__ import annotations

import errno
import gc
import os
import shlex
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from windowcast import __version__
from windowcast.commands import streams
from windowcast.commands.shared import (
    DONE,
    INTERRUPTED,
    KEPT,
    NOT_DELIVERED,
    NOTHING_USABLE,
    config_option,
    configuration_of,
    is_unicode,
    kept,
    names_of,
    picture_kind,
    say,
    say_written,
    show,
    speak,
    tell,
)
from windowcast.errors import ConfigError, MailError, OutputError, UsageError, WindowcastError
from windowcast.language import tr, trn

if TYPE_CHECKING:
    from windowcast.edges.openmeteo import Reached
    from windowcast.edges.settings import Configuration

LAZY = {
    "help": "helping",
    "status": "keeping",
    "backup": "keeping",
    "restore": "keeping",
    "records": "records",
    "treat": "treat",
    "found": "treat",
    "count": "count",
    "season": "past",
    "observed": "past",
    "plan": "plan",
    "verify": "past",
    "visits": "visits",
    "page": "page",
    "texts": "texts",
}
"""Commands that stand in a module of `windowcast.commands`, imported when asked for."""
SENDS = ("morning", "serve")
PICTURES = "pip install 'windowcast[picture]'"


PATH_ERRORS = (
    errno.ENOENT, errno.EACCES, errno.EPERM, errno.ENOTDIR, errno.EISDIR, errno.ENAMETOOLONG,
    errno.ELOOP, errno.EEXIST,
)  # fmt: skip
"""What another path would not do."""
MOST_NOTES = 20
"""That `check` gives; of thousands of yards one slip may make thousands."""
MANY_YARDS = 1000
"""From so many on it is felt how they are counted."""
THE_JOB = ("weather", "mail", "push", "health")
"""The tables whose secrets the morning needs."""


class Commands(click.Group):
    """Turns errors raised on purpose into a message and an exit status, in one place."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        # Of what is made here nearly all stays or is freed by its count: to look for cycles after
        # every 700 new objects took a twentieth of a query and of a morning.
        gc.set_threshold(5000, 20, 50)
        # Before numpy is imported, which reads it then: our matrices are small, and threads inside
        # the linear algebra cost several times what they give.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        if "_WINDOWCAST_COMPLETE" in os.environ:
            from windowcast.commands import completing

            completing.register()
        streams.secure()
        try:
            return super().main(*args, **kwargs)
        except OutputError as error:
            streams.give_up()
            say("; ".join([f"windowcast: {error}", *(what for what, _ in KEPT)]))
            sys.exit(max((status for _, status in KEPT), default=error.exit_code))

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted([*super().list_commands(ctx), *LAZY])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        found = super().get_command(ctx, cmd_name)
        if found is None and cmd_name in LAZY:
            module = import_module(f"windowcast.commands.{LAZY[cmd_name]}")
            found = getattr(module, cmd_name)
            self.add_command(found, cmd_name)
        return found

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except OutputError:
            raise
        except KeyboardInterrupt:
            if sys.stderr.isatty():
                say("")  # ends the line in which the terminal shows the ^C
            done = [what for what, _ in KEPT] or ["what was kept before stays and is whole"]
            say("; ".join(["windowcast: interrupted", *done]))
            ctx.exit(INTERRUPTED)
        except ConfigError as error:
            for mistake in error.mistakes:
                say(mistake)
            ctx.exit(error.exit_code)
        except WindowcastError as error:
            say(f"windowcast: {error}")
            ctx.exit(error.exit_code)
        except BrokenPipeError:
            # The reader of a pipe has left (`| head`): what it wanted, it has.
            streams.give_up()
            ctx.exit(DONE)
        except OSError as error:
            if not isinstance(error.filename, str):
                raise
            # Of a path that was given, such as one that is too long to be one.
            path = error.filename if len(error.filename) <= 200 else f"{error.filename[:200]}…"
            why = (error.strerror or str(error)).lower()
            remedy = (
                "; give the path of a file or folder that can be used"
                if error.errno in PATH_ERRORS
                else ""
            )
            say(f"windowcast: {path}: {why}{remedy}")
            ctx.exit(UsageError.exit_code)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="windowcast")
@click.option(
    "--color/--no-color",
    default=None,
    help="Colour, or none; else only on a terminal, and as WINDOWCAST_COLOR or NO_COLOR say.",
)
@config_option
@click.pass_context
def main(ctx: click.Context, config_folder: str | None, color: bool | None) -> None:
    """Says, yard by yard, when a varroa treatment may start, and with what chance.

    Results go to stdout, everything else to stderr. Exit status: 0 done, 1 done in part, 2 wrong
    usage or configuration, 3 nothing usable, 4 a notice was not delivered.
    """
    ctx.obj = config_folder
    asked = color is not None or "WINDOWCAST_COLOR" in os.environ
    unicode = is_unicode(sys.stdout) and is_unicode(sys.stderr)
    if asked or sys.stdout.isatty() or not unicode:
        from windowcast.commands import terminal

        # What is also sent is laid out for letters, whoever looks on.
        terminal.prepare(ctx, color, narrow=ctx.invoked_subcommand not in SENDS)
    if sys.stderr.isatty() and ctx.invoked_subcommand != "serve":
        from windowcast.commands import terminal

        terminal.watch(ctx)


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
    written = shipped.write_examples(folder, sample=sample)
    kept(f"the files are in {folder}")
    for path, what in written:
        click.echo(f"{path}: {what}")
    click.echo(f"Edit {folder / 'yards.toml'}, then: windowcast --config {folder} check")


@main.command()
@click.option("--reach", is_flag=True, help="Also try each weather server and the mail server.")
@click.option(
    "--budget", is_flag=True, help="Instead: what a morning costs at the weather service."
)
@click.option("--json", "as_json", is_flag=True, help="With --budget: one JSON document.")
@config_option
@click.pass_context
def check(
    ctx: click.Context, reach: bool, budget: bool, as_json: bool, config_folder: str | None
) -> None:
    """Read the configuration and say what is wrong with it, or "ready".

    With --budget it asks nobody and says how many requests of what weight a morning makes, how long
    they take under the service's limits, whether they fit, and what to change where they do not.

    Example: windowcast check --budget
    """
    if as_json and not budget:
        raise UsageError("--json goes with --budget: windowcast check --budget --json")
    if budget and reach:
        raise UsageError("--budget asks nobody: leave out --reach, or run check --reach apart")
    if budget:
        from windowcast.commands.budget import show_budget

        ctx.exit(show_budget(configuration_of(ctx, config_folder), as_json=as_json))
    from windowcast import health, places
    from windowcast.edges import clock, config_crews, shipped, store
    from windowcast.edges.config_values import is_loopback
    from windowcast.notice import words
    from windowcast.notice.plain import wrapped

    configuration = configuration_of(ctx, config_folder, secrets=None)
    crews = config_crews.of(configuration)
    if crews.mistakes:
        raise ConfigError(list(crews.mistakes))
    answers = store.check_place(
        configuration.store_url, configuration.folder, password=configuration.store_password
    )
    if answers:
        click.echo(tr("store: {answer}", answer=answers))
    if reach:
        weather_reached, mail_reached = _reach(configuration)
        if not (weather_reached and mail_reached):
            say("windowcast: not every server could be reached")
            ctx.exit(NOT_DELIVERED if weather_reached else NOTHING_USABLE)
    for path, mode in health.exposed_files(configuration):
        remedy = f"chmod 600 {shlex.quote(str(path))}"
        say(f"{path}: others can read it (mode {mode:04o}); run: {remedy}")
    if configuration.mail is not None and configuration.mail.pictures:
        from windowcast import letters

        if not letters.can_draw():
            text = tr("mail: without pictures; for them run: {command}", command=PICTURES)
            click.echo(text)
    web = configuration.web
    if web.token and not (is_loopback(web.listen[0]) or web.public_url.startswith("https://")):
        say(
            "[web] listen: other machines reach the page over plain http, and the token can be read"
            " on the way; put a proxy with https before it, and name it in public_url"
        )
    yards, treatments = configuration.yards, configuration.treatments
    values = {
        "yards": trn("{count} yard", "{count} yards", len(yards)),
        "treatments": trn("{count} treatment", "{count} treatments", len(treatments)),
        "provider": configuration.weather.provider,
        "time": words.clock(configuration.morning.at),
    }
    tell(
        [
            tr(
                "ready: {yards}, {treatments}, weather from {provider}, notices printed at {time}",
                **values,
            )
            if configuration.mail is None
            else tr(
                "ready: {yards}, {treatments}, weather from {provider}, notices mailed at {time}",
                **values,
            )
        ]
    )
    examples = shipped.example_yards()
    invented = [
        one.name for one in yards if examples.get(one.name) == (one.latitude, one.longitude)
    ]
    if invented:
        text = trn(
            "note: {names} is one of the invented sample yards; put your own into yards.toml",
            "note: {names} are the invented sample yards; put your own into yards.toml",
            len(invented),
            names=words.listed(invented),
        )
        tell([wrapped(text)])
    notes = [*places.odd_places(yards, clock.now()), *_slow(len(yards))]
    for text in notes[:MOST_NOTES]:
        tell([wrapped(text)])
    if (rest := len(notes) - MOST_NOTES) > 0:
        tell([trn("note: and {count} more note", "note: and {count} more notes", rest)])


def _slow(yards: int) -> Iterator[str]:
    """That many yards are counted without the part that is built with a compiler."""
    from importlib.util import find_spec

    if yards >= MANY_YARDS and find_spec("windowcast.window.compiled") is None:
        yield tr(
            "note: windowcast was installed without a C compiler, and counts the scenarios of many"
            " yards more slowly; install it again where there is one"
        )


def _reach(configuration: Configuration) -> tuple[bool, bool]:
    """Try each server and say what it answered; whether all for weather did, and the mail's."""
    from windowcast.edges import mail, openmeteo

    weather_reached = mail_reached = True
    if configuration.weather.provider == "open-meteo":
        for one in openmeteo.reach(configuration.yards[0], configuration.weather, say=say):
            click.echo(tr("{what}: {answer}", what=one.what, answer=_reached(one)))
            weather_reached = weather_reached and one.reached
    if configuration.mail is not None:
        try:
            with mail.Sender(configuration.mail) as sender:
                click.echo(tr("mail: {answer}", answer=sender.check()))
        except MailError as error:
            click.echo(tr("mail: {answer}", answer=error))
            mail_reached = False
    return weather_reached, mail_reached


def _reached(one: Reached) -> str:
    """What a weather server answered."""
    from windowcast.notice import words

    if one.last_day is None:
        return one.text
    last = words.day(one.last_day)
    if one.members:
        return tr(
            "ok, {days} of {members}, to {day}",
            days=words.days(one.days),
            members=trn("{count} member", "{count} members", one.members),
            day=last,
        )
    return tr("ok, {days}, to {day}", days=words.days(one.days), day=last)


@main.command()
@click.option("--print", "print_only", is_flag=True, help="Do all but deliver; print the notice.")
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Spread it over the workers of a Dask scheduler: tcp://scheduler:8786.",
)
@config_option
@click.pass_context
def morning(
    ctx: click.Context, print_only: bool, cluster: str | None, config_folder: str | None
) -> None:
    """Do the morning job once: fetch, scan, decide, store, then send (or print).

    Example: windowcast morning --print

    With --cluster the workers of a Dask scheduler do it in portions, for very many yards; the store
    must be a PostgreSQL database.
    """
    from contextlib import ExitStack

    from windowcast import missed
    from windowcast import morning as job
    from windowcast.edges import clock

    if cluster and print_only:
        raise UsageError(
            "--print and --cluster do not go together: what is printed is one notice of all"
            " yards, which one process writes; leave one of them out"
        )
    configuration = configuration_of(ctx, config_folder, secrets=THE_JOB)
    with ExitStack() as stack:
        workers = None
        if cluster:
            from windowcast import spread

            workers = stack.enter_context(spread.connected(cluster, configuration, say=say))
        store = stack.enter_context(job.open_store(configuration))
        stack.enter_context(job.alone(store, say, wait=not print_only))
        if not print_only:
            for notice_of_none in missed.tell(configuration, store, now=clock.now(), say=say):
                click.echo(notice_of_none)
        result = job.run(
            configuration,
            store,
            now=clock.now(),
            say=say,
            print_only=print_only,
            elsewhere=workers,
        )
    kept(
        "forecasts and decisions are kept; for the notice anew: windowcast morning --print",
        NOT_DELIVERED,
    )
    for urgent in result.urgent:
        click.echo(urgent)
    for notice in result.printed:
        click.echo(notice.body, nl=False)
    if configuration.health.heartbeat_url and result.exit_code == DONE and not print_only:
        from windowcast.edges import heartbeat

        trouble = heartbeat.send(configuration.health.heartbeat_url)
        if trouble:
            say(f"heartbeat not sent: {trouble}")
    ctx.exit(result.exit_code)


@main.command()
@click.argument("name", shell_complete=names_of("yards"))
@click.option(
    "--treatment",
    "treatment_id",
    metavar="ID",
    shell_complete=names_of("treatments"),
    help="Only this treatment.",
)
@click.option("--fetch", is_flag=True, help="Fetch a new forecast first.")
@click.option(
    "--print-weather", is_flag=True, help="Also the daily highs that the answer rests on."
)
@click.option(
    "--chart/--no-chart",
    default=None,
    help="A small chart of the highs and the band, or none; else on a terminal only.",
)
@click.option(
    "--picture",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also a picture of it, written to FILE.png or FILE.svg.",
)
@click.option(
    "--width",
    metavar="PIXELS",
    type=click.IntRange(280, 2000),
    default=720,
    show_default=True,
    help="What the picture is laid out for; 360 for a phone.",
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
    chart: bool | None,
    picture: Path | None,
    width: int,
    as_json: bool,
    config_folder: str | None,
) -> None:
    """Show the windows of one yard now, from the stored forecast.

    Fetches only where there is no stored forecast or a stale one.

    Example: windowcast yard "Creek Bend" --treatment formic-strips --json
    """
    if chart and as_json:
        raise UsageError("--chart is drawn beside text; leave out --json, or --chart")
    from windowcast import answer as asking
    from windowcast.edges import clock
    from windowcast.entering import as_seen
    from windowcast.standing import beside, standing

    configuration = configuration_of(ctx, config_folder, secrets=("weather",))
    place = asking.find_yard(configuration, name)
    chosen = asking.find_treatments(configuration, place, treatment_id)
    kind = None if picture is None else picture_kind(picture, own_svg=True)
    now = clock.now()
    with asking.open_store(configuration) as store:
        place = as_seen(store, place, now)
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
        # The season and what else there is are the yard's, whatever treatment was asked for.
        every = asking.find_treatments(configuration, place)
        whole = (
            answer
            if chosen == every
            else asking.answer_yard(configuration, place, weather, now=now, treatments=every)
        )
        stands = standing(configuration, store, place, weather, whole, now=now)
        told = (
            stands.told
            if chosen == every
            else asking.days_of(configuration, place, weather).told(answer)
        )
        others = beside(stands, stands.told, configuration.units)
        if picture is not None and kind is not None:
            from windowcast import picture as drawing

            shown = drawing.yard_picture(
                configuration, store, place, now, weather=weather, answer=told, stands=stands
            )
            drawing.write(shown, picture, kind, width)
            say_written(picture)
    if as_json:
        from windowcast.notice.document import document

        found = document(answer, configuration.units) | dict(others.document)
        if print_weather:
            found["weather"] = asking.weather_document(weather)
        show(found)
    else:
        from windowcast.notice import table

        lines = table.answer_lines(told, configuration.units, others)
        if chart or (chart is None and sys.stdout.isatty()):
            from windowcast.commands import terminal

            lines += terminal.chart(told, weather, configuration.units, asked=bool(chart))
        if print_weather:
            lines += table.weather_lines(weather.forecast, weather.scenarios, configuration.units)
        tell(lines)
    if not weather.usable:
        say(f"{place.name}: {'only a stale forecast' if weather.sources else 'no forecast'}")
        ctx.exit(NOTHING_USABLE)


@main.command()
@click.argument("treatment_id", metavar="TREATMENT", shell_complete=names_of("treatments"))
@click.argument(
    "regimen_id", metavar="[REGIMEN]", required=False, shell_complete=names_of("regimens")
)
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
    configuration = config.load(folder, os.environ, secrets=())
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
        kept("the band is changed")
        configuration = config.load(folder, os.environ, secrets=())
        treatment = asking.find_treatment(configuration, treatment_id)
    speak(ctx, configuration)
    tell(table.band_lines(treatment, regimen_id))


@main.command()
@click.option("--web", is_flag=True, help="Also show the page for browsers, where [web] says.")
@config_option
@click.pass_context
def serve(ctx: click.Context, web: bool, config_folder: str | None) -> None:
    """Run the morning job for each yard at its local time, until stopped.

    Example: windowcast --config /etc/windowcast serve --web
    """
    from windowcast import service
    from windowcast.edges import config
    from windowcast.edges.config_watch import ConfigWatch

    if web:
        from windowcast.edges import web_server

        web_server.check_available()
    secrets = config.SECRETS if web else {*THE_JOB, "store"}
    files = ConfigWatch(
        config.find_folder(config_folder or ctx.obj, os.environ), os.environ, secrets=secrets
    )
    configuration = configuration_of(ctx, config_folder, secrets=secrets)
    if not service.serve(configuration, files, web=web):
        # A thread that waits for a server would hold the interpreter's ordinary end.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(DONE)
