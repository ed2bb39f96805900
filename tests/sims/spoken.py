"""The same orders in the words of every shape, written out here and not taken from the simulation."""

from __future__ import annotations

from collections.abc import Callable

from sims.bench import SimBench, open_bench
from sims.manners import Manners

Manner = dict[str, object]


class At:
    """A bench, its time, and a session with every instrument."""

    def __init__(self, scenario: str = "porch", **manners: Manner) -> None:
        self.t = 0.0
        given = {name: Manners(**one) for name, one in manners.items()}  # type: ignore[arg-type]
        self.bench: SimBench = open_bench(scenario, now=lambda: self.t, manners=given)
        self._talkers = {name: self.bench.connect(name) for name in self.bench.names}

    def ask(self, name: str, message: str) -> str:
        return self._talkers[name].feed(message.encode() + b"\n").decode().removesuffix("\n")

    def wait(self, seconds: float) -> None:
        self.t += seconds
        self.bench.advance()

    def state(self) -> tuple[float, ...]:
        """What the world says, to the last digit."""
        world = self.bench.world
        places = ("pack", "node", "supply", "load")
        return (world.pack_amps, world.supply_amps, world.load_amps, *map(world.volts_at, places), world.charge_ah)


def plain(text: str, channel: int) -> str:
    return text


def by_selection(text: str, channel: int) -> str:
    return f"INST:NSEL {channel};:{text}"


FIRST_NODES = {"OUTP": "OUTP{}", "MEAS": "MEAS{}", "SENS": "SENS{}"}


def by_suffix(text: str, channel: int) -> str:
    node, rest = text[:4], text[4:]
    return FIRST_NODES[node].format(channel) + rest if node in FIRST_NODES else f"SOUR{channel}:{text}"


def by_list(text: str, channel: int) -> str:
    header, gap, data = text.partition(" ")
    return f"{header} {data},(@{channel})" if gap else f"{header} (@{channel})"


SUPPLY: dict[str, Callable[[str, int], str]] = {
    "single": plain,
    "select": by_selection,
    "suffix": by_suffix,
    "list": by_list,
    "two-quadrant": plain,
    "watchdog": plain,
}

MODE_WORDS = {
    "INP ON": "LOAD ON",
    "INP OFF": "LOAD OFF",
    "INP?": "LOAD?",
    "FUNC CURR": "MODE CC",
    "FUNC VOLT": "MODE CV",
    "FUNC RES": "MODE CR",
    "FUNC POW": "MODE CP",
    "FUNC?": "MODE?",
}
MODE_ANSWERS = {"CC": "CURR", "CV": "VOLT", "CR": "RES", "CP": "POW"}
