"""Every text of the shipped dialects that the simulated bench claims to speak is understood by it, in every shape."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from sims.bench import NAMES, SimBench
from sims.manners import Manners
from sims.scenario import MeterFacts, ShuntFacts, load_scenario
from sims.shapes import SHAPES

DIALECTS = Path(__file__).parents[2] / "drivers" / "dialects"

SENT = ("ask", "set", "clear")
"""Keys whose texts are sent, beside those that begin with ``set_``."""

SHUNT = ShuntFacts(mohm=2.0, accuracy_pct=0.5, meter=MeterFacts(0.1, 0.02, 0.01, 1e-6, 1e-6))

ALL = [(name, shape) for name in NAMES for shape in SHAPES.get(name, ("",))]
"""Every instrument in every shape."""


def bench_of(name: str, shape: str) -> SimBench:
    """A cabinet with everything fitted, one instrument in the shape."""
    facts = replace(load_scenario("cabinet"), fitted=NAMES, shunt=SHUNT)
    return SimBench(facts, now=lambda: 0.0, seed=None, manners={name: Manners(shape=shape)})


@cache
def entry_of(name: str, shape: str) -> dict[str, object]:
    """What the bench file says of it."""
    bench = bench_of(name, shape)
    written = tomllib.loads(bench.bench_toml({one: one for one in bench.names}))
    return next(one for one in written["instrument"] if one["name"] == name)


def strings(node: object) -> Iterator[str]:
    if isinstance(node, str):
        yield node
    elif isinstance(node, list):
        for one in node:
            yield from strings(one)
    elif isinstance(node, dict):
        yield from strings(list(node.values()))


def texts(node: object) -> Iterator[str]:
    """The texts that are sent."""
    if isinstance(node, list):
        for one in node:
            yield from texts(one)
    elif isinstance(node, dict):
        for key, value in node.items():
            if key in SENT or key.startswith("set_"):
                yield from strings(value)
            else:
                yield from texts(value)


def dialect_texts(name: str, shape: str) -> list[str]:
    entry = entry_of(name, shape)
    dialect = tomllib.loads((DIALECTS / f"{entry['dialect']}.toml").read_text(encoding="utf-8"))
    assert ("channels" in dialect) == ("channel" in entry)
    channel = str(entry.get("channel", ""))
    return [text.replace("{channel}", channel).replace("{}", "1.250") for text in texts(dialect)]


@pytest.mark.parametrize(("name", "shape"), ALL)
def test_every_text_is_understood(name: str, shape: str) -> None:
    found = dialect_texts(name, shape)
    assert found
    talker = bench_of(name, shape).connect(name)
    for text in found:
        reply = talker.feed(text.encode() + b"\n")
        assert bool(reply) is ("?" in text), text
        assert talker.feed(b"SYST:ERR?\n") == b'0,"No error"\n', text


def test_every_shipped_dialect_belongs_to_a_shape() -> None:
    spoken = {str(entry_of(name, shape)["dialect"]) for name, shape in ALL}
    assert spoken == {path.stem for path in DIALECTS.glob("*.toml")}
    assert sum(len(dialect_texts(name, shape)) for name, shape in ALL) > 150
