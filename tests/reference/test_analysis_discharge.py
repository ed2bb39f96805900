"""The capacity analysis on discharges that our simulator never made, at the agreement stated with them.

Source of every number compared with: see ``data/analysis.json``.
"""

from __future__ import annotations

from typing import Any

import analysis as ref
import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from harness.channels import Channels
from harness.config import load_bench, load_pack
from harness.limits import envelope
from harness.site import Site
from harness.volts_place import VoltsPlace
from procedures.capacity_figures import Discharged, figures, not_measured
from procedures.discharge import END_VOLTS, PACK_OPENED, DischargeFold
from procedures.rest import RestFold

CIRCUIT = ("cc-0.2C-lead0", "cc-0.2C-lead20", "cc-1C-lead0", "cc-1C-lead20", "cc-2C-lead0", "cc-2C-lead20", "nmc-1C",
           "heat-2C-25", "heat-1C-0")  # fmt: skip
PHYSICS = ("prada-cc-0.2C", "prada-cc-1C", "prada-cc-2C")
VOLTS_NOISE, AMPS_NOISE = 0.001, 0.002


def analysed(case: Any, *, end_v: float | None = None) -> DischargeFold:
    params = case.params
    fold = DischargeFold(
        set_amps=params["amps"], end_v=params.get("end_v", 1.0) if end_v is None else end_v,
        nominal_volts=0.9 * float(np.mean(case.pack_v)), period_s=case.period_s,
    )  # fmt: skip
    for row in zip(case.t_s, case.amps, case.pack_v, case.load_v, strict=True):
        t_s, amps, pack_v, load_v = map(float, row)
        fold.push(t_s, amps, pack_v, end_volts=load_v)
    return fold


def assert_agrees(case: Any, fold: DischargeFold) -> None:
    found = case.results
    assert fold.end_reason == END_VOLTS
    assert fold.end_s == pytest.approx(found["end_time_s"], abs=case.due_s(found["end_time_s"]))
    assert fold.charge_ah == pytest.approx(found["charge_ah"], rel=case.share("charge"))
    energy_wh = found.get("energy_pack_wh", found.get("energy_wh"))
    assert fold.energy_wh == pytest.approx(energy_wh, rel=case.share("energy"))


@pytest.mark.parametrize("drop_last", [False, True])
@pytest.mark.parametrize("name", [*CIRCUIT, *PHYSICS])
def test_capacity_at_the_rows_own_spacing(name: str, drop_last: bool) -> None:
    case = ref.load_case(name)
    assert_agrees(case, analysed(ref.gone_on(case, drop_last=drop_last)))


@pytest.mark.parametrize("name", [*CIRCUIT, *PHYSICS])
def test_capacity_at_one_sample_a_second(name: str) -> None:
    case = ref.load_case(name)
    assert_agrees(case, analysed(ref.at_spacing(ref.gone_on(case, drop_last=False), 1.0)))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", CIRCUIT)
def test_noise_adds_what_noise_must_add(name: str, seed: int) -> None:
    """1 mV and 2 mA of white noise at 1 Hz. The crossing may move by sigma_v over the slope, charge with it; the
    amps add sigma h sqrt(n). All three within 3 sigma on top of the agreement stated."""
    case = ref.load_case(name)
    quiet = ref.at_spacing(ref.gone_on(case, drop_last=False), 1.0)
    fold = analysed(ref.noisy(quiet, volts=VOLTS_NOISE, amps=AMPS_NOISE, seed=seed))
    found = case.results
    slope = abs(case.load_v[-1] - case.load_v[-2]) / (case.t_s[-1] - case.t_s[-2])
    sigma_t = VOLTS_NOISE / slope
    sigma_ah = float(np.hypot(ref.charge_noise_ah(quiet, AMPS_NOISE), sigma_t * case.params["amps"] / 3600.0))
    assert fold.end_reason == END_VOLTS
    assert abs(fold.end_s - found["end_time_s"]) <= case.due_s(found["end_time_s"]) + 3 * sigma_t
    assert abs(fold.charge_ah - found["charge_ah"]) <= case.share("charge") * found["charge_ah"] + 3 * sigma_ah
    # Ten samples a second apart: the slope scatters by sigma_v over sqrt(82.5).
    assert fold.end.slope_v_per_s == pytest.approx(analysed(quiet).end.slope_v_per_s, abs=3 * VOLTS_NOISE / 82.5**0.5)


