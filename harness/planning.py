"""``--set KEY=VALUE``: from words on the command line to a frozen plan."""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import msgspec

from harness.errors import Usage
from harness.keys import nearest
from harness.procedure import Procedure

WHOLE = "whole number"
OPEN = "worked out from pack and bench"
"""Default of a key that is left open in the plan."""


@dataclass(frozen=True, slots=True)
class PlanKey:
    """A key of a plan as ``nightbench procedures`` lists it."""

    name: str
    kind: str
    unit: str
    default: str
    description: str


def plan_keys(procedure: Procedure) -> tuple[PlanKey, ...]:
    """Every key of the procedure's plan, in order."""
    plan_type: Any = procedure.plan_type
    return _keys_of(plan_type)


@cache
def _keys_of(plan_type: Any) -> tuple[PlanKey, ...]:
    hints = typing.get_type_hints(plan_type, include_extras=True)
    return tuple(
        PlanKey(
            name=field.name,
            kind=_kind(hints[field.name]),
            unit=_unit(hints[field.name]),
            default=_default(field.default),
            description=_description(hints[field.name]),
        )
        for field in msgspec.structs.fields(plan_type)
    )


def _metas(hint: Any) -> Iterator[msgspec.Meta]:
    yield from getattr(hint, "__metadata__", ())
    for inner in typing.get_args(hint):
        if not isinstance(inner, str | msgspec.Meta):
            yield from _metas(inner)


def _bare(hint: Any) -> set[Any]:
    origin = typing.get_origin(hint)
    if origin is typing.Annotated:
        return _bare(typing.get_args(hint)[0])
    if origin in (types.UnionType, typing.Union):
        return set().union(*(_bare(inner) for inner in typing.get_args(hint)))
    return {hint}


def _kind(hint: Any) -> str:
    bare = _bare(hint) - {type(None)}
    one = next(iter(bare))
    if typing.get_origin(one) is typing.Literal:
        return " or ".join(typing.get_args(one))
    return {float: "number", bool: "true or false", int: WHOLE, str: "text"}[one]


def _unit(hint: Any) -> str:
    return next((m.extra["unit"] for m in _metas(hint) if m.extra and "unit" in m.extra), "")


def _description(hint: Any) -> str:
    return next((m.description for m in _metas(hint) if m.description), "")


def _default(default: Any) -> str:
    if default is None:
        return OPEN
    if isinstance(default, bool):
        return "true" if default else "false"
    return f"{default:g}" if isinstance(default, float) else str(default)


def read_plan(procedure: Procedure, sets: tuple[str, ...]) -> Any:
    """A plan from ``KEY=VALUE`` words; raises ``Usage`` for an unknown, doubled or badly typed key."""
    keys = {key.name: key for key in plan_keys(procedure)}
    given: dict[str, Any] = {}
    words: dict[str, str] = {}
    for word in sets:
        name, equals, value = word.partition("=")
        name = name.strip()
        if not (equals and name):
            raise Usage(f"--set {word}: not KEY=VALUE; write for example --set {_example(keys)}")
        if name not in keys:
            near = nearest(name, keys)
            hint = f"did you mean {near}?" if near else f"keys: {', '.join(keys)}"
            raise Usage(f"--set {word}: {procedure.name} has no key {name}; {hint}")
        if name in given:
            raise Usage(f"--set {word}: {name} was set already; set it once")
        given[name] = _value(keys[name], value.strip(), word)
        words[name] = word
    try:
        return msgspec.convert(given, procedure.plan_type)
    except msgspec.ValidationError as error:
        raise Usage(_out_of_bounds(str(error), keys, words)) from error


def _example(keys: dict[str, PlanKey]) -> str:
    return next((f"{key.name}={key.default}" for key in keys.values() if key.kind == "number"), "KEY=VALUE")


def _out_of_bounds(error: str, keys: dict[str, PlanKey], words: dict[str, str]) -> str:
    """Its "Expected `float` >= 0.01 - at `$.rate_it`" as people write it."""
    key = error.rpartition("$.")[2].rstrip("`") if "$." in error else ""
    what = error.partition(" - at")[0].replace("`", "").removeprefix("Expected float ").removeprefix("Expected int ")
    for sign, words_of_it in {">=": "at least", "<=": "at most", ">": "above", "<": "below"}.items():
        if what.startswith(f"{sign} "):
            bound = float(what.removeprefix(f"{sign} "))
            unit = f" {keys[key].unit}".rstrip()
            return f"--set {words[key]}: {key} must be {words_of_it} {bound:.12g}{unit}"
    return f"--set {words.get(key, key)}: {what}"


def _value(key: PlanKey, text: str, word: str) -> Any:
    if key.kind == "true or false":
        if text.lower() in ("true", "false"):
            return text.lower() == "true"
        raise Usage(f"--set {word}: {key.name} is true or false")
    if key.kind in ("number", WHOLE):
        return _number(key, text, word)
    if " or " in key.kind and text not in key.kind.split(" or "):
        raise Usage(f"--set {word}: {key.name} is {key.kind}")
    return text


def _number(key: PlanKey, text: str, word: str) -> float | int:
    unit = f" in {key.unit}" if key.unit else ""
    if "," in text:
        raise Usage(f"--set {word}: a decimal comma; write a point: --set {word.replace(',', '.')}")
    whole = key.kind == WHOLE
    try:
        # float() also takes underscores and digits of other scripts; a person who writes those made a slip.
        if "_" in text or not text.isascii():
            raise ValueError
        value = int(text) if whole else float(text)
    except ValueError:
        digits = "digits" if whole else "digits and a point"
        raise Usage(f"--set {word}: {key.name} is a {key.kind}{unit}: {digits}, nothing else") from None
    if not whole and not math.isfinite(value):
        raise Usage(f"--set {word}: {key.name} must be a finite {key.kind}{unit}")
    return value
