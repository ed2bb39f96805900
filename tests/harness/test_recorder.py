"""The recorder: what lands in the files, when it is synced, and what is read back."""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
import os
import threading
import timeit
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness import durable
from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.jsonlines import events, exchanges
from harness.recorder import SYNC_EVERY_S, SYNCED_KINDS, Recorder
from harness.sample import Sample
from harness.samplefile import RowWriter, samples, table

COLUMNS = ("supply_volts", "supply_amps", "load_volts", "load_amps", "probe_temp_c")
NIGHT = datetime(2025, 1, 1, 22, tzinfo=UTC)


class MachineClock(VirtualClock):
    """A virtual clock whose machine time the test moves."""

    def __init__(self) -> None:
        super().__init__(utc0=NIGHT)
        self.machine_s = 0.0

    def wall(self) -> float:
        return self.machine_s


@dataclass(frozen=True)
class Talk:
    """What the tap of a wire hands over."""

    name: str
    sent: bytes
    received: bytes | None
    error: str | None = None


def row(n: int, **changes: object) -> Sample:
    values: dict[str, object] = {
        "elapsed_s": n * 1.0,
        "utc": "2025-01-01T22:00:00.000Z",
        "state": "discharging",
        "pack_volts": 26.4 - n * 1e-4,
        "pack_amps": 1.9999123,
        "charge_ah": n / 1800,
        "energy_wh": n / 70,
        "pack_temp_c": 23.5,
        "readings": dict.fromkeys(COLUMNS, 0.1 + n),
        "flags": (),
    }
    return Sample(**{**values, **changes})  # type: ignore[arg-type]


@pytest.fixture
def clock() -> MachineClock:
    return MachineClock()


@pytest.fixture
def folder(tmp_path: Path, clock: MachineClock) -> RunFolder:
    return RunFolder.create(tmp_path / "runs", procedure="capacity", name="cellar", started=clock.utc())


@pytest.fixture
def recorder(folder: RunFolder, clock: MachineClock) -> Recorder:
    return Recorder(folder, clock=clock, columns=COLUMNS, simulated=True)


