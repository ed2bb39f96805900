"""The guarded bench alone: what each kind of block asks for, how the bench is entered and left, what it hands on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import NAN, Did, report, sample
from night import SHORT, connected

from drivers.faults import Unsupported
from harness import bench as module
from harness.bench import Bench
from harness.block import Block
from harness.interlocks import Interlocks
from harness.presence import Presence
from harness.signals import StopFlag
from harness.stops import Tripped


class Asked:
    """What the bench is made of, as far as one method asks it; ``did`` is what was done, in order."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.did: Did = []
        self.blocks: list[tuple[Block, list[str]]] = []
        names = {"supply_name": "supply", "load_name": "load", "temp_name": "thermometer"}
        self.bench: Any = SimpleNamespace(
            rig=SimpleNamespace(supply=SimpleNamespace(), load=SimpleNamespace(), **names),
            site=SimpleNamespace(bench=SimpleNamespace(fuse_amps=10.0)),
            note=lambda kind, **fields: self.did.append((kind, fields)),
            period_s=0.5,
        )
        for name in ("source", "sink", "stand_in", "trace"):
            monkeypatch.setattr(module, f"check_{name}", self._check(name))
        monkeypatch.setattr(module, "energised", self._energised)
        monkeypatch.setattr(module, "remember", lambda bench: self.did.append("remember"))

    def _check(self, name: str) -> Callable[..., None]:
        return lambda site, **what: self.did.append((name, what))

    @contextmanager
    def _energised(self, bench: Any, block: Block, outputs: Any) -> Iterator[str]:
        self.blocks.append((block, [name for name, *_ in outputs]))
        yield "the handle"


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    return Asked(monkeypatch)


# -- blocks ------------------------------------------------------------------------------------------------------------

SOURCE = Block("source", 2.0, 14.4, 60.0)
TRACE = Block("trace", 2.0, 27.0, 60.0, function="cv", amps_most=2.0)
HELPED = Block("trace", 2.0, 27.0, 60.0, function="cv", amps_most=2.0, helped=True, helped_amps=0.5)


@pytest.mark.parametrize(
    ("kind", "told", "block", "outputs", "checked"),
    [
        ("sourcing", {"volts": 14.4, "amps_max": 2.0}, SOURCE, ["supply"], [("source", {"volts": 14.4, "amps": 2.0})]),
        ("sinking", {"amps": 6.0}, Block("sink", 6.0, 0.0, 60.0), ["load"], [("sink", {"amps": 6.0})]),
        (
            "standing_in",
            {"volts": 24.0, "amps_max": 5.0},
            Block("stand-in", 5.0, 24.0, 60.0),
            ["supply"],
            [("stand_in", {"volts": 24.0, "amps": 5.0})],
        ),
        ("tracing", {"volts": 27.0, "amps_max": 2.0}, TRACE, ["load"], [("trace", {"volts": 27.0, "amps": 2.0})]),
        (
            "tracing",
            {"volts": 27.0, "amps_max": 2.0, "helped_volts": 24.0, "helped_amps": 0.5},
            HELPED,
            ["supply", "load"],
            [("trace", {"volts": 27.0, "amps": 2.0}), ("stand_in", {"volts": 24.0, "amps": 0.5})],
        ),
    ],
)
def test_what_a_block_is_checked_for_and_commands(
    kind: str, told: dict[str, float], block: Block, outputs: list[str], checked: Did, asked: Asked
) -> None:
    with getattr(Bench, kind)(asked.bench, longest_s=60.0, **told) as handle:
        assert handle == "the handle"
    found, names = asked.blocks[0]
    assert names == outputs
    assert asked.did == checked
    for key in ("phase", "set_amps", "set_volts", "longest_s", "function", "helped", "amps_most", "helped_amps"):
        assert getattr(found, key) == pytest.approx(getattr(block, key), nan_ok=True), key


