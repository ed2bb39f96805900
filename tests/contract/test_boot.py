"""Instruments that restart when their line is opened, and are deaf until they have started: nothing is said to them
before, on every kind of line."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from scripted import TIMEOUT_S

from drivers.session import Session
from drivers.wire import Timeout, WireError
from drivers.wire_memory import MemoryWire
from drivers.wire_visa import VisaWire
from harness.clock import VirtualClock, WallClock
from sims.bench import open_bench
from sims.manners import Manners
from sims.serve import serve

BOOT_S = 2.0 * TIMEOUT_S


@pytest.fixture
def waited(backend, script, monkeypatch) -> tuple[Any, list[Any]]:
    """A wire, and its pauses among what the instrument heard."""
    if backend.kind == "replay":
        pytest.skip("a record knows nothing of openings")
    wire = backend.wire(timeout_s=TIMEOUT_S, boot_s=BOOT_S)
    pause = wire._pause

    def noted(seconds: float) -> None:
        script.heard.append(seconds)
        pause(seconds)

    monkeypatch.setattr(wire, "_pause", noted)
    script.replies |= {b"MEAS:VOLT?": [b"12.8\n"]}
    return wire, script.heard


def test_the_first_message_waits_after_every_opening(waited, backend):
    wire, heard = waited
    session = Session(wire)
    with backend.timed() as elapsed:
        session.open()
    assert elapsed() >= BOOT_S
    assert heard == [BOOT_S, b"*IDN?"]
    session.ask("MEAS:VOLT?")
    session.open()
    assert heard == [BOOT_S, b"*IDN?", b"MEAS:VOLT?", b"*IDN?"], "an open line is not waited for"
    heard.clear()
    session.reopen()
    assert heard == [BOOT_S, b"*IDN?"]
    wire.close()
    heard.clear()
    session.ask("MEAS:VOLT?")
    assert heard == [BOOT_S, b"*IDN?", b"MEAS:VOLT?"]
    session.close()


def test_off_on_a_new_line_waits_too(waited, backend):
    wire, heard = waited
    session = Session(wire)
    session.open()
    wire.close()
    heard.clear()
    session.tell_whoever("OUTP OFF")
    backend.settle()
    assert [one for one in heard if one] == [BOOT_S, b"OUTP OFF"]
    session.close()


def test_stopped_while_it_waits_the_line_is_closed(waited, monkeypatch):
    wire, _ = waited

    def stopped(seconds: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(wire, "_pause", stopped)
    with pytest.raises(KeyboardInterrupt):
        wire.open()
    assert not wire.is_open
    assert wire.openings == 0


# -- the simulated instrument that restarts ----------------------------------------------------------------------------

RESTARTS = Manners(deaf_s=0.3, banner="READY v1", defaults_at_open=True)
"""Short, since on the real lines it is real time."""

ENOUGH_S, TOO_SHORT_S = 0.45, 0.0


@contextmanager
def in_memory() -> Iterator[Callable[[float], Any]]:
    clock = VirtualClock()
    bench = open_bench("cabinet", now=clock.now, manners={"supply": RESTARTS})
    yield lambda boot_s: MemoryWire(
        lambda: bench.connect("supply"), clock.sleep, name="it", address="memory", timeout_s=0.2, boot_s=boot_s
    )


@contextmanager
def served(kind: str) -> Iterator[Callable[[float], Any]]:
    door = serve("cabinet", wire=kind, manners={"supply": RESTARTS})
    over = threading.Event()
    thread = threading.Thread(target=door.run_forever, args=(over.is_set,), daemon=True)
    thread.start()
    try:
        yield lambda boot_s: VisaWire(
            name="it",
            address=door.addresses["supply"],
            monotonic=WallClock().wall,
            timeout_s=0.2,
            boot_s=boot_s,
        )
    finally:
        over.set()
        thread.join()
        door.close()


LINES = {"memory": in_memory, "tcp": lambda: served("tcp"), "pty": lambda: served("pty")}


@pytest.mark.parametrize("kind", LINES)
def test_it_is_met_after_it_has_started(kind: str) -> None:
    with LINES[kind]() as make:
        impatient = Session(make(TOO_SHORT_S))
        with pytest.raises(Timeout):
            impatient.open()
        impatient.close()
        session = Session(make(ENOUGH_S))
        session.open()
        assert session.identity.model == "SIM-SUPPLY"
        session.tell("VOLT 5")
        assert float(session.ask("VOLT?")) == 5.0
        session.wire.close()
        assert float(session.ask("VOLT?")) == 0.0, "it restarted, and was met again all the same"
        assert session.openings == 2
        session.tell("OUTP ON")
        session.wire.close()
        session.tell_whoever("OUTP OFF")
        assert session.ask("OUTP?") == b"0"
        assert session.openings == 3
        session.close()


def test_an_order_to_a_deaf_one_would_have_been_lost() -> None:
    with in_memory() as make:
        wire = make(TOO_SHORT_S)
        wire.open()
        wire.write("VOLT 5")
        with pytest.raises(WireError):
            wire.query("VOLT?")
