"""The person at the bench: what the program cannot do or see itself, they do and say.

A real bench has whoever sits at the terminal; a simulated one has hands and eyes of its own, reached like its clock.
Nothing here waits: an order is given, and the sampling loop looks every turn whether it was carried out.
"""

from __future__ import annotations

import json
import socket
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

from harness.errors import PreflightRefused
from harness.tape import PERSON, Tape

if TYPE_CHECKING:
    from harness.job import Watcher

ORDERS: dict[str, str] = {
    "wire pack": (
        "Take the UPS's battery leads off the bench; bring supply, load and voltmeter to the pack's terminals, fuse in "
        "place, sense leads too"
    ),
    "wire ups": (
        "UPS unplugged from mains and off. Take the pack off the bench; bring supply, load and voltmeter to the UPS's "
        "battery leads, red to plus, fuse in place; a fixed covered AC load on its output"
    ),
    "mains on": "Switch the UPS's mains ON",
    "mains off": "Switch the UPS's mains OFF",
    "ac load on": "Switch the AC load on the UPS's output ON",
    "ac load off": "Switch the AC load on the UPS's output OFF",
}
"""What a person may be asked to do, and how it is said."""

PATIENCE_S = 900.0
"""Bench time after which nobody is taken to be there any more."""

HANDS_TIMEOUT_S = 20.0


class HandsRefused(Exception):
    """The simulated person would not do it, and says why."""


class Person(Protocol):
    """``order`` begins, ``done`` tells whether it has been carried out, ``marks`` are what was noticed meanwhile.

    ``order`` raises ``HandsRefused``; the others never raise.
    """

    def order(self, order: str) -> None: ...

    def done(self) -> bool: ...

    def marks(self) -> tuple[str, ...]: ...

    def tell(self, question: str, prompt: str) -> str | None:
        """What they read off a thing and type; None when nobody is there to do so. ``question`` is the key by which a
        simulated person knows it."""
        ...

    def here(self) -> bool:
        """Whether they have shown since the last look that they are there: a key, a line typed, a question answered."""
        ...

    def wanted(self, words: str) -> None:
        """Ask them to show that they are there."""
        ...


class NoOne:
    """Where a run is played: what somebody did then is on its tape."""

    def order(self, order: str) -> None: ...

    def done(self) -> bool:
        return False

    def marks(self) -> tuple[str, ...]:
        return ()

    def tell(self, question: str, prompt: str) -> str | None:
        return None

    def here(self) -> bool:
        return False

    def wanted(self, words: str) -> None: ...


class OnTheTape:
    """Somebody, and all they do, say and notice on the tape of the run."""

    def __init__(self, inner: Person, tape: Tape) -> None:
        self._inner, self._tape = inner, tape
        seated = isinstance(inner, AtTheTerminal)
        self.seated = tape.answer(PERSON, "sits at the terminal", lambda: seated, absent=lambda: seated)
        """Whether it is whoever sits in front of the program."""

    def order(self, order: str) -> None:
        def refused() -> str:
            try:
                self._inner.order(order)
            except HandsRefused as error:
                return str(error) or "refused"
            return ""

        if why := self._tape.came(PERSON, "refused", refused, nothing=""):
            raise HandsRefused(why)

    def tell(self, question: str, prompt: str) -> str | None:
        ask = partial(self._inner.tell, question, prompt)
        return self._tape.answer(PERSON, f"asked {question}", ask, absent=lambda: None)

    def done(self) -> bool:
        return self._tape.came(PERSON, "done", self._inner.done, nothing=False)

    def marks(self) -> tuple[str, ...]:
        """Whoever looks for them puts them on the tape."""
        return self._inner.marks()

    def here(self) -> bool:
        return self._tape.came(PERSON, "here", self._inner.here, nothing=False)

    def wanted(self, words: str) -> None:
        if not self._tape.replaying:
            self._inner.wanted(words)


def sits_there(person: Person) -> bool:
    """Whether it is whoever sits in front of the program, and no simulated hands."""
    return person.seated if isinstance(person, OnTheTape) else isinstance(person, AtTheTerminal)


class AtTheTerminal:
    """Whoever sits in front of the program."""

    def __init__(self, watcher: Watcher) -> None:
        self._watcher = watcher

    def order(self, order: str) -> None:
        self._watcher.ordered(order)

    def tell(self, question: str, prompt: str) -> str | None:
        return self._watcher.typed(question, prompt)

    def done(self) -> bool:
        with suppress(Exception):
            return self._watcher.has_done()
        return False

    def marks(self) -> tuple[str, ...]:
        with suppress(Exception):
            return self._watcher.warned()
        return ()

    def here(self) -> bool:
        with suppress(Exception):
            return self._watcher.heard()
        return False

    def wanted(self, words: str) -> None:
        with suppress(Exception):
            self._watcher.wanted(words)


class SimulatedPerson:
    """Hands and eyes of a simulated bench in memory; ``sim`` has ``do``, ``tell`` and ``noticed``."""

    def __init__(self, sim: Any) -> None:
        self._sim = sim
        self._pressed = False

    def order(self, order: str) -> None:
        answer = self._sim.do(order)
        if answer != "done":
            raise HandsRefused(f"{order}: {answer}")

    def tell(self, question: str, prompt: str) -> str | None:
        return str(self._sim.tell(question)) or None

    def done(self) -> bool:
        return True

    def marks(self) -> tuple[str, ...]:
        return tuple(words for _, words in self._sim.noticed())

    def here(self) -> bool:
        pressed, self._pressed = self._pressed, False
        return pressed

    def wanted(self, words: str) -> None:
        """Its hands press the key when it is asked for, and nothing is said on the screen."""
        with suppress(Exception):
            self._pressed = self._sim.do("press enter") == "done"


class _ControlLine:
    """The served bench behind its control port, with the two calls a bench in memory has."""

    def __init__(self, control: str) -> None:
        host, _, port = control.rpartition(":")
        try:
            self._socket = socket.create_connection((host, int(port)), timeout=HANDS_TIMEOUT_S)
        except (OSError, ValueError) as error:
            raise PreflightRefused(
                f"clock: control = {control}: nobody is there to wire the simulated bench ({error}); start it with "
                "`nightbench simulate` and use the bench file it names"
            ) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._lines = self._socket.makefile("rb")

    def _say(self, line: str) -> str:
        self._socket.sendall(line.encode() + b"\n")
        return self._lines.readline().decode("utf-8", "replace").strip()

    def do(self, order: str) -> str:
        try:
            return self._say(f"do {order}").removeprefix("err ") or "the simulated bench has gone away"
        except OSError as error:
            return f"the simulated bench does not answer: {error}"

    def tell(self, question: str) -> str:
        with suppress(OSError):
            answer = self._say(f"tell {question}")
            return answer.removeprefix("told ") if answer.startswith("told ") else ""
        return ""

    def noticed(self) -> list[tuple[float, str]]:
        try:
            return [(float(t_s), str(words)) for t_s, words in json.loads(self._say("noticed"))]
        except (OSError, ValueError, TypeError):
            return []

    def close(self) -> None:
        with suppress(OSError):
            self._lines.close()
            self._socket.close()


class ServedPerson(SimulatedPerson):
    """The same for a bench served from another process. Raises ``PreflightRefused`` when it is not there."""

    def __init__(self, control: str) -> None:
        self._line = _ControlLine(control)
        super().__init__(self._line)

    def close(self) -> None:
        """Let go of the control port."""
        self._line.close()
