"""Every text of the shipped dialects that the simulated bench claims to speak is understood by it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from sims.bench import open_bench
from sims.bench_files import ROLES

DIALECTS = Path(__file__).parents[2] / "drivers" / "dialects"


def texts(node: object) -> Iterator[str]:
    """Strings under the keys that are sent: ``ask``, ``set`` and ``set_...``."""
    if isinstance(node, list):
        for one in node:
            yield from texts(one)
    elif isinstance(node, dict):
        for key, value in node.items():
            sent = key == "ask" or key == "set" or key.startswith("set_")
            if sent and isinstance(value, str):
                yield value
            elif sent and isinstance(value, dict):
                yield from value.values()
            else:
                yield from texts(value)


def all_texts() -> list[tuple[str, str]]:
    found = []
    for name in open_bench("cabinet", now=lambda: 0.0).names:
        dialect = tomllib.loads((DIALECTS / f"scpi-{ROLES.get(name, name)}.toml").read_text(encoding="utf-8"))
        found += [(name, text.replace("{}", "1.250")) for text in texts(dialect)]
    return found


@pytest.mark.parametrize(("name", "text"), sorted(set(all_texts())))
def test_text_is_understood(name: str, text: str) -> None:
    talker = open_bench("cabinet", now=lambda: 0.0).connect(name)
    reply = talker.feed(text.encode() + b"\n")
    assert bool(reply) is ("?" in text)
    assert talker.feed(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_there_are_texts_for_every_instrument() -> None:
    assert {name for name, _ in all_texts()} == set(open_bench("cabinet", now=lambda: 0.0).names)
    assert len(all_texts()) > 25
