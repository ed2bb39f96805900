"""Nights drawn on ill-mannered instruments: habits, shapes, faults, people, second clients and wrong files; and their
judge, who asks the simulated world.

Everything of a night is drawn from its seed: the same seed is the same night. As a program it spends nights and prints
what is wrong with them: ``python tests/safety/ill.py 1000 2000`` for the seeds from 1000 on up to 2000.
"""

from __future__ import annotations

import os
import random
import re
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

import night as nights
from shaped import write_files

from harness.clock import VirtualClock
from harness.errors import UserError
from harness.folder import RunFolder
from harness.procedure import procedures
from harness.run import Done, Home, Job, ProgramError, Watcher, prepare, run
from harness.samplefile import samples
from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import Scenario, load_scenario
from sims.shapes import SHAPES

ON_WORDS = re.compile(rb"OUTP\d* ON|INP\d* ON|LOAD ON|ROUT:CLOS \(")
OFF_WORDS = re.compile(rb"OUTP\d* OFF|INP\d* OFF|LOAD OFF|ROUT:OPEN \(")

PACK_SWEEPS = {
    "capacity": (0.021, ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), "load"),
    "charge": (0.995, ("amps=4", "end_amps=3"), "supply"),
}
UPS_SWEEPS = {"c-rate": ("rest_s=5", "step_s=15"), "voltage-floor": (), "charge-ceiling": ()}
ACTIVE = {"capacity": "load", "charge": "supply", "c-rate": "load", "voltage-floor": "supply", "charge-ceiling": "load"}

LATEST_S = 90.0
"""Longest a night may go on, s of bench time, after what it takes when nothing happens (rests, retries, 99)."""

MACHINE_S = 30.0
RELAY_S = 0.1
"""A relay that was told has moved by then, s."""

LIARS = (*nights.LIES, "garble")
FLOOD = b"7" * 70_000


# -- what is drawn ----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Hit:
    """Something that happens at message number ``at``."""

    at: int
    what: str
    name: str
    text: str = ""
    done_s: float | None = None
    heard: int = -1


@dataclass(slots=True)
class Drawn:
    """One night as drawn."""

    seed: int
    procedure: str
    scenario: str
    fitted: tuple[str, ...]
    manners: dict[str, Manners]
    own: bool
    """Dialects are those the simulator writes, and not those of ``shaped``."""
    wrong: str = ""
    hits: list[Hit] = field(default_factory=list)

    def __str__(self) -> str:
        habits = {
            name: {k: getattr(m, k) for k in m.__slots__ if getattr(m, k) != getattr(Manners(), k)}
            for name, m in self.manners.items()
        }
        return (
            f"seed {self.seed}: {self.procedure} on {self.scenario} {self.fitted}, {habits}, wrong: {self.wrong or '-'}, "
            f"{[(h.at, h.what, h.name, h.text, h.done_s) for h in self.hits]}"
        )


HABITS: dict[str, Callable[[random.Random], dict[str, Any]]] = {
    "echo": lambda d: {"echo": True},
    "ends": lambda d: {"ends": d.choice(["\r\n", "\n\0", "\n\0\0\0", ""])},
    "cr": lambda d: {"ends": "\r", "hears": "\r"},
    "crlf": lambda d: {"ends": "\r\n", "hears": "\r\n"},
    "gap": lambda d: {"gap_s": d.choice([0.005, 0.02, 0.05])},
    "compound": lambda d: {"compound": d.choice(["first", "last", "lines", "refused"])},
    "buffer": lambda d: {"buffer_bytes": d.choice([24, 40, 64])},
    "banner": lambda d: {"banner": d.choice(["READY v1", "HELLO, I AM, A BANNER, 1.0", "0", "1.234"])},
    "defaults": lambda d: {"defaults_at_open": True},
    "idle": lambda d: {"idle_drop_s": d.choice([0.5, 2.0, 5.0])},
    "clients": lambda d: {"clients_max": d.choice([1, 1, 2])},
    "second": lambda d: {"second_line": d.choice(["OK", "0", "1.0"])},
    "remote": lambda d: {"remote_needed": True},
    "delay": lambda d: {"reply_delay_s": d.choice([0.01, 0.05, 0.2, 0.7])},
    "unit": lambda d: {"unit_suffix": True},
    "quoted": lambda d: {"quoted": True},
    "comma": lambda d: {"comma": True},
    "nr3": lambda d: {"nr3": True},
    "plus": lambda d: {"plus_sign": True},
    "errors": lambda d: {"error_words": d.choice(["plus", "bare", "unquoted", "prefixed"])},
    "exponent": lambda d: {"no_exponent": True},
    "grid": lambda d: {"grid": "truncate"},
    "settle": lambda d: {"settle_s": d.choice([0.1, 0.3])},
    "restores": lambda d: {"restores_output": True},
}


