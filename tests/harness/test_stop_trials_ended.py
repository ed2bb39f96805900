"""Trials of instruments' own stops that somebody or something ends: nothing is switched on after that, and what is said
is why."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from night import Fault, Wires
from shaped import write_files
from test_stops_tried import On

import harness.stops_command
from harness.clock import VirtualClock
from harness.connect import connect
from harness.errors import UserError
from harness.stop_trial import Place
from harness.stops_tried import try_load_stop, try_supply_stop
from harness.watchdog_tried import try_load_watchdog, try_supply_watchdog
from sims.bench import open_bench
from sims.manners import Manners

TRIALS: dict[str, Callable[[Place, On], Any]] = {
    "load": lambda place, on: try_load_stop(place, on.ready.site),
    "load's watchdog": lambda place, on: try_load_watchdog(place, on.ready.site),
    "supply": lambda place, on: try_supply_stop(place),
    "supply's watchdog": lambda place, on: try_supply_watchdog(place),
}


@pytest.mark.parametrize("what", TRIALS)
def test_who_asked_for_the_end_before_it_was_on_sees_nothing_come_on(what: str, files: Any) -> None:
    """Ours: Ctrl-C while it was armed; it was switched on, and off a second later."""
    shaped = [(rf'dialect = "scpi-{one}"$', f'dialect = "scpi-{one}-watchdog"') for one in ("supply", "load")]
    manners = dict.fromkeys(("supply", "load"), Manners(shape="watchdog"))
    on = On(files().edited("bench", *shaped), manners=manners)
    on.sim.do("wire none" if "supply" in what else "wire pack")
    came_on = []

    def stopped(_seconds: float) -> None:
        came_on.append(on.on)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        TRIALS[what](Place(on.ready.site.bench, on.rig, on.clock, on._note, stopped), on)
    assert on.on == (False, False)
    assert came_on == [(False, False)]
    on.connection.close()


@pytest.mark.parametrize("kind", ["deaf", "gone"])
def test_a_supply_that_is_lost_on_is_told_as_lost(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: on a simulated bench nobody would put the pack back on a live output, and that came out as a fault of the
    program, in place of what had happened."""
    clock = VirtualClock()
    wires = Wires(open_bench("porch", now=clock.now), clock)
    write_files(tmp_path, wires.bench)

    def lost(number: int, name: str, message: bytes) -> None:
        if message == b"MEAS:VOLT?" and wires.bench.world.supply.output_on and not wires.faults:
            wires.faults = (Fault(kind, number),)

    wires.before = lost
    monkeypatch.setattr(harness.stops_command, "connect", lambda file: connect(file, clock=clock, sim=wires))
    with pytest.raises(UserError) as told:
        harness.stops_command.try_stops(str(tmp_path / "bench.toml"), out=lambda _: None, err=lambda _: None)
    assert told.value.exit_code == 23
    assert "look at the supply, then `nightbench safe" in str(told.value)
