"""Values inside the interlocks that compare meters: leads and joints, two voltmeters, readings that stand. Each is
counted by hand; good samples and facts are those of ``test_interlocks.py``, the judge is that of
``test_interlock_values.py``."""

from __future__ import annotations

from dataclasses import fields
from itertools import cycle, islice
from math import inf, nan
from typing import Any

import pytest
from interlock_shapes import Samples, apart, both, joints, lively, reading
from test_interlock_values import spoken
from test_interlocks import FACTS, Case, played

from harness.findings import Watch
from harness.interlock import share
from harness.interlocks import CLASSES, Interlocks, standing

DOUBT = {"joint_doubt_ohm": 0.06}
"""With 2.5 mohm of noise 62.5 mohm, a number a computer holds exactly."""


def ohms(ohm: float, amps: float = 1.0, **more: float) -> Samples:
    return [{"joint_ohm": ohm, "active_amps": amps, **DOUBT, **more}] * 20


def zigzag(values: tuple[float, ...], length: int) -> list[float]:
    return [13.0 + 0.001 * one for one in islice(cycle(values), length)]


def dips(many: int, *, ends_lower: bool) -> list[float]:
    """56 readings that rise, but for so many dips of two turns each; then it stands, higher or lower than the last."""
    at = {10 * one + 5 for one in range(many)}
    path = [13.0 + 0.001 * (n - 2 * (n in at)) for n in range(56)]
    return path + [13.0 + 0.001 * (54 if ends_lower else 56)] * 80


