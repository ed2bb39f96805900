"""The same promises on real instruments: those of the bench file that NIGHTBENCH_TEST_BENCH names; skipped without it.

Only questions are asked, and settings made while every output and input is off; what was set is put back. The locks of
the bench are taken where runs take them, so that neither a run nor a second session of tests is on it meanwhile.
"""

from __future__ import annotations

import math
import os
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.config import load_bench
from harness.connect import connect
from harness.errors import Busy
from harness.locks import BenchLock
from harness.rig import Rig

BENCH = os.environ.get("NIGHTBENCH_TEST_BENCH", "")
PLACES = {name: os.environ.get(name) for name in ("NIGHTBENCH_STATE", "NIGHTBENCH_LOCKS")}
"""As it was before the session of tests got a folder of its own: locks must be where others look for them."""

TRIES = int(os.environ.get("NIGHTBENCH_TEST_BENCH_WAIT_S", "60"))
"""How long the bench is waited for, s."""

SMALL_VOLTS, SMALL_AMPS = 1.0, 0.1

pytestmark = [
    pytest.mark.skipif(not BENCH, reason="NIGHTBENCH_TEST_BENCH names no bench file"),
    pytest.mark.xdist_group("hardware"),
]


@pytest.fixture(scope="module")
def rig() -> Iterator[Rig]:
    bench_file = load_bench(BENCH)
    lock = BenchLock(bench_file)
    with pytest.MonkeyPatch.context() as patch:
        for name, value in PLACES.items():
            if value is None:
                patch.delenv(name, raising=False)
            else:
                patch.setenv(name, value)
        _take(lock)
        try:
            lock.check_closed()
            connection = connect(bench_file)
            try:
                assert connection.rig is not None
                _all_off(connection.rig)
                yield connection.rig
                _all_off(connection.rig)
            finally:
                connection.close()
        finally:
            lock.release()


def _take(lock: BenchLock) -> None:
    """Workers of one session of tests come one after the other; whoever else is there may stay longer than that."""
    for _ in range(TRIES):
        try:
            return lock.acquire()
        except Busy as busy:
            why = str(busy)
            time.sleep(1.0)
    pytest.fail(why)


def _all_off(rig: Rig) -> None:
    """Nothing is switched here: what is on is for a person to switch off first."""
    on = [name for name, driver in rig.drivers.items() if _on(driver)]
    assert not on, f"{', '.join(on)}: on; switch everything off before these tests"


def _on(driver: Any) -> bool:
    if isinstance(driver, Supply):
        return driver.output_is_on()
    if isinstance(driver, Load):
        return driver.input_is_on()
    return isinstance(driver, PowerSwitch) and driver.is_on()


def each(rig: Rig) -> list[tuple[str, Any]]:
    return list(rig.drivers.items())


def test_each_says_who_it_is_the_same_every_time(rig: Rig) -> None:
    for name, driver in each(rig):
        said = {driver.session.ask(driver.session.identity_ask) for _ in range(20)}
        assert len(said) == 1, name


def test_questions_from_two_threads_do_not_cross(rig: Rig) -> None:
    for name, driver in each(rig):
        if not isinstance(driver, Supply | Load | PowerSwitch):
            continue
        wrong: list[object] = []
        who = driver.session.ask(driver.session.identity_ask)

        def identity(driver: Any = driver, who: bytes = who, wrong: list[object] = wrong) -> None:
            wrong.extend(x for _ in range(50) if (x := driver.session.ask(driver.session.identity_ask)) != who)

        def state(driver: Any = driver, wrong: list[object] = wrong) -> None:
            wrong.extend(x for _ in range(50) if (x := _on(driver)))

        _together(identity, state)
        assert wrong == [], name


def _together(*works: Callable[[], None]) -> None:
    threads = [threading.Thread(target=work) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)


def test_every_reading_is_a_number(rig: Rig) -> None:
    turn = rig.read()
    assert turn.errors == ()
    assert turn.readings
    for column, value in turn.readings.items():
        assert math.isfinite(value), column


def test_every_state_can_be_read(rig: Rig) -> None:
    for name, driver in each(rig):
        if isinstance(driver, Supply | Load | PowerSwitch):
            assert driver.state(), name


def test_error_queues_are_empty_after_all_that(rig: Rig) -> None:
    for name, driver in each(rig):
        assert driver.errors() == (), f"{name}: a text of its dialect is not understood"


@pytest.mark.parametrize("kind", [Supply, Load])
def test_settings_are_held_with_the_output_off_and_put_back(rig: Rig, kind: type[Supply] | type[Load]) -> None:
    for _, driver in each(rig):
        if not isinstance(driver, kind):
            continue
        before = driver.state()
        try:
            driver.set_amps(amps=SMALL_AMPS)
            if isinstance(driver, Supply):
                driver.set_volts(volts=SMALL_VOLTS)
            assert not _on(driver)
        finally:
            driver.set_amps(amps=float(before["amps"]))
            if isinstance(driver, Supply):
                driver.set_volts(volts=float(before["volts"]))
        assert driver.state() == before


def test_a_line_opened_anew_changes_nothing(rig: Rig) -> None:
    """An instrument that restarts whenever its port is opened is found out here and not in the middle of a run."""
    for name, driver in each(rig):
        if not isinstance(driver, Supply | Load | PowerSwitch):
            continue
        before = driver.state()
        driver.session.reopen()
        assert driver.state() == before, f"{name}: opening its line changes what it holds"
