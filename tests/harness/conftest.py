"""The command line as a person uses it, on simulated benches whose world and whose wires can be looked at."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from loopback_line import Line
from screen_said import Said

import harness.connect
from harness.cli import main
from harness.job import Job, Ready, prepare
from harness.procedure import procedures
from sims.bench import SimBench, open_bench
from sims.scenario import Scenario, load_scenario
from sims.serve import ServedBench, serve

SWITCHES_ON = re.compile(rb"(OUTP|INP)(UT)?(:STAT(E)?)?\s+(ON|1)", re.IGNORECASE)


@dataclass(frozen=True)
class Told:
    """What a command told and how it ended."""

    exit_code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document on standard output; fails when there is anything else."""
        return json.loads(self.out)

    def refused(self, code: int, *words: str) -> None:
        """One line on standard error, nothing on standard output, the exit code, and the words that must be in it."""
        assert "Traceback" not in self.out + self.err
        assert (self.exit_code, self.out) == (code, ""), self.err
        assert re.fullmatch(r"nightbench[^\n]*\n", self.err), self.err
        missing = [word for word in words if word not in self.err]
        assert not missing, f"{missing} not in {self.err}"


def nightbench(*words: object) -> Told:
    """Run a command in this process."""
    outcome = CliRunner().invoke(main, [str(word) for word in words])
    if outcome.exception is not None and not isinstance(outcome.exception, SystemExit):
        raise outcome.exception
    return Told(outcome.exit_code, outcome.stdout, outcome.stderr)


@pytest.fixture
def cli() -> Callable[..., Told]:
    return nightbench


@dataclass
class Witnessed:
    """A simulated bench with everything that was said to it."""

    sim: SimBench
    said: list[tuple[str, bytes]] = field(default_factory=list)

    @property
    def only_asked(self) -> bool:
        """Every message was a question."""
        messages = [part.strip() for _, data in self.said for part in data.split(b"\n") if part.strip()]
        return all(message.endswith(b"?") for message in messages)

    @property
    def on(self) -> bool:
        world = self.sim.world
        return bool(world.supply and world.supply.output_on) or bool(world.load and world.load.input_on)

    @property
    def ever_on(self) -> bool:
        return self.on or any(SWITCHES_ON.search(data) for _, data in self.said)


def witness(sim: SimBench) -> Witnessed:
    """Listen in on every session made with ``sim`` from now on."""
    seen = Witnessed(sim)
    for name in sim.names:
        _listen(sim.port(name), name, seen)
    return seen


def _listen(port: Any, name: str, seen: Witnessed) -> None:
    connect = port.connect

    def connected(*words: Any, **how: Any) -> Any:
        talker = connect(*words, **how)
        feed = talker.feed

        def fed(data: bytes, *more: Any, **beside: Any) -> bytes:
            seen.said.append((name, data))
            return bytes(feed(data, *more, **beside))

        talker.feed = fed
        return talker

    port.connect = connected


@pytest.fixture
def sims(monkeypatch: pytest.MonkeyPatch) -> list[Witnessed]:
    """Every simulated bench in memory that a command opens, in order."""
    opened: list[Witnessed] = []
    real = harness.connect.open_simulated

    def watched(scenario: str, **how: Any) -> SimBench:
        sim: SimBench = real(scenario, **how)
        opened.append(witness(sim))
        return sim

    monkeypatch.setattr(harness.connect, "open_simulated", watched)
    return opened


@dataclass(frozen=True)
class Files:
    """A bench file and a pack file; ``edited`` makes a copy in which patterns are replaced."""

    bench: Path
    pack: Path

    def words(self) -> tuple[object, ...]:
        return ("--bench", self.bench, "--pack", self.pack)

    def edited(self, which: str, *changes: tuple[str, str]) -> Files:
        old = self.bench if which == "bench" else self.pack
        text = old.read_text(encoding="utf-8")
        for pattern, new in changes:
            text, count = re.subn(pattern, new, text, flags=re.MULTILINE | re.DOTALL)
            assert count, f"{pattern!r} is not in {old}"
        made = old.with_name(f"edited-{old.name}")
        made.write_text(text, encoding="utf-8")
        return Files(made, self.pack) if which == "bench" else Files(self.bench, made)


