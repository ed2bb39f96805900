"""What a person sees of a run: one screen before anything is switched on, then progress, on standard error.

On a terminal one line is kept up to date; in a pipe a plain line comes now and then. Nothing here may end a run or
hold it up: all goes through ``harness/voice.py``, which gives up a terminal that has gone away or takes nothing.
"""

from __future__ import annotations

import math
import os
import shutil
import sys
from collections.abc import Callable
from datetime import datetime
from itertools import islice

from harness.addresses import simulated
from harness.asking import entered, forget_typed, in_front, interactive, typed_line
from harness.barriers import Tried
from harness.briefing import limit_lines, one_screen, plan_lines
from harness.cautions import CAUTIONS
from harness.earth import PROMPT, why_not
from harness.errors import PreflightRefused
from harness.findings import Watch
from harness.folder import RunFolder
from harness.interlocks import Interlocks
from harness.job import Done, Ready, Watcher
from harness.keyboard import MOST_LINES, Keyboard
from harness.lines import WIDTH, wrapped
from harness.person import ORDERS
from harness.plain import safe_text
from harness.preflight_check import Check
from harness.progress import COLUMNS, progress_line
from harness.sample import Sample
from harness.show import SIMULATED
from harness.voice import VOICE, Voice

LINE_EVERY_S = 2.0
"""In a pipe: real seconds between two lines while a simulated night flies by."""

BENCH_LINE_EVERY_S = 600.0
"""In a pipe: bench seconds between two lines at least, when bench time is real time."""

TERMINAL_EVERY_S = 0.25

RED, PLAIN = "\x1b[31m", "\x1b[0m"
"""Colours of a terminal (ECMA-48, select graphic rendition)."""


def caution_lines() -> str:
    """The cautions, each with a mark before it."""
    return "\n".join(f"! {line}" for line in CAUTIONS)