def draw_manners(draw: random.Random, name: str) -> Manners:
    given: dict[str, Any] = {}
    for habit in draw.sample(sorted(HABITS), draw.choice([0, 0, 1, 1, 2, 3, 4])):
        given |= HABITS[habit](draw)
    if name in SHAPES:
        given["shape"] = draw.choice(SHAPES[name])
    if name == "supply":
        given["channels"] = draw.choice([2, 3])
        given["wired_channel"] = draw.randint(1, given["channels"])
    return Manners(**given)


ORDERS = ("local {}", "reset {}", "turn {} volts {}", "turn {} amps {}")

SAID = {
    "supply": (
        "VOLT {v}", "CURR {a}", "OUTP ON", "OUTP OFF", "*RST", "VOLT:PROT {v}", "CURR:PROT:STAT ON", "VOLT:PROT:CLE",
        "SENS:REM OFF", "INST:NSEL {c}", "CURR:NEG {a}", "SYST:LOC", "SYST:REM", "*CLS", "NO:SUCH", "VOLT {v};OUTP ON",
        "VOLT {v};CURR {a};:OUTP ON", "VOLT:PROT 1",
    ),
    "load": (
        "CURR {a}", "INP ON", "INP OFF", "LOAD ON", "LOAD OFF", "*RST", "VOLT:PROT:LOW {v}", "FUNC VOLT", "MODE CV",
        "FUNC RES", "CURR:PROT {a}", "SENS:REM OFF", "SYST:LOC", "SYST:REM", "NO:SUCH", "CURR {a};:INP ON",
    ),
    "switch": ("OUTP ON", "OUTP OFF", "*RST", "ROUT:CLOS (@{c})", "ROUT:OPEN (@1:3)", "ROUT:CLOS (@1:3)", "SYST:LOC"),
}  # fmt: skip


def draw_hit(draw: random.Random, names: tuple[str, ...], active: str, at: int) -> Hit:
    name = active if draw.random() < 0.5 else draw.choice(names)
    kind = draw.choice(["fault", "fault", "person", "client", "client", "rude"])
    kinds = {"v": f"{draw.choice([0, 1, 5, 12.9, 13.8, 14.6, 20, 40]):g}", "a": f"{draw.choice([0, 0.5, 2, 5, 15]):g}"}
    kinds["c"] = str(draw.randint(1, 3))
    if kind == "fault":
        return Hit(at, draw.choice([*nights.ONCE, *nights.FOR_EVER]), name)
    if kind == "person":
        order = draw.choice(ORDERS)
        return Hit(at, "do", name, order.format(name, kinds["v"] if "volts" in order else kinds["a"]))
    if kind == "client":
        switch = name in ("mains", "acload", "contactor")
        texts = SAID.get("switch" if switch else name, ("*RST", "SYST:LOC", "*CLS", "NO:SUCH"))
        if name == "supply" and draw.random() < 0.3:
            texts = tuple(re.sub(r"^(VOLT|OUTP)", rf"\g<1>{kinds['c']}", text) for text in texts)
        return Hit(at, "says", name, draw.choice(texts).format(**kinds))
    return Hit(at, draw.choice(["leaves", "leaves", "floods", "babble", "banner", "stranger", "crowd", "hangs up"]), name)


