"""The control port of a served bench: lines of ASCII, one line in answer to each.

- ``now``: ``at SECONDS``, the bench time
- ``to SECONDS``: the same, once the stepped bench has gone there
- ``truth``: one line of JSON, the world's own state, which a judge may read and an instrument client may not
- ``do ORDER``: ``done`` once a person beside the bench has done it (the orders of ``sims/hands.py``)
- ``reopen NAME``: ``done`` once the instrument has done what it does when its port is opened, where that is not seen
- ``tell QUESTION``: ``told ANSWER``, what that person reads off something (the questions of ``sims/eyes.py``)
- ``noticed``: one line of JSON, what that person noticed since somebody last asked: ``[[bench time s, word], ...]``

Whatever cannot be done is answered ``err WHY``.

Not modelled: several people; whoever asks what was noticed is the only one who hears it.
"""

from __future__ import annotations

import json
from typing import Protocol

from sims.hands import DONE

LONGEST_LINE_BYTES = 1024


class Served(Protocol):
    """What a control session asks of the bench it belongs to."""

    def now(self) -> float: ...
    def step_to(self, argument: str) -> bytes: ...
    def state(self) -> dict[str, float | bool | str | None]: ...
    def do(self, order: str) -> str: ...
    def tell(self, question: str) -> str: ...
    def noticed(self) -> list[tuple[float, str]]: ...
    def reopen(self, name: str) -> str: ...


class Control:
    """One client's control session: lines in, lines out."""

    def __init__(self, served: Served) -> None:
        self._served = served
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        """Take bytes from the client; the lines that answer the lines among them."""
        *lines, self._held = (self._held + data).split(b"\n")
        if len(self._held) > LONGEST_LINE_BYTES:
            self._held = b""
            return b"err line too long\n"
        return b"".join(self._answer(line.decode("ascii", "replace").strip()) for line in lines)

    def _answer(self, line: str) -> bytes:
        word, _, argument = line.partition(" ")
        served = self._served
        if word == "now" and not argument:
            return b"at %.6f\n" % served.now()
        if word == "truth" and not argument:
            return json.dumps(served.state()).encode() + b"\n"
        if word == "noticed" and not argument:
            return json.dumps(served.noticed()).encode() + b"\n"
        if word == "to":
            return served.step_to(argument)
        if word == "do":
            told = served.do(argument)
            return b"done\n" if told == DONE else f"err {told}\n".encode()
        if word == "tell":
            answer = served.tell(argument)
            return f"told {answer}\n".encode() if answer else f"err nobody knows {argument[:40]!r}\n".encode()
        if word == "reopen":
            why = served.reopen(argument)
            return f"err {why}\n".encode() if why else b"done\n"
        known = "to SECONDS, now, truth, do ORDER, tell QUESTION, noticed, reopen NAME"
        return f"err {line[:40]!r} is none of: {known}\n".encode()
