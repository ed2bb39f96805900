"""One record a kind of instrument: which tables its dialect has, and which of them it may lack."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import msgspec

from drivers.dialect_parts import (
    Channels,
    Choice,
    Flag,
    Input,
    Line,
    Mode,
    Part,
    Protection,
    Reading,
    Remote,
    Setting,
    Switch,
    Table,
    Watchdog,
)


class AnyDialect(Table, frozen=True, kw_only=True):
    """What dialects of every kind have.

    ``identity`` are patterns (``*`` and ``?``) of the whole answer to ``identity_ask``, none = whoever answers.
    ``errors_ask`` is empty for an instrument without an error queue. ``decimal_comma`` is about its replies. ``regain``
    is said once off was not obeyed, before it is said again: somebody may have taken the instrument to local, where it
    refuses every order. ``exponent`` allows numbers with an exponent in what is sent. ``not_supported`` names optional
    tables the instrument is known to lack, so that somebody who reads the file need not wonder.
    """

    words: str
    identity: tuple[str, ...] = ()
    identity_ask: str = "*IDN?"
    errors_ask: str = "SYST:ERR?"
    regain: str = ""
    decimal_comma: bool = False
    exponent: bool = False
    not_supported: tuple[str, ...] = ()
    line: Line = Line()
    channels: Channels = Channels()
    remote: Remote | None = None
    name: str = ""


class SupplyDialect(AnyDialect, frozen=True, kw_only=True, tag_field="kind", tag="supply"):
    """A DC supply. ``sink_amps`` is how much a two-quadrant one may take back, A."""

    volts: Setting
    amps: Setting
    output: Switch
    measured_volts: Reading
    measured_amps: Reading
    over_volts: Setting | None = None
    over_amps: Switch | None = None
    sink_amps: Setting | None = None
    sense: Switch | None = None
    mode: Mode | None = None
    protection: Protection | None = None
    watchdog: Watchdog | None = None
    trips: tuple[Flag, ...] = ()


class LoadDialect(AnyDialect, frozen=True, kw_only=True, tag_field="kind", tag="load"):
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
    protection: Protection | None = None
    watchdog: Watchdog | None = None
    trips: tuple[Flag, ...] = ()


class MeterDialect(AnyDialect, frozen=True, kw_only=True, tag_field="kind", tag="meter"):
    """A multimeter read for volts."""

    measured_volts: Reading


class ThermometerDialect(AnyDialect, frozen=True, kw_only=True, tag_field="kind", tag="thermometer"):
    """A thermometer with one probe."""

    measured_temp: Reading


class SwitchDialect(AnyDialect, frozen=True, kw_only=True, tag_field="kind", tag="switch"):
    """A switch of one circuit: mains, the load on a UPS's output, a contactor. On = the circuit is closed."""

    position: Switch


class ContactDialect(AnyDialect, frozen=True, kw_only=True, tag_field="kind", tag="contact"):
    """An input that tells whether a contact is closed."""

    closed: Input


Dialect = SupplyDialect | LoadDialect | MeterDialect | ThermometerDialect | SwitchDialect | ContactDialect

KINDS: dict[str, type[AnyDialect]] = {
    "supply": SupplyDialect,
    "load": LoadDialect,
    "meter": MeterDialect,
    "thermometer": ThermometerDialect,
    "switch": SwitchDialect,
    "contact": ContactDialect,
}


def kind_of(dialect: AnyDialect) -> str:
    """ "supply", "load", ..."""
    return str(type(dialect).__struct_config__.tag)


def parts(dialect: AnyDialect) -> Iterator[tuple[str, Part]]:
    """Each capability the dialect has, with its key: ``volts``, ``watchdog.seconds``, ``trips[0]``. Every one has a
    question, ``ask``."""
    for key in dialect.__struct_fields__:
        value = getattr(dialect, key)
        if isinstance(value, Part):
            yield key, value
        elif isinstance(value, Watchdog):
            yield from ((f"{key}.{name}", part) for name, part in value.inner)
        elif key == "trips":
            yield from ((f"trips[{number}]", flag) for number, flag in enumerate(value))


def table_of(key: str) -> str:
    """The table of the file in which the capability ``key`` stands: "trips" of ``trips[0]``."""
    return key.partition("[")[0].partition(".")[0]


@cache
def optional(kind: type[AnyDialect]) -> tuple[str, ...]:
    """Names of the tables a dialect of this kind may lack."""
    common = {field.name for field in msgspec.structs.fields(AnyDialect)} - {"remote"}
    return tuple(
        field.name for field in msgspec.structs.fields(kind) if not field.required and field.name not in common
    )
