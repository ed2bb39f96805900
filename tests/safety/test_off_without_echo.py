"""Off goes out whole to an instrument that still hears and does not speak any more, or to whoever is left.

Ours, invented: a supply that wants its channel selected in a message of its own and echoes what it hears fell mute.
Each try ended with the echo of the selection that did not come, so that "output off" was never said. A load hung at the
end of its block; the contactor, which stays closed from block to block, was left closed although the run was over.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from ill import Campaign, Drawn, Hit, judge, left_on, spend
from ill_safe import SOURCES, safe

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


@pytest.mark.parametrize("kind", ["deaf", "gone", "mute", "stranger"])
def test_a_contactor_kept_for_the_next_block_opens_when_there_is_none(kind: str, tmp_path: Path) -> None:
    campaign = Campaign(tmp_path)
    drawn = Drawn(0, "capacity", "porch", ("supply", "load", "meter", "thermometer", "contactor"), {}, own=True)
    heard = campaign.plain(drawn).wires.heard
    at = max(number for number, (_, who, message) in enumerate(heard) if (who, message) == ("load", b"MEAS:VOLT?\n"))
    last = max(number for number, (_, _, message) in enumerate(heard) if message == b"INP ON\n")
    first_off = next(number for number in range(last, at) if heard[number][2] == b"INP OFF\n")
    drawn.hits = [Hit(first_off, kind, "load")]
    spent = spend(tmp_path, drawn)
    assert spent.exit_code == 99
    told = [t for t, who, message in spent.wires.heard if (who, message) == ("contactor", b"OUTP OFF\n")]
    begun = next(t for t, who, message in spent.wires.heard[first_off:] if (who, message) == ("supply", b"OUTP OFF\n"))
    assert told[0] - begun <= 2.0, "off is in doubt: it is not kept any longer"
    spent.clock.sleep(0.1)
    spent.wires.bench.advance()
    assert not spent.wires.bench.switches["contactor"].closed
    assert judge(spent, campaign.plain) == []
    assert abs(spent.wires.bench.world.pack_amps) < 0.03


def test_off_reaches_one_that_does_not_obey_what_goes_as_one_message(tmp_path: Path) -> None:
    """The file says joined, the supply refuses every message of two parts."""
    habits = {"supply": Manners(shape="select", channels=3, wired_channel=2, compound="refused")}
    code, _, bench = safe(tmp_path, SOURCES, habits, ("supply-dialect.toml", "scpi-supply-select"), "supply")
    assert code == 99, "nothing it was asked was answered"
    assert not bench.world.supply.output_on
