"""Urgent messages to other channels than mail, through a library that knows them.

The channels' addresses hold secrets: nothing here repeats one, in a message or a log.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Sequence
from email import message_from_bytes, policy

from windowcast.edges.mail import Outcome, Result

_MISSING = "the library for other channels is not installed; run: pip install 'windowcast[push]'"


def deliver(urls: Sequence[str], body: bytes) -> Outcome:
    """Give a composed message to every channel: its subject and its text.

    Deferred where any channel did not take it: it is then given to all of them again.
    """
    with warnings.catch_warnings():
        # What the library says of its own insides is nothing for the keeper of bees.
        warnings.simplefilter("ignore")
        return _deliver(urls, body)


def _deliver(urls: Sequence[str], body: bytes) -> Outcome:
    try:
        import apprise
    except ImportError:
        return Outcome(result=Result.DEFERRED, code=None, reason=_MISSING)
    # Its log names addresses.
    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    message = message_from_bytes(body, policy=policy.default)
    channels = apprise.Apprise()
    unknown = sum(not channels.add(url) for url in urls)
    if unknown:
        return Outcome(
            result=Result.DEFERRED,
            code=None,
            reason=f"{unknown} of {len(urls)} addresses of [push] are not understood",
        )
    plain = message.get_body(("plain",))
    text = "" if plain is None else plain.get_content()
    taken = channels.notify(title=str(message["Subject"]), body=text, body_format="text")
    if taken:
        return Outcome(result=Result.SENT, code=None, reason="")
    return Outcome(result=Result.DEFERRED, code=None, reason="a channel of [push] did not take it")
