"""The floor's fold: a cut-off is the floor, and nothing else that ends a current is."""

from __future__ import annotations

import math
from typing import Any

import pytest
import stairs
from hypothesis import given
from hypothesis import strategies as st

from procedures import floor_fold as ff
from procedures.floor_fold import FloorFold
from procedures.stand_in import Level, UpsRow, volts_at_ups

Stair, Moment = stairs.Stair, stairs.Moment


def after(t_s: float, *words: tuple[float, str]) -> Any:
    """Runs until ``t_s``, then each word for its seconds, the last for good; a cut-off comes when it comes."""

    def script(now: Any) -> str:
        left = now.t_s - t_s
        if left < 0:
            return "off" if now.off else "runs"
        for seconds, word in words:
            if left < seconds:
                return word
            left -= seconds
        return words[-1][1]

    return script


ENDS: list[tuple[str, Any, str]] = [
    ("cut-off", Stair(), ff.CUT_OFF),
    ("cut-off, output and mains known", Stair(output=True, mains=True), ff.CUT_OFF),
    ("cut-off, seen by a person", Stair(marks={41.5: "output off"}), ff.CUT_OFF),
    ("supply limit, seen", Stair(after(20.0, (9, "limited"))), ff.SUPPLY_LIMIT),
    ("supply limit for one sample, then off", Stair(after(20.0, (0.5, "limited"), (9, "off"))), ff.SUPPLY_LIMIT),
    ("collapse between two samples", Stair(after(20.0, (0.5, "near its limit"), (9, "off"))), ff.SUPPLY_LIMIT),
    ("supply trip", Stair(after(20.0, (9, "tripped"))), ff.SUPPLY_TRIP),
    ("set-point turned down a little", Stair(after(18.2, (9, "a volt too low"))), ff.NOT_AS_SET),
    ("set-point turned down to nothing", Stair(after(20.0, (9, "volts turned down"))), ff.NOT_AS_SET),
    ("charger drives from the start", Stair(after(0.0, (9, "driven"))), ff.DRIVEN),
    ("a self-test at the start", Stair(after(3.0, (2, "on mains"), (9, "driven"))), ff.SELF_TEST),
    ("a self-test, mains known", Stair(after(3.0, (9, "on mains")), mains=True), ff.SELF_TEST),
    ("mains back, charger after its delay", Stair(after(22.0, (7, "on mains"), (9, "driven"))), ff.MAINS_BACK),
    ("mains back, seen by its switch", Stair(after(22.0, (99, "on mains")), mains=True), ff.MAINS_BACK),
    ("mains back, output never lost", Stair(after(22.0, (99, "on mains")), output=True), ff.MAINS_BACK),
    ("mains back, a person says so", Stair(after(22.0, (99, "on mains")), marks={25.0: "output on"}), ff.MAINS_BACK),
    ("mains never off, charger below the start", Stair(after(0.0, (9, "on mains")), mains=True), ff.MAINS_BACK),
    ("mains never off, output alive", Stair(after(0.0, (9, "on mains")), output=True), ff.MAINS_BACK),
    ("refuses the stand-in", Stair(after(0.0, (9, "off"))), ff.NOT_STARTED),
    ("runs without its load", Stair(after(0.0, (9, "idles")), output=True), ff.TOO_LITTLE),
    ("off on the first level", Stair(after(3.0, (9, "off"))), ff.AT_START),
    ("starts again by itself", Stair(after(22.0, (2, "off"), (9, "runs"))), ff.RESTARTS),
    ("no cut-off at all", Stair(lambda now: "runs"), ff.NOT_REACHED),
]  # fmt: skip


@pytest.mark.parametrize(("stair", "reason"), [case[1:] for case in ENDS], ids=[case[0] for case in ENDS])
def test_how_a_sweep_ends(stair: Any, reason: str) -> None:
    fold = stair.go()
    assert fold.end_reason == reason
    assert (fold.bracket is not None) == (reason == ff.CUT_OFF)


def test_every_end_is_in_the_table() -> None:
    reasons = {value for name, value in vars(ff).items() if name.isupper() and isinstance(value, str)}
    assert {case[2] for case in ENDS} | {ff.NOT_REPEATED} == reasons


