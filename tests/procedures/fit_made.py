"""Facts of an invented pack on an invented UPS, made from plain formulas, for the tests of the verdict.

The pack: 8 LiFePO4 cells of 10 Ah on the simulator's open-circuit table with 70 mohm; the UPS: 24 V, off at 21 V.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from harness.config import PackFile, SiteFacts, UpsFile, load_pack, load_ups
from procedures.fit_curves import END_VOLTS, Curve
from procedures.fit_facts import Facts, Held, Known, PackSide, UpsSideFacts
from procedures.fit_share import ChargeCurve
from procedures.fit_ups import Sweep
from sims.ocv import LIFEPO4

CELLS, CAPACITY_AH, OHM, END_V = 8, 10.0, 0.070, 20.0

PACK = """name = "shed-8s"
chemistry = "lifepo4"
cells_in_series = 8
rated_ah = 10.0
nominal_volts = 25.6
charge_volts_max = 29.2
charge_amps_max = 5.0
discharge_amps_max = 20.0
bms = true
"""
UPS = """name = "shed-24v"
nominal_dc_volts = 24
blocks = 2
rated_va = 700
rated_w = 420
ac_load_w = 100.0
ac_load_w_measured = true
"""
SITE = SiteFacts(120.0, True, 200.0, True, 30.0, True, 17.0, True, 28.0, True)
"""Everything known and measured, and kind."""


def pack_file(folder: Path, text: str = PACK) -> PackFile:
    (folder / "pack.toml").write_text(text, encoding="utf-8")
    return load_pack(folder / "pack.toml")


def ups_file(folder: Path, text: str = UPS, site: SiteFacts | None = SITE) -> UpsFile:
    (folder / "ups.toml").write_text(text, encoding="utf-8")
    return replace(load_ups(folder / "ups.toml"), site=site)


def ocv(share: np.ndarray) -> np.ndarray:
    """Rested volts of the pack at a share of its charge."""
    return CELLS * np.interp(share, LIFEPO4.at, LIFEPO4.values)


def curve(amps: float, *, end_v: float = END_V, end: str = END_VOLTS, temp_c: float = 23.0, run: str = "") -> Curve:
    """A discharge from full down to ``end_v`` at the terminals."""
    charge = np.linspace(0.0, CAPACITY_AH, 4001)
    volts = ocv(1.0 - charge / CAPACITY_AH) - amps * OHM
    keep = int(np.argmax(volts <= end_v)) if bool(np.any(volts <= end_v)) else len(volts) - 1
    way = (volts[keep - 1] - end_v) / (volts[keep - 1] - volts[keep])
    last = charge[keep - 1] + way * (charge[keep] - charge[keep - 1])
    made_ah, made_v = np.append(charge[:keep], last), np.append(volts[:keep], end_v)
    return Curve(run or f"capacity-{amps:g}A", amps, made_ah, made_v, end, temp_c)


def charge_curve(amps: float = 2.0, *, from_share: float = 0.3, run: str = "charge") -> ChargeCurve:
    """A charge at constant current up to full."""
    share = np.linspace(from_share, 1.0, 3001)
    return ChargeCurve(run, (1.0 - share) * CAPACITY_AH, ocv(share) + amps * OHM, np.full_like(share, amps))


def pack_side(**changes: Any) -> PackSide:
    curves = changes.get("curves", (curve(2.0), curve(12.5)))
    made: dict[str, Any] = {
        "curves": curves,
        "volts_u": 0.004,
        "charge_share_u": 0.001,
        "charge": charge_curve(),
        "charge_share_in_u": 0.001,
        "held": tuple(
            Held(one.run, one.amps, 3600.0 * one.end_ah / one.amps, to_the_end=True, u=0.001 * one.amps)
            for one in curves
        ),
        "r_10s": Known(0.050, 0.001, "c-rate"),
        "rest_v": Known(27.0, 0.004, "capacity-2A"),
    }
    return PackSide(**(made | changes))


def ups_side(**changes: Any) -> UpsSideFacts:
    made: dict[str, Any] = {
        "sweeps": (Sweep("floor-100W", 100.0, 21.0, 128.0), Sweep("floor-200W", 200.0, 21.0, 238.0)),
        "floor_u": 0.015,
        "power_share_u": 0.002,
        "idle_w": 7.0,
        "ceiling": Known(27.3, 0.004, "ceiling"),
        "highest": Known(27.3, 0.004, "ceiling"),
        "ceiling_temp_c": 23.0,
        "charge_a": Known(0.9, 0.003, "ceiling"),
        "highest_good": Known(27.3, 0.004, "floor-100W"),
    }
    return UpsSideFacts(**(made | changes))


def facts(folder: Path, *, pack: str = PACK, ups: str = UPS, site: SiteFacts | None = SITE, **changes: Any) -> Facts:
    """Facts of a pack that fits. ``changes`` that are the name of a side's field go there, others to the facts."""
    of_pack = {k: v for k, v in changes.items() if k in PackSide.__dataclass_fields__}
    of_ups = {k: v for k, v in changes.items() if k in UpsSideFacts.__dataclass_fields__}
    rest = {k: v for k, v in changes.items() if k not in of_pack and k not in of_ups}
    return Facts(
        pack=pack_file(folder, pack),
        ups=ups_file(folder, ups, site),
        simulated=True,
        pack_side=pack_side(**of_pack),
        ups_side=ups_side(**of_ups),
        **rest,
    )


def true_runtime_s(dc_w: float, *, floor_v: float, from_ah: float, lead_ohm: float) -> float:
    """By another way: the power's root at each of very many equal steps of charge, in closed form."""
    charge = np.linspace(from_ah, CAPACITY_AH, 400001)
    e = ocv(1.0 - charge / CAPACITY_AH)
    under = e * e - 4.0 * (OHM + lead_ohm) * dc_w
    volts = np.where(under > 0, 0.5 * (e + np.sqrt(np.maximum(under, 0.0))), 0.0)
    good = volts > floor_v
    end = int(np.argmin(good)) if not bool(np.all(good)) else len(good)
    return float(np.sum(np.diff(charge[:end]) * volts[: end - 1]) / dc_w * 3600.0) if end > 1 else math.nan
