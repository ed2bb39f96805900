"""A simulated bench with everything that may go wrong with its lines, its people and its second clients."""

from __future__ import annotations

import random
import re
import tempfile
import time
import traceback
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

import night as nights
from ill_draw import PACK_SWEEPS, UPS_SWEEPS, Drawn, Hit
from ill_files import edited
from shaped import write_files

from harness.clock import VirtualClock
from harness.errors import UserError
from harness.folder import RunFolder
from harness.procedure import procedures
from harness.run import Done, Home, Job, ProgramError, Watcher, prepare, run
from sims.bench import SimBench
from sims.scenario import Scenario, load_scenario

LIARS = (*nights.LIES, "garble")
FLOOD = b"7" * 70_000


class Wires:
    """Between harness and bench; knows each message, does the hits, watches every output of the world."""

    def __init__(self, bench: SimBench, clock: VirtualClock, hits: list[Hit]) -> None:
        self.bench, self.clock, self.hits = bench, clock, sorted(hits, key=lambda hit: hit.at)
        self.names = bench.names
        self.heard: list[tuple[float, str, bytes]] = []
        self.mute: set[str] = set()
        self.deaf: set[str] = set()
        self.gone: set[str] = set()
        self.strange: set[str] = set()
        self.once: dict[str, str] = {}
        self.kept: list[Any] = []
        self.wrong_on: list[str] = []
        self.was_on = False
        supply = bench._fitting.panels.get("supply")
        self.outputs: list[Any] = list(getattr(supply, "_outputs", ()))

    def connect(self, name: str) -> Any:
        if name in self.gone:
            raise ConnectionRefusedError(f"simulated fault: {name} is gone")
        return Talk(self, name, self.bench.connect(name))

    def do(self, order: str) -> str:
        return self.bench.do(order)

    def noticed(self) -> list[tuple[float, str]]:
        return self.bench.noticed()

    def hear(self, name: str, message: bytes, talk: Talk) -> None:
        number = len(self.heard)
        self.heard.append((self.clock.now(), name, message))
        while self.hits and self.hits[0].at <= number:
            hit = self.hits.pop(0)
            hit.done_s, hit.heard = self.clock.now(), number
            self._act(hit, talk)

    def _act(self, hit: Hit, talk: Talk) -> None:
        name = self.bench.shared.get(hit.name, hit.name)
        match hit.what:
            case "mute" | "deaf" | "gone":
                getattr(self, hit.what).add(hit.name)
            case "do":
                self.bench.do(hit.text)
            case "says":
                self.bench.advance()
                self.bench.port(name).engine.connect().feed(hit.text.encode() + b"\n")
            case "stranger":
                self.strange.add(hit.name)
                self.once[hit.name] = "drop"
            case "crowd":
                for _ in range(3):
                    try:
                        self.kept.append(self.bench.connect(name))
                    except ConnectionError:
                        break
                self.once[hit.name] = "drop"
            case _:
                self.once[hit.name] = hit.what

    def look(self) -> None:
        """Outputs that hang on nothing, or on another than ours, must stay off."""
        world = self.bench.world
        self.was_on = self.was_on or bool(world.supply.output_on or world.load.input_on)
        for channel, output in enumerate(self.outputs, start=1):
            if output.port.output_on and output.world is not world:
                words = f"channel {channel} of the supply on"
                if words not in self.wrong_on:
                    self.wrong_on.append(words)


class Talk:
    """One session with all that may go wrong with it."""

    def __init__(self, wires: Wires, name: str, inner: Any) -> None:
        self.wires, self.name, self.inner = wires, name, inner
        self.broken = self.swallow = False
        self.late = b""

    @property
    def due_in_s(self) -> float | None:
        return None if self.swallow or self.broken else getattr(self.inner, "due_in_s", None)

    @property
    def is_open(self) -> bool:
        return not self.broken and getattr(self.inner, "is_open", True)

    def feed(self, data: bytes) -> bytes:
        wires, name = self.wires, self.name
        if self.broken:
            raise ConnectionError("simulated fault: the connection is broken")
        if not data:
            return b"" if self.swallow else self.inner.feed(data)
        self.swallow = False
        wires.hear(name, data, self)
        if name in wires.gone:
            raise ConnectionResetError(f"simulated fault: {name} is gone")
        if name in wires.deaf:
            self.swallow = True
            return b""
        kind = wires.once.pop(name, None)
        if kind in ("drop", "restart", "hangs up"):
            if kind == "restart":
                wires.bench.advance()
                wires.bench._fitting.panels[name].restart()
            if kind == "hangs up":
                self.inner.feed(data)  # carried out, and hung up before a word
            self.broken = True
            self.inner.hang_up()
            wires.look()
            raise ConnectionError("simulated fault: the connection breaks")
        if kind == "leaves":
            self.late += self.inner.feed(b"*IDN?" + data[-1:] if len(data) else b"")
        if kind == "floods":
            self.inner.feed(b"X" * 100_000)
        out, self.late = self.late, b""
        reply = self.inner.feed(data)
        wires.look()
        if name in wires.strange:
            reply = re.sub(rb"(NIGHTBENCH,SIM-\w+,)", rb"\g<1>other-", reply)
        if kind == "silent" or name in wires.mute:
            self.swallow = True
            return b""
        if kind == "late":
            self.late = reply
            return out
        if kind == "garble" and reply:
            middle = (len(reply) - 1) // 2
            reply = reply[:middle] + bytes([reply[middle] ^ 0x55]) + reply[middle + 1 :]
        if kind in nights.LIES and b"IDN" not in data:
            factor = nights.LIES[kind]
            reply = re.sub(rb"\d+[.,]\d+", lambda m: self._times(m.group(), factor), reply)
        if kind == "babble":
            reply = FLOOD
        if kind == "banner":
            reply = b"FIRMWARE 2.1 READY\n" + reply
        return out + reply

    @staticmethod
    def _times(number: bytes, factor: float) -> bytes:
        comma = b"," in number
        text = f"{float(number.replace(b',', b'.')) * factor:.4f}".encode()
        return text.replace(b".", b",") if comma else text

    def hang_up(self) -> None:
        self.inner.hang_up()


