"""The command line. Commands import what they need themselves, so that ``--help`` costs next to nothing.

Figures go to standard output, words and progress to standard error. A mistake of the person's is one line and an exit
code of the table in DEVELOPERS.md; never a traceback.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

EPILOG = "Exit codes: 0 finished, 20 stopped by a person, 21-25 tripped (off confirmed), 90/99 off not confirmed."
BENCH = click.option("--bench", "bench", required=True, metavar="FILE", help="The bench file.")
PACK = click.option("--pack", "pack", metavar="FILE", help="The pack file.")
SET = click.option("--set", "sets", multiple=True, metavar="KEY=VALUE", help="A key of the plan; may be repeated.")
OUT = click.option("--out", "out", default="runs", show_default=True, metavar="DIR", help="Where run folders go.")
JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else there.")


class Commands(click.Group):
    """Commands in the order of a working day, and refusals as one line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        from harness.errors import UserError

        try:
            return super().invoke(ctx)
        except UserError as error:
            self._refuse(str(error), error.exit_code)
        except BrokenPipeError:
            # The reader of our output went away; nothing is energised any more when figures are printed.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(0)

    @staticmethod
    def _refuse(text: str, code: int) -> None:
        from harness.plain import safe_text

        click.echo("nightbench: " + safe_text(" ".join(text.split())), err=True)
        raise SystemExit(code)


