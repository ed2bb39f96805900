"""Looking at a pack after heat has ended a run: when it is told, how often, and when nobody looks any more."""

from __future__ import annotations

from collections.abc import Callable
from math import nan
from types import SimpleNamespace
from typing import Any

import pytest

from harness.clock import VirtualClock
from harness.still_warm import ALARM_EVERY_S, WATCH_MOST_S, watch_heat


class Probe:
    """A thermometer whose reading is a function of the time since the run ended."""

    def __init__(self, clock: VirtualClock, temp_c: Callable[[float], float]) -> None:
        self._clock, self._temp_c, self._begun_s = clock, temp_c, clock.now()

    def measure_temp_c(self) -> float:
        return self._temp_c(self._clock.now() - self._begun_s)


def dead(_s: float) -> float:
    raise TimeoutError("no answer")


def looked(
    temp_c: Callable[[float], float],
    *,
    reason: str = "heating: 6.1 K in 180 s",
    last_c: float = 40.0,
    asked: Callable[[], bool] = lambda: False,
    fitted: bool = True,
) -> tuple[int, list[str], float]:
    """Alarms, what was said, and how long it took."""
    clock, said = VirtualClock(), list[str]()
    begun_s = clock.now()
    rig: Any = SimpleNamespace(temp_name="probe" if fitted else None, drivers={"probe": Probe(clock, temp_c)})
    count = watch_heat(rig, clock, reason=reason, last_c=last_c, say=said.append, asked=asked)
    return count, said, clock.now() - begun_s


def test_one_that_goes_on_warming_is_told_each_minute_and_for_half_an_hour() -> None:
    count, said, took_s = looked(lambda s: 40.0 + s / 30.0)
    assert took_s == WATCH_MOST_S
    assert WATCH_MOST_S / ALARM_EVERY_S - 2 <= count <= WATCH_MOST_S / ALARM_EVERY_S
    assert len(said) == count + 1
    assert said[0].startswith("*** PACK is at 40.7 degC and still warms, WITH EVERYTHING OFF ***")
    assert said[-1].startswith("*** PACK WAS LEFT WARMING at ")


@pytest.mark.parametrize("temp_c", [dead, lambda s: nan, lambda s: float("inf")])
def test_one_that_cannot_be_read_is_told(temp_c: Callable[[float], float]) -> None:
    count, said, took_s = looked(temp_c)
    assert took_s == WATCH_MOST_S
    assert count >= 25
    assert "cannot be read any more" in said[0]
    assert not any("nan" in text for text in said)


def test_one_that_cools_is_left_after_five_minutes() -> None:
    count, said, took_s = looked(lambda s: 40.0 - s / 100.0)
    assert (count, len(said)) == (0, 1)
    assert took_s == 300.0
    assert said[0].startswith("pack at 37.0 degC")


def test_noise_is_no_warming() -> None:
    assert looked(lambda s: 40.0 + 0.4 * ((s // 10) % 2))[0] == 0


def test_whoever_asks_for_the_end_is_there() -> None:
    assert looked(lambda s: 40.0 + s, asked=lambda: True) == (0, [], 0.0)


@pytest.mark.parametrize(
    ("reason", "last_c", "looks"),
    [
        ("temperature: pack at 60.2 degC", 60.2, True),
        ("temperature: pack at -1.0 degC, charge allowed from 0 to 45 degC", -1.0, False),
        ("temperature: pack at 35.0 degC", 35.0, True),
        ("rise above the room: pack at 43.0 degC", 43.0, True),
        ("heating: 3.2 K in 60 s", 24.0, True),
        ("low volts: pack at 9.5 V", 60.0, False),
        ("end volts reached", 60.0, False),
    ],
)
def test_after_which_ends(reason: str, last_c: float, looks: bool) -> None:
    count, _, took_s = looked(lambda s: last_c + s / 30.0, reason=reason, last_c=last_c)
    assert (count > 0, took_s > 0) == (looks, looks)


def test_without_a_thermometer_there_is_nothing_to_look_at() -> None:
    assert looked(lambda s: 99.0, fitted=False) == (0, [], 0.0)
