"""The records of ``samples.csv`` read back: each held against its check value before anything of it is used.

A run that died leaves at most one torn record at the end; a power cut may leave zero bytes. Both are left out and
counted. A bad record with others after it is damage, and an error. Nothing here writes.
"""

from __future__ import annotations

import csv
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from harness.errors import Usage
from harness.folder import RunFolder
from harness.forms import samples_form
from harness.inside import open_inside
from harness.plain import safe_text

FIRST_COLUMNS = (
    "elapsed_s",
    "utc",
    "state",
    "pack_volts",
    "pack_amps",
    "charge_ah",
    "energy_wh",
    "pack_temp_c",
)
LAST_COLUMNS = ("flags", "crc32")
WORD_COLUMNS = frozenset({"utc", "state", "flags"})
FLAG_SEPARATOR = ";"

FORMULA_START = re.compile(r"\s*[=+\-@'＝＋－＠]")
"""How a field of words never begins: a spreadsheet would run it. A ``'`` before it marks that (and marks itself)."""

METADATA = "samples.csv-metadata.json"

CHUNK_BYTES = 1 << 20
"""So much of a file is read at once; a night's samples are never in memory as text."""

LONGEST_LINE = 16 << 20
"""Bytes; no record is so long, zeros after a power cut are fewer, and a file without line ends must not fill the
memory."""

_BOM = b"\xef\xbb\xbf"
_CHECK_BYTES = len(b",00000000\r\n")
_GUARDED = re.compile(r"'(?=\s*[=+\-@'＝＋－＠])")


class DamagedRecord(Usage):
    """A file of the run is damaged before its end; it is not used and not changed."""


@dataclass(frozen=True, slots=True)
class Tail:
    """What was left out at the end of a file: torn records (at most 1), bytes of it, and zero bytes after it."""

    rows: int = 0
    bytes: int = 0
    zero_bytes: int = 0

    def __str__(self) -> str:
        """In words; empty when nothing was left out."""
        parts = []
        if self.rows:
            parts.append(f"{self.rows} torn record of {self.bytes} bytes")
        if self.zero_bytes:
            parts.append(f"{self.zero_bytes} zero bytes")
        return " and ".join(parts) + (" at the end left out" if parts else "")


def _some(file: BinaryIO) -> list[bytes]:
    """The next lines; one that is far too long comes in parts."""
    lines, size = list[bytes](), 0
    while size < CHUNK_BYTES and (line := file.readline(LONGEST_LINE)):
        lines.append(line)
        size += len(line)
    return lines


def fields_of(text: bytes) -> list[bytes]:
    """The fields of one record without its check value."""
    if b'"' not in text:
        return text.split(b",")
    return [field.encode() for field in next(csv.reader([text.decode("utf-8", "replace")]))]


def word_of(field: bytes, *, guarded: bool = True) -> str:
    """The text of a field of words, without the mark that keeps a spreadsheet from taking it for a formula."""
    text = field.decode("utf-8", "replace")
    return text[1:] if guarded and _GUARDED.match(text) else text


def flags_of(field: bytes, *, guarded: bool = True) -> tuple[str, ...]:
    """The flags in one field."""
    return tuple(word_of(one, guarded=guarded) for one in field.split(FLAG_SEPARATOR.encode())) if field else ()


def verified(line: bytes, width: int) -> bytes | None:
    """One record of ``width`` fields without its check value, or None when it is torn or damaged."""
    text = line[:-_CHECK_BYTES]
    if line[-_CHECK_BYTES:] != b",%08x\r\n" % zlib.crc32(text):
        # The last one may have lost its line end, and an editor may have changed it.
        text, _, check = line.rstrip(b"\r\n").rpartition(b",")
        if b"%08x" % zlib.crc32(text) != check:
            return None
    if text.count(b",") == width - 2 and b'"' not in text:
        return text
    return text if len(fields_of(text)) == width - 1 else None


