"""Which stops were seen to act, by the instrument that has them: kept for 30 days in the state folder.

By maker, model, serial number and firmware: another unit, or the same one with other firmware, is another instrument;
and by the words of its dialect, since others may set something else. A simulated one is known by its address beside
that, and one in memory is never remembered. A note that was changed, or that lies in the future, counts for nothing.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import suppress
from datetime import datetime, timedelta
from importlib import resources
from pathlib import Path

from drivers.scpi import Identity
from harness.addresses import normal, simulated
from harness.connect import NO_SERIAL, SIMULATED_MAKER
from harness.durable import RecordFailed, replace_file
from harness.errors import Usage
from harness.instrument_entry import InstrumentEntry
from harness.locks import state_dir

VALID = timedelta(days=30)


def remember(identity: Identity, *, entry: InstrumentEntry, what: str, now: datetime) -> bool:
    """Keep that the stop ``what`` of this instrument acted; False where it cannot be kept."""
    key = _key(identity, entry, what)
    if not key:
        return False
    body = {"instrument": key, "what": what, "seen": now.isoformat(), "said": _said(identity)}
    with suppress(Usage, OSError, RecordFailed):
        replace_file(state_dir() / f"{key}.stop.json", json.dumps({**body, "sum": _sum(body)}).encode())
        return True
    return False


def forget(identity: Identity, *, entry: InstrumentEntry, what: str) -> None:
    """It failed: what was seen before counts no more. Never raises."""
    if key := _key(identity, entry, what):
        with suppress(Usage, OSError):
            (state_dir() / f"{key}.stop.json").unlink(missing_ok=True)


def seen(identity: Identity, *, entry: InstrumentEntry, what: str, now: datetime) -> str:
    """The day on which it was seen to act (RFC 3339 date), "" when it was not within ``VALID``."""
    key = _key(identity, entry, what)
    if not key:
        return ""
    try:
        found = json.loads((state_dir() / f"{key}.stop.json").read_bytes())
        body = {name: found[name] for name in ("instrument", "what", "seen", "said")}
        when = datetime.fromisoformat(body["seen"])
        good = found["sum"] == _sum(body) and (body["instrument"], body["what"]) == (key, what)
        return f"{when:%Y-%m-%d}" if good and timedelta(0) <= now - when <= VALID else ""
    except (OSError, ValueError, KeyError, TypeError, Usage):
        return ""


def _said(identity: Identity) -> str:
    return f"{identity.maker},{identity.model},{identity.serial},{identity.firmware}"


def _key(identity: Identity, entry: InstrumentEntry, what: str) -> str:
    """ "" for one that cannot be told from others."""
    if simulated(entry.address) is not None or identity.serial in NO_SERIAL:
        return ""
    where = normal(entry.address) if identity.maker == SIMULATED_MAKER else ""
    try:
        words = hashlib.sha256(_dialect(entry.dialect)).hexdigest()
    except OSError:
        return ""
    return hashlib.sha256(repr((_said(identity), entry.channel, where, words, what)).encode()).hexdigest()[:24]


def _dialect(name: str) -> bytes:
    """What stands in a dialect, a shipped one or a file. Raises ``OSError``."""
    if name.endswith(".toml"):
        return Path(name).read_bytes()
    return (resources.files("drivers") / "dialects" / f"{name}.toml").read_bytes()


def _sum(body: dict[str, str]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()
