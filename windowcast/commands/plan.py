"""The crews' plan: what is begun where on which day, who drives there, and what would free more."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from windowcast.commands.shared import (
    IN_PART,
    NOTHING_USABLE,
    config_option,
    configuration_of,
    kept,
    say,
    say_written,
    show,
)
from windowcast.errors import UsageError
from windowcast.language import english, spoken

if TYPE_CHECKING:
    from windowcast.crew.replan import Promise
    from windowcast.plan_task import Task


@click.command()
@click.option("--from", "first", metavar="DATE", help="The first day, such as 2026-08-31.")
@click.option(
    "--days",
    type=click.IntRange(1, 120),
    default=30,
    show_default=True,
    help="On how many days a start is looked for.",
)
@click.option("--promise", is_flag=True, help="Keep this plan as promised: later ones hold to it.")
@click.option("--as-promised", is_flag=True, help="Show the plan that was promised; plan nothing.")
@click.option("--crew", "crew", metavar="NAME", help="Only this crew's days.")
@click.option(
    "--seconds", type=click.FloatRange(1, 3600), help="Give the best plan found in this time."
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document instead of text.")
@click.option("--csv", "as_csv", is_flag=True, help="A table instead of text.")
@click.option(
    "--ics",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also a calendar of the crews' days, written to FILE.ics; a draft without --promise.",
)
@config_option
@click.pass_context
def plan(
    ctx: click.Context,
    first: str | None,
    days: int,
    promise: bool,
    as_promised: bool,
    crew: str | None,
    seconds: float | None,
    as_json: bool,
    as_csv: bool,
    ics: Path | None,
    config_folder: str | None,
) -> None:
    """Plan the crews' days: which yard is begun when and how, who drives there, in which order.

    From the journal and the stored forecast; nothing is fetched. Crews, stock and days that are
    taken stand in crews.toml, which "windowcast help crews" explains. Needs the extra: pip install
    'windowcast[plan]'.

    Example: windowcast plan --from 2026-08-31 --days 30 --promise --ics crews.ics
    """
    import time

    from windowcast import answer as asking
    from windowcast import plan_task, plan_words, planning
    from windowcast.commands.standard_output import kept_for_answers
    from windowcast.crew.settings import remarks
    from windowcast.edges import clock, config_crews, picture_file

    if as_json and as_csv:
        raise UsageError("--json and --csv are two forms of one answer; give one of them")
    if as_promised and (promise or first is not None or seconds is not None or ics or as_csv):
        raise UsageError("--as-promised shows what was kept; it goes with --crew and --json")
    if ics is not None:
        if ics.suffix.lower() != ".ics":
            raise UsageError(f"--ics is {str(ics)!r}, but must end in .ics")
        picture_file.check_place(ics, "--ics")
    configuration = configuration_of(ctx, config_folder)
    if as_promised:
        with asking.open_store(configuration) as store:
            last = store.promised_plan()
        if last is None:
            raise UsageError("no plan was promised yet; run: windowcast plan --promise")
        _check_crew(crew, dict.fromkeys(one["crew"] for one in last.document["sheets"]))
        if as_json:
            show(
                plan_words.promised_document(
                    last.number, last.promised_at, last.document, crew=crew
                )
            )
        else:
            lines = plan_words.promised_lines(last.promised_at, last.document, crew=crew)
            click.echo("\n".join(lines))
        return
    _check_solver()
    found = config_crews.of(configuration)
    for mistake in found.mistakes:
        say(mistake)
    if found.mistakes:
        say("windowcast: these rows are left out; the plan is made with the rest")
    settings = found.settings if seconds is None else found.settings._replace(seconds=seconds)
    if not settings.crews:
        raise UsageError("crews.toml has no crew without a mistake, so that nobody can be planned")
    _check_crew(crew, [one.name for one in settings.crews])
    for remark in remarks(settings):
        say(remark)
    now = clock.now()
    with asking.open_store(configuration) as store:
        task = plan_task.gather(
            configuration,
            settings,
            store,
            now=now,
            first=plan_task.first_day(first),
            days=days,
        )
        if promise:
            _check_promise(task.promises, task.today, task.first)
            _check_forecasts(task)
        with kept_for_answers():
            planned = planning.make(task, clock=time.monotonic)
        number = task.promised_number
        if promise:
            number = store.promise_plan(planning.promise_document(planned), now)
            kept("the plan is promised; to see it: windowcast plan --as-promised")
        if ics is not None:
            before = store.promised_plan(before=number) if promise else None
            made = plan_words.calendar(
                planned,
                origin=store.calendar_origin(),
                now=now,
                number=number if promise else None,
                before=before,
                crew=crew,
            )
            picture_file.write(ics, made, "--ics")
            say_written(ics)
    if as_json:
        kept_as = number if promise else None
        show(plan_words.document(planned, number=kept_as, crew=crew))
    elif as_csv:
        click.echo(plan_words.csv_text(planned, crew=crew), nl=False)
    else:
        click.echo("\n".join(plan_words.text(planned, crew=crew, promised=promise)))
    unknown = [one for one in task.yards if one.without is not None and not one.without.known]
    for one in unknown:
        assert one.without is not None
        with spoken(english):
            why = plan_words.unknown_words(one.without, configuration)
        say(f"{one.yard.name}: {why}; no start is planned there")
    if unknown and not any(one.known for one in task.yards):
        ctx.exit(NOTHING_USABLE)
    if unknown or found.mistakes:
        ctx.exit(IN_PART)


def _check_crew(crew: str | None, names: Collection[str]) -> None:
    if crew is not None and crew.casefold() not in [name.casefold() for name in names]:
        raise UsageError(f"there is no crew {crew!r}; there are: {', '.join(names) or 'none'}")


def _check_promise(promises: Collection[Promise], today: date, first: date) -> None:
    """UsageError where a plan from a later day on would drop what is promised before that."""
    days = [day for one in promises for _, day, _ in one.stops if today <= day < first]
    if days:
        raise UsageError(
            f"--promise from {first} on would drop visits that are promised before that, the first"
            f" on {min(days)}; leave --from out, so that they stay"
        )


def _check_forecasts(task: Task) -> None:
    """UsageError where a start that is promised would be dropped for want of a forecast alone: not
    to know is no reason to withdraw it."""
    from windowcast import plan_words
    from windowcast.plan_task import start_key

    promised = {one.key for one in task.promises if one.start >= task.today}
    for one in task.yards:
        without = one.without
        if without is None or without.known:
            continue
        if start_key(one.yard.name, one.entries) in promised:
            with spoken(english):
                why = plan_words.unknown_words(without, task.configuration)
            raise UsageError(
                f"--promise would drop the start that is promised at {one.yard.name}: {why}; first"
                " run: windowcast morning --print"
            )


def _check_solver() -> None:
    """UsageError that names the extra where the solver is not installed."""
    try:
        import scipy.optimize  # noqa: F401
    except ImportError:
        raise UsageError(
            "planning needs scipy; install it: pip install 'windowcast[plan]'"
        ) from None
