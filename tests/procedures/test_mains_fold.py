"""Folds around the sweep: waiting on mains, starting again by itself, draw without a load, warning and abnormal."""

from __future__ import annotations

import math
from collections.abc import Iterable

import pytest

from procedures.floor_fold import MAINS_BACK
from procedures.mains_fold import AFTER_PULSE_S, IdleFold, MainsFold, RestartFold
from procedures.stand_in import REACTION_S, Level, UpsRow
from procedures.warn_fold import WarnFold, highest_good

# -- mains -------------------------------------------------------------------------------------------------------------


def on_mains(pulses: Iterable[tuple[float, float]], *, wait_s: float = 60.0, until_s: float = 400.0) -> MainsFold:
    fold = MainsFold(0.0, pulse_w=60.0, wait_s=wait_s)
    pulses = list(pulses)
    t = 0.0
    while not fold.done and t < until_s:
        t += 0.5
        runs = any(a <= t < b for a, b in pulses)
        fold.push(UpsRow(t, 25.9 if runs else 27.3, 5.0 if runs else 0.0, "cv" if runs else "driven", mains=True))
    return fold


def last_s(fold: MainsFold, pulses: list[tuple[float, float]]) -> float:
    """When a fold fed every half second is done."""
    return max(fold.wait_s, pulses[-1][1] + AFTER_PULSE_S if pulses else 0.0)


@pytest.mark.parametrize("pulses", [[], [(30.0, 38.0)], [(30.0, 38.0), (50.0, 59.0)], [(58.0, 66.0)]])
def test_self_tests_are_waited_for_and_counted(pulses: list[tuple[float, float]]) -> None:
    fold = MainsFold(0.0, pulse_w=60.0, wait_s=60.0)
    t, done_s = 0.0, math.nan
    while math.isnan(done_s):
        t += 0.5
        runs = any(a <= t < b for a, b in pulses)
        fold.push(UpsRow(t, 25.9 if runs else 27.3, 5.0 if runs else 0.0, "cv" if runs else "driven", mains=True))
        done_s = t if fold.done else math.nan
    assert fold.pulses == pulses
    assert done_s == pytest.approx(last_s(fold, pulses), abs=0.5)
    assert fold.driven


def test_battery_current_until_mains_is_taken_is_no_self_test() -> None:
    assert on_mains([(0.0, 4.0)]).pulses == []


def test_a_pulse_without_end_is_not_waited_for_without_end() -> None:
    fold = on_mains([(30.0, 1000.0)])
    assert fold.done
    assert fold.pulses == []


# -- restart -----------------------------------------------------------------------------------------------------------


def raised(
    *, restart_v: float = math.inf, mode: str = "cv", mains: bool | None = None, false_v: float = 0.0
) -> RestartFold:
    fold = RestartFold(expected_w=130.0, dwell_s=3.0)
    t = 100.0
    for number in range(11):
        set_v = 21.0 + 0.5 * number
        fold.begin(set_v=set_v, t_s=t)
        while not fold.decided and not (fold.levels[-1].volts and fold.level_done):
            t += 0.5
            runs = set_v >= restart_v and t - fold.levels[-1].began_s > 0.6
            false = set_v == false_v and t - fold.levels[-1].began_s == 1.0
            volts, amps = (set_v - 0.15, 5.5) if runs or false else (set_v, 0.012)
            fold.push(UpsRow(t, volts, amps, mode, mains=mains))
        if fold.decided:
            break
    return fold


def test_one_that_latches_stays_off() -> None:
    fold = raised()
    assert not fold.restarted
    assert fold.bracket is None
    assert fold.levels[-1].set_v == 26.0


def test_one_that_starts_again_shows_where() -> None:
    fold = raised(restart_v=24.1)
    assert fold.restarted
    assert fold.bracket is not None
    assert (fold.bracket.lower_v, fold.bracket.upper_v) == pytest.approx((24.0, 24.5))
    assert not fold.bracket.computed


def test_one_false_reading_is_no_restart() -> None:
    assert not raised(false_v=23.0).restarted


@pytest.mark.parametrize(("mode", "mains"), [("driven", None), ("cv", True)])
def test_mains_that_came_back_is_no_restart(mode: str, mains: bool | None) -> None:
    fold = raised(restart_v=21.0, mode=mode, mains=mains)
    assert fold.mains_back == MAINS_BACK
    assert not fold.restarted


