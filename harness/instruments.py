"""``nightbench instruments``: what can be seen from this machine, and who answers.

The one message sent is the identity question; nothing is set. A serial port is opened only when it was named, since
opening one restarts some instruments. Everything ends in time: looking after ``LOOK_S``, each instrument after its own
deadline, all of them side by side.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from drivers.discovery import NotInstalled, Seen, announced, serial_ports, visa_resources
from drivers.raw_line import RawLine
from drivers.session import IDENTITY_ASK
from drivers.wire import Wire, WireError
from drivers.wire_visa import VisaWire
from harness.addresses import NotAnAddress, normal
from harness.clock import WallClock
from harness.errors import Busy, Usage, UserError
from harness.instrument_lock import holding
from harness.lines import WIDTH
from harness.plain import safe_text
from harness.probing_line import answers_to, lines_of

LOOK_S = 8.0
"""Longest that looking may take, s; VISA's own looking takes some four."""

AT_ONCE = 16
"""Instruments asked side by side."""

SOURCES: dict[str, Callable[[], list[Seen]]] = {
    "VISA": visa_resources,
    "serial ports": serial_ports,
    "mDNS": announced,
}
"""Where instruments are looked for."""

SERIAL = "not opened, that may restart it (--ask-serial)"


@dataclass(frozen=True, slots=True)
class Found:
    """An address and who answered there, or why nobody did."""

    address: str
    by: str
    words: str
    identity: str = ""
    reason: str = ""

    @property
    def told(self) -> str:
        """The identity, or the reason why there is none."""
        return self.identity or f"- {self.reason}"


def look(sources: Mapping[str, Callable[[], list[Seen]]], *, within_s: float = LOOK_S) -> tuple[list[Seen], list[str]]:
    """What every source sees, each address once; and in words what a source could not do."""
    seen: dict[str, Seen] = {}
    notes: list[str] = []
    until = _Until(within_s)
    for name, future in {name: _beside(source) for name, source in sources.items()}.items():
        try:
            for one in future.result(until.left_s()):
                seen.setdefault(_one_spelling(one.address), one)
        except TimeoutError:
            notes.append(f"{name}: took longer than {within_s:g} s, left out")
        except NotInstalled as error:
            notes.append(f"{name}: {error}")
        except Exception as error:
            notes.append(f"{name}: cannot be looked at: {_short(error)}")
    return sorted(seen.values(), key=lambda one: (one.is_serial, one.address)), notes


def with_named(seen: Sequence[Seen], serial: Iterable[str]) -> list[Seen]:
    """The list with the ports that were named and that nobody listed. Raises ``Usage`` for what is no serial port."""
    known = {_one_spelling(one.address) for one in seen}
    more = []
    for address in serial:
        one = _one_spelling(address)
        if not one.startswith("ASRL"):
            raise Usage(f"--ask-serial {address}: not a serial port; write ASRL/dev/ttyUSB0::INSTR")
        if one not in known:
            more.append(Seen(address, "named"))
    return [*seen, *more]


def ask_all(
    seen: Sequence[Seen],
    *,
    timeout_s: float,
    serial: Iterable[str] = (),
    wire: Callable[[str, float], Wire] | None = None,
) -> list[Found]:
    """Ask each one who it is, side by side. ``serial``: ports that may be opened."""
    named = {_one_spelling(address) for address in serial}
    make = wire or _wire
    found: list[Found] = []
    for start in range(0, len(seen), AT_ONCE):
        asked = [(one, _asked(one, named, make, timeout_s)) for one in seen[start : start + AT_ONCE]]
        until = _Until(bound_s(timeout_s))
        found += [_found(one, future, until.left_s()) for one, future in asked]
    return found


def bound_s(timeout_s: float) -> float:
    """Longest that one instrument is waited for: opening, the question, the silence behind its answer; s."""
    return 2 * timeout_s + 2.0


def _asked(one: Seen, named: set[str], make: Callable[[str, float], Wire], timeout_s: float) -> Future[str] | str:
    if one.is_serial and _one_spelling(one.address) not in named:
        return SERIAL
    return _beside(lambda: identity_of(make(one.address, timeout_s)))


def _found(one: Seen, asked: Future[str] | str, left_s: float) -> Found:
    identity = reason = ""
    if isinstance(asked, str):
        reason = asked
    else:
        try:
            identity = asked.result(left_s)
            reason = "" if identity else "no answer to *IDN?"
        except TimeoutError:
            reason = "no answer in time"
        except Busy:
            reason = "a run holds it, not asked"
        except (WireError, UserError, NotAnAddress) as error:
            reason = _short(error)
    return Found(one.address, one.by, safe_text(one.words), safe_text(identity), safe_text(reason))


def identity_of(wire: Wire) -> str:
    """The answer to the identity question, "" for none; nothing else is sent. Raises ``Busy`` and ``WireError``."""
    line = RawLine(wire)
    with holding(wire.address):
        try:
            line.open()
            came = line.ask(IDENTITY_ASK, end=b"\n", patience_s=wire.timeout_s, enough=answers_to(IDENTITY_ASK))
        finally:
            line.close()
    said = [one for one in lines_of(came) if one != IDENTITY_ASK.encode()]
    best = max(said, key=lambda one: one.count(b","), default=b"")
    return best.decode("ascii", "backslashreplace").strip()


def _wire(address: str, timeout_s: float) -> Wire:
    return VisaWire(
        name="it", address=address, monotonic=WallClock().wall, timeout_s=timeout_s, open_timeout_s=timeout_s
    )


def _one_spelling(address: str) -> str:
    try:
        return normal(address)
    except NotAnAddress:
        return address


def _short(error: Exception) -> str:
    why = getattr(error, "why", "") or str(error) or type(error).__name__
    return " ".join(str(why).split())


def _beside(work: Callable[[], Any]) -> Future[Any]:
    """Done in a thread that the end of the program does not wait for: a library may hang in it."""
    future: Future[Any] = Future()

    def run() -> None:
        try:
            future.set_result(work())
        except BaseException as error:
            future.set_exception(error)

    threading.Thread(target=run, daemon=True).start()
    return future


class _Until:
    def __init__(self, seconds: float) -> None:
        self._clock = WallClock()
        self._end_s = self._clock.wall() + seconds

    def left_s(self) -> float:
        return max(0.0, self._end_s - self._clock.wall())


def document(found: Sequence[Found], notes: Sequence[str]) -> dict[str, Any]:
    """For ``--json``."""
    rows = [
        {
            "address": one.address,
            "seen_by": one.by,
            "words": one.words,
            "identity": one.identity or None,
            "reason": one.reason or None,
        }
        for one in found
    ]
    return {"instruments": rows, "notes": list(notes)}


def text(found: Sequence[Found]) -> str:
    """One line each, of ``WIDTH`` columns unless the address alone takes them."""
    width = min(max((len(one.address) for one in found), default=0), WIDTH // 2)
    return "\n".join(_line(one, width) for one in found)


def _line(one: Found, width: int) -> str:
    line = f"{one.address:<{width}}  {one.told}"
    most = max(WIDTH, len(one.address) + 22)
    return line if len(line) <= most else line[: most - 3].rstrip() + "..."
