"""Trajectories for the analysis alone: neither made nor ever seen by our simulator. Rows, exact results, agreement."""

from __future__ import annotations

import csv
import gzip
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

DATA = Path(__file__).parent / "data"
ALL: dict[str, Any] = json.loads((DATA / "analysis.json").read_text(encoding="utf-8"))
assert ALL["source"].startswith("computed independently with numpy + scipy")


@dataclass(frozen=True, slots=True)
class Case:
    """``t_s``, ``pack_v``, ``amps`` (positive out of the pack), and what must come out of them."""

    name: str
    t_s: np.ndarray
    pack_v: np.ndarray
    amps: np.ndarray
    params: dict[str, Any]
    events: dict[str, float]
    results: dict[str, float]
    agreement: dict[str, Any]

    @property
    def load_v(self) -> np.ndarray:
        """At the load's (or, charging, the supply's) own terminals, behind the leads."""
        return self.pack_v - self.amps * self.params["r_lead"]

    @property
    def period_s(self) -> float:
        return float(np.median(np.diff(self.t_s)))

    def share(self, what: str) -> float:
        """Agreement stated in percent, as a share."""
        number, unit = self.agreement[what].split()
        assert unit == "%"
        return float(number) / 100.0

    def due_s(self, exact_s: float) -> float:
        """How far a time may be off: 10 ms or 0.001 %, the larger; else the seconds stated."""
        if "end_time_s" in self.agreement:
            return float(self.agreement["end_time_s"])
        assert self.agreement["event_time"] == "10 ms or 0.001 %, the larger"
        return max(0.010, 1e-5 * exact_s)


def load_case(name: str) -> Case:
    with gzip.open(DATA / f"analysis-{name}.csv.gz", "rt", newline="") as file:
        rows = np.array([[float(x) for x in row] for row in list(csv.reader(file))[1:]])
    about = ALL["cases"][name]
    agreement = about["expected_agreement"]
    return Case(name, *rows.T, about["params"], about["events"], about["results"], agreement)


def gone_on(case: Case, *, drop_last: bool, rows: int = 4) -> Case:
    """The case continued past its end by a straight line through its last two rows, in volts and amps, so that an
    end has samples after it. ``drop_last``: the row exactly on the end is left out; it must be found between rows."""
    t, v, a = case.t_s, case.pack_v, case.amps
    step = case.period_s
    more = np.arange(1, rows + 1) * step + (t[-2] if drop_last else t[-1])
    cut = -1 if drop_last else None
    new_v, new_a = (x[-1] + (x[-1] - x[-2]) / (t[-1] - t[-2]) * (more - t[-1]) for x in (v, a))
    return _with(case, np.append(t[:cut], more), np.append(v[:cut], new_v), np.append(a[:cut], new_a))


def at_spacing(case: Case, every_s: float) -> Case:
    """Samples every ``every_s``, by straight lines between the rows."""
    t = np.arange(0.0, case.t_s[-1], every_s)
    return _with(case, t, np.interp(t, case.t_s, case.pack_v), np.interp(t, case.t_s, case.amps))


def noisy(case: Case, *, volts: float, amps: float, seed: int) -> Case:
    """White noise of those standard deviations on volts and amps."""
    rng = np.random.default_rng(seed)
    n = len(case.t_s)
    return _with(case, case.t_s, case.pack_v + rng.normal(0, volts, n), case.amps + rng.normal(0, amps, n))


def _with(case: Case, t_s: np.ndarray, pack_v: np.ndarray, amps: np.ndarray) -> Case:
    return Case(case.name, t_s, pack_v, amps, case.params, case.events, case.results, case.agreement)


def charge_noise_ah(case: Case, amps: float) -> float:
    """Standard deviation that white noise on the amps adds to a trapezoid over equal steps: sigma h sqrt(n)."""
    return amps * case.period_s * math.sqrt(len(case.t_s)) / 3600.0
