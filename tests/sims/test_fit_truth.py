"""True figures of a pack on its UPS, and the class, against hand computation and trajectories made elsewhere."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import trajectories as ref
from scipy.integrate import solve_ivp

from harness.simulating import truth_document, truth_text
from sims.assembly import build_pack
from sims.bms import Bms, BmsSpec
from sims.cell import CellSpec, CellStart
from sims.charger import ChargerSpec
from sims.fit_truth import full_ah, kept, true_fit_figures, true_hold_up
from sims.hold_up import BY_PACK, BY_UPS, floated, held_up, lowered
from sims.ocv import LIFEPO4, Table
from sims.pack import Pack
from sims.scenario import Scenario, load_scenario
from sims.truth import charged_world
from sims.ups import Ups
from sims.ups_spec import UpsSpec
from sims.verdict_truth import true_verdict
from sims.world import Leads, World

RULED_OUT = {"coulombic": 1.0, "hyst_volts": 0.0, "heat_j_per_k": float("inf")}


def plain_pack(cells: int, *, z: float = 1.0, **more: Any) -> Pack:
    """Equal cells of 10 Ah without what makes them less simple, unless asked for."""
    spec = CellSpec(capacity_ah=10.0, **RULED_OUT | more)
    return Pack(cell=spec, cells=(CellStart(z0=z),) * cells, r_bms=0.0)


def quick(**site: float) -> Scenario:
    """The cabinet with a fifth of its pack, nearly full already, in equal cells, and one load only: it is soon over."""
    cabinet = load_scenario("cabinet")
    pack, plan = cabinet.pack, replace(cabinet.plan, rate_it=2.0, rest_s=600.0, rest_after_s=120.0)
    pack = replace(pack, start_share=(0.9,) * 8, capacity_ah=(2.04,) * 8, r_factor=(1.0,) * 8, rated_ah=2.0)
    told: dict[str, Any] = {"load_w": 300.0, "load_w_max": 300.0, "runtime_needed_min": 6.0}
    told |= {"ambient_min_c": 18.0, "ambient_max_c": 28.0}
    return replace(cabinet, pack=pack, plan=plan, site=replace(cabinet.site, **told | site))


def with_ups(facts: Scenario, charger: dict[str, Any] | None = None, **electric: Any) -> Scenario:
    spec = facts.ups.spec
    spec = replace(spec, charger=replace(spec.charger, **charger or {}), **electric)
    return replace(facts, ups=replace(facts.ups, spec=spec))


# -- how full a float leaves it ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("float_v", "share"),
    [
        (13.50, 0.985),  # 3.375 V a cell, a node of the table
        (13.65, 0.985 + 0.008 * (3.4125 - 3.375) / (3.440 - 3.375)),
        (13.80, 0.993 + 0.007 * (3.450 - 3.440) / (3.600 - 3.440)),
        (14.20, 0.993 + 0.007 * (3.550 - 3.440) / (3.600 - 3.440)),
        (12.96, 0.200 + 0.05 * (3.240 - 3.225) / (3.243 - 3.225)),
    ],
)
@pytest.mark.parametrize("lift_v", [0.0, 0.006])
def test_share_by_interpolation(float_v: float, share: float, lift_v: float) -> None:
    """Come from below, every cell stands by its hysteresis higher: volts that much higher leave the same."""
    pack, lacking_ah = floated(plain_pack(4, hyst_volts=lift_v), volts=float_v + 4 * lift_v)
    assert pack.z == pytest.approx([share] * 4, abs=1e-9)
    assert 1.0 - lacking_ah / 10.0 == pytest.approx(share, abs=1e-9)
    assert pack.emf == pytest.approx(float_v + 4 * lift_v, abs=1e-9)


def test_unequal_cells_lack_the_same_charge() -> None:
    full = build_pack(replace(load_scenario("weak").pack, start_share=(0.99,) * 8), ambient_c=20.0)
    pack, lacking_ah = floated(full, volts=27.0)
    left = [z * c for z, c in zip(full.z, full.model.coulombs, strict=True)]
    each = [a - z * c for a, z, c in zip(left, pack.z, pack.model.coulombs, strict=True)]
    assert each == pytest.approx([3600.0 * lacking_ah] * 8)
    assert sum(LIFEPO4.value(z) + 0.006 for z in pack.z) == pytest.approx(27.0)


def test_a_float_beyond_full_ends_at_the_fullest_cell() -> None:
    pack, lacking_ah = floated(plain_pack(4, z=0.99), volts=15.0)
    assert pack.z == [1.0] * 4
    assert lacking_ah == pytest.approx(-0.1)


def test_a_charge_that_is_waited_out_comes_to_the_same() -> None:
    facts = load_scenario("cabinet").pack
    full = build_pack(replace(facts, start_share=(0.999,) * 8), ambient_c=25.0)
    wanted, _ = floated(full, volts=27.3)
    start = lowered(wanted, 3600.0, hyst=-1.0)
    ups = Ups(UpsSpec(charger=ChargerSpec(float_v=27.3, amps=5.0, ohms=0.06)), mains_on=True)
    world = World(pack=start, ups=ups)
    world.long_steps(4.0)
    world.advance_to(2.0 * 3600.0)
    assert 0.0 < -world.pack_amps < 2e-3
    assert world.pack.z == pytest.approx(wanted.z, abs=1e-4)


def test_share_is_of_what_the_pack_gives() -> None:
    facts = quick()
    figures, full, pack = true_fit_figures(facts), charged_world(facts)[0].pack, kept(facts).pack
    lacking_ah = (full.z[0] - pack.z[0]) * facts.pack.capacity_ah[0]
    assert figures["charge_share"].value == pytest.approx(1.0 - lacking_ah / full_ah(facts))
    # 27.3 V over 8 cells, less 6 mV of hysteresis, between two nodes of the table.
    mean_z = 0.985 + 0.008 * (27.3 / 8 - 0.006 - 3.375) / (3.440 - 3.375)
    assert np.mean(pack.z) == pytest.approx(mean_z, abs=2e-5)


# -- how long it lasts ------------------------------------------------------------------------------------------------


def reference_ups(told: dict[str, Any]) -> UpsSpec:
    shares, etas = told["eta_table"]
    names = ("rated_w", "transfer_s", "cutoff_v", "cutoff_hold_s", "filter_tau_s", "warn_v", "warn_release_v",
             "warn_hold_s")  # fmt: skip
    return UpsSpec(
        idle_w=told["p_idle_w"], efficiency_share=tuple(shares), efficiency=tuple(etas), off_amps=told["off_a"],
        **{name: told[name] for name in names},
        charger=ChargerSpec(float_v=told["charger_v"], amps=told["charger_a"], ohms=told["charger_r"]),
    )  # fmt: skip


@pytest.mark.parametrize("name", ["holdup-100W", "holdup-250W", "holdup-weak-150W"])
def test_runtime_against_trajectories_made_elsewhere(name: str) -> None:
    case = ref.load_case(name)
    params, found, agreed = case.params, case.results, case.agreement
    if params.get("bms") is None:
        params.pop("bms", None)
    else:
        params["bms"]["uv_release_v"] = float("inf")
    spec = reference_ups(params["ups"])
    leads = Leads(r_pack=params["r_lead"])
    made = held_up(ref.world_of(case).pack, spec, ac_w=params["p_ac_w"], room_c=25.0, leads=leads)
    assert made.charge_ah == pytest.approx(found["charge_ah"], rel=ref.share(agreed["charge"]))
    if "weak" in name:
        # The file begins with the inverter on; the pack opens first, from volts that its last rows tell.
        assert made.seconds - spec.transfer_s == pytest.approx(case.events["bms_opens_s"], abs=0.010)
        last = [row for row in case.rows if row["t_s"] < case.events["bms_opens_s"] and row["amps"] > 1.0][-1]
        assert made.ended_by == BY_PACK
        assert made.opens_v == pytest.approx(last["load_v"], abs=0.03)
        return
    assert made.ended_by == BY_UPS
    assert made.seconds - spec.transfer_s == pytest.approx(found["runtime_s"], abs=case.due(found["runtime_s"]))
    assert made.energy_wh == pytest.approx(found["energy_ups_wh"], rel=ref.share(agreed["energy"]))


def test_runtime_against_direct_integration() -> None:
    """One equation a state, time from the integrator's own event; with hysteresis and a resistance that rises."""
    watts, floor_v, lift, gamma, z0 = 130.0, 21.0, 0.006, 40.0, 0.985
    rise = Table((0.0, 0.05, 0.10, 1.0), (2.2, 1.4, 1.0, 1.0))
    pack = plain_pack(8, z=z0, hyst_volts=lift, hyst_gamma=gamma, r0_scale=rise)
    pack.cells.hyst = [1.0] * 8
    pack.model.refresh(pack.cells)
    spec = UpsSpec(idle_w=watts, cutoff_v=floor_v, cutoff_hold_s=0.0, filter_tau_s=0.0, transfer_s=0.0)
    cell = pack.model.spec

    def volts_and_amps(state: Any) -> tuple[float, float]:
        z, v1, v2, h = state
        emf = np.interp(z, LIFEPO4.at, LIFEPO4.values) + lift * h - v1 - v2
        ohm = cell.r0 * np.interp(z, rise.at, rise.values)
        amps = (emf - np.sqrt(emf**2 - 4.0 * ohm * watts / 8.0)) / (2.0 * ohm)
        return 8.0 * (emf - ohm * amps), amps

    def rates(_: float, state: Any) -> list[float]:
        _, v1, v2, h = state
        amps = volts_and_amps(state)[1]
        return [-amps / 36000.0, (amps * cell.r1 - v1) / cell.tau1_s, (amps * cell.r2 - v2) / cell.tau2_s,
                -gamma * amps / 36000.0 * (h + 1.0)]  # fmt: skip

    def cut_off(_: float, state: Any) -> float:
        return volts_and_amps(state)[0] - floor_v

    cut_off.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(rates, (0.0, 2e4), [z0, 0.0, 0.0, 1.0], events=cut_off, max_step=5.0, rtol=1e-8, atol=1e-10)
    made = held_up(pack, spec, ac_w=0.0, room_c=25.0)
    assert made.seconds == pytest.approx(float(solved.t_events[0][0]), rel=1e-5)
    assert made.charge_ah == pytest.approx(10.0 * (z0 - float(solved.y_events[0][0][0])), rel=1e-5)
    assert made.energy_wh == pytest.approx(watts * made.seconds / 3600.0, rel=1e-5)


