"""The contract of the drivers on a bench of one's own: ``NIGHTBENCH_CONTRACT_BENCH=bench.toml python -m pytest
tests/contract/test_your_bench.py``. Without that only a simulated bench is looked at, in memory.

Nothing is switched on and nothing is changed: an instrument is asked, and told once more what it holds, when its output
is off. The bench is locked meanwhile, as by a run.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from drivers.contact import Contact
from drivers.load import Load
from drivers.meter import Meter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from harness.config import load_bench
from harness.connect import connect
from harness.locks import BenchLock
from harness.rig import Driver
from sims.bench import open_bench

YOURS = os.environ.get("NIGHTBENCH_CONTRACT_BENCH", "")


@pytest.fixture(scope="module", params=["simulated", "yours"])
def drivers(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Driver]]:
    if request.param == "yours":
        if not YOURS:
            pytest.skip("NIGHTBENCH_CONTRACT_BENCH names no bench file")
        path = Path(YOURS)
    else:
        sim = open_bench("cabinet", now=lambda: 0.0)
        path = tmp_path_factory.mktemp("bench") / "bench.toml"
        path.write_text(sim.bench_toml({name: f"sim:cabinet/{name}" for name in sim.names}), encoding="utf-8")
    bench = load_bench(path)
    lock = BenchLock(bench)
    lock.acquire()
    try:
        connection = connect(bench)
        try:
            assert connection.rig is not None
            yield connection.rig.drivers
        finally:
            connection.close()
    finally:
        lock.release()


def test_each_says_who_it_is_and_has_nothing_to_complain_of(drivers):
    for name, driver in drivers.items():
        assert driver.identity.maker, name
        driver.errors()  # old ones, from before us
        assert driver.errors() == (), name


def test_each_tells_its_state(drivers):
    for driver in drivers.values():
        if isinstance(driver, Supply | Load | PowerSwitch):
            assert [key for key, _ in driver.state_queries()] == list(driver.state())
            assert driver.errors() == (), driver.name
        if isinstance(driver, Supply | Load):
            driver.tripped()
        if isinstance(driver, Contact):
            assert driver.closed() in (True, False)


def test_each_measures(drivers):
    for driver in drivers.values():
        if isinstance(driver, Supply | Load | Meter):
            assert math.isfinite(driver.measure_volts()), driver.name
        if isinstance(driver, Supply | Load):
            assert math.isfinite(driver.measure_amps()), driver.name
        if isinstance(driver, Thermometer):
            assert -40.0 < driver.measure_temp_c() < 80.0, driver.name
        assert driver.errors() == (), driver.name


def test_each_that_is_off_holds_what_it_is_told_once_more(drivers):
    for driver in drivers.values():
        if isinstance(driver, Supply) and not driver.output_is_on():
            state = driver.state()
            assert driver.set_volts(volts=float(state["volts"])) == pytest.approx(state["volts"], abs=0.02)
            assert driver.set_amps(amps=float(state["amps"])) == pytest.approx(state["amps"], abs=0.02)
            driver.switch(False)
            assert driver.state() == state
        if isinstance(driver, Load) and not driver.input_is_on():
            state = driver.state()
            assert driver.set_amps(amps=float(state["amps"])) == pytest.approx(state["amps"], abs=0.02)
            driver.switch(False)
            assert driver.state() == state
        if isinstance(driver, PowerSwitch) and not driver.is_on():
            driver.switch(False)
            assert not driver.is_on()
        assert driver.errors() == (), driver.name
