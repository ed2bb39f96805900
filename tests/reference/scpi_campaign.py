"""Messages made by rule and bytes made by nobody, by the million, asked of a simulated instrument.

As a program it prints what became of them: ``python tests/reference/scpi_campaign.py 1000000 1`` (messages, seed).
What a message must do is in ``scpi_messages``; bytes that follow no rule must leave the instrument answering, its
event bits those of the errors it reports, and its errors such as the standard has for a message that does not read.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field
from random import Random
from time import perf_counter

from scpi_instrument import IDENTITY, Instrument
from scpi_messages import Made, make

from sims.error_texts import ERROR_TEXTS
from sims.framing import BUFFER_BYTES
from sims.status import OPERATION_COMPLETE, QUEUE_LENGTH, event_bit
from sims.talk import Talker

RAW_SHARE = 0.25
"""One message in four is bytes that follow no rule."""

PIECES = (
    *(b":", b";", b",", b" ", b"?", b"\n", b"\r", b"\0", b"'", b'"', b"(", b")", b"(@", b"#", b"#0", b"#15", b"#9"),
    *(b"*", b"*IDN?", b"*ESE", b"*CLS", b"COUN", b"LAB", b"MEM:DATA", b"ROUT:CLOS", b"MEAS:VOLT?", b"OUTP2", b"1:3"),
    *(b"12", b"1E5", b"-.5", b"mV", b"MAX", b"#HFF", b"\xff", b"#216384", b"#516384"),
)

NEVER_FOR_TEXT = frozenset({-105, *range(-199, -179), *range(-220, -199), *range(-300, -223)})
"""Numbers that belong to triggers, macros, memories: nothing that is written can cause them here."""


@dataclass
class Counts:
    """Messages by outcome; ``wrong`` holds what was not as it must be, with enough to do it again."""

    outcomes: Counter[str] = field(default_factory=Counter)
    numbers: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    seconds: float = 0.0

    def table(self) -> str:
        """What became of them, a line each."""
        lines = [f"{count:9d}  {outcome}" for outcome, count in sorted(self.outcomes.items())]
        numbers = "  ".join(f"{number}: {count}" for number, count in sorted(self.numbers.items(), reverse=True))
        total = sum(self.outcomes.values())
        head = f"{total} messages in {self.seconds:.0f} s, {len(self.wrong)} not as they must be"
        return "\n".join([head, *lines, f"errors from bytes that follow no rule: {numbers}", *self.wrong[:20]])


def run(messages: int, seed: int) -> Counts:
    """The campaign; the same seed asks the same."""
    draw, counts, made = Random(seed), Counts(), Instrument()
    begun = perf_counter()
    for number in range(messages):
        if draw.random() < RAW_SHARE:
            outcome, wrong = raw(made, draw, counts.numbers)
        else:
            message = make(draw)
            outcome, wrong = message.kind, check(made, message)
        counts.outcomes[outcome] += 1
        if wrong:
            counts.wrong.append(f"seed {seed}, message {number}, {outcome}: {wrong}")
            made = Instrument()
    counts.seconds = perf_counter() - begun
    return counts


def check(made: Instrument, message: Made) -> str:
    """What is wrong with what the instrument did with a message made by rule; "" when nothing is."""
    status = made.engine.status
    status.clear()
    made.done.clear()
    reply = made.talker.feed(message.message if message.end else message.message + b"\n", end=message.end)
    found = [int(entry.partition(",")[0]) for entry in status.errors]
    bits = status.read_event_status() & ~OPERATION_COMPLETE
    wanted = [message.number] if message.number else []
    problems = [
        f"errors {found}, due {wanted}" if found != wanted else "",
        f"did {made.done}, due {message.done}" if tuple(made.done) != message.done else "",
        f"event bits {bits}" if bits != event_bit(message.number) else "",
        f"{reply!r} for {message.answers} answers" if not _answered(reply, message.answers) else "",
        "input left over" if made.talker.feed(b"*TST?\n") != b"0\n" else "",
    ]
    text = "; ".join(filter(None, problems))
    return f"{message.message!r}: {text}" if text else ""


def _answered(reply: bytes, answers: int) -> bool:
    # No answer of this instrument holds a separator, save a block's, which no message made by rule asks for.
    return reply.count(b"\n") == bool(answers) and (reply.count(b";") + 1 == answers if answers else not reply)


def raw(made: Instrument, draw: Random, numbers: Counter[int]) -> tuple[str, str]:
    """Bytes that follow no rule, cut anywhere; what became of them, and what was wrong."""
    data = _bytes(draw)
    status, talker = made.engine.status, made.engine.connect()
    status.clear()
    at = 0
    replies = b""
    while at < len(data):
        size = draw.choice((1, 3, 40, len(data)))
        replies += talker.feed(data[at : at + size])
        at += size
    replies += talker.feed(b" " * talker.due_bytes + b"\n")
    found = [int(entry.partition(",")[0]) for entry in status.errors]
    bits = status.event_status & ~OPERATION_COMPLETE
    numbers.update(found)
    outcome = "raw: " + ("no error" if not found else "error" if len(found) < QUEUE_LENGTH else "queue full")
    cleared = any(word in data.upper() for word in (b"*CLS", b"*ESR"))
    wrong = _sound(found, bits, cleared=cleared) or recover(talker)
    # An empty line is no answer, unless it is inside a block that was asked back.
    if replies and (not replies.endswith(b"\n") or (b"\n\n" in replies and b"#" not in replies)):
        wrong = f"replies {replies!r}"
    return outcome, f"{data!r}: {wrong}" if wrong else ""


def _sound(found: list[int], bits: int, *, cleared: bool) -> str:
    """Whether errors and event bits belong together and to what a text can be wrong in."""
    strange = [number for number in found if number not in ERROR_TEXTS or number in NEVER_FOR_TEXT]
    if strange:
        return f"errors {strange}"
    due = 0
    for number in found:
        due |= event_bit(number)
    # *CLS and *ESR? among the bytes may have cleared one or the other; a full queue has lost some.
    if not cleared and len(found) < QUEUE_LENGTH and bits != due:
        return f"event bits {bits} for errors {found}"
    return ""


def recover(talker: Talker) -> str:
    """Whether the session is in a state one can name: what it waits for given, it must answer the next message."""
    due = talker.due_bytes
    if not 0 <= due <= BUFFER_BYTES:
        return f"a block waits for {due} bytes"
    talker.feed(b" " * due + b"\n")
    if talker.due_bytes:
        return "a block still waits after its last byte"
    reply = talker.feed(b"*CLS\n*IDN?\n")
    if reply != f"{IDENTITY}\n".encode():
        return f"identity {reply!r}"
    reply = talker.feed(b"SYST:ERR?;*ESR?\n")
    return "" if reply == b'0,"No error";0\n' else f"after *CLS {reply!r}"


def _bytes(draw: Random) -> bytes:
    if draw.random() < 0.4:
        data = bytearray(make(draw).message + b"\n")
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(data))
            data[at : at + draw.randint(0, 2)] = draw.choice((b"", bytes([draw.randrange(256)]), draw.choice(PIECES)))
            data = data or bytearray(b"\n")
        return bytes(data)
    if draw.random() < 0.2:
        return draw.randbytes(draw.randint(1, 60))
    return b"".join(draw.choices(PIECES, k=draw.randint(1, 25)))


if __name__ == "__main__":
    result = run(int(sys.argv[1]), int(sys.argv[2]))
    print(result.table())
    raise SystemExit(1 if result.wrong else 0)
