"""What a person sees of a run: one screen before anything is switched on, then progress, on standard error.

On a terminal one line is kept up to date; in a pipe a plain line comes now and then.
"""

from __future__ import annotations

import math
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator

from harness.asking import interactive, typed_line
from harness.cautions import CAUTIONS
from harness.digits import duration
from harness.errors import PreflightRefused
from harness.findings import Watch
from harness.folder import RunFolder
from harness.interlocks import Interlocks
from harness.plain import safe_text
from harness.preflight import Check
from harness.run import Done, Ready, Watcher
from harness.sample import Sample

LINE_EVERY_S = 2.0
"""In a pipe: real seconds between two lines while a simulated night flies by."""

BENCH_LINE_EVERY_S = 600.0
"""In a pipe: bench seconds between two lines at least, when bench time is real time."""

TERMINAL_EVERY_S = 0.25


def plan_lines(ready: Ready) -> Iterator[str]:
    """Steps, levels, charge, heat and the expected end, for ``--dry`` and for the screen before energising."""
    forecast = ready.job.procedure.forecast(ready.plan, ready.site)
    yield f"{ready.job.procedure.name} on {safe_text(ready.site.pack.name)}, {ready.job.procedure.about}"
    for number, step in enumerate(forecast.steps, 1):
        charge = f", {step.charge_ah:.3g} Ah" if step.charge_ah else ""
        heat = f", {step.heat_wh:.2g} Wh of heat in the pack" if step.heat_wh else ""
        yield f"  {number}. {step.words}: {duration(step.seconds)}{charge}{heat}"
    yield f"  together about {duration(forecast.seconds)}; {forecast.lowest_v:.2f} to {forecast.highest_v:.2f} V"
    for ask in forecast.asks:
        yield f"  you will be asked: {ask}"


def limit_lines(ready: Ready) -> Iterator[str]:
    """The limits in words."""
    for line in ready.site.envelope.lines():
        yield f"  {line}"


def barrier_lines(ready: Ready) -> Iterator[str]:
    """Which layers exist besides this program, and whether they were ever seen to act."""
    bench, pack = ready.site.bench, ready.site.pack
    load, supply = bench.one("load"), bench.one("supply")
    fuse = f"DC fuse {bench.fuse_amps:g} A (declared, not seen)" if bench.fuse_amps else "no DC fuse declared"
    yield f"  {fuse}; " + ("BMS (declared, not seen to act)" if pack.bms else "NO BMS declared")
    if load is not None:
        has = "own low-volts stop, armed before energising"
        yield f"  {load.name}: {has if load.own_low_volts_stop else 'NO low-volts stop of its own'}"
    if supply is not None:
        has = "own over-volts stop, armed before energising"
        yield f"  {supply.name}: {has if supply.own_over_volts_stop else 'NO over-volts stop declared'}"
    yield "  this program trips on the samples it takes; it is the last barrier, never the first"


def wrapped(lines: Iterator[str] | tuple[str, ...], width: int = 80) -> str:
    """Lines folded at ``width`` columns, continuation indented."""
    out = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        out.extend(textwrap.wrap(line, width, subsequent_indent=indent, break_on_hyphens=False) or [""])
    return "\n".join(out)


