"""The verdict's rules on place and temperature, on a pack without a BMS, and the class of the whole."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import fit_made as made
import pytest
from fit_words import SITE, curve, line, verdict, words
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.config import SiteFacts
from procedures.fit_facts import Known
from procedures.fit_ups import Sweep

pytestmark = pytest.mark.usefixtures("coarse")


# -- the ceiling at other temperatures: 12 lead cells, 60 mV/K at the most --------------------------------------------


@pytest.mark.parametrize(
    ("seen_c", "coldest_c", "limit_v", "word", "told"),
    [
        (23.0, 5.0, 29.2, "pass", ""),  # 27.3 V + 18 K of 60 mV are 28.38 V
        (23.0, 5.0, 28.4, "pass", ""),
        (23.0, 5.0, 28.385, "pass with conditions", "charged to; at -5 mV/K a lead cell from 23 to 5 degC it would "
         "go to 28.38 V; provided: the charger stays within 28.385 V at 5 degC too."),
        (23.0, 5.0, 27.5, "pass with conditions", "stays within 27.5 V at 5 degC too"),
        (23.0, 23.0, 27.5, "pass", ""),
        (2.0, 5.0, 27.5, "pass", ""),
        (23.0, None, 27.5, "pass", ""),
        (math.nan, 20.0, 28.0, "pass", ""),
        (math.nan, 17.0, 28.0, "pass with conditions", "from 30 (not measured) to 17 degC it would go to 28.08 V"),
        (23.0, 5.0, 27.0, "fail", "above the 27 V"),
        (23.0, 5.0, 27.305, "cannot tell", "too near to"),
    ],
)  # fmt: skip
def test_a_charger_that_goes_higher_in_the_cold(
    tmp_path: Path, seen_c: float, coldest_c: float | None, limit_v: float, word: str, told: str
) -> None:
    """Ours: a ceiling found at 23 degC was held against the pack's limit for the coldest night as well."""
    limit = made.PACK.replace("charge_volts_max = 29.2", f"charge_volts_max = {limit_v}")
    found = verdict(tmp_path, pack=limit, ceiling_temp_c=seen_c, site=replace(SITE, ambient_min_c=coldest_c))
    one = line(found, "charge volts")
    assert one.verdict == word, one.sentence
    assert told in one.sentence
    if word == "pass with conditions":
        assert one.settles == f"the ceiling at a second temperature: a charge-ceiling run at {coldest_c:g} degC"
        assert found.verdict == "fits with conditions"


@pytest.mark.parametrize(
    ("seen_c", "warmest_c", "need_min", "word", "told"),
    [
        (23.0, 28.0, 80.0, "pass", ""),
        (23.0, 38.0, 15.0, "pass", ""),
        # 27.3 V less 15 K of 60 mV are 26.4 V, in the middle of the plateau: 1:04 +/- 0:45 of runtime.
        (23.0, 38.0, 80.0, "pass with conditions", "of its charge; at -5 mV/K a lead cell from 23 to 38 degC it would "
         "hold 26.40 V only, for 1:04:"),
        (40.0, 38.0, 80.0, "pass", ""),
        (23.0, None, 80.0, "pass", ""),
        (23.0, 38.0, None, "pass", ""),
        (math.nan, 30.0, 80.0, "pass with conditions", "from 15 (not measured) to 30 degC it would hold 26.40 V"),
        # Below the beginning of the charge nothing is known, whatever is needed.
        (23.0, 55.0, 1.0, "pass with conditions", "would hold 25.38 V only, and the share is not known there; "
         "provided: the charger fills the pack enough at 55 degC too."),
        # What fails as measured is told there, not here.
        (23.0, 38.0, 300.0, "pass", ""),
    ],
)  # fmt: skip
def test_a_charger_that_stays_lower_in_the_warmth(
    tmp_path: Path, seen_c: float, warmest_c: float | None, need_min: float | None, word: str, told: str
) -> None:
    site = replace(SITE, ambient_max_c=warmest_c, runtime_needed_min=need_min)
    found = verdict(tmp_path, ceiling_temp_c=seen_c, site=site)
    one = line(found, "charge share")
    assert one.verdict == word, one.sentence
    assert told in one.sentence
    if word == "pass with conditions":
        assert one.settles == f"the ceiling at a second temperature: a charge-ceiling run at {warmest_c:g} degC"