class Watch(Watcher):
    def __init__(self) -> None:
        self.said: list[str] = []
        self.folder: RunFolder | None = None

    def started(self, ready: Any, folder: RunFolder) -> None:
        self.folder = folder

    def say(self, text: str) -> None:
        self.said.append(text)

    def acknowledged_unsafe(self, serial: str) -> bool:
        return True


@dataclass(slots=True)
class Spent:
    """How a night went."""

    drawn: Drawn
    wires: Wires
    clock: VirtualClock
    watch: Watch
    files: Path
    exit_code: int = -1
    done: Done | None = None
    error: str = ""
    crash: str = ""
    machine_s: float = 0.0

    @property
    def why(self) -> str:
        return self.done.result.end_reason if self.done is not None else self.error

    @property
    def figures(self) -> dict[str, Any]:
        return {} if self.done is None else dict(self.done.result.figures)


def facts_of(drawn: Drawn) -> Scenario:
    facts = replace(load_scenario(drawn.scenario), fitted=drawn.fitted)
    if drawn.procedure in PACK_SWEEPS:
        share = PACK_SWEEPS[drawn.procedure][0]
        facts = replace(facts, pack=replace(facts.pack, start_share=(share,) * len(facts.pack.start_share)))
    return facts


def own_files(folder: Path, bench: SimBench) -> None:
    """As the simulator writes them."""
    addresses = {name: f"sim:{bench.scenario}/{name}" for name in bench.names if name not in bench.shared}
    (folder / "bench.toml").write_text(bench.bench_toml(addresses, clock=None, own_dialects=True), "utf-8")
    (folder / "pack.toml").write_text(bench.pack_toml(), "utf-8")
    (folder / "ups.toml").write_text(bench.ups_toml(), "utf-8")
    shipped = resources.files("drivers") / "dialects"
    for file, text in bench.dialect_files(lambda name: (shipped / f"{name}.toml").read_text("utf-8")).items():
        (folder / file).write_text(text, "utf-8")


def spend(out: Path, drawn: Drawn, *, hits: bool = True) -> Spent:
    clock = VirtualClock()
    bench = SimBench(facts_of(drawn), now=clock.now, seed=None, manners=drawn.manners)
    wires = Wires(bench, clock, list(drawn.hits) if hits else [])
    files = Path(tempfile.mkdtemp(dir=out))
    (own_files if drawn.own else write_files)(files, bench)
    if drawn.wrong and hits:
        edited(drawn, random.Random(f"wrong/{drawn.seed}"), files)
    watch = Watch()
    spent = Spent(drawn, wires, clock, watch, files)
    one = procedures()[drawn.procedure]
    sets = PACK_SWEEPS[drawn.procedure][1] if drawn.procedure in PACK_SWEEPS else UPS_SWEEPS[drawn.procedure]
    began = time.monotonic()
    try:
        job = Job(
            one,
            files / "bench.toml",
            files / "pack.toml" if one.subject == "pack" else None,
            sets=sets,
            out=files / "runs",
            home=Home(clock, wires),
            ups=files / "ups.toml" if one.subject == "ups" else None,
        )
        spent.done = run(prepare(job), watcher=watch)
        spent.exit_code = spent.done.exit_code
    except UserError as refusal:
        spent.error, spent.exit_code = str(refusal), refusal.exit_code
    except ProgramError as crash:
        spent.crash, spent.exit_code = f"program error: {crash}", 1
    except Exception:
        spent.crash = traceback.format_exc()
    spent.machine_s = time.monotonic() - began
    return spent
