"""What is said of a dialect file that is refused: file, key, value, why, and what would be accepted, in one line."""

from __future__ import annotations

import difflib
import re
import types
from typing import Literal, Union, get_args, get_origin, get_type_hints

import msgspec

from drivers.dialect_kinds import KINDS, AnyDialect
from drivers.dialect_parts import Table
from drivers.dialect_texts import Problem

LONGEST_VALUE = 60
"""Characters of a value that are shown."""


class DialectRefused(ValueError):
    """A dialect file that cannot be used as it stands: ``FILE: key = value: why; what would be accepted``."""

    def __init__(self, where: str, line: str) -> None:
        text = f"{where}: {line}"
        # A key, a value or a file name may hold anything; the message is one line all the same.
        super().__init__("".join(one if one.isprintable() else ascii(one)[1:-1] for one in text))


def of_problem(problem: Problem) -> str:
    """A check of ours that failed."""
    return f"{_shown(problem.key, problem.value)}: {problem.why}"


def of_type(message: str, document: dict[str, object]) -> str:
    """msgspec says ``why - at `$.table.key```; people read ``table.key = value: why; accepted: ...``."""
    why, _, place = message.partition(" - at `")
    # An entry of a table of words is told as [...].
    key = place.rstrip("`").removeprefix("$").removeprefix(".").replace("[...]", "")
    kind = document.get("kind")
    if unknown := re.fullmatch(r"Object contains unknown field `(.*)`", why, re.DOTALL):
        return _unknown(f"{key}.{unknown[1]}" if key else unknown[1], unknown[1], _keys(kind, key))
    if missing := re.fullmatch(r"Object missing required field `(.*)`", why, re.DOTALL):
        full = f"{key}.{missing[1]}" if key else missing[1]
        return f"{full}: missing; every dialect of this kind needs it{_accepted(kind, full)}"
    if not key:
        return why
    return f"{_shown(key, _value(document, key))}: {why[:1].lower()}{why[1:]}{_accepted(kind, key)}"


def of_name(accepted: tuple[str, ...], name: str) -> str:
    """No shipped dialect of that name."""
    near = difflib.get_close_matches(name, accepted, n=1)
    hint = f"did you mean {near[0]}? " if near else ""
    return f"no such dialect; {hint}accepted: {', '.join(accepted)}, or the path of a .toml file"


def _unknown(full: str, name: str, accepted: list[str]) -> str:
    near = difflib.get_close_matches(name, accepted, n=1)
    hint = f"did you mean {near[0]}? " if near else ""
    return f"{full}: unknown key; {hint}accepted: {', '.join(accepted)}"


def _shown(key: str, value: object) -> str:
    if value is None or isinstance(value, dict | list):
        return key
    text = repr(value)
    return f"{key} = {text if len(text) <= LONGEST_VALUE else text[:LONGEST_VALUE] + '...'}"


def _accepted(kind: object, key: str) -> str:
    words: tuple[str, ...] = ()
    if key == "kind":
        words = tuple(KINDS)
    elif (struct := _struct(kind, key.rpartition(".")[0])) is not None:
        words = tuple(_words(_hints(struct).get(key.rpartition(".")[2])))
    return f"; accepted: {', '.join(word or 'an empty text' for word in words)}" if words else ""


def _words(hint: object) -> tuple[str, ...]:
    if get_origin(hint) is Literal:
        return get_args(hint)
    if get_origin(hint) is dict:
        return _words(get_args(hint)[1])
    return ()


def _keys(kind: object, key: str) -> list[str]:
    struct = _struct(kind, key)
    fields = [field.name for field in msgspec.structs.fields(struct or AnyDialect)]
    return fields if key else ["kind", *(name for name in fields if name != "name")]


def _struct(kind: object, key: str) -> type[Table] | None:
    """The record that stands at ``key`` (``volts``, ``trips[0]``) in a dialect of this kind."""
    struct: type[Table] = KINDS.get(kind, AnyDialect) if isinstance(kind, str) else AnyDialect
    if not key:
        return struct
    for name in key.split("."):
        hint = _hints(struct).get(name.partition("[")[0])
        options = get_args(hint) if get_origin(hint) in (Union, types.UnionType, tuple) else (hint,)
        found = next((one for one in options if isinstance(one, type) and issubclass(one, Table)), None)
        if found is None:
            return None
        struct = found
    return struct


def _hints(struct: type[Table]) -> dict[str, object]:
    return get_type_hints(struct)


def _value(document: object, key: str) -> object:
    value = document
    for part in re.split(r"[.\[\]]+", key.rstrip("]")):
        if isinstance(value, dict):
            value = value.get(part)
        elif isinstance(value, list) and part.isdigit() and int(part) < len(value):
            value = value[int(part)]
    return value
