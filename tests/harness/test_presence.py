"""The key of a run that somebody must stay with: when it is asked for, when it is missing, who presses it."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from harness.person import SimulatedPerson
from harness.presence import MOST_S, Presence


@dataclass
class Somebody:
    """Presses the key at set times, unasked."""

    presses_s: tuple[float, ...] = ()
    now_s: float = 0.0
    asked: list[tuple[float, str]] = field(default_factory=list)
    seen: int = 0

    def here(self) -> bool:
        pressed = sum(one <= self.now_s for one in self.presses_s)
        new, self.seen = pressed > self.seen, pressed
        return new

    def wanted(self, words: str) -> None:
        self.asked.append((self.now_s, words))


CASES: dict[str, tuple[tuple[float, ...], list[float], float]] = {
    "nobody": ((), [480.0, 540.0, 570.0], 600.0),
    "once, early": ((100.0,), [580.0, 640.0, 670.0], 700.0),
    "when asked": ((481.0,), [480.0, 961.0, 1021.0, 1051.0], 1081.0),
    "in the last moment": ((599.0,), [480.0, 540.0, 570.0, 1079.0, 1139.0, 1169.0], 1199.0),
    "again and again": (tuple(300.0 * n for n in range(1, 5)), [1680.0, 1740.0, 1770.0], 1800.0),
}
"""When the key is pressed; when it is asked for; and when it has been missing for too long."""


@pytest.mark.parametrize("case", CASES)
def test_when_the_key_is_asked_for_and_when_it_is_missing(case: str) -> None:
    presses, asked, over = CASES[case]
    one, notes = Somebody(presses), []
    presence = Presence(
        one,  # type: ignore[arg-type]
        why="",
        now=lambda: one.now_s,
        note=lambda kind, **said: notes.append((kind, said["asked"])),
    )
    while presence.unwatched_s() < MOST_S:
        one.now_s += 1.0
        presence.look()
        presence.write()
    assert (one.now_s, [at for at, _ in one.asked]) == (over, asked)
    assert [kind for kind, _ in notes] == ["present"] * len(presses)
    assert one.asked[0][1].startswith("STILL THERE? Press Enter within 0:02:00 (h:mm:ss)")


def test_hands_of_a_simulated_bench_press_when_asked() -> None:
    class Sim:
        answer = "done"

        def do(self, order: str) -> str:
            assert order == "press enter"
            if not self.answer:
                raise OSError("gone")
            return self.answer

    sim = Sim()
    person = SimulatedPerson(sim)
    seen = []
    for sim.answer in ("done", "nobody is there", ""):
        seen.append(person.here())
        person.wanted("press")
        seen.append(person.here())
    assert seen == [False, True, False, False, False, False]
