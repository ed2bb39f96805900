"""A dialect: the texts one shape of instrument understands, as data.

Shipped ones stand in ``drivers/dialects``; a person's own is any TOML file of the same keys. A file is read once and
checked whole: an unknown key, a wrong type or a message without its ``{}`` is refused with file, key and reason.
Nothing in a dialect can run code.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import get_args

import msgspec

from drivers.dialect_parts import Choice, Flag, Input, Line, Mode, Reading, Setting, Switch, Table, Unit

__all__ = [
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
    "Reading",
    "Setting",
    "SupplyDialect",
    "Switch",
    "SwitchDialect",
    "ThermometerDialect",
    "Unit",
    "load",
    "shipped",
]


class _Dialect(Table, frozen=True, kw_only=True):
    words: str
    errors_ask: str = "SYST:ERR?"
    decimal_comma: bool = False
    line: Line = Line()
    name: str = ""


class SupplyDialect(_Dialect, frozen=True, kw_only=True, tag_field="kind", tag="supply"):
    """A DC supply."""

    volts: Setting
    amps: Setting
    output: Switch
    measured_volts: Reading
    measured_amps: Reading
    over_volts: Setting | None = None
    over_amps: Switch | None = None
    sense: Switch | None = None
    mode: Mode | None = None
    trips: tuple[Flag, ...] = ()


class LoadDialect(_Dialect, frozen=True, kw_only=True, tag_field="kind", tag="load"):
    """A DC electronic load."""

    amps: Setting
    input: Switch
    function: Choice
    measured_volts: Reading
    measured_amps: Reading
    volts: Setting | None = None
    low_volts: Setting | None = None
    low_volts_delay: Setting | None = None
    over_amps: Setting | None = None
    sense: Switch | None = None
    trips: tuple[Flag, ...] = ()


class MeterDialect(_Dialect, frozen=True, kw_only=True, tag_field="kind", tag="meter"):
    """A multimeter read for volts."""

    measured_volts: Reading


class ThermometerDialect(_Dialect, frozen=True, kw_only=True, tag_field="kind", tag="thermometer"):
    """A thermometer with one probe."""

    measured_temp: Reading


class SwitchDialect(_Dialect, frozen=True, kw_only=True, tag_field="kind", tag="switch"):
    """A switch of one circuit: mains, the load on a UPS's output, a contactor. On = the circuit is closed."""

    position: Switch


class ContactDialect(_Dialect, frozen=True, kw_only=True, tag_field="kind", tag="contact"):
    """An input that tells whether a contact is closed."""

    closed: Input


Dialect = SupplyDialect | LoadDialect | MeterDialect | ThermometerDialect | SwitchDialect | ContactDialect

_KINDS = {
    "supply": SupplyDialect,
    "load": LoadDialect,
    "meter": MeterDialect,
    "thermometer": ThermometerDialect,
    "switch": SwitchDialect,
    "contact": ContactDialect,
}


class DialectRefused(ValueError):
    """A dialect file that cannot be used as it stands: ``FILE: key: why; what would be accepted``."""


def shipped() -> tuple[str, ...]:
    """Names of the dialects that come with the program."""
    folder = resources.files("drivers") / "dialects"
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")))


def load(name_or_path: str | Path) -> Dialect:
    """A shipped dialect by name, or one from a ``.toml`` file. Raises ``DialectRefused``."""
    where, text = _text(name_or_path)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DialectRefused(f"{where}: {error}") from error
    _refuse_unsendable(where, document, "")
    document.setdefault("name", Path(where).name.removesuffix(".toml"))
    try:
        dialect: Dialect = msgspec.convert(document, Dialect)
    except msgspec.ValidationError as error:
        raise DialectRefused(f"{where}: {_explained(str(error), document)}") from error
    return dialect


def _text(name_or_path: str | Path) -> tuple[str, str]:
    name = str(name_or_path)
    if not name.endswith(".toml"):
        if name not in shipped():
            near = difflib.get_close_matches(name, shipped(), n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            raise DialectRefused(
                f"{name}: no such dialect; {hint}accepted: {', '.join(shipped())}, or the path of a .toml file"
            )
        return name, (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")
    try:
        return name, Path(name).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DialectRefused(f"{name}: cannot be read: {error}; give a UTF-8 TOML file") from error


def _refuse_unsendable(where: str, value: object, key: str) -> None:
    if isinstance(value, dict):
        for part, inner in value.items():
            _refuse_unsendable(where, inner, f"{key}.{part}".lstrip("."))
    elif isinstance(value, list):
        for inner in value:
            _refuse_unsendable(where, inner, key)
    elif isinstance(value, float) and not math.isfinite(value):
        raise DialectRefused(f"{where}: {key} = {value}: a finite number is due")
    elif isinstance(value, str) and key.split(".")[-1] not in ("terminator", "words"):
        if value.isascii() and value.isprintable():
            return
        raise DialectRefused(f"{where}: {key} = {value!r}: one line of printable ASCII is due")


def _explained(message: str, document: dict[str, object]) -> str:
    """msgspec says ``why - at `$.table.key```; people read ``table.key: why``."""
    why, _, place = message.partition(" - at `")
    key = place.rstrip("`").removeprefix("$").removeprefix(".")
    if unknown := re.search(r"unknown field `(.+)`", why):
        full = f"{key}.{unknown[1]}" if key else unknown[1]
        accepted = _keys(document.get("kind"), key)
        near = difflib.get_close_matches(unknown[1], accepted, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        return f"{full}: unknown key; {hint}accepted: {', '.join(accepted)}"
    if missing := re.search(r"missing required field `(.+)`", why):
        full = f"{key}.{missing[1]}" if key else missing[1]
        return f"{full}: missing; every dialect of this kind needs it{_accepted(full)}"
    if not key:
        return why
    value = _value(document, key)
    shown = key if isinstance(value, dict | list) else f"{key} = {value!r}"
    return f"{shown}: {why[0].lower()}{why[1:]}{_accepted(key)}"


def _accepted(key: str) -> str:
    words = {"unit": get_args(Unit), "kind": tuple(_KINDS)}.get(key.rpartition(".")[2])
    return f"; accepted: {', '.join(word or 'an empty text' for word in words)}" if words else ""


def _keys(kind: object, key: str) -> list[str]:
    struct: type = _KINDS.get(str(kind), _Dialect)
    if key:
        for field in msgspec.structs.fields(struct):
            if field.name == key.split("[")[0].split(".")[0]:
                for candidate in (Setting, Switch, Input, Choice, Reading, Flag, Mode, Line):
                    if candidate.__name__ in str(field.type):
                        return [f.name for f in msgspec.structs.fields(candidate)]
    return ["kind", *(field.name for field in msgspec.structs.fields(struct) if field.name != "name")]


def _value(document: dict[str, object], key: str) -> object:
    value: object = document
    for part in re.split(r"[.\[\]]+", key.rstrip("]")):
        if isinstance(value, dict):
            value = value.get(part)
        elif isinstance(value, list) and part.isdigit():
            value = value[int(part)]
    return value
