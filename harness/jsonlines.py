"""``events.jsonl`` and ``wire.jsonl`` read back: one JSON object a line, the first line says what the file is.

A last line that is torn or zero-filled is left out and counted; a bad line with others after it is an error.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, cast

import msgspec

from harness.badjson import BAD_JSON
from harness.errors import Usage
from harness.folder import RunFolder
from harness.forms import known_form
from harness.inside import refuse_link
from harness.samplefile import DamagedRecord, Tail

LONGEST_LINE = 16 << 20
"""Bytes; no instrument says so much in one answer, and a file without line ends must not fill the memory."""


class WireLine(msgspec.Struct, frozen=True, omit_defaults=True):
    """One exchange as stored. The bytes are kept as text of one character a byte (ISO 8859-1), so none is lost.

    With ``told`` it is no exchange but a line of the tape (``harness/tape.py``): ``name`` is none of an instrument, and
    ``sent`` says what was asked or happened."""

    elapsed_s: float
    name: str
    sent: str
    received: str | None = None
    error: str | None = None
    told: dict[str, object] | None = None


@dataclass(frozen=True, slots=True)
class RecordedTold:
    """One line of the tape; ``elapsed_s`` is that of the record."""

    elapsed_s: float
    name: str
    what: str
    told: dict[str, object]


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

    what = ""
    """What the first line says that the file records."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tail = Tail()
        self.header: dict[str, object] = {}

    def _open(self) -> BinaryIO:
        refuse_link(self.path)
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
        if not self.header:
            raise DamagedRecord(
                f"{self.path}: empty, not even its first line: the run died before anything was switched on, or the "
                "file was lost; take it from a backup"
            )
        if bad is not None:
            torn = bad.rstrip(b"\0")
            self.tail = Tail(rows=int(bool(torn)), bytes=len(torn), zero_bytes=len(bad) - len(torn))

    def _head(self, line: bytes) -> dict[str, object]:
        try:
            header = msgspec.json.decode(line, type=dict[str, object])
        except BAD_JSON as error:
            raise self.damaged(1, error) from error
        if header.get("recording") != self.what:
            raise self.damaged(1, ValueError(f"it does not say that this is a record of {self.what}"))
        known_form(self.path, self.what, header.get("form"))
        return header

    def _whole(self, file: BinaryIO) -> Iterator[bytes]:
        try:
            yield from iter(lambda: file.readline(LONGEST_LINE), b"")
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise DamagedRecord(f"{self.path}: the compressed file is damaged ({error})") from error

    def damaged(self, number: int, why: Exception) -> DamagedRecord:
        return DamagedRecord(f"{self.path}: line {number} is damaged ({why}); the file was left as it is")


class EventReader(_Lines):
    """Events in order, each a dict with ``elapsed_s``, ``utc``, ``kind`` and its own fields."""

    what = "events"

    def __iter__(self) -> Iterator[dict[str, object]]:
        decoder = msgspec.json.Decoder(dict[str, object])
        for number, line in self.each():
            try:
                yield decoder.decode(line)
            except BAD_JSON as error:
                raise self.damaged(number, error) from error


class TapeReader(_Lines):
    """Exchanges, and the lines of the tape between them, in order."""

    what = "wire"

    def __iter__(self) -> Iterator[RecordedExchange | RecordedTold]:
        decoder = msgspec.json.Decoder(WireLine)
        for number, line in self.each():
            try:
                yield _came(decoder.decode(line))
            except BAD_JSON as error:
                raise self.damaged(number, error) from error


def _came(one: WireLine) -> RecordedExchange | RecordedTold:
    if one.told is not None:
        return RecordedTold(one.elapsed_s, one.name, one.sent, one.told)
    received = None if one.received is None else one.received.encode("latin-1")
    return RecordedExchange(one.elapsed_s, one.name, one.sent.encode("latin-1"), received, one.error)


class WireReader(TapeReader):
    """Exchanges in order."""

    def __iter__(self) -> Iterator[RecordedExchange]:
        for one in super().__iter__():
            if isinstance(one, RecordedExchange):
                yield one


def events(folder: RunFolder) -> EventReader:
    """A run's events; raises ``Usage`` or ``DamagedRecord`` while they are read."""
    return EventReader(folder.events_jsonl)


def exchanges(folder: RunFolder) -> WireReader:
    """A run's exchanges, compressed or, after a crash, not yet."""
    return WireReader(_wire(folder))


def tape_of(folder: RunFolder) -> TapeReader:
    """The same with the lines of the tape between them."""
    return TapeReader(_wire(folder))


def _wire(folder: RunFolder) -> Path:
    return folder.wire_gz if folder.wire_gz.exists() else folder.wire_jsonl
