"""The command line. Commands import what they need themselves, so that ``--help`` costs next to nothing.

Figures go to standard output, words and progress to standard error. A mistake of the person's is one line and an exit
code of the table in DEVELOPERS.md; never a traceback.
"""

from __future__ import annotations

from typing import Any

import click

from harness.telling import Commands, figures, printed_code, tell, words

EPILOG = (
    "Exit codes: 0 finished; 2, 10, 11, 12, 30 refused, nothing was switched on; 20 stopped by a person; 21 to 25 "
    "tripped or lost, and 1 a fault of this program, off confirmed; 90, 99 off NOT confirmed."
    "\n\n"
    'Completion for bash: eval "$(_NIGHTBENCH_COMPLETE=bash_source nightbench)"; zsh_source and fish_source likewise.'
)
FILE = click.Path()


def _procedures(_ctx: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
    from harness.procedure import procedure_names

    return [name for name in procedure_names() if name.startswith(start)]


def _scenarios(_ctx: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
    from harness.connect import simulated_scenarios

    return [name for name in simulated_scenarios() if name.startswith(start)]


BENCH = click.option("--bench", "bench", type=FILE, required=True, metavar="FILE", help="The bench file.")
PACK = click.option("--pack", "pack", type=FILE, metavar="FILE", help="The pack file.")
UPS = click.option("--ups", "ups", type=FILE, metavar="FILE", help="The UPS file.")
SET = click.option(
    "--set", "sets", multiple=True, metavar="KEY=VALUE", help="A key of the plan (`nightbench procedures`); repeatable."
)
OUT = click.option(
    "--out", "out", type=FILE, default="runs", show_default=True, metavar="DIR", help="Where run folders go."
)
JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output, nothing else there.")
SEED = click.option("--seed", type=click.IntRange(0), metavar="N", help="Draw pack, leads and instruments at random.")
RUN = click.argument("folder", metavar="RUN", type=FILE)


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


@main.command(short_help="The whole job on a simulated bench; needs no hardware.")
@click.option("--wire", type=click.Choice(["memory", "tcp"]), default="memory", show_default=True, help="How to talk.")
@SEED
@OUT
@JSON
def demo(wire: str, seed: int | None, out: str, as_json: bool) -> None:
    """The whole job on a simulated bench: no hardware, no files needed.

    It charges a pack, lets it rest and measures its capacity.
    """
    from pathlib import Path

    from harness.clock import WallClock
    from harness.demo import STORY
    from harness.demo import demo as run_demo
    from harness.folder import prepare_runs_dir
    from harness.screen import Screen, caution_lines

    place = prepare_runs_dir(Path(out))
    screen = Screen(wall=WallClock().now, brief=True)
    screen.say(STORY + "\n" + caution_lines())
    _print_runs(run_demo(wire=wire, seed=seed, out=place, watcher=screen), as_json)


@main.command()
@click.argument("kind", metavar="bench|pack|ups")
@click.argument("file", type=FILE)
def new(kind: str, file: str) -> None:
    """Write a commented starting file; never over an existing one."""
    from harness.starters import write_starter

    place = write_starter(kind, file)
    other = "ups" if kind == "ups" else "pack"
    words(f"written: {place}; fill it in, then `nightbench check --bench FILE --{other} FILE`")


@main.command(name="procedures")
@JSON
def list_procedures(as_json: bool) -> None:
    """What can be run, with each plan's keys, units and defaults."""
    from harness.listing import procedures_document, procedures_text

    figures(procedures_document() if as_json else procedures_text())


@main.command()
@click.argument("procedure", required=False, shell_complete=_procedures)
@BENCH
@PACK
@UPS
@SET
@click.option("--unattended", is_flag=True, help="Also: may it be left alone?")
def check(
    procedure: str | None, bench: str, pack: str | None, ups: str | None, sets: tuple[str, ...], unattended: bool
) -> None:
    """Look at the bench before a run; switches nothing on.

    PROCEDURE is what is meant to be run (default: capacity, or voltage-floor with a UPS file alone).
    """
    from harness.checking import check_bench

    procedure = procedure or ("voltage-floor" if ups is not None and pack is None else "capacity")
    text, code = check_bench(procedure, bench=bench, pack=pack, ups=ups, sets=sets, unattended=unattended)
    figures(text)
    raise SystemExit(code)


@main.command(short_help="Run a procedure: measure, switch off, prove it, write it down.")
@click.argument("procedure", shell_complete=_procedures)
@BENCH
@PACK
@UPS
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
    ups: str | None,
    sets: tuple[str, ...],
    out: str,
    unattended: bool,
    dry: bool,
    label_cells: int | None,
    as_json: bool,
) -> None:
    """Run PROCEDURE: look, switch on, measure, switch off, prove it, write it down."""
    from datetime import datetime

    from harness.checking import job_for
    from harness.clock import WallClock
    from harness.job import prepare
    from harness.listing import dry_document, dry_text
    from harness.run import run as run_job
    from harness.screen import Screen, in_real_time

    clock = WallClock()

    def local() -> datetime:
        return clock.utc().astimezone()

    ready = prepare(job_for(procedure, bench=bench, pack=pack, ups=ups, sets=sets, out=out, unattended=unattended))
    if dry:
        now = local() if in_real_time(ready) else None
        figures(dry_document(ready) if as_json else dry_text(ready, now=now))
        return
    screen = Screen(wall=clock.now, calendar=local, label_cells=label_cells)
    _print_runs((run_job(ready, watcher=screen) for _ in range(1)), as_json)


@main.command()
@click.option("--out", "out", type=FILE, default="runs", show_default=True, metavar="DIR", help="Where to look.")
@JSON
def runs(out: str, as_json: bool) -> None:
    """List the runs of a folder, oldest first."""
    from harness.folder import list_runs
    from harness.listing import runs_document, runs_text

    found = list_runs(out)
    figures(runs_document(found) if as_json else runs_text(found))


@main.command()
@RUN
@JSON
def show(folder: str, as_json: bool) -> None:
    """Show one run, also one that is on or was interrupted."""
    from harness.folder import RunFolder
    from harness.listing import result_document
    from harness.show import show_text

    place = RunFolder.open(folder)
    figures((result_document(place) if as_json else show_text(place)).rstrip("\n"))


@main.command(short_help="Does this pack fit this UPS? A verdict from earlier runs of both.")
@click.argument("folders", metavar="RUN...", nargs=-1, type=FILE)
@JSON
def fit(folders: tuple[str, ...], as_json: bool) -> None:
    """Say whether a pack fits a UPS, from earlier runs of both; nothing is switched.

    Runs of charge, capacity, c-rate, voltage-floor and charge-ceiling. Two capacity runs, one of them at a rate at or
    above what the UPS draws, make it surer.
    """
    from harness.folder import RunFolder
    from harness.verdict import judgement_document, judgement_text, verdict_maker

    made = verdict_maker("fit").judge([RunFolder.open(folder) for folder in folders])
    figures(judgement_document(made) if as_json else judgement_text(made))


@main.command()
@RUN
@click.argument("text")
def mark(folder: str, text: str) -> None:
    """Put a remark into a run that is on, from another terminal."""
    from harness.marks import drop_mark

    words(f'marked: "{drop_mark(folder, text)}"')


@main.command(short_help="Drive every output off and confirm it.")
@BENCH
@click.option("--seen-off", "seen_off", default="", metavar="SERIAL", help="You saw it off: an output's serial number.")
def safe(bench: str, seen_off: str) -> None:
    """Drive every output off and confirm it, whatever the records say."""
    from harness.makesafe import make_safe

    raise SystemExit(make_safe(bench, out=figures, err=words, seen_off=seen_off))


@main.command(short_help="List simulated benches, or serve one on this machine.")
@click.argument("scenario", required=False, shell_complete=_scenarios)
@click.option("--wire", type=click.Choice(["tcp"]), default="tcp", show_default=True, help="How to serve it.")
@click.option("--stepped", is_flag=True, help="Time stands still until a run says how far to go.")
@click.option("--speed", type=float, metavar="X", help="Times real time (default 1).")
@SEED
@click.option("--truth", is_flag=True, help="Print the scenario's true figures and end.")
@click.option(
    "--files", "files", type=FILE, metavar="DIR", help="Where to write bench and pack file (default: a new folder)."
)
@click.option("--with-parent", is_flag=True, hidden=True, help="End when the process that started this one ends.")
@JSON
def simulate(
    scenario: str | None,
    wire: str,
    stepped: bool,
    speed: float | None,
    seed: int | None,
    truth: bool,
    files: str | None,
    with_parent: bool,
    as_json: bool,
) -> None:
    """List simulated benches, or serve one to any VISA client on this machine."""
    from harness.simulating import scenarios_text, serve_bench, serving_text, truth_document, truth_text

    if scenario is None:
        for option, given in {"--truth": truth, "--stepped": stepped, "--speed": speed, "--files": files}.items():
            if given:
                raise click.UsageError(f"{option} needs a SCENARIO; `nightbench simulate` lists them")
        figures(scenarios_text(as_json))
    elif truth:
        figures(truth_document(scenario, seed) if as_json else truth_text(scenario, seed))
    else:
        serve_bench(
            scenario,
            wire=wire,
            stepped=stepped,
            speed=speed,
            seed=seed,
            files=files,
            with_parent=with_parent,
            tell=lambda told: figures(told if as_json else serving_text(told)),
        )


def _print_runs(runs_to_do: Any, as_json: bool) -> None:
    """Do the runs, then print all that were done, also when the next one was refused."""
    from harness.ending import ProgramError
    from harness.errors import UserError
    from harness.listing import runs_done_document, runs_done_text

    done: list[Any] = []
    failed: UserError | ProgramError | None = None
    try:
        for one in runs_to_do:
            done.append(one)
    except (UserError, ProgramError) as error:
        failed = error
    if failed is not None and not done:
        raise failed
    document = runs_done_document(done) | (tell(str(failed), failed.exit_code) if failed else {})
    figures(document if as_json else runs_done_text(done))
    if failed is not None:
        words(f"nightbench: {failed}")
    worst = max([one.exit_code for one in done] + ([failed.exit_code] if failed else []))
    raise SystemExit(worst or printed_code())


if __name__ == "__main__":
    main()
