"""A client of a simulated HiSLIP server, in memory: two channels of bytes, no sockets."""

from __future__ import annotations

from typing import Any

from sims.hislip import FIRST_ID, Kind, Message, Reader
from sims.hislip_server import HislipServer
from sims.line_manners import MESSAGES, Port, Session
from sims.local_key import LocalKey
from sims.manners import Manners
from sims.reply_manners import apply
from sims.talk import Command, Engine


class Instrument:
    """An instrument as a HiSLIP server wants it, on a clock that stands where it is put."""

    def __init__(self, **habits: Any) -> None:
        self.t = 0.0
        manners = Manners(**habits)
        self.engine = Engine(identity="A,B,C,D", commands=(Command("TEXT", ask=lambda: "x" * 100),))
        apply(self.engine, manners)
        self.key = LocalKey(self.engine)
        self._port = Port(self.engine, manners, key=self.key, restart=self.key.restart, now=lambda: self.t)

    def connect(self) -> Session:
        return self._port.connect(MESSAGES)

    def status_byte(self, *, message_available: bool) -> int:
        return self.engine.status_byte(message_available=message_available)

    def fault(self, number: int) -> None:
        self.engine.status.fault(number)

    def set_remote(self, remote: bool) -> None:
        self.key.remote = remote

    def errors(self) -> str:
        return self.engine.status.all_errors()


class Client:
    """A client's side of one session: what is said on either channel, and what came back."""

    def __init__(self, server: HislipServer) -> None:
        self.server = server
        self.sync, self.other = server.connect(), server.connect()
        self.number = 0
        self._id = FIRST_ID
        self._readers = {id(self.sync): Reader(), id(self.other): Reader()}

    def got(self, channel: Any) -> list[Message]:
        data = bytes(channel.out)
        channel.out.clear()
        return list(self._readers[id(channel)].feed(data))

    def say(self, channel: Any, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> list[Message]:
        channel.feed(Message(kind, control, parameter, payload).encoded())
        return self.got(channel)

    def open(self) -> Client:
        (first,) = self.say(self.sync, Kind.INITIALIZE, parameter=0x0100_7878, payload=b"hislip0")
        assert (first.kind, first.control, first.parameter >> 16) == (Kind.INITIALIZE_RESPONSE, 0, 0x0100)
        self.number = first.parameter & 0xFFFF
        (second,) = self.say(self.other, Kind.ASYNC_INITIALIZE, parameter=self.number)
        assert second.kind == Kind.ASYNC_INITIALIZE_RESPONSE
        return self

    def send(self, text: bytes, *, delivered: bool = True, end: bool = True) -> list[Message]:
        kind = Kind.DATA_END if end else Kind.DATA
        number, self._id = self._id, (self._id + 2) & 0xFFFF_FFFF
        return self.say(self.sync, kind, int(delivered), number, text)

    def ask(self, text: bytes) -> bytes:
        (reply,) = self.send(text)
        assert (reply.kind, reply.control, reply.parameter) == (Kind.DATA_END, 0, (self._id - 2) & 0xFFFF_FFFF)
        return reply.payload

    def clear(self) -> None:
        (first,) = self.say(self.other, Kind.ASYNC_DEVICE_CLEAR)
        assert (first.kind, first.control) == (Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, 0)
        (second,) = self.say(self.sync, Kind.DEVICE_CLEAR_COMPLETE)
        assert (second.kind, second.control) == (Kind.DEVICE_CLEAR_ACKNOWLEDGE, 0)
        self._id = FIRST_ID

    def lock(self, *, wait_ms: int = 0, key: bytes = b"") -> list[int]:
        return [one.control for one in self.say(self.other, Kind.ASYNC_LOCK, 1, wait_ms, key)]

    def release(self) -> list[int]:
        return [one.control for one in self.say(self.other, Kind.ASYNC_LOCK, 0)]

    def lock_info(self) -> tuple[int, int]:
        (told,) = self.say(self.other, Kind.ASYNC_LOCK_INFO)
        return told.control, told.parameter

    def status(self, *, delivered: bool) -> int:
        (told,) = self.say(self.other, Kind.ASYNC_STATUS_QUERY, int(delivered), self._id)
        assert told.kind == Kind.ASYNC_STATUS_RESPONSE
        return told.control


def served(**habits: Any) -> tuple[Instrument, HislipServer]:
    instrument = Instrument(**habits)
    return instrument, HislipServer(instrument, line_now=lambda: instrument.t)