def test_the_pack_that_was_asked_about_is_as_it_was() -> None:
    pack = plain_pack(8, z=0.1)
    before = list(pack.z), pack.emf
    held_up(pack, UpsSpec(), ac_w=200.0, room_c=25.0)
    assert (list(pack.z), pack.emf) == before


# -- margins ----------------------------------------------------------------------------------------------------------


def test_margins_by_hand() -> None:
    facts = quick(load_w_max=320.0)
    figures = true_fit_figures(facts)
    assert figures["charge_current_margin_a"].value == pytest.approx(10.0 - 0.9)
    # 320 W of 420 W: between 0.75 with 0.865 and 1 with 0.85.
    eta = 0.865 - 0.015 * (320.0 / 420.0 - 0.75) / 0.25
    assert figures["discharge_current_margin_a"].value == pytest.approx(20.0 - (7.0 + 320.0 / eta) / 21.0)
    # 20 A at 21 V are 420 W: P / eta(P) = 413 W.
    watts = 350.0
    for _ in range(50):
        watts = 413.0 * (0.865 - 0.015 * (watts / 420.0 - 0.75) / 0.25)
    assert figures["load_w_max"].value == pytest.approx(watts, abs=0.01)
    usual = true_hold_up(facts, 300.0)
    assert (figures["usable_ah"].value, figures["usable_wh"].value) == (usual.charge_ah, usual.energy_wh)
    dc_w = 7.0 + 300.0 / (0.87 - 0.005 * (300.0 / 420.0 - 0.5) / 0.25)
    assert usual.energy_wh == pytest.approx(dc_w * usual.seconds / 3600.0, rel=1e-3)
    assert figures["runtime_s"].value == usual.seconds


