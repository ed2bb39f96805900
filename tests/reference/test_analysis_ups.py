"""The analysis of steps, floor and ceiling on trajectories that our simulator never made.

Source of every number compared with: see ``data/analysis-ups.json``.
"""

from __future__ import annotations

import csv
import gzip
import json
from pathlib import Path
from typing import Any

import pytest

from procedures.ceiling_fold import ChargePoint, branches
from procedures.floor_fold import CUT_OFF, FloorFold
from procedures.mains_fold import MainsFold
from procedures.stand_in import Level, UpsRow, volts_at_ups
from procedures.step_fold import HELD, StepFold
from procedures.warn_fold import WarnFold

DATA = Path(__file__).parent / "data"
ALL: dict[str, Any] = json.loads((DATA / "analysis-ups.json").read_text(encoding="utf-8"))
STEPS, FLOOR, CHARGER = (ALL["cases"][name] for name in ("steps", "floor", "charger"))


def rows(name: str) -> list[dict[str, str]]:
    with gzip.open(DATA / f"analysis-{name}.csv.gz", "rt", newline="") as file:
        return list(csv.DictReader(file))


# -- steps -------------------------------------------------------------------------------------------------------------


def step(number: int, *, sign: float = 1.0) -> StepFold:
    """One step of the file with the second before it; its charge pulse turned round by ``sign``."""
    expected = STEPS["results"]["steps"][number]
    on_s = expected["start_s"]
    fold = StepFold(set_amps=sign * expected["amps"], step_s=60.0, end_v=20.0, nominal_volts=25.6)
    if on_s == 0.0:
        # The file begins with the first step: what was before is the rested pack.
        for t in (-0.5, -0.1):
            fold.rest(t, 0.0, expected["v_before"])
    taken = [(float(r["t_s"]), float(r["amps"]), float(r["pack_v"])) for r in rows("steps")]
    for t, amps, volts in taken:
        if on_s - 5.0 <= t <= on_s and amps == 0.0:
            fold.rest(t, 0.0, volts)
    fold.switched(on_s)
    for t, amps, volts in taken:
        if on_s <= t and amps == expected["amps"]:
            fold.push(t, sign * amps, volts)
    return fold


@pytest.mark.parametrize("number", range(5))
def test_resistance_at_1_and_10_s(number: int) -> None:
    """Rows 0.5 s apart: the mean of the second before has moved on a little by the step, so 0.01 mohm is allowed."""
    sign = -1.0 if number == 4 else 1.0
    fold, expected = step(number, sign=sign), STEPS["results"]["steps"][number]
    assert fold.step_end == HELD
    for after_s, key in ((1.0, "r_1s_mohm"), (10.0, "r_10s_mohm")):
        volts, amps = fold.drop(after_s)
        assert sign * 1000 * volts / amps == pytest.approx(expected[key], abs=0.01), key
    assert fold.rest_v == pytest.approx(expected["v_before"], abs=0.001)
    if sign > 0:
        assert fold.min_v == pytest.approx(expected["v_end"], abs=0.001)


# -- floor -------------------------------------------------------------------------------------------------------------

OHM = FLOOR["params"]["supply"]["r_lead"]


def swept(*, every: int = 1, offset: int = 0) -> tuple[FloorFold, WarnFold]:
    """The staircase of the file from the loss of mains on; every so many-th row, as a slower bench would see it."""
    fold = FloorFold(
        set_amps=FLOOR["params"]["supply"]["i_limit_a"],
        expected_w=150.0,
        lead_ohm=OHM,
        tolerance_v=0.05,
        dwell_s=4.0,
        confirm_s=10.0,
    )
    warn = WarnFold()
    set_v = 0.0
    for number, r in enumerate(rows("floor")):
        t = float(r["t_s"])
        if not 20.0 < t < 100.0 or (number - offset) % every or fold.decided:
            continue
        if float(r["set_v"]) != set_v:
            told = [at for at, what, _ in FLOOR["params"]["schedule"] if what != "ac_on" and at < t]
            set_v = float(r["set_v"])
            fold.begin(set_v=set_v, t_s=told[-1])
        row = UpsRow(t, float(r["ups_v"]), float(r["amps"]), r["mode"], warning=r["warning"] == "1")
        fold.push(row)
        warn.push(row)
    return fold, warn


