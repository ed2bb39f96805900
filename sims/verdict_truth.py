"""Does the pack of a scenario fit its UPS? The rules of a verdict on true figures, with no doubt in any of them.

A rule passes, passes on a condition, or fails; the worst is the class. What a bench cannot see, such as a pack's
management that stops a charge in the cold, is told here as it is. A guess about the place counts as right.

Not modelled: nothing; without a pack that can be charged there is no verdict.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sims.bms import BmsSpec
from sims.fit_truth import true_fit_figures, true_hold_up, worst_w
from sims.scenario import Scenario
from sims.truth import can_be_charged, charged_world
from sims.ups_truth import ceiling_v

TESTED_C = (15.0, 30.0)
"""A place that stays within these has the temperatures of the runs (common practice, no source)."""

CHARGE_FROM_C = 0.0
DISCHARGE_C = (-10.0, 60.0)
"""What the label of every pack here says."""

PASS, CONDITION, FAIL = "pass", "pass with conditions", "fail"
CLASSES = {FAIL: "does not fit", CONDITION: "fits with conditions", PASS: "fits"}
"""Worst first."""


@dataclass(frozen=True, slots=True)
class Line:
    """One rule: what it is about, which way it goes, and by which figures."""

    about: str
    verdict: str
    sentence: str


@dataclass(frozen=True, slots=True)
class TrueVerdict:
    """The class and the rule that decides it ("" when all pass); ``runtimes``: W on the output and s, rising load."""

    verdict: str
    decides: str
    lines: tuple[Line, ...]
    runtimes: tuple[tuple[float, float], ...]

    def as_dict(self) -> dict[str, Any]:
        """Plain data for a file."""
        lines = [{"about": one.about, "verdict": one.verdict, "sentence": one.sentence} for one in self.lines]
        runtimes = [{"load_w": ac_w, "runtime_s": {"value": s, "unit": "s"}} for ac_w, s in self.runtimes]
        return {"verdict": self.verdict, "decides": self.decides, "lines": lines, "runtime_s": runtimes}


@lru_cache(maxsize=32)
def true_verdict(scenario: Scenario) -> TrueVerdict | None:
    """The verdict; None when the pack cannot be charged as it hangs on the bench."""
    if not can_be_charged(scenario):
        return None
    lines = tuple(_lines(scenario))
    worst = next(word for word in CLASSES if any(line.verdict == word for line in lines))
    decides = "" if worst == PASS else next(line.about for line in lines if line.verdict == worst)
    loads = sorted({scenario.site.load_w, worst_w(scenario)})
    runtimes = tuple((ac_w, true_hold_up(scenario, ac_w).seconds) for ac_w in loads)
    return TrueVerdict(CLASSES[worst], decides, lines, runtimes)


def _lines(scenario: Scenario) -> Iterator[Line]:
    yield _judged(
        "charge volts", scenario.pack.charge_volts_max - ceiling_v(scenario), "V under what the pack may be charged to"
    )
    yield _judged("charge current", _value(scenario, "charge_current_margin_a"), "A under the pack's limit")
    yield _charge_cold(scenario)
    yield _high_side(scenario)
    yield _judged("floor margin", _value(scenario, "floor_margin_v"), "V between cut-off and the pack's own end")
    spare_a = _value(scenario, "discharge_current_margin_a")
    yield _judged("discharge current", spare_a, "A under the pack's limit at the cut-off")
    spare_s = _value(scenario, "runtime_s") - 60.0 * scenario.site.runtime_needed_min
    yield _judged("runtime", spare_s, "s more than needed")
    yield _room(scenario)


def _value(scenario: Scenario, name: str) -> float:
    return float(true_fit_figures(scenario)[name].value)


def _judged(about: str, margin: float, words: str) -> Line:
    return Line(about, PASS if margin >= 0.0 else FAIL, f"{margin:.6g} {words}")


def _charge_cold(scenario: Scenario) -> Line:
    about, coldest = "charging when cold", scenario.site.ambient_min_c
    if coldest > CHARGE_FROM_C:
        return Line(about, PASS, f"the place stays above {CHARGE_FROM_C:g} degC")
    stops = BmsSpec().charge_cold_c >= CHARGE_FROM_C
    how = "stops" if stops else "does not stop"
    return Line(about, PASS if stops else FAIL, f"at {coldest:g} degC the pack's management {how} the charge")


def _high_side(scenario: Scenario) -> Line:
    spec, rest_v = scenario.ups.spec, charged_world(scenario)[0].volts_at("pack")
    if spec.above_high == "nothing":
        return Line("volts of the full pack", PASS, f"{rest_v:.2f} V at rest; the UPS bears all that comes")
    return _judged("volts of the full pack", spec.high_v - rest_v, "V under what the UPS bears")


def _room(scenario: Scenario) -> Line:
    low, high = scenario.site.ambient_min_c, scenario.site.ambient_max_c
    words = f"{low:g} to {high:g} degC"
    if low < DISCHARGE_C[0] or high > DISCHARGE_C[1]:
        return Line("room temperature", FAIL, f"{words}: the pack may give current within {_span(DISCHARGE_C)}")
    inside = low >= TESTED_C[0] and high <= TESTED_C[1]
    return Line("room temperature", PASS if inside else CONDITION, f"{words}: tested within {_span(TESTED_C)}")


def _span(limits: tuple[float, float]) -> str:
    return f"{limits[0]:g} to {limits[1]:g} degC"
