"""The message engine of a simulated instrument: bytes in, bytes out, no input or output of its own.

Source: IEEE 488.2-1992 (message exchange, common commands, status), SCPI-1999 volumes 1 and 2 (headers, compound
messages, error queue). What the standards leave open is settled as follows. After a command error (-100 to -199) the
rest of that program message is thrown away; after an execution error the next unit is carried out. Commands are
carried out one after the other and are complete when the next one is read, so ``*WAI`` has nothing to wait for. The
status registers and the error queue belong to the instrument, unfinished input to the session.

Not modelled: macros, triggers, overlapped commands, response times.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sims.exchange import Exchange
from sims.framing import Framer, Overrun
from sims.headers import Refusal
from sims.mandated import common_commands, mandated_commands
from sims.message import Command, Reader, Step, setting
from sims.program_data import Block, Boolean, ChannelList, Choice, Number, Text
from sims.status import Status

READ_MESSAGES = 512
"""Messages whose reading is remembered; a night asks the same few a quarter of a million times."""

JOINS = ("joined", "first", "last", "lines", "refused")
"""What becomes of several units in one message, see ``Engine.join``."""


def _nothing() -> None:
    return None


def _no_condition() -> int:
    return 0


def as_it_is(answer: str, command: Command) -> str:
    """The answer of a query undressed, as the standard has it."""
    return answer


class Engine:
    """One instrument's side of the talk. Sessions come from ``connect``.

    ``before`` is called ahead of every message (the bench brings its world up to now there); ``reset`` carries out
    ``*RST``; ``operation`` and ``questionable`` tell the condition registers.

    Four attributes say how the instrument departs from the standard; they may be set at any time:

    - ``dress``: makes of each answer of a query what is sent (units, quotes); gets the answer and its command
    - ``guard``: called ahead of each unit with its command and whether it is a query; raises Refusal to keep it from
      being carried out; None for none
    - ``join``: answers of one message are "joined" by ``;`` (the standard), only the "first" or the "last" is sent, or
      each on one of its "lines"; "refused": more than one unit in a message is error -103 and nothing is carried out
    - ``buffer_bytes``: what a message has beyond these is lost without a word; 0 for no such limit
    """

    def __init__(
        self,
        *,
        identity: str,
        commands: Sequence[Command],
        before: Callable[[], None] = _nothing,
        reset: Callable[[], None] = _nothing,
        operation: Callable[[], int] = _no_condition,
        questionable: Callable[[], int] = _no_condition,
    ) -> None:
        self.identity = identity
        self.status = Status()
        self.dress: Callable[[str, Command], str] = as_it_is
        self.guard: Callable[[Command, bool], None] | None = None
        self.join = "joined"
        self.buffer_bytes = 0
        self._before = before
        self._operation, self._questionable = operation, questionable
        self.heard: Callable[[], None] | None = None
        """Called with each message, whatever it says, before it is carried out; None for none."""
        self._answers: list[str] = []
        self._unread = False
        self._read: dict[bytes, tuple[Step, ...]] = {}
        common = common_commands(
            self.status,
            identity=lambda: self.identity,
            reset=reset,
            status_byte=lambda: self.status_byte(message_available=self._unread or bool(self._answers)),
        )
        self._reader = Reader(common=common, commands=(*mandated_commands(self.status, follow=self._follow), *commands))

    def add(self, *commands: Command) -> None:
        """More commands for this instrument. Raises ValueError when a spelling of one is taken."""
        for command in commands:
            self._reader.add(command)
        self._read.clear()

    @property
    def headers(self) -> tuple[str, ...]:
        """Every spelling of every header it knows, in capitals and without numeric suffixes."""
        return self._reader.accepted

    @property
    def exponents(self) -> bool:
        """False: a number with an exponent is error -121, as of an instrument that knows plain numbers only."""
        return self._reader.exponents

    @exponents.setter
    def exponents(self, wanted: bool) -> None:
        self._reader.exponents = wanted
        self._read.clear()

    def connect(self) -> Talker:
        """A new client's session."""
        return Talker(self)

    def handle(self, message: bytes, *, unread: bool = False) -> bytes:
        """Carry out one program message without its terminator; the response message with one, or b"".

        ``unread`` tells that an earlier response still waits in this session, which counts as message available.
        """
        self._before()
        if self.heard is not None:
            self.heard()
        if self.buffer_bytes and len(message) > self.buffer_bytes:
            message = message[: self.buffer_bytes]
        steps = self._read.get(message) or self._remember(message)
        self._unread = unread
        answers = self._answers = []
        guard, dress = self.guard, self.dress
        if len(steps) > 1 and self.join == "refused":
            self.status.fault(-103)
            steps = ()
        for act, command, query in steps:
            try:
                if guard is not None and command is not None:
                    guard(command, query)
                answer = act()
            except Refusal as refusal:
                self.status.fault(refusal.number, refusal.detail)
            else:
                if answer is not None and command is not None:
                    answers.append(dress(answer, command))
        self._follow()
        if len(answers) == 1:
            return (answers[0] + "\n").encode("latin-1")
        return self.joined(answers) if answers else b""

    def joined(self, answers: Sequence[str]) -> bytes:
        """The response message made of the answers of one program message, at least one."""
        if self.join == "first":
            answers = answers[:1]
        elif self.join == "last":
            answers = answers[-1:]
        return (("\n" if self.join == "lines" else ";").join(answers) + "\n").encode("latin-1")

    def status_byte(self, *, message_available: bool) -> int:
        """The status byte, master summary in bit 6; ``message_available`` is what the asking session has waiting."""
        self._follow()
        return self.status.byte(message_available=message_available)

    def _remember(self, message: bytes) -> tuple[Step, ...]:
        if len(self._read) >= READ_MESSAGES:
            self._read.clear()
        steps = self._read[message] = self._reader.read(message)
        return steps

    def _follow(self) -> None:
        self.status.operation.follow(self._operation())
        self.status.questionable.follow(self._questionable())


class Talker:
    """A client's session on a byte stream. Responses are pushed as they arise, so none can stay unread."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._framer = Framer()
        self._open = True

    def feed(self, data: bytes, *, end: bool = False) -> bytes:
        """Take bytes from the client; what comes back now, b"" if nothing.

        ``end``: the link has an END signal and it came with the last byte. Raises ConnectionError when the session was
        hung up.
        """
        if not self._open:
            raise ConnectionError("the session was hung up")
        engine, replies = self._engine, b""
        for message in self._framer.feed(data, end=end):
            if isinstance(message, Overrun):
                engine.status.fault(-363)
            else:
                replies += engine.handle(message)
        return replies

    @property
    def due_bytes(self) -> int:
        """How many bytes an unfinished block of the input still waits for, before which nothing ends a message."""
        return self._framer.due_bytes

    def clear(self) -> None:
        """Device clear: unfinished input is forgotten, settings, status and errors stay."""
        self._framer = Framer()

    def hang_up(self) -> None:
        """End the session; unfinished input is forgotten, the instrument's settings stay."""
        self._open = False
        self._framer = Framer()


__all__ = [
    "JOINS",
    "Block",
    "Boolean",
    "ChannelList",
    "Choice",
    "Command",
    "Engine",
    "Exchange",
    "Number",
    "Refusal",
    "Talker",
    "Text",
    "setting",
]
