"""Runtime over load, of a list ``runtime_s``: with its interval, and bounds told as bounds."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from harness.digits import duration
from harness.report.facts import RunFacts
from harness.report.look import CHARGE, VOLTS
from harness.report.plots import Curve, Numbers, Panel, Picture
from harness.result import Entry, Figure


def runtime_of(facts: RunFacts) -> Picture | None:
    """Of a run that has the list; None of others."""
    return runtime_over_load(facts.result.lists.get("runtime_s", ()))


def runtime_over_load(entries: Sequence[Entry]) -> Picture | None:
    """Entries with ``load_w`` (W) and ``runtime_s`` (s); None where fewer than one has both."""
    rows = sorted(row for one in entries if (row := _row(one)) is not None)
    if not rows:
        return None
    load, runtime, spread = (np.array([row[at] for row in rows], dtype=float) for at in range(3))
    bounds = [row[3] for row in rows]

    def curve(which: list[bool], words: str, charge: bool) -> Curve:
        pen = CHARGE if charge else VOLTS
        kept: Numbers = np.array(which)
        return Curve(x=load[kept], y=runtime[kept] / 60, spread=spread[kept] / 60, words=words, pen=pen, kind="points")

    bound, known = [bool(one) for one in bounds], [not one for one in bounds]
    told = "; ".join(
        f"{bound_} {duration(s)} at {w:.4g} W".strip() for w, s, bound_ in zip(load, runtime, bounds, strict=True)
    )
    return Picture(
        name="runtime",
        title="Runtime over load",
        words=f"{told} (h:mm:ss).",
        panels=(
            Panel(
                y_words="runtime, minutes",
                x_words="AC load, W",
                curves=tuple(
                    curve(which, words, charge)
                    for which, words, charge in ((known, "runtime", False), (bound, "bound", True))
                    if any(which)
                ),
                from_zero=True,
            ),
        ),
        columns={"load_w": load, "runtime_s": runtime, "runtime_plus_minus_s": spread, "bound": bounds},
        height_in=2.35,
    )


def _row(entry: Entry) -> tuple[float, float, float, str] | None:
    runtime, load = entry.get("runtime_s"), entry.get("load_w")
    watts = float(load.value) if isinstance(load, Figure) else load
    if not isinstance(runtime, Figure) or not isinstance(watts, int | float):
        return None
    spread = math.nan if runtime.expanded_uncertainty is None else runtime.expanded_uncertainty
    return float(watts), float(runtime.value), spread, runtime.bound
