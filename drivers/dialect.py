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
from typing import Literal, get_args

import msgspec

Unit = Literal["V", "A", "Ohm", "W", "Cel", "s", ""]


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    pass


class Reading(_Table, frozen=True, kw_only=True):
    """A question answered by a number."""

    ask: str
    unit: Unit


class Setting(_Table, frozen=True, kw_only=True):
    """A number the instrument holds. ``set`` has one ``{}`` for it; ``step`` is what it resolves, in ``unit``."""

    ask: str
    set: str
    unit: Unit
    decimals: int
    step: float | None = None

    @property
    def half_step(self) -> float:
        """Half of what the instrument resolves, in ``unit``: a read-back within it is the same value."""
        return 0.5 * (10.0**-self.decimals if self.step is None else self.step)

    def __post_init__(self) -> None:
        if self.set.count("{}") != 1:
            raise ValueError("set needs exactly one {} where the number goes")
        if not 0 <= self.decimals <= 9:
            raise ValueError("decimals is 0 to 9")
        if self.step is not None and not 0 < self.step < 1e3:
            raise ValueError("step is above 0")


class Switch(_Table, frozen=True, kw_only=True):
    """Something that is on or off. ``reply_on`` and ``reply_off`` are the answers to ``ask``."""

    ask: str
    set_on: str
    set_off: str
    reply_on: tuple[str, ...] = ("1", "ON")
    reply_off: tuple[str, ...] = ("0", "OFF")

    def __post_init__(self) -> None:
        _tell_apart({"reply_on": self.reply_on, "reply_off": self.reply_off})


class Input(_Table, frozen=True, kw_only=True):
    """Something that is only asked whether it is on, such as a contact; replies as of a switch."""

    ask: str
    reply_on: tuple[str, ...] = ("1", "ON")
    reply_off: tuple[str, ...] = ("0", "OFF")

    def __post_init__(self) -> None:
        _tell_apart({"reply_on": self.reply_on, "reply_off": self.reply_off})


class Choice(_Table, frozen=True, kw_only=True):
    """One of several words of ours; ``set`` and ``reply`` give the instrument's text for each."""

    ask: str
    set: dict[str, str]
    reply: dict[str, tuple[str, ...]]

    def __post_init__(self) -> None:
        if self.set.keys() != self.reply.keys():
            raise ValueError("set and reply need the same words")
        _tell_apart(self.reply)


class Flag(_Table, frozen=True, kw_only=True):
    """A latched trip: the answer to ``ask`` is a whole number; ``bit`` picks one of it, without it any but 0 counts."""

    ask: str
    words: str
    bit: int | None = None


class Mode(_Table, frozen=True, kw_only=True):
    """What regulates: ``reply`` maps the masked whole number answered (as text) to a word of ours."""

    ask: str
    mask: int
    reply: dict[str, Literal["cv", "cc", "off", "driven", "unknown"]]

    def __post_init__(self) -> None:
        for key in self.reply:
            if not key.isdecimal() or int(key) & ~self.mask:
                raise ValueError(f"reply {key}: a whole number within mask = {self.mask} is due")


class Line(_Table, frozen=True, kw_only=True):
    """How lines end and what else the port needs. ``remote`` is sent after each opening, before anything else."""

    terminator: str = "\n"
    gap_s: float | None = None
    echo: bool = False
    pace_s: float = 0.0
    remote: str | None = None


def _tell_apart(replies: dict[str, tuple[str, ...]]) -> None:
    seen: dict[str, str] = {}
    for key, texts in replies.items():
        for text in texts:
            if text != text.upper():
                raise ValueError(f"{key} = {text!r}: capitals are due; the instrument may answer in any case")
            if text in seen:
                raise ValueError(f"{text!r} stands in {seen[text]} and in {key}; a reply must mean one thing")
            seen[text] = key


class _Dialect(_Table, frozen=True, kw_only=True):
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
