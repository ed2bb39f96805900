"""The clocks: when they pass, that a stop cuts every wait short, and what happens when the bench's own clock is lost.

Machine time is a stand-in here: nothing waits.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

import harness.clock
from harness.clock import (
    SHORTEST_PERIOD_S,
    SLICE_S,
    Clock,
    ScaledClock,
    StandstillLost,
    SteppedClock,
    VirtualClock,
    WallClock,
)
from harness.errors import PreflightRefused, Usage


class Machine:
    """The machine's time; ``sleep`` is the only thing that lets it pass."""

    def __init__(self) -> None:
        self.now_s = 1000.0
        self.slept: list[float] = []

    def monotonic(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        assert seconds > 0
        self.slept.append(seconds)
        self.now_s += seconds


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Machine:
    made = Machine()
    monkeypatch.setattr(harness.clock, "time", made)
    return made


MAKERS: dict[str, Callable[[], Clock]] = {
    "virtual": VirtualClock,
    "wall": WallClock,
    "scaled": lambda: ScaledClock(speed=8.0, period_s=1.0),
}


@pytest.mark.parametrize("kind", MAKERS)
def test_starts_at_nought_and_waits_exactly(kind: str, machine: Machine) -> None:
    clock = MAKERS[kind]()
    assert clock.kind == kind
    assert clock.now() == 0.0
    clock.sleep(2.5)
    assert clock.now() == pytest.approx(2.5)
    clock.sleep_until(10.0)
    assert clock.now() == pytest.approx(10.0)


@pytest.mark.parametrize("kind", MAKERS)
def test_never_goes_back(kind: str, machine: Machine) -> None:
    clock = MAKERS[kind]()
    clock.sleep_until(10.0)
    before = clock.now()
    clock.sleep_until(3.0)
    assert clock.now() >= before
    clock.sleep(0.0)
    assert clock.now() >= before


@pytest.mark.parametrize("kind", MAKERS)
def test_a_stop_asked_before_the_wait_prevents_it(kind: str, machine: Machine) -> None:
    clock = MAKERS[kind]()
    clock.sleep_until(1000.0, stop=lambda: True)
    assert clock.now() == 0.0
    assert machine.slept == []


@pytest.mark.parametrize("kind", ["wall", "scaled"])
def test_a_stop_asked_during_the_wait_cuts_it_within_a_slice(kind: str, machine: Machine) -> None:
    clock = MAKERS[kind]()
    began = machine.now_s
    clock.sleep(3600.0, stop=lambda: machine.now_s >= began + 0.32)
    assert machine.now_s - began <= 0.32 + SLICE_S + 1e-9
    assert max(machine.slept) <= SLICE_S


def test_virtual_time_costs_nothing(machine: Machine) -> None:
    clock = VirtualClock()
    clock.sleep(8 * 3600.0)
    assert clock.now() == 8 * 3600.0
    assert machine.slept == []
    assert not clock.runs_by_itself


@pytest.mark.parametrize("kind", MAKERS)
def test_machine_time_is_real_on_every_clock(kind: str, machine: Machine) -> None:
    clock = MAKERS[kind]()
    before = clock.wall()
    machine.now_s += 7.0
    assert clock.wall() - before == 7.0
    assert clock.runs_by_itself is (kind != "virtual")
    assert clock.now() == pytest.approx({"virtual": 0.0, "wall": 7.0, "scaled": 56.0}[kind])


def test_scaled_waits_the_share_of_it(machine: Machine) -> None:
    ScaledClock(speed=8.0, period_s=1.0).sleep(4.0)
    assert sum(machine.slept) == pytest.approx(0.5)


@pytest.mark.parametrize(("speed", "period_s"), [(21.0, 1.0), (2.5, 0.1), (1e6, 1.0)])
def test_a_speed_that_leaves_too_little_time_is_refused(speed: float, period_s: float) -> None:
    with pytest.raises(Usage, match=f"use speed <= {period_s / SHORTEST_PERIOD_S:g}"):
        ScaledClock(speed=speed, period_s=period_s)


def test_the_highest_speed(machine: Machine) -> None:
    assert ScaledClock(speed=20.0, period_s=1.0).speed == 20.0


def test_calendar_time_goes_with_bench_time(machine: Machine) -> None:
    began = datetime(2025, 1, 1, 22, 0, tzinfo=UTC)
    clock = VirtualClock(utc0=began)
    clock.sleep(90.0)
    assert clock.utc() == began + timedelta(seconds=90)
    scaled = ScaledClock(speed=8.0, period_s=1.0)
    first = scaled.utc()
    scaled.sleep(80.0)
    assert scaled.utc() - first == timedelta(seconds=80)


def test_the_wall_clock_shows_the_calendar_as_it_is(machine: Machine) -> None:
    """A calendar clock that is stepped in the night must be seen, and must not touch bench time."""
    clock = WallClock()
    assert abs(clock.utc() - datetime.now(UTC)) < timedelta(seconds=5)
    assert clock.now() == 0.0


# -- stepped -----------------------------------------------------------------------------------------------------------


class Control:
    """The control connection of a served bench, answered by ``answer(line)``; ``None`` hangs up."""

    def __init__(self) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.said: list[str] = []
        self.now_s = 100.0
        self.answer: Callable[[str], str | None] = self.right
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.server.getsockname()[1]}"

    def right(self, line: str) -> str:
        if line.startswith("to "):
            self.now_s = float(line[3:])
        return f"at {self.now_s:.6f}"

    def _serve(self) -> None:
        connection, _ = self.server.accept()
        with connection, connection.makefile("rb") as lines:
            for raw in lines:
                line = raw.decode().strip()
                self.said.append(line)
                if (reply := self.answer(line)) is None:
                    return
                connection.sendall(reply.encode() + b"\n")

    def close(self) -> None:
        self.server.close()