def edited(drawn: Drawn, draw: random.Random, folder: Path) -> None:
    """Write something wrong into the files, as a person would."""
    bench = folder / "bench.toml"
    text = bench.read_text("utf-8")
    files = sorted(path for path in folder.glob("*.toml") if path.stem not in ("bench", "pack", "ups"))
    choices: list[str] = []
    for path in files:
        own = path.read_text("utf-8")
        choices += [
            f"{path.name}|{key}"
            for key in ("echo = true", "terminator", "pace_s", "decimal_comma = true", "message_bytes", "gap_s = ")
            if re.search(rf"^{re.escape(key)}.*$", own, re.MULTILINE)
        ]
        choices += [f"{path.name}|add {key}" for key in ("echo = true", 'terminator = "\\r\\n"', "gap_s = 0.05", "decimal_comma")]
        choices += [f"{path.name}|no remote"] if "[remote]" in own else []
        choices += [f"{path.name}|joined"] if "joined" in own else []
    choices += ["bench|channel"] * 3 if re.search(r"^channel = ", text, re.MULTILINE) else []
    choices += ["bench|swap channels"] * 3 if len(re.findall(r"^channel = ", text, re.MULTILINE)) > 1 else []
    choices += ["bench|same channels"] * 3 if len(re.findall(r"^channel = ", text, re.MULTILINE)) > 1 else []
    choices += ["bench|swap addresses", "bench|swap addresses, no identity", "bench|other shape"]
    drawn.wrong = draw.choice(choices)
    where, _, what = drawn.wrong.partition("|")
    if where != "bench":
        path = folder / where
        own = path.read_text("utf-8")
        if what == "joined":
            own = own.replace("joined = true", "joined = X").replace("joined = false", "joined = true")
            own = own.replace("joined = X", "joined = false")
        elif what == "no remote":
            own = re.sub(r"\[remote\]\n(\w+ = .*\n)+", "", own)
        elif what == "add decimal_comma":
            own = own if "decimal_comma" in own else "decimal_comma = true\n" + own
        elif what.startswith("add "):
            line = what[4:]
            key = line.partition(" ")[0]
            own = re.sub(rf"^{key} = .*\n", "", own, flags=re.MULTILINE)
            own = own.replace("[line]\n", f"[line]\n{line}\n") if "[line]" in own else own + f"\n[line]\n{line}\n"
        else:
            own = re.sub(rf"^{re.escape(what)}.*\n", "", own, flags=re.MULTILINE)
        path.write_text(own, "utf-8")
        return
    if what == "channel":
        found = draw.choice(list(re.finditer(r"^channel = (\d)", text, re.MULTILINE)))
        other = draw.choice([n for n in range(1, 4) if n != int(found.group(1))])
        text = text[: found.start()] + f"channel = {other}" + text[found.end() :]
    elif what in ("swap channels", "same channels"):
        one, two = draw.sample(list(re.finditer(r"^channel = (\d)", text, re.MULTILINE)), 2)
        first, second = sorted((one, two), key=lambda m: m.start())
        kept = second.group(1) if what == "same channels" else first.group(1)
        text = (
            text[: first.start()] + f"channel = {second.group(1)}" + text[first.end() : second.start()]
            + f"channel = {kept}" + text[second.end() :]
        )  # fmt: skip
    elif what.startswith("swap addresses"):
        found = draw.sample(list(re.finditer(r'^address = (".*")$', text, re.MULTILINE)), 2)
        first, second = sorted(found, key=lambda m: m.start())
        text = (
            text[: first.start(1)] + second.group(1) + text[first.end(1) : second.start(1)]
            + first.group(1) + text[second.end(1) :]
        )  # fmt: skip
        if "no identity" in what:
            text = re.sub(r"^identity = .*\n", "", text, flags=re.MULTILINE)
    else:
        supplies = ["scpi-supply", "scpi-supply-select", "scpi-supply-suffix", "scpi-supply-list", "scpi-supply-two-quadrant"]
        loads = ["scpi-load", "scpi-load-mode"]
        kind = draw.choice([supplies, loads])
        role = "supply" if kind is supplies else "load"
        head, *tables = text.split("[[instrument]]")
        for number, table in enumerate(tables):
            if f'name = "{role}"' in table:
                table = re.sub(r'^dialect = .*$', f'dialect = "{draw.choice(kind)}"', table, flags=re.MULTILINE)
                if draw.random() < 0.5:
                    table = re.sub(r"^channel = .*\n", "", table, flags=re.MULTILINE)
                elif "channel = " not in table:
                    table = table.replace("address = ", f"channel = {draw.randint(1, 3)}\naddress = ", 1)
                tables[number] = table
        text = "[[instrument]]".join([head, *tables])
    bench.write_text(text, "utf-8")


