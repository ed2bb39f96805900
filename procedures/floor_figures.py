"""Figures of a voltage-floor sweep that has ended, each with its uncertainty, and why the others are missing."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.channels import Channels, figure, in_figure, named
from harness.result import Figure
from harness.uncertainty import BudgetLine, rectangular_line
from procedures.floor_fold import CUT_OFF, NOT_REACHED, NOT_REPEATED, Bracket, FloorFold
from procedures.mains_fold import IdleFold, MainsFold, RestartFold
from procedures.overdraw import OverdrawFold
from procedures.stand_in import Level
from procedures.warn_fold import WarnFold, highest_good

IDS = (
    "floor_v", "last_good_v", "first_bad_v", "floor_a", "dc_w", "warn_v", "warn_to_off_v", "highest_good_v", "latched",
    "restart_v", "idle_a", "idle_w", "p_ac_w", "lead_drop_v",
)  # fmt: skip

WENT_OFF, ABNORMAL = "it went off", "abnormal, by a mark"
"""What a sweep above its start says of a UPS that does not bear the volts."""

DECLARED_LOAD_SHARE = 0.05
"""How far an AC load nobody measured may be from what the UPS file says (judgement)."""

MEASURED_LOAD_SHARE = 0.02
"""The same for one that was measured with a plain power meter (judgement)."""


@dataclass(slots=True)
class Swept:
    """Everything a sweep left behind. ``lead_ohm``: between the supply's terminals and the UPS, 0 with sense leads."""

    channels: Channels
    lead_ohm: float
    first: FloorFold | None = None
    up: FloorFold | None = None
    coarse: FloorFold | None = None
    fine: FloorFold | None = None
    restart: RestartFold | None = None
    idle: IdleFold | None = None
    idle_why: str = ""
    restart_why: str = ""
    warn: WarnFold = field(default_factory=WarnFold)
    abnormal: WarnFold = field(default_factory=lambda: WarnFold(word="abnormal"))
    on_mains: list[MainsFold] = field(default_factory=list)
    overdraw: OverdrawFold = field(default_factory=OverdrawFold)

    @property
    def confirmed(self) -> bool:
        """Whether the fine sweep came to the cut-off that the coarse one had found."""
        return self.coarse is not None and self.fine is not None and self.fine.repeats(self.coarse)

    @property
    def last(self) -> FloorFold | None:
        """The sweep with the lowest level held that counts: the fine one once it repeated the coarse."""
        return self.fine if self.confirmed else self.coarse or self.up or self.first

    @property
    def end_reason(self) -> str:
        """How the sweep came out. A cut-off that the fine sweep did not repeat is none."""
        if self.overdraw.reason:
            return self.overdraw.reason
        coarse, fine = self.coarse, self.fine
        if coarse is not None and fine is not None and not self.confirmed:
            return NOT_REPEATED if fine.end_reason in (CUT_OFF, NOT_REACHED) else fine.end_reason
        return self.last.end_reason if self.last is not None else ""

    @property
    def good(self) -> Level | None:
        """The lowest level held."""
        return self.last.last_good if self.last is not None else None

    @property
    def bracket(self) -> Bracket | None:
        """Where the floor lies; None unless both sweeps say so."""
        sure = self.confirmed and not self.overdraw.reason
        return self.fine.bracket if sure and self.fine is not None else None

    @property
    def high_levels(self) -> list[Level]:
        """Levels held at the start and above it, in order of time."""
        return [level for fold in (self.first, self.up) if fold is not None for level in fold.held]


def figures(run: Swept) -> dict[str, Figure]:
    """Every figure there is."""
    return _floor(run) | _around(run) | _restart(run) | _idle(run) | _load(run)


def _floor(run: Swept) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    bracket, good = run.bracket, run.good
    if good is None:
        return made
    amps, volts = good.mean_a, good.mean_v
    basis = run.channels.volts_basis
    if bracket is not None:
        words = f"half-way between the lowest level held and the drop, each taken at the UPS{_load_words(run)}"
        made["floor_v"] = figure(bracket.mid_v, "V", _bracket_lines(run, bracket, amps), basis(words))
        words = (
            "computed from the level set, as no sample fell between the step and the drop"
            if bracket.computed
            else ("last sample before the drop, on the level where it dropped")
        )
        made["first_bad_v"] = figure(bracket.lower_v, "V", _lower_lines(run, bracket, amps), basis(words))
    words = "mean of the last second of the lowest level held for its whole dwell"
    of_volts = run.channels.volts_lines(volts=volts, amps=amps)
    made["last_good_v"] = figure(volts, "V", of_volts, basis(words))
    of_amps = run.channels.amps_line(role="supply", amps=amps)
    made["floor_a"] = figure(amps, "A", [of_amps, *_scatter(good.last(good.amps), "A")], "current there")
    power = [*in_figure(of_volts, amps, "W"), *in_figure([of_amps], volts, "W")]
    power += [line.times(volts, unit="W") for line in _scatter(good.last(good.amps), "A")]
    made["dc_w"] = figure(volts * amps, "W", power, basis(f"volts times amps there{_load_words(run)}"))
    return made


