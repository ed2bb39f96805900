"""A person at the simulated bench, the switches and contacts of its UPS: in memory and over the control port."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from drivers.dialect import SwitchDialect, load
from drivers.faults import ReadBackMismatch
from drivers.session import Session
from drivers.switch import PowerSwitch
from drivers.wire_memory import MemoryWire
from sims.bench import SimBench, open_bench
from sims.control import Control
from sims.hands import ORDERS, REACTION_S
from sims.scenario import load_scenario
from sims.serve import serve

DARK_V, DIM_V, GOOD_V = 20.5, 22.0, 26.0
"""Volts for the cabinet's UPS: below its floor, below its warning, and neither."""


class Place:
    """A bench, its time, a session with every instrument, and the person."""

    def __init__(self, scenario: str = "cabinet", seed: int | None = None) -> None:
        self.t = 0.0
        self.bench: SimBench = open_bench(scenario, now=lambda: self.t, seed=seed)
        self._talkers = {name: self.bench.connect(name) for name in self.bench.names}
        self.ups = self.bench.ups

    def ask(self, name: str, message: str) -> str:
        return self._talkers[name].feed(message.encode() + b"\n").decode().strip()

    def wait(self, seconds: float) -> None:
        self.t += seconds
        self.bench.advance()

    def on_battery(self) -> None:
        """The UPS runs from the supply at ``GOOD_V``, mains gone."""
        assert self.bench.do("wire ups") == "done"
        self.ask("supply", f"VOLT {GOOD_V};CURR 10;OUTP ON")
        self.ask("mains", "OUTP ON")
        self.ask("acload", "OUTP ON")
        self.wait(10.0)
        self.ask("mains", "OUTP OFF")
        self.wait(5.0)
        assert self.ups.state == "battery"
        self.bench.noticed()


def test_each_order_is_carried_out() -> None:
    place = Place("porch")
    assert place.bench.world.hooked == "pack"
    for order in ORDERS:
        assert place.bench.do(order) == "done", order
        seen = {
            "wire pack": place.bench.world.hooked == "pack",
            "wire ups": place.bench.world.hooked == "ups",
            "wire none": place.bench.world.hooked == "none",
            "mains on": place.ups.mains_on,
            "mains off": not place.ups.mains_on,
            "ac load on": place.ups.ac_load_on,
            "ac load off": not place.ups.ac_load_on,
        }
        assert seen[order], order
        assert place.bench.do(order) == "done", "twice is fine"


def test_somebody_who_has_left_does_nothing_and_sees_nothing() -> None:
    place = Place()
    place.on_battery()
    assert place.bench.do("press enter") == "done"
    assert place.bench.tell("fuse")
    assert place.bench.do("leave") == "done"
    for order in (*ORDERS, "press enter"):
        assert place.bench.do(order) == "nobody is there", order
    assert place.bench.tell("fuse") == ""
    place.ask("supply", f"VOLT {DIM_V}")
    place.wait(10.0)
    assert place.bench.noticed() == [], "nobody hears the warning"
    assert place.bench.do("return") == "done"
    assert place.bench.do("press enter") == "done"
    assert place.bench.noticed() == [], "nor is told later"


def test_what_is_no_order_is_said() -> None:
    place = Place()
    for nonsense in ("", "wire", "wire both", "mains", "mains up", "WIRE UPS", "ac load", "press"):
        assert place.bench.do(nonsense).startswith("no order"), nonsense
    assert place.bench.world.hooked == "pack"


@pytest.mark.parametrize("order", ["wire ups", "wire pack"])
@pytest.mark.parametrize(
    ("name", "on", "off", "why"),
    [
        ("supply", "VOLT 26;CURR 1;OUTP ON", "OUTP OFF", "the supply's output is on: it would spark"),
        ("load", "CURR 1;INP ON", "INP OFF", "the load's input is on: it would spark"),
        ("mains", "OUTP ON", "OUTP OFF", "the UPS is on mains and its charger is live"),
    ],
)
def test_nobody_wires_what_is_live(order: str, name: str, on: str, off: str, why: str) -> None:
    place = Place()
    if order == "wire pack":
        assert place.bench.do("wire ups") == "done"
    before = place.bench.world.hooked
    place.ask(name, on)
    place.wait(0.1)
    assert place.bench.do(order).startswith(why)
    assert place.bench.world.hooked == before
    place.ask(name, off)
    place.wait(0.1)
    assert place.bench.do(order) == "done"


def test_where_a_switch_is_fitted_a_person_works_its_panel() -> None:
    place = Place()
    assert place.bench.do("mains on") == "done"
    assert place.ask("mains", "OUTP?") == "1"
    place.wait(0.02)
    assert place.ups.mains_on
    place.ask("mains", "OUTP OFF")
    assert place.ups.mains_on, "its contacts take their time"
    place.wait(0.02)
    assert not place.ups.mains_on


@pytest.mark.parametrize(("answers", "pace_s"), [("command", 0.0), ("contacts", 0.05)])
def test_a_driver_works_both_kinds_of_switch(answers: str, pace_s: float) -> None:
    facts = load_scenario("cabinet")
    t = 0.0

    def sleep(seconds: float) -> None:
        nonlocal t
        t += seconds

    bench = SimBench(replace(facts, switch=replace(facts.switch, answers=answers)), now=lambda: t, seed=None)
    wire = MemoryWire(lambda: bench.connect("mains"), sleep, name="mains", address="memory", pace_s=pace_s)
    dialect = load("scpi-switch")
    assert isinstance(dialect, SwitchDialect)
    switch = PowerSwitch(Session(wire), dialect)
    for on in (True, False):
        switch.switch(on)
        assert switch.is_on() is on
        sleep(0.05)
        bench.advance()
        assert bench.ups.mains_on is on
    bench.switches["mains"].welded = True
    if answers == "contacts":
        with pytest.raises(ReadBackMismatch, match="switch is still off"):
            switch.switch(True)
    else:
        switch.switch(True)
    assert not bench.ups.mains_on