def draw_night(seed: int, count: Callable[[Drawn], tuple[int, list[int], list[int]]]) -> Drawn:
    """``count`` spends the night without hits and tells how many messages it took, and which were on and off."""
    draw = random.Random(f"ill/{seed}")
    procedure = draw.choice(["capacity"] * 4 + ["charge"] * 4 + ["c-rate", "voltage-floor", "charge-ceiling"])
    ups = procedure in ("voltage-floor", "charge-ceiling")
    scenario = draw.choice(["cabinet", "porch"]) if ups else "porch"
    facts = load_scenario(scenario)
    fitted = facts.fitted
    if not ups and draw.random() < 0.4:
        fitted = (*fitted, "contactor")
    manners = {name: draw_manners(draw, name) for name in fitted if draw.random() < 0.75}
    drawn = Drawn(seed, procedure, scenario, fitted, manners, own=draw.random() < 0.7)
    drawn.wrong = "some" if draw.random() < 0.35 else ""
    if draw.random() < 0.9:
        whole, ons, offs = count(drawn)
        for _ in range(draw.choice([1, 1, 2, 3])):
            near = draw.random()
            if near < 0.35 and ons:
                at = max(0, draw.choice(ons) + draw.randint(-12, 6))
            elif near < 0.6 and offs:
                at = max(0, draw.choice(offs) + draw.randint(-4, 14))
            else:
                at = draw.randrange(max(1, whole))
            drawn.hits.append(draw_hit(draw, fitted, ACTIVE[procedure], at))
    return drawn


# -- a bench with all of it --------------------------------------------------------------------------------------------


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


# -- the judge ---------------------------------------------------------------------------------------------------------


def left_on(spent: Spent) -> list[str]:
    bench, world = spent.wires.bench, spent.wires.bench.world
    spent.clock.sleep(RELAY_S)
    bench.advance()
    world.changed()
    found = []
    if world.supply.output_on:
        found.append("supply")
    if world.load.input_on:
        found.append("load")
    if world.hooked == "pack" and not abs(world.pack_amps) <= nights.NO_CURRENT_A:
        found.append(f"{world.pack_amps:.3f} A from the pack")
    if world.ups is not None and world.ups.mains_on:
        found.append("mains")
    said = any(hit.what == "says" and hit.name == "supply" and hit.done_s is not None for hit in spent.drawn.hits)
    for channel, output in enumerate(spent.wires.outputs, start=1):
        # What somebody else switches on of an instrument's other channels is his own.
        if output.world is not world and output.port.output_on and not said:
            found.append(f"channel {channel}")
    for name, relay in bench.switches.items():
        if relay.closed and name != "mains":
            found.append(name)
    return found