def test_the_bracket_is_taken_at_the_ups() -> None:
    fold = Stair().go()
    good, bad = (volts_at_ups(set_v=v, watts=stairs.WATTS, ohm=stairs.OHM) for v in (21.5, 21.0))
    assert fold.bracket is not None
    assert fold.bracket.upper_v == pytest.approx(good, abs=1e-9)
    assert fold.bracket.lower_v == pytest.approx(bad, abs=1e-9)
    assert not fold.bracket.computed
    assert fold.expected_w == pytest.approx(stairs.WATTS)


def test_without_a_sample_before_the_drop_the_lower_end_is_computed() -> None:
    fold = Stair(every_s=1.0).go()
    assert fold.bracket is not None
    assert fold.bracket.computed
    bad = volts_at_ups(set_v=21.0, watts=stairs.WATTS, ohm=stairs.OHM)
    assert fold.bracket.lower_v == pytest.approx(bad, abs=1e-9)


def test_a_drop_late_in_its_dwell_widens_the_bracket_by_a_level() -> None:
    def late(now: Any) -> str:
        return "off" if now.set_v < 21.0 or (now.set_v == 21.0 and now.level_s > 3.2) else "runs"

    fold = Stair(late).go()
    assert fold.bracket is not None
    assert fold.bracket.late
    assert fold.bracket.upper_v == pytest.approx(volts_at_ups(set_v=22.0, watts=stairs.WATTS, ohm=stairs.OHM))


@pytest.mark.parametrize("at_s", [37.5, 39.0, 39.5, 40.0])
def test_volts_that_dip_once_are_no_volts_of_their_level(at_s: float) -> None:
    # Ours: in the last second of the last level held, the level's mean came under the one that was not held, and the
    # half distance of the two, less than nothing, ended the run as a fault of the program.
    def dips(now: Any) -> str:
        return "a volt too low" if now.t_s == at_s else stairs.plain(now)

    fold, plain = Stair(dips).go(), Stair().go()
    assert fold.end_reason == ff.CUT_OFF
    assert fold.bracket is not None
    assert plain.bracket is not None
    assert fold.bracket.upper_v == pytest.approx(plain.bracket.upper_v, abs=1e-9)
    assert fold.bracket.lower_v == pytest.approx(plain.bracket.lower_v, abs=1e-9)


def test_one_false_reading_ends_nothing() -> None:
    fold = Stair(false_at_s=13.0).go()
    assert fold.end_reason == ff.CUT_OFF
    assert fold.false_rows == 1
    assert fold.last_good is not None
    assert fold.last_good.set_v == 21.5


def test_missing_readings_decide_nothing() -> None:
    fold = FloorFold(12.0, 140.0, 0.0, 0.08, 4.0)
    fold.begin(set_v=26.0, t_s=0.0)
    for t in range(1, 100):
        fold.push(UpsRow(float(t), math.nan, 5.0))
        fold.push(UpsRow(float(t), 26.0, math.nan))
    assert not fold.decided
    assert not fold.level_done


def test_a_level_that_was_not_held_is_not_left() -> None:
    fold = FloorFold(12.0, 140.0, 0.0, 0.08, 4.0)
    fold.begin(set_v=26.0, t_s=0.0)
    fold.push(UpsRow(1.0, 26.0, 5.0))
    with pytest.raises(ValueError, match="left before its dwell"):
        fold.begin(set_v=25.5, t_s=1.0)


def test_rows_from_before_the_level_are_not_taken() -> None:
    fold = FloorFold(12.0, 140.0, 0.0, 0.08, 4.0)
    fold.begin(set_v=26.0, t_s=10.0)
    fold.push(UpsRow(9.9, 27.3, 0.0, "off"))
    assert not fold.decided


ROWS = st.builds(
    UpsRow,
    t_s=st.just(0.0),
    volts=st.sampled_from([26.0, 25.9, 27.3, 21.0, 5.0, math.nan]),
    amps=st.sampled_from([5.0, 5.0, 5.0, 0.0, 0.012, 11.5, -0.02, math.nan]),
    mode=st.sampled_from(["cv", "cv", "cv", "cc", "driven", ""]),
    mains=st.sampled_from([None, None, False, True]),
    output=st.sampled_from([None, None, False, True]),
)


