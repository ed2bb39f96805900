"""A lock on one instrument while it is asked who it is: a run that begins meanwhile waits its turn, and one that is on
is not talked over."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from drivers.faults import Unreadable
from drivers.scpi import identity
from harness.addresses import simulated
from harness.connect import known_as
from harness.errors import Busy, Usage
from harness.locks import address_lock, identity_lock
from harness.shared_lock import Held, InstrumentLock


@contextmanager
def holding(address: str) -> Iterator[None]:
    """Hold the lock on the instrument at ``address``. Raises ``Busy`` when a run has it, ``Usage`` when none can be
    kept, and ``NotAnAddress``."""
    if simulated(address) is not None:
        yield
        return
    lock = InstrumentLock(address_lock(address))
    try:
        lock.acquire()
    except Held as held:
        raise Busy(
            f"{address}: a run{held.whose} holds this instrument, and it was not asked; try again after the run"
        ) from None
    except OSError as error:
        raise Usage(
            f"{lock.place}: {error.strerror or error}: cannot tell whether a run is on; set NIGHTBENCH_STATE to a "
            "folder you may write to"
        ) from error
    try:
        yield
    finally:
        lock.release()


def refuse_held(said: bytes, *, address: str) -> None:
    """Raise ``Busy`` when a run holds the instrument that answered ``said``, by whichever of its addresses."""
    try:
        who = known_as(identity(said))
    except Unreadable:
        return
    if not who:
        return
    lock = InstrumentLock(identity_lock(who))
    try:
        lock.acquire()
    except Held as held:
        raise Busy(
            f"{address}: a run{held.whose} holds this instrument by another address of it; nothing more was "
            "asked: try again after the run"
        ) from None
    except (OSError, Usage):
        return
    lock.release()
