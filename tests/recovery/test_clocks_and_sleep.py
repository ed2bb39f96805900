"""The computer's clocks go wrong, or it sleeps: charge and limits do not notice the one, and the first act after the
other is off. All on virtual clocks with a calendar, or a sleep, of their own.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from died import ended
from night import ON_A_PACK, SHORT, Night, judge, quick, spend, truly_off
from night_clocks import EVENING, Calendar

from harness.clock import Clock, VirtualClock, WallClock
from harness.gap import Commanded, gap_of
from harness.host import HostWatch
from harness.samplefile import samples
from procedures.detectors import ChargeCounter


class Sleepy(VirtualClock):
    """A virtual clock of a computer that falls asleep once, in the wait in which bench time comes to ``at_s``.

    As on Linux the run's clock stands still meanwhile, and the calendar goes on.
    """

    def __init__(self, *, at_s: float, for_s: float) -> None:
        super().__init__(utc0=EVENING)
        self.at_s, self.for_s, self.asleep_s = at_s, for_s, 0.0
        self.woke_at_message = -1
        self.heard: Callable[[], int] = lambda: 0

    def slept_s(self) -> float:
        return self.asleep_s

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.asleep_s)

    def sleep_until(self, t_s: float, *, stop: Callable[[], bool] = lambda: False) -> None:
        super().sleep_until(t_s, stop=stop)
        if not self.asleep_s and self.now() >= self.at_s:
            self.asleep_s = self.for_s
            self.woke_at_message = self.heard()


def a_night(place: Path, name: str, clock: VirtualClock) -> Night:
    with quick():
        return spend(place, SHORT[name], clock=clock, arrange=lambda wires: _listen(clock, wires))


def _listen(clock: VirtualClock, wires: object) -> None:
    if isinstance(clock, Sleepy):
        clock.heard = lambda: len(wires.heard)  # type: ignore[attr-defined]


# -- the calendar ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0, -7200.0, 86400.0, 1.5])
@pytest.mark.parametrize("name", ON_A_PACK)
def test_a_calendar_that_is_set_changes_no_figure_and_ends_nothing(name: str, step_s: float, tmp_path: Path) -> None:
    plain = a_night(tmp_path, name, VirtualClock(utc0=EVENING))
    moved = a_night(tmp_path, name, Calendar(at_s=8.0, step_s=step_s))
    assert (moved.exit_code, moved.result.end_reason) == (0, plain.result.end_reason)
    assert {key: one.value for key, one in moved.result.figures.items()} == {
        key: one.value for key, one in plain.result.figures.items()
    }
    assert moved.result.duration_s == plain.result.duration_s
    (noted,) = moved.events("clock step")
    assert noted["by_s"] == pytest.approx(step_s, abs=0.01)
    assert moved.events("gap") == []
    assert judge(moved) == []


def test_a_calendar_that_is_drawn_along_is_no_step(tmp_path: Path) -> None:
    night = a_night(tmp_path, "capacity", Calendar(at_s=8.0, step_s=0.4))
    assert night.exit_code == 0
    assert night.events("clock step") == []


def test_an_hour_set_back_amid_720_samples() -> None:
    """10 s apart at 1.2 A: counted on the run's own clock it is 2.397 Ah; the calendar would have given half of it."""
    clock = Calendar(at_s=3600.0, step_s=-3600.0)
    by_run, by_calendar = ChargeCounter(period_s=10.0), ChargeCounter(period_s=10.0)
    watch, steps = HostWatch(clock), []
    for _ in range(720):
        by_run.push(clock.now(), 1.2, 12.8)
        by_calendar.push((clock.utc() - EVENING).total_seconds(), 1.2, 12.8)
        steps.append(watch.look().step_s)
        clock.sleep(10.0)
    assert by_run.charge_ah == pytest.approx(719 * 10 * 1.2 / 3600, abs=1e-9)
    assert round(by_run.charge_ah, 3) == 2.397
    assert round(by_calendar.charge_ah, 2) == 1.2
    assert [step for step in steps if step] == [pytest.approx(-3600.0, abs=0.01)]


