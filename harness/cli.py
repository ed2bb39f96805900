"""The command line. Commands import what they need themselves, so that ``--help`` costs next to nothing.

Figures go to standard output, words and progress to standard error. A mistake of the person's is one line and an exit
code of the table in DEVELOPERS.md; never a traceback.
"""

from __future__ import annotations

import click

from harness.cli_alarm import alarm
from harness.cli_compare import compare
from harness.cli_export import export
from harness.cli_instruments import instruments
from harness.cli_replay import replay
from harness.cli_report import report
from harness.cli_resume import resume
from harness.cli_watch import watch
from harness.cli_whole import demo, fit, qualify
from harness.options import BENCH, FILE, JSON, OUT, PACK, RUN, SEED, SET, UPS, complete_procedure, complete_scenario
from harness.telling import Commands, figures, words

EPILOG = (
    "Exit codes: 0 finished; 2, 10, 11, 12, 30 refused, nothing was switched on; 20 stopped by a person; 21 to 25 "
    "tripped or lost, 40 a barrier that was tried did not act, 1 a fault of this program, off confirmed; 90, 99 off "
    "NOT confirmed."
    "\n\n"
    'Completion for bash: eval "$(_NIGHTBENCH_COMPLETE=bash_source nightbench)"; zsh_source and fish_source likewise.'
)


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


main.add_command(demo)


@main.command()
@click.argument("kind", metavar="bench|pack|ups|dialect")
@click.argument("file", type=FILE)
def new(kind: str, file: str) -> None:
    """Write a commented starting file; never over an existing one."""
    from harness.starters import write_starter

    place = write_starter(kind, file)
    if kind == "dialect":
        words(f"written: {place}; fill it in, then `nightbench instruments --probe ADDRESS --dialect {place}`")
        return
    other = "ups" if kind == "ups" else "pack"
    words(f"written: {place}; fill it in, then `nightbench check --bench FILE --{other} FILE`")


@main.command(name="procedures")
@JSON
def list_procedures(as_json: bool) -> None:
    """What can be run, with each plan's keys, units and defaults."""
    from harness.listing import procedures_document, procedures_text

    figures(procedures_document() if as_json else procedures_text())


@main.command()
@click.argument("procedure", required=False, shell_complete=complete_procedure)
@BENCH
@PACK
@UPS
@SET
@click.option("--unattended", is_flag=True, help="Also: may it be left alone? With the table of its barriers.")
@OUT
def check(
    procedure: str | None,
    bench: str,
    pack: str | None,
    ups: str | None,
    sets: tuple[str, ...],
    unattended: bool,
    out: str,
) -> None:
    """Look at the bench before a run; switches nothing on.

    PROCEDURE is what is meant to be run (default: capacity, or voltage-floor with a UPS file alone).
    """
    from harness.checking import check_bench

    procedure = procedure or ("voltage-floor" if ups is not None and pack is None else "capacity")
    text, code = check_bench(procedure, bench=bench, pack=pack, ups=ups, sets=sets, unattended=unattended, out=out)
    figures(text)
    raise SystemExit(code)


@main.command(short_help="Run a procedure: measure, switch off, prove it, write it down.")
@click.argument("procedure", shell_complete=complete_procedure)
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
    from harness.printout import print_runs
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
    print_runs((run_job(ready, watcher=screen) for _ in range(1)), as_json)


main.add_command(qualify)


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


main.add_command(fit)
main.add_command(compare)
main.add_command(export)
main.add_command(instruments)
main.add_command(replay)
main.add_command(report)
main.add_command(resume)
main.add_command(watch)
main.add_command(alarm)


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


@main.command(short_help="Trip the supply's own over-volts stop, with nothing connected.")
@BENCH
def stops(bench: str) -> None:
    """Let the supply's own over-volts stop act for real, at 5 V with nothing connected; remembered for 30 days.

    Refused while anything hangs on the node. The load's stop is tripped by each run --unattended itself.
    """
    from harness.stops_command import try_stops

    raise SystemExit(try_stops(bench, out=figures, err=words))


@main.command(short_help="List simulated benches, or serve one on this machine.")
@click.argument("scenario", required=False, shell_complete=complete_scenario)
@click.option(
    "--wire",
    type=click.Choice(["tcp", "pty", "hislip"]),
    default="tcp",
    show_default=True,
    help="How to serve it: sockets, serial ports (pseudo-terminals) or HiSLIP.",
)
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
    """List simulated benches, or serve one to any VISA client on this machine.

    SCENARIO: a name of that list, or a scenario file of your own, FILE.toml.
    """
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


if __name__ == "__main__":
    main()
