"""Some days of the service under faults; the bench of the same name runs thirty."""

from __future__ import annotations

from datetime import date, timedelta

from support.soak import ZONES, soak

DAYS = 3


def test_every_due_notice_arrives_once_although_one_in_five_requests_and_letters_fails(tmp_path):
    found = soak(tmp_path, days=DAYS, share=0.2, seed=3)

    assert found.faults > 10 and found.refused > 0
    assert set(found.letters.values()) == {1}
    for number in range(len(ZONES)):
        days = sorted(
            date.fromisoformat(day)
            for who, day in found.letters
            if who == f"yard{number}@example.org"
        )
        # Every local date that the stretch holds whole, and none left out between.
        assert len(days) >= DAYS
        assert days == [days[0] + timedelta(days=n) for n in range(len(days))]
