"""Values inside the interlocks, each counted by hand: what is left to a limit, windows and bins, and edges that stand
exactly on a number. The rest of the edges stand in ``test_interlocks.py``; good samples and facts are those of
``interlock_samples.py``."""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan
from typing import Any

import pytest
from interlock_samples import FACTS, GOOD, WATCHES, Case, facts, played
from interlock_shapes import Samples, tail

from harness.findings import Finding, Watch
from harness.interlock import Filter, Lasting, middle
from harness.interlocks import CLASSES, Interlocks

ON_A_UPS = {
    "stand-in": replace(WATCHES["source"], phase="stand-in", procedure="voltage-floor"),
    "trace": replace(WATCHES["sink"], phase="trace", procedure="charge-ceiling"),
}


def spoken(case: Case) -> tuple[int, Finding | None]:
    """At which sample (from 1) it speaks first, 0 for never, and what."""
    lock = CLASSES[case.key](facts(case))
    for number, changes in enumerate(case.samples):
        sample, watch = played("rest" if case.phase in ON_A_UPS else case.phase, changes, number)
        if case.phase in ON_A_UPS:
            told = {key: value for key, value in changes.items() if not hasattr(GOOD, key)}
            watch = replace(ON_A_UPS[case.phase], **told)
        found = lock.judge(sample, watch)
        if found is not None:
            return number + 1, found
    return 0, None


def step(before: int, kelvin: float, after: int, *, amps: float = 6.0, **more: Any) -> Samples:
    """22 degC for so many samples, then so much more. Of five readings the middle one counts: seen at the third."""
    temps = [22.0] * before + [22.0 + kelvin] * after
    return [{"pack_temp_c": temp, "pack_amps": amps, **more} for temp in temps]


def flowed(amps: list[float], jump_at: int, kelvin: float, length: int) -> Samples:
    """A current, then none; the temperature jumps at one sample."""
    return [
        {"pack_temp_c": 22.0 + kelvin * (n >= jump_at), "pack_amps": amps[n] if n < len(amps) else 0.0}
        for n in range(length)
    ]


def at(times: list[float], temps: list[float]) -> Samples:
    return [{"elapsed_s": t, "pack_temp_c": c, "pack_amps": 0.0} for t, c in zip(times, temps, strict=True)]


HALF_SEEN = [0.0, 6.0, 6.0, 6.0, 6.0]
"""A current that is missed by whoever looks at the first of five samples only."""

LOW_AT_13 = [1.15] * 9 + [1.0, 1.15] * 2 + [1.0]
"""At constant volts: of five readings the middle one is low at the 14th sample only (counted from 0: 13)."""
LOW_AT_14 = [1.15, *LOW_AT_13]
LOW_AT_23 = [1.15] * 10 + LOW_AT_13


def risen(low: list[float], jump_at: int) -> Samples:
    """Back to 1.15 A, which is no rise, and from one sample on (as the middle of five sees it) 1.25 A, which is one."""
    return tail(*low, *[1.15] * (jump_at - 2 - len(low)), *[1.25] * 40)


