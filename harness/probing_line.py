"""How an instrument ends its lines and what else its port needs, found out with questions only.

Nothing here knows a dialect. Each figure found is one under which the instrument did answer, on the safe side: a pause
that was long enough, a length that was not cut.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from drivers.dialect_checks import LONGEST_BOOT_S
from drivers.raw_line import LONG_QUIET_S, RawLine

LISTEN_S = 0.3
"""How long an instrument may say something by itself after its line was opened, s (judgement)."""

CAUTIOUS_S = 0.3
"""Pause before each message while it is not known which it needs, s (judgement)."""

ENDS = (b"\n", b"\n", b"\n", b"\r\n", b"\r\n", b"\r", b"\r")
"""Ends of a message, the commonest first and more often, since a device that restarts when its port is opened is deaf
for a while. One that is not heard leaves half a message behind, hence each twice."""

GAP_S = 0.05
"""Silence that ends a reply without an end of its own, s: five characters at 1200 bit/s (judgement)."""

PACES_S = (0.0, 0.02, 0.05, 0.1, 0.2, 0.5)
LENGTHS = (120, 100, 80, 64, 56, 48, 40, 36, 32, 28, 24, 20, 16, 12, 8)
"""Pauses between messages and lengths of one that are tried, in this order."""

DONE, STATUS = "*OPC?", "*STB?"


class NoAnswer(Exception):
    """Nothing came back, whatever the end of the message was."""


@dataclass(slots=True)
class LineManners:
    """What was found. ``hears`` ends a message, ``ends`` a reply; times in s."""

    identity_ask: str = "*IDN?"
    hears: bytes = b"\n"
    ends: bytes = b""
    echo: bool = False
    banner: bytes = b""
    extra_lines: bool = False
    """One question is answered with more than one line."""
    sentence: bytes = b""
    """What every question is answered with, when all get the same."""
    boot_s: float = 0.0
    """How long after the opening it surely hears."""
    pace_s: float = 0.0
    message_bytes: int = 0
    joined: bool = False
    """Two questions in one message are answered in one line, joined by a semicolon."""
    notes: list[str] = field(default_factory=list)

    @property
    def gap_s(self) -> float | None:
        """The silence that ends a reply, where the end of a message is not also the end of a reply."""
        return None if self.hears in self.ends else GAP_S


class Asker:
    """Asks by the manners found so far and takes echo, ends and padding off the replies."""

    def __init__(self, line: RawLine, manners: LineManners) -> None:
        self.line = line
        self.manners = manners
        self.patience_s = line.wire.timeout_s

    def ask(
        self,
        *messages: str,
        patience_s: float | None = None,
        pause_s: float = 0.0,
        enough: Callable[[bytes], bool] | None = None,
    ) -> list[bytes]:
        """The lines that came back, echo left out; none is silence. Raises ``Lost``."""
        manners = self.manners
        if manners.pace_s:
            self.line.pause(manners.pace_s)
        raw = self.line.ask(
            *messages,
            end=manners.hears,
            patience_s=self.patience_s if patience_s is None else patience_s,
            line_end=manners.ends,
            quiet_s=LONG_QUIET_S if manners.ends else GAP_S,
            pause_s=pause_s,
            enough=enough or answers_to(*messages),
        )
        lines = lines_of(raw)
        return _without_echo(lines, messages) if manners.echo else lines

    def introduction(self, enough: Callable[[bytes], bool] | None = None) -> list[bytes]:
        """The answer to the identity question that was found."""
        return self.ask(self.manners.identity_ask, enough=enough)


def _without_echo(lines: list[bytes], messages: tuple[str, ...]) -> list[bytes]:
    """An echo stands on a line of its own, or behind an answer that had no end and came late."""
    for echo in (message.encode() for message in messages):
        for number, line in enumerate(lines):
            if line.endswith(echo):
                rest = line.removesuffix(echo)
                lines = [*lines[:number], *([rest] if rest else []), *lines[number + 1 :]]
                break
    return lines


def answers_to(*messages: str) -> Callable[[bytes], bool]:
    """Tells whether what came is more than an echo: the reply behind it may be late."""
    asked = {message.encode() for message in messages}
    return lambda came: any(line not in asked for line in lines_of(came))


def lines_of(raw: bytes) -> list[bytes]:
    """What stands between line ends and NULs, empty lines left out."""
    return [line for line in raw.replace(b"\r", b"\n").replace(b"\0", b"\n").split(b"\n") if line.strip()]


def ending(raw: bytes) -> bytes:
    """The line end and padding behind the last line."""
    return raw[len(raw.rstrip(b"\r\n\0")) :]


def learn(line: RawLine, manners: LineManners, *, asks: Sequence[str]) -> bytes:
    """Open the line and find its manners; returns the identity. ``asks``: identity questions, tried in this order.

    Raises ``NoAnswer``, and ``Lost`` or ``Timeout`` of the wire.
    """
    manners.pace_s = CAUTIOUS_S
    manners.banner = line.open(listen_s=LISTEN_S)
    stream = not line.wire.framed
    raw = _first_answer(line, manners, ENDS if stream else ENDS[:1], asks)
    manners.echo = manners.identity_ask.encode() in lines_of(raw)
    manners.ends = ending(raw)
    asker = Asker(line, manners)
    answers = asker.introduction()
    if not answers:
        raise NoAnswer(f"it answered {raw!r} and then no more")
    identity = next((one for one in answers if one.count(b",") >= 2), answers[0])
    manners.extra_lines = len(answers) > 1
    if _one_sentence(asker, answers):
        manners.sentence = identity
        return identity
    manners.joined = _joined(asker, identity)
    if stream:
        manners.message_bytes = _longest(asker, identity)
    # A line that frames messages holds one question at a time, and needs no pause.
    manners.pace_s = _pace(asker, identity) if stream else 0.0
    return identity


def _first_answer(line: RawLine, manners: LineManners, ends: Sequence[bytes], asks: Sequence[str]) -> bytes:
    last = b""
    for question in asks:
        answered = answers_to(question)

        def ask(end: bytes, question: str = question, answered: Callable[[bytes], bool] = answered) -> bytes:
            line.pause(manners.pace_s)
            return line.ask(question, end=end, patience_s=line.wire.timeout_s, enough=answered)

        waited_s = LISTEN_S + manners.pace_s
        for number, end in enumerate(ends):
            last = ask(end) or last
            # What comes once may be a banner that was late, or the end of something older.
            if not answered(last) or not answered(again := ask(end)):
                continue
            manners.hears, manners.identity_ask = end, question
            # Questions before the one that was answered were not heard: the opening restarts it.
            unheard = number + (lines_of(again)[-1] not in lines_of(last))
            if unheard and end == ends[0]:
                manners.boot_s = min(
                    LONGEST_BOOT_S, round(waited_s + unheard * (line.wire.timeout_s + manners.pace_s), 1)
                )
            return _shorter(ask, answered, manners) or again if end == b"\r\n" else again
        line.clear()  # some are stuck after a question they do not know
    raise NoAnswer(f"it says {last!r} and nothing more" if last else "nothing came back")


def _shorter(ask: Callable[[bytes], bytes], answered: Callable[[bytes], bool], manners: LineManners) -> bytes:
    """Heard when a message ends with CR LF: perhaps at the CR already. Leaves no half message behind."""
    if answered(ask(b"\r")) and answered(again := ask(b"\r")):
        manners.hears = b"\r"
        return again
    ask(b"\r\n")
    return ask(b"\r\n")


def _one_sentence(asker: Asker, answers: list[bytes]) -> bool:
    others = [asker.ask(message) for message in (DONE, STATUS)]
    return all(other[:1] == answers[:1] for other in others)


def _pace(asker: Asker, identity: bytes) -> float:
    question = asker.manners.identity_ask
    for pause_s in PACES_S:
        answers = asker.ask(question, question, pause_s=pause_s, enough=lambda came: came.count(identity) >= 2)
        if b"".join(answers).count(identity) >= 2:
            return pause_s
        asker.introduction()  # whatever is left of the two is passed by now
    asker.manners.notes.append(f"two questions {PACES_S[-1]:g} s apart are not both answered")
    return PACES_S[-1]


def _longest(asker: Asker, identity: bytes) -> int:
    """Most bytes of a message, its end among them, that are surely taken; 0 when none of those tried was cut."""
    for length in LENGTHS:
        # White space before a header means nothing (IEEE 488.2 7.4.1.2), and cut anywhere this sets nothing.
        if identity in asker.ask(asker.manners.identity_ask.rjust(length)):
            return 0 if length == LENGTHS[0] else length + len(asker.manners.hears)
    asker.manners.notes.append("a message with white space before it is not answered: its longest is not known")
    return 0


def _joined(asker: Asker, identity: bytes) -> bool:
    answers = asker.ask(f"{DONE};{asker.manners.identity_ask}")
    return len(answers) == 1 and answers[0].endswith(b";" + identity)
