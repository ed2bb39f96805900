"""What goes wrong with the pack, the UPS and the wiring between them: each does it to the simulated world at once."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from grid_play import Scene

from sims.circuit import Piece
from sims.scenario import Scenario

ZERO_C_IN_K = 273.15


def weak_cell(scene: Scene) -> None:
    """One cell holds a twelfth of what it did, as one does that fails; the others as before."""
    model = scene.world.pack.model
    model.coulombs[0] /= 12.0
    model.each = list(zip(model.coulombs, model.r0, model.r1, model.r2, strict=True))
    scene.world.changed()


def output_drifts(scene: Scene) -> None:
    """The supply's output comes up by half a volt, its own voltmeter with it."""
    scene.bench.wear.drift(at_s=scene.clock.now(), volts=0.5)


def gets_cold(scene: Scene) -> None:
    """The pack is at -6 degC, which its BMS does not know as a reason; its probe follows with its own lag."""
    pack = scene.world.pack
    _without(pack.bms, "too cold to charge")
    pack.cells.kelvin = [ZERO_C_IN_K - 6.0 for _ in pack.cells.kelvin]
    scene.world.ambient_c = -8.0
    scene.world.changed()


def _without(bms: Any, what: str) -> None:
    """A BMS that has no such rule."""
    kept = [number for number, rule in enumerate(bms.rules) if rule.what != what]
    bms.rules = tuple(bms.rules[number] for number in kept)
    bms._since_s = [bms._since_s[number] for number in kept]
    bms._tripped_s = [bms._tripped_s[number] for number in kept]


def cold_room(facts: Scenario) -> Scenario:
    """Room and pack have been at -6 degC for long."""
    return replace(facts, ambient_c=-6.0)


def heats_itself(scene: Scene) -> None:
    """The cells make 80 W of their own, with or without a current."""
    scene.bench.wear.heat(80.0, at_s=scene.clock.now())


def short(scene: Scene) -> None:
    """Leads touch: 2 ms later the fuse in the lead has blown, and nothing hangs on it any more."""
    world = scene.world
    load, kept = world.load, {}
    shorted = {"input_on": True, "function": "cr", "ohms_set": 0.01, "r_min": 0.01, "amps_max": 1e4, "volts_max": 1e4}
    shorted |= {"watts_max": math.inf, "over_amps": math.inf, "low_volts": 0.0, "remote_sense": False}
    for name, value in shorted.items():
        kept[name] = getattr(load, name)
        setattr(load, name, value)
    world.changed()
    scene.held["short_a"] = world.load_amps
    for name, value in kept.items():
        setattr(load, name, value)
    world.hook_up("none")


def load_takes_double(scene: Scene) -> None:
    """The load's own control drifts: it takes 2.5 times what it is set to, and its ammeter tells so."""
    port = scene.world.load
    port.amps_set = port.amps_now = 2.5 * max(port.amps_set, 4.0)
    scene.world.changed()


def supply_gives_double(scene: Scene) -> None:
    """The supply's current limit drifts to 2.5 times what it is set to, and its volts up so that it is used."""
    port = scene.world.supply
    port.amps_set *= 2.5
    scene.bench.wear.drift(at_s=scene.clock.now(), volts=0.4)


def ups_takes_more(scene: Scene) -> None:
    """Three times the load hangs on the UPS's output."""
    scene.bench.ups.ac_load_w *= 3.0
    scene.world.changed()


def charger_gives_more(scene: Scene) -> None:
    """The UPS's charger gives 40 A."""
    charger = scene.bench.ups.charger
    charger.spec = replace(charger.spec, amps=40.0)
    scene.world.changed()


def charger_pushes(scene: Scene) -> None:
    """The UPS's charger goes up to 33 V."""
    charger = scene.bench.ups.charger
    charger.spec = replace(charger.spec, float_v=33.0, boost_v=math.nan)
    scene.world.changed()


