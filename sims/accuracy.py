"""Errors of simulated instruments: gain and offset drawn once, resolution, noise.

What is stated is an accuracy of the form a data sheet has, a share of the reading plus a share of the range. What is
drawn stays inside it together with half a step of resolution and the noise, so a statement of the bench file is true
of the instrument behind it. Source for the form: common practice, no source.

Not modelled: drift with time and temperature, non-linearity, noise that is not white, ranges switched by themselves.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

NOISE_CUT = 3.0
"""Noise is cut off at this many standard deviations."""


@dataclass(frozen=True, slots=True)
class Terms:
    """Stated accuracy of one quantity. ``full`` is the range, ``step`` the resolution, ``noise`` one standard
    deviation, all in the quantity's unit; the shares are in percent."""

    full: float
    reading_pct: float
    range_pct: float
    step: float
    noise: float = 0.0

    def allowed(self, value: float) -> float:
        """The largest error stated at a value, in the quantity's unit."""
        return (self.reading_pct * abs(value) + self.range_pct * self.full) / 100.0


@dataclass(slots=True)
class Channel:
    """One quantity of one instrument, setting or reading."""

    gain: float
    offset: float
    step: float
    noise: float
    draw: random.Random
    frozen: bool = False
    """A converter that hangs: it goes on answering what it read last."""
    last: float = math.nan

    def read(self, true: float) -> float:
        """What the display says; over 120 % of anything sensible stays the caller's business. nan stays nan."""
        if self.frozen and math.isfinite(self.last):
            return self.last
        if not math.isfinite(true):
            return true
        value = true * (1.0 + self.gain) + self.offset
        if self.noise:
            cut = NOISE_CUT * self.noise
            value += min(max(self.draw.gauss(0.0, self.noise), -cut), cut)
        self.last = round(value / self.step) * self.step if self.step else value
        return self.last

    def true(self, programmed: float) -> float:
        """What the output really does when this is programmed; never below zero."""
        return max(0.0, programmed * (1.0 + self.gain) + self.offset) if programmed else 0.0


IDEAL = Terms(full=1.0, reading_pct=0.0, range_pct=0.0, step=0.0)


def draw_channel(terms: Terms, *, draw: random.Random) -> Channel:
    """A channel with gain and offset uniform inside the terms. Raises ValueError when the terms cannot hold even the
    resolution and the noise."""
    room = terms.range_pct * terms.full / 100.0 - 0.5 * terms.step - NOISE_CUT * terms.noise
    if room < 0.0:
        raise ValueError(
            f"{terms.range_pct:g} % of {terms.full:g} is less than half a step of {terms.step:g} "
            f"and {NOISE_CUT:g} times a noise of {terms.noise:g}; state a wider accuracy"
        )
    gain = draw.uniform(-1.0, 1.0) * terms.reading_pct / 100.0
    return Channel(gain, draw.uniform(-1.0, 1.0) * room, terms.step, terms.noise, draw)
