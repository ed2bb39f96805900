"""Served benches on pseudo-terminals: openings, closed ports, paced lines. Real ones of this machine, bounded."""

from __future__ import annotations

import os
import termios
import time

import pytest
from served_wires import TURN_S, Client, control, order, served, visa

pytestmark = pytest.mark.timeout(30)

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
