"""The rows of ``samples.csv``: how one is written and how it is read back.

RFC 4180: a header, records ending CR LF, fields quoted where needed. Floats are the shortest text that reads back as
the same float; a reading that was missing or not a number is an empty field, infinity is ``INF``. The last column is
the CRC-32 (as in IEEE 802.3 and gzip) of the record's bytes before its last comma, eight hexadecimal digits.

A run that died leaves at most one torn record at the end; a power cut may leave zero bytes. Both are left out and
counted. A bad record with others after it is damage, and an error.
"""

from __future__ import annotations

import csv
import math
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from harness.errors import Usage
from harness.folder import RunFolder
from harness.plain import safe_text
from harness.sample import Sample

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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
LINE_END = b"\r\n"

_BOM = b"\xef\xbb\xbf"
_json = msgspec.json.Encoder(enc_hook=float)


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


@lru_cache(maxsize=256)
def _cell(text: str) -> bytes:
    plain = safe_text(text)
    if any(mark in plain for mark in ',"'):
        plain = '"' + plain.replace('"', '""') + '"'
    return plain.encode()


def _number(value: float) -> bytes:
    if math.isfinite(value):
        return _json.encode(value)
    return b"" if math.isnan(value) else b"INF" if value > 0 else b"-INF"


class RowWriter:
    """Turns samples into records; ``columns`` are the instruments' own, in file order."""

    def __init__(self, columns: Sequence[str]) -> None:
        names = (*FIRST_COLUMNS, *columns, *LAST_COLUMNS)
        if len(set(names)) < len(names):
            raise ValueError(f"columns {', '.join(columns)}: one is there twice or has the name of a fixed column")
        if any(safe_text(name) != name or '"' in name or "," in name or not name for name in columns):
            raise ValueError(f'columns {", ".join(map(repr, columns))}: a name must be plain words without , and "')
        self.columns = tuple(columns)
        self.names = names
        self._known = frozenset(columns)

    def header(self) -> bytes:
        """The first record."""
        return ",".join(self.names).encode() + LINE_END

    def record(self, sample: Sample) -> bytes:
        """One record with its check value; a reading without a column raises ``ValueError``."""
        readings = sample.readings
        if not readings.keys() <= self._known:
            lost = ", ".join(sorted(readings.keys() - self._known))
            raise ValueError(f"samples.csv has no column for {lost}; name it when the recorder is made")
        values = [
            sample.elapsed_s,
            sample.pack_volts,
            sample.pack_amps,
            sample.charge_ah,
            sample.energy_wh,
            sample.pack_temp_c,
            *[readings.get(name, math.nan) for name in self.columns],
        ]
        numbers = _json.encode(values)[1:-1]
        if b"null" in numbers:
            # The fast encoder writes null for nan and for infinity alike; only nan may become an empty field.
            infinite = any(map(math.isinf, values))
            numbers = b",".join(map(_number, values)) if infinite else numbers.replace(b"null", b"")
        elapsed, _, rest = numbers.partition(b",")
        flags = _cell(FLAG_SEPARATOR.join(sample.flags)) if sample.flags else b""
        text = b"%b,%b,%b,%b,%b" % (elapsed, sample.utc.encode(), _cell(sample.state), rest, flags)
        return b"%b,%08x\r\n" % (text, zlib.crc32(text))


def _fields(line: bytes, width: int) -> list[bytes] | None:
    """The fields of a record before its check value, or None when it is torn or damaged."""
    text, _, check = line.rstrip(b"\r\n").rpartition(b",")
    if b"%08x" % zlib.crc32(text) != check:
        return None
    fields = _quoted(text) if b'"' in text else text.split(b",")
    return fields if len(fields) == width - 1 else None


def _quoted(text: bytes) -> list[bytes]:
    return [field.encode() for field in next(csv.reader([text.decode()]))]


