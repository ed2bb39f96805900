"""Two threads on one instrument: no reply crosses over to the other.

Public sources: pyvisa/pyvisa#726, #656, pyvisa/pyvisa-py#220.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable

from scripted import Script

from drivers.scpi import number
from drivers.session import Session

Opened = Callable[..., Session]

QUESTIONS = 10_000


def run(*works: Callable[[], None]) -> None:
    """Each in a thread of its own; the first that raised is raised here."""
    faults: list[BaseException] = []

    def guarded(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as fault:
            faults.append(fault)

    threads = [threading.Thread(target=guarded, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(100)
    if faults:
        raise faults[0]


def test_volts_and_amps(opened: Opened, script: Script) -> None:
    count = itertools.count()
    script.replies |= {
        b"MEAS:VOLT?": lambda: [b"12.%03d\n" % (next(count) % 1000)],
        b"MEAS:CURR?": lambda: [b"1.%03d\n" % (next(count) % 1000)],
    }
    session = opened(timeout_s=5.0)
    got: dict[str, list[float]] = {"V": [], "A": []}

    def ask(message: str, unit: str) -> None:
        for _ in range(QUESTIONS // 2):
            got[unit].append(number(session.ask(message), unit=unit))

    run(lambda: ask("MEAS:VOLT?", "V"), lambda: ask("MEAS:CURR?", "A"))
    assert {unit: len(values) for unit, values in got.items()} == {"V": QUESTIONS // 2, "A": QUESTIONS // 2}
    assert all(12 <= volts < 13 for volts in got["V"])
    assert all(1 <= amps < 2 for amps in got["A"])
    assert session.openings == 1


def test_channel_and_question_stay_together(opened: Opened, script: Script) -> None:
    """Which channel is selected is one for all: selecting and asking must not be torn apart by the other thread."""
    selected = [0]

    def select(channel: int) -> Callable[[], list[object]]:
        return lambda: selected.__setitem__(0, channel) or []

    script.replies |= {b"INST:NSEL 1": select(1), b"INST:NSEL 2": select(2)}
    script.replies[b"MEAS:VOLT?"] = lambda: [b"%d.5\n" % selected[0]]
    session = opened(timeout_s=5.0)
    wrong: list[bytes] = []

    def ask(channel: int) -> None:
        for _ in range(200):
            with session.held():
                session.tell(f"INST:NSEL {channel}")
                answer = session.ask("MEAS:VOLT?")
            if answer != b"%d.5" % channel:
                wrong.append(answer)

    run(lambda: ask(1), lambda: ask(2))
    assert wrong == []
