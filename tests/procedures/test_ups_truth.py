"""UPS runs and whole jobs on drawn benches: each figure within its uncertainty of the truth, and the true class.

Ordinary: floor and ceiling on one drawn bench of each story. The campaign, thirty whole jobs with a table:
``pytest -q -m slow tests/procedures/test_ups_truth.py -s``.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import ups_campaign as campaign

from sims.verdict_truth import Line, TrueVerdict

SEEDS = range(1, 31)
FLOOR = {"floor_v", "dc_w", "warn_v", "latched", "idle_a", "idle_w", "p_ac_w"}
CEILING = {"ceiling_v", "charger_r_ohm", "charge_a", "knee_v"}
FIT = {"charge_share", "usable_ah", "usable_wh", "floor_margin_v", "charge_current_margin_a",
       "discharge_current_margin_a", "load_w_max"}  # fmt: skip


@pytest.mark.parametrize(("story", "seed"), [("cabinet", 2), ("porch", 2)])
def test_floor_and_ceiling(story: str, seed: int, tmp_path: Path) -> None:
    rows = {row.name: row for row in campaign.ups_rows(campaign.scenario(story, seed), tmp_path, seed=seed)}
    assert set(rows) == FLOOR | CEILING
    assert not [row for row in rows.values() if not row.ratio <= 1.0]
    assert rows["latched"].found is (story == "cabinet")


# -- the judge itself -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("found", "truth", "bound", "ratio"),
    [
        (10.5, 10.0, "", 0.5),
        (8.0, 10.0, "", 2.0),
        (8.0, 10.0, "at least", 0.0),
        (12.0, 10.0, "at least", 2.0),
        (12.0, 10.0, "at most", 0.0),
        (8.0, 10.0, "at most", 2.0),
        (True, True, "", 0.0),
        (True, False, "", float("inf")),
    ],
)
def test_ratio(found: float, truth: float, bound: str, ratio: float) -> None:
    assert campaign.Row("x", found, 1.0, truth, "V", bound).ratio == ratio


def test_a_figure_without_doubt_must_be_right() -> None:
    assert campaign.Row("x", 1.0, 0.0, 1.0, "1").ratio == 0.0
    assert campaign.Row("x", 1.0, 0.0, 1.1, "1").ratio == float("inf")
    assert campaign.Row("x", float("nan"), 1.0, 1.1, "1").ratio != campaign.Row("x", 1.0, 1.0, 1.1, "1").ratio


def job(found: str, true: str, **lines: str) -> Any:
    """A job that came to ``found``; ``lines``: rule (with _ for blanks) and what was told of it. The floor fails."""
    told = [SimpleNamespace(about=about.replace("_", " "), verdict=word) for about, word in lines.items()]
    judgement = SimpleNamespace(verdict=found, lines=told, figures={}, lists={})
    made = campaign.Job(1, campaign.scenario("cabinet", None), (), judgement)
    truth = TrueVerdict(true, "floor margin", (Line("floor margin", "fail", ""), Line("runtime", "pass", "")), ())
    return made, truth


@pytest.mark.parametrize(
    ("found", "true", "lines", "right"),
    [
        ("does not fit", "does not fit", {"floor_margin": "fail", "runtime": "pass"}, True),
        ("fits", "does not fit", {"floor_margin": "pass", "runtime": "pass"}, False),
        ("does not fit", "does not fit", {"floor_margin": "pass", "runtime": "fail"}, False),
        ("cannot tell", "does not fit", {"floor_margin": "cannot tell", "runtime": "pass"}, True),
        ("cannot tell", "does not fit", {"floor_margin": "fail", "runtime": "fail"}, False),
        ("does not fit", "fits", {"floor_margin": "cannot tell", "runtime": "pass"}, False),
    ],
)
def test_when_a_class_is_right(
    found: str, true: str, lines: dict[str, str], right: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, truth = job(found, true, **lines)
    monkeypatch.setattr(campaign, "true_verdict", lambda facts: truth)
    assert made.right is right


# -- the campaign -----------------------------------------------------------------------------------------------------

JOBS: list[Any] = []


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", SEEDS)
def test_whole_job(seed: int, tmp_path: Path) -> None:
    made = campaign.whole_job(campaign.scenario("cabinet", seed), tmp_path, seed=seed)
    JOBS.append(made)
    names = {row.name for row in made.rows}
    assert names >= FLOOR | CEILING
    assert len(names & FIT) >= len(FIT) - 1, "one may not be told"
    assert made.right, campaign.line(made)
    far = [row for row in made.rows if not row.ratio <= campaign.BEYOND]
    assert not far, campaign.line(made)


@pytest.mark.slow
def test_campaign_as_a_whole() -> None:
    assert JOBS, "run together with the campaign"
    print("\n".join(["", campaign.HEAD, *map(campaign.line, JOBS), campaign.by_figure(JOBS)]))
    rows = [row for made in JOBS for row in made.rows]
    assert sum(row.ratio <= 1.0 for row in rows) >= campaign.SHARE_INSIDE * len(rows)
    if len(JOBS) == len(SEEDS):
        assert len({made.truth.verdict for made in JOBS}) > 1, "some fit, some do not"
        told = [made for made in JOBS if made.found != campaign.CANNOT_TELL]
        assert {made.found for made in told} == {made.truth.verdict for made in JOBS}
