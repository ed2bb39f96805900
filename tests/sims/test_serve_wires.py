"""Served benches on every wire, with habits: real sockets and pseudo-terminals on this machine, bounded.

Most tests turn the loop themselves between a client's write and its read, so nothing waits for a thread; where a
library is the client, the bench runs in a thread of its own.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from served_wires import STREAMS, TURN_S, WIRES, Client, control, order, served, visa

pytestmark = pytest.mark.timeout(30)

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
