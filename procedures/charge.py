"""Charge a pack with constant current, then constant volts, until the current has tapered off (CC-CV).

The volts held are those at the supply's sensed terminals: with sense leads the pack's own, without them the supply's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Annotated

import msgspec

from harness.bench import Bench
from harness.channels import Channels, clock_line, figure, in_figure
from harness.errors import PlanRefused
from harness.limits import envelope
from harness.procedure import Forecast, Found, Procedure, Step
from harness.result import Condition, Figure
from harness.site import Site
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.detectors import ChargeCounter, Tail, Taper
from procedures.plans import Amps, Seconds, Volts

END_CURRENT = "end current reached"
PACK_OPENED = "pack opened while charging"
TIME_LIMIT = "time limit"

CV_BAND_V = 0.010
PLATEAU_S = 10.0
DEFAULT_IT = 0.5
DEFAULT_END_IT = 0.05


class ChargePlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What to charge with. Open keys (none) are taken from the pack file."""

    amps: Annotated[
        Amps | None,
        msgspec.Meta(description="charging current; default 0.5 It, at most what pack, fuse and leads bear"),
    ] = None
    volts: Annotated[
        Volts | None, msgspec.Meta(description="volts held at the end; default the chemistry's target")
    ] = None
    end_amps: Annotated[
        Amps | None, msgspec.Meta(description="charged when the current stays at or under this 10 s; default 0.05 It")
    ] = None
    longest_s: Annotated[
        Seconds | None, msgspec.Meta(description="trip when it takes longer; default 1.3 x the longest expected")
    ] = None


@dataclass(slots=True)
class ChargeFold:
    """Charge and energy put in, and how it ended. ``amps`` positive out of the pack, so negative here.

    ``held_volts`` is what the supply itself reads at its sensed terminals: the quantity it holds.
    """

    end_amps: float
    period_s: float
    on_s: float = 0.0
    counter: ChargeCounter = field(init=False)
    taper: Taper = field(init=False)
    plateau: Tail = field(default_factory=lambda: Tail(PLATEAU_S))
    end_reason: str = ""
    temps: list[float] = field(default_factory=list)
    _held: list[tuple[float, float]] = field(default_factory=list)
    _amps: list[tuple[float, float]] = field(default_factory=list)
    _at_reach: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        self.counter = ChargeCounter(period_s=self.period_s, start_s=self.on_s)
        self.taper = Taper(end_a=self.end_amps)

    @property
    def decided(self) -> bool:
        return bool(self.end_reason)

    def push(self, t_s: float, amps: float, pack_volts: float, *, held_volts: float, temp_c: float = math.nan) -> None:
        """One sample."""
        if self.decided:
            return
        if math.isfinite(temp_c):
            self.temps.append(temp_c)
        self.counter.push(t_s, amps, pack_volts)
        self.plateau.push(t_s, held_volts)
        if math.isfinite(held_volts):
            self._held.append((t_s, held_volts))
        self._amps.append((t_s, -amps))
        reached = self.taper.reached_s
        self.taper.push(t_s, -amps)
        if reached is None and self.taper.reached_s is not None:
            self._at_reach = (self.counter.charge_ah, self.counter.energy_wh)
        if self.taper.opened:
            self.end_reason = PACK_OPENED
        elif self.taper.done:
            self.end_reason = END_CURRENT

    @property
    def put_in(self) -> tuple[float, float]:
        """Charge (Ah) and energy (Wh) put in, positive, up to switching off."""
        return -self.counter.charge_ah, -self.counter.energy_wh

    @property
    def cv_start_s(self) -> float:
        """First sample at which the held volts were within 10 mV of what they were at the end, by the same reading:
        the instrument's own offset drops out."""
        least = self.plateau.mean - CV_BAND_V
        return next((t for t, volts in self._held if volts >= least), math.nan)

    def slope_at(self, series: str, t_s: float) -> float:
        """Change per second of ``held`` volts or ``amps`` around ``t_s``, over 10 s; nan without enough samples."""
        points = [p for p in (self._held if series == "held" else self._amps) if abs(p[0] - t_s) <= 5.0]
        if len(points) < 2 or points[-1][0] == points[0][0]:
            return math.nan
        return (points[-1][1] - points[0][1]) / (points[-1][0] - points[0][0])


def charge(bench: Bench, *, plan: ChargePlan) -> Found:
    """Charge the pack by ``plan``; every key settled."""
    fold = run_charge(bench, plan=plan)
    return report_charge(fold, plan=plan, channels=Channels(bench.site, bench.place))


def run_charge(bench: Bench, *, plan: ChargePlan) -> ChargeFold:
    """The energised part alone, for procedures that begin with a charge."""
    assert plan.volts is not None
    assert plan.amps is not None
    assert plan.end_amps is not None
    assert plan.longest_s is not None
    with bench.sourcing(volts=plan.volts, amps_max=plan.amps, longest_s=plan.longest_s) as source:
        fold = ChargeFold(end_amps=plan.end_amps, period_s=bench.period_s, on_s=source.on_s)
        for sample in bench.samples():
            fold.push(
                sample.elapsed_s,
                sample.pack_amps,
                sample.pack_volts,
                held_volts=bench.held_volts(sample),
                temp_c=sample.pack_temp_c,
            )
            if fold.decided:
                break
    return fold