class Records:
    """Good records of one file in order; ``rows`` were handed out so far, ``tail`` is known when they are used up."""

    def __init__(self, source: RunFolder | Path) -> None:
        self.path = source.samples_csv if isinstance(source, RunFolder) else Path(source)
        self.form = samples_form(self.path.with_name(METADATA))
        self.guarded = self.form >= 2
        self.tail = Tail()
        self.rows = 0
        self.names = self._header()
        self.columns = self.names[len(FIRST_COLUMNS) : -len(LAST_COLUMNS)]
        self._width = len(self.names)

    def _open(self) -> BinaryIO:
        try:
            return open_inside(self.path)
        except OSError as error:
            raise Usage(f"{self.path}: cannot be read ({error.strerror}); nothing was recorded there") from error

    def _header(self) -> tuple[str, ...]:
        with self._open() as file:
            line = file.readline(CHUNK_BYTES)
        if not line.strip(b"\0"):
            raise DamagedRecord(f"{self.path}: empty, not even a header: the run died before its first sample")
        names = tuple(line.removeprefix(_BOM).decode("utf-8", "replace").rstrip("\r\n").split(","))
        ours = names[: len(FIRST_COLUMNS)] == FIRST_COLUMNS and names[-len(LAST_COLUMNS) :] == LAST_COLUMNS
        if ours and len(set(names)) == len(names):
            return names
        if not ours and not line.endswith(b"\n"):
            raise DamagedRecord(f"{self.path}: the header is cut short: the run died before its first sample")
        raise DamagedRecord(
            f"{self.path}: header {safe_text(','.join(names))[:60]!r} is not one of ours; if another program "
            "saved the file, use the original"
        )

    def chunks(self) -> Iterator[list[bytes]]:
        """Records without check value and line end, some thousand at a time. Raises ``DamagedRecord``."""
        seen, bad = 0, b""
        with self._open() as file:
            file.readline(CHUNK_BYTES)
            while lines := _some(file):
                if bad:
                    raise DamagedRecord(self._damage(seen, bad))
                good = [text for line in lines if (text := verified(line, self._width)) is not None]
                if len(good) < len(lines):
                    first = next(at for at, line in enumerate(lines) if verified(line, self._width) is None)
                    good, bad = good[:first], lines[first]
                    if first < len(lines) - 1:
                        yield good
                        raise DamagedRecord(self._damage(seen + first, bad))
                seen += len(good)
                yield good
        if bad:
            yield from self._last(bad)

    def _last(self, bad: bytes) -> Iterator[list[bytes]]:
        torn = bad.rstrip(b"\0")
        zero_bytes = len(bad) - len(torn)
        # Zeros may stand where only the line end was lost: the check value says that the record is whole.
        if (text := verified(torn, self._width)) is not None:
            torn = b""
            yield [text]
        self.tail = Tail(rows=int(bool(torn)), bytes=len(torn), zero_bytes=zero_bytes)

    def __iter__(self) -> Iterator[list[bytes]]:
        for texts in self.chunks():
            for text in texts:
                self.rows += 1
                yield fields_of(text)

    def not_a_number(self, row: int, name: str, field: bytes) -> DamagedRecord:
        """The error for a field of a whole record that holds no number; ``row`` counts from 1."""
        found = safe_text(field.decode("utf-8", "replace"))[:40]
        return DamagedRecord(
            f"{self.path}: record {row} (line {row + 1}): {name} is {found!r}, no number, and its check value fits: "
            "written by another program or version; use the original"
        )

    def _damage(self, seen: int, bad: bytes) -> str:
        what = "zero bytes" if b"\0" in bad else "a check value that does not match"
        return (
            f"{self.path}: record {seen + 1} (line {seen + 2}) is damaged: {what}, and others follow it; "
            f"{seen} good ones stand before it; the file was left as it is: take a copy from a backup"
        )
