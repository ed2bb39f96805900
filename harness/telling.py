"""How every command tells what came of it: figures to standard output, words to standard error, refusals as one line.

Only ``click`` is imported up here, because this stands on the way to ``--help``.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Sequence
from typing import Any

import click

PROGRAM = "nightbench"
OUTCOMES = {1: "tripped", 20: "stopped"}
"""Outcome word of a command that ended without a run's result, by exit code; every other one was refused."""


UNPRINTED: list[str] = []
"""Why figures could not be printed, if so; a command that went well otherwise then ends with 1."""


def figures(what: Any) -> None:
    """Print text, or plain data as one JSON document (RFC 8259, UTF-8), to standard output.

    A reader that went away (``| head``) is no error: what is energised was switched off long before, and the exit code
    still says how that went.
    """
    if not isinstance(what, str):
        import msgspec

        what = msgspec.json.encode(what)
    try:
        _echo(what)
    except BrokenPipeError:
        _nobody_reads()
    except OSError as error:
        # A full disk behind a redirection must not turn into another exit code than the run's own.
        UNPRINTED.append(error.strerror or str(error))
        _nobody_reads()
        words(f"{PROGRAM}: standard output: {UNPRINTED[-1]}: the figures were not printed; the run's folder has them")


def printed_code() -> int:
    """Exit code of a command that went well: 0, or 1 when its figures could not be printed."""
    return 1 if UNPRINTED else 0


def _nobody_reads() -> None:
    # Whatever Python still wants to flush at the end must find somebody who takes it.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _echo(what: str | bytes) -> None:
    try:
        click.echo(what)
    except UnicodeEncodeError:  # a terminal that has no letter for a pack's name
        assert isinstance(what, str)
        click.echo(what.encode(sys.stdout.encoding, "backslashreplace"))


def words(text: str) -> None:
    """Print to standard error; nobody listening is no error, and nobody is waited for long."""
    from harness.voice import VOICE

    VOICE.start()
    VOICE.say(text + "\n")
    VOICE.flush()


def tell(reason: str, code: int) -> dict[str, Any]:
    """What ``--json`` prints when there is nothing else to print."""
    return {"outcome": OUTCOMES.get(code, "refused"), "exit_code": code, "reason": " ".join(reason.split())}


class Commands(click.Group):
    """Commands in the order of a working day, and every mistake as one line on standard error."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if not ctx.resilient_parsing and args and self.get_command(ctx, args[0]) is None and args[0][:1] != "-":
            from difflib import get_close_matches

            near = get_close_matches(args[0], self.commands, n=1)
            hint = f"did you mean {near[0]}?" if near else f"there are: {', '.join(self.commands)}"
            ctx.fail(f"{args[0]}: no such command; {hint}")
        return super().resolve_command(ctx, args)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """As click's, but with exit codes and one-line errors of our own."""
        UNPRINTED.clear()
        given = list(sys.argv[1:] if args is None else args) or ["--help"]
        if args is None and standalone_mode:  # as a program of its own, not called by one
            from harness.signals import StopFlag

            StopFlag.process_ends = True
        if not standalone_mode:
            return super().main(given, PROGRAM, complete_var, standalone_mode=False, **extra)
        try:
            code = super().main(given, PROGRAM, complete_var, standalone_mode=False, **extra)
        except click.Abort:
            if args is None:  # pressed again it would kill the program before its exit code is out
                signal.signal(signal.SIGINT, signal.SIG_IGN)
            self._refuse(given, "stopped by a person; this command left nothing on", 20)
        except click.UsageError as error:
            self._refuse(given, _usage(error), 2, start="")
        except Exception as error:
            known = getattr(error, "exit_code", None)
            self._refuse(given, str(error) if known else _unknown(error), known or 1)
        sys.exit(code if isinstance(code, int) and code else printed_code())

    @staticmethod
    def _refuse(given: Sequence[str], reason: str, code: int, *, start: str = f"{PROGRAM}: ") -> None:
        from harness.plain import safe_text

        line = safe_text(" ".join(reason.split()))
        words(start + line)
        if "--json" in given:
            figures(tell(line, code))
        sys.exit(code)


def _usage(error: click.UsageError) -> str:
    path = error.ctx.command_path if error.ctx is not None else PROGRAM
    return f"{path}: {error.format_message().rstrip('.')}; `{path} --help` shows how"


def _unknown(error: Exception) -> str:
    """A fault of the program itself, with the place, so that it can be reported without a traceback on the screen."""
    place, trace = "", error.__traceback__
    while trace is not None:
        place = f"{os.path.basename(trace.tb_frame.f_code.co_filename)} line {trace.tb_lineno}"
        trace = trace.tb_next
    return f"program error at {place}: {type(error).__name__}: {error}; please report it"