@pytest.mark.parametrize(("watts", "opens"), [(60.0, False), (330.0, True)])
def test_where_the_pack_ends_by_hand(watts: float, opens: bool) -> None:
    """A cell is empty at 2.400 V less what acts over minutes; with much current it is seen under 2.200 V before, and
    for 1 s more."""
    pack = plain_pack(8, z=0.06, r0=0.008 if opens else 0.0035)
    pack.bms, pack.r_bms = Bms(BmsSpec(cell_low_volts=2.2)), 0.012
    cell, floor_v = pack.model.spec, 16.0
    volts = 8 * (2.2 if opens else 2.4)
    for _ in range(50):
        amps = watts / volts
        each = 2.2 - 25.0 * amps / 36000.0 if opens else 2.4 - amps * (cell.r0 + cell.r1 + cell.r2)
        volts = 8 * each - 0.012 * amps
    pack.cells.v1, pack.cells.v2 = [amps * cell.r1] * 8, [amps * cell.r2] * 8
    pack.model.refresh(pack.cells)
    spec = UpsSpec(idle_w=watts, cutoff_v=floor_v, uvlo_v=12.0)
    made = held_up(pack, spec, ac_w=0.0, room_c=25.0)
    assert made.ended_by == BY_PACK
    assert made.opens_v == pytest.approx(volts, abs=0.03)
    # With a floor well above the UPS ends it, and the pack would have opened where it did.
    stopped = held_up(pack, replace(spec, cutoff_v=20.5), ac_w=0.0, room_c=25.0)
    assert stopped.ended_by == BY_UPS
    assert stopped.seconds < made.seconds
    assert stopped.opens_v == pytest.approx(made.opens_v, abs=1e-3)


