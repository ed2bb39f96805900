"""Run folders of the invented pack and UPS of ``fit_made``, written as a run writes them, a few hundred rows each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import fit_made as made
import numpy as np

from harness.folder import RunFolder
from harness.result import Condition, Entry, Figure, Result, write_result
from harness.sample import Sample
from harness.samplefile import RowWriter

BEGIN = datetime(2025, 3, 1, 18, tzinfo=UTC)


SITE_TEXT = """[site]
load_w = 120.0
load_w_measured = true
load_w_max = 200.0
load_w_max_measured = true
runtime_needed_min = 30.0
runtime_needed_min_measured = true
ambient_min_c = 17.0
ambient_min_c_measured = true
ambient_max_c = 28.0
ambient_max_c_measured = true
"""
UPS_TEXT = made.UPS + SITE_TEXT


def figure(value: float, unit: str, expanded: float | None = None) -> Figure:
    return Figure(value=value, unit=unit, expanded_uncertainty=expanded, coverage_factor=2.0)


def rows(state: str, time_s: Any, volts: Any, amps: Any) -> Iterator[Sample]:
    for t, v, a in zip(time_s, volts, amps, strict=True):
        yield Sample(float(t), "2025-03-01T18:00:00Z", state, float(v), float(a), 0.0, 0.0, 23.0)


class Runs:
    """Makes run folders in ``place``, an hour apart; ``change`` goes into the result of the next one."""

    def __init__(self, place: Path, *, pack: str = made.PACK, ups: str | None = UPS_TEXT) -> None:
        self.place, self.pack, self.ups = place, pack, ups
        self.at = BEGIN
        self.simulated = True

    def write(
        self, procedure: str, samples: Sequence[Sample] = (), *, pack: bool = True, ups: bool = True, **of_result: Any
    ) -> RunFolder:
        """One folder, closed."""
        self.at += timedelta(hours=1)
        folder = RunFolder.create(self.place, procedure=procedure, name="shed", started=self.at)
        if pack:
            folder.add_input("pack.toml", self.pack)
        if ups and self.ups is not None:
            folder.add_input("ups.toml", self.ups)
        writer = RowWriter(())
        folder.samples_csv.write_bytes(writer.header() + b"".join(map(writer.record, samples)))
        told: dict[str, Any] = {"outcome": "finished", "exit_code": 0, "end_reason": "end volts reached"} | of_result
        started = self.at.strftime("%Y-%m-%dT%H:%M:%SZ")
        write_result(
            folder, Result(procedure=procedure, name="shed", simulated=self.simulated, started=started, **told)
        )
        folder.release()
        return folder

    def charge(self, **of_result: Any) -> RunFolder:
        """A charge at 2 A from 30 % until only the end current flows."""
        curve = made.charge_curve(2.0)
        put_in = curve.missing_ah[0] - curve.missing_ah
        keep = slice(None, None, 10)
        samples = tuple(rows("sourcing", 3600 * put_in[keep] / 2.0, curve.volts[keep], -curve.amps[keep]))
        told = {
            "end_reason": "end current reached",
            "figures": {"charge_in_ah": figure(7.0, "A.h", 0.014)},
        }
        return self.write("charge", samples, **(told | of_result))

    def capacity(self, amps: float = 2.0, **of_result: Any) -> RunFolder:
        """A discharge from full; what idle supplies drained is left out."""
        curve = made.curve(amps)
        time_s = 3600.0 * curve.charge_ah[::8] / amps
        rest = tuple(rows("resting", np.arange(-60.0, 0.0, 10.0), np.full(6, 27.0), np.zeros(6)))
        flows = tuple(rows("sinking", time_s, curve.volts[::8], np.full_like(time_s, amps)))
        after = tuple(rows("sinking", [time_s[-1] + time_s[1]], [19.9], [amps]))
        figures = {
            "capacity_ah": figure(curve.end_ah, "A.h", 0.002 * curve.end_ah),
            "mean_v": figure(26.0, "V", 0.008),
            "retained_share": figure(curve.end_ah / 10.0, "1", 0.002),
            "end_v": figure(20.0, "V", 0.008),
            "temp_start_c": figure(23.0, "Cel", 0.6),
        }
        told: dict[str, Any] = {
            "plan": {"charge_first": False, "rate_it": amps / 10.0, "end_at": "pack"},
            "conditions": {
                "set_amps": Condition(value=amps, unit="A"),
                "rest_v": Condition(value=27.0, unit="V"),
            },
            "figures": figures,
        }
        return self.write("capacity", (*rest, *flows, *after), **(told | of_result))

    def c_rate(self, steps: tuple[Entry, ...] = (), **of_result: Any) -> RunFolder:
        """Two steps held for a minute."""
        usual: tuple[Entry, ...] = tuple(
            {"amps": figure(a, "A", 0.01), "held": True, "step_end": "held", "r_10s_ohm": figure(0.05, "Ohm", 0.001)}
            for a in (5.0, 10.0)
        )
        told: dict[str, Any] = {
            "end_reason": "all steps held",
            "conditions": {"step_s": Condition(value=60.0, unit="s")},
            "lists": {"steps": steps or usual},
        }
        return self.write("c-rate", **(told | of_result))

    def floor(self, load_w: float = 100.0, dc_w: float = 128.0, **of_result: Any) -> RunFolder:
        """A floor of 21 V."""
        figures = {
            "floor_v": figure(21.0, "V", 0.03),
            "dc_w": figure(dc_w, "W", 0.3),
            "p_ac_w": figure(load_w, "W", 2.0),
            "idle_w": figure(7.0, "W", 0.2),
            "highest_good_v": figure(27.3, "V", 0.008),
        }
        return self.write("voltage-floor", **({"end_reason": "cut-off", "figures": figures} | of_result))

    def ceiling(self, **of_result: Any) -> RunFolder:
        """A charger of 27.3 V and 0.9 A."""
        figures = {"ceiling_v": figure(27.3, "V", 0.008), "charge_a": figure(0.9, "A", 0.006)}
        told = {"end_reason": "traced", "figures": figures, "conditions": {"temp_c": Condition(value=23.0, unit="Cel")}}
        return self.write("charge-ceiling", **(told | of_result))

    def all(self) -> list[RunFolder]:
        """Everything that a verdict wants."""
        return [
            self.charge(),
            self.capacity(2.0),
            self.charge(),
            self.capacity(12.5),
            self.c_rate(),
            self.floor(100.0, 128.0),
            self.floor(200.0, 238.0),
            self.ceiling(),
        ]
