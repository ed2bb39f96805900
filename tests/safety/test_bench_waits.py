"""Before switching on, and in a wait: what the loop wants to see, and what may end the run."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import AGAIN, BAD, BEGAN_S, NAN, made_turns

from harness.block import Block
from harness.clock import StandstillLost
from harness.findings import Finding
from harness.stops import RunStopped, Tripped

# -- before switching on -----------------------------------------------------------------------------------------------

FLAG = {"flags": ("meter: no reading",)}
GONE = {"volts": NAN}


@pytest.mark.parametrize(
    ("given", "looked"),
    [
        ([({}, None)], [0]),
        ([(FLAG, None), ({}, None)], [0, 0.1]),
        ([({}, AGAIN), ({}, None)], [0, 0.1]),
        ([(GONE, None), (FLAG, AGAIN), ({}, None)], [0, 0.1, 0.2]),
    ],
)
def test_one_clean_sample_of_three(given: Any, looked: list[float]) -> None:
    turns, bench, _ = made_turns()
    bench.loop.given = given
    turns.clean_sample()
    assert bench.loop.looked_at_s == looked
    assert bench.log.rows == looked


@pytest.mark.parametrize(
    ("given", "why"),
    [
        ([(GONE, None)], "no pack volts"),
        ([(FLAG, None)], "meter: no reading"),
        ([(FLAG, AGAIN)], "meter: no reading"),
        ([({}, AGAIN)], "once"),
        ([({"flags": ("a", "b"), "volts": NAN}, None)], "a; b"),
    ],
)
def test_without_a_clean_sample_nothing_is_switched_on(given: Any, why: str) -> None:
    turns, bench, did = made_turns()
    bench.loop.given = given
    with pytest.raises(RunStopped):
        turns.clean_sample()
    assert did[-1] == ("trip", Finding("no valid reading", f"before switching on: {why}", exit_code=23), None)
    assert bench.loop.looked_at_s == [0, 0.1, 0.2]


@pytest.mark.parametrize("before", [[], [({}, AGAIN)]])
def test_what_an_interlock_says_before_switching_on_ends_the_run(before: Any) -> None:
    turns, bench, did = made_turns()
    bench.loop.given = [*before, ({}, BAD)]
    with pytest.raises(Tripped):
        turns.clean_sample()
    assert did[-1][:2] == ("trip", BAD)
    assert did[-1][2].elapsed_s == pytest.approx(0.1 * len(before))
    assert len(bench.log.rows) == len(before)


def test_a_record_that_failed_before_switching_on_ends_the_run() -> None:
    turns, bench, did = made_turns()
    bench.stopping.record_failed = True
    with pytest.raises(Tripped, match="record failed"):
        turns.clean_sample()
    assert did[-2:] == ["row", "record?"]


# -- waiting -----------------------------------------------------------------------------------------------------------


def test_a_wait_ends_early_for_a_stop_and_for_a_sleep() -> None:
    turns, bench, did = made_turns()
    turns.wait_until(BEGAN_S + 5.0)
    assert bench.elapsed() == 5.0
    stop = bench.clock.stops[-1]
    assert not stop()
    bench.flag.ask("SIGINT")
    assert stop()
    bench.flag.count = 0
    bench.clock.asleep_s = 30.0
    assert stop()
    assert did == []


def test_a_clock_that_is_lost_ends_the_run() -> None:
    turns, bench, did = made_turns()

    def lost() -> None:
        raise StandstillLost("here", "hung up")

    bench.clock.in_wait = lost
    with pytest.raises(Tripped, match="hung up"):
        turns.wait_until(BEGAN_S + 5.0)
    assert (did[-1][1].words, did[-1][1].exit_code) == ("clock lost", 23)


def test_one_that_was_lost_while_switching_off_ends_the_run_as_well() -> None:
    turns, bench, did = made_turns()
    bench.clock.lost = True
    with pytest.raises(Tripped, match="while switching off"):
        turns.wait_until(BEGAN_S + 5.0)
    assert (did[-1][1].words, did[-1][1].exit_code) == ("clock lost", 23)


def test_a_sleep_in_a_wait_ends_the_run_before_the_next_look() -> None:
    turns, bench, did = made_turns()
    bench.clock.in_wait = lambda: setattr(bench.clock, "asleep_s", 3600.0)
    with pytest.raises(Tripped):
        turns.wait_until(BEGAN_S + 5.0)
    assert did[0][1].words == "nobody looked"


def test_a_sleep_in_a_look_ends_the_run_before_its_sample_is_written() -> None:
    turns, bench, did = made_turns()
    bench.loop.in_look = lambda: setattr(bench.clock, "asleep_s", 3600.0)
    with pytest.raises(Tripped):
        next(turns.samples(every_s=1.0, for_s=None))
    assert bench.log.rows == []
    assert did[-2][1].words == "nobody looked"


@pytest.mark.parametrize(
    ("subject", "now", "left", "gap"),
    [
        ("pack", Block("sink", 6.0), None, ("sink", 0.0, 6.35)),
        # what had just been left, not what is commanded now
        ("pack", Block(), Block("source", 2.0), ("source", -2.15, 0.0)),
        # no more than 1.3 times what the pack can have
        ("pack", Block("sink", 60.0), None, ("sink", 0.0, 9.1)),
        ("ups", Block("stand-in", 60.0), None, ("stand-in", 0.0, 63.05)),
    ],
)
def test_who_wakes_up_switches_off_first_and_then_says_what_may_have_flowed(
    subject: str, now: Block, left: Block | None, gap: tuple[str, float, float]
) -> None:
    turns, bench, did = made_turns()
    bench.site = SimpleNamespace(subject=subject, pack=bench.site.pack if subject == "pack" else None)
    bench.block = now
    bench.clock.asleep_s = 3600.0
    with pytest.raises(Tripped) as stop:
        turns.awake(left)
    assert stop.value.exit_code == 24
    (_, finding, _), (kind, event) = did
    assert (finding.words, kind, event["sync"], event["seconds"]) == ("nobody looked", "gap", True, 3600.0)
    assert event["phase"] == gap[0]
    assert (event["charge_least_ah"], event["charge_most_ah"]) == pytest.approx(gap[1:])


def test_a_calendar_that_was_set_is_noted_and_changes_nothing() -> None:
    turns, bench, did = made_turns()
    turns.awake()
    assert did == []
    bench.clock.set_s = 3600.1236
    turns.awake()
    ((kind, event),) = did
    assert (kind, event["by_s"]) == ("clock step", 3600.124)
