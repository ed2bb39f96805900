"""What a night on ill-mannered instruments is drawn from: procedure, shapes, habits, and what happens when."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import night as nights

from sims.manners import Manners
from sims.scenario import load_scenario
from sims.shapes import SHAPES

PACK_SWEEPS = {
    "capacity": (0.021, ("charge_first=false", "rate_it=1.5", "rest_s=2", "rest_after_s=2"), "load"),
    "charge": (0.995, ("amps=4", "end_amps=3"), "supply"),
}
UPS_SWEEPS = {"c-rate": ("rest_s=5", "step_s=15"), "voltage-floor": (), "charge-ceiling": ()}
ACTIVE = {"capacity": "load", "charge": "supply", "c-rate": "load", "voltage-floor": "supply", "charge-ceiling": "load"}


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
            f"seed {self.seed}: {self.procedure} on {self.scenario} {self.fitted}, {habits}, "
            f"wrong: {self.wrong or '-'}, "
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
    if given.get("hears", "\n") != "\n":
        given["ends"] = given["hears"]
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
    return Hit(
        at, draw.choice(["leaves", "leaves", "floods", "babble", "banner", "stranger", "crowd", "hangs up"]), name
    )


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