def test_help_without_a_current_is_asked_for_none() -> None:
    """And none is refused: less than 20 mA is never set."""
    with pytest.MonkeyPatch.context() as patch:
        asked = Asked(patch)
        with Bench.tracing(asked.bench, volts=27.0, amps_max=2.0, helped_volts=24.0):
            pass
    assert asked.did[-1] == ("stand_in", {"volts": 24.0, "amps": 0.0})


# -- entering and leaving ----------------------------------------------------------------------------------------------


def test_entering(asked: Asked) -> None:
    asked.bench.circuits = SimpleNamespace(close_contactor=lambda: asked.did.append("contactor"))
    assert Bench.__enter__(asked.bench) is asked.bench
    assert asked.did == ["remember", "contactor"]


def test_who_could_not_be_entered_is_left(asked: Asked) -> None:
    error = Tripped("changed from outside")

    def refuses() -> None:
        raise error

    left: list[Any] = []
    asked.bench.circuits = SimpleNamespace(close_contactor=refuses)
    asked.bench.__dict__["__exit__"] = lambda *told: left.append(told)
    with pytest.raises(Tripped) as stop:
        Bench.__enter__(asked.bench)
    assert stop.value is error
    assert left == [(Tripped, error, None)]


GOOD, BAD = report(), report("not confirmed")


@pytest.mark.parametrize(
    ("offs", "off"),
    [([], False), ([GOOD], True), ([BAD], False), ([BAD, GOOD], True), ([GOOD, BAD], False), ([GOOD, BAD, GOOD], True)],
)
@pytest.mark.parametrize("words", ["", "came on again: load"])
@pytest.mark.parametrize("raises", [False, True])
def test_leaving(offs: list[Any], off: bool, words: str, raises: bool, asked: Asked) -> None:
    """Watchdogs are disarmed where the last off was confirmed, and whatever came on by that is switched off again, also
    where the run is ended by what is raised."""
    error = ValueError("a slip")

    def at_exit(on_the_way: BaseException | None) -> None:
        asked.did.append(("at exit", on_the_way))
        if raises:
            raise Tripped("low volts")

    def disarm(*, off: bool) -> str:
        asked.did.append(("disarm", off))
        return words

    bench = asked.bench
    bench.off_reports = offs
    bench.watchdogs = SimpleNamespace(disarm=disarm)
    bench.stopping = SimpleNamespace(at_exit=at_exit, once_more=lambda *told: asked.did.append(("once more", *told)))
    try:
        Bench.__exit__(bench, ValueError, error, None)
    except Tripped:
        assert raises
    else:
        assert not raises
    assert asked.did == [("at exit", error), ("disarm", off), *([("once more", words, error)] if words else [])]


# -- what it hands on --------------------------------------------------------------------------------------------------


def test_who_must_stay(asked: Asked) -> None:
    asked.bench.loop = SimpleNamespace(nobody_s=lambda: 0.0, watched_for="")
    person: Any = SimpleNamespace()
    presence = Presence(person, why="no BMS", now=lambda: 7.0, note=asked.bench.note)
    Bench.watched_by(asked.bench, presence)
    assert asked.bench.presence is presence
    assert (asked.bench.loop.watched_for, asked.bench.loop.nobody_s()) == ("no BMS", 0.0)


def test_what_goes_wrong_at_an_instrument_ends_the_run(asked: Asked) -> None:
    found: list[Any] = []
    asked.bench.stopping = SimpleNamespace(trip=found.append)
    assert Bench.guarded(asked.bench, lambda: "done") == "done"
    assert found == []

    def silent() -> None:
        raise Unsupported("load: no answer")

    Bench.guarded(asked.bench, silent)
    assert [(one.words, one.text, one.exit_code) for one in found] == [("instrument", "load: no answer", 23)]


def test_a_long_off_is_told_loudly_and_its_end_as_well(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "message", lambda rig, told, fuse_amps: f"live, fuse {fuse_amps:g} A")
    said: list[str] = []
    asked.bench.stopping = SimpleNamespace(tell=said.append)
    Bench._off_takes_long(asked.bench, BAD)
    Bench._off_takes_long(asked.bench, GOOD)
    assert said == ["live, fuse 10 A", "off confirmed after all: load says off"]


