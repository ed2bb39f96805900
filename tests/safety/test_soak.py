"""Long nights: twelve hours of each procedure in bench time, and some minutes of a real run beside its real guard. What
a program holds on to must not grow with them, and the loop must keep its time.

    NIGHTBENCH_SOAK_S=28800 pytest -n 0 -m slow -s tests/safety/test_soak.py
"""

from __future__ import annotations

import gc
import gzip
import os
import signal
import statistics
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import guarded
import pytest
from night import SHORT, Short, Wires, quick, spend

from harness.room import record_bytes
from harness.samplefile import samples

SOAK_S = float(os.environ.get("NIGHTBENCH_SOAK_S", "600"))
HOURS = 12.0
LOOK_EVERY = 1000

pytestmark = [pytest.mark.slow, pytest.mark.timeout(max(3600, round(2 * SOAK_S)))]

FLOOR, CEILING = SHORT["voltage-floor"], SHORT["charge-ceiling"]


def changed(short: Short, *sets: str) -> Short:
    """The same with other values of the plan."""
    keys = {one.partition("=")[0] for one in sets}
    kept = tuple(one for one in short.sets if one.partition("=")[0] not in keys)
    return Short(**{**{name: getattr(short, name) for name in short.__dataclass_fields__}, "sets": (*kept, *sets)})


LONG = {
    "capacity": Short(
        "capacity", 0.995, ("charge_first=false", "rate_it=0.08", "rest_s=600", "rest_after_s=600"), "load"
    ),
    "charge": Short("charge", 0.02, ("amps=0.65", "end_amps=0.4"), "supply"),
    # Nearly all of it at rest.
    "c-rate": Short("c-rate", 0.9, ("rest_s=14400", "step_s=60", "rates_it=0.2 0.5 1"), "load"),
    "voltage-floor": changed(FLOOR, "dwell_s=6600", "idle_s=3600"),
    "charge-ceiling": changed(CEILING, "dwell_s=9000"),
}


def resident_bytes(pid: int | str = "self") -> int:
    """What the system says that a process holds in memory."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def handles(pid: int | str = "self") -> int:
    return len(os.listdir(f"/proc/{pid}/fd"))


MOST_B_PER_ROW = 300
"""What a fold keeps of each row for its figures is two pairs of numbers at most, 112 bytes each: 10 MB in 12 h.
Nothing else may grow."""

AT_REST_B_PER_ROW = 20
"""With everything off no fold keeps anything; Python's own allocator spreads a little."""


@pytest.mark.parametrize("procedure", LONG)
def test_twelve_hours(procedure: str, tmp_path: Path) -> None:
    seen: list[tuple[int, int, int]] = []
    kept: list[Wires] = []

    def each(number: int, _sample: Any) -> None:
        kept[0].heard.clear()  # the test's own memory of every message
        if number % LOOK_EVERY == 0:
            gc.collect()
            seen.append((number, handles(), resident_bytes()))

    with quick():
        night = spend(tmp_path, LONG[procedure], arrange=kept.append, each=each)
    assert night.exit_code == 0, night.refusal or night.result.end_reason
    assert night.folder is not None
    wrote = night.folder.samples_csv.stat().st_size + len(gzip.decompress(night.folder.wire_gz.read_bytes()))
    told = record_bytes(night.result.duration_s or 0.0, period_s=1.0, instruments=len(kept[0].names))
    hours = (night.result.duration_s or 0.0) / 3600.0
    first, last = seen[len(seen) // 4], seen[-1]
    grown = (last[2] - first[2]) / (last[0] - first[0])
    print(
        f"\n{procedure}: {hours:.1f} h, {night.result.rows} rows, handles {min(s[1] for s in seen)} to "
        f"{max(s[1] for s in seen)}, {first[2] / 1e6:.1f} to {last[2] / 1e6:.1f} MB, {grown:.1f} bytes a row; "
        f"record of {wrote / 1e6:.1f} MB before it is packed, {told / 1e6:.1f} MB by forecast"
    )
    assert hours >= HOURS - 0.5
    assert wrote <= told <= 3.0 * wrote
    assert last[1] <= first[1]
    assert grown <= (AT_REST_B_PER_ROW if procedure == "c-rate" else MOST_B_PER_ROW)


def test_a_real_run_beside_its_guard(tmp_path: Path) -> None:
    """At real speed: turns a second apart, and what two processes hold."""
    place = tmp_path / "it"
    seen: list[tuple[int, int, int, int]] = []
    with guarded.run(place, "capacity", speed=1.0) as one:
        pids = (one.process.pid, one.guard_pid())
        end = time.monotonic() + SOAK_S
        while time.monotonic() < end:
            time.sleep(min(5.0, SOAK_S / 20))  # a real run: waited for
            assert one.energised()
            seen.append((handles(pids[0]), resident_bytes(pids[0]), handles(pids[1]), resident_bytes(pids[1])))
        one.process.send_signal(signal.SIGINT)
        assert one.ended()[0] == 20
    (folder,) = place.glob("runs/*")
    from harness.folder import RunFolder

    times = [sample.elapsed_s for sample in samples(RunFolder(folder)) if sample.state == "sinking"]
    late = sorted(abs(b - a - 1.0) for a, b in pairwise(times))
    p999 = late[min(len(late) - 1, int(0.999 * len(late)))]
    first, last = seen[len(seen) // 4], seen[-1]
    print(
        f"\n{SOAK_S:.0f} s: {len(times)} turns, off their second by {statistics.median(late):.4f} s median, "
        f"{p999:.4f} s 99.9 %, {late[-1]:.4f} s most; run {first[0]} to {last[0]} handles, {first[1] / 1e6:.1f} to "
        f"{last[1] / 1e6:.1f} MB; guard {first[2]} to {last[2]} handles, {first[3] / 1e6:.1f} to {last[3] / 1e6:.1f} MB"
    )
    assert p999 < 0.5
    assert (last[0], last[2]) == (first[0], first[2])
    assert last[3] <= first[3] + 100_000
    assert last[1] <= first[1] + 1_000_000
