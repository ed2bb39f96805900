"""Somebody selects another channel between our selection and our "output on": it does not stay on.

Ours, invented: the order went to his channel, which was found at once and said, but left on.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from ill import Campaign, Drawn, Hit, spend
from ill_safe import SOURCES

from sims.manners import Manners

HABITS = {"supply": Manners(shape="select", channels=3, wired_channel=2, compound="refused")}


@pytest.mark.parametrize("channel", [1, 3])
def test_what_was_switched_on_by_mistake_is_switched_off(channel: int, tmp_path: Path) -> None:
    campaign = Campaign(tmp_path)
    drawn = Drawn(0, "charge", "porch", SOURCES, HABITS, own=True)
    at = campaign.count(drawn)[1][-1]
    spent = spend(tmp_path, replace(drawn, hits=[Hit(at, "says", "supply", f"INST:NSEL {channel}")]))
    assert spent.wires.wrong_on == [f"channel {channel} of the supply on"], "the order went there"
    assert spent.exit_code == 23
    assert f"channel {channel} is selected, 2 was: somebody else is on this instrument" in spent.why
    assert [output.port.output_on for output in spent.wires.outputs] == [False, False, False]