CASES = {
    # what heat a current explains: 2 x I2 R / C x 180 s, and 1.5 K; R = 64 mohm
    # agm: 76.8 Wh x 25 = 1920 J/K, 6 A: 0.432 K; nmc: 460.8 J/K, 3 A: 0.45 K; lifepo4: 768 J/K, 6 A: 1.08 K
    "heat: agm explains": Case("heating", "sink", step(178, 1.925, 60), 0, facts={"chemistry": "agm"}),
    "heat: more than agm explains": Case("heating", "sink", step(178, 1.94, 9), 181, facts={"chemistry": "agm"}),
    "heat: nmc explains": Case("heating", "sink", step(178, 1.94, 60, amps=3.0), 0, facts={"chemistry": "nmc"}),
    "heat: more than nmc explains": Case(
        "heating", "sink", step(178, 1.96, 9, amps=3.0), 181, facts={"chemistry": "nmc"}
    ),
    "heat: lifepo4 explains": Case("heating", "sink", step(178, 2.57, 60), 0),
    "heat: more than lifepo4 explains": Case("heating", "sink", step(178, 2.59, 9), 181),
    "heat: exactly the margin": Case("heating", "rest", step(178, 1.5, 60, amps=0.0), 0),
    "heat: 1 A is not made up": Case("heating", "rest", step(178, 1.515, 9, amps=nan), 181),
    "heat: exactly 3 K in a minute": Case("heating", "sink", step(178, 3.0, 60, amps=90.0), 0),
    "heat: a step of at most three labels": Case("heating", "sink", step(178, 2.9, 60, step_ohm=9.0), 0),
    "heat: a smaller step explains no less": Case("heating", "sink", step(178, 2.57, 60, step_ohm=0.001), 0),
    "heat: a current in warms as well": Case("heating", "source", step(178, 2.57, 60, amps=-6.0), 0),
    "heat: and explains when it is over": Case("heating", "rest", flowed([-6.0] * 100, 150, 2.0, 300), 0),
    "heat: a label of 0 ohm is none": Case("heating", "sink", step(178, 2.57, 60), 0, facts={"pack_ohm": 0.0}),
    # 3 A: 0.27 K by the label, three times that for a step of any size
    "heat: three labels and no more": Case("heating", "sink", step(178, 2.29, 60, amps=3.0, step_ohm=9.0), 0),
    "heat: more than three labels": Case("heating", "sink", step(178, 2.33, 9, amps=3.0, step_ohm=9.0), 181),
    # readings 30 s apart: ten of them, and the middle ones of both ends are 150 s apart, in which it warms by 1.25 K
    "heat: readings far apart": Case(
        "heating", "rest", at([30.0 * n for n in range(40)], [22.0 + 0.25 * n for n in range(40)]), 0
    ),
    "room: the other one is the hotter": Case(
        "rise-above-room", "rest", [{"pack_temp_c": 22.0, "other_temp_c": 32.1}] * 12, 11, says="on one pack"
    ),
    # a current counts while its stretch of 5 s began no more than 300 s ago: 15 s + 300 s, gone at 316 s
    "heat: forgotten after 300 s": Case("heating", "rest", flowed([6.0] * 20, 250, 2.0, 400), 317),
    "heat: the most of each 5 s": Case("heating", "sink", flowed(HALF_SEEN * 40, 178, 2.0, 200), 0),
    "heat: the most of each 5 s, later": Case("heating", "rest", flowed(HALF_SEEN * 20, 180, 2.0, 300), 0),
    # ten readings at least, however far apart they are
    "heat: ten readings make a window": Case(
        "heating", "rest", at([30.0 * n for n in range(12)], [22.0] * 4 + [30.0] * 8), 10
    ),
    # 180 s exactly belong to the window: the first of its readings is still there
    "heat: both ends of 180 s": Case(
        "heating", "rest", at([1.0 * n for n in range(182)], [22.0] * 3 + [22.5] * 175 + [23.6] * 4), 181
    ),
    # end of a charge: 20 % or 0.12 A over the least of 600 s, for 10 s
    "tail: one low reading at the beginning is no rise": Case("tail", "source", tail(1.0, *[2.0] * 60), 0),
    "tail: two are none": Case("tail", "source", tail(1.0, 1.0, *[2.0] * 60), 0),
    "tail: three of five are": Case("tail", "source", tail(1.0, 1.0, 1.0, *[2.0] * 30), 16),
    "tail: exactly 20 %": Case("tail", "source", tail(*[1.0] * 30, *[1.2] * 60), 0),
    "tail: a little more": Case("tail", "source", tail(*[1.0] * 30, *[1.201] * 20), 43),
    "tail: the least of each 10 s": Case("tail", "source", tail(*[1.3] * 14, *[1.0] * 6, *[1.25] * 30), 33),
    # the least of a stretch of 10 s counts for 600 s from its beginning: 4 s, and it is gone after 605 s
    "tail: ten minutes back": Case("tail", "source", risen(LOW_AT_13, 595), 606),
    "tail: and no longer": Case("tail", "source", risen(LOW_AT_13, 596), 0),
    "tail: the next stretch": Case("tail", "source", risen(LOW_AT_14, 605), 616),
    "tail: the next stretch, and no longer": Case("tail", "source", risen(LOW_AT_14, 606), 0),
    "tail: the end of the next stretch": Case("tail", "source", risen(LOW_AT_23, 605), 616),
    "tail: the end of the next stretch, and no longer": Case("tail", "source", risen(LOW_AT_23, 606), 0),
    "tail: next to nothing is an opened pack": Case("tail", "source", tail(*[0.5] * 30, *[0.02] * 5, *[2.0] * 60), 0),
    "tail: little is none": Case("tail", "source", tail(*[0.2] * 30, *[0.5] * 30), 43),
    "tail: 1 % of the set current is none": Case("tail", "source", tail(*[1.0] * 30, *[2.0] * 30, set_amps=100.0), 43),
    "tail: at constant current between": Case(
        "tail", "source", [*tail(*[1.0] * 30), {"cv_s": 30.0, "active_amps": 3.0}, *tail(*[2.0] * 60)][:91], 0
    ),
    # low volts where a UPS stands: under 9.6 V three times, once it has been up
    "stand-in: up is at the level": Case("low-volts", "stand-in", [{"pack_volts": v} for v in (9.6, 9.0, 9.0, 9.0)], 4),
    "stand-in: at the level is not under it": Case("low-volts", "stand-in", [{"pack_volts": 9.6}] * 9, 0),
    # 5 % of 20 A is exactly 1 A
    "low: exactly 5 % is no opened pack": Case(
        "low-volts", "sink", [{"pack_volts": 7.9, "active_amps": 1.0, "set_amps": 20.0}], 1, again=True
    ),
    "opened: exactly 5 % is not gone": Case(
        "pack-opened", "sink", [{"active_amps": a, "set_amps": 20.0} for a in (20.0, 1.0, 1.0, 1.0)], 0
    ),
    "opened: less is": Case(
        "pack-opened", "sink", [{"active_amps": a, "set_amps": 20.0} for a in (20.0, 0.99, 0.99)], 3, exit_code=22
    ),
    # set against measured: 1 % of 100 V is exactly 1 V; 50 mV at least
    "set: exactly the band of volts": Case(
        "set-against-measured", "source", [{"active_amps": 0.5, "set_volts": 100.0, "active_volts": 101.0}] * 9, 0
    ),
    "set: 50 mV at least": Case(
        "set-against-measured", "source", [{"active_amps": 0.5, "set_volts": 2.0, "active_volts": 2.045}] * 9, 0
    ),
    "set: beyond 50 mV": Case(
        "set-against-measured", "source", [{"active_amps": 0.5, "set_volts": 2.0, "active_volts": 2.055}] * 9, 5
    ),
    # two readings of one current: 1 % of the range, 50 mA at least, or 3 %
    "agree: 50 mA at least": Case(
        "currents-agree", "sink", [{"active_amps": 1.0, "shunt_amps": 1.045}] * 9, 0, facts={"amps_range": 3.0}
    ),
    "agree: beyond 50 mA": Case(
        "currents-agree", "sink", [{"active_amps": 1.0, "shunt_amps": 1.055}] * 9, 5, facts={"amps_range": 3.0}
    ),
    "agree: 3 % of a large one": Case("currents-agree", "sink", [{"active_amps": 20.0, "shunt_amps": 20.59}] * 9, 0),
    "agree: beyond 3 %": Case("currents-agree", "sink", [{"active_amps": 20.0, "shunt_amps": 20.61}] * 9, 5),
    "valid: a shunt that reads is no shunt missing": Case("reading-valid", "sink", [{"shunt_amps": 6.0}] * 9, 0),
    # an instrument's watchdog: a line that was spoken to has failed (23), one that was not is a loop that stood (24)
    "watchdog: spoken to": Case("drift-of-state", "sink", [{"expired": "load: watchdog"}], 1, exit_code=23),
    "watchdog: the longest gap there may be": Case(
        "drift-of-state", "sink", [{"expired": "load: watchdog", "gap_s": 3.0}], 1, exit_code=23
    ),
    "watchdog: a longer one": Case(
        "drift-of-state", "sink", [{"expired": "load: watchdog", "gap_s": 3.1}], 1, exit_code=24, says="nobody spoke"
    ),
    "watchdog: slow runs, under its time": Case(
        "drift-of-state",
        "sink",
        [{"expired": "load: watchdog", "gap_s": 9.0, "gap_limit_s": 20.0}],
        1,
        exit_code=23,
        says="look at its line",
    ),
    "watchdog: slow runs, over it": Case(
        "drift-of-state", "sink", [{"expired": "load: watchdog", "gap_s": 9.01, "gap_limit_s": 20.0}], 1, exit_code=24
    ),
    "watchdog: how long is not known": Case(
        "drift-of-state", "sink", [{"expired": "load: watchdog", "gap_s": nan}], 1, exit_code=24
    ),
    # on a UPS an instrument's own stop is a result, which whoever sweeps sees first; at the third sample nobody did
    "stand-in: stopped by itself": Case("drift-of-state", "stand-in", [{"own_stop": "supply: over-volts"}] * 2, 0),
    "stand-in: and nobody said so": Case("drift-of-state", "stand-in", [{"own_stop": "supply: over-volts"}] * 3, 3),
    "trace: and nobody said so": Case("drift-of-state", "trace", [{"own_stop": "load: hot"}] * 3, 3, says="load: hot"),
}


