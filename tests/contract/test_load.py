"""What every load does, whatever it speaks and whatever line it hangs on."""

from __future__ import annotations

import math

import pytest
from instruments import driver_on, rows

from drivers.faults import ReadBackMismatch, Unsendable


@pytest.fixture(params=rows("load"))
def load(request, tmp_path):
    with driver_on(request.param, tmp_path) as driver:
        yield driver


def test_holds_what_it_is_told(load):
    assert load.set_amps(amps=1.5) == 1.5
    assert load.set_volts(volts=11.0) == 11.0
    assert load.arm_low_volts(volts=9.2, delay_s=0.5) == 9.2
    assert load.arm_over_amps(amps=4.0) == 4.0
    state = load.state()
    assert {key: state[key] for key in ("amps", "volts", "low_volts", "low_volts_delay_s", "over_amps", "input")} == {
        "amps": 1.5,
        "volts": 11.0,
        "low_volts": 9.2,
        "low_volts_delay_s": 0.5,
        "over_amps": 4.0,
        "input": False,
    }
    assert load.errors() == ()


def test_holds_constant_what_it_is_told(load):
    for function in ("cc", "cv", "cr", "cp", "cc"):
        load.set_function(function)
        assert load.state()["function"] == function
    assert load.errors() == ()


def test_sinks_when_on_and_not_when_off(load):
    load.set_function("cc")
    load.set_amps(amps=1.0)
    assert load.measure_amps() == pytest.approx(0.0, abs=0.05)
    idle = load.measure_volts()
    load.switch(True)
    assert load.input_is_on()
    assert load.measure_amps() == pytest.approx(1.0, abs=0.05)
    assert 8.0 < load.measure_volts() < idle
    load.switch(False)
    assert not load.input_is_on()
    assert load.measure_amps() == pytest.approx(0.0, abs=0.05)
    load.switch(True)
    load.off()
    assert not load.input_is_on()
    assert load.errors() == ()


def again_until_tripped(load):
    for _ in range(5):  # it may be a moment before it trips
        load.switch(True)


def test_a_trip_is_named_stays_and_is_cleared_only_when_asked(load):
    load.set_function("cc")
    load.set_amps(amps=0.5)
    load.arm_low_volts(volts=40.0, delay_s=0.0)
    with pytest.raises(ReadBackMismatch, match="input is still off"):
        again_until_tripped(load)
    assert load.tripped() == "own low-volts stop tripped"
    with pytest.raises(ReadBackMismatch, match="own low-volts stop tripped"):
        load.switch(True)
    load.errors()  # some say so in their error queue too
    load.arm_low_volts(volts=5.0)
    load.clear_protection()
    assert load.tripped() is None
    assert not load.input_is_on()
    assert load.state()["amps"] == 0.0
    load.set_amps(amps=0.5)
    load.switch(True)
    assert load.input_is_on()
    load.switch(False)


def test_softens_to_no_current(load):
    load.set_amps(amps=1.0)
    load.set_function("cv")
    load.soften()
    assert (load.state()["amps"], load.state()["function"]) == (0.0, "cc")


def test_sends_no_number_that_is_none_or_would_be_0(load):
    before = len(load.script.heard)
    for amps in (math.nan, math.inf, 1e-7):
        with pytest.raises(Unsendable, match="nothing was sent"):
            load.set_amps(amps=amps)
    assert len(load.script.heard) == before


def test_beyond_its_range_is_a_mismatch(load):
    load.set_amps(amps=1.0)
    if not load.dialect.errors_ask:
        pytest.skip("it takes any number")
    with pytest.raises(ReadBackMismatch):
        load.set_amps(amps=9999.0)
    assert load.state()["amps"] == 1.0
