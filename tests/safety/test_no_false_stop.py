"""Nights without a fault, over packs, UPSs, leads and instruments drawn at random, with their noise and their full
errors, late replies, dips and a calendar that is set: nothing may speak that ends a run. Too many false stops teach
people to change limits.

The ordinary suite spends some short nights of each procedure; ``campaign.py`` spends a thousand.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from campaign_nights import NIGHT_OF, Restless, a_night, nights, quiet
from campaign_units import NOTE, NUISANCE, unsafe
from night import SCENARIO, Short, quick, spend

from harness.procedure import procedures
from sims.scenario import load_scenario

NIGHTS = [*range(3), *(pytest.param(number, marks=pytest.mark.slow) for number in range(3, 5))]


def test_there_are_nights_of_every_procedure() -> None:
    assert set(NIGHT_OF) == set(procedures())


@pytest.mark.parametrize("number", NIGHTS)
@pytest.mark.parametrize("procedure", NIGHT_OF)
def test_nothing_speaks(procedure: str, number: int, tmp_path: Path) -> None:
    assert quiet(procedure, f"1/{number}", tmp_path) == [f"{NOTE}exit 0"], "neither a stop nor a warning"


def test_what_happens_on_these_nights_does_happen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Late replies, one and two in a row, dips, and a step of the calendar that the record tells."""
    happened: list[str | None] = []
    plain = Restless.kind

    def kind(self: Restless, *words: Any) -> str | None:
        happened.append(plain(self, *words))
        return happened[-1]

    monkeypatch.setattr(Restless, "kind", kind)
    night = a_night("capacity", "1/0", tmp_path)
    assert {"late", "lie", None} <= set(happened)
    assert len(night.events("clock step")) == 1


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_many_nights(tmp_path: Path) -> None:
    words = [text for unit in islice(nights(2), 200) for text in unit.run(tmp_path)]
    assert unsafe(words) == []
    assert [text for text in words if text.startswith(NUISANCE)] == []


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_quiet_plateau_for_ten_hours(tmp_path: Path) -> None:
    """Voltmeters without noise, in steps of 10 mV, at 0.05 It: a reading stands still for half an hour."""
    facts = load_scenario(SCENARIO)
    short = Short("capacity", 0.55, ("charge_first=false", "rate_it=0.05", "rest_s=2", "rest_after_s=2"), "load")
    quiet = {"volts_step": 0.010, "volts_noise": 0.0, "volts_accuracy_range_pct": 0.05}
    scenario = replace(
        facts,
        pack=replace(facts.pack, start_share=(short.start_share,) * 4),
        meter=replace(facts.meter, **quiet),
        load=replace(facts.load, **quiet),
        supply=replace(facts.supply, **quiet),
    )
    longest: list[float] = []
    since = [0.0, 0.0]

    def each(_number: int, sample: Any) -> None:
        if sample.pack_volts != since[0]:
            since[:] = [sample.pack_volts, sample.elapsed_s]
        longest.append(sample.elapsed_s - since[1])

    with quick():
        night = spend(tmp_path, short, scenario=scenario, each=each)
    assert night.exit_code == 0, night.refusal or night.result.end_reason
    assert len(longest) > 36000
    assert max(longest) > 1200.0, "it did stand still"
    print(f"\n{len(longest)} samples, the same volts for {max(longest):.0f} s at most")
