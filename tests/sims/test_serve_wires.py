"""Served benches on every wire, with habits: real sockets and pseudo-terminals on this machine, bounded.

Most tests turn the loop themselves between a client's write and its read, so nothing waits for a thread; where a
library is the client, the bench runs in a thread of its own.
"""

from __future__ import annotations

import json
import os
import socket
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from sims.manners import Manners
from sims.serve import ServedBench, serve

pytestmark = pytest.mark.timeout(30)

WIRES = ("tcp", "pty", "hislip")
STREAMS = ("tcp", "pty")

PATIENCE_S = 5.0
"""Longest wait for something that must come."""

TURN_S = 0.01


def path_of(address: str) -> str:
    return address.removeprefix("ASRL").removesuffix("::INSTR")


class Client:
    """A client of a byte stream, on the thread of the bench."""

    def __init__(self, bench: ServedBench, name: str) -> None:
        self._bench = bench
        self.address = bench.addresses[name]
        self._socket: socket.socket | None = None
        if self.address.startswith("ASRL"):
            self.fd = os.open(path_of(self.address), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        else:
            _, host, port, _ = self.address.split("::")
            self._socket = socket.create_connection((host, int(port)))
            # Else what is told waits for the acknowledgement of what was told before.
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.setblocking(False)
            self.fd = self._socket.fileno()

    def tell(self, data: bytes) -> None:
        os.write(self.fd, data)

    def hear(self, most_s: float = PATIENCE_S, *, until: Callable[[bytes], bool] = lambda came: b"\n" in came) -> bytes:
        """What comes until it is enough, or the time is over."""
        came, end_s = b"", time.monotonic() + most_s
        while not until(came) and time.monotonic() < end_s:
            self._bench.turn(timeout_s=TURN_S)
            try:
                more = os.read(self.fd, 4096)
            except BlockingIOError:
                continue
            if not more:
                return came + b"<hung up>"
            came += more
        return came

    def ask(self, data: bytes) -> bytes:
        self.tell(data)
        return self.hear()

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        else:
            os.close(self.fd)


@contextmanager
def served(wire: str, *, name: str = "supply", stepped: bool = True, **habits: Any) -> Iterator[ServedBench]:
    with serve("cabinet", wire=wire, stepped=stepped, manners={name: Manners(**habits)}) as bench:
        yield bench


def control(bench: ServedBench) -> socket.socket:
    host, _, port = bench.control.rpartition(":")
    return socket.create_connection((host, int(port)), timeout=PATIENCE_S)


def order(bench: ServedBench, connection: socket.socket, line: str) -> str:
    connection.sendall(line.encode() + b"\n")
    connection.setblocking(False)
    came, end_s = b"", time.monotonic() + PATIENCE_S
    while not came.endswith(b"\n") and time.monotonic() < end_s:
        bench.turn(timeout_s=TURN_S)
        try:
            came += connection.recv(65536)
        except BlockingIOError:
            continue
    return came.decode().strip()


@contextmanager
def visa(bench: ServedBench, name: str = "supply", **options: Any) -> Iterator[Any]:
    """A library's session with an instrument while the bench runs in a thread."""
    import pyvisa

    stop = threading.Event()
    thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,))
    thread.start()
    try:
        manager: Any = pyvisa.ResourceManager("@py")
        options = {"read_termination": "\n", "write_termination": "\n", "timeout": 2000} | options
        resource = manager.open_resource(bench.addresses[name], **options)
        try:
            yield resource
        finally:
            resource.close()
    finally:
        stop.set()
        thread.join(PATIENCE_S)


# -- every wire --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wire", WIRES)
def test_a_visa_client_talks_to_every_instrument(wire: str) -> None:
    with served(wire) as bench:
        for name in bench.bench.names:
            with visa(bench, name) as instrument:
                assert f"SIM-{name.upper()}" in instrument.query("*IDN?")
        with visa(bench) as supply:
            supply.write("VOLT 12.5")
            assert [supply.query("VOLT?"), supply.query("VOLT?;CURR?")] == ["12.5000", "12.5000;0.0000"]


