"""The verdict's rules on runtime, and what the rates, the charge and the load known make of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import fit_made as made
import pytest
from fit_words import SITE, curve, line, verdict

from procedures.fit_facts import Known
from procedures.fit_ups import Sweep

pytestmark = pytest.mark.usefixtures("coarse")


# -- runtime and what the rates make of it -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("curves", "bound", "how"),
    [
        ((curve(2.0), curve(12.5)), "", "from the rates around it (2 A and 12.5 A)"),
        ((curve(2.0), curve(4.0)), "at most", "faster than every rate measured (2 A and 4 A)"),
        ((curve(9.0), curve(12.5)), "at least", "slower than every rate measured (9 A and 12.5 A)"),
        ((curve(2.0),), "at most", "faster than the one rate measured (2 A)"),
        ((curve(12.5),), "at least", "slower than every rate measured (12.5 A)"),
        ((curve(2.0, end_v=24.0), curve(12.5, end_v=24.0)), "at least", "from the rates around it"),
    ],
)
def test_what_the_rates_make_of_a_runtime(tmp_path: Path, curves: Any, bound: str, how: str) -> None:
    found = verdict(tmp_path, curves=curves)
    (entry,) = (one for one in found.lists["runtime_s"] if one["load_w"] == 120.0)
    assert entry["runtime_s"].bound == bound
    assert str(entry["how"]).startswith(how)
    word = {"at most": "cannot tell"}.get(bound, "pass")
    assert line(found, "runtime").verdict == word
    assert found.figures["usable_ah"].bound == bound


def test_one_slow_curve_may_predict_a_slow_load(tmp_path: Path) -> None:
    """30 W are 2 to 2.5 A of 10 Ah: under half of 1 It."""
    slow = replace(SITE, load_w=30.0, load_w_max=31.0)
    sweeps = (Sweep("f", 30.0, 21.0, 44.0),)
    found = verdict(tmp_path, site=slow, sweeps=sweeps, curves=(curve(1.0),))
    one = line(found, "runtime")
    assert one.verdict == "pass"
    assert "from one rate (1 A) and the resistance" in one.sentence


def test_bounds_still_decide_what_they_can(tmp_path: Path) -> None:
    long, short = replace(SITE, runtime_needed_min=300.0), replace(SITE, runtime_needed_min=20.0)
    most = (curve(2.0), curve(4.0))
    assert line(verdict(tmp_path, curves=most, site=long), "runtime").verdict == "fail"
    assert line(verdict(tmp_path, curves=most, site=short), "runtime").verdict == "cannot tell"
    least = (curve(2.0, end_v=25.0), curve(12.5, end_v=25.0))
    assert line(verdict(tmp_path, curves=least, site=short), "runtime").verdict == "pass"
    assert line(verdict(tmp_path, curves=least, site=long), "runtime").verdict == "cannot tell"


def test_two_bounds_against_one_another_say_nothing(tmp_path: Path) -> None:
    found = verdict(tmp_path, curves=(curve(2.0, end_v=25.5), curve(4.0, end_v=25.5)))
    assert line(found, "runtime").verdict == "cannot tell"
    assert "usable_ah" in found.not_measured


def test_a_ceiling_above_the_end_of_the_charge_fills_further(tmp_path: Path) -> None:
    known = Known(28.9, 0.004, "c")
    found = verdict(tmp_path, ceiling=known, highest=known)
    assert (found.figures["charge_share"].value, found.figures["charge_share"].bound) == (1.0, "at least")
    assert line(found, "charge share").verdict == "pass"
    assert "to at least 100" in line(found, "charge share").sentence


def test_a_charge_begun_above_the_ceiling_bounds_the_share(tmp_path: Path) -> None:
    found = verdict(tmp_path, charge=made.charge_curve(from_share=0.995))
    assert found.figures["charge_share"].bound == "at most"
    assert line(found, "charge share").verdict == "cannot tell"
    assert line(found, "charge share").settles == "a charge from a lower state"


def test_on_the_plateau_the_share_is_a_range(tmp_path: Path) -> None:
    sentence = line(verdict(tmp_path, ceiling=Known(26.6, 0.004, "c")), "charge share").sentence
    assert " to " in sentence.partition("to ")[2]
    assert " +/- " in line(verdict(tmp_path), "charge share").sentence


def test_what_hung_on_the_output_is_known_so_well_and_no_better(tmp_path: Path) -> None:
    """By hand: at 101 and 202 W instead of 100 and 200 W, 120 W take 148.7 W of the battery and not 150 W."""
    found = verdict(tmp_path, load_share_u=0.01)
    (entry,) = (one for one in found.lists["runtime_s"] if one["load_w"] == 120.0)
    made_of = {one.source: one.standard_uncertainty for one in entry["runtime_s"].budget}
    share = made_of["AC load"] / float(entry["runtime_s"].value)
    assert share == pytest.approx(150.0 / (128.0 + 19.0 / 101.0 * 110.0) - 1.0, rel=0.1)
    for name in ("usable_ah", "discharge_current_margin_a"):
        assert "AC load" in {one.source for one in found.figures[name].budget}
