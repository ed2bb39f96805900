"""Reversed, dead or the wrong pack: refused with what was seen and what was expected, before anything is switched on.

Source: guides of electronic loads (a load conducts when it is reversed, by its body diode), common practice.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from night import ON_A_PACK, SHORT, spend

from harness.errors import PreflightRefused
from sims.scenario import Scenario, load_scenario


def porch(**changes: object) -> Scenario:
    facts = load_scenario("porch")
    return replace(facts, pack=replace(facts.pack, **changes))  # type: ignore[arg-type]


def eight_cells() -> Scenario:
    """A 25.6 V pack where the file says 12.8 V: 26.1 V at rest."""
    pack = load_scenario("porch").pack
    each = {key: getattr(pack, key) * 2 for key in ("capacity_ah", "r_factor")}
    return porch(cells_in_series=8, label_cells_in_series=4, start_share=(0.3,) * 8, **each)


SEEN = {
    "reversed": (porch(wiring="reversed"), r"-1\d\.\d+ V at the pack's terminals: reversed; expected 8.00 to 14.80 V"),
    "asleep": (
        porch(wiring="asleep"),
        r"0\.\d+ V at the pack's terminals: open, asleep or not connected; expected 8.00",
    ),
    "twice the cells": (eight_cells(), r"26\.\d+ V at the pack's terminals: too high; expected 8.00 to 14.80 V"),
}


@pytest.mark.parametrize("procedure", ON_A_PACK)
@pytest.mark.parametrize("what", SEEN)
def test_refused_before_anything_is_switched_on(what: str, procedure: str, tmp_path: Path) -> None:
    facts, words = SEEN[what]
    night = spend(tmp_path, SHORT[procedure], scenario=facts)
    assert isinstance(night.refusal, PreflightRefused)
    assert night.exit_code == 11
    assert re.search(words, str(night.refusal)), str(night.refusal)
    assert not night.on_at()
    assert all(b"?" in message for message in night.wires.sent()), "only questions were asked"
