"""``nightbench safe``: everything off, in order, confirmed; it trusts no record and waits for no lock."""

from __future__ import annotations

import click

from harness.config import load_bench
from harness.connect import connect
from harness.locks import BenchLock
from harness.plain import safe_text
from harness.safeoff import Before, SafeOff
from harness.stops import OFF_UNREADABLE, NotOff
from harness.unsafe import message


def make_safe(bench: str) -> int:
    """Drive the bench off; 0 when confirmed, 90 or 99 when not."""
    bench_file = load_bench(bench)
    connection = connect(bench_file, lenient=True)
    try:
        assert connection.rig is not None
        zero = {
            entry.name: max(0.020, 3.0 * entry.amps_accuracy.half_width(0.0))
            for entry in bench_file.instruments
            if entry.role in ("supply", "load")
        }

        def note(kind: str, **fields: object) -> None:
            if kind == "instrument error":
                click.echo(f"{fields.get('instrument', '')}: {safe_text(str(fields.get('text', '')))}", err=True)

        report = SafeOff(rig=connection.rig, clock=connection.clock, note=note, zero_amps=zero).drive(Before())
        for line in report.lines:
            click.echo(safe_text(line))
        if report.confirmed:
            BenchLock(bench_file).mark_off()
            click.echo("off, confirmed; measure before touching, and disconnect the pack: an idle supply drains it")
            return 0
        click.echo(safe_text(message(connection.rig, report, fuse_amps=bench_file.fuse_amps)), err=True)
        return OFF_UNREADABLE if report.word == "unreadable" else NotOff.exit_code
    finally:
        connection.close()
