"""The witness alone: the step of the pack's volts that proves an off, or contradicts it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from night import SHORT, connected

from harness.connect import Connection
from harness.safeoff import Before
from harness.witness import LEAST_STEP_V, Witness

# -- the witness alone -------------------------------------------------------------------------------------------------


class Volts:
    """A rig that reads these pack volts one after the other, the last for ever."""

    def __init__(self, connection: Connection, *values: float) -> None:
        self._rig, self.values = connection.rig, list(values)
        self.asked = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._rig, name)

    def pack_volts(self) -> float:
        self.asked += 1
        return self.values.pop(0) if len(self.values) > 1 else self.values[0]


NAN = float("nan")


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        # 6 A x 20 mohm, half of it: 60 mV
        (Before("sink", 6.0, 12.0, 0.020), [12.061], True),
        (Before("sink", 6.0, 12.0, 0.020), [12.059], False),
        (Before("sink", 6.0, 12.0, 0.020), [12.01, 12.02, 12.061], True),
        (Before("sink", 6.0, 12.0, 0.020), [11.0], False),
        (Before("source", 6.0, 14.0, 0.020), [13.939], True),
        (Before("source", 6.0, 14.0, 0.020), [13.941], False),
        (Before("source", 6.0, 14.0, 0.020), [14.0, 13.95, 13.93], True),
        (Before("source", 6.0, 14.0, 0.020), [14.5], False),
        # too small a step, or none known: after a charge at least no rise, after a discharge nothing to be said
        (Before("source", 0.4, 14.0, 0.020), [14.019], True),
        (Before("source", 0.4, 14.0, 0.020), [14.021], False),
        (Before("source", NAN, 14.0, NAN), [14.0], True),
        (Before("source", 6.0, 14.0, -0.001), [14.1], False),
        (Before("sink", 0.4, 12.0, 0.020), [12.0], None),
        (Before("sink", NAN, 12.0, 0.020), [12.0], None),
        (Before("sink", 6.0, 12.0, NAN), [12.0], None),
        (Before("sink", 6.0, 12.0, -0.020), [12.0], None),
        # nothing to compare with, or an open pack
        (Before("sink", 6.0, NAN, 0.020), [12.0], None),
        (Before("source", 6.0, NAN, 0.020), [12.0], None),
        (Before("sink", 6.0, 0.3, 0.020), [0.3], None),
        (Before("rest", NAN, 12.0, NAN), [12.0], None),
        (Before(), [12.0], None),
        # the voltmeter dies
        (Before("sink", 6.0, 12.0, 0.020), [NAN], None),
        (Before("sink", 6.0, 12.0, 0.020), [12.0, NAN], None),
        (Before("source", 6.0, 14.0, 0.020), [NAN], None),
    ],
)
def test_witness(before: Before, after: list[float], verdict: bool | None, tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    waited: list[float] = []
    witness = Witness(Volts(connection, *after), before, wait=waited.append)  # type: ignore[arg-type]
    assert witness.ask() is verdict
    assert (witness.who == "none") is (verdict is None)
    assert sum(waited) <= 2.0 + 1e-9
    assert not any("nan" in line for line in witness.lines)


def test_a_voltmeter_that_died_is_not_asked_again(tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    rig = Volts(connection, NAN)
    witness = Witness(rig, Before("sink", 6.0, 12.0, 0.020), wait=lambda seconds: None)  # type: ignore[arg-type]
    for _ in range(5):
        assert witness.ask() is None
    assert rig.asked == 1


def test_the_least_step_is_looked_for(tmp_path: Path) -> None:
    _, connection = connected(tmp_path, SHORT["capacity"])
    edge = Before("sink", 1.0, 12.0, 2 * LEAST_STEP_V)
    rig = Volts(connection, 12.0 + LEAST_STEP_V + 1e-6)
    assert Witness(rig, edge, wait=lambda seconds: None).ask() is True  # type: ignore[arg-type]
