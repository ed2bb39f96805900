"""The message engine of a simulated instrument: bytes in, bytes out, no input or output of its own.

Source: IEEE 488.2-1992 (message exchange, common commands, status), SCPI-1999 volumes 1 and 2 (headers, compound
messages, error queue). What the standards leave open is settled as follows. After a command error (-100 to -199) the
rest of that program message is thrown away; after an execution error the next unit is carried out. Commands are
carried out one after the other and are complete when the next one is read, so ``*WAI`` has nothing to wait for. The
status registers and the error queue belong to the instrument, unfinished input to the session.

Not modelled: macros, ``*SAV``/``*RCL``, triggers, local lock-out, overlapped commands, response times.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from sims.framing import Framer, Overrun
from sims.headers import Refusal
from sims.message import Command, Reader, Step, setting
from sims.program_data import Boolean, Choice, Number
from sims.status import OPERATION_COMPLETE, RegisterSet, Status

SCPI_VERSION = "1999.0"

READ_MESSAGES = 512
"""Messages whose reading is remembered; a night asks the same few a quarter of a million times."""


def _nothing() -> None:
    return None


def _no_condition() -> int:
    return 0


class Engine:
    """One instrument's side of the talk. Sessions come from ``connect``.

    ``before`` is called ahead of every message (the bench brings its world up to now there); ``reset`` carries out
    ``*RST``; ``operation`` and ``questionable`` tell the condition registers.
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
        self._before, self._reset = before, reset
        self._operation, self._questionable = operation, questionable
        self._answers: list[str] = []
        self._unread = False
        self._read: dict[bytes, tuple[Step, ...]] = {}
        self._reader = Reader(common=self._common_commands(), commands=(*self._mandated_commands(), *commands))

    def connect(self) -> Talker:
        """A new client's session."""
        return Talker(self)

    def handle(self, message: bytes, *, unread: bool = False) -> bytes:
        """Carry out one program message without its terminator; the response message with one, or b"".

        ``unread`` tells that an earlier response still waits in this session, which counts as message available.
        """
        self._before()
        steps = self._read.get(message)
        if steps is None:
            if len(self._read) >= READ_MESSAGES:
                self._read.clear()
            steps = self._read[message] = self._reader.read(message)
        self._unread = unread
        answers = self._answers = []
        for step in steps:
            try:
                answer = step()
            except Refusal as refusal:
                self.status.fault(refusal.number, refusal.detail)
            else:
                if answer is not None:
                    answers.append(answer)
        self._follow()
        return (";".join(answers) + "\n").encode("ascii") if answers else b""

    def _follow(self) -> None:
        self.status.operation.follow(self._operation())
        self.status.questionable.follow(self._questionable())

    # What every instrument understands.

    def _common_commands(self) -> tuple[Command, ...]:
        status, byte = self.status, Number(0, 255, 0, step=1)
        return (
            Command("*CLS", set=status.clear),
            Command("*ESE", set=self._put_event_enable, ask=lambda: str(status.event_enable), data=(byte,)),
            Command("*ESR", ask=lambda: str(status.read_event_status())),
            Command("*IDN", ask=lambda: self.identity),
            Command("*OPC", set=self._complete, ask=lambda: "1"),
            Command("*RST", set=self._reset),
            Command("*SRE", set=self._put_request_enable, ask=lambda: str(status.request_enable), data=(byte,)),
            Command("*STB", ask=self._status_byte),
            Command("*TST", ask=lambda: "0"),
            Command("*WAI", set=_nothing),
        )

    def _mandated_commands(self) -> tuple[Command, ...]:
        status = self.status
        return (
            Command("SYSTem:ERRor[:NEXT]", ask=status.next_error),
            Command("SYSTem:ERRor:ALL", ask=status.all_errors),
            Command("SYSTem:ERRor:COUNt", ask=lambda: str(len(status.errors))),
            Command("SYSTem:VERSion", ask=lambda: SCPI_VERSION),
            Command("STATus:PRESet", set=self._preset),
            *self._register_commands("STATus:OPERation", status.operation),
            *self._register_commands("STATus:QUEStionable", status.questionable),
        )

    def _register_commands(self, header: str, register: RegisterSet) -> tuple[Command, ...]:
        def condition() -> str:
            self._follow()
            return str(register.condition)

        def event() -> str:
            self._follow()
            return str(register.read_event())

        def mask(name: str, attribute: str) -> Command:
            return Command(
                f"{header}:{name}",
                set=lambda value: setattr(register, attribute, int(value) & 32767),
                ask=lambda: str(getattr(register, attribute)),
                data=(Number(0, 65535, 0, step=1),),
            )

        return (
            Command(f"{header}[:EVENt]", ask=event),
            Command(f"{header}:CONDition", ask=condition),
            mask("ENABle", "enable"),
            mask("PTRansition", "rise"),
            mask("NTRansition", "fall"),
        )

    def _preset(self) -> None:
        self.status.operation.preset()
        self.status.questionable.preset()

    def _put_event_enable(self, value: float) -> None:
        self.status.event_enable = int(value)

    def _put_request_enable(self, value: float) -> None:
        # Bit 6 cannot ask for service because of itself.
        self.status.request_enable = int(value) & ~64

    def _complete(self) -> None:
        self.status.event_status |= OPERATION_COMPLETE

    def _status_byte(self) -> str:
        self._follow()
        return str(self.status.byte(message_available=self._unread or bool(self._answers)))


class Talker:
    """A client's session on a byte stream. Responses are pushed as they arise, so none can stay unread."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._framer = Framer()
        self._open = True

    def feed(self, data: bytes) -> bytes:
        """Take bytes from the client; what comes back now, b"" if nothing.

        Raises ConnectionError when the session was hung up.
        """
        if not self._open:
            raise ConnectionError("the session was hung up")
        engine, replies = self._engine, b""
        for message in self._framer.feed(data):
            if isinstance(message, Overrun):
                engine.status.fault(-363)
            else:
                replies += engine.handle(message)
        return replies

    def hang_up(self) -> None:
        """End the session; unfinished input is forgotten, the instrument's settings stay."""
        self._open = False
        self._framer = Framer()


class Exchange:
    """A session on a link with separate writes and reads (IEEE 488.2-1992 chapter 6, message exchange control).

    Here a client can break the protocol: a new message while a response waits throws the response away (-410); a
    read with nothing asked finds nothing and is an error (-420).
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._framer = Framer()
        self._response = b""

    def write(self, data: bytes) -> None:
        """Take bytes of program messages."""
        for message in self._framer.feed(data):
            if self._response:
                self._response = b""
                self._engine.status.fault(-410)
            if isinstance(message, Overrun):
                self._engine.status.fault(-363)
            else:
                self._response = self._engine.handle(message)

    def read(self) -> bytes:
        """The response message; b"" and error -420 when none is due."""
        response, self._response = self._response, b""
        if not response:
            self._engine.status.fault(-420)
        return response


__all__ = ["Boolean", "Choice", "Command", "Engine", "Exchange", "Number", "Refusal", "Talker", "setting"]
