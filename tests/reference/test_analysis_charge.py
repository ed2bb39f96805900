"""The charge analysis on CC-CV charges that our simulator never made, at the agreement stated with them.

Source of every number compared with: see ``data/analysis.json``. Each file ends when the end current is reached, so the
fold is asked to hold it for no time; ``cv_s`` begins 10 mV under the held volts, the files' own at them.
"""

from __future__ import annotations

from typing import Any

import analysis as ref
import numpy as np
import pytest

from procedures.charging import END_CURRENT, PACK_OPENED, ChargeFold

CASES = ("cccv-remote", "cccv-local", "cccv-rise")


def held(case: Any) -> np.ndarray:
    """The volts the supply holds: the pack's with sense leads, else its own."""
    return case.pack_v if case.params["sense"] == "remote" else case.load_v  # type: ignore[no-any-return]


def analysed(case: Any, *, hold_s: float = 0.0, held_v: np.ndarray | None = None) -> ChargeFold:
    fold = ChargeFold(end_amps=case.params["end_a"], period_s=case.period_s, hold_s=hold_s)
    for row in zip(case.t_s, case.amps, case.pack_v, held(case) if held_v is None else held_v, strict=True):
        t_s, amps, pack_v, at_supply = map(float, row)
        fold.push(t_s, amps, pack_v, held_volts=at_supply)
    return fold


def due_cv_s(case: Any) -> float:
    """From 10 mV under the held volts, on the straight line before the knee, to the end current."""
    knee = case.events["cc_to_cv_s"]
    at = int(np.searchsorted(case.t_s, knee - 1e-6))
    volts = held(case)
    slope = (volts[at] - volts[at - 1]) / (case.t_s[at] - case.t_s[at - 1])
    return float(case.results["cv_time_s"] + 0.010 / slope)


@pytest.mark.parametrize("name", CASES)
def test_charge_at_the_rows_own_spacing(name: str) -> None:
    case = ref.load_case(name)
    fold, found = analysed(case), case.results
    assert fold.end_reason == END_CURRENT
    end_s = case.events["end_current_reached_s"]
    assert fold.taper.reached_s == pytest.approx(end_s, abs=case.due_s(end_s))
    assert fold.put_in[0] == pytest.approx(found["total_charge_ah"], rel=case.share("charge"))
    assert fold.put_in[1] == pytest.approx(found["energy_wh"], rel=case.share("energy"))
    assert fold.cv_s == pytest.approx(due_cv_s(case), abs=case.due_s(end_s))
    # The ten millivolts are worth less than half a second here: the file's own figure lies that near.
    assert 0 < fold.cv_s - found["cv_time_s"] < 2.0


@pytest.mark.parametrize("name", CASES)
def test_charge_at_one_sample_a_second(name: str) -> None:
    """Straight lines between samples cut the knee's corner: up to a tenth of a second on ``cv_s``."""
    case = ref.load_case(name)
    thinned = ref.at_spacing(ref.gone_on(case, drop_last=False), 1.0)
    fold, found = analysed(thinned), case.results
    assert fold.end_reason == END_CURRENT
    end_s = case.events["end_current_reached_s"]
    assert fold.taper.reached_s == pytest.approx(end_s, abs=case.due_s(end_s))
    assert fold.put_in[0] == pytest.approx(found["total_charge_ah"], rel=case.share("charge"))
    assert fold.put_in[1] == pytest.approx(found["energy_wh"], rel=case.share("energy"))
    assert fold.cv_s == pytest.approx(due_cv_s(case), abs=0.1)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", CASES)
def test_noise_adds_what_noise_must_add(name: str, seed: int) -> None:
    """1 mV and 2 mA of white noise at 1 Hz: charge by sigma h sqrt(n), the end by sigma_a over the current's slope, the
    beginning of the constant volts by sigma_v over their rise; each within 3 sigma on top of the above."""
    case = ref.load_case(name)
    quiet = ref.at_spacing(ref.gone_on(case, drop_last=False, rows=8), 1.0)
    rng = np.random.default_rng(100 + seed)
    noisy = ref.noisy(quiet, volts=0.001, amps=0.002, seed=seed)
    fold = analysed(noisy, held_v=held(quiet) + rng.normal(0, 0.001, len(quiet.t_s)))
    found, end_s = case.results, case.events["end_current_reached_s"]
    fall = abs(case.amps[-1] - case.amps[-2]) / (case.t_s[-1] - case.t_s[-2])
    at = int(np.searchsorted(case.t_s, case.events["cc_to_cv_s"] - 1e-6))
    rise = (held(case)[at] - held(case)[at - 1]) / (case.t_s[at] - case.t_s[at - 1])
    sigma_end, sigma_start = 0.002 / fall, 0.001 / rise
    sigma_ah = float(np.hypot(ref.charge_noise_ah(quiet, 0.002), sigma_end * 0.5 / 3600))
    assert fold.end_reason == END_CURRENT
    agreed_ah = case.share("charge") * found["total_charge_ah"]
    assert abs(fold.put_in[0] - found["total_charge_ah"]) <= agreed_ah + 3 * sigma_ah
    assert abs((fold.taper.reached_s or 0.0) - end_s) <= case.due_s(end_s) + 3 * sigma_end
    assert abs(fold.cv_s - due_cv_s(case)) <= 0.1 + 3 * float(np.hypot(sigma_end, sigma_start))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("share", [0.3, 0.9, 0.99, 0.998])
def test_the_same_charge_cut_short_by_an_open_switch_is_not_full(name: str, share: float) -> None:
    case = ref.load_case(name)
    thinned = ref.at_spacing(case, 1.0)
    amps = np.where(thinned.t_s < share * case.t_s[-1], thinned.amps, 0.0)
    cut = type(case)(
        case.name, thinned.t_s, thinned.pack_v, amps, case.params, case.events, case.results, case.agreement
    )
    assert analysed(cut, hold_s=10.0).end_reason == PACK_OPENED
