"""One line of progress: where a run stands, short enough for the place it is shown in."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.lines import WIDTH
from harness.sample import Sample

COLUMNS = (
    "each line: elapsed h:mm:ss, what is done, volts, current and net charge of the pack (+ leaves it), temperature, "
    "the nearest trip limit and how much of the way to it is left, time left at most"
)


def progress_line(sample: Sample, nearest: tuple[str, float] | None, expected_s: float, *, width: int = WIDTH) -> str:
    """Elapsed time, state, volts, amps, charge, temperature, nearest limit, time left; at most ``width`` characters."""
    left = max(0.0, expected_s - sample.elapsed_s)
    for words in _forms(sample, nearest, left):
        line = " ".join(word for word in words if word)
        if len(line) <= width:
            return line
    return line[:width]


def _forms(sample: Sample, nearest: tuple[str, float] | None, left_s: float) -> Iterator[tuple[str, ...]]:
    """The same words from roomy to tight."""
    name, share = nearest or ("", 0.0)
    percent = f"{100 * share:.0f} %"
    reading = (f"{sample.pack_volts:.3f} V", f"{sample.pack_amps:+.3f} A", f"{sample.charge_ah:+.3f} Ah")
    head = (clock_words(sample.elapsed_s), sample.state, *_known(reading))
    warm = "" if math.isnan(sample.pack_temp_c) else f"{sample.pack_temp_c:.1f} degC"
    least = f"<{clock_words(left_s)[:-3]}" if left_s > 0 else ""
    yield (
        *head,
        warm,
        f"| nearest limit: {name}, {percent} of the way left" if name else "",
        f"| at most {clock_words(left_s)} to go" if left_s > 0 else "",
    )
    yield (*head, warm, f"| {name} {percent} off" if name else "", f"| {least} left" if least else "")
    yield (*head, warm, f"{name} {percent}" if name else "", least)
    short = (f"{sample.pack_volts:.4g} V", f"{sample.pack_amps:+.3g} A", f"{sample.charge_ah:+.3g} Ah")
    tight = (clock_words(sample.elapsed_s)[:-3], sample.state, *_known(short))
    yield (*tight, warm.partition(".")[0] + " degC" if warm else "", f"{name} {percent}" if name else "", least)
    yield tight


def _known(words: tuple[str, ...]) -> tuple[str, ...]:
    """A reading that is missing is shown as missing, not as a number called nan."""
    return tuple(word.replace("+nan", "?").replace("nan", "?") for word in words)


def clock_words(seconds: float) -> str:
    """``7:03:21``."""
    whole = max(0, int(seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