def test_at_first_a_switched_load_is_off_and_a_plugged_one_is_on() -> None:
    assert not Place("cabinet").ups.ac_load_on
    assert Place("porch").ups.ac_load_on
    assert not Place("porch").ups.mains_on


def test_a_floor_is_seen_by_contacts_and_by_a_person() -> None:
    place = Place()
    place.on_battery()
    assert (place.ask("contact", "SENS:CONT:CLOS?"), place.ask("output", "SENS:CONT:CLOS?")) == ("0", "1")
    place.ask("supply", f"VOLT {DIM_V}")
    place.wait(5.0)
    assert (place.ask("contact", "SENS:CONT:CLOS?"), place.ask("output", "SENS:CONT:CLOS?")) == ("1", "1")
    place.ask("supply", f"VOLT {DARK_V}")
    place.wait(5.0)
    assert (place.ask("contact", "SENS:CONT:CLOS?"), place.ask("output", "SENS:CONT:CLOS?")) == ("0", "0")
    assert (place.ups.state, place.ups.off_reason) == ("latched off", "cut-off")
    noticed = place.bench.noticed()
    assert [word for _, word in noticed] == ["warning", "output off"]
    happened = {event.what: event.t_s for event in place.bench.world.events}
    for (t_s, _), what in zip(noticed, ("ups: warning on", "ups: output off"), strict=True):
        assert REACTION_S[0] <= t_s - happened[what] <= REACTION_S[1]
    assert place.bench.noticed() == []


def test_nothing_is_noticed_before_somebody_has_reacted() -> None:
    place = Place()
    place.on_battery()
    place.ask("supply", f"VOLT {DIM_V}")
    while not place.ups.warning:
        place.wait(0.05)
    began = place.t
    heard: list[tuple[float, str]] = []
    while not heard:
        place.wait(0.05)
        heard = place.bench.noticed()
        assert all(t_s <= place.t for t_s, _ in heard)
    assert REACTION_S[0] - 0.1 <= place.t - began <= REACTION_S[1] + 0.1


def test_an_output_that_is_back_at_once_is_missed_by_a_person_and_by_the_contact() -> None:
    place = Place()
    place.on_battery()
    events = place.bench.world.events
    happened = type(events[0])
    for at, what in ((0.0, "ups: output off"), (0.010, "ups: output on")):
        events.append(happened(place.t + at, what))
    place.wait(5.0)
    assert place.ask("output", "SENS:CONT:CLOS?") == "1"
    assert place.bench.noticed() == []


def test_the_same_seed_reacts_the_same() -> None:
    def heard(seed: int) -> list[tuple[float, str]]:
        place = Place(seed=seed)
        place.on_battery()
        place.ask("supply", "OUTP OFF")
        place.wait(5.0)
        return place.bench.noticed()

    assert heard(1) == heard(1)
    assert heard(1) != heard(2)


def test_a_bench_has_the_instruments_that_are_fitted() -> None:
    facts = replace(load_scenario("cabinet"), fitted=("supply", "load", "thermometer", "output"))
    bench = SimBench(facts, now=lambda: 0.0, seed=None)
    assert bench.names == ("supply", "load", "thermometer", "output")
    with pytest.raises(KeyError, match="no instrument 'mains'"):
        bench.connect("mains")
    assert "SIM-OUTPUT,cabinet-8," in bench.connect("output").feed(b"*IDN?\n").decode()


# -- over the control port --------------------------------------------------------------------------------------------


def test_orders_and_what_was_noticed_over_the_control_port() -> None:
    with serve("porch", stepped=True) as served:
        session = Control(served)

        def ask(line: str) -> str:
            return session.feed(line.encode() + b"\n").decode().removesuffix("\n")

        assert ask("do wire ups") == "done"
        assert ask("do mains on") == "done"
        assert ask("to 30") == "at 30.000000"
        truth = json.loads(ask("truth"))
        assert (truth["hooked"], truth["mains_on"], truth["ac_out"], truth["ac_load_on"]) == ("ups", True, True, True)
        assert truth["ups_state"].startswith("mains")
        assert truth["ups_amps"] <= 0.0
        assert truth["node_volts"] >= 0.0, "a charger without a battery only pulses"
        ((t_s, word),) = json.loads(ask("noticed"))
        assert word == "output on"
        assert 2.0 + REACTION_S[0] <= t_s <= 2.5 + REACTION_S[1], "two seconds of good mains, then the person"
        assert ask("noticed") == "[]"
        assert ask("do wire pack") == "err the UPS is on mains and its charger is live; mains off first"
        assert ask("do fly").startswith("err no order 'fly'; there are: wire pack, ")
        assert ask("do").startswith("err no order ''")
        assert ask("noticed now").startswith("err 'noticed now' is none of: to SECONDS, now, truth, do ORDER")
        assert ask("do mains off") == "done"
        assert ask("do wire pack") == "done"
        assert json.loads(ask("truth"))["hooked"] == "pack"
