"""The only place that asks what time it is."""

from __future__ import annotations

from datetime import UTC, datetime


def now() -> datetime:
    """This instant, aware, in UTC."""
    return datetime.now(UTC)
