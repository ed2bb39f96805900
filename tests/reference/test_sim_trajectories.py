"""The simulated pack against trajectories computed independently with numpy + scipy, at the agreement stated there.

Rows within 10 ms of an event may differ and are not compared.
"""

from __future__ import annotations

import math

import pytest
import trajectories as ref

from sims.world import World

CONSTANT_CURRENT = (
    "cc-0.2C-lead20", "cc-1C-lead0", "cc-1C-lead20", "cc-2C-lead0", "cc-2C-lead20", "nmc-1C",
    "heat-2C-25", "heat-1C-0",
)  # fmt: skip
NEAR_EVENT_S = 0.010


def _load_on(world: World, amps: float) -> None:
    assert world.load is not None
    world.load.amps_set, world.load.input_on = amps, True
    world.changed()


@pytest.mark.parametrize(
    ("name", "outer_s"),
    [
        *((name, 1.0) for name in CONSTANT_CURRENT),
        pytest.param("cc-0.2C-lead0", 1.0, marks=pytest.mark.slow),
        ("cc-1C-lead20", 10.0),
        ("heat-2C-25", 0.37),
    ],
)
def test_constant_current_discharge(name: str, outer_s: float) -> None:
    case = ref.load_case(name)
    agreed, found, world = case.agreement, case.results, ref.world_of(case)
    # The load's own stop marks the end to the microsecond: it opens at once below the end voltage.
    world.load.low_volts, world.load.low_volts_delay_s = case.params["end_v"], 0.0
    _load_on(world, case.params["amps"])
    for row in case.rows:
        if row["t_s"] > found["end_time_s"] - NEAR_EVENT_S:
            break
        ref.advance(world, row["t_s"], outer_s=outer_s)
        assert world.volts_at("pack") == pytest.approx(row["pack_v"], abs=agreed["volts"])
        assert world.volts_at("load") == pytest.approx(row["load_v"], abs=agreed["volts"])
        assert world.charge_ah == pytest.approx(row["charge_ah"], rel=ref.share(agreed["charge"]))
        assert world.energy_wh == pytest.approx(row["energy_wh"], rel=ref.share(agreed["energy"]))
        assert world.temp_c("pack") == pytest.approx(row["temp_c"], abs=agreed.get("temp_c", 0.01))
    last = ref.first_moment(world, lambda w: not w.load.input_on)
    assert last.events[-1].what.startswith("load: below")
    assert last.events[-1].t_s == pytest.approx(found["end_time_s"], abs=case.due(found["end_time_s"]))
    assert last.charge_ah == pytest.approx(found["charge_ah"], rel=ref.share(agreed["charge"]))
    assert last.energy_wh == pytest.approx(found["energy_pack_wh"], rel=ref.share(agreed["energy"]))
    assert last.totals.load_j / 3600.0 == pytest.approx(found["energy_load_wh"], rel=ref.share(agreed["energy"]))
    assert last.temp_c("pack") == pytest.approx(found["end_temp_c"], abs=agreed.get("temp_c", 0.01))
    assert last.pack.z[0] == pytest.approx(found["end_soc"], abs=1e-4)