@pytest.mark.parametrize("wire", WIRES)
def test_the_bench_file_points_at_every_instrument(wire: str) -> None:
    with served(wire) as bench:
        text = bench.bench_toml()
        for address in bench.addresses.values():
            assert f'address = "{address}"' in text
        assert len(set(bench.addresses.values())) == len(bench.bench.names)


@pytest.mark.parametrize("wire", STREAMS)
def test_what_was_sent_before_a_step_is_done_before_it(wire: str) -> None:
    """A set has no reply to wait for; it must not slip behind the step that was asked for after it."""
    with served(wire, name="load", baud=1200) as bench:
        load, person = Client(bench, "load"), control(bench)
        assert load.ask(b"*OPC?\n") == b"1\n"
        for turn in range(1, 21):
            amps = turn % 2
            load.tell(b"CURR %d;INP ON\n" % amps)
            assert order(bench, person, f"to {turn}") == f"at {turn}.000000"
            truth = json.loads(order(bench, person, "truth"))
            assert truth["load_amps"] == pytest.approx(amps, abs=0.05)
        load.close()
        person.close()


def test_what_was_sent_before_a_step_is_done_before_it_over_hislip() -> None:
    with served("hislip") as bench:
        person = control(bench)
        with visa(bench) as supply:
            for turn in range(1, 21):
                supply.write(f"VOLT {turn}")
                person.sendall(b"to %d\n" % turn)
                assert person.recv(100) == b"at %d.000000\n" % turn
                assert float(supply.query("VOLT?")) == turn
        person.close()


SAID: list[tuple[dict[str, Any], bytes, bytes]] = [
    ({"echo": True}, b"*OPC?\n", b"*OPC?\n1\n"),
    ({"ends": "\r\n"}, b"*OPC?\n", b"1\r\n"),
    ({"ends": "\n\0"}, b"*OPC?\n", b"1\n\0"),
    ({"ends": ""}, b"*OPC?\n", b"1"),
    ({"hears": "\r"}, b"*OPC?\r", b"1\n"),
    ({"second_line": "OK"}, b"*OPC?\n", b"1\nOK\n"),
    ({"compound": "lines"}, b"*ESE?;*OPC?\n", b"0\n1\n"),
    ({"compound": "last"}, b"*ESE?;*OPC?\n", b"1\n"),
    ({"buffer_bytes": 5}, b"*OPC?;*ESE?\n", b"1\n"),
    ({"answers_orders": "OK"}, b"VOLT 1\n*OPC?\n", b"OK\n1\n"),
    ({"banner": "READY v1"}, b"*OPC?\n", b"READY v1\n1\n"),
    ({"remote_needed": True}, b"*OPC?\n", b"NOT IN REMOTE\n"),
    ({"reply_delay_s": 0.05}, b"*OPC?\n", b"1\n"),
    ({"gap_s": 0.02}, b"*OPC?\n*ESE?\n", b"1\n"),
    ({"unit_suffix": True, "nr3": True}, b"VOLT?\n", b"0.0000E+00V\n"),
]


@pytest.mark.parametrize("wire", STREAMS)
@pytest.mark.parametrize(("habits", "sent", "received"), SAID, ids=[str(habits) for habits, _, _ in SAID])
def test_habits_on_streams(wire: str, habits: dict[str, Any], sent: bytes, received: bytes) -> None:
    with served(wire, **habits) as bench:
        client = Client(bench, "supply")
        client.tell(sent)
        assert client.hear(until=lambda came: len(came) >= len(received)) == received
        assert client.hear(3 * TURN_S, until=lambda came: False) == b"", "and nothing after it"
        client.close()


HISLIP_SAID: list[tuple[dict[str, Any], str, str]] = [
    ({"ends": "\r\n"}, "*OPC?", "1\r\n"),
    ({"ends": ""}, "*OPC?", "1"),
    ({"echo": True, "banner": "READY"}, "*OPC?", "1\n"),
    ({"second_line": "OK"}, "*OPC?", "1\nOK\n"),
    ({"remote_needed": True}, "*OPC?", "NOT IN REMOTE\n"),
    ({"reply_delay_s": 0.05}, "*OPC?", "1\n"),
    ({"compound": "first"}, "*ESE?;*OPC?", "0\n"),
    ({"quoted": True, "comma": True}, "VOLT?", '"0,0000"\n'),
]