@pytest.mark.parametrize("name", CASES)
def test_values(name: str) -> None:
    case = CASES[name]
    number, finding = spoken(case)
    assert number == case.speaks
    if finding is not None:
        assert (finding.again, finding.exit_code) == (case.again, case.exit_code)
        assert case.says in finding.text


LEFT: list[tuple[str, str, dict[str, Any], float | None]] = [
    # 9.6 to 12.8 V below, 12.8 to 14.8 V above
    ("low-volts", "sink", {"pack_volts": 11.2}, 0.5),
    ("low-volts", "sink", {"pack_volts": nan}, None),
    ("high-volts", "source", {"pack_volts": 13.0}, 0.9),
    ("high-volts", "source", {"pack_volts": 14.6}, 0.1),
    ("high-volts", "source", {"pack_volts": nan}, None),
    # of what pack, fuse and leads bear: 12 A out, 3 A in; set close to that it says nothing
    ("over-current", "sink", {}, 0.5),
    ("over-current", "sink", {"active_amps": -6.0}, 0.5),
    ("over-current", "sink", {"set_amps": 11.75, "active_amps": 11.75}, 0.25 / 12.0),
    ("over-current", "sink", {"set_amps": 0.98 * 12.0}, None),
    ("over-current", "source", {"set_amps": 2.9, "active_amps": 2.4}, 0.2),
    ("over-current", "source", {}, None),
    ("temperature", "sink", {"pack_temp_c": 20.0}, 1.0),
    ("rise-above-room", "sink", {"pack_temp_c": 30.0, "ambient_c": 22.0}, 0.6),
    ("rise-above-room", "sink", {"pack_temp_c": 30.0, "ambient_c": nan}, None),
    ("rise-above-room", "sink", {"pack_temp_c": 30.0, "ambient_c": 22.0, "lug_temp_c": 37.0}, 0.25),
    # 1.2 x 6 Ah out, 1.15 x 6 Ah in, and the time
    ("charge-and-time", "sink", {"block_charge_ah": 3.6, "longest_s": inf}, 0.5),
    ("charge-and-time", "source", {"block_charge_ah": 3.45, "longest_s": inf}, 0.5),
    ("charge-and-time", "sink", {"block_charge_ah": nan, "block_s": 1000.0}, 0.75),
    ("charge-and-time", "sink", {"block_charge_ah": 0.72, "block_s": 1000.0}, 0.75),
    ("charge-and-time", "sink", {"block_charge_ah": nan, "longest_s": inf}, None),
    ("tail", "source", {"cv_s": 0.0}, None),
    ("tail", "source", {"cv_s": 0.5}, 1.0 - 0.5 / 14400.0),
    ("tail", "source", {"cv_s": 7200.0}, 0.5),
    ("frozen", "sink", {}, None),
]


