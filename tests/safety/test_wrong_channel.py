"""A bench file that names another channel of the supply than the one the leads are on: found, and said so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from shaped import Ran, ran

from harness.errors import PreflightRefused
from sims.bench import SimBench
from sims.manners import Manners
from sims.scenario import load_scenario

MANNERS = {"supply": Manners(shape="select", channels=3, wired_channel=1)}


def outputs(bench: SimBench) -> list[bool]:
    """Whether each channel's output is on."""
    panel: Any = bench._fitting.panels["supply"]
    return [output.port.output_on for output in panel._outputs]


def on_channel(number: int, procedure: str, place: Path, scenario: str = "porch") -> Ran:
    def edit(text: str) -> str:
        assert "channel = 1" in text
        return text.replace("channel = 1", f"channel = {number}", 1)

    sets = ("charge_first=false",) if procedure == "capacity" else ()
    return ran(place, load_scenario(scenario), procedure, manners=MANNERS, edit=edit, sets=sets)


@pytest.mark.parametrize(
    ("procedure", "scenario"), [("voltage-floor", "porch"), ("voltage-floor", "cabinet"), ("charge-ceiling", "porch")]
)
def test_volts_that_do_not_arrive_end_a_run_before_mains(procedure: str, scenario: str, tmp_path: Path) -> None:
    """A UPS's node is dead before, so that no voltmeter can tell beforehand. Ours: it went through to the end, with
    another output on all the time."""
    one = on_channel(2, procedure, tmp_path, scenario)
    assert one.done.exit_code == 21
    # Whichever of the two that look for it comes first: the look before mains, or the voltmeters that disagree.
    assert one.result.end_reason.startswith(("supply not on the node: ", "voltmeters disagree: "))
    assert not one.bench.ups.mains_on
    assert one.result.figures == {}
    assert outputs(one.bench) == [False, False, False]


@pytest.mark.parametrize("procedure", ["capacity", "charge"])
def test_with_a_pack_nothing_is_switched_on(procedure: str, tmp_path: Path) -> None:
    """The pack's volts stand at the terminals of the right one."""
    with pytest.raises(PreflightRefused):
        on_channel(2, procedure, tmp_path)