@pytest.mark.parametrize("end_v", [3.2, 3.0, 2.9, 2.8, 2.7, 2.6, 2.52])
@pytest.mark.parametrize("name", PHYSICS)
def test_any_end_voltage_is_found_between_rows(name: str, end_v: float) -> None:
    """Against a cubic spline through the same rows (scipy), which does not cut corners; within 0.05 s at the rows' own
    spacing of 2 to 20 s, or what the curve under one straight line makes, h^2/8 x V''/V', where the knee is sharper."""
    case = ref.load_case(name)
    spline = CubicSpline(case.t_s, case.pack_v)
    exact = float(spline.solve(end_v, extrapolate=False)[-1])
    cut = abs(float(spline(exact, 2) / spline(exact, 1))) * case.period_s**2 / 8.0
    fold = analysed(ref.gone_on(case, drop_last=False), end_v=end_v)
    assert fold.end_s == pytest.approx(exact, abs=max(0.05, 1.5 * cut))


def test_weak_cell_opens_the_pack_before_the_end_voltage() -> None:
    case = ref.load_case("weakcell-1C")
    fold = analysed(case, end_v=20.0)
    assert fold.end_reason == PACK_OPENED
    assert fold.end_s == pytest.approx(case.events["bms_opens_s"], abs=case.due_s(case.events["bms_opens_s"]))
    assert fold.charge_ah == pytest.approx(case.results["charge_ah"], rel=case.share("charge"))
    assert fold.last_v == pytest.approx(case.results["pack_v_before_open"], abs=case.agreement["volts"])


@pytest.mark.parametrize("offset_s", [0.0, 0.3, 0.48, 0.7])
def test_weak_cell_at_one_sample_a_second_is_short_by_a_second_at_most(offset_s: float) -> None:
    case = ref.load_case("weakcell-1C")
    before = case.t_s < case.events["bms_opens_s"]
    t_s = np.arange(offset_s, 3500.0, 1.0)
    amps = np.where(t_s < case.events["bms_opens_s"], 10.0, 0.0)
    volts = np.where(amps > 0, np.interp(t_s, case.t_s[before], case.pack_v[before]), 0.0)
    volts = np.where(t_s > case.events["bms_release_s"], 23.0, volts)
    fold = analysed(type(case)(case.name, t_s, volts, amps, case.params, case.events, case.results, case.agreement),
                    end_v=20.0)  # fmt: skip
    assert fold.end_reason == PACK_OPENED
    short_ah = case.results["charge_ah"] - fold.charge_ah
    assert -1e-9 <= short_ah <= 10.0 * 1.0 / 3600.0
    run = discharged(fold, site_of())
    assert short_ah <= figures(run)["capacity_ah"].expanded_uncertainty
    (line,) = [x for x in figures(run)["capacity_ah"].budget if x.source == "moment of opening"]
    assert line.standard_uncertainty == pytest.approx(10.0 / 3600.0 / 3**0.5, rel=1e-3)


_FILES = {
    "bench.toml": """
name = "invented"
[[instrument]]
name = "load"
role = "load"
address = "sim:cabinet/load"
dialect = "scpi-load"
sense = "remote"
lead_mohm = 20
max_volts = 60
amps_range = 25
amps_accuracy_reading_pct = 0.05
amps_accuracy_range_pct = 0.02
volts_range = 60
volts_accuracy_reading_pct = 0.03
volts_accuracy_range_pct = 0.02
""",
    "pack.toml": """
name = "reference"
chemistry = "lifepo4"
cells_in_series = 8
rated_ah = 10.0
nominal_volts = 25.6
charge_volts_max = 29.2
charge_amps_max = 10.0
discharge_amps_max = 20.0
bms = true
bms_cell_low_volts = 2.2
""",
}
_SITES: list[Site] = []


@pytest.fixture(scope="module", autouse=True)
def _site(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("files")
    for name, text in _FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    bench, pack = load_bench(folder / "bench.toml"), load_pack(folder / "pack.toml")
    _SITES.append(Site(bench, pack, envelope(pack=pack, bench=bench)))


def site_of() -> Site:
    return _SITES[-1]


def discharged(fold: DischargeFold, site: Site) -> Discharged:
    return Discharged(fold, RestFold(), RestFold(), Channels(site, VoltsPlace("load", "load", 0.0, 1.0)))


@pytest.mark.parametrize("name", [n for n in CIRCUIT if n.startswith(("cc", "heat"))])
def test_figures_say_what_the_fold_found(name: str) -> None:
    case = ref.load_case(name)
    run = discharged(analysed(ref.gone_on(case, drop_last=True)), site_of())
    made, found = figures(run), case.results
    assert made["capacity_ah"].value == pytest.approx(found["charge_ah"], rel=case.share("charge"))
    assert made["capacity_wh"].value == pytest.approx(found["energy_pack_wh"], rel=case.share("energy"))
    assert made["mean_v"].value == pytest.approx(found["mean_pack_v"], rel=case.share("energy"))
    assert made["rate_it"].value == pytest.approx(case.params["amps"] / 10.0, rel=case.share("amps"))
    assert made["retained_share"].value == pytest.approx(found["charge_ah"] / 10.0, rel=case.share("charge"))
    assert set(not_measured(run, made)) == {"last_v", "recovery_v", "temp_start_c", "temp_end_c", "rise_k"}
