"""Questions put one at a time to an instrument whose line is known, each with what its error queue says of it.

An unknown question is met with silence. Waiting out the whole deadline each time would take minutes; so after a short
wait the identity is asked, and what comes before its answer was the reply: instruments answer in the order in which
they are asked. What the error queue then does not call refused is asked once more, with patience.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from drivers.faults import Unreadable
from drivers.scpi import InstrumentError, instrument_error
from harness.probing_line import Asker, lines_of

PATIENCE_S = 0.1
"""How long a reply is waited for before the identity is asked, s (judgement)."""

QUEUE_BOUND = 32
"""Most entries read from an error queue."""

INTERRUPTED = -410
"""A question came before the reply to the one before it was read (SCPI-1999 21.8.12); the reply is lost."""


class OutOfStep(Exception):
    """The instrument does not answer any more as it did at first."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of one question. ``lines`` is empty when nothing came; ``errors`` is what the queue had then."""

    lines: tuple[bytes, ...] = ()
    errors: tuple[InstrumentError, ...] = ()
    late: bool = False

    @property
    def raw(self) -> bytes | None:
        """The reply, without its end."""
        return self.lines[0] if self.lines else None


@dataclass(slots=True)
class Questions:
    """Asks each question once. ``errors_ask`` is "" where there is no error queue."""

    asker: Asker
    identity: bytes
    errors_ask: str = ""
    old_errors: tuple[InstrumentError, ...] = ()
    stop: Callable[[], bool] = lambda: False
    endless: bool = False
    """The error queue still had entries after ``QUEUE_BOUND`` of them."""
    answers: dict[str, Answer] = field(default_factory=dict)

    def find_error_queue(self, candidates: tuple[str, ...]) -> None:
        """The first question that is answered as an error queue does; entries from before are kept apart."""
        for question in candidates:
            reply = self._lines(question)[0]
            if not reply:
                continue
            try:
                first = instrument_error(reply[0])
            except Unreadable:
                continue
            self.errors_ask = question
            self.old_errors = () if first is None else (first, *self._errors())
            return

    def ask(self, question: str) -> Answer:
        """The answer, from the first time it was asked. Raises ``OutOfStep`` and ``Lost``."""
        if question not in self.answers:
            self.answers[question] = self._ask(question)
        return self.answers[question]

    def _ask(self, question: str) -> Answer:
        if self.stop():
            raise OutOfStep("the time for it was used up")
        lines, late = self._lines(question)
        errors = self._errors() if self.errors_ask and not self.endless else ()
        refused = any(error.code != INTERRUPTED for error in errors)
        if not lines and self.errors_ask and not refused:
            # Neither answered nor refused: it was not waited for long enough.
            lines, late = self.asker.ask(question), True
            errors = self._errors()
        return Answer(tuple(lines), errors, late)

    def _lines(self, question: str) -> tuple[list[bytes], bool]:
        # On a line with whole messages a reply that is not waited for is gone.
        hurried = self.errors_ask or not self.asker.line.wire.framed
        lines = self.asker.ask(question, patience_s=PATIENCE_S if hurried else None)
        if lines:
            return lines, False
        identity = self.identity
        came = self.asker.introduction(lambda raw: identity in raw)
        before = came[: came.index(identity)] if identity in came else self._back_in_step(came)
        # What came in the pause before the identity was asked.
        meanwhile = [line for line in lines_of(self.asker.line.heard[-1].unasked) if line != question.encode()]
        late = meanwhile + before
        return late, bool(late)

    def _back_in_step(self, came: list[bytes]) -> list[bytes]:
        """Without ends of lines two replies run together; with a line still full of replies, ask once more."""
        together = b"".join(came)
        if together.endswith(self.identity):
            return [rest] if (rest := together.removesuffix(self.identity)) else []
        # Some are stuck after a question they do not know, until they are cleared.
        self.asker.line.clear()
        for _ in range(2):
            if self.identity in self.asker.introduction(lambda raw: self.identity in raw):
                return []
        raise OutOfStep("it does not say who it is any more as it did at first")

    def _errors(self) -> tuple[InstrumentError, ...]:
        found: list[InstrumentError] = []
        while len(found) < QUEUE_BOUND:
            reply = self.asker.ask(self.errors_ask)
            try:
                entry = instrument_error(reply[0]) if reply else None
            except Unreadable:
                entry = None
            if entry is None:
                return tuple(found)
            found.append(entry)
        self.endless = True
        return tuple(found)
