"""What the run tells its guard, beat by beat, and what it asks of it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from harness.beats import Beats
from harness.block import Block
from harness.safeoff import Before


class Link:
    """The line to a guard: its beats are kept, and it knows where instruments are."""

    def __init__(self) -> None:
        self.beats: list[tuple[str, int, float]] = []
        self.addresses: list[dict[str, str]] = []

    def beat(self, state: str, sample: int, age_s: float) -> None:
        self.beats.append((state, sample, age_s))

    def silent_s(self) -> float:
        return 1.5

    def astray(self, addresses: dict[str, str]) -> str:
        self.addresses.append(addresses)
        return "load is elsewhere"


def on_a_bench(before: Before = Before(), *, mains: bool | None = None) -> tuple[Beats, SimpleNamespace]:  # noqa: B008
    wire = SimpleNamespace(address="usb:one")
    rig = SimpleNamespace(
        drivers={"load": SimpleNamespace(session=SimpleNamespace(wire=wire))},
        switched={} if mains is None else {"mains": mains},
    )
    loop = SimpleNamespace(
        before=lambda block: before, unwatched_wall_s=0.25, guard_silent_s=lambda: 0.0, guard_astray=lambda: ""
    )
    bench = SimpleNamespace(rig=rig, loop=loop, block=Block(), wire=wire)
    return Beats(bench), bench  # type: ignore[arg-type]


def said(beats: Beats) -> None:
    beats.loop_goes_on()
    beats.switching_off()
    beats.proving_off()
    beats.still_on("trace")
    beats.was_off()


def test_without_a_guard_nothing_is_told() -> None:
    beats, bench = on_a_bench()
    said(beats)
    beats.guard_with(None)
    said(beats)
    assert beats.guard is None
    assert (bench.loop.guard_silent_s(), bench.loop.guard_astray()) == (0.0, "")
    assert beats.samples == 0


def test_each_step_in_its_own_words() -> None:
    beats, _ = on_a_bench(Before("sink"))
    link: Any = Link()
    beats.guard_with(link)
    assert beats.guard is link
    beats.samples = 7
    said(beats)
    assert link.beats == [
        ("sink", 7, 0.25),
        ("switching off", 7, 0.0),
        ("proving off", 7, 0.0),
        ("trace", 7, 0.0),
        ("rest", 7, 0.0),
    ]


@pytest.mark.parametrize(
    ("before", "mains", "state"),
    [
        (Before("rest"), None, "rest"),
        (Before("rest"), False, "rest"),
        # everything is off, and the charger pushes: the guard's patience is short
        (Before("rest"), True, "unknown"),
        (Before("source"), True, "source"),
        (Before("source"), False, "source"),
        (Before("stand-in", mains=True), True, "stand-in, mains on"),
        (Before("stand-in", mains=False), False, "stand-in"),
    ],
)
def test_the_state_that_decides_the_guards_order(before: Before, mains: bool | None, state: str) -> None:
    beats, _ = on_a_bench(before, mains=mains)
    link: Any = Link()
    beats.guard_with(link)
    beats.loop_goes_on()
    assert link.beats == [(state, 0, 0.25)]


def test_the_loop_hears_of_a_guard_that_is_silent_and_of_instruments_it_cannot_reach() -> None:
    beats, bench = on_a_bench()
    link: Any = Link()
    beats.guard_with(link)
    assert bench.loop.guard_silent_s() == 1.5
    bench.wire.address = "usb:two"  # found again elsewhere
    assert bench.loop.guard_astray() == "load is elsewhere"
    assert link.addresses == [{"load": "usb:two"}]
