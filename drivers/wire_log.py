"""A recorded line in the place of an instrument: the same answers, failures and all, to the same messages in order."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NoReturn, Protocol

from drivers.wire import CALL_DEADLINE_S, CLEARED, NOT_SENT, Exchange, Wire
from drivers.wire_errors import NO_ANSWER


class ExchangeLike(Protocol):
    """One recorded exchange, as ``drivers.wire.Exchange``."""

    @property
    def name(self) -> str: ...
    @property
    def sent(self) -> bytes: ...
    @property
    def received(self) -> bytes | None: ...
    @property
    def error(self) -> str | None: ...


@dataclass(frozen=True, slots=True)
class Difference:
    """The first message that is not the recorded one. ``number`` counts this instrument's exchanges from 1;
    ``expected`` is ``None`` behind the end of the record."""

    number: int
    sent: bytes
    expected: bytes | None


class ReplayWire(Wire):
    """``record`` may hold several instruments; those of ``name`` are played. ``pass_time(seconds)`` lets time pass
    where a reply was waited for in vain.

    A message that is not the next one in the record is ``Lost``, with both, and nothing is answered any more from
    there on; ``difference`` then holds it. Echo, pauses and gaps are not in a record: it holds what came of them.
    """

    framed = True

    def __init__(
        self,
        record: Iterable[ExchangeLike],
        *,
        name: str,
        address: str = "record",
        pass_time: Callable[[float], None] = lambda seconds: None,
        tap: Callable[[Exchange], None] | None = None,
        timeout_s: float = CALL_DEADLINE_S,
        terminator: bytes = b"\n",
    ) -> None:
        super().__init__(name=name, address=address, tap=tap, timeout_s=timeout_s, terminator=terminator)
        self._record = (one for one in record if one.name == name)
        self._pass_time = pass_time
        self._ahead: ExchangeLike | None = None
        self._now: ExchangeLike | None = None
        self._again = False
        self.played = 0
        self.difference: Difference | None = None

    @property
    def ended(self) -> bool:
        """Whether the whole record was played."""
        return self._next() is None

    def _next(self) -> ExchangeLike | None:
        if self._ahead is None:
            self._ahead = next(self._record, None)
        return self._ahead

    def _take(self) -> ExchangeLike | None:
        one, self._ahead = self._next(), None
        self.played += one is not None
        return one

    def _open(self) -> None:
        if self.difference is not None:
            raise ConnectionError(_words(self.difference))
        one = self._next()
        if one is not None and not one.sent and one.error is not None:
            self._take()
            self._fail(one)

    def _close(self) -> None:
        self._now, self._again = None, False

    def _waiting(self) -> bytes:
        one = self._next()
        if one is not None and (one.error or "").startswith(NOT_SENT):
            self._take()
            self._fail(one)
        return b""

    def _send(self, data: bytes) -> None:
        if self._again:
            return
        one = self._take()
        if one is None or one.sent != data:
            self.difference = Difference(self.played + (one is None), data, None if one is None else one.sent)
            raise ConnectionError(_words(self.difference))
        self._now = one
        if (one.error or "").startswith("Lost"):
            self._fail(one)

    def _receive(self, gap_s: float | None) -> bytes:
        one = self._now
        if one is None:
            self._pass_time(self.timeout_s)
            raise TimeoutError
        if one.error is None or (one.error == CLEARED and self._again):
            self._now, self._again = None, False
            return one.received or b"\n"
        self._pass_time(self._within_s)
        self._fail(one)

    def _clear(self) -> bool:
        one = self._now
        self._again = one is not None and (one.error == CLEARED or NO_ANSWER in (one.error or ""))
        return self._again

    def _pause(self, seconds: float) -> None:
        self._pass_time(seconds)

    def _fail(self, one: ExchangeLike) -> NoReturn:
        """Raise what the line raised then."""
        said = one.error or ""
        late = said.startswith(("Timeout", CLEARED))
        error: Exception = TimeoutError() if late else ConnectionError(_why(one))
        first_of_two = not self._again and (said == CLEARED or NO_ANSWER in said)
        error.partial = b"" if first_of_two else one.received or b""  # type: ignore[attr-defined]
        raise error


def _why(one: ExchangeLike) -> str:
    """An error is recorded as KIND: NAME at ADDRESS: sent ...: received ...: WHY; the wire says all but WHY anew."""
    _, _, text = (one.error or "").partition(f": {one.name} at ")
    _, _, text = text.partition(": ")
    for part in (f"sent {one.sent!r}: ", f"received {one.received!r}: "):
        text = text.removeprefix(part)
    return text or one.error or "the line failed"


def _words(difference: Difference) -> str:
    if difference.expected is None:
        return f"sent {difference.sent!r}, the record ends before it (exchange {difference.number})"
    return f"sent {difference.sent!r}, the record has {difference.expected!r} next (exchange {difference.number})"
