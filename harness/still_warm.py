"""After a run that heat has ended: everything is off, and a pack that heats itself goes on. Somebody must be told.

Switching off is no remedy for a runaway, so the end of such a run is not the end of looking: the pack's thermometer is
read on, and as long as it rises an alarm is said again and again. Nothing is switched here, and the exit code stays.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from harness.clock import Clock
from harness.rig import Rig

WORDS = ("heating", "temperature", "rise above the room")
"""Findings that are about heat."""

WARM_C = 35.0
"""Under this a temperature that ended a run was too low, and no heat, degC (judgement)."""

EVERY_S = 10.0
ALARM_EVERY_S = 60.0
WATCH_MOST_S = 1800.0
"""Longest look after a run, s; whoever was to be reached has been by then (judgement)."""

CALM_S = 300.0
RISE_K = 0.5
"""A pack that does not come this far above where it was for this long no longer warms (judgement)."""

WHAT_TO_DO = (
    "no smoke, no smell: stay away and watch it; smoke, hiss or swelling: leave, close the door, call the fire service"
)


def watch_heat(
    rig: Rig, clock: Clock, *, reason: str, last_c: float, say: Callable[[str], None], asked: Callable[[], bool]
) -> int:
    """Look at the pack after ``reason`` ended the run at ``last_c`` degC; how many times an alarm was said.

    Comes back when the pack has been calm for five minutes, when somebody asks for the end (who then is there), or
    after half an hour. Never raises.
    """
    if not reason.startswith(WORDS) or rig.temp_name is None or not (last_c >= WARM_C or reason.startswith(WORDS[0])):
        return 0
    highest, since_s, begun_s = last_c, clock.now(), clock.now()
    alarms, said_s = 0, -math.inf
    while not asked() and clock.now() - begun_s < WATCH_MOST_S:
        temp = _temp_c(rig)
        if not (temp < highest + RISE_K):
            highest, since_s = (highest if temp != temp else temp), clock.now()
            if clock.now() - said_s >= ALARM_EVERY_S:
                alarms, said_s = alarms + 1, clock.now()
                seen = "cannot be read any more" if temp != temp else f"is at {temp:.1f} degC and still warms"
                say(f"*** PACK {seen}, WITH EVERYTHING OFF *** {WHAT_TO_DO}")
        elif clock.now() - since_s >= CALM_S:
            say(f"pack at {temp:.1f} degC, it has not warmed any more for {CALM_S / 60:.0f} min")
            return alarms
        before_s = clock.now()
        try:
            clock.sleep(EVERY_S, stop=asked)
        except Exception:  # a simulated bench that has lost its clock: nobody can look any more
            return alarms
        if not clock.now() > before_s:
            return alarms
    if not asked():
        say(f"*** PACK WAS LEFT WARMING at {highest:.1f} degC: nobody looks at it any more *** {WHAT_TO_DO}")
    return alarms


def _temp_c(rig: Rig) -> float:
    """The pack's temperature now, degC; nan when it cannot be had."""
    try:
        value = float(rig.drivers[rig.temp_name or ""].measure_temp_c())  # type: ignore[union-attr]
    except Exception:  # whatever it is, there is no reading
        return math.nan
    return value if math.isfinite(value) else math.nan