CASES = {
    # leads: twice and the noise; 0.3 times less the noise; 2 W: all allowed exactly
    "leads: exactly twice": Case("lead-resistance", "sink", ohms(1.0625, joint_before_ohm=0.5), 0),
    "leads: exactly 0.3 times": Case("lead-resistance", "sink", ohms(0.3 * 1.0 - 0.0625, joint_before_ohm=1.0), 0),
    "leads: exactly 2 W": Case("lead-resistance", "sink", ohms(1.1875, 4.0, joint_before_ohm=1.0), 0),
    "leads: 2 W passed": Case("lead-resistance", "sink", ohms(1.1876, 4.0, joint_before_ohm=1.0), 15, says="W more"),
    "leads: 2 W the other way": Case("lead-resistance", "sink", ohms(1.1876, -4.0, joint_before_ohm=1.0), 15),
    "leads: nobody knows how far off": Case(
        "lead-resistance", "sink", joints(*[16.0] * 20, joint_before_ohm=0.016, joint_doubt_ohm=nan), 15
    ),
    "declared: nobody knows how far off": Case(
        "lead-resistance", "sink", joints(*[16.0] * 20, joint_declared_ohm=0.016, joint_doubt_ohm=nan), 15
    ),
    # declared: twice, 10 mohm of clamps and a fuse, the noise; 0.3 times less 5 mohm and the noise
    "declared: exactly twice": Case(
        "lead-resistance", "sink", ohms(2.0 * 0.5 + 0.010 + 0.0625, joint_declared_ohm=0.5), 0
    ),
    "declared: exactly 0.3 times": Case(
        "lead-resistance", "sink", ohms(0.3 * 1.0 - 0.005 - 0.0625, joint_declared_ohm=1.0), 0
    ),
    "declared: little left": Case("lead-resistance", "sink", joints(*[23.0] * 20, joint_declared_ohm=0.1), 0),
    "declared: next to nothing left": Case(
        "lead-resistance", "sink", joints(*[22.0] * 20, joint_declared_ohm=0.1), 15, says="limit 0.3 times"
    ),
    # 1.25 x 100 mohm, 5 mohm, 2.5 mohm of noise, and 2 W at 6 A: 55.6 mohm; 188.1 mohm
    "declared: the heat explained": Case("lead-resistance", "sink", joints(*[187.9] * 20, joint_declared_ohm=0.1), 0),
    "declared: more heat": Case(
        "lead-resistance", "sink", joints(*[188.2] * 20, joint_declared_ohm=0.1), 15, says="2.0 W more than 100.0 mohm"
    ),
    # 16 A2 x (817.5 - 1.25 x 500 - 5 - 62.5) mohm
    "declared: exactly 2 W more": Case("lead-resistance", "sink", ohms(0.8175, 4.0, joint_declared_ohm=0.5), 0),
    "declared: 2 W more passed": Case("lead-resistance", "sink", ohms(0.8176, 4.0, joint_declared_ohm=0.5), 15),
    # two voltmeters: 20 mV beside what their accuracies allow
    "volts: exactly as far as allowed": Case("voltmeters-agree", "sink", apart(*[13.25] * 9, doubt=0.23), 0),
    "volts: a hundredth of a millivolt farther": Case("voltmeters-agree", "sink", apart(*[13.05001] * 6), 6),
    "volts: the pack's missing": Case(
        "voltmeters-agree", "sink", [one | {"pack_volts": nan} for one in apart(*[13.0] * 9)], 0
    ),
    # readings that stand: four values and ten turns in sixty readings are lively
    "stands: four values": Case(
        "frozen", "sink", reading(zigzag((0, 2, 1, 3), 56) + [13.0] * 80), 117, again=True, exit_code=23
    ),
    "stands: three values": Case("frozen", "sink", reading(zigzag((0, 2, 1), 56) + [13.0] * 80), 0),
    "stands: ten turns": Case("frozen", "sink", reading(dips(5, ends_lower=False)), 117, again=True, exit_code=23),
    "stands: nine turns": Case("frozen", "sink", reading(dips(4, ends_lower=True)), 0),
    "stands: one reading too few": Case("frozen", "sink", reading(zigzag((0, 2, 1, 3), 55) + [13.0] * 80), 0),
    "stands: each value twice": Case(
        "frozen", "sink", reading(zigzag((0, 0, 2, 2, 1, 1, 3, 3), 56) + [13.0] * 80), 117, again=True, exit_code=23
    ),
    # up to three of its own steps a reading is nothing, and may stand
    "stands: at three steps": Case(
        "frozen", "source", reading(lively(70, at=3.0, step=1.0) + [3.0] * 80, column="supply_amps"), 0
    ),
    "stands: at four steps": Case(
        "frozen",
        "source",
        reading(lively(70, at=4.0, step=1.0) + [4.0] * 80, column="supply_amps"),
        131,
        again=True,
        exit_code=23,
    ),
    "stands: at four steps below 0": Case(
        "frozen",
        "source",
        reading(lively(70, at=-4.0, step=1.0) + [-4.0] * 80, column="supply_amps"),
        131,
        again=True,
        exit_code=23,
    ),
    # another voltmeter: farther than 10 mV, and five steps of this one where they are known
    "stands: the other 10 mV away": Case("frozen", "sink", both([13.0] * 200, [0.0] * 10 + [0.010] * 190), 0),
    "stands: the other 20 mV away": Case(
        "frozen",
        "sink",
        both([13.0] * 100, [12.90] * 10 + [12.88] * 90),
        61,
        again=True,
        exit_code=23,
        says="load went",
    ),
    "stands: the other missing in between": Case(
        "frozen", "sink", both([13.0] * 100, [12.90] * 10 + [nan, 12.88] * 45), 61, again=True, exit_code=23
    ),
    "stands: at constant volts from the beginning": Case(
        "frozen", "source", both([13.0] * 200, [12.90] * 10 + [12.80] * 190, cv_s=0.5), 0
    ),
    # five steps of what volts must fall: a step not seen yet is taken as 10 mV; at 6 A of 6 Ah 0.2 V x 4 cells an hour
    # are 225 s, 0.05 V x 4 cells 900 s; at 30 mA five steps of 1 mV are 4500 s
    "falls: nmc, never moved": Case(
        "frozen", "sink", [{}] * 300, 226, again=True, exit_code=23, says="within 225 s", facts={"chemistry": "nmc"}
    ),
    "falls: agm, never moved": Case(
        "frozen", "sink", [{}] * 990, 901, again=True, exit_code=23, says="within 900 s", facts={"chemistry": "agm"}
    ),
    "falls: at a small current": Case(
        "frozen",
        "sink",
        [{"pack_volts": 13.001, "active_amps": 0.03}, *[{"active_amps": 0.03}] * 4600],
        4502,
        again=True,
        exit_code=23,
        facts={"chemistry": "nmc"},
    ),
    # two readings of one current, the instrument against its setting: exactly 3 %
    "agree: exactly 3 %": Case("currents-agree", "sink", [{"active_amps": 100.0, "shunt_amps": 103.0}] * 9, 0),
    "agree: 3 % the other way": Case("currents-agree", "sink", [{"active_amps": -100.0, "shunt_amps": -102.9}] * 9, 0),
    "set: exactly 3 %": Case("set-against-measured", "sink", [{"active_amps": 103.0, "set_amps": 100.0}] * 9, 0),
    # around the run
    "record: not quite the room there must be": Case(
        "record-behind", "sink", [{"disk_free_bytes": 200e6 - 0.5}], 1, exit_code=25
    ),
    "record: exactly the room there must be": Case(
        "record-behind", "sink", [{"disk_free_bytes": FACTS.disk_least_bytes}] * 9, 0
    ),
    "record: nobody knows how much room": Case("record-behind", "sink", [{"disk_free_bytes": nan}], 1, exit_code=25),
    "guard: gone": Case("guard-lost", "sink", [{"guard_silent_s": inf}], 1, says="its process is gone"),
}


@pytest.mark.parametrize("name", CASES)
def test_values(name: str) -> None:
    case = CASES[name]
    number, finding = spoken(case)
    assert number == case.speaks
    if finding is not None:
        assert (finding.again, finding.exit_code) == (case.again, case.exit_code)
        assert case.says in finding.text
        assert "nan" not in finding.text