@pytest.mark.parametrize(
    ("evening", "hours", "face_h"),
    [(datetime(2025, 10, 25, 22), 10.0, 9.0), (datetime(2025, 3, 29, 22), 8.0, 9.0)],
    ids=["an hour twice", "an hour left out"],
)
def test_a_night_in_which_summer_time_changes(evening: datetime, hours: float, face_h: float) -> None:
    """From 22:00 to 07:00 by the clock face in central Europe: elapsed is what it is, and no time is there twice."""
    zone = ZoneInfo("Europe/Berlin")
    local = evening.replace(tzinfo=zone)
    clock = VirtualClock(utc0=local.astimezone(UTC))
    watch = HostWatch(clock)
    stamps = []
    while clock.utc().astimezone(zone).replace(tzinfo=None) < evening + timedelta(hours=face_h):
        stamps.append(clock.utc())
        clock.sleep(600.0)
        assert watch.look().step_s == 0.0
    assert clock.now() / 3600.0 == hours
    assert stamps == sorted(set(stamps))
    face = clock.utc().astimezone(zone)
    assert (face.hour, face.minute) == (7, 0)


# -- asleep ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at_s", [1.5, 4.5, 8.5, 12.5])
@pytest.mark.parametrize("name", ON_A_PACK)
def test_the_first_act_after_sleep_is_off(name: str, at_s: float, tmp_path: Path) -> None:
    clock = Sleepy(at_s=at_s, for_s=7200.0)
    night = a_night(tmp_path, name, clock)
    assert (night.exit_code, night.result.outcome) == (24, "tripped")
    assert truly_off(night.world)
    assert judge(night) == []
    assert night.result.end_reason.startswith("nobody looked: the computer was asleep for 2:00:00 (h:mm:ss)")
    if not night.on_at():
        return
    after = [message for _, who, message in night.wires.heard[clock.woke_at_message :] if who == night.short.active]
    assert after[0] in (b"OUTP OFF", b"INP OFF"), "nothing is asked before it is told off"
    kinds = [event["kind"] for event in night.events()]
    assert kinds.index("trip") < kinds.index("gap"), "off and why first, then the record of the gap"


@pytest.mark.parametrize("at_s", [20.0, 150.0])
@pytest.mark.parametrize("name", ["voltage-floor", "charge-ceiling"])
def test_with_a_ups_on_the_bench_too(name: str, at_s: float, tmp_path: Path) -> None:
    """With its mains on, and on the stand-in: everything goes off, mains too, before anybody asks anything."""
    with quick():
        night = ended(tmp_path, name, scenario="cabinet", clock=Sleepy(at_s=at_s, for_s=600.0))
    assert (night.done.exit_code, night.done.result.outcome) == (24, "tripped")
    world = night.bench.world
    assert (world.supply.output_on, world.load.input_on, night.bench.ups.mains_on) == (False, False, False)
    assert "the computer was asleep for 0:10:00" in night.done.result.end_reason


def test_what_a_gap_bounds_is_told_and_never_counted(tmp_path: Path) -> None:
    clock = Sleepy(at_s=9.5, for_s=7200.0)
    night = a_night(tmp_path, "capacity", clock)
    (gap,) = night.events("gap")
    assert gap["seconds"] == 7200.0
    assert gap["phase"] == "sink"
    assert gap["charge_least_ah"] == 0.0
    assert gap["charge_most_ah"] == pytest.approx(1.3 * 8.0), "no pack gives more than its rated charge and a third"
    assert night.folder is not None
    rows = list(samples(night.folder))
    assert rows[-1].charge_ah < 0.1, "nothing is added for what nobody saw"
    assert "0 to 10.4 Ah left the pack, not known better" in night.result.end_reason


