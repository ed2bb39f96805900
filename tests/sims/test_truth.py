"""True figures: sane, undisturbing, and found again by a client who works the instruments by hand."""

from __future__ import annotations

import pytest

from sims.bench import SimBench, open_bench
from sims.scenario import load_scenario
from sims.truth import true_figures

CHARGE_UNITS = {"charge_in_ah": "A.h", "charge_in_wh": "W.h", "cv_s": "s", "end_a": "A"}
CAPACITY_UNITS = {
    "capacity_ah": "A.h",
    "capacity_wh": "W.h",
    "mean_v": "V",
    "end_v": "V",
    "temp_start_c": "Cel",
    "temp_end_c": "Cel",
    "rise_k": "K",
    "recovery_v": "V",
}


def values(bench: SimBench) -> dict[str, float]:
    return {name: float(figure.value) for name, figure in true_figures(bench.facts).items()}


def pack_figures(bench: SimBench) -> dict[str, object]:
    """Units of the figures of charge and capacity; UPS and c-rate have tests of their own."""
    return {name: figure.unit for name, figure in true_figures(bench.facts).items()}


@pytest.fixture(scope="module")
def cabinet() -> SimBench:
    return open_bench("cabinet", now=lambda: 0.0)


def test_ids_and_units(cabinet: SimBench) -> None:
    assert pack_figures(cabinet) == CHARGE_UNITS | CAPACITY_UNITS


def test_charge_and_capacity_agree_with_the_cells(cabinet: SimBench) -> None:
    found, pack = values(cabinet), load_scenario("cabinet").pack
    mean_ah = sum(pack.capacity_ah) / len(pack.capacity_ah)
    # What the pack can hold bounds what comes out; the ends of the curve keep a few percent back.
    assert 0.97 * mean_ah < found["capacity_ah"] < mean_ah
    # Put in: from the start share to nearly full, over the share of charge that is stored.
    to_full = mean_ah * (1.0 - pack.start_share[0]) / pack.cell.coulombic_share
    assert 0.98 * to_full < found["charge_in_ah"] < 1.002 * to_full
    assert found["mean_v"] == pytest.approx(found["capacity_wh"] / found["capacity_ah"], rel=1e-12)
    assert 8 * 3.1 < found["mean_v"] < 8 * 3.3
    assert found["charge_in_wh"] / found["charge_in_ah"] > found["mean_v"]
    assert 0.0 < found["end_a"] <= load_scenario("cabinet").plan.end_amps
    assert found["end_v"] < found["recovery_v"] < 8 * 3.2
    assert found["rise_k"] == pytest.approx(found["temp_end_c"] - found["temp_start_c"], abs=1e-9)


def test_asking_for_the_truth_disturbs_nothing() -> None:
    t = 5.0
    bench = open_bench("porch", now=lambda: t)
    load = bench.connect("load")
    load.feed(b"CURR 1;INP ON\n")
    before = (bench.world.t, bench.world.charge_ah, bench.world.pack_amps)
    first = bench.truth()
    told = {name: figure["value"] for name, figure in first.items() if name in CHARGE_UNITS | CAPACITY_UNITS}
    assert told == values(bench)
    assert (bench.world.t, bench.world.charge_ah, bench.world.pack_amps) == before
    # The truth belongs to the scenario's first state, whatever has been done since.
    assert bench.truth() == first == open_bench("porch", now=lambda: 0.0).truth()


@pytest.mark.parametrize("name", ["reversed", "asleep", "wrong-cells"])
def test_no_figures_where_the_plan_cannot_be_carried_out(name: str) -> None:
    assert pack_figures(open_bench(name, now=lambda: 0.0)) == {}


def test_seeds_draw_other_packs() -> None:
    one, other = (values(open_bench("porch", now=lambda: 0.0, seed=seed)) for seed in (1, 2))
    assert one["capacity_ah"] != other["capacity_ah"]
    assert all(0.85 * 7.9 < found["capacity_ah"] < 1.15 * 7.9 for found in (one, other))


def test_the_weak_pack_opens_before_its_end_voltage() -> None:
    found, plan = values(open_bench("weak", now=lambda: 0.0)), load_scenario("weak").plan
    assert not {"end_v", "recovery_v"} & found.keys()
    assert found["last_v"] > plan.end_volts + 0.5
    assert found["capacity_ah"] == pytest.approx(7.5, abs=0.4)


class Person:
    """Somebody who works the porch bench through its instruments, reading every ten seconds."""

    STEP_S = 10.0

    def __init__(self, seed: int) -> None:
        self.t = 0.0
        self.bench = open_bench("porch", now=lambda: self.t, seed=seed)
        self._talkers = {name: self.bench.connect(name) for name in self.bench.names}

    def ask(self, name: str, message: str) -> float:
        reply = self._talkers[name].feed(message.encode() + b"\n")
        return float(reply) if reply else 0.0

    def charge(self) -> float:
        plan = self.bench.facts.plan
        self.ask("supply", f"VOLT {plan.charge_volts};CURR {plan.charge_amps};OUTP ON")
        ah = 0.0
        while True:
            amps = self.ask("supply", "MEAS:CURR?")
            self.t += self.STEP_S
            then = self.ask("supply", "MEAS:CURR?")
            ah += 0.5 * (amps + then) * self.STEP_S / 3600.0
            if then <= plan.end_amps:
                self.ask("supply", "OUTP OFF")
                return ah

    def discharge(self) -> tuple[float, float]:
        plan, facts = self.bench.facts.plan, self.bench.facts.pack
        self.ask("load", f"FUNC CURR;CURR {plan.rate_it * facts.rated_ah};INP ON")
        ah = wh = 0.0
        volts = self.ask("meter", "MEAS:VOLT:DC?")
        while volts > plan.end_volts:
            amps = self.ask("load", "MEAS:CURR?")
            self.t += self.STEP_S
            then = self.ask("meter", "MEAS:VOLT:DC?")
            ah += amps * self.STEP_S / 3600.0
            wh += amps * 0.5 * (volts + then) * self.STEP_S / 3600.0
            volts = then
        self.ask("load", "INP OFF")
        return ah, wh


@pytest.mark.parametrize("seed", [4, pytest.param(0, marks=pytest.mark.slow)])
def test_a_person_at_the_instruments_finds_the_true_figures(seed: int) -> None:
    person = Person(seed)
    truth, facts = values(person.bench), person.bench.facts
    charged = person.charge()
    person.t += facts.plan.rest_s
    ah, wh = person.discharge()
    # Reading and programming errors as stated, one step of time, and the bleed of the idle supply (a few mA).
    rate = facts.plan.rate_it * facts.pack.rated_ah
    load_share = (facts.load.amps_accuracy_reading_pct + facts.load.amps_accuracy_range_pct * 40.0 / rate) / 100.0
    supply_share = (facts.supply.amps_accuracy_reading_pct + facts.supply.amps_accuracy_range_pct * 15.0 / 4.0) / 100.0
    slack = 2 * person.STEP_S * rate / 3600.0 + 0.02
    assert ah == pytest.approx(truth["capacity_ah"], rel=1.2 * load_share, abs=slack)
    assert wh == pytest.approx(truth["capacity_wh"], rel=1.2 * load_share + 0.001, abs=14.0 * slack)
    assert charged == pytest.approx(truth["charge_in_ah"], rel=1.2 * supply_share, abs=0.03)
