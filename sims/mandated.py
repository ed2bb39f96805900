"""What every simulated instrument understands: the mandatory common commands, errors, status registers, version.

Source: IEEE 488.2-1992 10.x (the thirteen mandatory common commands), SCPI-1999 volume 1, 4.2.1 (mandated commands) and
volume 2, chapters 20 and 21 (STATus and SYSTem; clauses from memory). Transition filters, ``:ALL`` and ``:COUNt`` are
optional there and built here.

Not modelled: macros, ``*SAV``/``*RCL``, triggers, ``*PSC`` and ``*OPT?``; a self-test that finds anything.
"""

from __future__ import annotations

from collections.abc import Callable

from sims.message import Command
from sims.program_data import Number
from sims.status import OPERATION_COMPLETE, RegisterSet, Status

SCPI_VERSION = "1999.0"


def common_commands(
    status: Status, *, identity: Callable[[], str], reset: Callable[[], None], status_byte: Callable[[], int]
) -> tuple[Command, ...]:
    """The headers that begin with ``*``."""
    byte = Number(0, 255, 0, step=1)

    def put_event_enable(value: float) -> None:
        status.event_enable = int(value)

    def put_request_enable(value: float) -> None:
        # Bit 6 cannot ask for service because of itself.
        status.request_enable = int(value) & ~64

    def complete() -> None:
        status.event_status |= OPERATION_COMPLETE

    return (
        Command("*CLS", set=status.clear),
        Command("*ESE", set=put_event_enable, ask=lambda: str(status.event_enable), data=(byte,)),
        Command("*ESR", ask=lambda: str(status.read_event_status())),
        Command("*IDN", ask=identity),
        Command("*OPC", set=complete, ask=lambda: "1"),
        Command("*RST", set=reset),
        Command("*SRE", set=put_request_enable, ask=lambda: str(status.request_enable), data=(byte,)),
        Command("*STB", ask=lambda: str(status_byte())),
        Command("*TST", ask=lambda: "0"),
        Command("*WAI", set=_nothing),
    )


def mandated_commands(status: Status, *, follow: Callable[[], None]) -> tuple[Command, ...]:
    """SYSTem and STATus; ``follow`` brings the condition registers up to now."""

    def preset() -> None:
        status.operation.preset()
        status.questionable.preset()

    return (
        Command("SYSTem:ERRor[:NEXT]", ask=status.next_error),
        Command("SYSTem:ERRor:ALL", ask=status.all_errors),
        Command("SYSTem:ERRor:COUNt", ask=lambda: str(len(status.errors))),
        Command("SYSTem:VERSion", ask=lambda: SCPI_VERSION),
        Command("STATus:PRESet", set=preset),
        *register_commands("STATus:OPERation", status.operation, follow=follow),
        *register_commands("STATus:QUEStionable", status.questionable, follow=follow),
    )


def register_commands(header: str, register: RegisterSet, *, follow: Callable[[], None]) -> tuple[Command, ...]:
    """The commands of one register set."""

    def condition() -> str:
        follow()
        return str(register.condition)

    def event() -> str:
        follow()
        return str(register.read_event())

    def mask(name: str, attribute: str) -> Command:
        return Command(
            f"{header}:{name}",
            set=lambda value: setattr(register, attribute, int(value) & 32767),
            ask=lambda: str(getattr(register, attribute)),
            data=(Number(0, 65535, 0, step=1),),
        )

    return (
        Command(f"{header}[:EVENt]", ask=event),
        Command(f"{header}:CONDition", ask=condition),
        mask("ENABle", "enable"),
        mask("PTRansition", "rise"),
        mask("NTRansition", "fall"),
    )


def _nothing() -> None:
    return None