@pytest.mark.parametrize(("key", "phase", "changes", "left"), LEFT)
def test_how_much_is_left(key: str, phase: str, changes: dict[str, Any], left: float | None) -> None:
    found = CLASSES[key](FACTS).margin(*played(phase, changes, 0))
    assert found == (None if left is None else pytest.approx(left, abs=1e-9))


def test_without_a_thermometer_nothing_is_left_to_say() -> None:
    without = replace(FACTS, has_thermometer=False)
    for key in ("temperature", "rise-above-room"):
        assert CLASSES[key](without).margin(*played("sink", {"ambient_c": 22.0}, 0)) is None


@pytest.mark.parametrize("key", CLASSES)
def test_a_watch_that_was_told_nothing_is_quiet(key: str) -> None:
    """What a bench does not know, or need not watch, ends nothing."""
    lock, watch = CLASSES[key](FACTS), Watch(phase="rest", procedure="capacity")
    for number in range(120):
        assert lock.judge(replace(GOOD, elapsed_s=100.0 + number), watch) is None
    assert (watch.gap_s, watch.cv_s, watch.unwatched_s, watch.guard_silent_s, watch.record_age_s) == (0.0,) * 5


def test_heat_goes_on_counting_when_a_phase_ends() -> None:
    locks = Interlocks(FACTS, "capacity")
    for number in range(178):
        assert locks.judge(*played("sink", {}, number)) is None
    said = [locks.judge(*played("rest", {"pack_temp_c": 24.0}, 178 + number)) for number in range(3)]
    assert [one.words if one else "" for one in said] == ["", "", "heating"]


