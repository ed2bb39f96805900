"""What every supply does, whatever it speaks and whatever line it hangs on."""

from __future__ import annotations

import math

import pytest
from instruments import driver_on, rows

from drivers.faults import ReadBackMismatch, Unsendable, Unsupported

KEYS = {"volts": 12.5, "amps": 2.5}


@pytest.fixture(params=rows("supply"))
def supply(request, tmp_path):
    with driver_on(request.param, tmp_path) as driver:
        yield driver


def test_holds_what_it_is_told(supply):
    assert supply.set_volts(volts=12.5) == 12.5
    assert supply.set_amps(amps=2.5) == 2.5
    assert supply.arm_over_volts(volts=15.0) == 15.0
    supply.arm_over_amps(on=True)
    state = supply.state()
    assert {key: state[key] for key in KEYS} == KEYS
    assert (state["over_volts"], state["over_amps"], state["output"]) == (15.0, True, False)
    supply.arm_over_amps(on=False)
    assert supply.state()["over_amps"] is False
    assert supply.errors() == ()


def test_is_on_when_told_and_off_when_told(supply):
    supply.set_volts(volts=12.5)
    supply.set_amps(amps=1.0)
    assert not supply.output_is_on()
    supply.switch(True)
    assert supply.output_is_on()
    assert supply.mode() in ("cv", "cc", "driven")
    supply.switch(False)
    assert not supply.output_is_on()
    assert supply.mode() == "off"
    assert supply.tripped() is None
    supply.switch(True)
    supply.off()
    assert not supply.output_is_on()
    assert supply.errors() == ()


def test_measures_in_volts_and_amps(supply):
    supply.set_volts(volts=12.5)
    supply.set_amps(amps=1.0)
    if supply.dialect.sink_amps is not None:
        supply.arm_sink(amps=0.5)
    supply.switch(True)
    volts, amps = supply.measure_volts(), supply.measure_amps()
    # Its own output, or a pack on the same node that holds more, and that a supply of two quadrants takes back from.
    assert 12.4 <= volts <= 60.0
    assert -0.55 <= amps <= 1.01
    assert amps >= -0.05 or supply.dialect.sink_amps is not None
    supply.switch(False)
    assert math.isfinite(supply.measure_volts())
    assert supply.errors() == ()


def again_until_tripped(supply):
    for _ in range(5):  # it may be a moment before it trips
        supply.switch(True)


def test_a_trip_is_named_stays_and_is_cleared_only_when_asked(supply):
    supply.set_amps(amps=1.0)
    supply.set_volts(volts=30.0)
    supply.arm_over_volts(volts=5.0)
    with pytest.raises(ReadBackMismatch, match="output is still off"):
        again_until_tripped(supply)
    assert supply.tripped() == "over-volts protection tripped"
    assert not supply.output_is_on()
    for _ in range(2):
        with pytest.raises(ReadBackMismatch, match="over-volts protection tripped"):
            supply.switch(True)
    supply.errors()  # some say so in their error queue too
    supply.arm_over_volts(volts=32.0)
    assert supply.tripped() == "over-volts protection tripped"
    try:
        supply.clear_protection()
    except ReadBackMismatch as fault:
        assert "came on as its protection was cleared, and was switched off again" in str(fault)  # noqa: PT017
    assert supply.tripped() is None
    assert not supply.output_is_on()
    assert supply.state()["volts"] == 0.0
    supply.switch(True)
    assert supply.output_is_on()
    supply.switch(False)


def test_softens_without_asking(supply):
    supply.set_amps(amps=1.0)
    supply.soften()
    assert supply.state()["amps"] == 0.0


def test_sends_no_number_that_is_none_or_would_be_0(supply):
    before = len(supply.script.heard)
    for volts in (math.nan, math.inf, -math.inf, 1e-7, -1e-7):
        with pytest.raises(Unsendable, match="nothing was sent"):
            supply.set_volts(volts=volts)
    assert len(supply.script.heard) == before


def test_beyond_its_range_is_a_mismatch_or_never_sent(supply):
    supply.set_volts(volts=12.5)
    with pytest.raises((ReadBackMismatch, Unsendable)):
        supply.set_volts(volts=9999.0)
    assert supply.state()["volts"] == 12.5


def test_sink_limit_only_of_two_quadrants(supply):
    if supply.dialect.sink_amps is None:
        with pytest.raises(Unsupported, match="sink_amps"):
            supply.arm_sink(amps=1.0)
    else:
        assert supply.arm_sink(amps=1.0) == 1.0
        assert supply.state()["sink_amps"] == 1.0
    assert supply.errors() == ()


def test_state_is_one_reading_a_key(supply):
    state = supply.state()
    assert [key for key, _ in supply.state_queries()] == list(state)
    assert len(state) == len(set(state))
    assert {"volts", "amps", "output"} <= state.keys()
