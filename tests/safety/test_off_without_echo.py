"""Off goes out whole to an instrument that still hears and does not speak any more.

Ours, invented: a supply that wants its channel selected in a message of its own and echoes what it hears fell mute. Each
try ended with the echo of the selection that did not come, so that "output off" was never said.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from ill import Campaign, Drawn, Hit, judge, left_on, spend

from sims.manners import Manners

MUTE = {
    "echo, select": Manners(shape="select", wired_channel=2, compound="refused", echo=True),
    "echo, select, remote": Manners(shape="select", wired_channel=2, compound="refused", echo=True, remote_needed=True),
    "select": Manners(shape="select", wired_channel=2, compound="refused"),
    "echo": Manners(echo=True),
}


@pytest.mark.parametrize("habits", MUTE)
def test_off_is_heard_whatever_is_not_answered(habits: str, tmp_path: Path) -> None:
    campaign = Campaign(tmp_path)
    drawn = Drawn(0, "charge", "porch", ("supply", "load", "meter", "thermometer"), {"supply": MUTE[habits]}, own=True)
    _, ons, offs = campaign.count(drawn)
    for at in (ons[-1], ons[-1] + 1, (ons[-1] + offs[-1]) // 2, offs[-1]):
        drawn.hits = [Hit(at, "mute", "supply")]
        spent = spend(tmp_path, drawn)
        assert spent.exit_code == 99, "nobody saw that it was off"
        assert left_on(spent) == [], at
        assert judge(spent, campaign.plain) == [], at
