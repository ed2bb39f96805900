"""A contactor in the pack's lead: closed on entering, checked, kept between two blocks, opened last; one that welds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import night as nights
import pytest

from sims.scenario import Scenario

FITTED = ("supply", "load", "meter", "thermometer", "contactor")
CHARGE_THEN_SINK = nights.Short(
    "capacity",
    0.995,
    ("rate_it=1.5", "end_v=12.6", "rest_s=2", "rest_after_s=2", "charge_amps=4", "charge_end_amps=3"),
    "load",
)


def with_contactor(short: nights.Short, **changes: Any) -> Scenario:
    return replace(nights.facts(short), fitted=FITTED, **changes)


def spend(place: Path, short: nights.Short, arrange: Callable[[nights.Wires], None] | None = None) -> nights.Night:
    return nights.spend(place, short, scenario=with_contactor(short), arrange=arrange)


def switched(night: nights.Night) -> list[tuple[str, bytes]]:
    orders = (b"OUTP ON", b"OUTP OFF", b"INP ON", b"INP OFF")
    told = [(who, message) for _, who, message in night.wires.heard if message in orders]
    return [pair for number, pair in enumerate(told) if number == 0 or pair != told[number - 1]]


def test_closed_first_and_opened_last(tmp_path: Path) -> None:
    night = spend(tmp_path, CHARGE_THEN_SINK)
    assert night.exit_code == 0, night.result.end_reason
    told = switched(night)
    assert told[0] == ("contactor", b"OUTP ON")
    assert told[-1] == ("contactor", b"OUTP OFF")
    assert [who for who, message in told if message == b"OUTP ON"] == ["contactor", "supply"]
    # Kept closed from the charge to the discharge: it is told to open once, at the end.
    assert told.count(("contactor", b"OUTP OFF")) == 1
    assert night.world.contactor_closed is False
    assert nights.truly_off(night.world)


@pytest.mark.parametrize("name", ["capacity", "charge"])
def test_a_trip_opens_it_after_the_output(name: str, tmp_path: Path) -> None:
    short = nights.SHORT[name]

    def knob(wires: nights.Wires) -> None:
        def before(number: int, who: str, message: bytes) -> None:
            if message in (b"INP ON", b"OUTP ON") and who == short.active:
                text = b"CURR:PROT 7.5\n" if who == "load" else b"VOLT:PROT 18\n"
                wires.bench.connect(who).feed(text)

        wires.before = before

    night = spend(tmp_path, short, knob)
    assert night.exit_code == 21, night.result.end_reason
    offs = list(dict.fromkeys(who for who, message in switched(night) if message.endswith(b"OFF")))
    assert offs == [short.active, {"load": "supply", "supply": "load"}[short.active], "contactor"]
    assert not night.world.contactor_closed


def test_one_that_does_not_close_is_seen_before_anything_is_switched_on(tmp_path: Path) -> None:
    def stuck(wires: nights.Wires) -> None:
        wires.bench.switches["contactor"].welded = True

    short = nights.SHORT["capacity"]
    local = with_contactor(short)
    local = replace(local, load=replace(local.load, sense="local"))
    night = nights.spend(tmp_path, short, scenario=local, arrange=stuck)
    assert night.exit_code == 21
    assert night.result.end_reason.startswith("contactor closed: load: reads ")
    assert [who for _, who in night.on_at() if who != "contactor"] == []


@pytest.mark.parametrize("local", [("load",), ("supply",), ("load", "supply")])
def test_one_that_closes_is_not_taken_for_stuck(local: tuple[str, ...], tmp_path: Path) -> None:
    # Ours: the first reading came before the contacts had moved, and spoilt the mean of all.
    short = nights.SHORT["capacity"]
    facts = with_contactor(short)
    facts = replace(facts, **{name: replace(getattr(facts, name), sense="local") for name in local})
    night = nights.spend(tmp_path, short, scenario=facts)
    assert night.exit_code == 0, night.result.end_reason


def test_one_that_is_welded_is_refused(tmp_path: Path) -> None:
    def welded(wires: nights.Wires) -> None:
        wires.bench.world.contact(True)
        wires.bench.switches["contactor"].welded = True

    short = nights.SHORT["capacity"]
    local = with_contactor(short)
    local = replace(local, load=replace(local.load, sense="local"))
    night = nights.spend(tmp_path, short, scenario=local, arrange=welded)
    assert night.exit_code == 11
    assert "welded, or bridged" in str(night.refusal)
    assert night.on_at() == []


def test_without_a_view_of_the_pack_it_is_refused(tmp_path: Path) -> None:
    short = nights.SHORT["capacity"]
    blind = with_contactor(short)
    blind = replace(
        blind,
        fitted=tuple(name for name in FITTED if name != "meter"),
        load=replace(blind.load, sense="local"),
        supply=replace(blind.supply, sense="local"),
    )
    night = nights.spend(tmp_path, short, scenario=blind)
    assert night.exit_code == 11
    assert "pack's own side" in str(night.refusal)