def test_what_a_pack_began_at_is_known_in_the_next_phase() -> None:
    locks = Interlocks(FACTS, "capacity")
    locks.judge(*played("sink", {}, 0))
    kept = {one for one in locks.made if one.goes_on}
    locks.judge(*played("rest", {}, 1))
    assert {one for one in locks.made if one.goes_on} == kept
    assert {one.words for one in kept} == {"heating", "rise above the room"}


def test_a_finding_is_certain_and_ends_by_interlock_unless_it_says_otherwise() -> None:
    one = Finding("words", "text")
    assert (one.exit_code, one.again, one.doubts_volts) == (21, False, False)


# -- what they all count with ------------------------------------------------------------------------------------------


def test_ten_of_the_last_hundred() -> None:
    one = Filter(5, often=10)
    told = [one.full(inside=bool(n % 10)) for n in range(100)]
    assert told == [False] * 90 + [True] * 10, "the tenth outside is number 91"
    one = Filter(5, often=10)
    told = [one.full(inside=bool(n % 11)) for n in range(400)]
    assert told.index(True) == 99, "0, 11 ... 99 are ten in a hundred"
    one = Filter(5, often=10)
    assert not any(one.full(inside=bool(n % 12)) for n in range(400))


@pytest.mark.parametrize(
    ("times", "insides", "told"),
    [
        ([0.0, 5.0, 9.9, 10.0], [False] * 4, [False, False, False, True]),
        ([0.0, 5.0, 6.0, 15.9, 16.0], [False, True, False, False, False], [False] * 4 + [True]),
        ([0.0, nan], [False, False], [False, True]),
        ([nan, 1.0, 10.9, 11.0], [False] * 4, [True, False, False, True]),
        ([0.0, 11.0], [True, False], [False, False]),
    ],
)
def test_lasting(times: list[float], insides: list[bool], told: list[bool]) -> None:
    one = Lasting(10.0)
    assert [one.full(inside, now_s) for inside, now_s in zip(insides, times, strict=True)] == told


def test_middle() -> None:
    assert middle([3.0, nan, 1.0, 2.0]) == 2.0
    assert middle([1.0, 2.0]) == 1.5
    assert middle([nan]) != middle([nan])
    assert middle([]) != middle([])