@pytest.mark.parametrize(("every", "offset"), [(1, 0), (10, 3), (20, 0), (20, 7)])
def test_the_floor(every: int, offset: int) -> None:
    fold, _ = swept(every=every, offset=offset)
    expected = FLOOR["results"]
    assert fold.end_reason == CUT_OFF
    good, bracket = fold.last_good, fold.bracket
    assert good is not None
    assert bracket is not None
    assert good.set_v == expected["last_good_set_v"]
    assert good.mean_v == pytest.approx(expected["last_good_ups_v"], abs=0.001)
    assert good.mean_a == pytest.approx(expected["last_good_amps"], rel=1e-4)
    assert good.mean_v * good.mean_a == pytest.approx(expected["p_dc_w"], rel=2e-4)
    assert bracket.lower_v == pytest.approx(expected["first_bad_ups_v"], abs=0.001)
    assert bracket.mid_v == pytest.approx(21.076, abs=0.001)
    assert bracket.half_v == pytest.approx(0.252, abs=0.001)
    assert abs(bracket.mid_v - expected["true_threshold_ups_v"]) < bracket.half_v


def test_no_sample_between_the_step_and_the_drop() -> None:
    """The inverter drops 0.63 s after the step: one sample a second may miss it, and the arithmetic says the same."""
    fold, _ = swept(every=20, offset=0)
    assert fold.bracket is not None
    assert fold.bracket.computed
    seen, _ = swept()
    assert seen.bracket is not None
    assert not seen.bracket.computed
    assert fold.bracket.lower_v == pytest.approx(seen.bracket.lower_v, abs=1e-6)


def test_when_it_dropped() -> None:
    fold, _ = swept()
    events = {one["event"]: one["t_s"] for one in FLOOR["events"]}
    assert 0.0 <= fold.gone_s - events["cut-off, latched off"] <= 0.05


def test_the_warning() -> None:
    fold, warn = swept()
    events = {one["event"]: one["t_s"] for one in FLOOR["events"]}
    assert warn.how == "contact"
    assert warn.after_s < events["low-battery warning on"] <= warn.by_s
    assert fold.level is not None
    bracket = warn.bracket([*fold.held, fold.level])
    assert bracket is not None
    assert bracket.lower_v < FLOOR["params"]["ups"]["warn_v"] < bracket.upper_v
    assert bracket.half_v == pytest.approx(0.252, abs=0.002)


def test_the_self_test_with_mains_on_is_a_pulse_and_no_more() -> None:
    fold = MainsFold(began_s=100.0, pulse_w=0.5 * FLOOR["results"]["p_dc_w"], wait_s=20.0)
    for r in rows("floor"):
        if float(r["t_s"]) >= 100.0:
            fold.push(UpsRow(float(r["t_s"]), float(r["ups_v"]), float(r["amps"]), r["mode"], mains=True))
    (pulse,) = fold.pulses
    assert pulse == pytest.approx((133.0, 139.0), abs=0.06)
    assert fold.driven


def test_volts_behind_the_leads() -> None:
    expected = FLOOR["results"]
    for which in ("last_good", "first_bad"):
        volts = volts_at_ups(set_v=expected[f"{which}_set_v"], watts=expected["p_dc_w"], ohm=OHM)
        assert volts == pytest.approx(expected[f"{which}_ups_v"], abs=1e-9)


def test_a_level_keeps_its_last_second() -> None:
    level = Level(21.0, 0.0)
    for t in (0.5, 1.5, 2.0, 2.5):
        level.keep(UpsRow(t, 20.0 + t, 1.0))
    assert level.mean_v == pytest.approx(22.25)


# -- ceiling -----------------------------------------------------------------------------------------------------------


def points(temp_c: float, where: str) -> list[ChargePoint]:
    return [ChargePoint(float(r[where]), float(r["amps"])) for r in rows("charger") if float(r["temp_c"]) == temp_c]


@pytest.mark.parametrize(("where", "at"), [("ups_v", "ups"), ("load_v", "load")])
def test_the_ceiling_at_the_ups_and_at_the_load(where: str, at: str) -> None:
    """Pulses and pre-charge lie on neither branch; the load's own leads add to the slope and to nothing else."""
    found, expected = branches(points(25.0, where)), CHARGER["results"]
    assert found.line is not None
    assert found.line.intercept == pytest.approx(expected["ceiling_v_25c"], abs=0.001)
    assert -found.line.slope == pytest.approx(expected[f"slope_ohm_at_{at}"], rel=1e-6)
    assert found.charge_a == pytest.approx(expected["limit_a"], rel=1e-4)
    assert found.knee_v == pytest.approx(expected[f"knee_{at}_v_25c"], abs=0.001)


@pytest.mark.parametrize("temp_c", [15, 25, 35])
def test_the_ceiling_at_three_temperatures(temp_c: int) -> None:
    line = branches(points(float(temp_c), "ups_v")).line
    assert line is not None
    assert line.intercept == pytest.approx(CHARGER["results"][f"ceiling_v_{temp_c}c"], abs=0.001)
    assert line.scatter < 1e-9
