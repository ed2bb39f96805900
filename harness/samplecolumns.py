"""All samples of a run as columns, read fast and in little memory.

Numbers are parsed many records at a time, into arrays that are made once; words are kept as numbers of a list (of some
ten states a night has hundreds of thousands) and as bytes, and become text only when somebody asks for them.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from harness.folder import RunFolder
from harness.samplerows import FLAG_SEPARATOR, WORD_COLUMNS, Records, Tail, fields_of, flags_of, word_of

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_FIRST_ROOM, _A_NIGHT = 4096, 500_000
"""Rows for which room is made at once."""
_numbers = msgspec.json.Decoder(list[float | None])


class _Coded:
    """A column of few different words."""

    def __init__(self) -> None:
        self.code: dict[bytes, int] = {}
        self.rows: list[NDArray[np.int32]] = []

    def add(self, fields: list[bytes]) -> None:
        import numpy as np

        code = self.code
        for field in set(fields):
            code.setdefault(field, len(code))
        self.rows.append(np.fromiter(map(code.__getitem__, fields), np.int32, len(fields)))

    def whole(self) -> NDArray[np.int32]:
        import numpy as np

        if len(self.rows) != 1:
            self.rows = [np.concatenate(self.rows) if self.rows else np.empty(0, np.int32)]
        return self.rows[0]


class Words(Mapping[str, tuple[str, ...]]):
    """``utc``, ``state`` and ``flags`` of all samples. A column is turned into text each time it is asked for."""

    def __init__(self, *, guarded: bool) -> None:
        self._guarded = guarded
        self._coded = {"state": _Coded(), "flags": _Coded()}
        self._utc: list[bytes] = []
        self._begins: list[int] = [0]
        self._read: tuple[int, list[str]] = (-1, [])

    def add(self, utc: list[bytes], state: list[bytes], flags: list[bytes]) -> None:
        """The next records."""
        self._utc.append(b"\n".join(utc))
        self._begins.append(self._begins[-1] + len(utc))
        self._coded["state"].add(state)
        self._coded["flags"].add(flags)

    def __getitem__(self, name: str) -> tuple[str, ...]:
        if name == "utc":
            return tuple(one for chunk in self._utc for one in chunk.decode("utf-8", "replace").split("\n"))
        text = self.among(name)
        return tuple(map(text.__getitem__, self._coded[name].whole().tolist()))

    def utc_at(self, row: int) -> str:
        """``utc`` of one sample; quick for rows that lie near each other."""
        at = bisect_right(self._begins, row) - 1
        if self._read[0] != at:
            self._read = at, self._utc[at].decode("utf-8", "replace").split("\n")
        return self._read[1][row - self._begins[at]]

    def __iter__(self) -> Iterator[str]:
        return iter(sorted(WORD_COLUMNS))

    def __len__(self) -> int:
        return len(WORD_COLUMNS)

    def among(self, name: str) -> tuple[str, ...]:
        """The different texts in ``state`` or ``flags``, in the order in which they first came."""
        return tuple(self._text(name, field) for field in self._coded[name].code)

    def _text(self, name: str, field: bytes) -> str:
        if name == "flags":
            return FLAG_SEPARATOR.join(flags_of(field, guarded=self._guarded))
        return word_of(field, guarded=self._guarded)

    def coded(self, name: str) -> tuple[NDArray[np.int32], tuple[str, ...]]:
        """``state`` or ``flags`` as numbers of ``among``, and that."""
        return self._coded[name].whole(), self.among(name)

    def where(self, name: str, word: str) -> NDArray[np.bool_]:
        """Which samples have exactly this ``state``, or exactly these ``flags``."""
        import numpy as np

        coded = self._coded[name]
        wanted = [code for field, code in coded.code.items() if self._text(name, field) == word]
        return np.isin(coded.whole(), wanted)


@dataclass(frozen=True, slots=True)
class Table:
    """All samples as columns: ``numbers`` by name (float64, nan where empty), ``words`` by name, and the ``tail``."""

    numbers: dict[str, NDArray[np.float64]]
    words: Words
    rows: int
    tail: Tail

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.numbers[name]

    def in_state(self, state: str) -> NDArray[np.bool_]:
        """Which samples were taken in this state."""
        return self.words.where("state", state)


class _Arrays:
    """The columns of numbers, with room for more rows than are there."""

    def __init__(self, width: int) -> None:
        import numpy as np

        self._all: NDArray[np.float64] = np.empty((width, 0))
        self.rows = 0

    def add(self, block: NDArray[np.float64], *, room: int) -> None:
        """The next rows; ``room``: how many rows the file may hold in all."""
        import numpy as np

        end = self.rows + len(block)
        if end > self._all.shape[1]:
            # Pages that are never written to take no memory, so a generous guess costs nothing.
            grown = np.empty((len(self._all), max(end, room, _FIRST_ROOM)))
            grown[:, : self.rows] = self._all[:, : self.rows]
            self._all = grown
        self._all[:, self.rows : end] = block.T
        self.rows = end

    def columns(self) -> NDArray[np.float64]:
        return self._all[:, : self.rows]


def read_table(source: RunFolder | Path) -> Table:
    """Every good record, each held against its check value. Raises ``Usage`` or ``DamagedRecord``."""
    records = Records(source)
    names = [name for name in records.names[:-1] if name not in WORD_COLUMNS]
    size = records.path.stat().st_size
    words, arrays, read = Words(guarded=records.guarded), _Arrays(len(names)), 0
    for texts in records.chunks():
        if not texts:
            continue
        block = _block(texts, words, names, records, before=arrays.rows)
        read += sum(map(len, texts))
        there = arrays.rows + len(texts)
        # A file may be nearly all zeros after a power cut, or on purpose: past a night the guess only doubles.
        room = min(int(1.05 * size * there / read) + _FIRST_ROOM, max(_A_NIGHT, 2 * there))
        arrays.add(block, room=room)
    columns = arrays.columns()
    return Table({name: columns[at] for at, name in enumerate(names)}, words, arrays.rows, records.tail)


def _block(texts: list[bytes], words: Words, names: list[str], records: Records, *, before: int) -> NDArray[np.float64]:
    """Some records: words are put with the others, numbers given back, a row a record."""
    import numpy as np

    numbers: list[bytes] = []
    utc: list[bytes] = []
    state: list[bytes] = []
    flags: list[bytes] = []
    for text in texts:
        if b'"' in text:
            elapsed, when, where, *rest, flag = fields_of(text)
            middle = b",".join(rest)
        else:
            elapsed, when, where, most = text.split(b",", 3)
            middle, _, flag = most.rpartition(b",")
        numbers += (elapsed, middle)
        utc.append(when)
        state.append(where)
        flags.append(flag)
    words.add(utc, state, flags)
    joined = b"[" + b",".join(numbers) + b"]"
    if b",," in joined or joined.endswith(b",]") or joined.startswith(b"[,"):
        joined = joined.replace(b",,", b",null,").replace(b",,", b",null,")
        joined = joined.replace(b"[,", b"[null,", 1).replace(b",]", b",null]")
    try:
        found = _numbers.decode(joined)
    except msgspec.MsgspecError:  # infinity has no form in JSON; and a damaged field must be named
        found = list(_one_by_one(numbers, names, records, before))
    if len(found) != len(texts) * len(names):  # a field of numbers that was quoted and holds commas
        found = list(_one_by_one(numbers, names, records, before))
    return np.array(found, dtype=np.float64).reshape(len(texts), len(names))


def _one_by_one(numbers: list[bytes], names: list[str], records: Records, before: int) -> Iterator[float]:
    for row in range(len(numbers) // 2):
        fields = [numbers[2 * row], *numbers[2 * row + 1].split(b",")]
        if len(fields) != len(names):
            raise records.not_a_number(before + row + 1, "a field", numbers[2 * row + 1])
        for name, field in zip(names, fields, strict=True):
            try:
                yield float(field) if field else math.nan
            except ValueError:
                raise records.not_a_number(before + row + 1, name, field) from None
