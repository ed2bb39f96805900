"""``events.jsonl`` and ``wire.jsonl`` read back: one JSON object a line, the first line says what the file is.

A last line that is torn or zero-filled is left out and counted; a bad line with others after it is an error.
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

import msgspec

from harness.errors import Usage
from harness.folder import RunFolder
from harness.samplefile import DamagedRecord, Tail


class WireLine(msgspec.Struct, frozen=True, omit_defaults=True):
    """One exchange as stored. The bytes are kept as text of one character a byte (ISO 8859-1), so none is lost."""

    elapsed_s: float
    name: str
    sent: str
    received: str | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class RecordedExchange:
    """One exchange as it was on the wire; ``received`` is None when nothing came, ``error`` says why."""

    elapsed_s: float
    name: str
    sent: bytes
    received: bytes | None
    error: str | None


class _Lines:
    """Decoded lines of one file; ``header`` is its first, ``tail`` is known when they are used up."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tail = Tail()
        self.header: dict[str, object] = {}

    def _open(self) -> BinaryIO:
        try:
            if self.path.suffix == ".gz":
                return cast(BinaryIO, gzip.open(self.path, "rb"))
            return open(self.path, "rb")
        except OSError as error:
            raise Usage(f"{self.path}: cannot be read ({error.strerror}); nothing was recorded there") from error

    def each(self) -> Iterator[tuple[int, bytes]]:
        """Whole lines after the header with their numbers, each holding a JSON object."""
        bad: bytes | None = None
        number = 0
        with self._open() as file:
            for number, line in enumerate(self._whole(file), start=1):
                if bad is not None:
                    raise DamagedRecord(
                        f"{self.path}: line {number - 1} is damaged and others follow it; "
                        "the file was left as it is: take a copy from a backup"
                    )
                if not line.endswith(b"}\n"):
                    bad = line
                elif number == 1:
                    self.header = self._head(line)
                else:
                    yield number, line
        if bad is not None:
            torn = bad.rstrip(b"\0")
            self.tail = Tail(rows=int(bool(torn)), bytes=len(torn), zero_bytes=len(bad) - len(torn))

    def _head(self, line: bytes) -> dict[str, object]:
        try:
            return msgspec.json.decode(line, type=dict[str, object])
        except msgspec.MsgspecError as error:
            raise self.damaged(1, error) from error

    def _whole(self, file: BinaryIO) -> Iterator[bytes]:
        try:
            yield from file
        except (EOFError, gzip.BadGzipFile) as error:
            raise DamagedRecord(f"{self.path}: the compressed file is damaged ({error})") from error

    def damaged(self, number: int, why: Exception) -> DamagedRecord:
        return DamagedRecord(f"{self.path}: line {number} is damaged ({why}); the file was left as it is")


class EventReader(_Lines):
    """Events in order, each a dict with ``elapsed_s``, ``utc``, ``kind`` and its own fields."""

    def __iter__(self) -> Iterator[dict[str, object]]:
        decoder = msgspec.json.Decoder(dict[str, object])
        for number, line in self.each():
            try:
                yield decoder.decode(line)
            except msgspec.MsgspecError as error:
                raise self.damaged(number, error) from error


class WireReader(_Lines):
    """Exchanges in order."""

    def __iter__(self) -> Iterator[RecordedExchange]:
        decoder = msgspec.json.Decoder(WireLine)
        for number, line in self.each():
            try:
                one = decoder.decode(line)
            except msgspec.MsgspecError as error:
                raise self.damaged(number, error) from error
            received = None if one.received is None else one.received.encode("latin-1")
            yield RecordedExchange(one.elapsed_s, one.name, one.sent.encode("latin-1"), received, one.error)


def events(folder: RunFolder) -> EventReader:
    """A run's events; raises ``Usage`` or ``DamagedRecord`` while they are read."""
    return EventReader(folder.events_jsonl)


def exchanges(folder: RunFolder) -> WireReader:
    """A run's exchanges, compressed or, after a crash, not yet."""
    return WireReader(folder.wire_gz if folder.wire_gz.exists() else folder.wire_jsonl)
