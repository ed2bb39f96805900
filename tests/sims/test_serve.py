"""A bench behind sockets: bounded, on the loopback, real time only where it must be."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager

import pytest

from sims.serve import ServedBench, serve

pytestmark = pytest.mark.timeout(30)


class Line:
    """A client connection that speaks lines."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=5.0)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._lines = self.socket.makefile("rb")

    def tell(self, line: str) -> None:
        self.socket.sendall(line.encode() + b"\n")

    def ask(self, line: str) -> str:
        self.tell(line)
        return self._lines.readline().decode().removesuffix("\n")

    def close(self) -> None:
        self._lines.close()
        self.socket.close()


class Served:
    """A served bench in a thread of its own."""

    def __init__(self, bench: ServedBench, keep: Callable[[Line], Line]) -> None:
        self.bench, self._keep = bench, keep

    def connect(self, name: str) -> Line:
        return self._keep(Line(int(self.bench.addresses[name].split("::")[2])))

    def control(self) -> Line:
        return self._keep(Line(int(self.bench.control.rpartition(":")[2])))


@contextmanager
def running(**options: object) -> Iterator[Served]:
    stop = threading.Event()
    with serve("cabinet", **options) as bench, ExitStack() as stack:  # type: ignore[arg-type]
        thread = threading.Thread(target=bench.run_forever, args=(stop.is_set,))
        thread.start()
        stack.callback(thread.join, 5.0)
        stack.callback(stop.set)
        yield Served(bench, lambda line: stack.enter_context(closing(line)))


@pytest.fixture
def stepped() -> Iterator[Served]:
    with running(stepped=True) as served:
        yield served


def test_every_instrument_answers_at_its_address(stepped: Served) -> None:
    for name, address in stepped.bench.addresses.items():
        assert address.startswith("TCPIP::127.0.0.1::")
        assert address.endswith("::SOCKET")
        assert f"SIM-{name.upper()}" in stepped.connect(name).ask("*IDN?")


def test_stepped_time_stands_still_until_told(stepped: Served) -> None:
    control = stepped.control()
    assert control.ask("now") == "at 0.000000"
    assert control.ask("to 12.500") == "at 12.500000"
    assert control.ask("now") == "at 12.500000"
    assert control.ask("to 12.5") == "at 12.500000"
    assert control.ask("to 12.4").startswith("err to 12.4: bench time is 12.500000 s")
    for nonsense in ("to", "to never", "to nan", "to inf", "to -1", "backwards 3", ""):
        assert control.ask(nonsense).startswith("err")
    assert control.ask("now") == "at 12.500000"


def test_truth_is_the_worlds_own_state(stepped: Served) -> None:
    load, control = stepped.connect("load"), stepped.control()
    load.ask("CURR 2;INP ON;*OPC?")
    control.ask("to 30")
    truth = json.loads(control.ask("truth"))
    assert truth["t"] == 30.0
    assert truth["load_on"] is True
    assert truth["supply_on"] is False
    assert truth["pack_amps"] == pytest.approx(2.0, abs=0.03)
    assert 25.0 < truth["pack_volts"] < 27.0
    # The terminals lie under the sum of the cells by the drop in the pack's own links, here under 50 mV.
    assert truth["min_cell_volts"] - 0.01 <= truth["pack_volts"] / 8 <= truth["max_cell_volts"]
    assert truth["max_temp_c"] == pytest.approx(22.5, abs=1.0)
    assert {"supply_amps", "load_amps"} <= truth.keys()


def test_a_person_is_reached_over_the_control_port(stepped: Served) -> None:
    supply, control = stepped.connect("supply"), stepped.control()
    supply.ask("VOLT 26;CURR 5;OUTP ON;*OPC?")
    assert control.ask("do wire ups") == "err the supply's output is on: it would spark; switch it off first"
    supply.tell("OUTP OFF")
    assert control.ask("do wire ups") == "done", "what was sent to an instrument before is done before"
    assert control.ask("do mains on") == "done"
    control.ask("to 20")
    truth = json.loads(control.ask("truth"))
    assert (truth["hooked"], truth["mains_on"], truth["ac_out"]) == ("ups", True, True)
    assert [word for _, word in json.loads(control.ask("noticed"))] == ["output on"]
    assert control.ask("noticed") == "[]"