class Screen(Watcher):
    """Progress on standard error.

    ``label_cells`` is the cell count read off the label, when given beforehand. ``brief``: no plan, limits and cautions
    before each run. ``calendar()`` is the local time, for telling the end by the clock.
    """

    def __init__(
        self,
        *,
        wall: Callable[[], float],
        calendar: Callable[[], datetime] | None = None,
        label_cells: int | None = None,
        brief: bool = False,
        voice: Voice = VOICE,
    ) -> None:
        self._wall, self._calendar = wall, calendar
        self._label_cells, self._brief = label_cells, brief
        self._voice = voice
        voice.start()  # now, since a signal handler may not
        self._terminal = sys.stderr.isatty()
        self._said_wall = -math.inf
        self._said_bench = -math.inf
        self._phase = ""
        self._expected_s = 0.0
        self._width = 0
        self._stopping = False
        self._explained = False
        self._offered = False
        self._keyboard = Keyboard(say=self.say, ring=self._ring, new_line=self._new_line, wall=wall)
        self._warned: set[str] = set()

    # -- before anything is switched on ----------------------------------------------------------------------------

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None:
        """What was found, what will be done, within which limits, behind which barriers."""
        if any(check.word == "refused" for check in checks):
            return  # the refusal itself is the one line to read
        for check in checks:
            if check.word == "note":
                self.say(f"note: {check.what}: {check.text}")
        if not self._brief:
            self.say("\n".join((*plan_lines(ready, now=self._now(ready)), "limits in force", *limit_lines(ready))))
            self.say(caution_lines())

    def before_energising(self, ready: Ready, tried: Tried) -> None:
        """One screen: what will be switched on, within what, and what holds it. Red where somebody must stay."""
        if self._brief:
            return
        red = self._terminal and not ready.job.unattended and "NO_COLOR" not in os.environ
        self._clear()
        if red:
            self._voice.say(RED)
        self.say("\n".join(one_screen(ready, tried, now=self._now(ready))))
        if red:
            self._voice.say(PLAIN)

    def _now(self, ready: Ready) -> datetime | None:
        return self._calendar() if self._calendar is not None and in_real_time(ready) else None

    def rehearse(self, ready: Ready) -> None:
        """A simulated pack has no label to read; but a count that was given is held against its file all the same."""
        if self._label_cells is not None and ready.site.subject == "pack":
            self.acknowledge(ready)

    def acknowledge(self, ready: Ready) -> None:
        """A real pack: its label is read once more by a person, since volts cannot tell cells from chemistry."""
        cells = ready.site.pack.cells_in_series
        self.say("Nothing but pack, supply, load and meters on the node: no battery leads of a UPS beside the pack.")
        typed: str | None = str(self._label_cells) if self._label_cells is not None else None
        if typed is None:
            if not interactive():
                raise PreflightRefused(
                    "the label: cells in series as printed on the pack itself must be given; nobody is there to type "
                    "them: add --label-cells N"
                )
            prompt = "Cells in series as printed on the pack's own label: "
            typed = typed_line(prompt, stop=lambda: self._stopping)
        if self._stopping:
            return  # the run sees the stop itself
        if typed is None or typed.strip() != str(cells):
            raise PreflightRefused(
                f"the label: {safe_text(typed or 'nothing')} cells typed, cells_in_series = {cells} in "
                f"{ready.site.pack.path}; a wrong count over-charges or over-discharges: find out which is right"
            )

    def wired(self, ready: Ready) -> None:
        """A UPS on a real bench: whoever has wired it types its name, and the volts of its battery off its own label: a
        dead node does not tell a UPS for 12 V from one for 24 V, and the stand-in would destroy it."""
        name = ready.site.name
        if not interactive():
            raise PreflightRefused(
                f"{ready.site.bench.path}: {ready.job.procedure.name} needs somebody to wire the UPS and to stay with "
                "it; nobody is there: start it from a terminal"
            )
        self.say(ORDERS["wire ups"])
        typed = typed_line(f"Done and checked? Type the UPS's name ({name}): ", stop=lambda: self._stopping)
        if not self._stopping and (typed or "").strip() != name:
            seen = safe_text(typed or "nothing")
            raise PreflightRefused(f"the wiring: {seen} typed, {name} expected; nothing was switched on")
        prompt = "Nominal volts of its battery, as printed on the UPS or on its old battery's blocks in series: "
        volts = None if self._stopping else typed_line(prompt, stop=lambda: self._stopping)
        if not self._stopping and not _is_number(volts, ready.site.nominal_volts):
            raise PreflightRefused(
                f"the UPS's label: {safe_text(volts or 'nothing')} V typed, nominal_dc_volts = "
                f"{ready.site.nominal_volts:g} in {ready.site.ups.path}; a wrong one puts volts on it that it does not "
                "bear: find out which is right"
            )
        earth = None if self._stopping else typed_line(PROMPT, stop=lambda: self._stopping)
        if not self._stopping and (why := why_not(earth)):
            raise PreflightRefused(f"the UPS's poles: {safe_text(why)}; nothing was switched on")

    def typed(self, question: str, prompt: str) -> str | None:
        """A line read off something, by whoever is there; None when nobody is, or when a stop came."""
        return typed_line(prompt, stop=lambda: self._stopping) if interactive() else None

    # -- what is typed while it runs -------------------------------------------------------------------------------

    def ordered(self, order: str) -> None:
        """Ask for something to be done, loudly; the answer is looked for by ``has_done``."""
        self._keyboard.ordered(ORDERS[order])

    def has_done(self) -> bool:
        """Whether Enter alone was pressed since ``ordered``."""
        return self._keyboard.has_done()

    def warned(self) -> tuple[str, ...]:
        """What was typed meanwhile: remarks to be put beside the samples."""
        return self._keyboard.marks()

    def can_hear(self) -> bool:
        """Whether the keys of a terminal come here."""
        return interactive() and in_front()

    def heard(self) -> bool:
        """Whether a line was typed since the last look, Enter alone too."""
        return self._keyboard.heard()

    def wanted(self, words: str) -> None:
        """Ask for the key, loudly."""
        self._keyboard.wanted(words)

    def warn(self, text: str) -> None:
        """An interlock has something to say that ends nothing; each is told once a run."""
        who = text.partition(":")[0]
        if who not in self._warned:
            self._warned.add(who)
            self.say(f"warning: {text}")

    def _ring(self, text: str) -> None:
        """Say it with the terminal's bell (ECMA-48, BEL)."""
        if self._terminal:
            self._voice.say("\a")
        self.say(text)

    def _new_line(self) -> None:
        """The terminal itself went to a new line."""
        self._width = 0

    # -- while it runs ---------------------------------------------------------------------------------------------

    def started(self, ready: Ready, folder: RunFolder) -> None:
        """Where the record is, and what the lines to come mean."""
        self._expected_s = ready.job.procedure.forecast(ready.plan, ready.site).seconds
        self._said_wall = self._said_bench = -math.inf
        self._phase = ""
        self._warned.clear()
        mark = f"{SIMULATED}: no real battery is touched; " if ready.site.simulated else ""
        self.say(f"{mark}recording to {folder.path}")
        if not self._explained:
            self._explained = True
            self.say(COLUMNS)

    def show(self, sample: Sample, watch: Watch, interlocks: Interlocks) -> None:
        """One sample; drawn only now and then."""
        wall = self._wall()
        changed = sample.state != self._phase
        every = TERMINAL_EVERY_S if self._terminal else LINE_EVERY_S
        if not changed and wall - self._said_wall < every:
            return
        if not changed and not self._terminal and sample.elapsed_s - self._said_bench < BENCH_LINE_EVERY_S:
            return
        self._said_wall, self._said_bench, self._phase = wall, sample.elapsed_s, sample.state
        width = shutil.get_terminal_size().columns - 1 if self._terminal else WIDTH
        line = progress_line(sample, interlocks.nearest(sample, watch), self._expected_s, width=width)
        if self._terminal:
            self._voice.say("\r" + line.ljust(self._width), progress=True)
            self._width = len(line)
        else:
            self._voice.say(line + "\n", progress=True)

    def say(self, text: str) -> None:
        """One or more lines, over the progress line if there is one."""
        self._clear()
        self._voice.say(wrapped(safe_text(line) for line in text.split("\n")) + "\n")

    def _clear(self) -> None:
        if self._width:
            self._voice.say("\r" + " " * self._width + "\r")
            self._width = 0

    # -- how it ends -----------------------------------------------------------------------------------------------

    def signalled(self, name: str) -> None:
        """A signal came."""
        # Called inside a signal handler: only what cannot be cut in two, and only once.
        if not self._stopping:
            self._stopping = True
            start = "\n" if self._terminal else ""
            how = "stopping for good, not held" if name == "SIGTSTP" else "stopping"
            self._voice.say(f"{start}{name}: {how}: outputs go off, confirmed; once is enough\n")

    def acknowledged_unsafe(self, serial: str) -> bool:
        """Whether somebody typed the serial number of the load: they have taken over."""
        if not serial or not interactive():
            return False
        if not self._offered:
            self._offered = True
            forget_typed()
            self.say(f"To end this message without proof, type the serial number {serial} and Enter.")
        return serial in islice(iter(entered, None), MOST_LINES)

    def ended(self, done: Done) -> None:
        """The run is over; what was said comes before its figures."""
        self._clear()
        self._voice.flush()


def _is_number(typed: str | None, wanted: float) -> bool:
    """Whether ``typed`` is the number ``wanted``, with or without its V."""
    try:
        return float((typed or "").strip().removesuffix("V").removesuffix("v")) == wanted
    except ValueError:
        return False


def in_real_time(ready: Ready) -> bool:
    """Whether the bench's time is the machine's, as far as its file says."""
    bench = ready.site.bench
    return bench.clock.kind == "wall" and not any(simulated(entry.address) for entry in bench.instruments)
