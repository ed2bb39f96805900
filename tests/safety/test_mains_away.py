"""A UPS that has mains although its switch says open, and whose node is dead all the same.

Ours: a relay had welded, or somebody put a plug into another socket, seconds before the end of a sweep. The charger
found no battery and only pulsed, the voltmeter read 0 V, and the run said that everything was off.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import grid_pack
import pytest
from grid_moments import reference
from grid_play import play

from harness.mains_away import AWAY_S, MainsAway
from harness.procedure import procedures

MOMENTS = [("safe-off", "off"), ("ending", "last samples"), ("holding", "battery, mains off")]


@pytest.mark.parametrize(("phase", "moment"), MOMENTS)
def test_the_live_output_of_a_dead_node_is_no_off(phase: str, moment: str, tmp_path: Path) -> None:
    at = reference("voltage-floor", "stand-in", "short", "plain").moments[phase][moment]
    scene = play(tmp_path, procedures()["voltage-floor"], "stand-in", at=at, spoil=grid_pack.mains_stays)
    assert scene.world.ups.mains_on
    assert scene.exit_code == 99, scene.reason
    assert any("TREAT THE BENCH AS LIVE" in text for text in scene.said)


def test_where_nothing_tells_of_the_output_nothing_is_said_of_it(tmp_path: Path) -> None:
    """What is left without the contact: the switch's own word, which README says is none."""

    def without(facts: Any) -> Any:
        return replace(facts, fitted=tuple(name for name in facts.fitted if name != "output"))

    scene = play(tmp_path, procedures()["voltage-floor"], "stand-in", facts=without)
    assert scene.exit_code == 0, scene.reason


class _Contact:
    def __init__(self, *answers: bool | None) -> None:
        self.answers = list(answers)

    def __call__(self) -> bool | None:
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


@pytest.mark.parametrize(
    ("answers", "there", "waited_s"),
    [
        ((False,), False, AWAY_S),
        ((True,), True, 0.0),
        ((False, False, False, True), True, 3.0),
        ((False, False, False, False, False, True), True, AWAY_S),
        ((None,), False, 0.0),
        ((False, None), False, 1.0),
    ],
)
def test_it_is_watched_for_as_long_as_a_ups_takes(
    answers: tuple[bool | None, ...], there: bool, waited_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    waited: list[float] = []
    looks = MainsAway(_NoRig(), wait=waited.append)  # type: ignore[arg-type]
    monkeypatch.setattr(MainsAway, "_closed", lambda self: closed())
    closed = _Contact(*answers)
    assert looks.still_there() is there
    assert sum(waited) == waited_s
    waited.clear()
    assert looks.still_there() is (closed.answers[0] is True)
    assert waited == [], "the second time it is known how long it takes"


class _NoRig:
    """A rig whose bench file names no contact."""

    drivers: dict[str, Any] = {}  # noqa: RUF012 - never changed

    @property
    def bench_file(self) -> Any:
        return self

    def sensing(self, what: str) -> None:
        return None