def report_charge(fold: ChargeFold, *, plan: ChargePlan, channels: Channels) -> Found:
    """Figures of a charge that has ended."""
    charge_ah, energy_wh = fold.put_in
    seconds = (fold.counter.last[0] if fold.counter.last else fold.on_s) - fold.on_s
    hours = seconds / 3600.0
    mean_a = charge_ah / hours if hours else 0.0
    mean_v = energy_wh / charge_ah if charge_ah else 0.0
    amps = channels.amps_lines(role="supply", amps=mean_a, volts=mean_v)
    volts = channels.volts_lines(volts=mean_v, amps=mean_a)
    clock = in_figure([clock_line(seconds)], mean_a / 3600.0, "A.h")
    counted = [*in_figure(amps, hours, "A.h"), *clock, *_gap_lines(fold.counter)]
    figures = {
        "charge_in_ah": figure(charge_ah, "A.h", counted, "integral of the supply's current, trapezoid"),
        "charge_in_wh": figure(
            energy_wh,
            "W.h",
            [*in_figure(counted, mean_v, "W.h"), *in_figure(volts, charge_ah, "W.h")],
            "integral of current times pack volts, trapezoid",
        ),
        "charger_restarts": Figure(value=0.0, unit="1", basis="counted"),
    }
    if fold.end_reason == END_CURRENT:
        figures |= _tail_figures(fold, plan=plan, channels=channels)
    return Found(figures, fold.end_reason, _conditions(fold, plan))


def _tail_figures(fold: ChargeFold, *, plan: ChargePlan, channels: Channels) -> dict[str, Figure]:
    reached = fold.taper.reached_s
    start = fold.cv_start_s
    if reached is None or math.isnan(start):
        return {}
    end_a = fold.taper.end_amps
    lines = channels.amps_lines(role="supply", amps=end_a, volts=plan.volts or 0.0)
    figures = {"end_a": figure(end_a, "A", lines, "supply's last reading before it was switched off")}
    cv = [
        rectangular_line(source="sampling", half_width=fold.period_s, unit="s", basis="two ends, one period"),
        clock_line(reached - start),
    ]
    slope = fold.slope_at("amps", reached)
    if slope and math.isfinite(slope):
        cv += in_figure(lines, 1.0 / slope, "s")
    figures["cv_s"] = figure(
        reached - start, "s", cv, "from within 10 mV of the held volts to the end current, both held by the supply"
    )
    return figures


def _gap_lines(counter: ChargeCounter) -> list[BudgetLine]:
    return [
        rectangular_line(
            source=f"gap of {gap.end_s - gap.start_s:.0f} s",
            half_width=gap.half_width_ah,
            unit="A.h",
            basis="no samples: anything up to the larger current",
        )
        for gap in counter.gaps
    ]


def _conditions(fold: ChargeFold, plan: ChargePlan) -> dict[str, Condition]:
    conditions = {
        "charge_amps": Condition(value=plan.amps, unit="A"),
        "charge_volts": Condition(value=plan.volts, unit="V"),
        "charge_end_amps": Condition(value=plan.end_amps, unit="A"),
    }
    if fold.temps:
        conditions["charge_temp_start_c"] = Condition(value=fold.temps[0], unit="Cel")
        conditions["charge_temp_max_c"] = Condition(value=max(fold.temps), unit="Cel")
    return conditions


def settle_charge(plan: ChargePlan, site: Site) -> tuple[ChargePlan, Site]:
    """Fill the open keys; raises ``PlanRefused`` for a pack that may not be charged here or a key out of bounds."""
    it = site.pack.rated_ah
    env = envelope(pack=site.pack, bench=site.bench, charge_volts=plan.volts)
    if env.charge_refused:
        raise PlanRefused(f"plan: no charge: {env.charge_refused}")
    amps = min(DEFAULT_IT * it, env.charge_amps_max) if plan.amps is None else plan.amps
    end_amps = DEFAULT_END_IT * it if plan.end_amps is None else plan.end_amps
    if not end_amps < amps:
        raise PlanRefused(f"plan: end_amps = {end_amps:g} A: not below amps = {amps:g} A; choose a smaller end current")
    expected_s = 3600.0 * (it / amps + 1.0)
    longest_s = 1.3 * expected_s if plan.longest_s is None else plan.longest_s
    return (
        msgspec.structs.replace(plan, amps=amps, volts=env.target_v, end_amps=end_amps, longest_s=longest_s),
        replace(site, envelope=env),
    )


def forecast_charge(plan: ChargePlan, site: Site) -> Forecast:
    """At most: from empty. How full the pack is now cannot be told from outside."""
    assert plan.amps is not None
    it = site.pack.rated_ah
    ohm = (site.pack.resistance_mohm or 0.0) / 1000.0
    hours = it / plan.amps
    heat = plan.amps**2 * ohm * hours
    step = Step(
        f"charge at {plan.amps:g} A to {plan.volts:g} V, until {plan.end_amps:g} A (from empty; less if part full)",
        3600.0 * (hours + 0.5),
        plan.amps,
        it,
        heat,
    )
    return Forecast((step,), site.envelope.cut_off_v, plan.volts or 0.0)


PROCEDURE = Procedure(
    name="charge",
    about="charge a pack, constant current then constant volts, and count what goes in",
    run=charge,
    plan_type=ChargePlan,
    settle=settle_charge,
    forecast=forecast_charge,
    needs=lambda plan: ("supply", "thermometer"),
    phases=("rest", "source"),
)

__all__ = ["PROCEDURE", "ChargeFold", "ChargePlan", "charge"]
