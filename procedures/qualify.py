"""The whole job in order: what has to be measured of a pack and of a UPS before one can say whether they fit.

The pack comes first, so that one re-wiring is enough: charged, discharged at the rate of its label, charged and
discharged once more at a rate that reaches what the UPS will draw, charged again and stepped through its currents. It
is nearly full afterwards. Then the UPS: down to its floor, up to its ceiling.
"""

from __future__ import annotations

import math

from harness.config import BenchFile, PackFile, UpsFile
from harness.config_ups import FLOOR_V_CELL
from harness.limits import envelope
from harness.preflight_node import NOT_RESTED
from harness.sequence import Asked, RunSequence
from procedures.floor_plan import START_V_CELL

USUAL_IT = 0.2
LEAST_FAST_IT = 0.5
"""Two rates are told apart well enough from here on (judgement)."""

EFFICIENCY = 0.75
"""Of an inverter at part load, its own draw included, for the current to be expected before it is measured (judgement:
rather low, so that the rate reaches it)."""

DOUBT_ROOM = 1.1
"""A run proves a current only beyond the doubt of both, and the UPS's at a load that is not the one swept is known to
within some 10 %: 0.15 of the difference in power and 0.15 V a lead cell of floor, at twice the load swept (see
``fit_ups``). With that room the whole job comes to a verdict without a second sweep."""

FLOOR_EXPECTED_V_CELL = 0.5 * (FLOOR_V_CELL[0] + FLOOR_V_CELL[1])
STEP_IT = 0.05

MOST_V_CELL = 2.44
"""Just under what the bench allows at a UPS's terminals, V per lead-acid cell."""

COOL_S = 3600.0
"""A pack that was discharged fast is too warm to be charged; it cools with some 40 min (judgement)."""


def fast_rate_it(pack: PackFile, ups: UpsFile, bench: BenchFile) -> float:
    """The rate, in It, that goes beyond the UPS's largest current as far as labels tell it, and pack and bench bear it.

    0 when they bear none that could be told from the usual one.
    """
    amps = DOUBT_ROOM * _largest_w(ups) / EFFICIENCY / _floor_v(ups)
    wanted = max(math.ceil(amps / pack.rated_ah / STEP_IT - 1e-9) * STEP_IT, LEAST_FAST_IT)
    env = envelope(pack=pack, bench=bench, rate_it=wanted)
    most = math.floor(env.amps_max / pack.rated_ah / STEP_IT + 1e-9) * STEP_IT
    rate = round(min(wanted, most), 4)
    return rate if rate >= 2.0 * USUAL_IT else 0.0


def _largest_w(ups: UpsFile) -> float:
    """The largest load that is known of; the rated one when none is."""
    site = ups.site
    known = [ups.ac_load_w, *((site.load_w, site.load_w_max) if site else ())]
    return max((one for one in known if one), default=ups.rated_w)


def _floor_v(ups: UpsFile) -> float:
    return ups.label_floor_v or FLOOR_EXPECTED_V_CELL * ups.cells_in_series


def full_volts(pack: PackFile, ups: UpsFile) -> tuple[str, ...]:
    """The sweep's ``highest_v``: the UPS has to be seen at the volts of a full pack, where those lie above its ceiling,
    but never at more than the battery it was made for may have."""
    start_v = ups.label_ceiling_v or START_V_CELL * ups.cells_in_series
    rested_v = min(NOT_RESTED * pack.row.full_rest * pack.cells_in_series, MOST_V_CELL * ups.cells_in_series)
    return (f"highest_v={rested_v:.2f}",) if rested_v > start_v else ()


def steps(pack: PackFile, ups: UpsFile, bench: BenchFile) -> tuple[Asked, ...]:
    """The runs in order. Raises ``PlanRefused`` when pack and bench do not go together at all."""
    rate = fast_rate_it(pack, ups, bench)
    hot = ("charge_first=true", f"rate_it={rate:g}", f"rest_after_s={COOL_S:g}")
    fast = (
        Asked("capacity", hot, f"charge, discharge at {rate:g} It, and let it cool"),
        Asked("charge", (), "full again, for the steps"),
    )
    again = (Asked("charge", (), "full again, for the steps"),)
    return (
        Asked("charge", (), "full, by the pack's own end current"),
        Asked("capacity", ("charge_first=false", f"rate_it={USUAL_IT:g}"), "its charge at the usual rate"),
        *(fast if rate else again),
        Asked("c-rate", (), "which currents it holds, and its resistance"),
        Asked("voltage-floor", full_volts(pack, ups), "where the UPS stops, what it draws, how it warns"),
        Asked("charge-ceiling", (), "what the UPS charges to, and how strongly"),
    )


QUALIFY = RunSequence("qualify", "a pack and a UPS from charge to verdict", steps, "fit")