@pytest.fixture
def control() -> Iterator[Control]:
    made = Control()
    yield made
    made.close()


def test_stepped_says_how_far_to_go(control: Control) -> None:
    clock = SteppedClock(control=control.address)
    assert (clock.kind, clock.runs_by_itself) == ("stepped", False)
    assert clock.now() == 0.0, "bench time begins where the bench is"
    clock.sleep(2.5)
    clock.sleep_until(4.0)
    assert clock.now() == 4.0
    assert control.said == ["now", "to 102.500000", "to 104.000000"]
    clock.close()


def test_stepped_says_nothing_when_there_is_nothing_to_wait_for(control: Control) -> None:
    clock = SteppedClock(control=control.address)
    clock.sleep_until(0.0)
    clock.sleep_until(-3.0)
    clock.sleep_until(5.0, stop=lambda: True)
    assert control.said == ["now"]
    assert clock.now() == 0.0
    clock.close()


def test_stepped_keeps_microseconds_for_weeks(control: Control) -> None:
    clock = SteppedClock(control=control.address)
    clock.sleep_until(2_000_000.000001)
    assert control.said[-1] == "to 2000100.000001"
    clock.close()


@pytest.mark.parametrize("reply", [None, "err no", "", "back 3", "at", "at noon", "at nan"])
def test_a_control_line_that_is_lost_is_said_and_time_goes_on(
    reply: str | None, control: Control, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = SteppedClock(control=control.address)
    clock.sleep(3.0)
    control.answer = lambda line: reply
    machine = Machine()
    monkeypatch.setattr(harness.clock, "time", machine)
    with pytest.raises(StandstillLost) as lost:
        clock.sleep(1.0)
    assert control.address in str(lost.value)
    # Switching off has still to wait between its readings.
    clock.sleep(0.5)
    assert clock.now() == pytest.approx(3.5)
    assert sum(machine.slept) == pytest.approx(0.5)
    clock.close()


@pytest.mark.parametrize("address", ["127.0.0.1:1", "127.0.0.1", "127.0.0.1:none", ""])
def test_no_control_line_at_all(address: str) -> None:
    with pytest.raises(PreflightRefused, match="does not answer"):
        SteppedClock(control=address)


def test_every_clock_is_tested(machine: Machine) -> None:
    def kinds(kind: type[Any]) -> set[str]:
        return {kind.kind, *(name for one in kind.__subclasses__() for name in kinds(one))} - {""}

    ours = {one for one in kinds(Clock) if one}
    assert ours == {*MAKERS, "stepped"}
