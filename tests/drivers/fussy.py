"""A supply with a clock that loses, cuts or refuses messages."""

from __future__ import annotations

TRAVEL_S = 0.001
"""How long a message and its answer are on the way together."""


class Fussy:
    """A supply with a clock: a message that begins within ``gap_s`` of the one before is lost without a word."""

    def __init__(
        self, *, gap_s: float = 0.0, answers_at_once: bool = False, most_bytes: int = 0, remote: str = ""
    ) -> None:
        self.gap_s, self.answers_at_once, self.most_bytes, self.remote = gap_s, answers_at_once, most_bytes, remote
        self.now_s, self.last_s = 0.0, -1.0
        self.is_remote = not remote
        self.held: dict[str, str] = {"OUTP": "0"}
        self.heard: list[str] = []
        self.lost: list[str] = []

    def pass_time(self, seconds: float) -> None:
        self.now_s += seconds

    def feed(self, data: bytes) -> bytes:
        return b"".join(self.message(line) for line in data.decode().splitlines())

    def hang_up(self) -> None: ...

    def message(self, line: str) -> bytes:
        early = self.now_s - self.last_s < self.gap_s and not (self.answers_at_once and "?" in line)
        self.last_s = self.now_s
        self.now_s += TRAVEL_S
        if early:
            self.lost.append(line)
            return b""
        self.heard.append(line)
        if line == self.remote:
            self.is_remote = True
            return b""
        if not self.is_remote:
            return b"NOT IN REMOTE\r\n"
        return self.obey(line[: self.most_bytes] if self.most_bytes else line)

    def obey(self, line: str) -> bytes:
        if line == "*IDN?":
            return b"OURS,FUSSY,1,0\n"
        if line == "SYST:ERR?":
            return b'0,"No error"\n'
        if line.endswith("?"):
            return self.held.get(line.removesuffix("?"), "0").encode() + b"\n"
        header, _, value = line.partition(" ")
        self.held[header] = {"ON": "1", "OFF": "0"}.get(value, value)
        return b""
