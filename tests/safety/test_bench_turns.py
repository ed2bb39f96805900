"""Turns of the loop alone: when it looks, what it hands over, and in which order."""

from __future__ import annotations

from itertools import islice
from types import SimpleNamespace
from typing import Any

import pytest
from bench_fakes import AGAIN, BAD, Presence, made_turns

from harness.findings import Finding
from harness.stops import StoppedByPerson, Tripped

# -- when --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("every_s", "period_s", "for_s", "looked", "kept"),
    [
        (1.0, 1.0, 3.0, [0, 1, 2, 3], [0, 1, 2, 3]),
        (1.0, 1.0, 2.5, [0, 1, 2], [0, 1, 2]),
        (1.0, 1.0, 0.0, [0], [0]),
        (0.5, 1.0, 1.0, [0, 0.5, 1], [0, 0.5, 1]),
        # the loop never runs slower than its period
        (3.0, 1.0, 6.0, [0, 1, 2, 3, 4, 5, 6], [0, 3, 6]),
        (2.5, 1.0, 2.5, [0, 2.5 / 3, 5 / 3, 2.5], [0, 2.5]),
        # what sums and quotients of tenths leave over is none: 0.1 + 0.1 + 0.1 > 0.3, and 2.1 / 0.7 > 3
        (0.1, 0.1, 0.3, [0, 0.1, 0.2, 0.3], [0, 0.1, 0.2, 0.3]),
        (2.1, 0.7, 2.1, [0, 0.7, 1.4, 2.1], [0, 2.1]),
        (1.0, 1.0, None, list(range(20)), list(range(20))),
    ],
)
def test_when_it_looks(every_s: float, period_s: float, for_s: float | None, looked: Any, kept: Any) -> None:
    turns, bench, _ = made_turns(period_s=period_s)
    handed = [one.elapsed_s for one in islice(turns.samples(every_s=every_s, for_s=for_s), 20)]
    assert bench.loop.looked_at_s == pytest.approx(looked, abs=1e-6)
    assert handed == pytest.approx(kept, abs=1e-6)
    assert bench.log.rows == pytest.approx(kept, abs=1e-6)


@pytest.mark.parametrize(
    ("late_s", "looked"),
    [
        (0.5, [0, 1, 2, 3, 4, 5]),
        (1.5, [0, 1, 2, 3.5, 4, 5]),
        (2.0, [0, 1, 2, 4, 4, 5]),
        (2.5, [0, 1, 2, 4.5, 5.5]),
        (60.0, [0, 1, 2, 62]),
    ],
)
def test_who_fell_behind_by_more_than_a_turn_goes_on_from_now(late_s: float, looked: list[float]) -> None:
    turns, bench, _ = made_turns()
    for seen in turns.samples(every_s=1.0, for_s=None):
        if seen.elapsed_s == 2.0:
            bench.clock.sleep(late_s)
        if seen.elapsed_s >= 5.0:
            break
    assert bench.loop.looked_at_s == looked


# -- one turn ----------------------------------------------------------------------------------------------------------


def test_the_order_of_a_turn() -> None:
    shown: list[Any] = []
    turns, bench, did = made_turns(show=lambda *told: (did.append("show"), shown.append(told)))
    bench.presence = Presence(did)
    handed = next(turns.samples(every_s=1.0, for_s=None))
    assert did == ["asked?", "there?", "look", "beat", "errors", "there!", "marks", "row", "record?", "show"]
    assert shown == [(handed, "watch of rest", "interlocks")]
    assert bench.beats.samples == 1
    list(turns.samples(every_s=1.0, for_s=2.0))
    assert bench.beats.samples == 4


def test_a_turn_that_is_not_recorded_is_judged_all_the_same() -> None:
    turns, _, did = made_turns(show=lambda *told: did.append("show"))
    looks = turns.samples(every_s=2.0, for_s=None)
    next(looks)
    did.clear()
    next(looks)
    one = ["asked?", "look", "beat", "errors", "marks"]
    assert did == [*one, *one, "row", "record?", "show"]


def test_what_it_finds_ends_the_run_before_anything_else() -> None:
    turns, bench, did = made_turns()
    bench.presence = Presence(did)
    bench.loop.given = [({}, BAD)]
    with pytest.raises(Tripped, match="too high"):
        next(turns.samples(every_s=1.0, for_s=None))
    assert did[:3] == ["asked?", "there?", "look"]
    assert did[3][:2] == ("trip", BAD)
    assert did[3][2].elapsed_s == 0.0
    assert len(did) == 4
    assert bench.beats.samples == 0