def unreachable(spent: Spent) -> bool:
    """Whether somebody who may have been on can not be told anything."""
    wires, manners = spent.wires, spent.drawn.manners
    crowded = {hit.name for hit in spent.drawn.hits if hit.what == "crowd" and manners.get(hit.name, Manners()).clients_max}
    return bool(wires.deaf | wires.gone | crowded)


def in_local(spent: Spent) -> bool:
    """Whether somebody took an instrument to local whose dialect knows no way back."""
    panels = spent.wires.bench._fitting.panels
    return any(not panel.key.remote for panel in panels.values())


def meddled_late(spent: Spent) -> bool:
    """Whether somebody switched something on after off was confirmed."""
    return any(hit.heard > len(spent.wires.heard) - 30 for hit in spent.drawn.hits if hit.what in ("says", "do"))


def judge(spent: Spent, plain: Callable[[Drawn], Spent]) -> list[str]:
    """Everything that is wrong with how a night ended."""
    wrong: list[str] = []
    drawn, wires, code = spent.drawn, spent.wires, spent.exit_code
    if spent.crash:
        wrong.append(spent.crash)
    if code not in nights.OFF_CONFIRMED | nights.NOTHING_ENERGISED | nights.NOT_OFF:
        wrong.append(f"exit {code} is not in the table")
    left = left_on(spent)
    loud = any("TREAT THE BENCH AS LIVE" in text for text in spent.watch.said)
    if left and code not in nights.NOT_OFF:
        wrong.append(f"exit {code}, left on: {', '.join(left)}")
    if left and not unreachable(spent) and not (meddled_late(spent) or in_local(spent)):
        wrong.append(f"exit {code}, left on though it can be reached: {', '.join(left)}")
    if code in nights.NOT_OFF and not loud:
        wrong.append("not off, and nobody was told")
    meddled = any(hit.done_s is not None and hit.what in ("says", "do") for hit in drawn.hits)
    if code in nights.NOTHING_ENERGISED and wires.was_on and not meddled:
        wrong.append(f"exit {code} says nothing was energised, something was")
    if wires.wrong_on and not meddled and code == 0:
        wrong.append(f"finished, and {wires.wrong_on}")
    world = wires.bench.world
    cells = list(world.pack.cell_volts(world.pack_amps))
    if min(cells) < 2.0 or max(cells) > 3.80:
        wrong.append(f"cells at {min(cells):.3f} to {max(cells):.3f} V")
    wrong += in_time(spent)
    if spent.machine_s > MACHINE_S:
        wrong.append(f"took {spent.machine_s:.1f} s of the machine")
    first = plain(drawn)
    delays = max((m.reply_delay_s + m.gap_s for m in drawn.manners.values()), default=0.0)
    if spent.clock.now() > first.clock.now() * (1.6 + 6.0 * delays) + LATEST_S:
        wrong.append(f"took {spent.clock.now():.0f} s of the bench, {first.clock.now():.0f} s alone")
    if code == 0:
        wrong += figures_off(spent, first)
    if spent.watch.folder is not None and spent.done is not None:
        night = nights.Night(None, code, wires, spent.clock, spent.watch.said, folder=spent.watch.folder)  # type: ignore[arg-type]
        wrong += nights._record(night)
    return wrong


