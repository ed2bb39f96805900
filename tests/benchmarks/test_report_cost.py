"""What the report of a long night costs: 8 h of ten samples a second, 288,000 rows, in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from died import cut
from night import SHORT, quick, spend

from harness.derived import result_of
from harness.folder import RunFolder
from harness.plain import utc_stamp
from harness.sample import Sample
from harness.samplefile import RowWriter, samples

ROWS = 288_000
PERIOD_S = 0.1
SET_AMPS = 12.0
"""What the plan asks of the load: less of it would be no discharge."""
MOST_S = 6.0
MOST_MB = 400.0

REPORTED = """
import resource, sys
from harness.cli import main
try:
    main(["report", sys.argv[1]])
finally:
    used = resource.getrusage(resource.RUSAGE_SELF)
    print(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
"""


def long_night(place: Path) -> RunFolder:
    """The folder of a short discharge, its samples replaced by a night of them: a rest, a discharge, a rest."""
    with quick():
        folder = spend(place, SHORT["capacity"]).folder
    assert folder is not None
    reader = samples(folder)
    first = next(reader)
    noise = np.random.default_rng(1).normal(0.0, 0.002, ROWS)
    writer, start, charge_ah = RowWriter(reader.columns), datetime.fromisoformat(first.utc), 0.0
    with open(folder.samples_csv, "wb") as file:
        file.write(writer.header())
        for number in range(ROWS):
            elapsed_s = number * PERIOD_S
            on = 3600 <= elapsed_s < 27000
            volts = 13.2 - 3.0 * (max(0.0, elapsed_s - 3600) / 23400) ** 6 + noise[number]
            amps = SET_AMPS * on + noise[number]
            charge_ah += SET_AMPS * on * PERIOD_S / 3600
            utc = utc_stamp(start + timedelta(seconds=elapsed_s))
            sample = Sample(
                elapsed_s=elapsed_s,
                utc=utc,
                state="sinking" if on else "resting",
                pack_volts=volts,
                pack_amps=amps,
                charge_ah=charge_ah,
                energy_wh=12.8 * charge_ah,
                pack_temp_c=23.0 + noise[number],
                readings=dict.fromkeys(reader.columns, volts),
            )
            file.write(writer.record(sample))
    return folder


def died_at_its_end(whole: RunFolder, place: Path) -> RunFolder:
    """The same night, killed in its discharge: its figures are worked out of its rows by whoever reports it."""
    folder = cut(whole, place, rows=ROWS)
    events = [json.loads(line) for line in folder.events_jsonl.read_bytes().splitlines()]
    on = next(one for one in events if one.get("kind") == "energised")
    on |= {"elapsed_s": 3600.0, "on_s": 3600.0, "rows": 36_000}
    kept = [one for one in events if one.get("kind") != "off"]
    folder.events_jsonl.write_text("".join(f"{json.dumps(one, separators=(',', ':'))}\n" for one in kept))
    return folder


@pytest.mark.benchmark
@pytest.mark.parametrize("died", [False, True], ids=["ended", "died"])
def test_a_night_of_ten_samples_a_second(tmp_path: Path, died: bool) -> None:
    folder = long_night(tmp_path)
    if died:
        folder = died_at_its_end(folder, tmp_path)
        assert "capacity_ah" in result_of(folder).figures
    told = subprocess.run(
        [sys.executable, "-c", REPORTED, str(folder.path)], capture_output=True, text=True, timeout=120, check=True
    )
    seconds, megabytes = map(float, told.stdout.split()[-2:])
    print(f"{ROWS} rows: {seconds:.2f} s of processor time, {megabytes:.0f} MB")
    assert folder.report_html.exists()
    assert seconds <= MOST_S
    assert megabytes <= MOST_MB