@pytest.mark.parametrize(("habits", "sent", "received"), HISLIP_SAID, ids=[str(habits) for habits, _, _ in HISLIP_SAID])
def test_habits_over_hislip(habits: dict[str, Any], sent: str, received: str) -> None:
    with served("hislip", **habits) as bench, visa(bench, read_termination=None) as supply:
        supply.write(sent)
        assert supply.read_raw().decode() == received


# -- sockets -----------------------------------------------------------------------------------------------------------


def test_too_many_clients_are_told_busy_and_hung_up_on() -> None:
    with served("tcp", clients_max=1) as bench:
        first = Client(bench, "supply")
        assert first.ask(b"*OPC?\n") == b"1\n"
        second = Client(bench, "supply")
        assert second.hear(until=lambda came: False) == b"BUSY\n<hung up>"
        assert first.ask(b"*OPC?\n") == b"1\n"
        first.close()
        for client in (second, Client(bench, "supply")):
            if client is not second:
                assert client.ask(b"*OPC?\n") == b"1\n"
            client.close()


def test_an_idle_client_is_hung_up_on_in_bench_time() -> None:
    with served("tcp", idle_drop_s=300.0) as bench:
        client, person = Client(bench, "supply"), control(bench)
        order(bench, person, "to 200")
        assert client.ask(b"*OPC?\n") == b"1\n"
        order(bench, person, "to 499")
        assert client.ask(b"*OPC?\n") == b"1\n"
        order(bench, person, "to 799")
        assert client.hear(until=lambda came: False) == b"<hung up>"
        again = Client(bench, "supply")
        assert again.ask(b"*OPC?\n") == b"1\n"
        for one in (client, again, person):
            one.close()


def test_each_connection_is_an_opening() -> None:
    with served("tcp", defaults_at_open=True, banner="READY v1") as bench:
        for _ in range(2):
            client = Client(bench, "supply")
            assert client.hear() == b"READY v1\n"
            assert client.ask(b"VOLT?;:VOLT 5;VOLT?\n") == b"0.0000;5.0000\n"
            client.close()


# -- pseudo-terminals --------------------------------------------------------------------------------------------------

SEES_OPENINGS = pytest.mark.skipif(os.uname().sysname != "Linux", reason="openings are seen on Linux only")


@SEES_OPENINGS
def test_each_opening_of_a_serial_port_is_seen() -> None:
    with served("pty", defaults_at_open=True, banner="READY v1") as bench:
        for _ in range(3):
            client = Client(bench, "supply")
            assert client.hear() == b"READY v1\n"
            assert client.ask(b"VOLT?;:VOLT 5;VOLT?\n") == b"0.0000;5.0000\n"
            client.close()


@SEES_OPENINGS
def test_a_closed_serial_port_keeps_no_answers_and_the_instrument_keeps_half_a_message() -> None:
    with served("pty") as bench:
        client = Client(bench, "supply")
        client.tell(b"*IDN?\n*OP")
        client.close()
        bench.turn(timeout_s=TURN_S)
        bench.turn()
        again = Client(bench, "supply")
        assert again.ask(b"C?\n") == b"1\n"
        again.close()


def test_a_late_reply_outlives_a_closed_serial_port() -> None:
    with served("pty", reply_delay_s=0.1) as bench:
        client = Client(bench, "supply")
        client.tell(b"*ESE?\n")
        bench.turn(timeout_s=TURN_S)
        client.close()
        again = Client(bench, "supply")
        again.tell(b"*OPC?\n")
        assert again.hear(until=lambda came: came.count(b"\n") == 2) == b"0\n1\n", "as on a real line: one reply behind"
        again.close()


