"""A dialect: the texts one shape of instrument understands, as data.

Shipped ones stand in ``drivers/dialects``; a person's own is any TOML file of the same keys. A file is read once and
checked whole: an unknown key, a wrong type, a text that holds two commands or a range that makes no sense is refused
with file, key, value and reason. Nothing in a dialect can run code.
"""

from __future__ import annotations

import math
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path

import msgspec

from drivers.dialect_checks import given_twice, problems
from drivers.dialect_kinds import (
    KINDS,
    AnyDialect,
    ContactDialect,
    Dialect,
    LoadDialect,
    MeterDialect,
    SupplyDialect,
    SwitchDialect,
    ThermometerDialect,
    kind_of,
    parts,
)
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
    Unit,
    Watchdog,
)
from drivers.dialect_refusals import DialectRefused, of_name, of_problem, of_type

__all__ = [
    "KINDS",
    "AnyDialect",
    "Channels",
    "Choice",
    "ContactDialect",
    "Dialect",
    "DialectRefused",
    "Flag",
    "Input",
    "Line",
    "LoadDialect",
    "MeterDialect",
    "Mode",
    "Protection",
    "Reading",
    "Remote",
    "Setting",
    "SupplyDialect",
    "Switch",
    "SwitchDialect",
    "ThermometerDialect",
    "Unit",
    "Watchdog",
    "kind_of",
    "load",
    "parse",
    "parts",
    "shipped",
]


@cache
def shipped() -> tuple[str, ...]:
    """Names of the dialects that come with the program."""
    folder = resources.files("drivers") / "dialects"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load(name_or_path: str | Path) -> Dialect:
    """A shipped dialect by name, or one from a ``.toml`` file. Raises ``DialectRefused``."""
    name = str(name_or_path)
    if name in shipped():
        return _shipped(name)
    where, text = _text(name)
    return parse(text, where=where)


@cache
def _shipped(name: str) -> Dialect:
    where, text = _text(name)
    return parse(text, where=where)


def parse(text: str, *, where: str) -> Dialect:
    """A dialect from the text of its file; ``where`` names the file. Raises ``DialectRefused``."""
    try:
        document = tomllib.loads(text)
        _refuse_unsendable(where, document, "")
    except DialectRefused:
        raise
    except ValueError as error:  # more than the decoder's own error: endless digits come out as this
        raise DialectRefused(where, f"{error}; give TOML") from error
    except RecursionError as error:
        raise DialectRefused(where, "nested too deep; no table of a dialect holds tables of tables") from error
    if "name" in document:
        raise DialectRefused(where, "name: unknown key; a dialect goes by the name of its file")
    try:
        dialect: Dialect = msgspec.convert(document, Dialect)
    except msgspec.ValidationError as error:
        raise DialectRefused(where, of_type(str(error), document)) from error
    for problem in (*given_twice(document), *problems(dialect)):
        raise DialectRefused(where, of_problem(problem))
    return msgspec.structs.replace(dialect, name=Path(where).name.removesuffix(".toml"))


def _text(name: str) -> tuple[str, str]:
    if not name.endswith(".toml"):
        if name not in shipped():
            raise DialectRefused(name, of_name(shipped(), name))
        return name, (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")
    try:
        return name, Path(name).read_text("utf-8-sig")  # some editors put a mark in front
    except (OSError, ValueError) as error:  # not there, not UTF-8, a name no file can have
        raise DialectRefused(name, f"cannot be read: {error}; give a UTF-8 TOML file") from error


def _refuse_unsendable(where: str, value: object, key: str) -> None:
    if isinstance(value, dict):
        for part, inner in value.items():
            full = f"{key}.{part}".lstrip(".")
            if not (part.isascii() and part.isprintable()):
                raise DialectRefused(where, f"{full}: unknown key; a key is one line of printable ASCII")
            _refuse_unsendable(where, inner, full)
    elif isinstance(value, list):
        for inner in value:
            _refuse_unsendable(where, inner, key)
    elif isinstance(value, float) and not math.isfinite(value):
        raise DialectRefused(where, f"{key} = {value}: a finite number is due")
    elif isinstance(value, str) and key != "line.terminator":
        if value.isprintable() and (value.isascii() or key.split(".")[-1] == "words"):
            return
        raise DialectRefused(where, f"{key} = {value!r}: one line of printable ASCII is due")