@given(rows=st.lists(ROWS, max_size=60), gap=st.floats(0.1, 3.0))
def test_no_stream_makes_a_floor_that_its_rows_deny(rows: list[UpsRow], gap: float) -> None:
    """Whatever comes, a cut-off rests on a level held before, on volts as set, and on nobody seeing mains."""
    fold = FloorFold(12.0, 130.0, 0.0, 0.15, 3.0, confirm_s=4.0)
    fold.begin(set_v=26.0, t_s=0.0)
    pushed: list[UpsRow] = []
    for number, row in enumerate(rows, start=1):
        if fold.decided:
            break
        if fold.level_done and len(fold.held) < 3:
            fold.begin(set_v=26.0, t_s=number * gap - 0.5 * gap)
        timed = UpsRow(number * gap, row.volts, row.amps, row.mode, row.mains, row.output)
        fold.push(timed)
        pushed.append(timed)
    if fold.end_reason == ff.CUT_OFF:
        gone = [r for r in pushed if r.t_s >= fold.gone_s and math.isfinite(r.volts) and math.isfinite(r.amps)]
        assert fold.held
        assert fold.bracket is not None
        assert gone[-1].t_s - fold.gone_s >= fold.confirm_s
        assert gone[-1].output is not True
        assert gone[-1].mode in ("cv", "")
        assert not any(r.mains is True for r in gone[1:])
        assert all(abs(r.volts - 26.0) <= 0.2 for r in gone if r.t_s >= fold.gone_s + ff.SLEW_S)
        assert not any(r.mode == "cc" for r in gone)


def fine_after(coarse: FloorFold, cut_off_v: float) -> FloorFold:
    """A finer staircase from the last level held; a UPS that cuts off at ``cut_off_v``."""
    assert coarse.last_good is not None
    fold = FloorFold(12.0, coarse.expected_w, 0.0, 0.08, 3.0)
    t = 1000.0
    for number in range(21):
        set_v = coarse.last_good.set_v - 0.05 * number
        fold.begin(set_v=set_v, t_s=t)
        while not (fold.decided or fold.level_done):
            t += 0.5
            off = set_v <= cut_off_v and t - fold.level.began_s > 1.0 if fold.level else False
            fold.push(UpsRow(t, set_v, 0.012 if off else 130.0 / set_v))
        if fold.decided:
            break
    fold.give_up(ff.NOT_REACHED, t_s=t)
    return fold


@pytest.mark.parametrize(
    ("cut_off_v", "repeats"), [(21.0, True), (21.3, True), (20.95, True), (20.5, False), (5.0, False)]
)
def test_a_cut_off_counts_when_it_comes_again(cut_off_v: float, repeats: bool) -> None:
    coarse = Stair().go()
    fine = fine_after(coarse, cut_off_v)
    assert fine.end_reason == (ff.CUT_OFF if cut_off_v > 10 else ff.NOT_REACHED)
    assert fine.repeats(coarse) is repeats
    assert not coarse.repeats(FloorFold(12.0, 140.0, 0.0, 0.08, 4.0))


def test_mean_of_the_last_second() -> None:
    level = Level(26.0, 0.0)
    assert math.isnan(level.mean_v)
    for t, v in ((1.0, 20.0), (2.0, 26.0), (2.5, 26.2)):
        level.keep(UpsRow(t, v, v / 10))
    assert level.mean_v == pytest.approx(26.1)
    assert level.mean_a == pytest.approx(2.61)


def test_volts_behind_leads_have_an_end() -> None:
    """130 W behind 1 ohm: under 22.8 V set there is no solution, and half the volts are the least there are."""
    assert volts_at_ups(set_v=26.0, watts=130.0, ohm=0.0) == 26.0
    assert volts_at_ups(set_v=22.0, watts=130.0, ohm=1.0) == 11.0
    volts = volts_at_ups(set_v=26.0, watts=130.0, ohm=1.0)
    assert volts == pytest.approx(26.0 - 130.0 / volts)