def test_a_frightening_sample_is_seen_twice() -> None:
    """It is handed over; so is the second, which was not due: a tenth of a second later, and it decides."""
    turns, bench, did = made_turns()
    bench.loop.given = [({}, None), ({}, AGAIN), ({}, None)]
    handed = [one.elapsed_s for one in turns.samples(every_s=3.0, for_s=3.0)]
    assert bench.loop.looked_at_s == [0, 1, 1.1, 2, 3]
    assert handed == pytest.approx([0, 1, 1.1, 3])
    assert bench.log.rows == pytest.approx([0, 1, 1.1, 3])
    assert did.count("beat") == bench.beats.samples == 5


@pytest.mark.parametrize(
    ("given", "handed", "tripped_s"),
    [
        ([AGAIN, BAD], [0.0], 0.1),
        # Whoever frightens the second time may be another one: asked once more, and not a third time.
        ([AGAIN, AGAIN, BAD], [0.0, 0.1], 0.2),
        ([AGAIN, AGAIN, AGAIN], [0.0, 0.1], 0.2),
    ],
)
def test_a_sample_that_frightens_again_ends_the_run(
    given: list[Finding], handed: list[float], tripped_s: float
) -> None:
    turns, bench, did = made_turns()
    bench.loop.given = [({}, finding) for finding in given]
    seen: list[float] = []
    with pytest.raises(Tripped):
        seen.extend(one.elapsed_s for one in turns.samples(every_s=1.0, for_s=None))
    assert bench.log.rows == pytest.approx(handed)
    word, finding, sample = did[-1]
    assert (word, finding, sample.elapsed_s) == ("trip", given[-1], pytest.approx(tripped_s))


def test_two_that_frighten_and_a_third_look_that_does_not() -> None:
    turns, bench, _ = made_turns()
    bench.loop.given = [({}, AGAIN), ({}, AGAIN), ({}, None)]
    handed = [one.elapsed_s for one in turns.samples(every_s=1.0, for_s=1.0)]
    assert bench.loop.looked_at_s == pytest.approx([0, 0.1, 0.2, 1])
    assert handed == pytest.approx([0, 0.1, 0.2, 1])
    assert bench.log.rows == pytest.approx(handed)


@pytest.mark.parametrize("given", [[({}, None)], [({}, AGAIN)]])
def test_what_has_ended_the_run_is_said_again_before_the_next_look(given: Any) -> None:
    """Also between the two looks at one frightening sample: whoever was handed the first may have ended the run."""
    turns, bench, _ = made_turns()
    bench.loop.given = given
    looks = turns.samples(every_s=1.0, for_s=None)
    next(looks)
    bench.stopping.stopped = Tripped("ended before")
    with pytest.raises(Tripped, match="ended before"):
        next(looks)
    assert bench.loop.looked_at_s == [0]


def test_a_stop_that_was_asked_for_comes_before_the_next_look() -> None:
    turns, bench, did = made_turns()
    looks = turns.samples(every_s=1.0, for_s=None)
    next(looks)
    bench.flag.ask("SIGINT")
    with pytest.raises(StoppedByPerson):
        next(looks)
    assert bench.loop.looked_at_s == [0]
    assert did[-1] == "asked?"


def test_a_record_that_failed_ends_the_run_before_the_sample_is_handed_over() -> None:
    turns, bench, did = made_turns()
    bench.stopping.record_failed = True
    with pytest.raises(Tripped, match="record failed"):
        next(turns.samples(every_s=1.0, for_s=None))
    assert did[-2:] == ["row", "record?"]


def test_marks_come_with_the_next_sample_that_is_handed_over() -> None:
    turns, bench, _ = made_turns()
    bench.log.given = [(), ("a",), ("b", "c")]
    handed = list(turns.samples(every_s=3.0, for_s=6.0))
    assert [one.marks for one in handed] == [(), ("a", "b", "c"), ()]
    bench.person = SimpleNamespace(marks=lambda: ("beeps",))
    assert next(turns.samples(every_s=1.0, for_s=None)).marks == ("beeps",)