def test_a_floor_that_falls_with_load_caps_it() -> None:
    facts = with_ups(quick(), cutoff_v=21.0, cutoff_fall_v=6.0, uvlo_v=12.0)
    most_w = float(true_fit_figures(facts)["load_w_max"].value)
    pack, spec = kept(facts).pack, facts.ups.spec
    assert 200.0 < most_w < 330.0, "under what the current allows"
    under, over = (
        spec.cutoff_at(ac_w) - held_up(pack, spec, ac_w=ac_w, room_c=facts.ambient_c).opens_v
        for ac_w in (0.9 * most_w, 1.1 * most_w)
    )
    assert over < 0.0 < under


# -- the class --------------------------------------------------------------------------------------------------------

TROUBLES = {
    "none": (quick(), "fits", ""),
    "warm place": (quick(ambient_max_c=38.0), "fits with conditions", "room temperature"),
    "frost, where the pack stops the charge": (quick(ambient_min_c=-5.0), "fits with conditions", "room temperature"),
    "arctic place": (quick(ambient_min_c=-12.0), "does not fit", "room temperature"),
    "high ceiling": (with_ups(quick(), {"float_v": 29.5}), "does not fit", "charge volts"),
    "strong charger": (with_ups(quick(), {"amps": 10.5}), "does not fit", "charge current"),
    "low floor": (with_ups(quick(), cutoff_v=16.5, uvlo_v=12.0), "does not fit", "floor margin"),
    "heavy load": (quick(load_w_max=380.0), "does not fit", "discharge current"),
    "long need": (quick(runtime_needed_min=12.0), "does not fit", "runtime"),
    "input too high": (with_ups(quick(), high_v=26.5, above_high="abnormal"), "does not fit", "volts of the full pack"),
}


@pytest.mark.parametrize("trouble", TROUBLES)
def test_each_trouble_has_its_class(trouble: str) -> None:
    facts, verdict, decides = TROUBLES[trouble]
    made = true_verdict(facts)
    assert made is not None
    assert (made.verdict, made.decides) == (verdict, decides), made.lines
    assert [ac_w for ac_w, _ in made.runtimes] == sorted({facts.site.load_w, facts.site.load_w_max})


def test_a_pack_that_opens_first_does_not_fit() -> None:
    weak = load_scenario("weak")
    weak = replace(weak, site=replace(weak.site, load_w=250.0, load_w_max=250.0))
    made, figures = true_verdict(weak), true_fit_figures(weak)
    assert made is not None
    assert (made.verdict, made.decides) == ("does not fit", "floor margin")
    assert float(figures["floor_margin_v"].value) < -1.0
    assert figures["load_w_max"].value == 0.0
    assert true_hold_up(weak, 250.0).ended_by == BY_PACK


# -- told -------------------------------------------------------------------------------------------------------------

IDS = {"charge_share": "1", "usable_ah": "A.h", "usable_wh": "W.h", "floor_margin_v": "V", "runtime_s": "s",
       "charge_current_margin_a": "A", "discharge_current_margin_a": "A", "load_w_max": "W"}  # fmt: skip


def test_truth_tells_figures_and_class() -> None:
    document = truth_document("cabinet", None)
    assert {name: document["figures"][name]["unit"] for name in IDS} == IDS
    assert document["fit"]["verdict"] == "fits with conditions"
    assert [one["load_w"] for one in document["fit"]["runtime_s"]] == [120.0, 200.0]
    text = truth_text("cabinet", None)
    assert "fits with conditions, decided by: room temperature" in text
    assert "at 120 W for 1:41:04" in text
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("name", ["reversed", "asleep", "wrong-cells"])
def test_a_pack_that_hangs_wrong_has_no_verdict(name: str) -> None:
    document = truth_document(name, None)
    assert not set(IDS) & set(document["figures"])
    assert "fit" not in document