@click.group(
    cls=Commands,
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.version_option(package_name="nightbench", prog_name="nightbench")
def main() -> None:
    """Measure battery packs for small UPSs on a bench that may be left alone.

    Not a safety device. Fit a fuse, read the cautions in README.md, and follow local electrical rules.
    """


@main.command()
@click.option("--wire", type=click.Choice(["memory", "tcp"]), default="memory", show_default=True, help="How to talk.")
@click.option("--seed", type=click.IntRange(0), help="Draw pack, leads and instruments at random.")
@OUT
@JSON
def demo(wire: str, seed: int | None, out: str, as_json: bool) -> None:
    """The whole job on a simulated bench: no hardware, no files needed."""
    from harness.clock import WallClock
    from harness.demo import demo as run_demo
    from harness.screen import Screen

    screen = Screen(wall=WallClock().now, quiet=True)
    screen.say("SIMULATED bench, invented story: a network cabinet's 24 V UPS, its two lead-acid blocks to be replaced")
    screen.say("by an 8-cell LiFePO4 pack of 10 Ah.")
    done = run_demo(wire=wire, seed=seed, out=Path(out), watcher=screen)
    _print_runs(done, as_json)


@main.command()
@click.argument("kind", metavar="bench|pack")
@click.argument("file")
def new(kind: str, file: str) -> None:
    """Write a commented starting file; never over an existing one."""
    from harness.starters import write_starter

    place = write_starter(kind, file)
    click.echo(f"written: {place}; fill it in, then `nightbench check --bench FILE --pack FILE`", err=True)


@main.command(name="procedures")
@JSON
def list_procedures(as_json: bool) -> None:
    """What can be run, with each plan's keys, units and defaults."""
    from harness.listing import procedures_document, procedures_text

    click.echo(_json(procedures_document()) if as_json else procedures_text())


@main.command()
@click.argument("procedure", required=False, default="capacity")
@BENCH
@PACK
@SET
@click.option("--unattended", is_flag=True, help="Also: may it be left alone?")
def check(procedure: str, bench: str, pack: str | None, sets: tuple[str, ...], unattended: bool) -> None:
    """Look at the bench before a run; energises nothing."""
    from harness.checking import check_bench

    raise SystemExit(check_bench(procedure, bench=bench, pack=pack, sets=sets, unattended=unattended))


@main.command()
@click.argument("procedure")
@BENCH
@PACK
@SET
@OUT
@click.option("--unattended", is_flag=True, help="Refuse unless the bench may be left alone.")
@click.option("--dry", is_flag=True, help="Print the plan and talk to nothing.")
@click.option("--label-cells", type=click.IntRange(1), metavar="N", help="Cells in series, read off the pack's label.")
@JSON
def run(
    procedure: str,
    bench: str,
    pack: str | None,
    sets: tuple[str, ...],
    out: str,
    unattended: bool,
    dry: bool,
    label_cells: int | None,
    as_json: bool,
) -> None:
    """Run a procedure: look, energise, measure, switch off, prove it, write it down."""
    from harness.checking import job_for
    from harness.clock import WallClock
    from harness.listing import dry_document, dry_text
    from harness.run import ProgramError, prepare
    from harness.run import run as run_job
    from harness.screen import Screen

    ready = prepare(job_for(procedure, bench=bench, pack=pack, sets=sets, out=out, unattended=unattended))
    if dry:
        click.echo(_json(dry_document(ready)) if as_json else dry_text(ready))
        return
    try:
        done = run_job(ready, watcher=Screen(wall=WallClock().now, label_cells=label_cells))
    except ProgramError as error:
        click.echo(f"nightbench: {error}", err=True)
        raise SystemExit(1) from None
    _print_runs([done], as_json)


@main.command()
@click.option("--out", "out", default="runs", show_default=True, metavar="DIR", help="Where to look.")
@JSON
def runs(out: str, as_json: bool) -> None:
    """List the runs of a folder."""
    from harness.folder import list_runs
    from harness.listing import runs_document
    from harness.show import runs_lines

    found = list_runs(Path(out))
    click.echo(_json(runs_document(found)) if as_json else "\n".join(runs_lines(found)))


@main.command()
@click.argument("folder", metavar="RUN")
@JSON
def show(folder: str, as_json: bool) -> None:
    """Show one run."""
    from harness.folder import RunFolder
    from harness.listing import result_document
    from harness.show import show_text

    place = RunFolder.open(folder)
    click.echo(result_document(place) if as_json else show_text(place), nl=not as_json)


@main.command()
@click.argument("folder", metavar="RUN")
@click.argument("text")
def mark(folder: str, text: str) -> None:
    """Put an operator's mark into a run that is on, from another terminal."""
    from harness.errors import Usage
    from harness.folder import RunFolder
    from harness.marks import drop_mark

    place = RunFolder.open(folder)
    if not place.is_on():
        raise Usage(f"mark: {place.path}: this run is over; a mark reaches only a run that is on")
    drop_mark(place, text)


@main.command()
@BENCH
def safe(bench: str) -> None:
    """Drive every output off and confirm it, whatever the records say."""
    from harness.makesafe import make_safe

    raise SystemExit(make_safe(bench))


@main.command()
@click.argument("scenario", required=False)
@click.option("--wire", type=click.Choice(["tcp"]), default="tcp", show_default=True)
@click.option("--stepped", is_flag=True, help="Time stands still until a run says how far to go.")
@click.option("--speed", type=float, help="Times real time (default 1).")
@click.option("--seed", type=click.IntRange(0), help="Draw pack, leads and instruments at random.")
@click.option("--truth", is_flag=True, help="Print the scenario's true figures and end.")
@click.option("--files", "files", metavar="DIR", help="Where to write bench and pack file (default: a new folder).")
@JSON
def simulate(
    scenario: str | None,
    wire: str,
    stepped: bool,
    speed: float | None,
    seed: int | None,
    truth: bool,
    files: str | None,
    as_json: bool,
) -> None:
    """List simulated benches, or serve one to any VISA client on this machine."""
    from harness.simulating import scenarios_text, serve_bench, truth_document, truth_text

    if scenario is None:
        click.echo(scenarios_text(as_json))
    elif truth:
        click.echo(_json(truth_document(scenario, seed)) if as_json else truth_text(scenario, seed))
    else:
        serve_bench(scenario, wire=wire, stepped=stepped, speed=speed, seed=seed, files=files, as_json=as_json)


def _json(document: Any) -> str:
    import msgspec

    return msgspec.json.encode(document).decode()


def _print_runs(done: list[Any], as_json: bool) -> None:
    from harness.listing import runs_done_document, runs_done_text

    click.echo(_json(runs_done_document(done)) if as_json else runs_done_text(done))
    raise SystemExit(max(one.exit_code for one in done))


if __name__ == "__main__":
    main()