def test_missing_readings_are_no_restart() -> None:
    fold = RestartFold(expected_w=130.0, dwell_s=3.0)
    fold.begin(set_v=24.0, t_s=0.0)
    for t in range(10):
        fold.push(UpsRow(float(t), 24.0, math.nan))
        fold.push(UpsRow(float(t), math.nan, 5.0))
    assert not fold.decided


# -- idle --------------------------------------------------------------------------------------------------------------


def idled(amps: float, *, for_s: float = 30.0) -> IdleFold:
    fold = IdleFold(0.0, for_s=for_s, off_w=2.0)
    t = 0.0
    while not fold.done:
        t += 1.0
        fold.push(UpsRow(t, 27.0, 5.0 if t < 3 else amps))
        fold.push(UpsRow(t, math.nan, 9.0))
        fold.push(UpsRow(t, 27.3, 0.0, "driven"))
    return fold


def test_the_second_half_counts() -> None:
    fold = idled(0.25)
    assert fold.mean_a == pytest.approx(0.25)
    assert fold.mean_v == pytest.approx(27.0)
    assert len(fold.taken) == 16
    assert not fold.went_off


def test_one_that_switches_off_without_a_load() -> None:
    assert idled(0.012).went_off
    assert IdleFold(0.0, for_s=30.0, off_w=2.0).went_off


# -- warning -----------------------------------------------------------------------------------------------------------


def levels(*, seconds: float = 4.0, first_v: float = 24.0, count: int = 6) -> list[Level]:
    """One every ``seconds``, half a volt apart; the last is still on."""
    made = []
    for number in range(count):
        level = Level(first_v - 0.5 * number, seconds * number)
        for half in range(1, round(2 * seconds) + 1):
            level.keep(UpsRow(level.began_s + 0.5 * half, level.set_v - 0.1, 5.0))
        level.end_s = level.began_s + seconds if number < count - 1 else math.nan
        made.append(level)
    return made


def warned(at_s: float, *, by: str, every_s: float = 0.5) -> WarnFold:
    fold, t = WarnFold(), 0.0
    while t < 24.0:
        t += every_s
        marks = ("Warning, the fast beep",) if by == "mark" and t - every_s < at_s <= t else ()
        fold.push(UpsRow(t, 23.0, 5.0, warning=t >= at_s if by == "contact" else None, marks=marks))
    return fold


@pytest.mark.parametrize(
    ("by", "at_s", "upper_v", "lower_v"),
    [
        ("contact", 10.2, 23.4, 22.9),
        ("contact", 8.3, 23.9 - 0.5, 22.9),
        ("contact", 22.0, 21.9, 21.4),
        ("mark", 11.5, 23.4, 22.9),
        ("mark", 9.0, 23.9, 22.9),
    ],
)
def test_the_warning_lies_between_two_levels(by: str, at_s: float, upper_v: float, lower_v: float) -> None:
    """A mark may mean the level before as well, as long as a person takes to make it."""
    bracket = warned(at_s, by=by).bracket(levels())
    assert bracket is not None
    assert (bracket.upper_v, bracket.lower_v) == pytest.approx((upper_v, lower_v))


def test_never_warned() -> None:
    fold = warned(1000.0, by="contact")
    assert fold.how == ""
    assert fold.bracket(levels()) is None


def test_a_warning_from_the_first_sample_on_tells_no_volts() -> None:
    fold = warned(0.1, by="contact")
    assert fold.from_start
    assert fold.bracket(levels()) is None


def test_a_warning_on_the_first_level_has_none_before_it() -> None:
    assert warned(2.0, by="contact").bracket(levels()) is None
    assert warned(5.0, by="mark").bracket(levels()) is None


def test_the_highest_level_with_nothing_abnormal() -> None:
    up = [Level(27.0 + 0.5 * n, 4.0 * n, end_s=4.0 * n + 4.0) for n in range(4)]
    for level in up:
        level.keep(UpsRow(level.began_s + 3.0, level.set_v - 0.1, 5.0))
    quiet = WarnFold(word="abnormal")
    assert highest_good(up, quiet) is up[3]
    quiet.push(UpsRow(15.5, 28.4, 5.0, marks=("abnormal: it hums",)))
    assert quiet.after_s == 15.5 - REACTION_S
    assert highest_good(up, quiet) is up[2]
    late = WarnFold(word="abnormal")
    late.push(UpsRow(14.2, 28.4, 5.0, marks=("abnormal",)))
    assert highest_good(up, late) is up[2], "the level before had been held for 3 s without"
    early = WarnFold(word="abnormal")
    early.push(UpsRow(1.0, 27.0, 5.0, marks=("Abnormal",), warning=True))
    assert highest_good(up, early) is None
    assert highest_good([], quiet) is None
