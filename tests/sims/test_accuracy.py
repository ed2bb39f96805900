"""Instrument errors stay inside what the bench file states."""

from __future__ import annotations

import math
import random

import pytest

from sims.accuracy import Terms, draw_channel

TERMS = Terms(full=40.0, reading_pct=0.03, range_pct=0.02, step=0.001, noise=0.001)


@pytest.mark.parametrize("seed", range(30))
def test_readings_stay_inside_the_stated_accuracy(seed: int) -> None:
    channel = draw_channel(TERMS, draw=random.Random(seed))
    for true in (0.0, 0.5, 12.0, 28.8, 40.0):
        for _ in range(50):
            assert abs(channel.read(true) - true) <= TERMS.allowed(true)
        if true:
            assert abs(channel.true(true) - true) <= TERMS.allowed(true)


def test_errors_fill_the_stated_accuracy() -> None:
    # A bench whose errors were always tiny would prove nothing about uncertainty.
    offsets = [draw_channel(TERMS, draw=random.Random(seed)).read(0.0) for seed in range(200)]
    assert max(offsets) > 0.7 * TERMS.allowed(0.0)
    assert min(offsets) < -0.7 * TERMS.allowed(0.0)
    assert abs(sum(offsets) / len(offsets)) < 0.1 * TERMS.allowed(0.0)


def test_readings_have_the_resolution_and_pass_not_a_number_on() -> None:
    channel = draw_channel(TERMS, draw=random.Random(1))
    value = channel.read(12.34567)
    assert value == pytest.approx(round(value, 3), abs=1e-12)
    assert math.isnan(channel.read(math.nan))


def test_programming_nothing_gives_nothing() -> None:
    assert draw_channel(TERMS, draw=random.Random(2)).true(0.0) == 0.0


def test_terms_that_cannot_hold_their_own_resolution_are_refused() -> None:
    with pytest.raises(ValueError, match="wider accuracy"):
        draw_channel(Terms(full=10.0, reading_pct=0.1, range_pct=0.001, step=0.01), draw=random.Random(1))
