"""What a question costs; each bar is a ratio or a best case measured in the run itself, so that a busy machine passes.

``python -m pytest tests/drivers/test_cost.py -s`` prints the figures.
"""

from __future__ import annotations

import os
import pty
import select
import socket
import statistics
import threading
import time
import tty

import pytest
import pyvisa

from drivers import dialect
from drivers.meter import Meter
from drivers.session import Session
from drivers.wire_memory import MemoryWire
from drivers.wire_visa import VisaWire

pytestmark = pytest.mark.benchmark

ANSWERS = {b"*IDN?\n": b"OURS,COST,1,0\n", b"MEAS:VOLT:DC?\n": b"12.801\n", b"VOLT?\n": b"12.000\n"}


@pytest.fixture
def served():
    """Address of a socket that answers, with a thread of its own a client."""
    server = socket.create_server(("127.0.0.1", 0))

    def serve(client: socket.socket) -> None:
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with client, client.makefile("rb") as lines:
            for line in lines:
                if line in ANSWERS:
                    client.sendall(ANSWERS[line])

    def accept() -> None:
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=(client,), daemon=True).start()

    thread = threading.Thread(target=accept)
    thread.start()
    yield f"TCPIP::127.0.0.1::{server.getsockname()[1]}::SOCKET"
    server.shutdown(socket.SHUT_RDWR)
    server.close()
    thread.join(5)


@pytest.fixture
def port():
    """Address of a serial port that answers."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop = threading.Event()

    def serve() -> None:
        pending = b""
        while not stop.is_set():
            if select.select([master], [], [], 0.05)[0]:
                pending += os.read(master, 4096)
            while b"\n" in pending:
                line, _, pending = pending.partition(b"\n")
                os.write(master, ANSWERS.get(line + b"\n", b""))

    thread = threading.Thread(target=serve)
    thread.start()
    yield f"ASRL{os.ttyname(slave)}::INSTR"
    stop.set()
    thread.join(5)
    os.close(slave)
    os.close(master)


@pytest.fixture
def plain():
    """``plain(address)`` opens PyVISA's own resource."""
    opened = []

    def make(address: str):
        manager = pyvisa.ResourceManager("@py")
        opened.append(manager.open_resource(address, read_termination="\n", write_termination="\n"))
        return opened[-1]

    yield make
    for resource in opened:
        resource.close()


@pytest.fixture
def meter_at():
    meters = []

    def make(address: str) -> Meter:
        session = Session(VisaWire(name="meter", address=address, monotonic=time.monotonic))
        session.open()
        meters.append(Meter(session, dialect.load("scpi-meter")))
        return meters[-1]

    yield make
    for meter in meters:
        meter.session.close()


def seconds_each(call, *, count: int, clock=time.perf_counter) -> float:
    start = clock()
    for _ in range(count):
        call()
    return (clock() - start) / count


def best_of(times: int, call, *, count: int, clock=time.thread_time) -> float:
    return min(seconds_each(call, count=count, clock=clock) for _ in range(times))


def test_a_question_after_an_order_does_not_stall(served, plain, meter_at, capsys):
    """Nagle's algorithm holds the question back until the order is acknowledged, which takes 40 ms (RFC 1122 4.2.3.2
    allows up to 500). PyVISA shows it in the same run, on the same responder.
    """
    resource, wire = plain(served), meter_at(served).session.wire

    def stalled() -> None:
        resource.write("VOLT 12")
        resource.query("VOLT?")

    def ours() -> None:
        wire.write("VOLT 12")
        wire.query("VOLT?")

    slow = statistics.median(seconds_each(stalled, count=1) for _ in range(9))
    fast = statistics.median(seconds_each(ours, count=1) for _ in range(99))
    with capsys.disabled():
        print(f"\norder + question: PyVISA {1e3 * slow:.1f} ms, ours {1e3 * fast:.3f} ms, ratio {slow / fast:.0f}")
    assert slow > 20 * fast


@pytest.mark.parametrize("line", ["served", "port"])
def test_a_reading_costs_no_more_cpu_than_pyvisas_own_query(line, request, plain, meter_at, capsys):
    address = request.getfixturevalue(line)
    resource = plain(address)
    theirs = best_of(5, lambda: float(resource.query("MEAS:VOLT:DC?")), count=400)
    resource.close()
    ours = best_of(5, meter_at(address).measure_volts, count=400)
    with capsys.disabled():
        print(f"\nreading, {line}: PyVISA {1e6 * theirs:.1f} us CPU, ours {1e6 * ours:.1f} us, {ours / theirs:.2f}")
    assert ours <= 1.1 * theirs


def test_a_reading_in_memory_costs_little_beyond_the_instrument(capsys):
    class Talker:
        def feed(self, data: bytes) -> bytes:
            return ANSWERS[data]

        def hang_up(self) -> None: ...

    talker = Talker()
    session = Session(MemoryWire(lambda: talker, lambda s: None, name="meter", address="m", tap=lambda exchange: None))
    session.open()
    meter = Meter(session, dialect.load("scpi-meter"))
    instrument = best_of(7, lambda: talker.feed(b"MEAS:VOLT:DC?\n"), count=3000)
    reading = best_of(7, meter.measure_volts, count=3000)
    session.close()
    with capsys.disabled():
        print(f"\nreading in memory: {1e6 * reading:.1f} us, of which the instrument {1e6 * instrument:.1f} us")
    assert reading - instrument <= 15e-6
