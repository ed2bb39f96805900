"""A night in which the hour from two to three is there twice, on a machine that keeps local time: whole runs.

Times in the record are UTC, and what is counted is counted on the run's own clock.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from died import ended, nearly_empty
from night import SHORT, quick, spend

from harness.clock import VirtualClock
from harness.samplefile import samples

EVENING = datetime(2025, 3, 1, 21, tzinfo=UTC)


@pytest.fixture
def local(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A machine in central Europe."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


TWICE = datetime(2025, 10, 26, 1, tzinfo=UTC)
"""02:00 by the clock face for the second time; a second before it was 02:59:59."""


@pytest.mark.usefixtures("local")
@pytest.mark.parametrize("name", ["voltage-floor", pytest.param("capacity", marks=pytest.mark.slow)])
def test_a_run_in_the_hour_that_is_there_twice(name: str, tmp_path: Path) -> None:
    with quick():
        plain = spend(tmp_path, SHORT[name], clock=VirtualClock(utc0=EVENING))
        night = spend(tmp_path, SHORT[name], clock=VirtualClock(utc0=TWICE - timedelta(seconds=5)))
    assert (night.exit_code, night.result.end_reason) == (0, plain.result.end_reason)
    assert night.result.duration_s == plain.result.duration_s
    assert night.events("clock step") == []
    assert night.folder is not None
    rows = list(samples(night.folder))
    stamps = [row.utc for row in rows]
    assert all(stamp.endswith("Z") for stamp in stamps)
    assert stamps == sorted(stamps)
    apart = [(datetime.fromisoformat(row.utc) - TWICE).total_seconds() - row.elapsed_s for row in rows]
    assert apart == pytest.approx([apart[0]] * len(rows), abs=0.002), "every stamp tells its own instant"
    assert stamps[0] < f"{TWICE:%Y-%m-%dT%H:%M:%S}" < stamps[-1]


@pytest.mark.slow
@pytest.mark.usefixtures("local")
def test_from_ten_to_seven_in_the_night_that_has_an_hour_twice(tmp_path: Path) -> None:
    """By the clock face nine hours, in truth ten: ten is what the run lasted, and nothing ended it early."""
    face = datetime(2025, 10, 25, 22).astimezone()
    clock = VirtualClock(utc0=face.astimezone(UTC))
    sets = ("charge_first=false", "rate_it=0.2", "rest_s=18000", "rest_after_s=600")
    night = ended(tmp_path, "capacity", *sets, scenario=nearly_empty(0.9), clock=clock)
    assert (night.done.exit_code, night.done.result.end_reason) == (0, "end volts reached")
    rows = list(samples(night.done.folder))
    lasted_s = rows[-1].elapsed_s
    told = datetime.fromisoformat(rows[-1].utc)
    assert (told - face).total_seconds() == pytest.approx(lasted_s, abs=5.0)
    clock_face_s = (told.astimezone().replace(tzinfo=None) - face.replace(tzinfo=None)).total_seconds()
    assert clock_face_s == pytest.approx(lasted_s - 3600.0, abs=5.0), "an hour less by the face"
    assert lasted_s > 9.5 * 3600.0
