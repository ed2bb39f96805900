"""``--set KEY=VALUE``: what is taken, and what is refused in whose words."""

from __future__ import annotations

import math
import re
from typing import Annotated, Literal

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta

from harness.errors import Usage
from harness.planning import OPEN, plan_keys, read_plan
from harness.procedure import Forecast, Found, Procedure

Amps = Annotated[float, Meta(gt=0, le=100, extra={"unit": "A"})]


class Plan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A plan with a key of each kind."""

    amps: Annotated[Amps, Meta(description="current")] = 2.0
    volts: Annotated[Annotated[float, Meta(ge=0, lt=60, extra={"unit": "V"})] | None, Meta(description="volts")] = None
    steps: Annotated[Annotated[int, Meta(ge=1)], Meta(description="how many")] = 3
    rest: Annotated[bool, Meta(description="rest first")] = False
    where: Annotated[Literal["pack", "load"], Meta(description="terminals")] = "pack"


PROCEDURE = Procedure(
    name="example",
    about="an invented procedure",
    run=lambda bench, *, plan: Found({}, ""),
    plan_type=Plan,
    settle=lambda plan, site: (plan, site),
    forecast=lambda plan, site: Forecast((), 0.0, 0.0),
    needs=lambda plan: (),
)


def test_keys_as_they_are_listed() -> None:
    listed = [(key.name, key.kind, key.unit, key.default, key.description) for key in plan_keys(PROCEDURE)]
    assert listed == [
        ("amps", "number", "A", "2", "current"),
        ("volts", "number", "V", OPEN, "volts"),
        ("steps", "whole number", "", "3", "how many"),
        ("rest", "true or false", "", "false", "rest first"),
        ("where", "pack or load", "", "pack", "terminals"),
    ]


@pytest.mark.parametrize(
    ("words", "plan"),
    [
        ((), Plan()),
        (("amps=5",), Plan(amps=5.0)),
        (("amps = 5.25 ",), Plan(amps=5.25)),
        (("amps=1e1", "volts=0"), Plan(amps=10.0, volts=0.0)),
        (("steps=7",), Plan(steps=7)),
        (("rest=true",), Plan(rest=True)),
        (("rest=FALSE", "where=load"), Plan(where="load")),
    ],
)
def test_words_taken(words: tuple[str, ...], plan: Plan) -> None:
    assert read_plan(PROCEDURE, words) == plan


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (("amps",), "--set amps: not KEY=VALUE; write for example --set amps=2"),
        (("=5",), "--set =5: not KEY=VALUE; write for example --set amps=2"),
        (("aps=5",), "--set aps=5: example has no key aps; did you mean amps?"),
        (("x=5",), "--set x=5: example has no key x; keys: amps, volts, steps, rest, where"),
        (("amps=1", "amps=1"), "--set amps=1: amps was set already; set it once"),
        (("amps=0",), "--set amps=0: amps must be above 0 A"),
        (("amps=101",), "--set amps=101: amps must be at most 100 A"),
        (("volts=-1",), "--set volts=-1: volts must be at least 0 V"),
        (("volts=60",), "--set volts=60: volts must be below 60 V"),
        (("steps=0",), "--set steps=0: steps must be at least 1"),
        (("amps=5,5",), "--set amps=5,5: a decimal comma; write a point: --set amps=5.5"),
        (("amps=five",), "--set amps=five: amps is a number in A: digits and a point, nothing else"),
        (("amps=nan",), "--set amps=nan: amps must be a finite number in A"),
        (("rest=1",), "--set rest=1: rest is true or false"),
        (("where=here",), "--set where=here: where is pack or load"),
    ],
)
def test_words_refused(words: tuple[str, ...], text: str) -> None:
    with pytest.raises(Usage, match=f"^{re.escape(text)}$"):
        read_plan(PROCEDURE, words)


def test_a_whole_number_is_whole() -> None:
    with pytest.raises(Usage, match=r"--set steps=2\.5: steps is a whole number"):
        read_plan(PROCEDURE, ("steps=2.5",))


@given(st.text(max_size=30))
def test_any_text_is_a_plan_within_bounds_or_one_line(text: str) -> None:
    try:
        plan = read_plan(PROCEDURE, (f"amps={text}",))
    except Usage:
        return
    assert math.isfinite(plan.amps)
    assert 0 < plan.amps <= 100
    assert text.strip().isascii()
    assert "_" not in text
