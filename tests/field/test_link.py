"""Links that are dropped while nobody speaks, and instruments that restart when one connects.

Public sources: pyvisa/pyvisa-py#285, #292 (a link dropped after some idle minutes; keep-alive with a short interval
cured it, plain keep-alive did not; the error was a bare BrokenPipeError); pyserial/pyserial#124, #418, #729 (opening
restarts the instrument, which says a banner).
"""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Callable
from typing import Any

import pytest
from scripted import TIMEOUT_S, Script

from drivers.dialect import load
from drivers.session import Session
from drivers.supply import Supply
from drivers.wire import Lost, Timeout, WireError

Opened = Callable[..., Session]

network = pytest.mark.parametrize("backend", ["tcp", "hislip"], indirect=True)


def idle(script: Script) -> None:
    time.sleep(1.5 * (script.idle_s or 0.0))  # what is shown here is what happens in real time


@network
def test_the_link_dropped_while_idle_costs_the_next_question_nothing(opened: Opened, script: Script) -> None:
    script.idle_s = 0.1
    script.replies |= {b"OUTP?": [b"1\n"], b"MEAS:VOLT?": [b"12.801\n"]}
    session = opened(timeout_s=0.5)
    supply = Supply(session, load("scpi-supply"))  # type: ignore[arg-type]
    session.tell("VOLT 12.000")
    for count in (2, 3):
        idle(script)
        assert supply.measure_volts() == 12.801
        # It is for the caller to see that the line was opened anew and to ask what the instrument holds.
        assert session.openings == count
        assert supply.output_is_on()
    assert script.heard.count(b"VOLT 12.000") == 1
    assert script.heard.count(b"*IDN?") == 3, "who answers was asked on each new line before anything else"


@network
def test_an_order_on_a_dropped_link_is_said_once(opened: Opened, script: Script, backend: Any) -> None:
    script.idle_s = 0.1
    session = opened(timeout_s=0.5)
    idle(script)
    session.tell("OUTP OFF")
    session.ask("*IDN?")
    assert script.heard == [b"*IDN?", b"*IDN?", b"OUTP OFF", b"*IDN?"]


@network
def test_another_instrument_on_the_new_link_gets_nothing(opened: Opened, script: Script) -> None:
    script.idle_s = 0.1
    session = opened(timeout_s=0.5)
    idle(script)
    script.replies[b"*IDN?"] = [b"OTHER,SCRIPTED,2,0\n"]
    with pytest.raises(Lost, match="another instrument"):
        session.tell("OUTP ON")
    assert b"OUTP ON" not in script.heard


def test_gone_for_good(opened: Opened, script: Script, backend: Any) -> None:
    session = opened()
    backend.die()
    for say in (session.ask, session.tell, session.tell_whoever):
        start = time.monotonic()
        with pytest.raises((Lost, Timeout)) as caught:
            say("MEAS:VOLT?")
        assert time.monotonic() - start < 1.0
        assert str(caught.value).count("\n") == 0
        assert str(caught.value).startswith("it at ")
    assert b"MEAS:VOLT?" not in script.heard


@pytest.mark.parametrize("backend", ["tcp"], indirect=True)
def test_a_link_that_swallows_everything_costs_one_deadline(opened: Opened, script: Script, backend: Any) -> None:
    """A router forgot the connection: nothing comes back, not even an error, until a new one is made."""
    script.replies[b"MEAS:VOLT?"] = [b"12.801\n"]
    session = opened()
    backend.swallow = True
    with pytest.raises(Timeout):
        session.ask("MEAS:VOLT?")
    backend.swallow = False
    assert session.ask("MEAS:VOLT?") == b"12.801"
    assert session.openings == 2


@network
def test_keep_alive_with_a_short_interval(opened: Opened) -> None:
    stream: Any = opened().wire._stream  # type: ignore[attr-defined]
    lower = getattr(stream, "_lower", None)
    ours = (
        [lower]
        if lower is not None
        else [
            getattr(stream._resource.visalib.sessions[stream._resource.session].interface, name)
            for name in ("_sync", "_async")
        ]
    )
    for one in ours:
        assert one.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        assert one.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) <= 60


# -- the instrument restarts when one connects -------------------------------------------------------------------------


class State:
    """Volts and output of an instrument that forgets both whenever it restarts."""

    def __init__(self, script: Script) -> None:
        self.script, self.restarts = script, 0
        self.forget()
        script.on_open = self.restart

    def forget(self) -> None:
        self.on, self.volts = b"0\n", b"0\n"
        self.script.replies |= {
            b"OUTP?": lambda: [self.on],
            b"VOLT?": lambda: [self.volts],
            b"OUTP ON": lambda: self.set("on", b"1\n"),
            b"VOLT 12.000": lambda: self.set("volts", b"12.0\n"),
        }

    def set(self, what: str, value: bytes) -> list[Any]:
        setattr(self, what, value)
        return []

    def restart(self) -> None:
        self.restarts += 1
        self.forget()


@pytest.mark.parametrize(
    ("backend", "banner"),
    [("tcp", b"READY v1\r\n"), ("tcp", b"BOOT\r\nREADY v1\r\n\0"), ("hislip", b"")],
    indirect=["backend"],
)
def test_the_state_is_read_not_assumed(opened: Opened, script: Script, banner: bytes) -> None:
    state = State(script)
    script.banner = banner
    session = opened(timeout_s=0.3)
    supply = Supply(session, load("scpi-supply"))  # type: ignore[arg-type]
    assert supply.identity.model == "SCRIPTED"
    supply.set_volts(volts=12.0)
    supply.switch(True)
    openings = session.openings
    with pytest.raises(WireError):
        supply.measure_volts()  # not answered: the line is opened anew for the next question
    on = None
    with contextlib.suppress(WireError):
        on = supply.output_is_on()
    assert on is False
    assert session.openings == openings + 1
    assert (state.restarts, script.heard.count(b"OUTP ON"), script.heard.count(b"VOLT 12.000")) == (2, 1, 1)


@network
def test_a_restart_in_mid_run_shows_in_the_count_of_openings(opened: Opened, script: Script, backend: Any) -> None:
    State(script)
    session = opened(timeout_s=0.3)
    supply = Supply(session, load("scpi-supply"))  # type: ignore[arg-type]
    supply.switch(True)
    script.idle_s = 0.05
    session.reopen()
    time.sleep(2 * TIMEOUT_S)
    seen = session.openings
    assert supply.output_is_on() is False
    assert session.openings == seen + 1
