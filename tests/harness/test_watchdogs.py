"""Instruments' own watchdogs: to what they are set, let expire for real, remembered, told."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_stops_tried import On

from harness import unattended
from harness.clock import Clock
from harness.errors import PreflightRefused, SelfTestFailed
from harness.job import Job, prepare
from harness.procedure import procedures
from harness.watchdog_tried import try_load_watchdog, try_supply_watchdog
from harness.watchdogs import OutOfRange, longest_gap_s, seconds_for
from sims.manners import Manners


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))


# -- to what it is set -------------------------------------------------------------------------------------------------


class Ticking:
    """A clock that passes ``speed`` times as fast as the machine's."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed


class Dog:
    def __init__(self, least_s: float = 1.0, most_s: float = 3600.0) -> None:
        self.watchdog_span_s = (least_s, most_s)


def seconds(dog: Dog, *, period_s: float = 1.0, speed: float = 1.0) -> float:
    clock: Clock = Ticking(speed)  # type: ignore[assignment]
    return seconds_for(dog, clock=clock, period_s=period_s)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("dog", "period_s", "speed", "set_to"),
    [
        (Dog(), 1.0, 1.0, 10.0),  # twice the 5 s after which the guard acts
        (Dog(), 0.05, 1.0, 10.0),
        (Dog(least_s=30.0), 1.0, 1.0, 30.0),
        (Dog(most_s=7.0), 1.0, 1.0, 7.0),
        (Dog(), 1.0, 3.0, 30.0),
        (Dog(), 1.0, 20.0, 60.0),
        (Dog(least_s=61.0), 1.0, 1.0, "its shortest time is 61 s, at most 60 s makes sense"),
        (Dog(most_s=3.9), 1.0, 1.0, "its longest time is 3.9 s, the loop may leave it alone for 3 s"),
    ],
)
def test_twice_the_guard_s_silence_within_its_range(
    dog: Dog, period_s: float, speed: float, set_to: float | str
) -> None:
    if isinstance(set_to, float):
        assert seconds(dog, period_s=period_s, speed=speed) == set_to
        return
    with pytest.raises(OutOfRange) as refused:
        seconds(dog, period_s=period_s, speed=speed)
    assert str(refused.value) == set_to


@pytest.mark.parametrize(
    ("least_s", "most_s", "armed"), [(1.0, 3600.0, True), (61.0, 3600.0, False), (0.02, 3.9, False), (0.02, 4.0, True)]
)
def test_the_table_tells_of_one_that_is_armed(
    files: Any, least_s: float, most_s: float, armed: bool
) -> None:
    shipped = (resources.files("drivers") / "dialects" / "scpi-load-watchdog.toml").read_text("utf-8")
    plain = files()
    mine = plain.bench.with_name("mine.toml")
    mine.write_text(shipped.replace("least = 1\nmost = 3600", f"least = {least_s}\nmost = {most_s}"), "utf-8")
    written = plain.edited("bench", (r'dialect = "scpi-load"$', 'dialect = "mine.toml"'))
    job = Job(procedures()["capacity"], written.bench, written.pack, sets=("charge_first=false",))
    assert unattended.facts(prepare(job)).load_watchdog is armed


@given(
    least_s=st.floats(0.02, 100.0),
    span=st.floats(1.0, 1000.0),
    period_s=st.floats(0.05, 1.0),
    speed=st.floats(1.0, 20.0),
)
def test_never_shorter_than_what_the_loop_may_leave_it_alone(
    least_s: float, span: float, period_s: float, speed: float
) -> None:
    """A loop that is late must end by its own words, and a healthy one never meets it."""
    clock: Clock = Ticking(speed)  # type: ignore[assignment]
    try:
        set_to = seconds(Dog(least_s, least_s * span), period_s=period_s, speed=speed)
    except OutOfRange:
        return
    assert least_s <= set_to <= min(60.0, least_s * span)
    assert set_to >= longest_gap_s(clock, period_s=period_s) + 1.0 >= 3.0 * period_s


# -- let expire --------------------------------------------------------------------------------------------------------


@pytest.fixture
def bench(files: Any) -> Iterator[Callable[..., On]]:
    """The cabinet, its pack taken off where the supply is tried."""
    made: list[On] = []
    plain = files()

    def make(role: str, habit: str, **dog: Any) -> On:
        written = plain.edited("bench", (rf'dialect = "scpi-{role}"$', f'dialect = "scpi-{role}-watchdog"'))
        made.append(On(written, manners={role: Manners(shape="watchdog", watchdog=habit)}))
        on = made[-1]
        driver = on.rig.drivers[role]
        driver.dialect = msgspec.structs.replace(
            driver.dialect, watchdog=msgspec.structs.replace(driver.dialect.watchdog, **dog)
        )
        if role == "supply":
            on.sim.do("wire none")
        return on

    yield make
    for one in made:
        one.connection.close()


def tried(on: On, role: str) -> Any:
    return try_load_watchdog(on.place, on.ready.site) if role == "load" else try_supply_watchdog(on.place)