def test_what_was_sent_before_a_step_is_done_before_it(stepped: Served) -> None:
    """A set has no reply to wait for; it must not slip behind the step that was asked for after it."""
    control = stepped.control()
    for turn in range(1, 41):
        line = stepped.connect("load") if turn % 5 == 1 else line  # noqa: F821 - set in the first turn
        line.tell("CURR 2;INP ON" if turn % 2 else "INP OFF")
        control.ask(f"to {turn}")
        assert json.loads(control.ask("truth"))["load_on"] is bool(turn % 2)
    # On for 20 of 40 s, to the microampere-second the same in every run.
    assert stepped.bench.bench.world.charge_ah * 3600 == pytest.approx(20 * 2.0, rel=0.02)


def test_several_clients_at_one_instrument(stepped: Served) -> None:
    clients = [stepped.connect("supply") for _ in range(8)]
    clients[0].tell("VOLT 12.5")
    assert {client.ask("VOLT?") for client in clients} == {"12.5000"}
    clients[3].close()
    assert clients[4].ask("*OPC?") == "1"


def test_a_lost_client_hurts_nobody(stepped: Served) -> None:
    rude = stepped.connect("meter")
    # A reset instead of an orderly end, with half a message sent.
    rude.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\x00\x00\x00\x00\x00\x00\x00")
    rude.socket.sendall(b"MEAS:VO")
    rude.close()
    assert stepped.connect("meter").ask("*OPC?") == "1"


def test_answers_to_pipelined_queries_come_in_order(stepped: Served) -> None:
    line = stepped.connect("meter")
    line.socket.sendall(b"*OPC?\nSYST:VERS?\n*ESE?\n")
    assert [line.ask(""), *(line._lines.readline().decode().strip() for _ in range(2))] == ["1", "1999.0", "0"]


def test_a_client_that_reads_nothing_is_hung_up_on(stepped: Served) -> None:
    deaf = stepped.connect("meter")
    deaf.socket.settimeout(10.0)

    def ask_without_end() -> None:
        for _ in range(1000):
            deaf.socket.sendall(b"*IDN?\n" * 2000)

    with pytest.raises(ConnectionError):
        ask_without_end()
    assert stepped.connect("meter").ask("*OPC?") == "1"


def test_scaled_time_runs_by_itself() -> None:
    with running(speed=1000.0) as served:
        control = served.control()
        first = float(control.ask("now").split()[1])
        while float(control.ask("now").split()[1]) < first + 20.0:
            pass
        assert control.ask("to 1e9").startswith("err this bench runs by itself")
        assert json.loads(control.ask("truth"))["t"] >= first + 20.0
        assert served.bench.clock_entry() == {"kind": "scaled", "control": served.bench.control, "speed": 1000.0}


def test_the_bench_file_carries_addresses_and_clock(stepped: Served) -> None:
    text = stepped.bench.bench_toml()
    assert all(address in text for address in stepped.bench.addresses.values())
    assert stepped.bench.control in text
    with serve("porch") as plain:
        assert plain.clock_entry() == {"kind": "wall", "control": plain.control}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"stepped": True, "speed": 2.0}, "goes as far as it is told"),
        ({"speed": 0.0}, "above 0"),
        ({"speed": float("nan")}, "above 0"),
        ({"wire": "smoke"}, "over tcp, pty, hislip"),
        ({"host": "0.0.0.0"}, "loopback"),
    ],
)
def test_refused_ways_to_serve(options: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        serve("cabinet", **options)  # type: ignore[arg-type]


def test_closing_twice_is_fine_and_frees_the_ports() -> None:
    bench = serve("cabinet", stepped=True)
    port = int(bench.control.rpartition(":")[2])
    bench.close()
    bench.close()
    with pytest.raises(OSError), socket.create_connection(("127.0.0.1", port), timeout=1.0):  # noqa: PT011
        pass
