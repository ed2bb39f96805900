"""Habits of lines in memory: what is lost, echoed, said unasked, late, cut off or refused."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.wire import Lost, Timeout
from drivers.wire_memory import MemoryWire
from sims.bench import SimBench, open_bench
from sims.line_manners import Line
from sims.manners import Manners
from sims.talk import Talker


class Wall:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.t = 0.0

    def __call__(self) -> float:
        return self.t


def bench(now: Wall | None = None, **habits: Any) -> SimBench:
    return open_bench("cabinet", now=now or Wall(), manners={"supply": Manners(**habits)})


IDENTITY = b"NIGHTBENCH,SIM-SUPPLY,cabinet-1,1.0"


def test_good_manners_get_the_bare_session() -> None:
    assert type(bench().connect("supply")) is Talker
    assert type(bench(unit_suffix=True, comma=True, grid="truncate", baud=9600).connect("supply")) is Talker
    assert type(bench(echo=True).connect("supply")) is Line


SAID: list[tuple[dict[str, Any], bytes, bytes]] = [
    ({"echo": True}, b"*IDN?\n", b"*IDN?\n" + IDENTITY + b"\n"),
    ({"echo": True}, b"VOLT 11.40\n", b"VOLT 11.40\n"),
    ({"ends": "\r\n"}, b"*IDN?\n", IDENTITY + b"\r\n"),
    ({"ends": "\r"}, b"*IDN?\n", IDENTITY + b"\r"),
    ({"ends": "\n\0"}, b"*IDN?\n", IDENTITY + b"\n\0"),
    ({"ends": "\n\0\0\0"}, b"*IDN?\n", IDENTITY + b"\n\0\0\0"),
    ({"ends": ""}, b"*IDN?\n", IDENTITY),
    ({"hears": "\r"}, b"*IDN?\n", b""),
    ({"hears": "\r"}, b"*IDN?\r", IDENTITY + b"\n"),
    ({"hears": "\r\n"}, b"*IDN?\r\n*IDN?\r\n", 2 * (IDENTITY + b"\n")),
    ({"second_line": "OK"}, b"*IDN?\n", IDENTITY + b"\nOK\n"),
    ({"second_line": "OK"}, b"VOLT 1\n", b""),
    ({"answers_orders": "OK"}, b"VOLT 1\n", b"OK\n"),
    ({"answers_orders": "OK", "ends": "\r\n"}, b"VOLT 1;CURR 1\n", b"OK\r\n"),
    ({"answers_orders": "=>"}, b"VOLT 1\n*OPC?\nNO:SUCH 1\n", b"=>\n1\n=>\n"),
    ({"answers_orders": "OK"}, b"*OPC?;*CLS\n\n \nNO:SUCH?\n", b"1\n"),
    ({"answers_orders": "OK", "echo": True}, b"VOLT 1\n", b"VOLT 1\nOK\n"),
    ({"answers_orders": "OK", "remote_needed": True}, b"VOLT 1\nSYST:REM\nVOLT 1\n", b"NOT IN REMOTE\nOK\nOK\n"),
    ({"answers_orders": "OK", "second_line": "A"}, b"VOLT 1\n*OPC?\n", b"OK\n1\nA\n"),
    ({"banner": "READY v1"}, b"", b"READY v1\n"),
    ({"banner": "READY v1", "ends": "\r\n"}, b"*IDN?\n", b"READY v1\r\n" + IDENTITY + b"\r\n"),
    ({"compound": "joined"}, b"VOLT?;CURR?\n", b"0.0000;0.0000\n"),
    ({"compound": "first"}, b"*ESE?;*OPC?\n", b"0\n"),
    ({"compound": "last"}, b"*ESE?;*OPC?\n", b"1\n"),
    ({"compound": "lines"}, b"*ESE?;*OPC?\n", b"0\n1\n"),
    ({"compound": "lines", "ends": "\r\n"}, b"*ESE?;*OPC?\n", b"0\r\n1\r\n"),
    ({"compound": "refused"}, b"*ESE?;*OPC?\n", b""),
    ({"compound": "refused"}, b"*OPC?\n", b"1\n"),
    ({"buffer_bytes": 12}, b"*ESE?;*OPC?;*ESE?\n", b"0;1\n"),
    ({"remote_needed": True, "ends": "\r\n"}, b"*IDN?\n", b"NOT IN REMOTE\r\n"),
    ({"remote_needed": True}, b"VOLT 5\n", b"NOT IN REMOTE\n"),
    ({"remote_needed": True}, b"SYST:REM\n*OPC?\n", b"1\n"),
    ({"remote_needed": True}, b":system:remote;*OPC?\n", b"1\n"),
]


@pytest.mark.parametrize(("habits", "sent", "received"), SAID, ids=[f"{h}-{s!r}" for h, s, _ in SAID])
def test_what_is_said(habits: dict[str, Any], sent: bytes, received: bytes) -> None:
    assert bench(**habits).connect("supply").feed(sent) == received


@pytest.mark.parametrize(("habits", "sent", "received"), SAID, ids=[f"{h}-{s!r}" for h, s, _ in SAID])
def test_bytes_come_in_any_lots(habits: dict[str, Any], sent: bytes, received: bytes) -> None:
    session = bench(**habits).connect("supply")
    assert b"".join(session.feed(sent[at : at + 1]) for at in range(len(sent))) + session.feed(b"") == received


def test_a_message_too_long_for_the_buffer_is_obeyed_as_far_as_it_was_kept() -> None:
    session = bench(buffer_bytes=100).connect("supply")
    session.feed(b"VOLT 12.5;CURR 3.0" + b";VOLT 12.5" * 10 + b";CURR 1.0\n")
    assert session.feed(b"VOLT?;CURR?\n") == b"12.5000;3.0000\n"


def test_messages_too_close_together_are_lost_without_a_word() -> None:
    now = Wall()
    session = bench(now, gap_s=0.02).connect("supply")
    heard = []
    for number in range(50):
        session.feed(b"VOLT %d\n" % (number % 20))
        now.t += 0.03
        heard.append(session.feed(b"VOLT?\n") == b"%d.0000\n" % (number % 20))
        now.t += 0.03
    assert all(heard)
    session.feed(b"VOLT 1\n")
    now.t += 0.019
    session.feed(b"VOLT 2\n")
    now.t += 0.02
    assert session.feed(b"VOLT?;:SYST:ERR?\n") == b'1.0000;0,"No error"\n'


@pytest.mark.parametrize("banner", ["", "READY v1"])
def test_an_instrument_that_restarts_is_deaf_for_a_while(banner: str) -> None:
    now = Wall()
    here = bench(now, deaf_s=2.0, banner=banner)
    session = here.connect("supply")
    said = banner.encode() + b"\n" if banner else b""
    for now.t in (0.0, 1.0, 1.99):
        assert session.feed(b"*OPC?\nVOLT 5\n*O") == b""
    now.t = 2.0
    assert session.feed(b"") == said
    assert session.feed(b"VOLT?\n") == b"0.0000\n", "nothing of what came before"
    session.feed(b"VOLT 7\n*OP")
    now.t = 50.0
    assert session.feed(b"C?\n") == b"1\n", "deaf after an opening only"
    assert here.connect("supply").feed(b"VOLT?\n") == b"", "a new client opens it anew"


def test_who_keeps_just_the_gap_is_heard() -> None:
    now = Wall()
    session = bench(now, gap_s=0.02).connect("supply")
    for _ in range(1000):
        assert session.feed(b"*OPC?\n") == b"1\n"
        now.t += 0.02


def test_a_slow_reply_comes_late() -> None:
    now = Wall()
    session = bench(now, reply_delay_s=1.0).connect("supply")
    assert isinstance(session, Line)
    assert session.feed(b"*IDN?\n") == b""
    assert (session.due_s, session.due_in_s) == (1.0, 1.0)
    now.t = 0.4
    assert session.feed(b"*OPC?\n") == b""
    assert session.due_in_s == pytest.approx(0.6)
    now.t = 1.0
    assert session.feed(b"") == IDENTITY + b"\n", "the first reply, and not the second"
    now.t = 2.0
    assert session.feed(b"*ESE?\n") == b"1\n", "the reply owed to the question before"
    session.clear()
    now.t = 9.0
    assert session.feed(b"") == b""
    assert session.due_s is None


def test_an_echo_does_not_wait_for_a_slow_reply() -> None:
    now = Wall()
    session = bench(now, reply_delay_s=1.0, echo=True).connect("supply")
    assert session.feed(b"*OPC?\n") == b"*OPC?\n"
    now.t = 1.0
    assert session.feed(b"") == b"1\n"


def test_defaults_at_each_opening() -> None:
    sim = bench(defaults_at_open=True, banner="READY v1")
    first = sim.connect("supply")
    assert first.feed(b"VOLT 5;CURR 1;OUTP ON;OUTP?\n") == b"READY v1\n1\n"
    assert sim.connect("supply").feed(b"OUTP?;VOLT?\n") == b"READY v1\n0;0.0000\n"
    assert first.feed(b"*ESR?\n") == b"128\n", "it has been switched on since"


def test_an_idle_line_is_hung_up_on() -> None:
    now = Wall()
    sim = bench(now, idle_drop_s=3.0)
    session = sim.connect("supply")
    for t_s in (2.0, 4.9):
        now.t = t_s
        assert session.feed(b"*OPC?\n") == b"1\n"
    now.t = 7.9
    with pytest.raises(ConnectionError, match="the instrument hung up"):
        session.feed(b"*OPC?\n")
    with pytest.raises(ConnectionError):
        session.feed(b"*OPC?\n")
    assert sim.connect("supply").feed(b"*OPC?\n") == b"1\n"


def test_too_many_clients_are_turned_away() -> None:
    now = Wall()
    sim = bench(now, clients_max=1, idle_drop_s=10.0)
    first = sim.connect("supply")
    with pytest.raises(ConnectionRefusedError, match=r"^BUSY: it takes 1 client\(s\) at a time"):
        sim.connect("supply")
    first.hang_up()
    sim.connect("supply")
    with pytest.raises(ConnectionRefusedError):
        sim.connect("supply")
    now.t = 10.0
    assert sim.connect("supply").feed(b"*OPC?\n") == b"1\n", "whoever was idle too long is gone"


def test_remote_is_asked_for_again_once_somebody_pressed_the_local_key() -> None:
    sim = bench(remote_needed=True, second_line="READY")
    session = sim.connect("supply")
    assert session.feed(b"SYST:REM\nVOLT 5\nVOLT?\n") == b"5.0000\nREADY\n"
    assert sim.do("local supply") == "done"
    assert session.feed(b"VOLT 6\n") == b"NOT IN REMOTE\n"
    assert session.feed(b"SYST:REM;:VOLT?\n") == b"5.0000\nREADY\n"


def test_an_instrument_without_a_panel_asks_for_remote_too() -> None:
    sim = open_bench("cabinet", now=Wall(), manners={"meter": Manners(remote_needed=True, remote_words="LOCAL")})
    session = sim.connect("meter")
    assert session.feed(b"MEAS:VOLT:DC?\n") == b"LOCAL\n"
    assert float(session.feed(b"SYST:REM\nMEAS:VOLT:DC?\n")) > 20.0


def test_the_line_and_the_bench_may_have_clocks_of_their_own() -> None:
    """A served bench may stand still while a reply is on its way."""
    now, line = Wall(), Wall()
    manners = {"supply": Manners(reply_delay_s=0.1, gap_s=0.02, idle_drop_s=3.0)}
    session = open_bench("cabinet", now=now, line_now=line, manners=manners).connect("supply")
    assert session.feed(b"*OPC?\n") == b""
    line.t = 0.1
    assert session.feed(b"*OPC?\n") == b"1\n"
    line.t = 5.0
    assert session.feed(b"") == b"1\n"
    now.t = 3.0
    with pytest.raises(ConnectionError):
        session.feed(b"*OPC?\n")


def test_a_message_beyond_all_bounds_is_an_error() -> None:
    for hears in ("\n", "\r"):
        session = bench(hears=hears, echo=True).connect("supply")
        session.feed(b"x" * 20_000 + hears.encode())
        assert session.feed(b"SYST:ERR?" + hears.encode()).endswith(b'-363,"Input buffer overrun"\n')


# -- with a wire of ours at the other end ------------------------------------------------------------------------------


def wired(now: Wall, sim: SimBench, **options: Any) -> MemoryWire:
    def pass_time(seconds: float) -> None:
        now.t += seconds

    wire = MemoryWire(lambda: sim.connect("supply"), pass_time, name="supply", address="sim:cabinet/supply", **options)
    wire.open()
    return wire


def test_a_wire_in_memory_waits_for_a_slow_reply_and_no_longer() -> None:
    now = Wall()
    wire = wired(now, bench(now, reply_delay_s=0.3))
    assert wire.query("*OPC?") == b"1"
    assert now.t == pytest.approx(0.3)
    now = Wall()
    wire = wired(now, bench(now, reply_delay_s=1.0))
    with pytest.raises(Timeout):
        wire.query("*IDN?")
    assert now.t == pytest.approx(wire.timeout_s)
    now.t = 3.0
    wire.open()
    with pytest.raises(Timeout):
        wire.query("*OPC?")


def test_a_wire_in_memory_notices_that_it_was_hung_up_on_before_it_sends() -> None:
    now = Wall()
    wire = wired(now, bench(now, idle_drop_s=3.0))
    assert wire.query("*OPC?") == b"1"
    now.t += 3.0
    with pytest.raises(Lost):
        wire.query("*OPC?")
    wire.open()
    assert wire.query("*OPC?") == b"1"


def test_fifty_set_points_in_a_row_with_and_without_a_pause() -> None:
    for pace_s, all_there in ((0.03, True), (0.0, False)):
        now = Wall()
        wire = wired(now, bench(now, gap_s=0.02), pace_s=pace_s)
        there = []
        for number in range(50):
            wire.write(f"VOLT {0.1 * number:.1f}")
            now.t += 0.05
            there.append(float(wire.query("VOLT?")) == pytest.approx(0.1 * number))
            if not pace_s:
                wire.write("CURR 1")
                wire.write("CURR 2")
        assert all(there) is all_there


@pytest.mark.parametrize(
    ("habits", "options"),
    [
        ({"echo": True}, {"echo": True}),
        ({"ends": "\r\n"}, {"terminator": b"\r\n"}),
        ({"ends": "", "reply_delay_s": 0.1}, {"terminator": b"\n", "gap_s": 0.05}),
        ({"ends": "\n\0\0\0"}, {}),
        ({"ends": "\r", "hears": "\r"}, {"terminator": b"\r"}),
    ],
    ids=str,
)
def test_a_wire_that_knows_the_habits_reads_on_and_on(habits: dict[str, Any], options: dict[str, Any]) -> None:
    now = Wall()
    wire = wired(now, bench(now, **habits), **options)
    for number in range(1, 6):
        wire.write(f"VOLT {number}")
        assert wire.query("VOLT?") == b"%d.0000" % number
