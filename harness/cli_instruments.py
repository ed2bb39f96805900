"""The command about instruments: which are there, and what one of them speaks. It imports what it needs itself."""

from __future__ import annotations

import click

from harness.options import FILE, JSON
from harness.telling import figures, words


@click.command(short_help="What answers, and which dialect fits; questions only.")
@click.option("--probe", "probe", metavar="ADDRESS", help="Find out which dialect the instrument there speaks.")
@click.option("--write", "write", type=FILE, metavar="FILE", help="With --probe: write a dialect file to start from.")
@click.option(
    "--dialect", "own", type=FILE, multiple=True, metavar="FILE", help="With --probe: try your own too; repeatable."
)
@click.option("--baud", type=click.IntRange(1), metavar="N", help="With --probe: a serial port's speed (default 9600).")
@click.option(
    "--ask-serial", "serial", multiple=True, metavar="ADDRESS", help="A serial port to ask as well; repeatable."
)
@click.option(
    "--timeout", "timeout_s", type=click.FloatRange(0.05, 30.0), default=1.0, show_default=True, metavar="S",
    help="Longest wait for one answer, s.",
)  # fmt: skip
@JSON
def instruments(
    probe: str | None,
    write: str | None,
    own: tuple[str, ...],
    baud: int | None,
    serial: tuple[str, ...],
    timeout_s: float,
    as_json: bool,
) -> None:
    """List what VISA, the serial ports and the local network show, and who answers there.

    Only questions are sent; nothing is set. A serial port is not opened unless you name it, with --ask-serial or
    --probe: opening one restarts some devices. An instrument that a run holds is not asked.

    ADDRESS: TCPIP::HOST::5025::SOCKET, TCPIP::HOST::INSTR, ASRL/dev/ttyUSB0::INSTR, USB and GPIB as VISA writes
    them, or sim:cabinet/supply. A socket is on no list: its port is in the instrument's manual.
    """
    if not timeout_s < float("inf"):
        raise click.BadParameter("nan is no time; a number of seconds is due", param_hint="--timeout")
    if probe is None:
        given = {"--write": write, "--dialect": own, "--baud": baud}
        for option, value in given.items():
            if value:
                raise click.UsageError(f"{option} goes with --probe ADDRESS")
        _list(serial, timeout_s, as_json)
        return
    if serial:
        raise click.UsageError("--ask-serial goes with the list; --probe opens a serial port by itself")
    raise SystemExit(_probe(probe, write, own, baud, timeout_s, as_json))


def _list(serial: tuple[str, ...], timeout_s: float, as_json: bool) -> None:
    from harness import instruments as here

    seen, notes = here.look(here.SOURCES)
    seen = here.with_named(seen, serial)
    found = here.ask_all(seen, timeout_s=timeout_s, serial=serial)
    for note in notes:
        words(note)
    if as_json:
        figures(here.document(found, notes))
        return
    if found:
        figures(here.text(found))
    else:
        words("nothing is to be seen; sockets show up on no list: try --probe TCPIP::HOST::PORT::SOCKET")


def _probe(
    address: str, write: str | None, own: tuple[str, ...], baud: int | None, timeout_s: float, as_json: bool
) -> int:
    from harness.errors import PreflightRefused, Usage
    from harness.probing_here import probe_address, write_dialect
    from harness.probing_report import probe_document, probe_text
    from harness.starters import refuse_place

    if write is not None:
        refuse_place(write, example="my-supply.toml")
    found = probe_address(address, own=own, baud=baud, timeout_s=timeout_s, say=words)
    file, refused = None, ""
    if write is not None:
        try:
            file = str(write_dialect(found, write))
        except Usage as error:  # what was found is told all the same
            refused = str(error)
    figures(probe_document(found, file) if as_json else probe_text(found, file))
    if refused:
        words(f"nightbench: {refused}")
    if not found.found:
        return PreflightRefused.exit_code
    return Usage.exit_code if refused else 0
