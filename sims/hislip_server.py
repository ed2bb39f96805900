"""A HiSLIP server for one instrument, of bytes only: connections become channels, two channels a client.

Source: IVI-6.1, initialization: the first connection says Initialize and gets a session number, the second says
AsyncInitialize with that number. Sub-addresses are not told apart: there is one instrument.

Not modelled: vendor-defined messages, encryption, service requests; what ``sims/hislip_session.py`` names.
"""

from __future__ import annotations

from collections.abc import Callable

from sims.hislip import BadHeader, ErrorCode, FatalCode, Kind, Message, Reader
from sims.hislip_locks import Locks
from sims.hislip_session import Instrument, Session
from sims.line_manners import Busy

PROTOCOL_VERSION = 0x0100
"""Revision 1.0."""

VENDOR = int.from_bytes(b"NB", "big")
"""Two letters of the server's maker; ours are not registered."""

LARGEST_NUMBER = 0xFFFF

LOCK_RELEASE, LOCK_REQUEST = 0, 1


class Channel:
    """One connection. What is to be sent stands in ``out``; ``ends`` tells to hang up once that is sent."""

    def __init__(self, server: HislipServer) -> None:
        self._server = server
        self._reader = Reader()
        self.out = bytearray()
        self.ends = False
        self.session: Session | None = None
        self.is_async = False
        self.peer: Channel | None = None

    def feed(self, data: bytes) -> None:
        """Take bytes from the client."""
        try:
            for message in self._reader.feed(data):
                self._take(message)
                if self.ends:
                    return
        except BadHeader as error:
            self.fatal(FatalCode.BAD_HEADER, str(error))
        except ConnectionError:
            self.end()

    def send(self, message: Message) -> None:
        """Put a message behind what is to be sent."""
        self.out += message.encoded()

    def fatal(self, code: FatalCode, why: str) -> None:
        """Say why, and hang up on both channels."""
        self.send(Message(Kind.FATAL_ERROR, code, payload=why.encode("ascii", "replace")))
        self.end()

    def end(self) -> None:
        """Hang up on both channels, what is due sent before."""
        for one in (self, self.peer):
            if one is not None:
                one.ends = True

    def gone(self) -> None:
        """The client has hung up on this connection, which ends the session."""
        self.end()
        self._server.forget(self)

    def _take(self, message: Message) -> None:
        if self.session is None:
            self._server.initialise(self, message)
        elif self.peer is None:
            self.fatal(FatalCode.NO_SECOND_CHANNEL, "the asynchronous channel is not there yet")
        elif not self.is_async:
            self.session.sync(message)
        elif message.kind in (Kind.ASYNC_LOCK, Kind.ASYNC_LOCK_INFO):
            self._server.lock(self, message)
        else:
            self.session.asynchronous(message)


class HislipServer:
    """``line_now`` is the clock of the time-outs of lock requests and of delayed replies, s."""

    def __init__(self, instrument: Instrument, *, line_now: Callable[[], float]) -> None:
        self._instrument, self._line_now = instrument, line_now
        self._locks = Locks()
        self._sync: dict[int, Channel] = {}
        self._numbers = 0

    def connect(self) -> Channel:
        """A new connection."""
        return Channel(self)

    def initialise(self, channel: Channel, message: Message) -> None:
        """Make a channel of a connection that has said its first message."""
        if message.kind == Kind.INITIALIZE:
            self._first(channel)
        elif message.kind == Kind.ASYNC_INITIALIZE:
            self._second(channel, message.parameter)
        else:
            channel.fatal(FatalCode.BAD_INITIALIZATION, "Initialize or AsyncInitialize comes first")

    def _first(self, channel: Channel) -> None:
        number = self._free_number()
        try:
            session = Session(
                self._instrument,
                send=channel.send,
                send_async=lambda message: channel.peer.send(message) if channel.peer is not None else None,
                may_talk=lambda: self._locks.may_talk(session),
            )
        except Busy as busy:
            channel.fatal(FatalCode.TOO_MANY_CLIENTS, str(busy))
            return
        channel.session = session
        self._sync[number] = channel
        channel.send(Message(Kind.INITIALIZE_RESPONSE, parameter=PROTOCOL_VERSION << 16 | number))

    def _second(self, channel: Channel, number: int) -> None:
        first = self._sync.get(number)
        if first is None or first.peer is not None:
            channel.fatal(
                FatalCode.BAD_INITIALIZATION, f"there is no session {number} that waits for its second channel"
            )
            return
        first.peer, channel.peer = channel, first
        channel.session, channel.is_async = first.session, True
        channel.send(Message(Kind.ASYNC_INITIALIZE_RESPONSE, parameter=VENDOR))

    def _free_number(self) -> int:
        while True:
            self._numbers = (self._numbers + 1) & LARGEST_NUMBER
            if self._numbers not in self._sync:
                return self._numbers

    def forget(self, channel: Channel) -> None:
        """The client of this channel is gone: its session, its locks."""
        session = channel.session
        if session is None:
            return
        self._sync = {number: one for number, one in self._sync.items() if one.session is not session}
        session.hang_up()
        self._locks.forget(session)
        self._go_on()

    def lock(self, channel: Channel, message: Message) -> None:
        """Carry out AsyncLock and AsyncLockInfo."""
        session = channel.session
        if message.kind == Kind.ASYNC_LOCK_INFO:
            exclusive, holders = self._locks.info()
            channel.send(Message(Kind.ASYNC_LOCK_INFO_RESPONSE, int(exclusive), holders))
        elif message.control == LOCK_REQUEST:
            now_s = self._line_now()
            self._locks.request(
                session,
                message.payload,
                until_s=now_s + message.parameter / 1000.0,
                now_s=now_s,
                answer=lambda code: channel.send(Message(Kind.ASYNC_LOCK_RESPONSE, code)),
            )
        elif message.control == LOCK_RELEASE:
            channel.send(Message(Kind.ASYNC_LOCK_RESPONSE, self._locks.release(session)))
            self._go_on()
        else:
            channel.send(Message(Kind.ERROR, ErrorCode.UNKNOWN_CONTROL, payload=b"a lock is requested or released"))

    # -- what happens without a message --------------------------------------------------------------------------------

    @property
    def due_s(self) -> float | None:
        """When to ``look`` next, s on the line's clock."""
        dues = [one.session.due_s for one in self._sync.values() if one.session is not None]
        return min((due for due in (*dues, self._locks.due_s) if due is not None), default=None)

    def look(self) -> None:
        """Send late replies, give up requests of locks, hang up where the instrument has."""
        self._locks.look(now_s=self._line_now())
        for channel in list(self._sync.values()):
            session = channel.session
            if session is None or not session.is_open:
                channel.end()
                continue
            session.look()

    def _go_on(self) -> None:
        for channel in list(self._sync.values()):
            if channel.session is None:
                continue
            try:
                channel.session.go_on()
            except ConnectionError:
                channel.end()
