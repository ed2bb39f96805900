"""Options that several commands share, and what their values are completed with."""

from __future__ import annotations

import click

FILE = click.Path()


def complete_procedure(_ctx: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
    from harness.procedure import procedure_names

    return [name for name in procedure_names() if name.startswith(start)]


def complete_scenario(_ctx: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
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
