"""A meter across a shunt in the pack's lead, and what the bench file says of it and of channels."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest

from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import MeterFacts, ShuntFacts, load_scenario

METER = MeterFacts(
    volts_max=0.1,
    volts_accuracy_reading_pct=0.02,
    volts_accuracy_range_pct=0.01,
    volts_step=1e-6,
    volts_noise=1e-6,
)
SHUNT = ShuntFacts(mohm=2.0, accuracy_pct=0.5, meter=METER)

FITTED = ("supply", "load", "meter", "thermometer", "shunt")


class Bench:
    def __init__(self, shunt: ShuntFacts = SHUNT, seed: int | None = None, fitted: tuple[str, ...] = FITTED) -> None:
        self.t = 0.0
        facts = replace(load_scenario("porch"), fitted=fitted, shunt=shunt)
        self.sim = SimBench(facts, now=lambda: self.t, seed=seed)

    def ask(self, name: str, text: str) -> str:
        return self.sim.connect(name).feed(text.encode() + b"\n").decode().strip()

    def volts(self) -> float:
        return float(self.ask("shunt", "MEAS:VOLT:DC?"))


def off_by(shunt: ShuntFacts, volts: float, amps: float) -> float:
    """How much of what is stated the reading is off, at most 1."""
    true = amps * shunt.mohm / 1000.0
    allowed = (METER.volts_accuracy_reading_pct * abs(volts) + METER.volts_accuracy_range_pct * 0.1) / 100.0
    return abs(volts - true) / (allowed + shunt.accuracy_pct / 100.0 * abs(true))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("mohm", "accuracy_pct"), [(2.0, 0.5), (10.0, 0.1), (0.5, 2.0)])
def test_it_reads_the_volts_across_the_shunt_within_what_is_stated(seed: int, mohm: float, accuracy_pct: float) -> None:
    shunt = replace(SHUNT, mohm=mohm, accuracy_pct=accuracy_pct)
    bench = Bench(shunt, seed)
    bench.ask("load", "CURR 3;INP ON")
    bench.t = 10.0
    volts, amps = bench.volts(), bench.sim.world.pack_amps
    assert amps > 2.9
    assert volts > 0.0
    assert off_by(shunt, volts, amps) <= 1.0


def test_signs_and_a_crossed_pair_of_leads() -> None:
    right, crossed = Bench(), Bench(replace(SHUNT, inverted=True))
    for bench in (right, crossed):
        bench.ask("supply", "VOLT 14;CURR 2;OUTP ON")
        bench.t = 5.0
    assert right.sim.world.pack_amps == pytest.approx(-2.0, abs=0.03)
    assert right.volts() == pytest.approx(-0.004, abs=1e-4)
    assert crossed.volts() == pytest.approx(0.004, abs=1e-4)


def test_a_current_between_supply_and_load_does_not_pass_it() -> None:
    bench = Bench()
    bench.sim.do("wire ups")
    bench.ask("supply", "VOLT 12;CURR 5;OUTP ON")
    bench.ask("load", "CURR 2;INP ON")
    bench.t = 1.0
    world = bench.sim.world
    assert world.load_amps > 1.9
    assert bench.volts() == pytest.approx(-world.ups_amps * 0.002, abs=4e-5)


def test_the_bench_is_the_same_with_it_and_without() -> None:
    states = []
    for fitted in (FITTED, FITTED[:-1]):
        bench = Bench(fitted=fitted)
        bench.ask("load", "CURR 3;INP ON")
        bench.t = 500.0
        states.append((bench.ask("meter", "MEAS:VOLT:DC?"), bench.sim.world.charge_ah, bench.ask("load", "MEAS:CURR?")))
    assert states[0] == states[1]


def test_what_the_bench_file_says_of_a_shunt() -> None:
    bench = Bench(replace(SHUNT, inverted=True))
    written = tomllib.loads(bench.sim.bench_toml({name: name for name in FITTED}))
    entry = next(one for one in written["instrument"] if one["name"] == "shunt")
    assert entry == {
        "name": "shunt",
        "role": "meter",
        "address": "shunt",
        "dialect": "scpi-shunt-meter",
        "identity": "NIGHTBENCH,SIM-SHUNT,porch-10",
        "measures": "shunt",
        "shunt_mohm": 2.0,
        "shunt_accuracy_pct": 0.5,
        "shunt_inverted": True,
        "volts_range": 0.1,
        "volts_accuracy_reading_pct": 0.02,
        "volts_accuracy_range_pct": 0.01,
    }


@pytest.mark.parametrize(
    ("shape", "dialect", "channel"),
    [
        ("", "scpi-supply", None),
        ("single", "scpi-supply", None),
        ("two-quadrant", "scpi-supply-two-quadrant", None),
        ("select", "scpi-supply-select", 2),
        ("suffix", "scpi-supply-suffix", 2),
        ("list", "scpi-supply-list", 2),
    ],
)
def test_what_it_says_of_a_supply(shape: str, dialect: str, channel: int | None) -> None:
    sim = SimBench(load_scenario("porch"), now=lambda: 0.0, seed=None, manners={"supply": Manners(shape=shape)})
    entry = tomllib.loads(sim.bench_toml({name: name for name in sim.names}))["instrument"][0]
    assert (entry["dialect"], entry.get("channel")) == (dialect, channel)
    assert entry["own_over_volts_stop"] is True


def test_what_it_says_of_a_relay_box_and_a_load() -> None:
    manners = {"mains": Manners(shape="route"), "load": Manners(shape="mode")}
    sim = SimBench(load_scenario("cabinet"), now=lambda: 0.0, seed=None, manners=manners)
    addresses = {name: f"at {name}" for name in sim.names if name != "acload"}
    found = {one["name"]: one for one in tomllib.loads(sim.bench_toml(addresses))["instrument"]}
    said = [
        tuple(found[n].get(key) for key in ("address", "dialect", "channel", "identity")) for n in ("mains", "acload")
    ]
    assert said == [("at mains", "scpi-switch-route", channel, "NIGHTBENCH,SIM-RELAYS,cabinet-5") for channel in (1, 2)]
    assert (found["mains"]["switches"], found["acload"]["switches"]) == ("mains", "ac-load")
    assert found["load"]["dialect"] == "scpi-load-mode"
    assert found["load"]["own_low_volts_stop"] is True
    assert "channel" not in found["load"]
