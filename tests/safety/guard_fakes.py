"""A line and a clock by hand, for the parts of the guard one by one."""

from __future__ import annotations

import threading
from typing import Any

from harness.guard_outputs import Output


class Line:
    """What is said is written down; ``replies`` come one after the other, the last for ever; an exception is raised in
    their place. ``fails``: so many sends fail first."""

    def __init__(self, *replies: bytes | Exception, fails: int = 0, error: Exception | None = None) -> None:
        self.lock, self.is_open, self.said = threading.RLock(), False, [""][:0]
        self.replies, self.fails, self.error = list(replies), fails, error or OSError("gone")
        self.way = {"shared": True}

    def open(self) -> None:
        if not self.is_open:
            self.said.append("open")
        self.is_open = True

    def close(self) -> None:
        self.said.append("close")
        self.is_open = False

    def send(self, data: bytes) -> None:
        self.said.append(data.decode())
        if self.fails:
            self.fails -= 1
            raise self.error

    def ask(self, data: bytes) -> bytes:
        self.said.append(data.decode())
        one = self.replies.pop(0) if len(self.replies) > 1 else self.replies[0]
        if isinstance(one, Exception):
            raise one
        return one


def message(text: str, answered: bool = False) -> list[Any]:
    return [text.encode().hex(), answered]


TOLD: dict[str, Any] = {
    "begin": [message("REM")],
    "off": [message("OFF")],
    "soften": [message("CURR 0", True)],
    "ask": {
        "messages": [message("SEL 1"), message("ON?", True)],
        "off_replies": ["0"], "on_replies": ["1"], "bit": None, "form": "(.+?)",
    },
    "amps": {"messages": [message("AMPS?", True)], "form": "(.+?)", "comma": False, "per_unit": 1.0},
    "zero_amps": 0.02,
}  # fmt: skip


def output(line: Line, **more: Any) -> Output:
    return Output("psu", line, {**TOLD, **more})  # type: ignore[arg-type]