@pytest.mark.parametrize(
    ("name", "outer_s"), [("cccv-remote", 1.0), ("cccv-local", 1.0), ("cccv-rise", 1.0), ("cccv-rise", 10.0)]
)
def test_constant_current_constant_volts_charge(name: str, outer_s: float) -> None:
    case = ref.load_case(name)
    agreed, found, params = case.agreement, case.results, case.params
    world = ref.world_of(case)
    world.supply.volts_set, world.supply.amps_set, world.supply.output_on = params["cv_v"], params["amps"], True
    world.changed()
    assert world.supply.mode == "cc"
    reached_cv = None
    for row in case.rows:
        if row["t_s"] > case.events["end_current_reached_s"] - NEAR_EVENT_S:
            break
        if reached_cv is None and row["t_s"] > case.events["cc_to_cv_s"]:
            reached_cv = ref.first_moment(world, lambda w: w.supply.mode == "cv")
        ref.advance(world, row["t_s"], outer_s=outer_s)
        if abs(row["t_s"] - case.events["cc_to_cv_s"]) < NEAR_EVENT_S:
            continue
        assert world.volts_at("pack") == pytest.approx(row["pack_v"], abs=agreed["volts"])
        assert world.volts_at("supply") == pytest.approx(row["load_v"], abs=agreed["volts"])
        assert world.pack_amps == pytest.approx(row["amps"], rel=ref.share(agreed["amps"]))
        assert world.charge_ah == pytest.approx(row["charge_ah"], rel=ref.share(agreed["charge"]))
        assert world.energy_wh == pytest.approx(row["energy_wh"], rel=ref.share(agreed["energy"]))
    assert reached_cv is not None
    assert reached_cv.t == pytest.approx(case.events["cc_to_cv_s"], abs=case.due(case.events["cc_to_cv_s"]))
    assert -reached_cv.charge_ah == pytest.approx(found["cc_charge_ah"], rel=ref.share(agreed["charge"]))
    last = ref.first_moment(world, lambda w: w.supply_amps <= params["end_a"])
    end_s = case.events["end_current_reached_s"]
    assert last.t == pytest.approx(end_s, abs=case.due(end_s))
    assert -last.charge_ah == pytest.approx(found["total_charge_ah"], rel=ref.share(agreed["charge"]))
    assert -last.energy_wh == pytest.approx(found["energy_wh"], rel=ref.share(agreed["energy"]))
    assert last.pack.z[0] == pytest.approx(found["end_soc"], abs=1e-4)
    assert last.volts_at("supply") == pytest.approx(found["supply_v_at_end"], abs=agreed["volts"])


@pytest.mark.parametrize("outer_s", [0.1, 1.0, 10.0])
def test_weak_cell_opens_the_bms_relaxes_and_is_released(outer_s: float) -> None:
    case = ref.load_case("weak-cell-1C")
    agreed, found, world = case.agreement, case.results, ref.world_of(case)
    _load_on(world, case.params["amps"])
    opens_s, release_s = case.events["bms_opens_s"], case.events["bms_release_s"]
    weak = case.events["weak_cell_index"]
    for row in case.rows:
        after_opening = row["t_s"] > opens_s
        if after_opening and world.load.input_on:
            ref.advance(world, opens_s + 0.001, outer_s=outer_s)
            world.load.input_on = False
            world.changed()
        ref.advance(world, row["t_s"], outer_s=outer_s)
        if any(abs(row["t_s"] - t) < NEAR_EVENT_S for t in (opens_s, release_s)):
            continue
        volts = world.pack.cell_volts(world.pack_amps)
        assert world.volts_at("pack") == pytest.approx(row["pack_v"], abs=agreed["volts"])
        assert world.pack_amps == pytest.approx(row["amps"], rel=ref.share(agreed["amps"]))
        assert min(volts) == pytest.approx(row["cell_min_v"], abs=agreed["volts"])
        assert max(volts) == pytest.approx(row["cell_max_v"], abs=agreed["volts"])
        assert volts[weak] == pytest.approx(row["weak_cell_v"], abs=agreed["volts"])
        assert world.pack.closed == (row["bms"] == "closed")
    happened = {e.what: e.t_s for e in world.events}
    assert happened["bms: cell under-voltage, discharge path opened"] == pytest.approx(opens_s, abs=case.due(opens_s))
    assert happened["bms: cell under-voltage, released"] == pytest.approx(release_s, abs=case.due(release_s))
    assert world.charge_ah == pytest.approx(found["charge_ah"], rel=ref.share(agreed["charge"]))


