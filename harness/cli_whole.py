"""Commands about a whole job: on a simulated bench, on a real one, and the verdict from runs that are there.

They import what they need themselves, so that ``--help`` costs next to nothing.
"""

from __future__ import annotations

import click

from harness.options import BENCH, FILE, JSON, OUT, SEED
from harness.telling import figures, words


@click.command(short_help="The whole job on a simulated bench; needs no hardware.")
@click.option("--wire", type=click.Choice(["memory", "tcp"]), default="memory", show_default=True, help="How to talk.")
@SEED
@OUT
@JSON
def demo(wire: str, seed: int | None, out: str, as_json: bool) -> None:
    """The whole job on a simulated bench: no hardware, no files needed.

    It measures a pack, then a UPS, and says whether the two fit.
    """
    from pathlib import Path

    from harness.clock import WallClock
    from harness.demo import STORY
    from harness.demo import demo as run_demo
    from harness.folder import prepare_runs_dir
    from harness.printout import print_runs
    from harness.screen import Screen, caution_lines

    place = prepare_runs_dir(Path(out))
    screen = Screen(wall=WallClock().now, brief=True)
    screen.say(STORY + "\n" + caution_lines())
    print_runs(run_demo(wire=wire, seed=seed, out=place, watcher=screen), as_json, verdict="fit")


@click.command(short_help="The whole job on a bench: pack, UPS, verdict.")
@BENCH
@click.option("--pack", "pack", type=FILE, required=True, metavar="FILE", help="The pack file.")
@click.option("--ups", "ups", type=FILE, required=True, metavar="FILE", help="The UPS file.")
@OUT
@click.option("--dry", is_flag=True, help="Print what would be run and talk to nothing.")
@click.option("--label-cells", type=click.IntRange(1), metavar="N", help="Cells in series, read off the pack's label.")
@JSON
def qualify(bench: str, pack: str, ups: str, out: str, dry: bool, label_cells: int | None, as_json: bool) -> None:
    """Run everything that a verdict wants, one after the other, and say whether pack and UPS fit.

    First the pack, then the UPS; each wiring is asked for, each run has its own record, and the first that does not
    come to its end is the last. It takes most of a day of bench time; `nightbench run` runs any of it alone.
    """
    from pathlib import Path

    from harness.clock import WallClock
    from harness.folder import prepare_runs_dir
    from harness.lines import wrapped
    from harness.printout import print_runs
    from harness.screen import Screen
    from harness.sequence import Place, in_order, outlook, run_sequence

    sequence = run_sequence("qualify")
    place = Place(Path(bench), Path(pack), Path(ups), Path(out))
    steps = place.steps(sequence)
    told = outlook(place, steps)
    if dry:
        figures(wrapped(told))
        return
    prepare_runs_dir(place.out)
    clock = WallClock()
    words(wrapped(told))
    screen = Screen(wall=clock.now, calendar=lambda: clock.utc().astimezone(), label_cells=label_cells)
    print_runs(in_order(place.on_one_bench(), steps, screen), as_json, verdict=sequence.verdict)


@click.command(short_help="Does this pack fit this UPS? A verdict from earlier runs of both.")
@click.argument("folders", metavar="RUN...", nargs=-1, type=FILE)
@click.option(
    "--report", "place", type=FILE, metavar="DIR", help="Also write its report there: report.html and plots/."
)
@click.option("--pdf", is_flag=True, help="With --report: also as report.pdf (needs nightbench[pdf]).")
@JSON
def fit(folders: tuple[str, ...], place: str | None, pdf: bool, as_json: bool) -> None:
    """Say whether a pack fits a UPS, from earlier runs of both; nothing is switched.

    Runs of charge, capacity, c-rate, voltage-floor and charge-ceiling. Two capacity runs, one of them at a rate at or
    above what the UPS draws, make it surer.
    """
    from harness.verdict import judgement_document, judgement_text, verdict_maker
    from harness.verdict_folder import run_folders

    if pdf and place is None:
        raise click.UsageError("--pdf goes with --report DIR")
    runs = run_folders(folders)
    made = verdict_maker("fit").judge(runs)
    if place is not None:
        from harness.report import write_verdict_report

        written = write_verdict_report(runs, place, pdf=pdf)
        words("\n".join(f"report: {one}" for one in written))
    figures(judgement_document(made) if as_json else judgement_text(made))
