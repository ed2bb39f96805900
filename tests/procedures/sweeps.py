"""Voltage-floor sweeps in memory, with something done to the world behind the instruments at a chosen sample."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.clock import VirtualClock
from harness.procedure import procedures
from harness.result import Result
from harness.run import Home, Job, Watcher, prepare, run
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario

ON_BATTERY = ("battery", "battery low")

SOONER = ("mains_wait_s=30", "idle_s=10")
"""Waits of a plan that says nothing else, shorter than they need be for every UPS there is."""


@dataclass(slots=True)
class Swept:
    """A sweep that is over."""

    result: Result
    exit_code: int
    bench: SimBench

    @property
    def end(self) -> str:
        return self.result.end_reason

    def value(self, name: str) -> Any:
        return self.result.figures[name].value


class Eye(Watcher):
    """Acts once, at the first sample of the record for which ``when`` holds."""

    def __init__(self, bench: SimBench, when: Callable[[SimBench, Any], bool], act: Callable[[SimBench], None]) -> None:
        self.bench, self.when, self.act, self.acted = bench, when, act, False

    def show(self, sample: Any, watch: Any, interlocks: Any) -> None:
        if not self.acted and self.when(self.bench, sample):
            self.acted = True
            self.act(self.bench)
            self.bench.world.changed()

    def acknowledged_unsafe(self, serial: str) -> bool:
        return True


def on_battery_under(volts: float) -> Callable[[SimBench, Any], bool]:
    return lambda bench, sample: bench.ups.state in ON_BATTERY and sample.pack_volts < volts


def sweep(
    place: Path,
    *,
    facts: Scenario | None = None,
    when: Callable[[SimBench, Any], bool] = lambda bench, sample: False,
    act: Callable[[SimBench], None] = lambda bench: None,
    sets: tuple[str, ...] = (),
    expect_acted: bool = True,
) -> Swept:
    """One sweep in memory."""
    clock = VirtualClock()
    bench = SimBench(facts or load_scenario("cabinet"), now=clock.now, seed=None)
    files = Path(tempfile.mkdtemp(dir=place))
    addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names}
    (files / "bench.toml").write_text(bench.bench_toml(addresses, clock=None), encoding="utf-8")
    (files / "ups.toml").write_text(bench.ups_toml(), encoding="utf-8")
    home = Home(clock, bench)
    said = {one.partition("=")[0] for one in sets}
    sets = (*sets, *(one for one in SOONER if one.partition("=")[0] not in said))
    job = Job(procedures()["voltage-floor"], files / "bench.toml", None, sets=sets, out=files / "runs", home=home)
    eye = Eye(bench, when, act)
    done = run(prepare(replace(job, ups=files / "ups.toml")), watcher=eye)
    assert eye.acted is expect_acted, "nothing was done to the bench"
    return Swept(done.result, done.exit_code, bench)


def electric(**changes: Any) -> Scenario:
    """The cabinet's bench with some of the UPS's figures changed."""
    facts = load_scenario("cabinet")
    return replace(facts, ups=replace(facts.ups, spec=replace(facts.ups.spec, **changes)))
