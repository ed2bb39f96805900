"""Nights drawn on ill-mannered instruments: off by the world's own truth, in time, and no figure off by more than it
says. ``tests/safety/ill.py`` draws and judges; ``python tests/safety/ill.py FIRST PAST`` prints what it finds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from ill import Campaign, Drawn, Hit, judge, left_on, spend

from sims.manners import Manners


def faults(campaign: Campaign, seeds: range) -> list[str]:
    found = []
    for seed in seeds:
        spent, wrong = campaign.one(seed)
        found += [f"{spent.drawn} -> {spent.exit_code} {spent.why}: {text}" for text in wrong]
    return found


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    return Campaign(tmp_path_factory.mktemp("ill"))


def test_drawn_nights_end_as_they_say(campaign: Campaign) -> None:
    assert faults(campaign, range(6)) == []


SOURCES = ("supply", "load", "meter", "thermometer")


def test_the_judge_sees_what_is_wrong(campaign: Campaign, tmp_path: Path) -> None:
    """A judge that can not be displeased proves nothing."""
    drawn = Drawn(0, "capacity", "porch", SOURCES, {}, own=True)
    spent = spend(tmp_path, drawn)
    assert judge(spent, campaign.plain) == []
    spent.wires.bench.world.load.input_on = True
    spent.wires.bench.world.changed()
    assert "load" in left_on(spent)
    assert any("left on: load" in text for text in judge(spent, campaign.plain))
    spent.wires.bench.world.load.input_on = False
    result = spent.done
    assert result is not None
    figure = result.result.figures["rate_it"]
    result.result.figures["rate_it"] = msgspec.structs.replace(figure, value=float(figure.value) * 1.5)
    assert any("figure rate_it" in text for text in judge(spent, campaign.plain))


def test_the_same_seed_is_the_same_night(campaign: Campaign) -> None:
    one, _ = campaign.one(17)
    again, _ = campaign.one(17)
    assert (one.exit_code, one.why) == (again.exit_code, again.why)
    assert [(who, message) for _, who, message in one.wires.heard] == [
        (who, message) for _, who, message in again.wires.heard
    ]


# -- pytest -m slow tests/safety/test_ill_mannered.py ------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("first", [0, *range(100_000, 103_000, 500)])
def test_many_drawn_nights(first: int, campaign: Campaign) -> None:
    assert faults(campaign, range(first, first + 500)) == []


STEAL = ("INST:NSEL 1", "INST:NSEL 3", "*RST", "OUTP OFF", "SYST:LOC")


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("text", STEAL)
@pytest.mark.parametrize("compound", ["joined", "refused"])
@pytest.mark.parametrize("procedure", ["charge", "capacity"])
def test_a_channel_stolen_at_every_message(procedure: str, compound: str, text: str, campaign: Campaign) -> None:
    habits = {"supply": Manners(shape="select", channels=3, wired_channel=2, compound=compound)}
    drawn = Drawn(0, procedure, "porch", SOURCES, habits, own=True)
    found = []
    for at in range(campaign.count(drawn)[0]):
        spent = spend(campaign.place, replace(drawn, hits=[Hit(at, "says", "supply", text)]))
        found += [f"message {at}: {spent.exit_code} {spent.why}: {one}" for one in judge(spent, campaign.plain)]
        # Our order may meet his channel; it must not stay on, unless he switched it on.
        found += [
            f"message {at}: channel {n} left on" for n, out in enumerate(spent.wires.outputs, 1) if out.port.output_on
        ]
    assert found == []
