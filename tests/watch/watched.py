"""A run that is on, made by hand: its folder with a record that grows when a test says so. No instrument, no wait."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from harness.clock import VirtualClock
from harness.folder import RunFolder
from harness.following import Seen
from harness.live import Live
from harness.recorder import Recorder
from harness.result import OffConfirmation, Result, load_result, write_result
from harness.sample import Sample

BEGUN = datetime(2026, 1, 2, 20, 0, tzinfo=UTC)


def sample(elapsed_s: float = 1.0, **more: Any) -> Sample:
    """A discharge at 5 A, 13 V."""
    told: dict[str, Any] = {
        "elapsed_s": elapsed_s,
        "utc": "2026-01-02T20:00:01.000Z",
        "state": "sinking",
        "pack_volts": 13.0,
        "pack_amps": 5.0,
        "charge_ah": 0.1,
        "energy_wh": 1.3,
        "pack_temp_c": 25.0,
        "readings": {"load_volts": 12.9},
        "flags": (),
    }
    return Sample(**(told | more))


class Running:
    """Its folder and its recorder; ``ends`` writes a result and lets go."""

    def __init__(self, place: Path, *, name: str = "porch", simulated: bool = True) -> None:
        self.clock = VirtualClock(utc0=BEGUN)
        self.folder = RunFolder.create(place, procedure="capacity", name=name, started=BEGUN)
        self.simulated = simulated
        self.recorder = Recorder(self.folder, clock=self.clock, columns=("load_volts",), simulated=simulated)

    def goes_on(self, count: int = 1, **more: Any) -> None:
        for _ in range(count):
            self.clock.sleep(1.0)
            self.recorder.sample(sample(self.clock.now(), **more))

    def says(self, **more: Any) -> None:
        """What the run tells of itself just now."""
        told = Live(pid=1, procedure="capacity", name="porch", expected_s=3600.0, elapsed_s=self.clock.now(), **more)
        (self.folder.path / ".live.json").write_bytes(msgspec.json.encode(told))

    def ends(self, outcome: Any = "finished", reason: str = "end volts reached", code: int = 0) -> Result:
        self.recorder.close()
        (self.folder.path / ".live.json").unlink(missing_ok=True)
        off = OffConfirmation(confirmed=outcome != "unsafe", how="load said off, two currents were 0", witness="meter")
        write_result(
            self.folder,
            Result(
                procedure="capacity", name="porch", simulated=self.simulated, started="2026-01-02T20:00:00Z",
                plan={}, outcome=outcome, exit_code=code, end_reason=reason, off_confirmation=off,
            ),
        )  # fmt: skip
        self.folder.release()
        return load_result(self.folder)

    def dies(self) -> None:
        """Killed: the kernel lets go of the lock, and no result is there."""
        self.folder.release()


def seen(**more: Any) -> Seen:
    """One look at a run that is on and well."""
    told: dict[str, Any] = {
        "outcome": "running", "live": Live(period_s=1.0), "last": sample(), "rows": 1, "events": (), "trouble": (),
        "grown": (1, 1, 1), "written_s": math.nan,
    }  # fmt: skip
    return Seen(**(told | more))
