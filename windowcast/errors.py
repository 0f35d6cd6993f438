"""Every error that windowcast raises on purpose.

    WindowcastError                     exit status
    ├── ConfigError                     2   a person must edit a file
    ├── UsageError                      2   a person asked for something that is not there
    ├── WeatherError                    3   a weather server, or its answer
    │   ├── WeatherUnreachable              may work later (retry)
    │   ├── WeatherRefused                  the server will not answer this (no retry)
    │   └── WeatherUnusable                 it answered, but not what was asked
    ├── StoreError                      3   the database
    │   └── StorePlaceError             2   its address: a person must edit a file
    ├── ClusterError                    3   the scheduler or the workers of a cluster
    ├── OutputError                     3   the standard output takes nothing
    └── MailError                       4   the mail server
        ├── MailDeferred                    may work later (retry)
        └── MailRefused                     never for this recipient or message

A message names the thing, the value found, the value wanted and, where there is one, a remedy. The
place that raises decides whether trying again can help (`retry`); loops only read it.
"""

from __future__ import annotations


class WindowcastError(Exception):
    """Root of all errors raised on purpose; `exit_code` is the command's exit status."""

    exit_code = 3
    retry = False


class ConfigError(WindowcastError):
    """Mistakes in the configuration, all that were found.

    mistakes: one text per mistake, in the order of the files and their lines; each is complete in
              itself (file, line, what was found, what is allowed) and may span lines.
    """

    exit_code = 2

    def __init__(self, mistakes: list[str]) -> None:
        super().__init__("\n".join(mistakes))
        self.mistakes = mistakes


class UsageError(WindowcastError):
    """A command that asks for something that does not exist, such as an unknown yard.

    field:    of the values that were given, the one that is wrong, by its name in the call; "":
              none of them alone
    typed:    what to type at a terminal to mend it; the end of the message
    plain:    the message without it, for where nobody types commands
    """

    exit_code = 2

    def __init__(self, message: str, *, field: str = "", typed: str = "") -> None:
        super().__init__(message + typed)
        self.field, self.typed, self.plain = field, typed, message


class WeatherError(WindowcastError):
    """A weather source gave nothing usable."""


class WeatherUnreachable(WeatherError):
    """No whole answer: connection, time-out, overload, cut short. Later may be different."""

    retry = True


class WeatherRefused(WeatherError):
    """The server understood and declined: bad request, no such place, quota of the day used up."""


class WeatherUnusable(WeatherError):
    """The answer does not say what was asked: unit, variable, number of places, dates."""


class StoreError(WindowcastError):
    """The database cannot be read or written."""


class StorePlaceError(StoreError):
    """The configured address of the database can never work as it stands."""

    exit_code = 2


class ClusterError(WindowcastError):
    """Other processes that were to do a part of the work cannot be had, or could not do it."""


class OutputError(WindowcastError):
    """The answer cannot be written to the standard output: a full disk, or it is closed."""


class MailError(WindowcastError):
    """A notice was not delivered."""

    exit_code = 4


class MailDeferred(MailError):
    """Not delivered now; the notice is kept and tried again."""

    retry = True


class MailRefused(MailError):
    """Refused for good: trying the same again cannot help."""