def _load_words(run: Swept) -> str:
    watts = run.channels.site.ups.ac_load_w
    return ", AC load not stated" if watts is None else f", at an AC load of {watts:g} W"


def _scatter(values: list[float], unit: str) -> list[BudgetLine]:
    """Scatter of the mean of a level's last second; none with a single sample."""
    if len(values) < 3:
        return []
    u = statistics.stdev(values) / math.sqrt(len(values))
    return [BudgetLine("scatter of the amps", u, unit, f"of {len(values)} readings", len(values) - 1)]


def _bracket_lines(run: Swept, bracket: Bracket, amps: float) -> list[BudgetLine]:
    """Half the distance as a rectangle; the meter acts on both ends alike, arithmetic on one end and so by half."""
    basis = "half the distance between a level held and one not held"
    if bracket.late:
        basis += ", one level more as the drop came late in its dwell"
    lines = [rectangular_line(source="distance of the levels", half_width=bracket.half_v, unit="V", basis=basis)]
    lines += run.channels.volts_lines(volts=bracket.mid_v, amps=amps)
    if bracket.computed:
        lines += in_figure(_set_lines(run, bracket.lower_v, amps), 0.5, "V")
    return lines


def _lower_lines(run: Swept, bracket: Bracket, amps: float) -> list[BudgetLine]:
    if bracket.computed:
        return _set_lines(run, bracket.lower_v, amps)
    return run.channels.volts_lines(volts=bracket.lower_v, amps=amps)


def _set_lines(run: Swept, volts: float, amps: float) -> list[BudgetLine]:
    """What is not known of volts that were set and not read, V."""
    lines = named([run.channels.own_volts_line(role="supply", volts=volts)], "volts set")
    if run.lead_ohm:
        half = 0.1 * amps * run.lead_ohm
        basis = f"10 % of {1000 * run.lead_ohm:.1f} mohm, judgement"
        lines.append(rectangular_line(source="volts set, drop of the leads", half_width=half, unit="V", basis=basis))
    return lines


def _around(run: Swept) -> dict[str, Figure]:
    """The warning, the highest level and the leads' drop."""
    made: dict[str, Figure] = {}
    basis = run.channels.volts_basis
    warned, floor, good = warn_bracket(run), run.bracket, run.good
    if warned is not None:
        how = {"contact": "by its contact", "mark": "by an operator's mark"}[run.warn.how]
        lines = _warn_lines(run, warned)
        words = f"half-way between the level without the warning and the one with it, {how}"
        made["warn_v"] = figure(warned.mid_v, "V", lines, basis(words))
        if floor is not None:
            both = [*named(lines[:1], "warning"), *named(_bracket_lines(run, floor, 0.0)[:1], "floor")]
            change = run.channels.volts_change_lines(volts=warned.mid_v - floor.mid_v, amps=0.0)
            words = "volts at the warning less those of the floor"
            made["warn_to_off_v"] = figure(warned.mid_v - floor.mid_v, "V", [*both, *change], basis(words))
    best = highest_good(run.high_levels, run.abnormal)
    if best is not None:
        lines = run.channels.volts_lines(volts=best.mean_v, amps=best.mean_a)
        seen = (
            "an operator's mark said from where on it was abnormal" if run.abnormal.how else "nothing abnormal marked"
        )
        made["highest_good_v"] = figure(best.mean_v, "V", lines, basis(f"highest level held on its inverter; {seen}"))
    if good is not None and run.lead_ohm:
        drop = good.set_v - good.mean_v
        lines = [
            *named([run.channels.own_volts_line(role="supply", volts=good.set_v)], "volts set"),
            *run.channels.volts_lines(volts=good.mean_v, amps=good.mean_a),
        ]
        made["lead_drop_v"] = figure(
            drop, "V", lines, basis("volts set less those at the UPS, at the lowest level held")
        )
    return made


def warn_bracket(run: Swept) -> Bracket | None:
    """Where in the coarse sweep the warning came."""
    coarse = run.coarse
    if coarse is None:
        return None
    return run.warn.bracket([*coarse.held, *([coarse.level] if coarse.level is not None else [])])