@pytest.fixture
def files(tmp_path: Path) -> Callable[..., Files]:
    """Bench and pack file of a scenario in memory."""

    def written(scenario: str = "cabinet") -> Files:
        sim = open_bench(scenario, now=lambda: 0.0)
        place = tmp_path / scenario
        place.mkdir()
        addresses = {name: f"sim:{scenario}/{name}" for name in sim.names}
        (place / "bench.toml").write_text(sim.bench_toml(addresses), encoding="utf-8")
        (place / "pack.toml").write_text(sim.pack_toml(), encoding="utf-8")
        return Files(place / "bench.toml", place / "pack.toml")

    return written


@pytest.fixture(name="joint_seen")
def _a_joint_that_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """The load measures at its own terminals, the meter at the pack: half an It needs that."""

    def two_wire(name: str) -> Scenario:
        facts = load_scenario(name)
        return replace(facts, load=replace(facts.load, sense="local"))

    monkeypatch.setattr("sims.bench.load_scenario", two_wire)


@dataclass
class OnSockets:
    """A served bench, its files, and what was said to it."""

    served: ServedBench
    files: Files
    seen: Witnessed
    close: Callable[[], None]

    def tell(self, name: str, message: str) -> None:
        """Say something as a second client would, and wait until it was carried out."""
        self.ask(name, f"{message};*OPC?")

    def ask(self, name: str, message: str) -> str:
        import socket

        _, host, port, _ = self.served.addresses[name].split("::")
        with socket.create_connection((host, int(port)), timeout=5) as line:
            line.sendall(message.encode() + b"\n")
            return line.recv(1000).decode().strip()


@contextmanager
def serving(place: Path, scenario: str = "cabinet", **how: Any) -> Iterator[OnSockets]:
    """A bench served by a thread of this process."""
    served = serve(scenario, **how)
    stop = threading.Event()
    thread = threading.Thread(target=served.run_forever, args=(stop.is_set,), daemon=True)
    thread.start()

    def close() -> None:
        if not stop.is_set():
            stop.set()
            thread.join()
            served.close()

    place.mkdir(exist_ok=True)
    (place / "bench.toml").write_text(served.bench_toml(), encoding="utf-8")
    (place / "pack.toml").write_text(served.bench.pack_toml(), encoding="utf-8")
    try:
        yield OnSockets(served, Files(place / "bench.toml", place / "pack.toml"), witness(served.bench), close)
    finally:
        close()


@pytest.fixture
def on_sockets(tmp_path: Path) -> Iterator[OnSockets]:
    """The cabinet's bench, served stepped."""
    with serving(tmp_path / "served", stepped=True) as bench:
        yield bench


@pytest.fixture(name="serving")
def _serving(tmp_path: Path) -> Callable[..., Any]:
    """``with serving("cabinet", speed=10)``: a served bench of one's own."""
    return lambda scenario="cabinet", **how: serving(tmp_path / f"served-{scenario}", scenario, **how)


QUICK = ("--set", "charge_first=false", "--set", "rate_it=1.3", "--set", "rest_s=0", "--set", "rest_after_s=0")
"""A capacity run of the cabinet's pack as it stands, a third full: some thousand samples."""


@pytest.fixture
def quick() -> tuple[str, ...]:
    return QUICK


@pytest.fixture
def quick_probe(monkeypatch: pytest.MonkeyPatch) -> None:
    """Silences of a line on which nothing takes long; what a probe finds is the same."""
    monkeypatch.setattr("drivers.raw_line.SHORT_QUIET_S", 0.004)
    monkeypatch.setattr("harness.probing_line.LONG_QUIET_S", 0.12)
    monkeypatch.setattr("harness.probing_line.CAUTIOUS_S", 0.05)
    monkeypatch.setattr("harness.probing_line.GAP_S", 0.02)
    monkeypatch.setattr("harness.probing_questions.PATIENCE_S", 0.03)


@pytest.fixture
def line() -> Iterator[Callable[..., Line]]:
    made: list[Line] = []

    def make(answers: dict[bytes, bytes], **how: Any) -> Line:
        made.append(Line(answers, **how))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def ready(files: Callable[..., Any]) -> Ready:
    """A capacity run on a simulated bench in memory, before anything is talked to."""
    made = files()
    return prepare(Job(procedures()["capacity"], made.bench, made.pack))


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    return Said(capsys)
