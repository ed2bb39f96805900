"""The whole job in order: which runs, at which rates, and that pack, UPS and bench bear every one of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness.config import BenchFile, PackFile, SiteFacts, UpsFile, load_bench, load_pack, load_ups
from harness.sequence import Asked, Place, run_sequence
from procedures.qualify import QUALIFY, fast_rate_it, steps
from sims.bench import open_bench


def place(folder: Path, scenario: str = "cabinet") -> Place:
    sim = open_bench(scenario, now=lambda: 0.0)
    addresses = {name: f"sim:{scenario}/{name}" for name in sim.names}
    texts = {"bench": sim.bench_toml(addresses), "pack": sim.pack_toml(), "ups": sim.ups_toml()}
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return Place(*(folder / f"{name}.toml" for name in texts), out=folder / "runs")


@pytest.fixture
def cabinet(tmp_path: Path) -> tuple[PackFile, UpsFile, BenchFile]:
    made = place(tmp_path)
    return load_pack(made.pack), load_ups(made.ups), load_bench(made.bench)


def test_a_bench_in_memory_is_one_for_all_runs(tmp_path: Path) -> None:
    """Ours: each run opened it anew, so that a discharge found the pack as it was before it had been charged."""
    made = place(tmp_path)
    shared = made.on_one_bench()
    assert shared.home is not None
    charged = shared.ready(Asked("charge"))
    rested = shared.ready(Asked("capacity", ("charge_first=false",)))
    assert charged.job.home is rested.job.home is shared.home
    assert shared.on_one_bench() is shared


def test_the_order(cabinet: Any) -> None:
    asked = steps(*cabinet)
    assert [(one.procedure, one.sets) for one in asked] == [
        ("charge", ()),
        ("capacity", ("charge_first=false", "rate_it=0.2")),
        ("capacity", ("charge_first=true", "rate_it=1.4", "rest_after_s=3600")),
        ("charge", ()),
        ("c-rate", ()),
        ("voltage-floor", ("highest_v=27.42",)),
        ("charge-ceiling", ()),
    ]
    assert all(one.why for one in asked)
    assert run_sequence("qualify") is QUALIFY
    assert QUALIFY.verdict == "fit"


@pytest.mark.parametrize("scenario", ["cabinet", "porch"])
def test_every_run_is_borne_by_the_files(tmp_path: Path, scenario: str) -> None:
    where = place(tmp_path, scenario)
    for asked in where.steps(QUALIFY):
        assert where.ready(asked).site.ups.name


def site(**facts: float) -> SiteFacts:
    return replace(SiteFacts(), **facts)


@pytest.mark.parametrize(
    ("of_ups", "of_pack", "rate"),
    [
        # 200 W over 0.75 and 21 V are 12.7 A of 10 Ah, and with a tenth of room for their doubt 14.0 A. Ours: at 13 A a
        # UPS that took 12.0 +/- 1.1 A (k = 2) counted as reached.
        ({"site": site(load_w_max=200.0)}, {}, 1.4),
        ({"site": site(load_w=120.0)}, {}, 0.85),
        ({"site": None, "ac_load_w": 100.0}, {}, 0.7),
        ({"site": None, "ac_load_w": None}, {}, 2.0),
        ({"site": site(load_w_max=200.0), "label_floor_v": 19.0}, {}, 1.55),
        # What pack or load bear may be less.
        ({"site": site(load_w_max=400.0)}, {}, 2.0),
        ({"site": site(load_w_max=200.0)}, {"discharge_amps_max": 9.9}, 0.95),
        # A slow UPS still gets a second rate that can be told from the first, and a weak pack none.
        ({"site": site(load_w=10.0), "ac_load_w": 10.0}, {}, 0.5),
        ({"site": site(load_w_max=200.0)}, {"discharge_amps_max": 3.9}, 0.0),
    ],
)
def test_the_fast_rate(cabinet: Any, of_ups: dict[str, Any], of_pack: dict[str, Any], rate: float) -> None:
    pack, ups, bench = cabinet
    pack, ups = replace(pack, **of_pack), replace(ups, **of_ups)
    assert fast_rate_it(pack, ups, bench) == pytest.approx(rate)
    names = [one.procedure for one in steps(pack, ups, bench)]
    assert names.count("capacity") == (2 if rate else 1)
    assert names[names.index("c-rate") - 1] == "charge"
