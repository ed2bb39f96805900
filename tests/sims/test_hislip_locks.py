"""Locks of HiSLIP (IVI-6.1, section 6.5), and clients that are hung up on."""

from __future__ import annotations

from hislip_client import Client, served

from sims.hislip_locks import FAILURE, NOT_HELD, SUCCESS, SUCCESS_SHARED


def test_the_exclusive_lock_shuts_others_out_until_it_is_released() -> None:
    instrument, server = served()
    one, other = Client(server).open(), Client(server).open()
    assert one.lock() == [SUCCESS]
    assert one.lock_info() == other.lock_info() == (1, 1)
    assert other.lock() == [FAILURE]
    assert other.send(b"*ESE 5") == []
    assert other.send(b"*ESE?") == [], "it waits"
    assert one.ask(b"*ESE?") == b"0\n"
    assert other.lock(wait_ms=500) == []
    assert server.due_s == 0.5
    instrument.t = 0.5
    server.look()
    assert [m.control for m in other.got(other.other)] == [FAILURE]
    assert one.release() == [SUCCESS]
    (reply,) = other.got(other.sync)
    assert reply.payload == b"5\n"
    assert one.release() == [NOT_HELD]
    assert one.lock_info() == (0, 0)


def test_whoever_waits_gets_the_lock_when_it_is_free() -> None:
    _, server = served()
    one, other = Client(server).open(), Client(server).open()
    one.lock()
    assert other.lock(wait_ms=10_000) == []
    one.other.gone()
    assert [m.control for m in other.got(other.other)] == [SUCCESS], "the client that held it is gone"
    assert other.lock_info() == (1, 1)


def test_a_shared_lock() -> None:
    _, server = served()
    one, other, third = (Client(server).open() for _ in range(3))
    assert one.lock(key=b"rig") == other.lock(key=b"rig") == [SUCCESS]
    assert third.lock(key=b"mine") == third.lock() == [FAILURE]
    assert one.lock_info() == (0, 2)
    assert one.ask(b"*OPC?") == other.ask(b"*OPC?") == b"1\n"
    assert third.send(b"*OPC?") == []
    assert one.lock() == [SUCCESS], "a holder of the shared lock may have the exclusive one beside it"
    assert other.send(b"*OPC?") == []
    assert one.release() == [SUCCESS]
    assert [m.payload for m in other.got(other.sync)] == [b"1\n"]
    assert one.release() == other.release() == [SUCCESS_SHARED]
    assert [m.payload for m in third.got(third.sync)] == [b"1\n"]


def test_who_sends_without_end_at_a_lock_is_hung_up_on() -> None:
    _, server = served()
    one, other = Client(server).open(), Client(server).open()
    one.lock()
    for _ in range(257):
        other.send(b"*OPC?")
    assert other.sync.ends


def test_an_idle_client_is_hung_up_on() -> None:
    instrument, server = served(idle_drop_s=3.0)
    client = Client(server).open()
    instrument.t = 3.0
    server.look()
    assert client.sync.ends
    assert client.other.ends