def test_what_a_running_block_is_told(asked: Asked, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "change", lambda bench, **what: asked.did.append(what))
    monkeypatch.setattr(module, "end_help", lambda bench: asked.did.append("help off"))
    Bench.change(asked.bench, amps=2.0)
    Bench.end_help(asked.bench)
    assert asked.did == [{"amps": 2.0, "volts": None}, "help off"]


def test_the_loop_is_told_how_the_record_is(tmp_path: Path) -> None:
    wires, connection = connected(tmp_path, SHORT["capacity"])
    rig: Any = connection.rig
    recorder: Any = SimpleNamespace(state=lambda: (7.0, 9.0))
    one = Bench(
        site=SimpleNamespace(bench=rig.bench_file),  # type: ignore[arg-type]
        rig=rig,
        clock=wires.clock,
        recorder=recorder,
        interlocks=Interlocks(None, "capacity"),  # type: ignore[arg-type]
        flag=StopFlag(),
    )
    assert one.loop.record_state() == (7.0, 9.0)


def test_samples_and_rests(asked: Asked) -> None:
    bench = asked.bench
    bench.turns = SimpleNamespace(samples=lambda **told: [told], wait_until=lambda t_s: asked.did.append(t_s))
    bench.samples = lambda **told: Bench.samples(bench, **told)
    bench.stopping = SimpleNamespace(need_idle=lambda why: asked.did.append("idle?"))
    assert list(Bench.samples(bench)) == [{"every_s": 0.5, "for_s": None}]
    assert list(Bench.samples(bench, every_s=2.0, for_s=6.0)) == [{"every_s": 2.0, "for_s": 6.0}]
    assert asked.did == []
    assert list(Bench.rest(bench, for_s=3.0)) == [{"every_s": 0.5, "for_s": 3.0}]
    Bench.wait_until(bench, 9.0)
    assert asked.did == ["idle?", 9.0]


def test_the_record(asked: Asked) -> None:
    asked.bench.log = SimpleNamespace(note=lambda kind, **fields: asked.did.append((kind, fields)))
    Bench.note(asked.bench, "warning", text="so")
    Bench.note(asked.bench, "intent", sync=True)
    Bench.ask(asked.bench, "Switch it on")
    plain = {"sync": False, "text": "so"}
    assert asked.did == [("warning", plain), ("intent", {"sync": True}), ("ask", {"text": "Switch it on"})]


def test_what_two_instruments_read(asked: Asked) -> None:
    seen = sample(readings={"supply_volts": 24.1, "load_volts": 23.9})
    assert (Bench.held_volts(asked.bench, seen), Bench.load_volts(asked.bench, seen)) == (24.1, 23.9)
    none = [Bench.held_volts(asked.bench, sample()), Bench.load_volts(asked.bench, sample())]
    assert none == pytest.approx([NAN, NAN], nan_ok=True)


def test_what_its_parts_know(asked: Asked) -> None:
    bench, link = asked.bench, SimpleNamespace()
    bench.circuits = SimpleNamespace(can_switch=lambda what: f"can {what}", tells=lambda what: f"tells {what}")
    bench.beats = SimpleNamespace(guard=link, guard_with=asked.did.append)
    bench.stopping = SimpleNamespace(off_reports=[GOOD], before_doubt="what was known")
    bench.loop = SimpleNamespace(instant=lambda: 5.0)
    bench.rig.place, bench.block = "the place", Block("sink")
    assert (Bench.can_switch(bench, "mains"), Bench.tells(bench, "warning")) == ("can mains", "tells warning")
    parts: dict[str, Any] = {name: getattr(Bench, name).fget(bench) for name in ("guard", "off_reports", "place")}
    assert parts == {"guard": link, "off_reports": [GOOD], "place": "the place"}
    assert Bench.before_doubt.fget(bench) == "what was known"  # type: ignore[attr-defined]
    Bench.guard_with(bench, None)
    Bench.leave_because(bench, "end volts")
    assert (asked.did, bench.block.reason, Bench.elapsed(bench)) == ([None], "end volts", 5.0)
