"""The rules, one a line of the verdict, in the order in which charge flows: in, kept, out."""

from __future__ import annotations

from harness.result import Verdict
from procedures.fit_rules_in import charge_cold, charge_current, charge_share, charge_volts, high_side
from procedures.fit_rules_out import current_line, floor_line, inrush, load_line, room, runtime_line
from procedures.fit_work import Work


def lines(work: Work) -> tuple[Verdict, ...]:
    """Every line: what is judged, which way it goes, on which runs it rests, and what would settle a doubt."""
    return (
        charge_volts(work),
        charge_share(work),
        charge_current(work),
        charge_cold(work.facts),
        high_side(work.facts),
        floor_line(work),
        current_line(work),
        inrush(),
        runtime_line(work),
        load_line(work),
        room(work.facts),
    )
