"""The orders a guard is given, made from the rig.

The bytes that switch off are those the drivers were seen to send: each instrument is told off once on a line opened
anew, while everything is off. So remote words, echo, the selection of a channel and answers to orders come along by
themselves.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

from drivers.dialect_parts import Reading, Switch
from drivers.exchange import Exchange
from drivers.load import Load
from drivers.number_texts import sendable
from drivers.session import Session
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.addresses import normal
from harness.errors import UserError
from harness.guard_ways import NotReachable, way_of
from harness.off_order import ORDER, SINK_LAST_S
from harness.rig import READ_ERRORS, Rig
from harness.tape import COMPUTER, SILENT, Tape
from harness.unsafe import HEAD, what_to_do
from harness.zero_amps import zero_limits


class NoGuard(UserError):
    """The guard did not start, or an instrument did not take its off: nothing was switched on."""

    exit_code = 40


def orders_of(rig: Rig, *, tape: Tape = SILENT) -> tuple[dict[str, Any], tuple[str, ...]]:
    """What the guard must know of the bench, and in words which instruments it cannot reach, as ``tape`` has it. Raises
    ``NoGuard``."""
    lines: dict[str, dict[str, Any]] = {}
    outputs: dict[str, dict[str, Any]] = {}
    unreachable = []
    zero = zero_limits(rig.bench_file)
    roles = _roles(rig)
    for role, name in roles.items():
        driver = rig.drivers[name]
        assert isinstance(driver, Supply | Load | PowerSwitch)
        key = normal(driver.session.wire.address)
        look = partial(_out_of_reach, driver.session, lines, key)
        if why := tape.came(COMPUTER, f"no guard for {name}", look, nothing=""):
            unreachable.append(f"{name} ({role}): {why}")
            continue
        outputs[name] = _output(driver, line=key, zero_amps=zero.get(name, 0.0))
    return {
        "lines": {key: lines.get(key, {}) for key in {one["line"] for one in outputs.values()}},
        "outputs": outputs,
        "kinds": {name: role for role, name in roles.items() if name in outputs},
        "order": {state: _order(state, told, roles) for state, told in ORDER.items()},
        "alarm": [HEAD, *what_to_do(rig, fuse_amps=rig.bench_file.fuse_amps)],
        "serials": {name: _serial(rig, name) for name in outputs},
    }, tuple(unreachable)


def _out_of_reach(session: Session, lines: dict[str, dict[str, Any]], key: str) -> str:
    """Why the guard has no line to this one; "" where it has, which then stands in ``lines``."""
    try:
        lines.setdefault(key, way_of(session))
    except NotReachable as why:
        return str(why)
    return ""


def _roles(rig: Rig) -> dict[str, str]:
    """Role -> name of everything that can be switched off."""
    named = {"supply": rig.supply_name, "load": rig.load_name}
    for what in ("mains", "ac-load", "contactor"):
        switch = rig.switch(what)
        named[what] = switch.name if switch is not None else None
    return {role: name for role, name in named.items() if name is not None}


def _order(state: str, told: tuple[str, ...], roles: dict[str, str]) -> list[list[Any]]:
    """Names in order, each with how long it waits after the one before it, s. A load that takes a charger's current
    goes on taking it until the UPS has run down, where its mains could be switched off first."""
    sinks_on = state == "trace" and "mains" in roles
    return [[roles[one], SINK_LAST_S if sinks_on and one == "load" else 0.0] for one in told if one in roles]


def _serial(rig: Rig, name: str) -> str:
    with suppress(Exception):
        return rig.drivers[name].identity.serial
    return ""


def _output(driver: Supply | Load | PowerSwitch, *, line: str, zero_amps: float) -> dict[str, Any]:
    begin, off = _off_as_sent(driver)
    _, asked = driver.off_texts
    switch = _switch_of(driver)
    ask = {
        "messages": _messages(driver.session, asked.split("\n")),
        "off_replies": list(switch.reply_off),
        "on_replies": list(switch.reply_on),
        "bit": switch.bit,
        "form": _pattern(switch.form),
    }
    told: dict[str, Any] = {"line": line, "begin": begin, "off": off, "ask": ask, "amps": None, "soften": []}
    told["zero_amps"] = zero_amps
    if not isinstance(driver, PowerSwitch):
        told["amps"] = _amps(driver, driver.dialect.measured_amps)
        told["soften"] = _soften(driver)
    return told


def _switch_of(driver: Supply | Load | PowerSwitch) -> Switch:
    if isinstance(driver, Supply):
        return driver.dialect.output
    return driver.dialect.input if isinstance(driver, Load) else driver.dialect.position


def _amps(driver: Supply | Load, reading: Reading) -> dict[str, Any]:
    return {
        "messages": _messages(driver.session, list(driver.messages(reading.ask))),
        "form": _pattern(reading.reply),
        "comma": driver.dialect.decimal_comma,
        "per_unit": reading.per_unit,
    }


def _soften(driver: Supply | Load) -> list[list[Any]]:
    """The lowest current; of a load at constant current."""
    setting = driver.dialect.amps
    text, _ = sendable(setting, max(0.0, setting.least or 0.0), exponent=driver.dialect.exponent)
    told = list(driver.messages(setting.set, text))
    if isinstance(driver, Load) and "cc" in driver.dialect.function.set:
        told = [*driver.messages(driver.dialect.function.set["cc"]), *told]
    return _messages(driver.session, told)


def _messages(session: Session, texts: list[str]) -> list[list[Any]]:
    """Messages in hexadecimal, each with whether an answer to an order is to be taken off the line."""
    answered = session.answers_orders
    return [[(text.encode("ascii") + session.wire.terminator).hex(), answered] for text in texts]


def _off_as_sent(driver: Supply | Load | PowerSwitch) -> tuple[list[list[Any]], list[list[Any]]]:
    """What the driver says on a line opened anew to switch off: what it begins with, and the order itself. The
    instrument must then say that it is off."""
    session = driver.session
    heard: list[Exchange] = []
    session.wire.close()
    with _listening(session, heard):
        try:
            driver.off()
        except READ_ERRORS as error:
            raise NoGuard(f"guard: {driver.name} did not take its off: {error}; nothing was switched on") from error
    with _refused_as_no_guard(driver.name):
        on = _is_on(driver)
    if on:
        raise NoGuard(f"guard: {driver.name} was told off and says that it is on; look at it before anything else")
    sent = [[one.sent.hex(), session.answers_orders and bool(one.sent.strip())] for one in heard if one.sent]
    count = len(driver.off_texts[0].split("\n"))
    return sent[:-count], sent[-count:]


def _is_on(driver: Supply | Load | PowerSwitch) -> bool:
    if isinstance(driver, Supply):
        return driver.output_is_on()
    return driver.input_is_on() if isinstance(driver, Load) else driver.is_on()


@contextmanager
def _listening(session: Session, heard: list[Exchange]) -> Iterator[None]:
    tap = session.wire.tap

    def both(exchange: Exchange) -> None:
        heard.append(exchange)
        if tap is not None:
            tap(exchange)

    session.wire.tap = both
    try:
        yield
    finally:
        session.wire.tap = tap


@contextmanager
def _refused_as_no_guard(name: str) -> Iterator[None]:
    try:
        yield
    except READ_ERRORS as error:
        raise NoGuard(f"guard: {name} does not say whether it is off: {error}; nothing was switched on") from error


def _pattern(form: str) -> str:
    """A form of a dialect as a pattern with one group."""
    return re.escape(form).replace(re.escape("{}"), "(.+?)").replace(re.escape("*"), ".*?")