def test_where_openings_are_not_seen_the_control_connection_tells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sims.openings._watch", lambda path: -1)
    with served("pty", banner="READY v1", defaults_at_open=True) as bench:
        client, person = Client(bench, "supply"), control(bench)
        assert client.ask(b"VOLT 5;VOLT?\n") == b"5.0000\n"
        assert order(bench, person, "reopen supply") == "done"
        assert client.ask(b"VOLT?\n") == b"READY v1\n0.0000\n" or client.hear() == b"0.0000\n"
        assert order(bench, person, "reopen scope").startswith("err no instrument 'scope'; there are: supply, ")
        for one in (client, person):
            one.close()


@pytest.mark.parametrize("wire", ["tcp", "hislip"])
def test_elsewhere_openings_need_no_telling(wire: str) -> None:
    with served(wire) as bench:
        person = control(bench)
        assert order(bench, person, "reopen supply") == "err supply: openings are seen on this wire"
        person.close()


def test_a_paced_line_takes_the_time_its_rate_says() -> None:
    times = {}
    for baud in (1200, 9600):
        with served("pty", baud=baud) as bench:
            client = Client(bench, "supply")
            start_s = time.monotonic()
            reply = client.ask(b"*IDN?\n")
            times[baud] = time.monotonic() - start_s
            client.close()
        line_s = 10.0 * (len("*IDN?\n") + len(reply)) / baud
        # Never sooner; how much later depends on what else the machine does.
        assert 0.99 * line_s <= times[baud] <= 2.0 * line_s + 0.5
    assert times[1200] / times[9600] >= 2.0, "8, were the machine idle"


def test_a_slow_line_sends_in_small_lots() -> None:
    with served("pty", baud=1200) as bench:
        client = Client(bench, "supply")
        client.tell(b"*OPC?;*IDN?\n")
        part = client.hear(until=lambda came: len(came) > 0)
        assert len(part) <= 12, "a tenth of a second's bytes"
        assert part + client.hear() == b"1;NIGHTBENCH,SIM-SUPPLY,cabinet-1,1.0\n"
        client.close()


def test_at_another_rate_than_the_instruments_nothing_is_understood() -> None:
    with served("pty", baud=19200) as bench:
        client = Client(bench, "supply")
        state = termios.tcgetattr(client.fd)
        state[4] = state[5] = termios.B9600
        termios.tcsetattr(client.fd, termios.TCSANOW, state)
        client.tell(b"*OPC?\n")
        assert client.hear(10 * TURN_S, until=lambda came: False) == b"", "not even where the message ends"
        state[4] = state[5] = termios.B19200
        termios.tcsetattr(client.fd, termios.TCSANOW, state)
        client.tell(b"\n")
        assert client.ask(b"SYST:ERR?\n").startswith(b"-1"), "it took what it heard for a command"
        client.close()


def test_a_library_opens_and_closes_a_serial_port_again_and_again() -> None:
    with served("pty", baud=19200, banner="READY v1") as bench:
        for _ in range(3):
            with visa(bench, baud_rate=19200, timeout=2000) as supply:
                # The back end opens at 9600 first: what was said meanwhile is not for us.
                supply.write("*OPC?")
                lines = [supply.read()]
                while lines[-1] != "1":
                    lines.append(supply.read())
                assert len(lines) <= 2


# -- HiSLIP ------------------------------------------------------------------------------------------------------------


def test_a_device_clear_after_a_reply_that_did_not_come_in_time() -> None:
    import pyvisa

    with served("hislip", reply_delay_s=0.3) as bench, visa(bench, timeout=100) as supply:
        with pytest.raises(pyvisa.errors.VisaIOError, match="VI_ERROR_TMO"):
            supply.query("*IDN?")
        supply.clear()
        supply.timeout = 2000
        assert supply.query("*OPC?") == "1", "and not the identity that came too late"
        assert supply.read_stb() == 0


def test_a_hislip_client_that_vanishes_leaves_its_place() -> None:
    with served("hislip", clients_max=1) as bench:
        for _ in range(3):
            with visa(bench) as supply:
                assert supply.query("*OPC?") == "1"
