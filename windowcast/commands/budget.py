"""What `windowcast check --budget` says."""

from __future__ import annotations

import click

from windowcast import budget
from windowcast.answer import open_store
from windowcast.commands.shared import DONE, IN_PART, say, show
from windowcast.edges import clock, store
from windowcast.edges.settings import Configuration
from windowcast.notice.budget_lines import budget_lines


def show_budget(configuration: Configuration, *, as_json: bool) -> int:
    """Show what a morning costs; the exit status: in part where some yards would go without.

    Makes no database: without one, nothing is known of grid cells, as on the first morning.
    """
    file = store.file_of(configuration.store_url, configuration.folder)
    now = clock.now()
    if file is not None and not file.exists():
        found = budget.document(configuration, None, now=now)
    else:
        with open_store(configuration, create=False) as opened:
            found = budget.document(configuration, opened, now=now)
    if as_json:
        show(found)
    else:
        click.echo("\n".join(budget_lines(found)))
    if found["fits"]:
        return DONE
    say("windowcast: a morning does not fit into what the weather service allows")
    return IN_PART
