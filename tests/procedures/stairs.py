"""A staircase with a UPS made of plain rules, for the folds' tests: what it does at each moment is a script's word."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from procedures.floor_fold import NOT_REACHED, FloorFold
from procedures.stand_in import UpsRow, volts_at_ups

WATTS, OHM, CUT_OFF_V, CHARGER_V, LIMIT_A = 130.0, 0.025, 21.0, 27.3, 12.0
START_V, STEP_V, LOWEST_V, DWELL_S, EVERY_S = 26.0, 0.5, 18.0, 4.0, 0.5
FELL_S = 0.6


@dataclass(slots=True)
class Moment:
    """``t_s`` since the first level, ``level_s`` since this one, at ``set_v``; ``off`` once it has cut off."""

    t_s: float
    level_s: float
    set_v: float
    off: bool


Script = Callable[[Moment], str]


def plain(now: Moment) -> str:
    """A UPS that cuts off and stays off."""
    return "off" if now.off else "runs"


@dataclass(slots=True)
class Stair:
    """Levels from ``START_V`` down. ``knows``: what a row tells of mains and output besides."""

    script: Script = plain
    output: bool = False
    mains: bool = False
    marks: dict[float, str] = field(default_factory=dict)
    every_s: float = EVERY_S
    expected_w: float = 140.0
    confirm_s: float = 15.0
    rows: list[UpsRow] = field(default_factory=list)
    false_at_s: float = -1.0

    def go(self) -> FloorFold:
        """Walk down until the fold has decided."""
        fold = FloorFold(LIMIT_A, self.expected_w, OHM, 0.08, DWELL_S, confirm_s=self.confirm_s)
        t_s, set_v, off = 0.0, START_V, False
        while not fold.decided and set_v >= LOWEST_V:
            fold.begin(set_v=set_v, t_s=t_s)
            began_s = t_s
            while not (fold.decided or fold.level_done) and t_s < began_s + 60.0:
                t_s += self.every_s
                off = off or (set_v <= CUT_OFF_V and t_s - began_s > FELL_S)
                row = self.row(Moment(t_s, t_s - began_s, set_v, off))
                self.rows.append(row)
                fold.push(row)
            set_v -= STEP_V
        fold.give_up(NOT_REACHED, t_s=t_s)
        return fold

    def row(self, now: Moment) -> UpsRow:
        word = self.script(now)
        volts = volts_at_ups(set_v=now.set_v, watts=WATTS, ohm=OHM)
        volts, amps, mode = {
            "runs": (volts, WATTS / volts, "cv"),
            "off": (now.set_v, 0.012, "cv"),
            "on mains": (now.set_v, 0.0, "cv"),
            "driven": (CHARGER_V, 0.0, "driven"),
            "limited": (now.set_v - 4.0, LIMIT_A, "cc"),
            "near its limit": (volts, 0.95 * LIMIT_A, "cv"),
            "tripped": (5.0, 0.0, "off"),
            "a volt too low": (volts - 1.0, WATTS / (volts - 1.0), "cv"),
            "volts turned down": (15.0, 0.012, "cv"),
            "idles": (now.set_v, 7.0 / now.set_v, "cv"),
        }[word]
        if abs(now.t_s - self.false_at_s) < 1e-9:
            amps = 0.0
        alive = word not in ("off", "tripped", "volts turned down")
        marks = tuple(text for at, text in self.marks.items() if now.t_s - self.every_s < at <= now.t_s)
        return UpsRow(
            now.t_s,
            volts,
            amps,
            mode,
            mains=word in ("driven", "on mains") if self.mains else None,
            output=alive if self.output else None,
            marks=marks,
        )
