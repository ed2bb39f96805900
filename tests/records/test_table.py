"""All samples as columns: the same as one by one, each record held against its check value, fast, in little memory."""

from __future__ import annotations

import math
import random
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.sample import Sample
from harness.samplefile import DamagedRecord, RowWriter, samples, table

COLUMNS = ("supply_volts", "load-1_amps")
WRITER = RowWriter(COLUMNS)
UTC = "2025-01-01T22:00:00.000Z"

numbers = st.floats(allow_nan=True, allow_infinity=True)
words = st.sampled_from(["", "sinking", 'a "quoted", one', "=1+1", "'=x", "'", " -1", "@SUM(A1)", "ﬂ", "＝cmd", "it's"])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(rows=st.lists(st.tuples(st.lists(numbers, min_size=7, max_size=7), words, st.lists(words.filter(bool)))))
def test_it_is_what_is_read_one_by_one(tmp_path: Path, rows: list[tuple[list[float], str, list[str]]]) -> None:
    path = tmp_path / "samples.csv"
    written = [
        Sample(at * 0.1, UTC, state, *values[:5], dict(zip(COLUMNS, values[5:], strict=True)), tuple(flags))
        for at, (values, state, flags) in enumerate(rows)
    ]
    path.write_bytes(WRITER.header() + b"".join(map(WRITER.record, written)))
    found, back = table(path), list(samples(path))
    assert repr(back) == repr(written)
    assert found.rows == len(rows)
    for name in ("elapsed_s", "pack_volts", "pack_temp_c"):
        assert repr(found[name].tolist()) == repr([getattr(sample, name) for sample in back])
    for name in COLUMNS:
        assert repr(found[name].tolist()) == repr([sample.readings[name] for sample in back])
    assert found.words["state"] == tuple(sample.state for sample in back)
    assert found.words["flags"] == tuple(";".join(sample.flags) for sample in back)
    assert found.words["utc"] == (UTC,) * len(rows)
    assert found.in_state("sinking").tolist() == [sample.state == "sinking" for sample in back]


def checked(text: bytes) -> bytes:
    return b"%b,%08x\r\n" % (text, zlib.crc32(text))


GOOD = checked(b"1.0,2025-01-01T22:00:00.000Z,sinking,12.8,2.0,0.1,1.2,23.0,12.7,2.0,")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (GOOD.replace(b"12.8", b"12.9"), r"record 2 \(line 3\) is damaged: a check value"),
        (checked(GOOD[:40]), r"record 2 \(line 3\) is damaged"),
        (checked(b"1.0,u,sinking,volts,2.0,0.1,1.2,23.0,12.7,2.0,"), r"record 2 .*: pack_volts is 'volts', no number"),
        (checked(b'1.0,u,sinking,"1,5",2.0,0.1,1.2,23.0,12.7,2.0,'), r"record 2 .*: .* is '.*', no number"),
        (checked(b"x,u,sinking,1.5,2.0,0.1,1.2,23.0,12.7,2.0,"), r"record 2 .*: elapsed_s is 'x', no number"),
    ],
)
def test_what_does_not_fit_is_named(tmp_path: Path, line: bytes, words: str) -> None:
    path = tmp_path / "samples.csv"
    path.write_bytes(WRITER.header() + GOOD + line + GOOD)
    for read in (table, lambda place: list(samples(place))):
        with pytest.raises(DamagedRecord, match=words):
            read(path)


NIGHT = 288_000
READ = """
import resource, sys, time
from pathlib import Path
from harness.samplefile import table
began = time.process_time()
found = table(Path(sys.argv[1]))
print(found.rows, time.process_time() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


@pytest.mark.slow
def test_eight_hours_of_ten_a_second(tmp_path: Path) -> None:
    """288,000 rows of 20 columns: under 2 s of CPU, and under 150 MB for the whole process."""
    drawn = random.Random(1)
    columns = tuple(f"{name}_{what}" for name in ("supply", "load", "meter", "a", "b") for what in ("volts", "amps"))
    writer = RowWriter(columns)
    assert len(writer.names) == 20
    path = tmp_path / "samples.csv"
    with path.open("wb") as file:
        file.write(writer.header())
        for n in range(NIGHT):
            readings = {name: math.nan if n % 50 == 0 else drawn.gauss(12, 0.1) for name in columns}
            volts, amps = drawn.gauss(12.8, 1e-3), drawn.gauss(2, 1e-3)
            flags = ("late",) if n % 1000 == 0 else ()
            file.write(
                writer.record(Sample(n / 10, UTC, "sinking", volts, amps, n / 18000, n / 1400, 23.0, readings, flags))
            )
    said = subprocess.run([sys.executable, "-c", READ, str(path)], capture_output=True, text=True, check=True).stdout
    rows, seconds, megabytes = map(float, said.split())
    print(f"{rows:.0f} rows, {seconds:.2f} s of CPU, {megabytes:.0f} MB at most", file=sys.stderr)
    assert rows == NIGHT
    assert seconds <= 2.0
    assert megabytes <= 150
