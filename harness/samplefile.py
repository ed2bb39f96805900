"""The rows of ``samples.csv``: how one is written and how it is read back.

RFC 4180: a header, records ending CR LF, fields quoted where needed. Floats are the shortest text that reads back as
the same float; a reading that was missing or not a number is an empty field, infinity is ``INF``. The last column is
the CRC-32 (as in IEEE 802.3 and gzip) of the record's bytes before its last comma, eight hexadecimal digits. A word
that a spreadsheet would take for a formula has a ``'`` before it, which is taken away again when it is read back.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path

import msgspec

from harness.folder import RunFolder
from harness.plain import safe_text
from harness.sample import Sample
from harness.samplecolumns import Table, read_table
from harness.samplerows import (
    FIRST_COLUMNS,
    FLAG_SEPARATOR,
    FORMULA_START,
    LAST_COLUMNS,
    WORD_COLUMNS,
    DamagedRecord,
    Records,
    Tail,
    fields_of,
    flags_of,
    verified,
    word_of,
)

LINE_END = b"\r\n"
_json = msgspec.json.Encoder(enc_hook=float)


def as_words(text: str) -> str:
    """``text`` on one line, and never a formula."""
    plain = safe_text(text)
    return "'" + plain if FORMULA_START.match(plain) else plain


@lru_cache(maxsize=256)
def _cell(text: str) -> bytes:
    return _quoted(as_words(text))


def _quoted(plain: str) -> bytes:
    if any(mark in plain for mark in ',"'):
        plain = '"' + plain.replace('"', '""') + '"'
    return plain.encode()


@lru_cache(maxsize=256)
def _flags(flags: tuple[str, ...]) -> bytes:
    # Each of them: where a comma is the decimal sign, spreadsheets part fields at a semicolon.
    return _quoted(FLAG_SEPARATOR.join(map(as_words, flags)))


def _number(value: float) -> bytes:
    if math.isfinite(value):
        return _json.encode(value)
    return b"" if math.isnan(value) else b"INF" if value > 0 else b"-INF"


def csv_field(value: str | float | bool | None) -> bytes:
    """One field of a table of any kind: words never a formula, yes and no as ``true`` and ``false``, empty for
    nothing."""
    if isinstance(value, str):
        return _cell(value)
    if isinstance(value, bool):
        return b"true" if value else b"false"
    return b"" if value is None else _number(value)


class RowWriter:
    """Turns samples into records; ``columns`` are the instruments' own, in file order."""

    def __init__(self, columns: Sequence[str]) -> None:
        names = (*FIRST_COLUMNS, *columns, *LAST_COLUMNS)
        if len(set(names)) < len(names):
            raise ValueError(f"columns {', '.join(columns)}: one is there twice or has the name of a fixed column")
        if any(as_words(name) != name or '"' in name or "," in name or not name for name in columns):
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
        flags = _flags(sample.flags) if sample.flags else b""
        text = b"%b,%b,%b,%b,%b" % (elapsed, sample.utc.encode(), _cell(sample.state), rest, flags)
        return b"%b,%08x\r\n" % (text, zlib.crc32(text))


class SampleReader(Iterator[Sample]):
    """Samples one after the other; when used up, ``rows`` and ``tail`` say what was there."""

    def __init__(self, source: RunFolder | Path) -> None:
        self._records = Records(source)
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
        fields = next(self._each)
        try:
            return _sample(fields, self.columns, guarded=self._records.guarded)
        except ValueError:
            raise self._no_number(fields) from None

    def _no_number(self, fields: Sequence[bytes]) -> DamagedRecord:
        for name, field in zip(self._records.names, fields, strict=False):
            try:
                _ = name in WORD_COLUMNS or _float(field)
            except ValueError:
                return self._records.not_a_number(self.rows, name, field)
        raise AssertionError("one of them is no number")


def _float(field: bytes) -> float:
    return float(field) if field else math.nan


def _sample(fields: list[bytes], columns: Sequence[str], *, guarded: bool = True) -> Sample:
    elapsed, utc, state, *numbers, flags = fields
    volts, amps, charge, energy, temp, *readings = map(_float, numbers)
    return Sample(
        elapsed_s=_float(elapsed),
        utc=utc.decode("utf-8", "replace"),
        state=word_of(state, guarded=guarded),
        pack_volts=volts,
        pack_amps=amps,
        charge_ah=charge,
        energy_wh=energy,
        pack_temp_c=temp,
        readings=dict(zip(columns, readings, strict=True)),
        flags=flags_of(flags, guarded=guarded),
    )


def sample_of(line: bytes, names: Sequence[str]) -> Sample | None:
    """The sample of one record of a file with these columns, for whoever follows it while it grows; ``None`` when the
    record is torn, damaged or none of ours."""
    if tuple(names[: len(FIRST_COLUMNS)]) != FIRST_COLUMNS or tuple(names[-len(LAST_COLUMNS) :]) != LAST_COLUMNS:
        return None
    text = verified(line, len(names))
    try:
        return None if text is None else _sample(fields_of(text), names[len(FIRST_COLUMNS) : -len(LAST_COLUMNS)])
    except ValueError:
        return None


def samples(source: RunFolder | Path) -> SampleReader:
    """Read a run's samples back; raises ``Usage`` or ``DamagedRecord``."""
    return SampleReader(source)


def table(source: RunFolder | Path) -> Table:
    """Read a run's samples as columns, a night of ten a second in seconds; raises ``Usage`` or ``DamagedRecord``."""
    return read_table(source)


__all__ = [
    "FIRST_COLUMNS",
    "FLAG_SEPARATOR",
    "LAST_COLUMNS",
    "WORD_COLUMNS",
    "DamagedRecord",
    "RowWriter",
    "SampleReader",
    "Table",
    "Tail",
    "as_words",
    "csv_field",
    "sample_of",
    "samples",
    "table",
]
