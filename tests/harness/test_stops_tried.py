"""The instruments' own stops, tripped for real: those that act, those that lie, and those that come on again."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from drivers.scpi import Identity
from harness import stops_seen
from harness.clock import VirtualClock
from harness.config import load_bench
from harness.connect import Connection, connect
from harness.errors import PreflightRefused, SelfTestFailed
from harness.job import Job, Ready, prepare
from harness.locks import state_dir
from harness.procedure import procedures
from harness.stops_tried import Place, clear_trip, try_load_stop, try_supply_stop
from harness.zero_amps import zero_limits
from sims.bench import SimBench, open_bench
from sims.manners import Manners
from sims.scenario import load_scenario

DISCHARGE = ("charge_first=false",)
NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


class On:
    """A simulated bench in memory, connected, with what a trial needs."""

    def __init__(
        self,
        files: Any,
        *,
        manners: dict[str, Manners] | None = None,
        scenario: str = "cabinet",
        seed: int | None = None,
    ) -> None:
        self.ready: Ready = prepare(Job(procedures()["capacity"], files.bench, files.pack, sets=DISCHARGE))
        self.clock = VirtualClock()
        self.sim: SimBench = open_bench(scenario, now=self.clock.now, seed=seed, manners=manners)
        self.connection: Connection = connect(self.ready.site.bench, clock=self.clock, sim=self.sim)
        assert self.connection.rig is not None
        self.rig = self.connection.rig
        self.noted: list[dict[str, Any]] = []
        self.seen_amps: list[float] = []

    @property
    def place(self) -> Place:
        return Place(self.ready.site.bench, self.rig, self.clock, self._note, self._pause)

    def _note(self, kind: str, **fields: Any) -> None:
        self.noted.append({"kind": kind, **fields})

    def _pause(self, seconds: float) -> None:
        self.clock.sleep(seconds)
        self.sim.advance()
        self.seen_amps.append(self.sim.world.load_amps)

    @property
    def on(self) -> tuple[bool, bool]:
        self.sim.advance()
        world = self.sim.world
        assert world.supply is not None
        assert world.load is not None
        return world.supply.output_on, world.load.input_on


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))


@pytest.fixture
def bench(files: Any) -> Iterator[Callable[..., On]]:
    written = files()
    made: list[On] = []

    def make(**manners: Manners) -> On:
        made.append(On(written, manners=manners or None))
        return made[-1]

    yield make
    for one in made:
        one.connection.close()


def test_a_load_that_stops_and_stays_off_is_seen_to(bench: Callable[..., On]) -> None:
    on = bench()
    seen = try_load_stop(on.place, on.ready.site)
    assert on.on == (False, False)
    assert seen.level > seen.volts > 20.0
    assert 0.5 <= seen.took_s <= 2.0, "the delay of its stop is a second"
    assert on.clock.now() <= 10.0
    assert max(on.seen_amps) == pytest.approx(0.1, abs=0.02), "the pack gives a tenth of an ampere and no more"
    load = on.rig.load
    assert load is not None
    assert load.tripped(), "it latched"
    clear_trip(load)
    assert load.tripped() is None
    assert on.on == (False, False)
    assert load.state()["low_volts"] == pytest.approx(on.ready.site.envelope.own_stop_v, abs=0.01), "put back"
    (told,) = [one for one in on.noted if one["kind"] == "stop tried"]
    assert told["instrument"] == "load"


@pytest.mark.parametrize("stop", ["ignored", "resumes"])
def test_a_load_that_lies_or_resumes_fails_and_is_off(bench: Callable[..., On], stop: str) -> None:
    """Ours: it takes the level, reads it back as it was set, and does nothing; another comes on when the volts are
    back."""
    on = bench(load=Manners(stop=stop))
    with pytest.raises(SelfTestFailed) as failed:
        try_load_stop(on.place, on.ready.site)
    assert failed.value.exit_code == 40
    assert {"ignored": "does not act", "resumes": "came on again by itself"}[stop] in str(failed.value)
    assert on.on == (False, False)
    assert on.clock.now() <= 12.0
    on.clock.sleep(60.0)
    assert on.on == (False, False)


@pytest.mark.parametrize("scenario", ["cabinet", "porch", "sink", "weak"])
def test_no_honest_instrument_is_turned_away(files: Any, scenario: str) -> None:
    """Whatever its meters are off by; 30 seeds of each were tried once, by hand."""
    written = files(scenario)
    for seed in range(3):
        on = On(written, scenario=scenario, seed=seed)
        assert on.rig.load is not None
        try_load_stop(on.place, on.ready.site)
        clear_trip(on.rig.load)
        on.sim.do("wire none")
        try_supply_stop(on.place)
        assert on.on == (False, False)
        assert on.clock.now() <= 16.0
        on.connection.close()


@pytest.mark.parametrize("restores", [False, True])
def test_clearing_the_trip_leaves_nothing_on(bench: Callable[..., On], restores: bool) -> None:
    on = bench(load=Manners(restores_output=restores))
    try_load_stop(on.place, on.ready.site)
    assert on.rig.load is not None
    clear_trip(on.rig.load)
    assert on.on == (False, False)


def test_a_trip_that_no_command_clears_is_for_a_person(bench: Callable[..., On]) -> None:
    on = bench()
    load = on.rig.load
    assert load is not None
    load.dialect = msgspec.structs.replace(load.dialect, protection=None)
    try_load_stop(on.place, on.ready.site)
    with pytest.raises(PreflightRefused, match="clear it at its panel and start again; that it acts is remembered"):
        clear_trip(load)


def test_a_load_without_current_cannot_be_tried(bench: Callable[..., On]) -> None:
    on = bench()
    on.sim.world.hook_up("none")
    with pytest.raises(SelfTestFailed, match="cannot be tried"):
        try_load_stop(on.place, on.ready.site)
    assert on.on == (False, False)


def test_whoever_asks_for_the_end_gets_the_load_off(bench: Callable[..., On]) -> None:
    for after in range(1, 12):
        on = bench()
        left = [after]

        def pause(seconds: float, on: On = on, left: list[int] = left) -> None:
            on.clock.sleep(seconds)
            left[0] -= 1
            if not left[0]:
                raise KeyboardInterrupt

        place = Place(on.ready.site.bench, on.rig, on.clock, on._note, pause)
        with pytest.raises(KeyboardInterrupt):
            try_load_stop(place, on.ready.site)
        assert on.on == (False, False), f"stopped in pause {after}"


def test_a_supply_with_nothing_connected_is_tried_at_five_volts(bench: Callable[..., On]) -> None:
    on = bench()
    on.sim.do("wire none")
    supply = on.rig.supply
    assert supply is not None
    before = supply.state()
    seen = try_supply_stop(on.place)
    assert (seen.volts, seen.level) == (pytest.approx(5.0, abs=0.05), 4.0)
    assert on.on == (False, False)
    after = supply.state()
    assert {key: after[key] for key in ("over_volts", "amps", "output")} == {
        key: before[key] for key in ("over_volts", "amps", "output")
    }
    assert supply.senses_remotely(), "its sense leads are used again"


def test_behind_an_open_contactor_nothing_is_connected(files: Any, tmp_path: Path) -> None:
    """The pack stays where it is; the sense leads at its terminals are left out of it."""
    clock = VirtualClock()
    facts = load_scenario("cabinet")
    sim = SimBench(replace(facts, fitted=(*facts.fitted, "contactor")), now=clock.now, seed=None)
    place = tmp_path / "bench.toml"
    place.write_text(sim.bench_toml({name: f"sim:cabinet/{name}" for name in sim.names}))
    sim.switches["contactor"].turn(False)
    connection = connect(load_bench(place), clock=clock, sim=sim)
    try:
        assert connection.rig is not None
        assert connection.rig.switch("contactor") is not None
        trial = Place(connection.bench_file, connection.rig, clock, lambda *_, **__: None, clock.sleep)
        seen = try_supply_stop(trial)
        assert seen.volts == pytest.approx(5.0, abs=0.05)
        sim.switches["contactor"].turn(True)
        clock.sleep(1.0)
        with pytest.raises(PreflightRefused, match="declared only"):
            try_supply_stop(trial)
        assert sim.world.supply is not None
        assert not sim.world.supply.output_on
    finally:
        connection.close()


def test_a_supply_whose_stop_does_not_act_fails(bench: Callable[..., On]) -> None:
    on = bench(supply=Manners(stop="ignored"))
    on.sim.do("wire none")
    with pytest.raises(SelfTestFailed, match="does not act"):
        try_supply_stop(on.place)
    assert on.on == (False, False)


def test_a_supply_is_not_tried_while_a_pack_hangs_on_the_node(bench: Callable[..., On]) -> None:
    on = bench()
    with pytest.raises(PreflightRefused, match="counts as declared only"):
        try_supply_stop(on.place)
    assert on.on == (False, False)
    assert not [one for one in on.noted if one["kind"] == "intent"], "nothing was switched on"


def test_the_current_can_be_told_from_none(bench: Callable[..., On]) -> None:
    """A wide ammeter calls up to a tenth of an ampere nothing: then it is tried with more."""
    on = bench()
    assert zero_limits(on.ready.site.bench)["load"] < 0.05


# -- remembered --------------------------------------------------------------------------------------------------------

REAL = Identity("ACME", "L-1", "77", "1.0")


def entry(files: Any, tmp_path: Path) -> Any:
    """The load of a bench file whose instruments are not in memory."""
    bench = files()
    text = bench.bench.read_text()
    for number, name in enumerate(re.findall(r"sim:cabinet/(\w+)", text), 5025):
        text = text.replace(f"sim:cabinet/{name}", f"TCPIP::192.0.2.9::{number}::SOCKET", 1)
    place = tmp_path / "real.toml"
    place.write_text(text)
    return load_bench(place).one("load")


@pytest.fixture
def load_entry(files: Any, tmp_path: Path) -> Any:
    return entry(files, tmp_path)


@pytest.mark.parametrize(
    ("later", "day"),
    [
        (timedelta(0), "2026-03-01"),
        (timedelta(days=30), "2026-03-01"),
        (timedelta(days=30, seconds=1), ""),
        (timedelta(seconds=-1), ""),
    ],
    ids=["now", "thirty days", "a second more", "a clock put back"],
)
def test_it_is_remembered_for_thirty_days(load_entry: Any, later: timedelta, day: str) -> None:
    assert stops_seen.remember(REAL, entry=load_entry, what="low-volts", now=NOW)
    assert stops_seen.seen(REAL, entry=load_entry, what="low-volts", now=NOW + later) == day


@pytest.mark.parametrize("other", [REAL._replace(serial="78"), REAL._replace(firmware="1.1"), REAL._replace(model="L")])
def test_another_unit_or_firmware_was_not_seen(load_entry: Any, other: Identity) -> None:
    stops_seen.remember(REAL, entry=load_entry, what="low-volts", now=NOW)
    assert stops_seen.seen(other, entry=load_entry, what="low-volts", now=NOW) == ""
    assert stops_seen.seen(REAL, entry=load_entry, what="over-volts", now=NOW) == ""


def test_what_other_words_would_do_was_not_seen(load_entry: Any, tmp_path: Path) -> None:
    """Ours: another level was set by an edited dialect, a warning instead of the stop, and the stop counted as seen."""
    place = tmp_path / "own.toml"
    place.write_text("the stop")
    own = replace(load_entry, dialect=str(place))
    assert stops_seen.remember(REAL, entry=own, what="low-volts", now=NOW)
    assert stops_seen.seen(REAL, entry=own, what="low-volts", now=NOW) == "2026-03-01"
    assert stops_seen.seen(REAL, entry=load_entry, what="low-volts", now=NOW) == ""
    place.write_text("a warning")
    assert stops_seen.seen(REAL, entry=own, what="low-volts", now=NOW) == ""
    place.unlink()
    assert not stops_seen.remember(REAL, entry=own, what="low-volts", now=NOW)


def test_a_note_that_was_changed_counts_for_nothing(load_entry: Any) -> None:
    stops_seen.remember(REAL, entry=load_entry, what="low-volts", now=NOW)
    (note,) = state_dir().glob("*.stop.json")
    whole = note.read_bytes()
    later = NOW + timedelta(days=40)
    found = json.loads(whole)
    note.write_text(json.dumps(found | {"seen": later.isoformat()}))
    assert stops_seen.seen(REAL, entry=load_entry, what="low-volts", now=later) == ""
    for end in range(len(whole)):
        note.write_bytes(whole[:end])
        assert stops_seen.seen(REAL, entry=load_entry, what="low-volts", now=NOW) == ""
    note.write_bytes(whole)
    assert stops_seen.seen(REAL, entry=load_entry, what="low-volts", now=NOW) == "2026-03-01"
    stops_seen.forget(REAL, entry=load_entry, what="low-volts")
    assert stops_seen.seen(REAL, entry=load_entry, what="low-volts", now=NOW) == ""


def test_one_that_cannot_be_told_from_others_is_not_remembered(load_entry: Any, files: Any) -> None:
    for serial in ("", "0"):
        nameless = REAL._replace(serial=serial)
        assert not stops_seen.remember(nameless, entry=load_entry, what="low-volts", now=NOW)
    in_memory = load_bench(files("porch").bench).one("load")
    assert in_memory is not None
    assert not stops_seen.remember(REAL, entry=in_memory, what="low-volts", now=NOW)