class _Records:
    """Good records of one file in order; ``tail`` is known when they are used up."""

    def __init__(self, source: RunFolder | Path) -> None:
        self.path = source.samples_csv if isinstance(source, RunFolder) else Path(source)
        self.tail = Tail()
        self.rows = 0
        self.names = self._header()
        self.columns = self.names[len(FIRST_COLUMNS) : -len(LAST_COLUMNS)]

    def _header(self) -> tuple[str, ...]:
        try:
            with open(self.path, "rb") as file:
                line = file.readline()
        except OSError as error:
            raise Usage(f"{self.path}: cannot be read ({error.strerror}); nothing was recorded there") from error
        if not line.strip(b"\0"):
            raise DamagedRecord(f"{self.path}: empty, not even a header: the run died before its first sample")
        names = tuple(line.removeprefix(_BOM).decode("utf-8", "replace").rstrip("\r\n").split(","))
        if names[: len(FIRST_COLUMNS)] == FIRST_COLUMNS and names[-len(LAST_COLUMNS) :] == LAST_COLUMNS:
            return names
        if not line.endswith(b"\n"):
            raise DamagedRecord(f"{self.path}: the header is cut short: the run died before its first sample")
        raise DamagedRecord(
            f"{self.path}: header {safe_text(','.join(names))[:60]!r} is not one of ours; if another program "
            "saved the file, use the original"
        )

    def __iter__(self) -> Iterator[list[bytes]]:
        bad: bytes | None = None
        with open(self.path, "rb") as file:
            file.readline()
            for line in file:
                if bad is not None:
                    raise DamagedRecord(self._damage(bad))
                fields = _fields(line, len(self.names))
                if fields is None:
                    bad = line
                    continue
                self.rows += 1
                yield fields
        if bad is not None:
            torn = bad.rstrip(b"\0")
            # Zeros may stand where only the line end was lost: the check value says that the record is whole.
            if (fields := _fields(torn, len(self.names))) is not None:
                torn = b""
                self.rows += 1
                yield fields
            self.tail = Tail(rows=int(bool(torn)), bytes=len(torn), zero_bytes=len(bad) - len(bad.rstrip(b"\0")))

    def _damage(self, bad: bytes) -> str:
        what = "zero bytes" if b"\0" in bad else "a check value that does not match"
        return (
            f"{self.path}: record {self.rows + 1} (line {self.rows + 2}) is damaged: {what}, and others follow it; "
            f"{self.rows} good ones stand before it; the file was left as it is: take a copy from a backup"
        )


def _float(field: bytes) -> float:
    return float(field) if field else math.nan


class SampleReader(Iterator[Sample]):
    """Samples one after the other; when used up, ``rows`` and ``tail`` say what was there."""

    def __init__(self, source: RunFolder | Path) -> None:
        self._records = _Records(source)
        self._each = iter(self._records)
        self.columns = self._records.columns

    @property
    def rows(self) -> int:
        """Good records handed out so far."""
        return self._records.rows

    @property
    def tail(self) -> Tail:
        """What was left out at the end."""
        return self._records.tail

    def __next__(self) -> Sample:
        return _sample(next(self._each), self.columns)


def _sample(fields: list[bytes], columns: Sequence[str]) -> Sample:
    elapsed, utc, state, *numbers, flags = fields
    volts, amps, charge, energy, temp, *readings = map(_float, numbers)
    return Sample(
        elapsed_s=float(elapsed),
        utc=utc.decode(),
        state=state.decode(),
        pack_volts=volts,
        pack_amps=amps,
        charge_ah=charge,
        energy_wh=energy,
        pack_temp_c=temp,
        readings=dict(zip(columns, readings, strict=True)),
        flags=tuple(flags.decode().split(FLAG_SEPARATOR)) if flags else (),
    )


def sample_of(line: bytes, names: Sequence[str]) -> Sample | None:
    """The sample of one record of a file with these columns, for whoever follows it while it grows; ``None`` when the
    record is torn, damaged or none of ours."""
    if tuple(names[: len(FIRST_COLUMNS)]) != FIRST_COLUMNS or tuple(names[-len(LAST_COLUMNS) :]) != LAST_COLUMNS:
        return None
    fields = _fields(line, len(names))
    try:
        return None if fields is None else _sample(fields, names[len(FIRST_COLUMNS) : -len(LAST_COLUMNS)])
    except ValueError:
        return None


def samples(source: RunFolder | Path) -> SampleReader:
    """Read a run's samples back; raises ``Usage`` or ``DamagedRecord``."""
    return SampleReader(source)


@dataclass(frozen=True, slots=True)
class Table:
    """All samples as columns: ``numbers`` by name (float64, nan where empty), ``words`` by name, and the ``tail``."""

    numbers: dict[str, NDArray[np.float64]]
    words: dict[str, tuple[str, ...]]
    rows: int
    tail: Tail

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.numbers[name]


def table(source: RunFolder | Path) -> Table:
    """Read a run's samples as columns; raises ``Usage`` or ``DamagedRecord``."""
    import numpy as np  # heavy, and not needed for a listing

    records = _Records(source)
    rows = list(records)
    names = records.names[:-1]
    by_name = dict(zip(names, zip(*rows, strict=True) if rows else ((),) * len(names), strict=True))
    nan = math.nan
    return Table(
        numbers={
            name: np.array([float(field) if field else nan for field in column], dtype=np.float64)
            for name, column in by_name.items()
            if name not in WORD_COLUMNS
        },
        words={name: tuple(field.decode() for field in by_name[name]) for name in sorted(WORD_COLUMNS)},
        rows=records.rows,
        tail=records.tail,
    )
