"""A notice that cannot be written whole is written without what breaks it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from windowcast import morning, telling
from windowcast.answer import open_store
from windowcast.edges import config, shipped

NOW = datetime(2026, 8, 31, 12, tzinfo=UTC)


@pytest.fixture
def worked(tmp_path):
    """The sample yards, worked out: configuration, store, works."""
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        text = (Path(shipped.config_folder()) / name).read_text("utf-8")
        (tmp_path / name).write_text(text.replace('"open-meteo"', '"sample"'), "utf-8")
    configuration = config.load(tmp_path, {})._replace(mail=None)
    due = [telling.Due(yard=yard, local_date=NOW.date(), late=None) for yard in configuration.yards]
    with open_store(configuration) as store:
        weathers = morning.gather(configuration, store, configuration.yards, now=NOW, say=print)
        works, broken = telling.work_out(configuration, store, due, weathers, now=NOW, say=print)
        assert not broken
        yield configuration, store, works


def test_a_part_that_cannot_be_written_is_named_and_the_others_are_told(worked):
    configuration, store, works = worked
    first, *others = works
    spoilt = first._replace(beside=first.beside._replace(first=(None,)))
    said = []

    written = telling.write(
        configuration, store, "", [spoilt, *others], [], now=NOW, say=said.append
    )

    assert [one.yard.name for one in written.broken] == [first.name]
    assert f"Nothing can be said of {first.name}: windowcast failed over it." in written.notice.body
    assert list(written.said) == [one.name for one in others]
    for one in others:
        assert f"\n{one.name}: " in written.notice.body
    assert any(first.name in line for line in said)


def test_where_no_part_can_be_written_the_notice_says_so_of_all(worked):
    configuration, store, works = worked
    spoilt = [one._replace(beside=one.beside._replace(first=(None,))) for one in works]

    written = telling.write(configuration, store, "", spoilt, [], now=NOW, say=print)

    assert len(written.broken) == len(works) and not written.said
    assert "windowcast failed" in written.notice.subject
    assert "no all-clear" in " ".join(written.notice.body.split())