# -- temperature, place, pack without a BMS ----------------------------------------------------------------------------


def test_a_temperature_outside_the_usual_is_a_condition_and_no_refusal(tmp_path: Path) -> None:
    cold = (curve(2.0, temp_c=8.0), curve(12.5, temp_c=9.0))
    found = verdict(tmp_path, curves=cold)
    assert found.verdict == "fits with conditions"
    assert "the place is as the runs were, 8 degC" in line(found, "runtime").sentence
    assert "the room stays within 8 to 9 degC" in line(found, "room temperature").sentence


def test_no_temperature_no_verdict(tmp_path: Path) -> None:
    unknown = (curve(2.0, temp_c=math.nan), curve(12.5, temp_c=math.nan))
    found = verdict(tmp_path, curves=unknown)
    assert line(found, "runtime").verdict == line(found, "room temperature").verdict == found.verdict == "cannot tell"


def test_without_a_site_the_rest_still_decides(tmp_path: Path) -> None:
    found = verdict(tmp_path, site=None)
    left = {about for about, word in words(found).items() if word == "not judged"}
    assert left == {"charging when cold", "inrush", "runtime", "largest load", "room temperature"}
    assert found.verdict == "fits"
    assert verdict(tmp_path, site=SiteFacts()).verdict == "fits"


def test_a_pack_without_a_bms_is_held_against_its_end_volts(tmp_path: Path) -> None:
    bare = made.PACK.replace("bms = true", "bms = false") + "end_volts = 21.5\n"
    found = verdict(tmp_path, pack=bare)
    assert line(found, "floor margin").verdict == "fail"
    assert "there is no BMS to stop it" in line(found, "floor margin").sentence
    assert line(verdict(tmp_path, pack=bare.replace("21.5", "20.5")), "floor margin").verdict == "pass"
    cold = verdict(tmp_path, pack=bare, site=replace(SITE, ambient_min_c=-5.0))
    assert line(cold, "charging when cold").verdict == "fail"


def test_a_load_that_was_guessed_is_a_condition_everywhere_it_acts(tmp_path: Path) -> None:
    guessed = made.UPS.replace("ac_load_w_measured = true", "ac_load_w_measured = false")
    found = verdict(tmp_path, ups=guessed)
    for about in ("floor margin", "discharge current", "runtime", "largest load"):
        assert "these guesses hold: ac_load_w" in line(found, about).sentence
    assert found.sentence.count("ac_load_w") == 1


def test_worst_words_lead_the_sentence(tmp_path: Path) -> None:
    found = verdict(tmp_path, highest=Known(29.5, 0.01, "c"), ceiling=None, charge_a=None)
    assert found.verdict == "does not fit"
    assert found.sentence.startswith("Does not fit: charge volts: the charger goes up to 29.50 V, above the 29.2 V")
    doubt = verdict(tmp_path, ceiling=None, charge_a=None, highest=None)
    assert doubt.sentence.startswith("Cannot tell: charge volts: no ceiling among the runs; charge share: ")
    assert doubt.sentence.endswith("and 1 more.")


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    need=st.floats(1.0, 400.0),
    limit=st.floats(6.0, 30.0),
    floor=st.floats(20.2, 23.0),
    doubt=st.floats(0.001, 0.5),
)
def test_more_doubt_never_turns_a_doubt_into_a_word(
    tmp_path: Path, need: float, limit: float, floor: float, doubt: float
) -> None:
    """With a wider doubt about the floor a line may fall to "cannot tell", and never goes from pass to fail."""
    pack = made.PACK.replace("discharge_amps_max = 20.0", f"discharge_amps_max = {limit:.3f}")
    sweeps = (Sweep("a", 100.0, floor, 128.0), Sweep("b", 200.0, floor, 238.0))
    asked = {"pack": pack, "sweeps": sweeps, "site": replace(SITE, runtime_needed_min=need)}
    sure, unsure = (words(verdict(tmp_path, **asked, floor_u=u)) for u in (0.0005, doubt))
    for about in ("floor margin", "discharge current", "runtime"):
        assert unsure[about] in (sure[about], "cannot tell", "pass with conditions"), about