def test_c_rate_steps() -> None:
    case = ref.load_case("steps")
    world, agreed = ref.world_of(case), case.agreement
    world.supply.volts_set = 30.0
    start_s = 0.0
    edges = []
    for amps, seconds in case.params["profile_amps_s"]:
        edges.append((start_s, amps))
        start_s += seconds
    for row in case.rows:
        while edges and edges[0][0] <= row["t_s"]:
            at_s, amps = edges[0]
            ref.advance(world, at_s, outer_s=1.0)
            if at_s == row["t_s"] and row["amps"] != amps:
                break
            edges.pop(0)
            world.load.amps_set, world.load.input_on = max(amps, 0.0), amps > 0.0
            world.supply.amps_set, world.supply.output_on = max(-amps, 0.0), amps < 0.0
            world.changed()
        ref.advance(world, row["t_s"], outer_s=1.0)
        assert world.pack_amps == pytest.approx(row["amps"], rel=ref.share(agreed["amps"]))
        assert world.volts_at("pack") == pytest.approx(row["pack_v"], abs=agreed["volts"])
        assert world.charge_ah == pytest.approx(row["charge_ah"], rel=ref.share(agreed["charge"]))
    assert world.charge_ah == pytest.approx(case.results["charge_ah"], rel=ref.share(agreed["charge"]))


def test_c_rate_resistances() -> None:
    """At 0, 1 and 10 s after each step, from the volts before it."""
    case = ref.load_case("steps")
    world, agreed, start_s = ref.world_of(case), case.agreement, 0.0
    world.supply.volts_set = 30.0
    expected = iter(case.results["steps"])
    for amps, seconds in case.params["profile_amps_s"]:
        world.advance_to(start_s)
        before_v = world.volts_at("pack")
        world.load.amps_set, world.load.input_on = max(amps, 0.0), amps > 0.0
        world.supply.amps_set, world.supply.output_on = max(-amps, 0.0), amps < 0.0
        world.changed()
        step = next(expected) if amps else None
        for after_s, volts, ohms in ((0.0, "v_0plus", "r_0"), (1.0, "v_1s", "r_1s"), (10.0, "v_10s", "r_10s")):
            if step is None:
                continue
            world.advance_to(start_s + after_s)
            assert before_v == pytest.approx(step["v_before"], abs=agreed["volts"])
            assert world.volts_at("pack") == pytest.approx(step[volts], abs=agreed["volts"])
            r_mohm = 1e3 * (before_v - world.volts_at("pack")) / amps
            assert r_mohm == pytest.approx(step[f"{ohms}_mohm"], abs=1e3 * agreed["volts"] / abs(amps))
        start_s += seconds
    assert next(expected, None) is None


def test_hysteresis_round() -> None:
    case = ref.load_case("hysteresis")
    world, agreed = ref.world_of(case), case.agreement
    amps = case.params["amps"]
    world.supply.volts_set = 30.0
    marks = case.results["marks"]
    for mark, load_amps, supply_amps in zip(marks, (amps, 0.0, 0.0, 0.0), (0.0, 0.0, amps, 0.0), strict=True):
        world.load.amps_set, world.load.input_on = load_amps, load_amps > 0.0
        world.supply.amps_set, world.supply.output_on = supply_amps, supply_amps > 0.0
        world.changed()
        for row in case.rows:
            if world.t < row["t_s"] < mark["t_s"]:
                ref.advance(world, row["t_s"], outer_s=10.0)
                assert world.volts_at("pack") == pytest.approx(row["pack_v"], abs=agreed["volts"])
        ref.advance(world, mark["t_s"], outer_s=10.0)
        assert world.volts_at("pack") == pytest.approx(mark["pack_v"], abs=agreed["volts"])
        assert world.pack.cells.hyst[0] == pytest.approx(mark["h"], abs=1e-6)
        assert world.pack.z[0] == pytest.approx(mark["soc"], abs=1e-9)
        assert math.isclose(world.pack_amps, mark["amps"], abs_tol=1e-9)
