"""A supply of three channels for tests, that keeps what it is told by channel; also other people who use it.

``obeys`` says what it makes of a message of several commands: "all", "first" or "last" of them; answers come joined, or
a line each with ``lines``.
"""

from __future__ import annotations

import re
from collections.abc import Callable


class Channelled:
    def __init__(self) -> None:
        self.selected = 1
        self.held: dict[tuple[int, str], str] = {}
        self.heard: list[str] = []
        self.obeys = "all"
        self.lines = False
        self.meanwhile: dict[int, Callable[[], None]] = {}
        """Number of a message -> what somebody else does just before it."""

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.message(line) for line in data.decode("ascii").splitlines())

    def hang_up(self) -> None: ...

    def message(self, line: str) -> bytes:
        if line == "*IDN?":
            return b"OURS,CHANNELS,1,0\n"
        self.heard.append(line)
        self.meanwhile.get(len(self.heard), lambda: None)()
        parts = line.split(";")
        parts = {"all": parts, "first": parts[:1], "last": parts[-1:]}[self.obeys]
        answers = [one for one in map(self.command, parts) if one is not None]
        if not answers:
            return b""
        return ("\n" if self.lines else ";").join(answers).encode() + b"\n"

    def command(self, text: str) -> str | None:
        text = text.removeprefix(":")
        if text == "INST:NSEL?":
            return str(self.selected)
        if text.startswith("INST:NSEL "):
            self.selected = int(text.removeprefix("INST:NSEL "))
            return None
        channel, text = self._addressed(text)
        if "?" in text:
            return self.held.get((channel, text.replace("?", "")), "0")
        header, _, value = text.partition(" ")
        self.held[channel, header] = {"ON": "1", "OFF": "0"}.get(value, value)
        return None

    def _addressed(self, text: str) -> tuple[int, str]:
        if found := re.search(r"[ ,]?\(@([0-9]+)\)", text):
            return int(found[1]), text.replace(found[0], "")
        if (found := re.match(r"([A-Z]+)([0-9]+)", text)) and not text.startswith("STAT"):
            return int(found[2]), found[1].replace("SOUR", "") + text[found.end() :].removeprefix(
                ":" * (found[1] == "SOUR")
            )
        return self.selected, text
