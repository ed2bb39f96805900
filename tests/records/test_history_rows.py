"""The record of a run as a sequence of samples: the same as its rows read one after the other."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from harness.historyrows import Rows
from harness.sample import Sample
from harness.samplefile import RowWriter, samples, table

COLUMNS = ("load_volts", "meter_volts")


def rows_of(place: Path, count: int) -> tuple[Sample, ...]:
    writer = RowWriter(COLUMNS)
    made = []
    for at in range(count):
        made.append(
            Sample(
                elapsed_s=0.1 * at,
                utc=f"2025-01-01T00:00:{at % 60:02d}.000Z",
                state=("resting", "sinking", "=odd, state")[at // 1000 % 3],
                pack_volts=13.0 + at / 7,
                pack_amps=math.inf if at % 501 == 7 else 2.0,
                charge_ah=at / 3,
                energy_wh=at / 11,
                pack_temp_c=math.nan if at % 13 == 0 else 23.0,
                readings={"load_volts": 12.9, "meter_volts": at / 17},
                flags=("a", "=b") if at % 5 == 0 else (),
            )
        )
    (place / "samples.csv").write_bytes(writer.header() + b"".join(map(writer.record, made)))
    return tuple(made)


def same(found: list[Sample], wanted: list[Sample]) -> bool:
    return list(map(repr, found)) == list(map(repr, wanted))  # nan is like nan in words


def test_as_the_rows_one_after_the_other(tmp_path: Path) -> None:
    rows_of(tmp_path, 5000)
    file = tmp_path / "samples.csv"
    plain = list(samples(file))
    rows = Rows(table(file), marks={3: ("window opened",), 4999: ("x", "y")})
    plain[3], plain[4999] = replace(plain[3], marks=("window opened",)), replace(plain[4999], marks=("x", "y"))
    assert len(rows) == 5000
    assert same(list(rows), plain)
    assert same([rows[at] for at in range(0, 5000, 77)], plain[::77])
    assert same([rows[-1], rows[-5000]], [plain[-1], plain[0]])
    assert same(list(rows[10:4000:3]), plain[10:4000:3])
    assert same(list(rows[-1:]), plain[-1:])
    for state in ("sinking", "=odd, state", None, "never"):
        wanted = [one for one in plain if 20.0 <= one.elapsed_s < 450.0 and one.state == state]
        assert same(list(rows.between(from_s=20.0, to_s=450.0, state=state)), wanted)
    moved = [replace(one, elapsed_s=one.elapsed_s + -7.3) for one in plain]
    assert same(list(rows.later(-7.3)), moved)
    wanted = [one for one in moved if 20.0 <= one.elapsed_s < 450.0 and one.state == "sinking"]
    assert same(list(rows.later(-7.3).between(from_s=20.0, to_s=450.0, state="sinking")), wanted)


@given(st.integers(0, 40), st.data())
def test_any_part_of_any_record(count: int, draw: st.DataObject) -> None:
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as place:
        rows_of(Path(place), count)
        rows, plain = Rows(table(Path(place) / "samples.csv")), list(samples(Path(place) / "samples.csv"))
    part = draw.draw(st.slices(count))
    assert same(list(rows[part]), plain[part])