@pytest.mark.parametrize("role", ["load", "supply"])
def test_one_that_expires_and_stays_off_is_seen_to(bench: Callable[..., On], role: str) -> None:
    on = bench(role, "acts")
    driver = on.rig.drivers[role]
    before = driver.state()
    said: list[float] = []
    wire = driver.session.wire
    wire.tap = lambda exchange: said.append(on.clock.now())
    seen = tried(on, role)
    assert (seen.instrument, seen.what, seen.level) == (role, "watchdog", 10.0)
    gaps = sorted(later - earlier for earlier, later in pairwise(said))
    assert gaps[-1] == pytest.approx(12.0), "nothing was said to it for its time and two seconds"
    (expired,) = [event for event in on.sim.world.events if "watchdog expired" in event.what]
    assert on.on == (False, False)
    assert on.clock.now() <= 25.0
    if role == "load":
        assert max(on.seen_amps) == pytest.approx(0.1, abs=0.02)
        assert on.seen_amps[-1] == 0.0
    after = driver.state()
    assert {key for key in before if before[key] != after[key]} <= {"amps", "low_volts", "low_volts_delay_s"}
    assert (after["watchdog"], after["watchdog_expired"], after["watchdog_s"]) == (False, False, before["watchdog_s"])
    (told,) = [one for one in on.noted if one["kind"] == "stop tried"]
    assert told["what"] == "watchdog"
    on.clock.sleep(100.0)
    assert on.on == (False, False)
    assert expired.t_s < on.clock.now()


FAILS = [
    ("ignored", False, "still on 12.0 s after it was last told anything: it does not act"),
    ("resumes", False, "or comes on again once it is spoken to"),
    ("restores", False, "came on as its protection was cleared.*write restores_output = true in [watchdog]"),
    ("insists", True, "even though off was said first: take [watchdog] out of its dialect"),
]


@pytest.mark.parametrize("role", ["load", "supply"])
@pytest.mark.parametrize(("habit", "declared", "words"), FAILS, ids=[row[0] for row in FAILS])
def test_one_that_lies_or_comes_back_fails_and_is_off(
    bench: Callable[..., On], role: str, habit: str, declared: bool, words: str
) -> None:
    """Ours: it takes the time, reads it back and never expires; another gives back, as it is cleared, what was on."""
    on = bench(role, habit, restores_output=declared)
    with pytest.raises(SelfTestFailed) as failed:
        tried(on, role)
    assert failed.value.exit_code == 40
    assert re.search(words.replace("[", r"\[").replace("]", r"\]"), str(failed.value)), str(failed.value)
    assert on.on == (False, False)
    assert on.rig.drivers[role].watchdog_is_armed() is False
    on.clock.sleep(60.0)
    assert on.on == (False, False)


def test_one_that_says_it_restores_is_told_off_first(bench: Callable[..., On]) -> None:
    on = bench("load", "restores", restores_output=True)
    assert tried(on, "load") is not None
    assert on.on == (False, False)


@pytest.mark.parametrize("role", ["load", "supply"])
def test_one_that_expires_at_once_would_end_good_runs(bench: Callable[..., On], role: str) -> None:
    on = bench(role, "acts")
    plain, on.seen_amps = on._pause, []

    def hasty(seconds: float) -> None:
        plain(seconds)
        port = on.sim.world.load if role == "load" else on.sim.world.supply
        if port.watchdog_due_s < on.clock.now() + 7.0:  # it was told 10 s and counts 3
            port.watchdog_due_s = on.clock.now()
            on.sim.world.changed()

    on._pause = hasty  # type: ignore[method-assign]
    with pytest.raises(SelfTestFailed, match="went off within 5 s, its own watchdog was set to 10 s"):
        tried(on, role)
    assert on.on == (False, False)


def test_one_that_comes_on_again_later_is_not_left_alone(bench: Callable[..., On]) -> None:
    """Ours: it stays off while it is asked a few times, and takes up its current a second after."""
    on = bench("load", "acts")
    plain = on._pause

    def later(seconds: float) -> None:
        plain(seconds)
        port = on.sim.world.load
        if port.watchdog_expired and on.clock.now() > 19.5:
            port.watchdog_expired, port.input_on = False, True
            on.sim.world.changed()

    on._pause = later  # type: ignore[method-assign]
    with pytest.raises(SelfTestFailed, match=r"came on again by itself .* after its own watchdog had switched it off"):
        tried(on, "load")
    assert on.on == (False, False)


def test_an_output_that_only_says_off_holds_its_volts(bench: Callable[..., On]) -> None:
    on = bench("supply", "acts")
    supply = on.rig.supply
    assert supply is not None
    supply.measure_volts = lambda: 5.0 if on.clock.now() > 0.5 else 0.0  # type: ignore[method-assign]
    with pytest.raises(SelfTestFailed, match=r"says that its watchdog switched it off and holds 5.00 V of 5.00 V"):
        tried(on, "supply")


def test_whoever_asks_for_the_end_gets_it_off(bench: Callable[..., On]) -> None:
    for after in (1, 8, 20, 40):
        on = bench("load", "acts")
        left = [after]

        def pause(seconds: float, on: On = on, left: list[int] = left) -> None:
            on.clock.sleep(seconds)
            left[0] -= 1
            if not left[0]:
                raise KeyboardInterrupt

        on._pause = pause  # type: ignore[method-assign]
        with pytest.raises(KeyboardInterrupt):
            tried(on, "load")
        assert on.on == (False, False), f"stopped in pause {after}"
        assert on.rig.drivers["load"].watchdog_is_armed() is False


def test_a_pack_on_the_node_and_nothing_is_tried(bench: Callable[..., On]) -> None:
    on = bench("supply", "acts")
    on.sim.do("wire pack")
    with pytest.raises(PreflightRefused, match="something hangs on the node"):
        tried(on, "supply")
    assert on.on == (False, False)


def test_without_one_nothing_is_tried(files: Any) -> None:
    on = On(files())
    assert try_load_watchdog(on.place, on.ready.site) is None
    assert try_supply_watchdog(on.place) is None
    on.connection.close()
