"""Whether two runs are like: what must be the same before their figures are set against each other in percent.

A procedure's row says which of its conditions decide. What is missing in a run counts as unlike: nobody knows it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from harness.result import Plain, Result

TEMP_WINDOW_K = 3.0
"""Temperatures nearer than this are the same (judgement: some per mille of capacity a kelvin)."""

RATE_SHARE = 0.02
"""Rates and loads this near are the same (judgement)."""

VOLTS_SHARE = 0.002
"""Volts this near are the same (judgement: an end voltage lies on a steep part of the curve)."""

Where = Literal["plan", "condition", "figure"]


@dataclass(frozen=True, slots=True)
class Like:
    """One condition. ``share`` and ``apart`` (``unit``) say how far two values may differ; without either they must be
    equal. ``optional``: in neither run is fine."""

    what: str
    where: Where
    key: str
    unit: str = ""
    share: float = 0.0
    apart: float = 0.0
    optional: bool = False


VOLTS_AT = Like("where volts were measured", "condition", "volts_measured")


def _temp(where: Where, key: str) -> Like:
    return Like("temperature", where, key, "degC", apart=TEMP_WINDOW_K)


LIKE: dict[str, tuple[Like, ...]] = {
    "capacity": (
        Like("rate", "figure", "rate_it", "It", share=RATE_SHARE),
        Like("end voltage", "plan", "end_v", "V", share=VOLTS_SHARE),
        Like("where the end voltage was looked for", "plan", "end_at"),
        _temp("figure", "temp_start_c"),
        VOLTS_AT,
        Like("how it was charged", "condition", "charged"),
        Like("charge volts", "plan", "charge_volts", "V", share=VOLTS_SHARE, optional=True),
        Like("end current of the charge", "plan", "charge_end_amps", "A", share=RATE_SHARE, optional=True),
    ),
    "charge": (
        Like("amps", "plan", "amps", "A", share=RATE_SHARE),
        Like("volts", "plan", "volts", "V", share=VOLTS_SHARE),
        Like("end current", "plan", "end_amps", "A", share=RATE_SHARE),
        _temp("condition", "charge_temp_start_c"),
        VOLTS_AT,
    ),
    "c-rate": (
        Like("steps planned", "condition", "steps_planned"),
        Like("length of a step", "condition", "step_s", "s", share=RATE_SHARE),
        Like("rest between steps", "condition", "rest_s", "s", share=RATE_SHARE),
        Like("rested volts before them", "condition", "rest_v", "V", share=5 * VOLTS_SHARE),
        _temp("condition", "temp_start_c"),
        VOLTS_AT,
    ),
    "voltage-floor": (
        Like("AC load", "figure", "p_ac_w", "W", share=RATE_SHARE),
        Like("distance of the levels", "plan", "fine_step_v", "V", share=RATE_SHARE),
        Like("time on a level", "condition", "dwell_s", "s", share=RATE_SHARE),
        VOLTS_AT,
    ),
    "charge-ceiling": (
        Like("in place of the battery", "condition", "in_place_of_the_battery"),
        _temp("condition", "temp_c"),
        VOLTS_AT,
    ),
}
"""Procedure -> what decides whether two of its runs are like."""

NEVER = {"charge": "what a charge puts in depends on how empty the pack was, which no run of it measures"}
"""Procedures whose figures are never set against each other in percent, and why."""


def unlike(earlier: Result, later: Result) -> tuple[str, ...]:
    """In words, one each: what is not the same; empty for two runs that are like."""
    if earlier.procedure != later.procedure:
        return (f"procedure: {earlier.procedure} and {later.procedure}",)
    told = [text for one in LIKE.get(earlier.procedure, ()) if (text := _apart(one, earlier, later))]
    if earlier.procedure not in LIKE:
        told.append(f"nobody has said which conditions of {earlier.procedure} must be the same")
    if why := NEVER.get(earlier.procedure):
        told.append(why)
    return (*told, *_ends(earlier, later))


def _ends(earlier: Result, later: Result) -> Iterator[str]:
    for one in (earlier, later):
        if one.outcome != "finished":
            yield f"the run of {one.started} did not come to its end ({one.outcome})"
    if earlier.end_reason != later.end_reason:
        yield f"how it ended: {earlier.end_reason} and {later.end_reason}"


def _apart(one: Like, earlier: Result, later: Result) -> str:
    a, b = _value(one, earlier), _value(one, later)
    if a is None and b is None:
        return "" if one.optional else f"{one.what}: in neither record"
    if a is None or b is None:
        return f"{one.what}: not in the {'earlier' if a is None else 'later'} record"
    first, second = _number(a), _number(b)
    if first is not None and second is not None:
        allowed = max(one.share * max(abs(first), abs(second)), one.apart)
        # Written so that nan is outside.
        return "" if abs(first - second) <= allowed else f"{one.what}: {_words(a, one)} and {_words(b, one)}"
    return "" if a == b else f"{one.what}: {_words(a, one)} and {_words(b, one)}"


def _number(value: Plain) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _value(one: Like, result: Result) -> Plain:
    if one.where == "plan":
        return result.plan.get(one.key)
    if one.where == "condition":
        found = result.conditions.get(one.key)
        return None if found is None else found.value
    figure = result.figures.get(one.key)
    return None if figure is None else figure.value


def _words(value: Plain, one: Like) -> str:
    return f"{value:.4g} {one.unit}".rstrip() if isinstance(value, float) else f"{value} {one.unit}".rstrip()