@pytest.mark.parametrize(
    ("case", "doubts"),
    [
        (Case("voltmeters-agree", "sink", apart(*[14.0] * 6), 6), True),
        (Case("frozen", "sink", reading(lively(70) + [13.0] * 80), 131), True),
        (Case("frozen", "sink", reading(lively(70) + [13.0] * 80, column="load_amps"), 131), False),
        (Case("low-volts", "sink", [{"pack_volts": 9.0}] * 3, 3), False),
    ],
)
def test_only_where_a_voltmeter_is_doubted_it_may_not_contradict(case: Case, doubts: bool) -> None:
    _, finding = spoken(case)
    assert finding is not None
    assert finding.doubts_volts is doubts


def test_a_reading_that_stands_is_asked_for_once_more_and_then_a_fault() -> None:
    lock = CLASSES["frozen"](FACTS)
    samples = [*reading(lively(70) + [13.0] * 64), *reading(lively(70) + [13.0] * 64)]
    found = [lock.judge(*played("sink", changes, number)) for number, changes in enumerate(samples)]
    said = [(number, one.again) for number, one in enumerate(found, start=1) if one is not None]
    assert said[:3] == [(131, True), (132, False), (133, False)]
    # it moved, and stands again: asked once more first
    assert (265, True) in said
    assert (266, False) in said


# -- words before it is a fault ----------------------------------------------------------------------------------------


def warned(samples: Samples) -> list[int]:
    """At which samples (from 1) the lead resistance has something to say that ends nothing."""
    lock, found = CLASSES["lead-resistance"](FACTS), []
    for number, changes in enumerate(samples):
        assert lock.judge(*played("sink", changes, number)) is None
        if lock.warning:
            found.append(number + 1)
            assert lock.warning.startswith("lead resistance: ")
            lock.warning = ""
    return found


BEFORE = {"joint_before_ohm": 0.016}


@pytest.mark.parametrize(
    ("samples", "at"),
    [
        # 1.25 x 16 mohm and 5 mohm: 25 mohm, five readings and 10 s
        (joints(*[25.1] * 40, **BEFORE), [15]),
        (joints(*[24.9] * 40, **BEFORE), []),
        ([{"joint_ohm": 1.25 * 0.016 + 0.005, **BEFORE}] * 40, []),
        (joints(*[25.1] * 40, joint_doubt_ohm=0.001, **BEFORE), []),
        (joints(*[26.1] * 40, joint_doubt_ohm=0.001, **BEFORE), [15]),
        (joints(*([25.1] * 9 + [16.0] * 5) * 3, **BEFORE), []),
        (joints(*[16.0] * 20, *[25.1] * 40, **BEFORE), [33]),
        # once in a phase
        (joints(*([25.1] * 30 + [16.0] * 9) * 3, **BEFORE), [15]),
        # what was not known before is not compared
        (joints(*[25.1] * 40), []),
    ],
)
def test_leads_that_are_worse_and_no_fault_yet(samples: Samples, at: list[int]) -> None:
    assert warned(samples) == at


def test_a_warning_is_told_once() -> None:
    locks, told = Interlocks(FACTS, "capacity"), []
    for number, changes in enumerate(joints(*[25.1] * 40, **BEFORE)):
        locks.judge(*played("sink", {**changes, "readings": {}}, number))
        told += locks.warnings()
    assert told == ["lead resistance: 25.1 mohm, 16.0 mohm at the beginning"]


# -- what is not said --------------------------------------------------------------------------------------------------


def test_what_a_bench_does_not_say_counts_as_nothing() -> None:
    watch = Watch(phase="rest", procedure="capacity")
    said: dict[str, Any] = {one.name: getattr(watch, one.name) for one in fields(Watch)}
    numbers = {name: value for name, value in said.items() if isinstance(value, float)}
    unknown = {name for name, value in numbers.items() if value != value}
    assert unknown == {
        "load_volts", "node_volts", "ambient_c", "other_temp_c", "joint_ohm", "joint_before_ohm", "joint_declared_ohm",
        "step_ohm",
    }  # fmt: skip
    unbounded = {name for name, value in numbers.items() if value == inf}
    assert unbounded == {"longest_s", "gap_limit_s", "disk_free_bytes"}
    assert {numbers[name] for name in numbers.keys() - unknown - unbounded} == {0.0}


@pytest.mark.parametrize("phase", ["stand-in", "trace"])
def test_a_stranger_on_a_ups_has_what_can_be_armed(phase: str) -> None:
    assert standing("high-volts", procedure="somebody's own", phase=phase).word == "armed"
    assert standing("pack-opened", procedure="somebody's own", phase=phase).word == "armed"
    assert standing("tail", procedure="somebody's own", phase=phase).word == "off"


@pytest.mark.parametrize(("left", "whole", "part"), [(0.25, 0.5, 0.5), (0.5, 1.0, 0.5), (0.0, 0.1, 0.0)])
def test_share_of_little(left: float, whole: float, part: float) -> None:
    assert share(left, whole) == part
