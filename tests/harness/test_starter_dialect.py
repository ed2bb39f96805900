"""The starting file of a dialect: it loads as it stands, explains every key, and each part of it may be turned on."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
import pytest

from drivers.dialect import KINDS, load, parse
from drivers.dialect import parts as parts_of
from drivers.dialect_parts import (
    Channels,
    Choice,
    Flag,
    Input,
    Line,
    Mode,
    Protection,
    Reading,
    Remote,
    Setting,
    Switch,
    Watchdog,
)
from harness.starters import starter_text, write_starter

TEXT = starter_text("dialect")
TABLES = (Channels, Choice, Flag, Input, Line, Mode, Protection, Reading, Remote, Setting, Switch, Watchdog)
TABLES += tuple(KINDS.values())


def test_it_loads_as_it_stands_and_speaks_as_the_plain_supply(tmp_path: Path) -> None:
    mine = load(write_starter("dialect", tmp_path / "mine.toml"))
    assert dict(parts_of(mine)) == dict(parts_of(load("scpi-supply")))


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.__name__)
def test_every_key_is_explained(table: type[msgspec.Struct]) -> None:
    keys = {field.name for field in msgspec.structs.fields(table)} - {"name"}
    assert {key for key in keys if not re.search(rf"\b{key}\b", TEXT)} == set()


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_named(kind: str) -> None:
    assert re.search(rf"\b{kind}\b", TEXT)


def blocks() -> list[tuple[str, str]]:
    """Each commented table, and each single commented key, with the whole text in which it is turned on."""
    lines = TEXT.partition("# The other kinds")[0].splitlines()
    found = []
    number = 0
    while number < len(lines):
        until = number + 1
        if re.match(r"# \[\w+\]", lines[number]):
            while lines[until].startswith("# "):
                until += 1
        elif not re.match(r"# \w+ = ", lines[number]):
            number += 1
            continue
        on = [line.removeprefix("# ") for line in lines[number:until] if not line.startswith("#  ")]
        found.append((lines[number], "\n".join([*lines[:number], *on, *lines[until:]])))
        number = until
    return found


@pytest.mark.parametrize(("first", "text"), blocks(), ids=[first.split("#")[1].strip() for first, _ in blocks()])
def test_a_part_turned_on_still_loads(first: str, text: str) -> None:
    assert parse(text, where="turned-on.toml") != parse(TEXT, where="turned-on.toml")


def test_there_are_parts_to_turn_on() -> None:
    assert len(blocks()) >= 10
