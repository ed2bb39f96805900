"""The parts of switching off one by one: order, time, eyes; each value counted by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import Played
from off_fakes import Clocks, FakeBench, FakeLoad, FakeSupply, Signs, timed

from harness.off_order import ORDER, SINK_LAST_S, SINK_LAST_V, outputs
from harness.off_seen import Eyes, Seen
from harness.off_telling import CONTACTOR_S
from harness.off_time import LOUD_S, OffTime
from harness.safeoff import LADDER_UNSAFE_S, SafeOff
from harness.tape import Told

NAN = math.nan
SILENT = TimeoutError("silent")

# -- order -------------------------------------------------------------------------------------------------------------


def test_who_goes_when() -> None:
    """The table of DEVELOPERS.md, once more by hand: a row that went missing or two that were swapped."""
    assert ORDER == {
        "sink": ("load", "supply", "contactor"),
        "source": ("supply", "load", "contactor"),
        "rest": ("supply", "load", "mains", "ac-load", "contactor"),
        "stand-in": ("supply", "load", "ac-load", "mains", "contactor"),
        "stand-in, mains on": ("supply", "mains", "load", "ac-load", "contactor"),
        "stand-in, mains on, volts": ("mains", "supply", "load", "ac-load", "contactor"),
        "trace": ("mains", "supply", "load", "ac-load", "contactor"),
        "trace, amps": ("load", "mains", "supply", "ac-load", "contactor"),
        "unknown": ("supply", "load", "mains", "ac-load", "contactor"),
    }
    assert (SINK_LAST_V, SINK_LAST_S, LOUD_S, CONTACTOR_S, LADDER_UNSAFE_S) == (2.0, 3.0, 10.0, 1.2, 10.0)


NAMES = {"supply": "psu", "load": "eload"}


@pytest.mark.parametrize("phase", ORDER)
def test_outputs_in_their_order(phase: str) -> None:
    bench = FakeBench()
    for what in ("mains", "ac-load", "contactor"):
        bench.with_switch(what)
    names = [NAMES.get(role, role) for role in ORDER[phase]]
    found = outputs(bench, phase)  # type: ignore[arg-type]
    assert [name for name, _ in found] == names
    assert [driver for _, driver in found] == [bench.drivers[name] for name in names]
    without = outputs(bench, phase, but_contactor=True)  # type: ignore[arg-type]
    assert [name for name, _ in without] == names[:-1]


def test_what_is_not_there_is_left_out() -> None:
    bench = FakeBench()
    assert [name for name, _ in outputs(bench, "unknown")] == ["psu", "eload"]  # type: ignore[arg-type]
    del bench.drivers["psu"]
    assert [name for name, _ in outputs(bench, "unknown")] == ["eload"]  # type: ignore[arg-type]


def test_a_name_without_an_instrument_is_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(FakeBench, "supply", None)
    assert [name for name, _ in outputs(FakeBench(), "unknown")] == ["eload"]  # type: ignore[arg-type]


# -- time --------------------------------------------------------------------------------------------------------------


def test_how_long_it_took_is_that_of_the_faster_clock() -> None:
    bench = FakeBench()
    time, _, _ = timed(bench)
    bench.clock.now_s += 3.0
    assert time.took() == 3.0
    bench.clock.wall_s += 4.0
    assert time.took() == 4.0


@pytest.mark.parametrize(("now_s", "wall_s", "goes_on"), [(2.9, 2.9, True), (3.0, 0.0, False), (0.0, 3.0, False)])
def test_for_so_long_by_both_clocks(now_s: float, wall_s: float, goes_on: bool) -> None:
    bench = FakeBench()
    goes = timed(bench)[0].for_s(3.0)
    bench.clock.now_s += now_s
    bench.clock.wall_s += wall_s
    assert goes() is goes_on
    told = [] if goes_on else [Told("clock", "time is up", {"value": True, "looks": 1})]
    assert bench.clock.told == told


def test_in_a_replay_times_are_those_of_the_tape() -> None:
    """Machine time does not pass there, or not as it did then."""
    bench = FakeBench()
    bench.clock.tape = Played("clock", "time is up", True)
    time, _, _ = timed(bench)
    goes = time.for_s(3.0)
    assert not goes()
    bench.clock.now_s += 60.0
    assert goes()
    bench.clock.tape.took = lambda bench_s, machine_s: bench_s + 1.0  # type: ignore[method-assign]
    assert time.took() == 61.0


@pytest.mark.parametrize(("after_s", "name", "boot_s", "is_open", "loud"), [
    (9.99, "", 0.0, True, False),
    (10.0, "", 0.0, True, True),
    # one that starts anew says nothing for so long
    (4.99, "psu", 5.0, False, False),
    (5.0, "psu", 5.0, False, True),
    (9.99, "psu", 5.0, True, False),
    (9.99, "nobody", 5.0, False, False),
])  # fmt: skip
def test_said_aloud_once_and_before_a_step_that_is_too_long(
    after_s: float, name: str, boot_s: float, is_open: bool, loud: bool
) -> None:
    bench = FakeBench()
    bench.drivers["psu"].session.boot_s, bench.drivers["psu"].session.is_open = boot_s, is_open
    time, signs, said = timed(bench)
    bench.clock.wall_s += after_s
    for _ in range(3):
        time.step(name)
    assert len(said) == loud
    assert time.was_loud is loud
    assert signs.heard == ["switching off"] * 3


def test_each_way_of_waiting_tells_its_own_and_may_be_said_aloud() -> None:
    bench = FakeBench()
    time, signs, said = timed(bench)
    time.wait(1.0)
    time.wait_proving(2.0)
    time.wait_on_purpose(3.0, "trace")
    assert signs.heard == ["switching off", "proving off", "trace"]
    assert (bench.clock.now_s, said) == (106.0, [])
    bench.clock.wall_s += 3.5
    time.wait_proving(0.0)
    assert said == [], "9.5 s"
    bench.clock.wall_s += 0.5
    time.wait_proving(0.5)
    assert said == [10.0]


def test_a_lost_clock_and_a_lost_screen_stop_nothing() -> None:
    bench = FakeBench(clock=Clocks(lost=True))

    def broken() -> None:
        raise OSError("no screen")

    time = OffTime(bench, bench.clock, signs=Signs(), loud=broken)  # type: ignore[arg-type]
    bench.clock.wall_s += 20.0
    time.wait(1.0)
    assert time.was_loud


# -- eyes --------------------------------------------------------------------------------------------------------------


def looked(bench: FakeBench, **zero_amps: float) -> tuple[dict[str, Seen], list[Any]]:
    told: list[Any] = []
    eyes = Eyes(
        zero_amps=zero_amps,
        wait=lambda seconds: told.append(("wait", seconds)),
        alive=lambda name: told.append(("alive", name)),
        failed=lambda name, text: told.append(("failed", name, text)),
    )
    seen = eyes.look(outputs(bench, "unknown"))  # type: ignore[arg-type]
    return seen, told


def test_two_currents_of_each_so_far_apart_and_its_word() -> None:
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", 0.01, 0.02, on=False), "eload": FakeLoad(bench, "eload", 6.0, 5.0)}
    bench.with_switch("contactor", on=False)
    seen, told = looked(bench)
    assert seen["psu"] == Seen(True, (0.01, 0.02))
    assert seen["eload"] == Seen(False, (6.0, 5.0))
    assert (seen["contactor"].off, seen["contactor"].switch) == (True, True)
    asked = [(name, what) for _, name, what in bench.said]
    assert asked[:2] == [("psu", "amps"), ("eload", "amps")]
    assert told[:3] == [("alive", "psu"), ("alive", "eload"), ("wait", 0.2)]
    assert [one for one in told if one[0] == "alive"][2:] == [
        ("alive", name) for name in ("psu", "psu", "eload", "eload", "contactor")
    ]


def test_whoever_fails_is_not_asked_again_in_a_pass() -> None:
    bench = FakeBench()
    bench.drivers = {"psu": FakeSupply(bench, "psu", SILENT), "eload": FakeLoad(bench, "eload", 6.0, SILENT)}
    seen, told = looked(bench)
    assert not seen["psu"].answered
    assert (seen["eload"].off, seen["eload"].amps[0]) == (None, 6.0)
    assert math.isnan(seen["eload"].amps[1])
    assert seen["eload"].answered
    assert bench.told("amps") == ["psu", "eload", "eload"]
    assert bench.told("ask") == []
    assert [one for one in told if one[0] == "failed"] == [("failed", "psu", "silent"), ("failed", "eload", "silent")]


def test_a_word_that_is_missing_is_not_off() -> None:
    bench = FakeBench()
    bench.drivers["psu"].fails["ask"] = SILENT
    seen, told = looked(bench)
    assert seen["psu"].off is None
    assert not seen["psu"].quiet(1.0)
    assert ("failed", "psu", "silent") in told


@pytest.mark.parametrize(
    ("seen", "quiet", "answered"),
    [
        (Seen(True, (0.02, -0.02)), True, True),
        (Seen(True, (0.0, 0.0201)), False, True),
        (Seen(True, (-0.0201, 0.0)), False, True),
        (Seen(True, (0.0, NAN)), False, True),
        (Seen(True, (NAN, NAN)), False, True),
        (Seen(False, (0.0, 0.0)), False, True),
        (Seen(None, (0.0, 0.0)), False, True),
        (Seen(None, (NAN, 0.0)), False, True),
        (Seen(None, (NAN, NAN)), False, False),
        (Seen(True, switch=True), True, True),
        (Seen(None, switch=True), False, False),
        (Seen(), False, False),
    ],
)
def test_quiet_and_answered(seen: Seen, quiet: bool, answered: bool) -> None:
    assert seen.quiet(0.02) is quiet
    assert seen.answered is answered


def test_what_counts_as_nothing_is_each_instruments_own() -> None:
    eyes = Eyes(zero_amps={"psu": 0.05}, wait=lambda s: None, alive=lambda n: None, failed=lambda n, t: None)
    assert (eyes.limit("psu"), eyes.limit("eload")) == (0.05, 0.02)


# -- what is enough ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verdict", "softened_off", "contradicted", "enough", "told"),
    [
        (True, False, None, True, False),
        (None, False, None, True, False),
        (False, False, None, False, False),
        # once the volts have contradicted, only the volts make up for it
        (True, False, "before", True, False),
        (None, False, "before", False, False),
        # said off, current went on: what ended it was the lowest current, unless the volts say that nothing has ended
        (True, True, None, False, True),
        (None, True, None, False, True),
        (False, True, None, False, False),
    ],
)
def test_what_is_enough_for_off(
    verdict: bool | None, softened_off: bool, contradicted: Any, enough: bool, told: bool
) -> None:
    one: Any = SimpleNamespace(_telling=SimpleNamespace(lines=[]), _contradicted=contradicted)
    assert SafeOff._enough(one, verdict, softened_off) is enough
    assert bool(one._telling.lines) is told