@pytest.fixture
def syncs(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Descriptors synced, in order."""
    seen: list[int] = []
    real = os.fsync

    def count(descriptor: int) -> None:
        seen.append(descriptor)
        real(descriptor)

    monkeypatch.setattr(durable.os, "fsync", count)
    return seen


def test_the_file_is_there_with_its_header_before_the_first_sample(recorder: Recorder, folder: RunFolder) -> None:
    header = folder.samples_csv.read_bytes()
    assert header == (
        b"elapsed_s,utc,state,pack_volts,pack_amps,charge_ah,energy_wh,pack_temp_c,"
        b"supply_volts,supply_amps,load_volts,load_amps,probe_temp_c,flags,crc32\r\n"
    )


def test_a_row_is_readable_by_another_program_as_soon_as_it_is_acknowledged(
    recorder: Recorder, folder: RunFolder
) -> None:
    for n in range(5):
        recorder.sample(row(n))
        with open(folder.samples_csv, newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == n + 1 == recorder.rows
        assert float(rows[-1]["pack_volts"]) == 26.4 - n * 1e-4


def test_records_end_in_cr_lf_and_carry_the_crc_of_what_stands_before_it(recorder: Recorder, folder: RunFolder) -> None:
    # RFC 4180 for the line end. CRC-32 check value of "123456789": CBF43926 (catalogue of CRC algorithms, from memory).
    assert zlib.crc32(b"123456789") == 0xCBF43926
    recorder.sample(row(3, flags=("late", 'said "9.9, or so"')))
    raw = folder.samples_csv.read_bytes()
    assert raw.count(b"\r\n") == 2 == raw.count(b"\n")
    text, _, check = raw.splitlines()[1].rpartition(b",")
    assert check == f"{zlib.crc32(text):08x}".encode()


@pytest.mark.parametrize(
    ("value", "field"),
    [
        (0.1, "0.1"),
        (1 / 3, "0.3333333333333333"),
        (math.nan, ""),
        (math.inf, "INF"),
        (-math.inf, "-INF"),
        (-0.0, "-0.0"),
        (5e-324, "5e-324"),
    ],
)
def test_numbers_as_written(value: float, field: str) -> None:
    raw = RowWriter(COLUMNS).record(row(1, pack_amps=value, readings={"load_amps": value}))
    (fields,) = csv.reader(io.StringIO(raw.decode()))
    assert fields[4] == field
    assert fields[11] == field
    assert fields[8] == ""  # no reading of this instrument in this turn


numbers = st.floats(allow_nan=True, allow_infinity=True)
words = st.text(st.characters(exclude_categories=("Cc", "Cf", "Cs", "Zl", "Zp", "Cn"), exclude_characters=";"))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(values=st.lists(numbers, min_size=11, max_size=11), state=words, flags=st.lists(words.filter(bool), max_size=3))
def test_what_is_written_is_read_back_exactly(
    tmp_path: Path, values: list[float], state: str, flags: list[str]
) -> None:
    volts, amps, charge, energy, temp, elapsed, *rest = values
    if not math.isfinite(elapsed):
        elapsed = 0.0
    written = Sample(
        elapsed, "2025-01-01T22:00:00.000Z", state, volts, amps, charge, energy, temp,
        dict(zip(COLUMNS, rest, strict=True)), tuple(flags),
    )  # fmt: skip
    writer = RowWriter(COLUMNS)
    path = tmp_path / "samples.csv"
    path.write_bytes(writer.header() + writer.record(written) + writer.record(row(1)))
    back, _ = samples(path)
    assert repr(back) == repr(written)  # repr: nan equals nan, -0.0 does not equal 0.0
    columns = table(path)
    assert repr(columns["pack_volts"].tolist()[0]) == repr(volts)
    assert columns.words["state"][0] == state


def test_a_word_cannot_break_the_line_or_carry_an_escape_code(recorder: Recorder, folder: RunFolder) -> None:
    recorder.sample(row(1, state="a\r\nb", flags=("x\x1b[2J", "y\x00")))
    (back,) = samples(folder)
    assert back.state == "a b"
    assert back.flags == (r"x\x1b[2J", r"y\x00")


def test_columns_as_arrays(recorder: Recorder, folder: RunFolder) -> None:
    for n in range(10):
        recorder.sample(row(n, pack_temp_c=math.nan if n == 4 else 20.0 + n))
    columns = table(folder)
    assert columns.rows == 10
    assert columns["elapsed_s"].tolist() == [float(n) for n in range(10)]
    assert [n for n in range(10) if math.isnan(columns["pack_temp_c"][n])] == [4]
    assert set(columns.words) == {"utc", "state", "flags"}


def test_columns_of_a_run_without_samples(recorder: Recorder, folder: RunFolder) -> None:
    assert table(folder)["pack_volts"].shape == (0,)
    assert list(samples(folder)) == []


def test_a_reading_without_a_column_is_refused_not_lost(recorder: Recorder) -> None:
    with pytest.raises(ValueError, match="no column for meter_volts"):
        recorder.sample(row(1, readings={"meter_volts": 1.0}))
    assert recorder.rows == 0


@pytest.mark.parametrize("columns", [("a_volts", "a_volts"), ("pack_volts",), ("a,b_volts",), ("",), ("a\n_volts",)])
def test_column_names_that_would_spoil_the_file(columns: tuple[str, ...]) -> None:
    with pytest.raises(ValueError, match="columns"):
        RowWriter(columns)


def test_rows_are_synced_once_a_second_of_machine_time(
    recorder: Recorder, clock: MachineClock, syncs: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    served = threading.Semaphore(0)
    counted = os.fsync

    def serve(descriptor: int) -> None:
        counted(descriptor)
        served.release()

    monkeypatch.setattr(durable.os, "fsync", serve)
    for n in range(40):
        clock.machine_s = n * SYNC_EVERY_S / 4
        recorder.sample(row(n))
        if n and n % 4 == 0:
            assert served.acquire(timeout=30.0), "asked for in the second in which it is due"
    assert len(syncs) == 9  # at 1, 2, ... 9 s: only samples.csv had grown


@pytest.mark.parametrize("kind", ["intent", "trip", "limit change"])
def test_grave_events_are_on_disk_before_they_are_acted_on(recorder: Recorder, syncs: list[int], kind: str) -> None:
    assert kind in SYNCED_KINDS
    recorder.sample(row(0))
    assert syncs == []
    recorder.event(kind, text="on")
    assert len(syncs) == 2  # samples.csv and events.jsonl


def test_other_events_wait_unless_asked(recorder: Recorder, syncs: list[int]) -> None:
    recorder.event("state", state="resting")
    assert syncs == []
    recorder.event("off", sync=True)
    assert len(syncs) == 1


def test_events_come_back_with_their_time(recorder: Recorder, folder: RunFolder, clock: MachineClock) -> None:
    clock.sleep(12.5)
    recorder.event("energised", by="load", amps=2.0, nothing=math.nan, where=Path("x"))
    reader = events(folder)
    assert list(reader) == [
        {
            "elapsed_s": 12.5,
            "utc": "2025-01-01T22:00:12.500Z",
            "kind": "energised",
            "rows": 0,
            "by": "load",
            "amps": 2.0,
            "nothing": None,
            "where": "x",
        }
    ]
    assert reader.header["simulated"] is True
    assert reader.header["run"] == folder.name


def test_an_event_may_not_set_its_own_time(recorder: Recorder) -> None:
    with pytest.raises(ValueError, match="the recorder's own"):
        recorder.event("note", utc="yesterday")


TALK = [
    Talk("supply", b"MEAS:VOLT?\n", b"26.4123"),
    Talk("load", b"*IDN?\n", bytes(range(256))),
    Talk("load", b"INP OFF\n", None),
    Talk("meter", b"MEAS:VOLT:DC?\n", None, "no answer within 0.8 s"),
]


def test_exchanges_are_written_with_the_next_row(recorder: Recorder, folder: RunFolder) -> None:
    for talk in TALK:
        recorder.exchange(talk)
    assert list(exchanges(folder)) == []
    recorder.sample(row(1))
    assert len(list(exchanges(folder))) == 4


def test_every_byte_of_an_exchange_comes_back_also_compressed(recorder: Recorder, folder: RunFolder) -> None:
    for talk in TALK:
        recorder.exchange(talk)
    assert recorder.close() is None
    assert not folder.wire_jsonl.exists()
    back = [Talk(one.name, one.sent, one.received, one.error) for one in exchanges(folder)]
    assert back == TALK
    with gzip.open(folder.wire_gz) as file:
        assert all(isinstance(json.loads(line), dict) for line in file)


def test_closing_twice_is_fine_and_writing_afterwards_is_not(recorder: Recorder) -> None:
    assert recorder.close() is None
    assert recorder.close() is None
    with pytest.raises(ValueError, match="after it was closed"):
        recorder.sample(row(1))


def test_the_block_closes_and_lets_the_reason_through(recorder: Recorder, folder: RunFolder) -> None:
    with pytest.raises(KeyError, match="the reason"), recorder:  # noqa: PT012
        recorder.exchange(TALK[0])
        raise KeyError("the reason")
    assert folder.wire_gz.exists()


@pytest.mark.parametrize("simulated", [True, False])
def test_every_file_says_whether_it_was_simulated(folder: RunFolder, clock: MachineClock, simulated: bool) -> None:
    Recorder(folder, clock=clock, columns=COLUMNS, simulated=simulated).close()
    described = json.loads(folder.samples_metadata.read_bytes())
    assert described["notes"] == [{"simulated": simulated}]
    for head in (folder.events_jsonl.read_bytes(), gzip.decompress(folder.wire_gz.read_bytes())):
        assert json.loads(head.splitlines()[0])["simulated"] is simulated


def test_nothing_that_is_there_is_overwritten(recorder: Recorder, folder: RunFolder, clock: MachineClock) -> None:
    recorder.sample(row(1))
    before = folder.samples_csv.read_bytes()
    with pytest.raises(durable.RecordFailed, match=r"samples\.csv: could not create it: File exists"):
        Recorder(folder, clock=clock, columns=COLUMNS, simulated=True)
    assert folder.samples_csv.read_bytes() == before


def test_a_calendar_clock_that_is_set_back_spoils_no_row(recorder: Recorder, folder: RunFolder) -> None:
    # The wall clock goes back one hour at sample 360; elapsed_s, which is what is integrated over, does not.
    for n in range(720):
        hour = 22 if n < 360 else 21
        recorder.sample(row(n, elapsed_s=n * 10.0, utc=f"2025-01-01T{hour}:00:00.000Z", pack_amps=1.2))
    columns = table(folder)
    steps = {b - a for a, b in zip(columns["elapsed_s"][:-1], columns["elapsed_s"][1:], strict=True)}
    assert steps == {10.0}
    assert columns.words["utc"][359:361] == ("2025-01-01T22:00:00.000Z", "2025-01-01T21:00:00.000Z")
    # 720 samples, 719 steps of 10 s at 1.2 A: 2.3967 Ah.
    assert 1.2 * (columns["elapsed_s"][-1] - columns["elapsed_s"][0]) / 3600 == pytest.approx(2.3967, abs=5e-5)


@pytest.mark.benchmark
def test_a_row_costs_no_more_than_the_standard_writer(recorder: Recorder, tmp_path: Path) -> None:
    sample = row(12345)
    with open(tmp_path / "plain.csv", "w", newline="") as file:
        plain = csv.writer(file)
        fields = [getattr(sample, name) for name in ("elapsed_s", "utc", "state", "pack_volts", "pack_amps")]
        fields += [sample.charge_ah, sample.energy_wh, sample.pack_temp_c, *sample.readings.values(), ""]

        def write_plainly() -> None:
            plain.writerow(fields)
            file.flush()

        def best(act: object) -> float:
            return min(timeit.repeat(act, number=1000, repeat=7))  # type: ignore[arg-type]

        assert best(lambda: recorder.sample(sample)) < 2 * best(write_plainly)