def test_a_blink_is_no_sleep(tmp_path: Path) -> None:
    assert a_night(tmp_path, "capacity", Sleepy(at_s=9.5, for_s=0.5)).exit_code == 0


def test_what_the_calendar_went_on_by_in_sleep_is_no_step() -> None:
    clock = Sleepy(at_s=5.0, for_s=7200.0)
    watch = HostWatch(clock)
    clock.sleep(10.0)
    noticed = watch.look()
    assert (noticed.slept_s, noticed.step_s) == (7200.0, 0.0)


GAPS = {
    "sink": (Commanded("sink", 6.0), 0.0, 6.35),
    "source": (Commanded("source", 4.0), -4.25, 0.0),
    "stand-in": (Commanded("stand-in", 10.0), 0.0, 10.55),
    "trace": (Commanded("trace", 2.0), -2.15, 0.0),
    "rest": (Commanded(), -0.1, 0.1),
}


@pytest.mark.parametrize("phase", GAPS)
def test_bounds_of_an_hour(phase: str) -> None:
    commanded, least, most = GAPS[phase]
    gap = gap_of(3600.0, commanded)
    assert (gap.least_ah, gap.most_ah) == (pytest.approx(least), pytest.approx(most))
    assert "Ah" in gap.words
    assert "nan" not in gap.words


def test_bounds_end_at_what_a_pack_holds() -> None:
    assert gap_of(1e6, Commanded("sink", 6.0), rated_ah=6.0).most_ah == pytest.approx(7.8)
    assert gap_of(-5.0, Commanded("sink", 6.0)).most_ah == 0.0


# -- the machine's own clocks ------------------------------------------------------------------------------------------


class Machine:
    """Stands in for the machine's clocks: monotonic, since boot, and how long each look at one takes."""

    CLOCK_MONOTONIC, CLOCK_BOOTTIME = 1, 7

    def __init__(self, *, look_s: float = 0.0) -> None:
        self.t, self.asleep, self.look_s = 100.0, 40.0, look_s

    def monotonic(self) -> float:
        return self.t

    def clock_gettime(self, which: int) -> float:
        now = self.t + (self.asleep if which == self.CLOCK_BOOTTIME else 0.0)
        self.t += self.look_s
        return now

    def sleep(self, seconds: float) -> None:
        self.t += seconds


def test_sleep_is_told_by_the_machines_two_clocks(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    monkeypatch.setattr("harness.clock.time", machine)
    clock = WallClock()
    machine.t += 500.0
    assert clock.slept_s() == 0.0, "what was slept before counts for nothing"
    machine.asleep += 7200.0
    assert clock.slept_s() == pytest.approx(7200.0)
    assert clock.now() == 500.0


def test_being_put_aside_between_two_looks_is_no_sleep(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    monkeypatch.setattr("harness.clock.time", machine)
    clock = WallClock()
    machine.look_s = 30.0
    assert clock.slept_s() == 0.0


def test_a_machine_without_such_a_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = Machine()
    monkeypatch.delattr(Machine, "CLOCK_BOOTTIME")
    monkeypatch.setattr("harness.clock.time", machine)
    assert WallClock().slept_s() == 0.0


def test_a_wait_ends_when_the_machine_wakes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits out the rest of a second first."""
    machine = Machine()
    monkeypatch.setattr("harness.clock.time", machine)
    clock: Clock = WallClock()
    watch = HostWatch(clock)
    nap = machine.sleep

    def lid_closed(seconds: float) -> None:
        nap(seconds)
        if machine.t > 100.3:
            machine.asleep += 3600.0

    monkeypatch.setattr(machine, "sleep", lid_closed)
    clock.sleep_until(10.0, stop=watch.slept)
    assert clock.now() < 0.5
    assert watch.look().slept_s >= 3600.0
    assert watch.look().slept_s == 0.0, "told once"
