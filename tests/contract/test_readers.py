"""What every meter, thermometer and contact input does, whatever line it hangs on."""

from __future__ import annotations

import math

import pytest
from instruments import PLACES, driver_on, rows

from drivers.dialect import shipped


@pytest.fixture(params=rows("meter"))
def meter(request, tmp_path):
    with driver_on(request.param, tmp_path) as driver:
        yield driver


@pytest.fixture(params=rows("thermometer"))
def thermometer(request, tmp_path):
    with driver_on(request.param, tmp_path) as driver:
        yield driver


@pytest.fixture(params=rows("contact"))
def contact(request, tmp_path):
    with driver_on(request.param, tmp_path) as driver:
        yield driver


def test_a_meter_reads_volts(meter):
    first, second = meter.measure_volts(), meter.measure_volts()
    assert math.isfinite(first)
    assert second == pytest.approx(first, abs=0.05)
    assert meter.errors() == ()


def test_a_thermometer_reads_degrees(thermometer):
    assert -40.0 < thermometer.measure_temp_c() < 80.0
    assert thermometer.errors() == ()


def test_a_contact_is_closed_or_not(contact):
    assert contact.closed() in (True, False)
    assert contact.closed() is contact.closed()
    assert contact.errors() == ()


def test_readers_only_ask(meter):
    meter.measure_volts()
    assert all(line.endswith(b"?") for line in meter.script.heard)


def test_every_shipped_dialect_has_its_place_in_the_contract():
    assert set(shipped()) <= {place.name for places in PLACES.values() for place in places}
