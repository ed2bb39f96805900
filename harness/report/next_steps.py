"""What to do after a run that did not come to its end, by exit code: a sentence under the one that says how."""

from __future__ import annotations

from harness.folder import INTERRUPTED
from harness.report.facts import RunFacts

BY_CODE = {
    1: "A fault of this program: keep this folder and report it.",
    2: "Put right what the sentence names, then run it again.",
    10: "Ask for less, or put the file right.",
    11: "Put the bench or its file right, then run it again.",
    12: "Another run held an instrument of this bench: that one may be live, stop it first.",
    20: "Measure before touching; the figures cover only what was done.",
    21: "Find out why before you start again. A run that trips too early is no reason to move a limit.",
    22: "Look at fuse, BMS and clips. A pack that opened may read 0 to 2 V and is not therefore dead.",
    23: "Look at cables and power of the instrument that was lost.",
    24: "Let the computer do less and keep it from sleeping, then start again.",
    25: "Make room on the disk, then start again.",
    30: "Drive the bench off and have it confirmed: nightbench safe --bench FILE.",
    40: "Mend the barrier that did not act, or stay with the run.",
    90: "After off nothing could be read: treat the bench as live.",
    99: "Off was NOT confirmed: treat the bench as live.",
}
"""Exit code -> what to do; 0 needs none."""

DIED = "Measure by hand, then nightbench safe --bench FILE, then nightbench resume with this folder."


def next_steps(facts: RunFacts) -> tuple[str, ...]:
    """One sentence or none; and that an unsafe bench was seen off after all, where it was."""
    if facts.outcome == INTERRUPTED:
        return (DIED,)
    said = BY_CODE.get(facts.result.exit_code or 0)
    return (*([said] if said else []), *_after_all(facts))


def _after_all(facts: RunFacts) -> tuple[str, ...]:
    unsafe = [at for at, event in enumerate(facts.events) if event.get("kind") == "unsafe"]
    later = facts.events[unsafe[-1] :] if unsafe else ()
    seen = any(event.get("kind") == "off" and event.get("result") == "confirmed" for event in later)
    return ("Off was tried again and confirmed after all, before the record ends.",) if seen else ()
