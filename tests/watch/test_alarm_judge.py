"""When somebody is told, and what: tables of looks, played on a clock of the test's own."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from night import SHORT, spend
from watched import Running, sample, seen

from harness.alarm_judge import AGAIN_MOST, NEAR_LOOKS, NEAR_SHARE, AlarmJudge, Message
from harness.folder import RunFolder
from harness.following import Follower, Seen
from harness.guard_log import GuardsWord
from harness.interlocks import Interlocks
from harness.live import Live
from harness.result import OffConfirmation, Result

T0 = datetime(2026, 1, 2, 20, 0, tzinfo=UTC)


class Play:
    """Looks two seconds apart."""

    def __init__(self) -> None:
        self.judge, self.now_s, self.grown = AlarmJudge("porch"), 0.0, 0

    def look(self, one: Seen, *, after_s: float = 2.0) -> list[Message]:
        self.now_s += after_s
        return list(self.judge.push(one, utc=T0 + timedelta(seconds=self.now_s), wall_s=self.now_s))

    def well(self, **more: Any) -> list[Message]:
        """A look at a run that goes on."""
        self.grown += 1
        return self.look(seen(grown=(self.grown,), **more))


def result(outcome: Any, reason: str = "low volts: 9.1 V", *, confirmed: bool = True) -> Result:
    return Result(
        procedure="capacity", name="porch", simulated=False, started="2026-01-02T20:00:00Z", outcome=outcome,
        end_reason=reason, off_confirmation=OffConfirmation(confirmed=confirmed, how="load said off"),
    )  # fmt: skip


def over(outcome: str, *, guard: GuardsWord | None = None, **more: Any) -> Seen:
    made = None if outcome == "interrupted" else result(outcome, confirmed=outcome != "unsafe")
    return seen(outcome=outcome, live=None, result=made, guard=guard, **more)


def near(share: float | None, words: str = "low volts") -> Live:
    return Live(period_s=1.0, nearest=words, nearest_share=share)


@pytest.mark.parametrize("outcome", ["finished", "stopped", "tripped", "refused"])
def test_an_end_is_told_once(outcome: str) -> None:
    play = Play()
    assert play.well() == []
    (told,) = play.look(over(outcome))
    assert (told.kind, told.loud, play.judge.over) == ("end", False, True)
    assert outcome in told.title
    assert "off confirmed: load said off" in told.text
    assert play.look(over(outcome)) == []


def test_a_trip_is_told_at_once_and_once() -> None:
    play = Play()
    events = ({"kind": "trip", "text": "low volts: 9.1 V"},)
    (told,) = play.well(events=events)
    assert (told.kind, told.loud) == ("trip", True)
    assert "low volts: 9.1 V" in told.text
    assert "13 V, 5 A, 25 degC" in told.text
    assert play.well(events=events) == []


def test_off_not_confirmed_is_told_again_until_enough() -> None:
    play, told = Play(), []
    for _ in range(10_000):
        told += play.look(over("unsafe"))
        if play.judge.over:
            break
    assert [(one.kind, one.loud) for one in told] == [("end", True)] * AGAIN_MOST
    assert all("OFF NOT CONFIRMED" in one.title for one in told)
    assert all("off NOT CONFIRMED: load said off" in one.text for one in told)


def test_a_death_is_told_and_then_its_guards_word() -> None:
    play = Play()
    play.well()
    (told,) = play.look(over("interrupted"))
    assert told.loud
    assert "measure before touching" in told.text
    assert not play.judge.over
    word = GuardsWord("its guard acted: no beat; off confirmed after 0.4 s", T0)
    (told,) = play.look(over("interrupted", guard=word))
    assert (told.loud, play.judge.over) == (False, True)
    assert "off confirmed after 0.4 s" in told.text


def test_a_guard_that_did_not_see_off_ends_nothing() -> None:
    play = Play()
    word = GuardsWord("its guard acted: no beat; it did NOT say that the bench was off after it", None)
    (told,) = play.look(over("interrupted", guard=word))
    assert "did NOT say" in told.text
    assert not play.judge.over
    assert len(play.look(over("interrupted", guard=word), after_s=301.0)) == 1


def test_a_limit_is_near_after_some_looks_and_told_once_until_far() -> None:
    play = Play()
    low = NEAR_SHARE / 2
    assert [len(play.well(live=near(low))) for _ in range(NEAR_LOOKS + 20)] == [0] * (NEAR_LOOKS - 1) + [1] + [0] * 20
    play.well(live=near(0.5))
    assert sum(len(play.well(live=near(low))) for _ in range(NEAR_LOOKS)) == 1
    assert sum(len(play.well(live=near(low, "high volts"))) for _ in range(NEAR_LOOKS)) == 1


@pytest.mark.parametrize("share", [None, NEAR_SHARE, 0.06, 1.0])
def test_not_near(share: float | None) -> None:
    play = Play()
    assert sum(len(play.well(live=near(share))) for _ in range(50)) == 0


def test_one_noisy_look_alarms_nobody() -> None:
    play = Play()
    assert sum(len(play.well(live=near(0.0 if n % NEAR_LOOKS else 0.4))) for n in range(100)) == 0


def test_silence_is_told_again_and_over_when_it_goes_on() -> None:
    play = Play()
    play.well()
    still = seen(grown=(play.grown,))
    assert sum(len(play.look(still)) for _ in range(15)) == 0
    (told,) = play.look(still)
    assert (told.kind, told.loud) == ("silent", True)
    assert play.look(still) == []
    assert len(play.look(still, after_s=301.0)) == 1
    assert play.well() == []
    still = seen(grown=(play.grown,))
    assert len(play.look(still, after_s=60.0)) == 1


def test_after_an_hour_of_silence_its_death_is_still_told() -> None:
    play = Play()
    still = seen(grown=(1,))
    told = [one for _ in range(3000) for one in play.look(still)]
    assert len(told) == AGAIN_MOST
    (died,) = play.look(over("interrupted"))
    assert "DIED" in died.title


def test_a_slow_loop_is_not_silent_and_a_calendar_that_is_set_tells_no_lie() -> None:
    play = Play()
    still = seen(grown=(1,), live=Live(period_s=10.0))
    assert sum(len(play.look(still)) for _ in range(45)) == 0
    play = Play()
    play.well()
    assert list(play.judge.push(seen(grown=(9,)), utc=T0 + timedelta(hours=9), wall_s=4.0)) == []


def test_simulated_is_said_in_every_title() -> None:
    play = Play()
    told = [
        *play.well(simulated=True, events=({"kind": "trip", "text": "x"},)),
        *play.look(over("unsafe", simulated=True)),
        *Play().look(over("finished", simulated=True)),
    ]
    assert len(told) == 3
    assert all(one.title.startswith("SIMULATED: ") for one in told)


def test_hostile_words_stay_words() -> None:
    play = Play()
    (told,) = play.well(
        events=({"kind": "trip", "text": "\x1b[2Jgone\nSubject: x"},), last=sample(state="\x1b]0;x\x07")
    )
    assert "\x1b" not in told.title + told.text


@pytest.mark.parametrize("name", SHORT)
def test_a_night_that_ends_well_alarms_of_its_end_only(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shares: list[float] = []
    judge = Interlocks.judge

    def watched(self: Interlocks, one: Any, watch: Any) -> Any:
        if (found := self.nearest(one, watch)) is not None:
            shares.append(found[1])
        return judge(self, one, watch)

    monkeypatch.setattr(Interlocks, "judge", watched)
    night = spend(tmp_path, SHORT[name])
    assert min(shares) > 2 * NEAR_SHARE
    (folder,) = tmp_path.rglob("samples.csv")
    told = Play().look(Follower(RunFolder.open(folder.parent)).look())
    assert [(one.kind, one.loud) for one in told] == [("end", False)], night


def test_a_real_folder_from_beginning_to_end(tmp_path: Path) -> None:
    run, play = Running(tmp_path), Play()
    follower = Follower(RunFolder.open(run.folder.path))
    run.goes_on(2)
    assert play.look(follower.look()) == []
    run.recorder.event("trip", text="low volts: 9.1 V")
    assert [one.kind for one in play.look(follower.look())] == ["trip"]
    run.ends("tripped", "low volts: 9.1 V", 21)
    (told,) = play.look(follower.look())
    assert told.title == f"SIMULATED: ended, tripped: {'porch'}"
