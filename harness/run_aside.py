"""What stands beside a run: dialect files kept with it, a screen that may go away, a simulated bench that has ended."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

from harness.bench import Bench
from harness.clock import SteppedClock
from harness.errors import UserError
from harness.folder import RunFolder
from harness.site import Site


class StoppedEarly(UserError):
    """A person stopped the run before anything was switched on."""

    exit_code = 20


class NotRecorded(UserError):
    """The record could not be begun, so nothing was switched on."""

    exit_code = 25


def keep_dialects(site: Site, folder: RunFolder) -> None:
    """Dialect files that stand beside the bench file stand beside its copy too: then the copy can be used like it."""
    here = site.bench.path.parent
    for word in sorted({entry.dialect for entry in site.bench.instruments if entry.dialect.endswith(".toml")}):
        name = Path(word).relative_to(here).as_posix()
        if name not in ("bench.toml", "pack.toml", "ups.toml"):
            with suppress(OSError):
                folder.add_input(name, Path(word).read_bytes())


def quietly(tell: Any) -> Any:
    """A screen that has gone away must never end a run, least of all one that is switching off."""

    def told(*words: Any) -> None:
        with suppress(Exception):
            tell(*words)

    return told


def gone_for_good(bench: Bench) -> bool:
    """A simulated bench that has lost its own clock has ended: nobody will ever answer, and nothing real is on."""
    return bench.site.simulated and isinstance(bench.clock, SteppedClock) and bench.clock.lost


def serial_of_output(bench: Bench) -> str:
    name = bench.rig.load_name or bench.rig.supply_name
    with suppress(Exception):
        return bench.rig.drivers[name or ""].identity.serial
    return ""