class Screen(Watcher):
    """Progress on standard error. ``label_cells`` is the cell count typed by the person, when given beforehand."""

    def __init__(
        self,
        *,
        wall: Callable[[], float],
        stop: Callable[[], bool] = lambda: False,
        label_cells: int | None = None,
        quiet: bool = False,
        cautions: bool = True,
    ) -> None:
        self._wall, self._stop = wall, stop
        self._label_cells, self._quiet, self._cautions = label_cells, quiet, cautions
        self._terminal = sys.stderr.isatty()
        self._said_wall = -math.inf
        self._said_bench = -math.inf
        self._phase = ""
        self._expected_s = 0.0
        self._real_time = True
        self._width = 0
        self._stopping = False

    def say(self, text: str) -> None:
        """One or more lines, over the progress line if there is one."""
        self._clear()
        print(text, file=sys.stderr, flush=True)

    def _clear(self) -> None:
        if self._width:
            sys.stderr.write("\r" + " " * self._width + "\r")
            self._width = 0

    def checked(self, ready: Ready, checks: tuple[Check, ...]) -> None:
        """Before energising: what was found, what will be done, within which limits, behind which barriers."""
        for check in checks:
            if check.word != "good":
                self.say(wrapped((f"{check.word}: {safe_text(check.what)}: {safe_text(check.text)}",)))
        if any(check.word == "refused" for check in checks):
            return
        if not self._quiet:
            limits = ("limits in force", *limit_lines(ready), "barriers", *barrier_lines(ready))
            self.say(wrapped((*plan_lines(ready), *limits)))
            if self._cautions:
                self.say(wrapped(tuple(f"! {line}" for line in CAUTIONS)))
            self.say("Ctrl-C stops: outputs off, confirmed, record kept. If in doubt, pull the fuse.")

    def acknowledge(self, ready: Ready) -> None:
        """A real pack: its label is read once more by a person, since volts cannot tell cells from chemistry."""
        cells = ready.site.pack.cells_in_series
        typed: str | None = str(self._label_cells) if self._label_cells is not None else None
        if typed is None:
            if not interactive():
                raise PreflightRefused(
                    "the label: cells in series as printed on the pack itself must be given; nobody is there to type "
                    "them: add --label-cells N"
                )
            typed = typed_line("Cells in series as printed on the pack's own label: ", stop=self._stop)
        if typed is None or typed.strip() != str(cells):
            raise PreflightRefused(
                f"the label: {typed or 'nothing'} cells typed, {cells} in {ready.site.pack.path}; "
                "a wrong count over-charges or over-discharges: find out which is right"
            )

    def started(self, ready: Ready, folder: RunFolder) -> None:
        self._expected_s = ready.job.procedure.forecast(ready.plan, ready.site).seconds
        self.say(f"recording to {safe_text(str(folder.path))}")

    def show(self, sample: Sample, watch: Watch, interlocks: Interlocks) -> None:
        wall = self._wall()
        changed = sample.state != self._phase
        every = TERMINAL_EVERY_S if self._terminal else LINE_EVERY_S
        if not changed and wall - self._said_wall < every:
            return
        if not changed and not self._terminal and sample.elapsed_s - self._said_bench < BENCH_LINE_EVERY_S:
            return
        self._said_wall, self._said_bench, self._phase = wall, sample.elapsed_s, sample.state
        line = progress_line(sample, interlocks.nearest(sample, watch), self._expected_s)
        if self._terminal:
            columns = shutil.get_terminal_size().columns
            line = line[: columns - 1]
            sys.stderr.write("\r" + line.ljust(self._width))
            sys.stderr.flush()
            self._width = len(line)
        else:
            print(line, file=sys.stderr, flush=True)

    def signalled(self, name: str) -> None:
        # Called inside a signal handler: only what cannot be cut in two, and only once.
        if not self._stopping:
            self._stopping = True
            os.write(2, f"\n{name}: switching off and confirming; press again if you like, it goes on\n".encode())

    def ended(self, done: Done) -> None:
        self._clear()


def progress_line(sample: Sample, nearest: tuple[str, float] | None, expected_s: float) -> str:
    """Elapsed, volts, amps, charge, temperature, nearest interlock, time left; within 80 columns."""
    temp = "" if math.isnan(sample.pack_temp_c) else f" {sample.pack_temp_c:.1f} degC"
    left = expected_s - sample.elapsed_s
    margin = f" {nearest[0]} {100 * nearest[1]:.0f} % off" if nearest else ""
    return (
        f"{clock_words(sample.elapsed_s)} {sample.state} {sample.pack_volts:.3f} V {sample.pack_amps:+.3f} A "
        f"{sample.charge_ah:+.3f} Ah{temp}{margin}" + (f" left <{clock_words(left)}" if left > 0 else "")
    )


def clock_words(seconds: float) -> str:
    """``7:03:21``."""
    whole = max(0, int(seconds))
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
