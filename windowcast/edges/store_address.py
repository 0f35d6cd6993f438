"""How the address of a PostgreSQL database is written; the configuration judges it, the store goes
there."""

from __future__ import annotations

import re

SCHEMES = ("postgresql+psycopg://", "postgresql://")
LOOKS_LIKE = '"postgresql+psycopg://user@host/database"'

_HOST = r"(?:[A-Za-z0-9._~%-]*|\[[0-9A-Fa-f:.%]+\])(?::[0-9]+)?"
_REST = re.compile(
    r"(?:[^\s:/?#@]+@)?"  # the user
    rf"{_HOST}(?:,{_HOST})*"  # none: this machine's own socket
    r"/[^\s:/?#@]+"  # the database
    r"(?:\?[^\s?#@]*)?"  # what else the client library knows
)


def names_server(url: str) -> bool:
    """Whether an address means a PostgreSQL server, well written or not."""
    return url.startswith("postgres")


def for_library(url: str) -> str:
    """The address as the client library takes it.

    Raises ValueError with what is wrong, in words that follow "url" and repeat nothing of the
    address: what is in the wrong place there may be a password.
    """
    from urllib.parse import unquote

    scheme = next((one for one in SCHEMES if url.startswith(one)), None)
    rest = url.partition("://")[2]
    before_at = rest.rpartition("@")[0]
    if ":" in before_at or re.search("password=", unquote(rest.partition("?")[2]), re.IGNORECASE):
        raise ValueError(
            "holds a password; take it out, and name the environment variable that holds it in"
            " password_env, or the file in password_file"
        )
    if scheme is None or not _REST.fullmatch(rest):
        raise ValueError(f"must look like {LOOKS_LIKE}")
    return f"postgresql://{rest}"
