"""The one sentence about a run: what came out, and what it holds under."""

from __future__ import annotations

from collections.abc import Callable

from harness.entries import figure_words
from harness.result import Figure, Result
from harness.show import verdict_sentence


def headline(result: Result) -> str:
    """Of a run that finished its main figure in words; of any other how it ended."""
    if result.outcome == "finished":
        for name, sentence in SENTENCES.items():
            if name in result.figures:
                return f"{sentence(result)}; {result.end_reason}."
    return verdict_sentence(result, outcome=result.outcome or "")


def _capacity_sentence(result: Result) -> str:
    """Charge with rate, end, temperature and share of the label: none of them means much without the others."""
    figures = result.figures
    parts = [f"the pack gave {figure_words(figures['capacity_ah'])}"]
    if rate := figures.get("rate_it"):
        parts.append(f"at {float(rate.value):.2f} It")
    if "end_v" in figures:
        parts.append(f"down to {float(figures['end_v'].value):g} V")
    elif "last_v" in figures:
        parts.append(f"until it opened, last seen at {float(figures['last_v'].value):.2f} V")
    begun = f", begun at {float(figures['temp_start_c'].value):.0f} degC" if "temp_start_c" in figures else ""
    share = figures.get("retained_share")
    of_label = f", {100.0 * float(share.value):.0f} % of its label" if share else ""
    return f"{' '.join(parts)}{begun}{of_label}"


def _charge_sentence(result: Result) -> str:
    return f"the pack took {figure_words(result.figures['charge_in_ah'])}"


def _steps_sentence(result: Result) -> str:
    """How long a step was is part of what was held."""
    length = result.conditions.get("step_s")
    seconds = "" if length is None or not isinstance(length.value, int | float) else f" for {length.value:g} s"
    rate = result.figures.get("held_it_max")
    of_rated = "" if rate is None else f", {float(rate.value):.2f} It,"
    return f"the pack held {figure_words(result.figures['held_a_max'])}{of_rated}{seconds}"


def _floor_sentence(result: Result) -> str:
    """A floor always with the load it was found at."""
    figures = result.figures
    load = _with(figures, "p_ac_w", " with {:.4g} W on its output")
    warns = f", warns at {figure_words(figures['warn_v'])}" if "warn_v" in figures else ""
    latched = figures.get("latched")
    after = "" if latched is None else ", then stays off" if latched.value else ", then starts again by itself"
    return f"the UPS drops its load at {figure_words(figures['floor_v'])}{load}{warns}{after}"


def _ceiling_sentence(result: Result) -> str:
    amps = f" with up to {figure_words(result.figures['charge_a'])}" if "charge_a" in result.figures else ""
    return f"the UPS charges up to {figure_words(result.figures['ceiling_v'])}{amps}"


def _with(figures: dict[str, Figure], name: str, words: str) -> str:
    return words.format(float(figures[name].value)) if name in figures else ""


SENTENCES: dict[str, Callable[[Result], str]] = {
    "capacity_ah": _capacity_sentence,
    "charge_in_ah": _charge_sentence,
    "held_a_max": _steps_sentence,
    "floor_v": _floor_sentence,
    "ceiling_v": _ceiling_sentence,
}
"""By the figure that a run was made for, in order of precedence."""
