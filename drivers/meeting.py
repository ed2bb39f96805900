"""Who is there? What a session does with an instrument it has not met before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fnmatch import fnmatchcase

from drivers.faults import Unreadable, WrongIdentity
from drivers.scpi import identity
from drivers.wire import Timeout, Wire


@dataclass(frozen=True, slots=True)
class Meeting:
    """``ask`` is the identity question, ``expected`` a text its answer must contain, ``patterns`` those of the whole
    answer of which one must fit. ``open_line`` opens the line anew and says what comes before any question.
    """

    wire: Wire
    ask: str
    expected: str | None
    patterns: tuple[str, ...]
    errors_ask: str
    open_line: Callable[[], None]

    def identity(self) -> bytes:
        """The raw answer. Raises ``Timeout``, ``Lost``, ``Unreadable`` or ``WrongIdentity``."""
        raw = self._introduction()
        try:
            identity(raw)
        except Unreadable as fault:
            fault.sent = self.ask
            raise fault.at(instrument=self.wire.name, sent=self.ask) from None
        if self.expected is not None and self.expected not in _text(raw):
            raise self._stranger(
                raw,
                f"the bench file expects {self.expected!r} at {self.wire.address}",
                "check which instrument is at which address, or correct identity in the bench file",
            )
        if self.patterns and not self._fits(raw):
            raise self._stranger(
                raw,
                f"its dialect is for {' or '.join(map(repr, self.patterns))}",
                "check which instrument is at which address, or choose the dialect that fits it",
            )
        return raw

    def _introduction(self) -> bytes:
        """Some say a line of their own at each opening: it is passed over, as identities fit the dialect's pattern and
        hold what the bench file expects, or at least have commas. Where none comes, the line that did come is taken.
        """
        try:
            return self.wire.find(self.ask, self._is_one)
        except Timeout as error:
            said = error.received
            if not said:
                raise
            if said.count(b",") >= 2:
                return said  # somebody's identity, only not the one that is looked for
        self.open_line()
        raw = self.wire.find(self.ask, said.__eq__)
        self._refuse_sentence(raw)
        return raw

    def _is_one(self, line: bytes) -> bool:
        telling = any(pattern.strip("*?") for pattern in self.patterns)
        if self.expected is not None and self.expected not in _text(line):
            return False
        # A banner may have commas too: where the dialect or the bench file says more, that decides.
        return self._fits(line) if telling else line.count(b",") >= 2

    def _fits(self, raw: bytes) -> bool:
        text = _text(raw).casefold()
        return any(fnmatchcase(text, pattern.casefold()) for pattern in self.patterns)

    def _refuse_sentence(self, raw: bytes) -> None:
        """Some instruments answer everything with one sentence until they are told to go remote."""
        if not self.errors_ask:
            return
        try:
            again = self.wire.query(self.errors_ask)
        except Timeout:
            self.open_line()
            return
        if again == raw:
            raise Unreadable(
                "is its answer to every question",
                instrument=self.wire.name,
                sent=self.errors_ask,
                received=raw,
                do="it may want to be told to go remote first: see remote in its dialect",
            )

    def _stranger(self, raw: bytes, why: str, do: str) -> WrongIdentity:
        return WrongIdentity(why, instrument=self.wire.name, sent=self.ask, received=raw, do=do)


def _text(raw: bytes) -> str:
    return raw.decode("ascii", "backslashreplace").strip()