def figures_off(spent: Spent, first: Spent) -> list[str]:
    found: list[str] = []
    if spent.why != first.why:
        return found  # it ended otherwise, and says so
    for name, figure in spent.figures.items():
        expected = first.figures.get(name)
        if expected is None:
            found.append(f"figure {name} = {figure.value}, which the plain bench has not")
        elif isinstance(figure.value, int | float):
            doubt = (figure.expanded_uncertainty or 0.0) + (expected.expanded_uncertainty or 0.0)
            lies = [hit for hit in spent.drawn.hits if hit.what in LIARS and hit.done_s is not None]
            if name in ("mean_v", "capacity_wh", "charge_in_wh", "recovery_v") and lies:
                continue  # one false reading of the ten of so short a night
            if name.startswith("charge_in"):
                # The current goes on until the sample in which it is seen to have fallen: that much more goes in.
                doubt += abs(figure.value) * spacing_s(spent) / max(figure.value / expected.value * 20.0, 1.0)
            if not abs(figure.value - expected.value) <= doubt + 1e-9:
                found.append(f"figure {name} = {figure.value}, plain {expected.value}, U {doubt}")
        elif figure.value != expected.value:
            found.append(f"figure {name} = {figure.value}, plain {expected.value}")
    return found


def spacing_s(spent: Spent) -> float:
    """The longest time between two rows, s."""
    assert spent.watch.folder is not None
    times = [row.elapsed_s for row in samples(spent.watch.folder)]
    return max((after - before for before, after in pairwise(times)), default=0.0)


def in_time(spent: Spent) -> list[str]:
    """From what lasts and happened on the way until somebody was told to switch off."""
    wires, active = spent.wires, ACTIVE[spent.drawn.procedure]
    ons = [t for t, who, m in wires.heard if who == active and ON_WORDS.search(m)]
    wrong = []
    for hit in spent.drawn.hits:
        if hit.done_s is None or hit.what not in ("mute", "deaf") or not ons or not ons[0] <= hit.done_s:
            continue
        if hit.name not in ("supply", "load"):
            continue
        offs = [t for t, who, m in wires.heard if t >= ons[0] and who == active and OFF_WORDS.search(m)]
        late = offs[0] - hit.done_s if offs else float("inf")
        allowed = nights.OFF_SENT_WITHIN_S if hit.name == active else nights.IDLE_OFF_SENT_WITHIN_S
        if not late <= allowed:
            wrong.append(f"off sent {late:.1f} s after {hit.name} was {hit.what}")
    return wrong


# -- the campaign ------------------------------------------------------------------------------------------------------


class Campaign:
    """Spends nights; the nights without hits are kept for comparing."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self._plain: dict[tuple[Any, ...], Spent] = {}
        self.codes: Counter[str] = Counter()

    def plain(self, drawn: Drawn) -> Spent:
        """The same run on instruments without habits."""
        key = (drawn.procedure, drawn.scenario, drawn.fitted)
        if key not in self._plain:
            bare = replace(drawn, manners={}, own=True, wrong="", hits=[])
            self._plain[key] = spend(self.place, bare)
        return self._plain[key]

    def count(self, drawn: Drawn) -> tuple[int, list[int], list[int]]:
        spent = spend(self.place, drawn, hits=False)
        heard = spent.wires.heard
        if len(heard) < 50:
            heard = self.plain(drawn).wires.heard
        ons = [n for n, (_, _, m) in enumerate(heard) if ON_WORDS.search(m)]
        offs = [n for n, (_, _, m) in enumerate(heard) if OFF_WORDS.search(m)]
        return len(heard), ons, offs

    def one(self, seed: int) -> tuple[Spent, list[str]]:
        drawn = draw_night(seed, self.count)
        spent = spend(self.place, drawn)
        self.codes[f"{'wrong file' if drawn.wrong else 'right file'} {spent.exit_code}"] += 1
        return spent, judge(spent, self.plain)


def main(words: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder, nights.quick():
        os.environ["NIGHTBENCH_STATE"] = folder
        campaign = Campaign(Path(folder))
        for seed in range(int(words[0]), int(words[1])):
            spent, wrong = campaign.one(seed)
            if wrong or "-v" in words:
                print(f"{spent.drawn}\n   -> {spent.exit_code} {spent.why[:300]}", flush=True)
                for text in wrong:
                    print(f"   !! {text[-1500:]}", flush=True)
        print(dict(sorted(campaign.codes.items())), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
