"""The samples of a record as a sequence, kept as columns: one is made only when somebody asks for it.

A night of ten a second made into objects all at once takes a gigabyte; its columns take a tenth of that.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, overload

from harness.sample import Sample
from harness.samplefile import FIRST_COLUMNS, FLAG_SEPARATOR, WORD_COLUMNS, Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_BLOCK = 2048
"""So many samples are made at once."""

_PACK = tuple(name for name in FIRST_COLUMNS if name not in WORD_COLUMNS)


class Rows(Sequence[Sample]):
    """Samples of ``table``: those ``at`` these rows of it, all of them when not told. ``marks``: row -> an operator's.
    ``later_s`` is added to every time, s."""

    def __init__(
        self,
        table: Table,
        *,
        marks: Mapping[int, tuple[str, ...]] | None = None,
        at: NDArray[np.intp] | None = None,
        later_s: float = 0.0,
    ) -> None:
        import numpy as np

        self._table, self._marks, self._later_s = table, dict(marks or {}), later_s
        self._at = np.arange(table.rows) if at is None else at
        self._columns = tuple(name for name in table.numbers if name not in _PACK)
        self._block: tuple[int, tuple[Sample, ...]] = (-1, ())

    def __len__(self) -> int:
        return len(self._at)

    @overload
    def __getitem__(self, index: int) -> Sample: ...
    @overload
    def __getitem__(self, index: slice) -> Rows: ...
    def __getitem__(self, index: int | slice) -> Sample | Rows:
        if isinstance(index, slice):
            return self._some(self._at[index])
        at = range(len(self._at))[index]
        if self._block[0] != at // _BLOCK:
            first = at - at % _BLOCK
            self._block = at // _BLOCK, tuple(self._made(self._at[first : first + _BLOCK]))
        return self._block[1][at % _BLOCK]

    def __iter__(self) -> Iterator[Sample]:
        for first in range(0, len(self._at), _BLOCK):
            yield from self._made(self._at[first : first + _BLOCK])

    def between(self, *, from_s: float, to_s: float, state: str | None) -> Rows:
        """Those of one state from ``from_s`` on and before ``to_s``, s; of no state none."""
        elapsed = self._table["elapsed_s"][self._at]
        if self._later_s:
            elapsed = elapsed + self._later_s
        inside = (elapsed >= from_s) & (elapsed < to_s)
        inside &= state is not None and self._table.in_state(state)[self._at]
        return self._some(self._at[inside])

    def later(self, by_s: float) -> Rows:
        """The same with every time ``by_s`` later, s."""
        return Rows(self._table, marks=self._marks, at=self._at, later_s=self._later_s + by_s)

    def _some(self, at: NDArray[np.intp]) -> Rows:
        return Rows(self._table, marks=self._marks, at=at, later_s=self._later_s)

    def _made(self, at: NDArray[np.intp]) -> Iterator[Sample]:
        table, columns, marks = self._table, self._columns, self._marks
        numbers = [table[name][at].tolist() for name in _PACK]
        elapsed = [one + self._later_s for one in numbers[0]] if self._later_s else numbers[0]
        read = zip(*(table[name][at].tolist() for name in columns), strict=True) if columns else ((),) * len(at)
        (states, state_texts), (flags, flag_texts) = table.words.coded("state"), table.words.coded("flags")
        flagged = tuple(tuple(text.split(FLAG_SEPARATOR)) if text else () for text in flag_texts)
        told = (elapsed, *numbers[1:], states[at].tolist(), flags[at].tolist(), at.tolist(), read)
        for time, volts, amps, charge, energy, temp, state, flag, row, readings in zip(*told, strict=True):
            yield Sample(
                time,
                table.words.utc_at(row),
                state_texts[state],
                volts,
                amps,
                charge,
                energy,
                temp,
                dict(zip(columns, readings, strict=True)),
                flagged[flag],
                marks.get(row, ()),
            )
