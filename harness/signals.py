"""Every signal that would end or freeze a run, as a flag that every wait and every turn of the loop looks at.

A handler that raises would cut an exchange with an instrument in two, or cut switching off short when the key is
pressed again; so the handler only sets a flag. It is a plain attribute and not ``threading.Event``, whose lock is not
re-entrant: a signal during a wait could deadlock.
"""

from __future__ import annotations

import signal
from collections.abc import Callable
from contextlib import suppress
from types import FrameType
from typing import Any


def _known(*names: str) -> tuple[signal.Signals, ...]:
    return tuple(getattr(signal, name) for name in names if hasattr(signal, name))


def _real_time() -> tuple[int, ...]:
    """Signals without a name, which end a program as well (POSIX.1-2017, 2.4.2)."""
    return tuple(range(signal.SIGRTMIN, signal.SIGRTMAX + 1)) if hasattr(signal, "SIGRTMIN") else ()


SIGNALS: tuple[int, ...] = tuple(
    dict.fromkeys(
        (
            *_known("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGXCPU", "SIGTSTP"),
            *_known("SIGVTALRM", "SIGPROF", "SIGPOLL", "SIGIO", "SIGPWR", "SIGSTKFLT"),
            *_real_time(),
        )
    )
)
"""What asks for the end. Left alone, each kills the program with its outputs on, but SIGTSTP (Ctrl-Z), which freezes it
with nobody watching. SIGKILL and SIGSTOP cannot be caught (POSIX.1-2017, sigaction); the rest tell of a fault of the
program itself, which no handler would mend."""

IGNORED = _known("SIGTTIN", "SIGTTOU")
"""What would freeze a program that reads or writes the terminal from the background (POSIX.1-2017, 11.1.4)."""


def name_of(number: int) -> str:
    """The name of a signal, in words for people."""
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"


class StopFlag:
    """Context manager; ``asked()`` is true once a person or the system asked this run to end."""

    process_ends = False
    """Whether the program ends with what is run: then, once a signal came, all later ones are ignored until the exit
    code is out. The command line sets it; not for programs that go on."""

    def __init__(self, *, on_signal: Callable[[str], None] | None = None) -> None:
        self.signalled = False
        self.count = 0
        self.name = ""
        self.elsewhere: Callable[[], str] = lambda: ""
        """Who asked for it by another way than a signal, "" for nobody. Must neither raise nor wait."""
        self._on_signal = on_signal
        self._before: dict[int, Any] = {}

    def asked(self) -> bool:
        if not self.count and (who := self.elsewhere()):
            self.ask(who)
        return self.count > 0

    def ask(self, name: str) -> None:
        """Ask for the end, as a signal does."""
        self.count += 1
        self.name = self.name or name

    def _handle(self, number: int, _frame: FrameType | None) -> None:
        self.signalled = True
        self.ask(name_of(number))
        if self._on_signal is not None:
            # Raised in here it would come out wherever the program happens to be, in an exchange or on the way off.
            with suppress(Exception):
                self._on_signal(self.name)

    def __enter__(self) -> StopFlag:
        for number in SIGNALS:
            self._before[number] = signal.signal(number, self._handle)
        for number in IGNORED:
            self._before[number] = signal.signal(number, signal.SIG_IGN)
        return self

    def __exit__(self, *_exc: object) -> None:
        if self.signalled and StopFlag.process_ends:
            # A handler of ours would not do: Python takes its handlers away while it shuts down.
            for number in self._before:
                signal.signal(number, signal.SIG_IGN)
            return
        for number, handler in self._before.items():
            # None: the handler was not set from Python and cannot be set back; the system's own is next best.
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        self._before.clear()
