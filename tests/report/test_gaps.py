"""A time without a look: told, crossed in the plots, and no line leads across it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from report_runs import Parsed, Runs

from harness.derived import result_of
from harness.report.facts import RunFacts, gather
from harness.report.picture_charge import volts_over_charge
from harness.report.picture_time import over_time
from harness.report.run_report import page_of
from harness.samplefile import RowWriter, samples

AWAY_S = 600.0


@pytest.fixture
def facts(runs: Runs, tmp_path: Path) -> RunFacts:
    """A discharge in whose middle the computer was away for ten minutes."""
    folder = runs.copy("capacity", "finished", tmp_path)
    reader = samples(folder)
    rows = list(reader)
    sinking = [at for at, row in enumerate(rows) if row.state == "sinking"]
    middle = sinking[len(sinking) // 2]
    late = [replace(row, elapsed_s=row.elapsed_s + AWAY_S) if at >= middle else row for at, row in enumerate(rows)]
    writer = RowWriter(reader.columns)
    folder.samples_csv.write_bytes(writer.header() + b"".join(map(writer.record, late)))
    return gather(folder, result_of(folder))


def test_it_is_told(facts: RunFacts) -> None:
    said = Parsed(page_of(facts, [])).text("gaps")
    assert "No sample from 0:00:" in said
    assert "0:10:0" in said


def test_it_is_crossed(facts: RunFacts) -> None:
    ((begin, end),) = facts.gaps()
    assert end - begin > AWAY_S
    picture = over_time(facts)
    assert picture is not None
    unit_s, _ = facts.hours
    for panel in picture.panels:
        (stretch,) = (one for one in panel.stretches if one.hatched)
        assert (stretch.begin, stretch.end) == pytest.approx((begin / unit_s, end / unit_s))
        for curve in panel.curves:
            inside = (curve.x >= begin / unit_s) & (curve.x <= end / unit_s)
            hole = np.flatnonzero(np.isnan(curve.x))
            assert len(hole) == 1
            assert inside[hole[0] - 1]
            assert inside[hole[0] + 1]
    assert "Crossed: no samples." in picture.note


def test_no_volts_are_drawn_over_charge_nobody_counted(facts: RunFacts) -> None:
    picture = volts_over_charge(facts)
    assert picture is not None
    (curve,) = picture.panels[0].curves
    assert np.isnan(curve.y).sum() == 1
    assert np.isfinite(curve.y[[0, -1]]).all()


def test_without_one_there_is_nothing_of_it(runs: Runs) -> None:
    folder = runs.folder("capacity", "finished")
    facts = gather(folder, result_of(folder))
    assert list(facts.gaps()) == []
    assert Parsed(page_of(facts, [])).text("gaps").endswith("None: no two samples are further than 10 s apart.")
