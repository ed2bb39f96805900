"""A bench and a pack as files would give them, for folds and figures that need no instruments."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import fit_folders
import pytest

from harness.config import load_bench, load_pack, load_ups
from harness.limits import envelope
from harness.limits_ups import ups_envelope
from harness.site import Site

SUPPLY = """
[[instrument]]
name = "supply"
role = "supply"
address = "sim:cabinet/supply"
dialect = "scpi-supply"
sense = "remote"
lead_mohm = 20
max_volts = 40
max_amps = 15
volts_range = 40
volts_accuracy_reading_pct = 0.03
volts_accuracy_range_pct = 0.02
amps_range = 15
amps_accuracy_reading_pct = 0.1
amps_accuracy_range_pct = 0.05
own_over_volts_stop = true
"""

LOAD = """
[[instrument]]
name = "load"
role = "load"
address = "sim:cabinet/load"
dialect = "scpi-load"
sense = "remote"
lead_mohm = 20
max_volts = 60
max_amps = 25
max_watts = 400
volts_range = 20
volts_accuracy_reading_pct = 0.05
volts_accuracy_range_pct = 0.02
amps_range = 10
amps_accuracy_reading_pct = 0.1
amps_accuracy_range_pct = 0.05
own_low_volts_stop = true
"""

METER = """
[[instrument]]
name = "meter"
role = "meter"
address = "sim:cabinet/meter"
dialect = "scpi-meter"
measures = "pack"
volts_range = 100
volts_accuracy_reading_pct = 0.01
volts_accuracy_range_pct = 0.004
"""

THERMOMETER = """
[[instrument]]
name = "thermometer"
role = "thermometer"
address = "sim:cabinet/thermometer"
dialect = "scpi-thermometer"
measures = "pack"
temp_accuracy_k = 0.5
"""

PACK = """
name = "invented-8s"
chemistry = "lifepo4"
cells_in_series = 8
rated_ah = 10.0
rated_at_it = 0.2
nominal_volts = 25.6
charge_volts_max = 29.2
charge_amps_max = 10.0
discharge_amps_max = 20.0
end_volts = 20.0
bms = true
bms_cell_low_volts = 2.2
bms_cell_high_volts = 3.75
resistance_mohm = 80.0
"""

UPS = """
name = "invented-24v"
nominal_dc_volts = 24
blocks = 2
rated_va = 700
rated_w = 420
label_floor_v = 21.0
label_ceiling_v = 27.3
label_charge_a = 1.0
ac_load_w = 100.0
ac_load_w_measured = true
"""

PARTS = {"supply": SUPPLY, "load": LOAD, "meter": METER, "thermometer": THERMOMETER}


@pytest.fixture
def make_site(tmp_path: Path) -> Callable[..., Site]:
    """``make_site("load", "supply", swap={"old text": "new text"})``: those instruments, with texts replaced."""

    def make(*names: str, swap: dict[str, str] | None = None, pack: str = PACK) -> Site:
        bench_text = 'name = "invented"\n' + "".join(PARTS[name] for name in names)
        for old, new in (swap or {}).items():
            assert old in bench_text + pack, old
            bench_text, pack = bench_text.replace(old, new), pack.replace(old, new)
        (tmp_path / "bench.toml").write_text(bench_text, encoding="utf-8")
        (tmp_path / "pack.toml").write_text(pack, encoding="utf-8")
        bench_file, pack_file = load_bench(tmp_path / "bench.toml"), load_pack(tmp_path / "pack.toml")
        return Site(bench_file, pack_file, envelope(pack=pack_file, bench=bench_file))

    return make


@pytest.fixture
def make_ups_site(tmp_path: Path) -> Callable[..., Site]:
    """The same with a UPS on the bench in place of a pack."""

    def make(*names: str, swap: dict[str, str] | None = None, ups: str = UPS) -> Site:
        bench_text = 'name = "invented"\n' + "".join(PARTS[name] for name in names)
        for old, new in (swap or {}).items():
            assert old in bench_text + ups, old
            bench_text, ups = bench_text.replace(old, new), ups.replace(old, new)
        (tmp_path / "bench.toml").write_text(bench_text, encoding="utf-8")
        (tmp_path / "ups.toml").write_text(ups, encoding="utf-8")
        bench_file, ups_file = load_bench(tmp_path / "bench.toml"), load_ups(tmp_path / "ups.toml")
        return Site(bench_file, None, ups_envelope(ups=ups_file, bench=bench_file), ups_file=ups_file)

    return make


@pytest.fixture(scope="module")
def coarse() -> Iterator[None]:
    """Verdicts are looked at, not the runtime's last per mille: fewer points of the integral."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("procedures.fit_runtime.POINTS", 40)
        patch.setattr("procedures.fit_runtime.TURNS", 4)
        patch.setattr("procedures.fit_runtime.FINER", 12)
        patch.setattr("procedures.fit_runtime.END_TIGHT", 5e-5)
        yield


@pytest.fixture
def runs(tmp_path: Path) -> fit_folders.Runs:
    """Run folders as runs leave them, made without a bench."""
    return fit_folders.Runs(tmp_path / "runs")