def _warn_lines(run: Swept, warned: Bracket) -> list[BudgetLine]:
    basis = "half the distance between the level without it and the one with it"
    half = rectangular_line(source="distance of the levels", half_width=warned.half_v, unit="V", basis=basis)
    good = run.good
    amps = 0.0 if good is None else good.mean_a
    return [half, *run.channels.volts_lines(volts=warned.mid_v, amps=amps)]


def _restart(run: Swept) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    restart = run.restart
    if restart is None or restart.mains_back:
        return made
    words = f"stayed off while the volts were raised to {restart.levels[-1].set_v:g} V with mains away"
    if restart.restarted:
        words = "started again by itself while the volts were raised with mains away"
    made["latched"] = Figure(value=not restart.restarted, unit="1", basis=words)
    bracket = restart.bracket
    if bracket is not None:
        basis = "half the distance between a level at which it stayed off and one at which it started"
        lines = [rectangular_line(source="distance of the levels", half_width=bracket.half_v, unit="V", basis=basis)]
        lines += run.channels.volts_lines(volts=bracket.mid_v, amps=0.0)
        if bracket.computed:
            lines += _set_lines(run, bracket.mid_v, 0.0)
        words = run.channels.volts_basis("half-way between those two levels, mains away")
        made["restart_v"] = figure(bracket.mid_v, "V", lines, words)
    return made


def _idle(run: Swept) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    idle = run.idle
    if idle is None or idle.went_off or math.isnan(idle.mean_a):
        return made
    amps, volts = idle.mean_a, idle.mean_v
    lines = [run.channels.amps_line(role="supply", amps=amps), *_scatter(idle.taken, "A")]
    of_volts = run.channels.volts_lines(volts=volts, amps=amps)
    words = f"mean of the last {0.5 * idle.for_s:g} s on its inverter without an AC load"
    made["idle_a"] = figure(amps, "A", lines, f"{words}, at {volts:.2f} V")
    power = [*in_figure(lines, volts, "W"), *in_figure(of_volts, amps, "W")]
    made["idle_w"] = figure(amps * volts, "W", power, run.channels.volts_basis(words))
    return made


def _load(run: Swept) -> dict[str, Figure]:
    made: dict[str, Figure] = {}
    ups = run.channels.site.ups
    if ups.ac_load_w is None or not ups.ac_load_w > 0:
        return made
    share, how = (MEASURED_LOAD_SHARE, "measured") if ups.ac_load_w_measured else (DECLARED_LOAD_SHARE, "not measured")
    basis = f"{100 * share:g} % of a load that was {how}, judgement"
    line = rectangular_line(source="AC load", half_width=share * ups.ac_load_w, unit="W", basis=basis)
    made["p_ac_w"] = figure(ups.ac_load_w, "W", [line], "what the UPS file says hangs on the output")
    return made


def not_measured(run: Swept, found: Mapping[str, Figure]) -> dict[str, str]:
    """Every other figure id, with the reason."""
    ended = f"the sweep ended by: {run.end_reason}"
    why = dict.fromkeys(("floor_v", "first_bad_v"), ended)
    why |= dict.fromkeys(("last_good_v", "floor_a", "dc_w"), f"no level was held; {ended}")
    why["highest_good_v"] = "no level was held without something abnormal"
    why["lead_drop_v"] = (
        "no level was held" if run.lead_ohm else "the supply senses at the UPS, its leads' drop is made up"
    )
    why["warn_v"] = _why_no_warning(run)
    why["warn_to_off_v"] = why["warn_v"] if "warn_v" not in found else ended
    why |= _why_no_restart(run)
    why |= dict.fromkeys(("idle_a", "idle_w"), run.idle_why or "the sweep ended before it")
    why["p_ac_w"] = "the UPS file gives no ac_load_w"
    return {name: why[name] for name in IDS if name not in found}


def _why_no_warning(run: Swept) -> str:
    if run.coarse is None:
        return "the sweep ended before it"
    if run.warn.how:
        return "the warning was there from the first level on" if run.warn.from_start else "no level was held before it"
    return "it never warned, as far as contact or marks tell"


def _why_no_restart(run: Swept) -> dict[str, str]:
    if run.restart is None:
        return dict.fromkeys(("latched", "restart_v"), run.restart_why or "only after a cut-off; there was none")
    if run.restart.mains_back:
        return dict.fromkeys(("latched", "restart_v"), "mains came back while it was looked for")
    return {"restart_v": "it stays off until mains is back"}
