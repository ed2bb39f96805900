"""Set-points, limits and outputs read back in rotation, so that a knob, a second user or a restart is noticed.

Outputs are not taken as found: each is expected off unless this run switched it on. After a line had to be opened anew
the instrument may have restarted, so everything it holds is read back at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain

from drivers.load import Load
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from harness.rig import READ_ERRORS, Rig

EVERY_S = 5.0
"""Within this time every setting has been read back once."""

HALF_STEP = 1e-3
"""Two numbers this close are one set-point: read-backs carry the instrument's grid, no error."""

UNREAD_MOST = 3
"""A setting that could not be read back this often in a row is a finding of its own."""

SILENT_MOST = 10
"""So often in a row may an instrument that carries no current be silent: longer, and nobody knows that it is off."""

SWITCHES = ("output", "input", "position")
"""Keys of the state that say whether an instrument is on."""


@dataclass(slots=True)
class _Kept:
    instrument: str
    key: str
    ask: Callable[[], object]
    value: object
    failed: int = 0


@dataclass(slots=True)
class StateKeeper:
    """What the instruments held when ``remember`` was called, and whether they still do.

    ``on`` names the instruments this run has switched on. ``errors``, ``unread``, ``own_stop`` and ``expired`` are what
    the last ``check`` found besides: single failures, words for a setting that cannot be read back any more, words for
    an instrument that went off by one of its own stops, and for one whose watchdog of its line expired.
    """

    rig: Rig
    on: set[str] = field(default_factory=set)
    errors: list[str] = field(default_factory=list)
    unread: str | None = None
    own_stop: str | None = None
    expired: str | None = None
    _kept: list[_Kept] = field(default_factory=list)
    _next: int = 0
    _switched: tuple[tuple[str, Supply | Load | PowerSwitch], ...] | None = None
    _openings: dict[str, int] = field(default_factory=dict)
    _silent: dict[str, int] = field(default_factory=dict)

    def forget(self) -> None:
        """Settings are about to be changed by the run itself."""
        self._drop()
        for _, driver in self._sources():
            driver.given.forget()

    def _drop(self) -> None:
        self._kept, self._next, self._openings = [], 0, {}

    def remember(self) -> str | None:
        """Take what the instruments hold now as what they must go on holding; words when one is on that should not be,
        or holds something else than it was set to since ``forget``.

        Raises what the drivers raise.
        """
        self._drop()
        for name, driver in self._sources():
            for key, ask in driver.state_queries():
                value = ask()
                if key in SWITCHES and value is not (name in self.on):
                    return _changed(name, key, name in self.on, value)
                self._kept.append(_Kept(name, key, ask, value))
            for what, (given, found) in driver.given.strayed().items():
                if not _same(found, given):
                    return _changed(name, what, given, found)
            self._openings[name] = driver.session.openings
        return None

    def expect(self, name: str, key: str, value: object) -> None:
        """This run itself has set ``key`` of instrument ``name`` to ``value``."""
        for one in self._kept:
            if (one.instrument, one.key) == (name, key):
                one.value, one.failed = value, 0

    def expect_switched(self, name: str, *, on: bool) -> None:
        """This run is about to switch instrument ``name`` on, or has switched it off."""
        (self.on.add if on else self.on.discard)(name)
        for key in SWITCHES:
            self.expect(name, key, on)

    def all_off(self, *, but: PowerSwitch | None = None) -> None:
        """This run has switched everything off, ``but`` one."""
        for name in self.on - {but.name if but is not None else ""}:
            self.expect_switched(name, on=False)

    def check(self, *, period_s: float, dead: frozenset[str] = frozenset(), doubt: str | None = None) -> str | None:
        """Read the next few back, each doubtful one twice; words when one has changed, else ``None``.

        Instruments in ``dead`` did not answer in this turn and are passed over; so is one that fails here. Of the one
        in ``doubt`` everything is read: its current is not what it was.
        """
        silent = set(dead)
        self.unread, self.own_stop, self.expired = self._not_seen(dead), None, None
        for name, driver in self._sources():
            if (words := driver.meddled_with()) is not None:
                return f"{name}: {words}; not by this run"
        doubtful = (one for one in self._kept if one.instrument == doubt)
        for one in chain(doubtful, self._after_reopening(silent), self._due(period_s)):
            if one.instrument not in silent and (words := self._look(one, silent)) is not None:
                return words
        return None

    def look_at(self, name: str) -> str | None:
        """Read back everything instrument ``name`` holds, now; words when one has changed. Raises what the drivers
        raise."""
        for one in self._kept:
            if one.instrument == name and not _same(found := one.ask(), one.value):
                return _changed(name, one.key, one.value, found)
        return None

    def check_all(self) -> str | None:
        """Read everything back once, for a verdict that rests on the settings."""
        return self.check(period_s=EVERY_S)

    def _sources(self) -> tuple[tuple[str, Supply | Load | PowerSwitch], ...]:
        # Asked for several times in each turn; a bench does not change while it is used.
        if self._switched is None:
            self._switched = tuple(
                (name, driver)
                for name, driver in self.rig.drivers.items()
                if isinstance(driver, Supply | Load) or (isinstance(driver, PowerSwitch) and self._in_use(driver))
            )
        return self._switched

    def _in_use(self, switch: PowerSwitch) -> bool:
        return self.rig.subject == "ups" or switch is self.rig.switch("contactor")

    def _not_seen(self, dead: frozenset[str]) -> str | None:
        """Words when an instrument has been silent for too long for anybody to know whether it is off."""
        for name, _ in self._sources():
            self._silent[name] = self._silent.get(name, 0) + 1 if name in dead else 0
        worst = max(self._silent.items(), key=lambda pair: pair[1], default=("", 0))
        if worst[1] < SILENT_MOST:
            return None
        return f"{worst[0]} did not answer {worst[1]} times in a row: whether it is off cannot be seen"

    def _due(self, period_s: float) -> Iterator[_Kept]:
        for _ in range(math.ceil(len(self._kept) * min(period_s, EVERY_S) / EVERY_S)):
            one = self._kept[self._next]
            self._next = (self._next + 1) % len(self._kept)
            yield one

    def _after_reopening(self, silent: set[str]) -> Iterator[_Kept]:
        for name, driver in self._sources():
            if name in silent or self._openings.get(name) in (None, driver.session.openings):
                continue
            openings = driver.session.openings
            yield from (one for one in self._kept if one.instrument == name)
            if name not in silent:
                # All of it was read: the line is as good as before.
                self._openings[name] = openings

    def _look(self, one: _Kept, silent: set[str]) -> str | None:
        try:
            if _same(one.ask(), one.value) or _same(found := one.ask(), one.value):
                one.failed = 0
                return None
        except READ_ERRORS as error:
            silent.add(one.instrument)
            self.errors.append(str(error))
            one.failed += 1
            if one.failed >= UNREAD_MOST:
                self.unread = f"{one.instrument}: {one.key} could not be read back {one.failed} times in a row: {error}"
            return None
        if (expired := self._expired(one.instrument)) is not None:
            self.expired = f"{one.instrument}: {expired}"
            return None
        tripped, restarted = self._why(one, found)
        if tripped and not restarted:
            self.own_stop = f"{one.instrument}: {tripped}"
            return None
        words = "; ".join(reason for reason in (tripped, restarted) if reason)
        return _changed(one.instrument, one.key, one.value, found) + (f" ({words})" if words else "")

    def _expired(self, name: str) -> str | None:
        """Words when its own watchdog is what changed it: nothing that was said had reached it for so long."""
        driver = self.rig.drivers[name]
        if any(one.value is True for one in self._kept if (one.instrument, one.key) == (name, "watchdog_expired")):
            return None  # it was when this run began: another one left it so
        with suppress(*READ_ERRORS):
            return driver.expired() if isinstance(driver, Supply | Load) else None
        return None

    def _why(self, one: _Kept, found: object) -> tuple[str, str]:
        """What the instrument itself says when it has gone off, and whether it may have restarted; "" for neither."""
        driver = self.rig.drivers[one.instrument]
        reopened = self._openings.get(one.instrument) not in (None, driver.session.openings)
        restarted = "its line was lost before: it may have restarted" if reopened else ""
        if one.key not in SWITCHES or found is not False or not isinstance(driver, Supply | Load):
            return "", restarted
        tripped = ""
        with suppress(*READ_ERRORS):
            tripped = driver.tripped() or ""
        return tripped, restarted


def _same(found: object, kept: object) -> bool:
    if isinstance(found, float) and isinstance(kept, float):
        return abs(found - kept) <= HALF_STEP
    return found == kept


def _changed(name: str, key: str, kept: object, found: object) -> str:
    return f"{name}: {key} was {_word(kept)}, is {_word(found)}; not by this run"


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return f"{value:g}" if isinstance(value, float) else str(value)
