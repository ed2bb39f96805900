"""Runs on a UPS for the corpus: each procedure, and ways out of it that a short plan gives. Our own invented story."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from corpus_files import Case
from corpus_nights import CEILING, FLOOR, Make, a_night, clock, failing, happens, killed, left_by_a_kill, stopped
from died import ended
from night import Short, facts
from sweeps import on_battery_under
from test_floor_on_the_bench import heavier, knob, mains, trip
from test_sweep_goes_on import taken_up as gone_on

from harness.folder import RunFolder
from harness.job import Watcher

BY_PERSON = "stopped by a person (SIGINT)"
HAND_FLOOR = replace(FLOOR, fitted=("supply", "meter"), ons=())
"""Nothing switches mains and AC load but a person."""

HIGHER = {"floor_expected_v": "23", "lowest_v": "22", "coarse_step_v": "1", "fine_step_v": "0.5"}
HIGH = replace(
    FLOOR, sets=tuple(f"{key}={HIGHER.get(key, value)}" for key, _, value in (s.partition("=") for s in FLOOR.sets))
)
"""It ends above the UPS's floor."""


LIMITED = replace(FLOOR, sets=(*FLOOR.sets, "amps_max=10.8"))


def on_battery(act: Any, short: Short = FLOOR) -> Make:
    """Somebody does something while the UPS runs on the supply."""
    return happens(short, on_battery_under(25.0), act)


def without_charger() -> Any:
    plain = facts(CEILING)
    spec = plain.ups.spec
    return replace(plain, ups=replace(plain.ups, spec=replace(spec, charger=replace(spec.charger, amps=0.0))))


def taken_up(place: Path) -> Iterable[RunFolder]:
    """A sweep that died, and the run that goes on with it."""
    cut: list[RunFolder] = []

    class Watch(Watcher):
        count = 0

        def started(self, ready: Any, folder: RunFolder) -> None:
            self.folder = folder

        def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
            self.count += 1
            if self.count == 55:
                cut.append(killed(self.folder, place))

    ended(place, "voltage-floor", *FLOOR.sets, scenario=facts(FLOOR), watcher=Watch(), clock=clock())
    return [cut[0], gone_on(cut[0], facts=facts(FLOOR)).folder]


UPS = (
    Case("floor-cut-off", "cut-off", a_night(FLOOR)),
    Case("floor-by-hand", "cut-off", a_night(HAND_FLOOR)),
    Case("floor-not-reached", "not reached", a_night(HIGH)),
    Case("floor-supply-limit", "supply limit", on_battery(heavier, LIMITED)),
    Case("floor-supply-trip", "supply trip", on_battery(trip)),
    Case("floor-knob-turned", "changed from outside", on_battery(knob)),
    Case("floor-mains-back", "off not confirmed after: mains came back", on_battery(mains)),
    Case("floor-stopped", BY_PERSON, stopped(FLOOR, 60)),
    Case("floor-killed", "interrupted", left_by_a_kill(FLOOR, 55)),
    Case("floor-meter-lost", "no valid reading", failing(FLOOR, "gone", "meter")),
    Case("floor-taken-up", "cut-off", taken_up),
    Case("ceiling-traced", "traced", a_night(CEILING)),
    Case("ceiling-no-charger", "charger did not start", a_night(CEILING, scenario=without_charger())),
    Case("ceiling-stopped", BY_PERSON, stopped(CEILING, 30)),
    Case("ceiling-killed", "interrupted", left_by_a_kill(CEILING, 40)),
    Case("ceiling-load-lost", "off not confirmed", failing(CEILING, "gone", "load")),
)
