"""Before anything is looked at: what is to hang on the bench does, as far as a person or a simulated bench says so."""

from __future__ import annotations

from harness.errors import PreflightRefused
from harness.job import Ready, Watcher
from harness.person import HandsRefused, Person, sits_there
from harness.rig import Rig


def wire_up(ready: Ready, rig: Rig, person: Person, watcher: Watcher) -> None:
    """Have the subject of this run wired up, and take note of where mains and AC load stand.

    A simulated bench is wired by its own hands; on a real one a person is asked once before the run is looked at, and
    what they have wired is held against the files by the checks that follow. Raises ``PreflightRefused``.
    """
    if rig.simulated and not sits_there(person):
        try:
            person.order(f"wire {rig.subject}")
        except HandsRefused as error:
            raise PreflightRefused(f"the simulated bench: {error}; nothing was switched on") from error
    elif rig.subject == "ups":
        watcher.wired(ready)
    if rig.subject == "ups":
        # With the UPS's battery leads in a person's hands its mains was off; whoever says otherwise finds out below.
        rig.switched = {"mains": False, "ac-load": None if rig.switch("ac-load") is None else False}