def reversed_pack(facts: Scenario) -> Scenario:
    """The pack hangs on the bench the wrong way round."""
    return replace(facts, pack=replace(facts.pack, wiring="reversed"))


def another_pack(facts: Scenario) -> Scenario:
    """The pack file tells of another number of cells."""
    return replace(facts, pack=replace(facts.pack, label_cells_in_series=2 * facts.pack.cells_in_series))


def left_beside(scene: Scene) -> None:
    """Whoever wires up the UPS leaves the pack where it is."""
    hands = scene.hands

    def leave(order: str) -> str:
        answer = hands(order)
        if order == "wire ups":
            scene.held["due"] = ""
            scene.world.hook_up("both")
        return answer

    scene.hands, scene.held["due"] = leave, "nobody was asked to wire up the UPS any more"


def both_on_the_node(scene: Scene) -> None:
    """Pack and UPS hang on the node together from now on."""
    scene.world.hook_up("both")


def supply_sense_off(scene: Scene) -> None:
    """The supply's sense leads come off."""
    scene.bench.wear.sense_off("supply", at_s=scene.clock.now())


def load_sense_off(scene: Scene) -> None:
    """The load's sense leads come off."""
    scene.bench.wear.sense_off("load", at_s=scene.clock.now())


def hot_joint(scene: Scene) -> None:
    """40 mohm more in the lead of whatever carries the current."""
    scene.bench.wear.joint(scene.active, at_s=scene.clock.now(), step_ohm=0.040)


def volts_fall(scene: Scene) -> None:
    """The supply's output falls 1 V under what hangs on it, its own voltmeter with it: current comes back."""
    scene.bench.wear.drift(at_s=scene.clock.now(), volts=-1.0)


def short_stays(scene: Scene) -> None:
    """Something of 40 mohm lies across the UPS's battery terminals, and stays there."""
    scene.bench.ups.bare_pieces = lambda t_s: (Piece("short", siemens=25.0),)  # type: ignore[method-assign]
    scene.world.changed()


def inrush(scene: Scene) -> None:
    """The UPS that is brought to the node has 10 mF at its input, empty: the pack's BMS takes it for a short."""
    pack = scene.world.pack
    scene.world.hook_up("both")
    pack.bms.asleep = True
    pack.bms.spec = replace(pack.bms.spec, wake_volts=math.inf)
    scene.world.changed()


def mains_by_hand(scene: Scene) -> None:
    """Somebody plugs the UPS in."""
    scene.bench.do("mains on")


def mains_stays(scene: Scene) -> None:
    """Mains is at the UPS from now on, and its switch does not take it away any more."""
    if "mains" in scene.bench.switches:
        scene.bench.switches["mains"].welded = True
    scene.bench.ups.mains_on = True
    scene.world.changed()


def welds(scene: Scene) -> None:
    """The contactor's contacts do not move any more, and are closed."""
    contactor = scene.bench.switches["contactor"]
    contactor.welded = contactor.closed = True
    scene.world.contact(True)


def does_not_close(scene: Scene) -> None:
    """The contactor's contacts stay where they are."""
    scene.bench.switches["contactor"].welded = True


def pack_opens(scene: Scene) -> None:
    """The pack's own switch opens both ways, for good."""
    bms = scene.world.pack.bms
    bms.spec, bms.asleep = replace(bms.spec, wake_volts=math.inf), True
    scene.world.changed()


def opens_and_closes(scene: Scene) -> None:
    """The pack opens, and closes again 3 s later, and so on, 20 times."""
    bms, now_s = scene.world.pack.bms, scene.clock.now()

    def turn(asleep: bool) -> None:
        bms.asleep = asleep
        scene.world.changed()

    turn(True)
    for number in range(1, 40):
        scene.bench._agenda.put(now_s + 3.0 * number, lambda asleep=number % 2 == 0: turn(asleep))  # type: ignore[misc]


def leak(scene: Scene) -> None:
    """A short within each cell takes 0.6 A: at constant volts a charge would never end."""
    scene.bench.wear.leak(0.6, at_s=scene.clock.now())
