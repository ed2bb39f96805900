"""What a person types before a run is left alone: off the thing itself, never yes or no, kept for half an hour."""

from __future__ import annotations

import json
import string
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness import acknowledging
from harness.acknowledging import QUESTIONS, SAYS_NOTHING, ask_all, layers_of, remember, remembered, seal
from harness.barriers import Facts, Tried, table
from harness.earth import why_not
from harness.errors import PreflightRefused
from harness.job import Job, Ready, prepare
from harness.locks import state_dir
from harness.person import AtTheTerminal, Person, SimulatedPerson
from harness.procedure import procedures
from sims.bench import open_bench

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
SAID = {"load": "ACME,L-1,77,1.0", "supply": "ACME,P-1,12,1.0"}
GOOD = {
    "chemistry": "LiFePO4",
    "cells": "8",
    "ah": "10 Ah",
    "bms": "2.2 V",
    "bms_temp": "60",
    "polarity": "+26.3 V",
    "fuse": "30 A",
    "joints": "ring lugs, torque wrench, 3 Nm",
    "thermometer": "case, middle, under tape",
    "tray": "steel tray on concrete",
    "clear": "110 cm",
    "detector": "ceiling above the bench",
    "parted": "red plug, pulled and put back at 21:00",
    "reachable": "R. Winter 0170 555",
    "room": "17.5",
    "air": "window ajar",
}


class Typing(Person):
    """Somebody who types what they are told to, and counts what they were asked."""

    def __init__(self, answers: dict[str, str | list[str] | None]) -> None:
        self.answers = {key: list(a) if isinstance(a, list) else a for key, a in answers.items()}
        self.asked: list[str] = []

    def order(self, order: str) -> None:
        raise AssertionError(order)

    def done(self) -> bool:
        return True

    def marks(self) -> tuple[str, ...]:
        return ()

    def tell(self, question: str, prompt: str) -> str | None:
        assert prompt.endswith(": ")
        self.asked.append(question)
        answer = self.answers[question]
        return answer.pop(0) if isinstance(answer, list) else answer


@pytest.fixture(autouse=True)
def _own_state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTBENCH_STATE", str(tmp_path / "state"))


@pytest.fixture
def ready(files: Any) -> Callable[..., Ready]:
    written = files()

    def made(*sets: str, procedure: str = "capacity") -> Ready:
        return prepare(Job(procedures()[procedure], written.bench, written.pack, sets=sets))

    return made


def ask(ready: Ready, **changes: Any) -> dict[str, str]:
    return ask_all(ready, Typing({**GOOD, **changes}), stopped=lambda: False)


def test_everything_that_goes_for_a_discharge_is_asked(ready: Callable[..., Ready]) -> None:
    answers = ask(ready("charge_first=false"))
    assert set(answers) == set(GOOD) - {"room", "air"}
    assert set(ask(ready())) == set(GOOD) - {"air"}, "charging lithium asks for the room"


WRONG = [
    ("chemistry", "lead-acid", 'chemistry = "lifepo4"'),
    ("chemistry", "yes", 'chemistry = "lifepo4"'),
    ("bms_temp", "75", "bms_temp_max_c = 60"),
    ("polarity", "-26.3", "16 to 30.4 V expected"),
    ("polarity", "13.1", "16 to 30.4 V expected"),
    ("polarity", "nan", "16 to 30.4 V expected"),
    ("polarity", "yes", "16 to 30.4 V expected"),
    ("parted", "yes", "some words|about the thing"),
    ("cells", "4", "cells_in_series = 8"),
    ("ah", "10000", "rated_ah = 10"),
    ("ah", "ten", "rated_ah = 10"),
    ("bms", "2.8", "bms_cell_low_volts = 2.2"),
    ("fuse", "15", "fuse_amps = 30"),
    ("fuse", "nan", "fuse_amps = 30"),
    ("joints", "yes", "about the thing itself"),
    ("thermometer", "y", "about the thing itself"),
    ("tray", "none", "says nothing|says nothing about"),
    ("tray", "ok fine", "says nothing"),
    ("clear", "99", "at least 100 cm"),
    ("clear", "nan", "at least 100 cm"),
    ("clear", "inf", "at least 100 cm"),
    ("detector", "no detector here", "says nothing"),
    ("detector", "", "nothing typed"),
    ("reachable", "Winter", "the number under which"),
    ("reachable", "0170 555", "some words"),
    ("reachable", "nobody, 000", "says nothing"),
    ("room", "9.9", "at least 10 degC"),
    ("room", "-3", "at least 10 degC"),
]


@pytest.mark.parametrize(("key", "typed", "words"), WRONG, ids=[f"{key}: {typed}" for key, typed, _ in WRONG])
def test_what_does_not_fit_the_thing_is_refused(ready: Callable[..., Ready], key: str, typed: str, words: str) -> None:
    with pytest.raises(PreflightRefused, match=words) as refused:
        ask(ready(), **{key: typed})
    assert "nothing was switched on" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_number_off_a_label_is_asked_for_once_and_words_three_times(ready: Callable[..., Ready]) -> None:
    person = Typing({**GOOD, "cells": "9"})
    with pytest.raises(PreflightRefused):
        ask_all(ready(), person, stopped=lambda: False)
    assert person.asked == ["chemistry", "cells"], "it is not guessed until it fits"
    person = Typing({**GOOD, "tray": ["y", "ok", "steel"]})
    assert ask_all(ready(), person, stopped=lambda: False)["tray"] == "steel"
    assert person.asked.count("tray") == 3


def test_another_chemistry_is_not_guessed_until_it_fits(ready: Callable[..., Ready]) -> None:
    person = Typing({**GOOD, "chemistry": ["lead acid", "LFP"]})
    with pytest.raises(PreflightRefused):
        ask_all(ready(), person, stopped=lambda: False)
    assert person.asked == ["chemistry"]


EARTH = [("0 0", ""), ("29.9, -60", ""), ("30.1 0", "not isolated"), ("0 60.1", "not isolated"), ("nan 0", "not"),
         ("inf 0", "not"), ("", "nothing typed"), (None, "nothing typed"), ("0", "two"), ("yes", "two")]  # fmt: skip


@pytest.mark.parametrize(("typed", "words"), EARTH)
def test_volts_of_a_ups_s_poles_to_earth(typed: str | None, words: str) -> None:
    why = why_not(typed)
    assert bool(why) is bool(words)
    assert words in why


def test_prompts_fit_a_line() -> None:
    assert all(len(question.prompt) + len(": ") <= 78 for question in QUESTIONS)


def test_nobody_there_and_a_stop(ready: Callable[..., Ready]) -> None:
    with pytest.raises(PreflightRefused, match="nobody is there; start it from a terminal, no option answers it"):
        ask(ready(), fuse=None)
    person = Typing(dict(GOOD))
    assert len(ask_all(ready(), person, stopped=lambda: len(person.asked) >= 3)) == 3


NO_ANSWER = st.lists(st.sampled_from(sorted(SAYS_NOTHING)), min_size=1, max_size=4).map(" ".join)


@given(words=NO_ANSWER | st.text(alphabet=string.punctuation + " 1", max_size=12), upper=st.booleans())
def test_yes_and_no_answer_no_question(words: str, upper: bool) -> None:
    typed = words.upper() if upper else words
    for question in QUESTIONS:
        if question.judge is acknowledging._words or question.judge is acknowledging._reachable:
            assert question.judge(None, typed or "nothing")  # type: ignore[arg-type]


def test_simulated_hands_answer_every_question(files: Any) -> None:
    for scenario in ("cabinet", "porch"):
        sim = open_bench(scenario, now=lambda: 0.0)
        made = files(scenario)
        one = prepare(Job(procedures()["capacity"], made.bench, made.pack))
        answers = ask_all(one, SimulatedPerson(sim), stopped=lambda: False)
        assert set(answers) == {question.key for question in QUESTIONS if question.asked(one)}
        assert all(sim.tell(question.key) for question in QUESTIONS)
        assert sim.tell("what is the meaning of all this") == ""


def test_answers_are_what_the_table_counts() -> None:
    layers = layers_of(GOOD)
    charging = Facts(charging=True, charge_it=0.2, supply="supply", supply_stop="settable")
    asked = table(charging, Tried(load_stop="2026-01-02", supply_stop="2026-01-02", bms_high="2026-01-02"))
    typed = table(
        charging, Tried(load_stop="2026-01-02", supply_stop="2026-01-02", bms_high="2026-01-02", typed=layers)
    )
    assert [row.enough for row in asked] == [row.enough for row in typed] == [True] * len(asked)
    assert [len(row.outside) for row in asked] == [len(row.outside) for row in typed]


# -- kept --------------------------------------------------------------------------------------------------------------


def kept(ready: Ready, *, said: dict[str, str] = SAID, after: timedelta = timedelta(0)) -> dict[str, str]:
    return remembered(ready, seal(ready, said), now=NOW + after)[0]


@pytest.fixture
def answered(ready: Callable[..., Ready]) -> Ready:
    one = ready("charge_first=false")
    remember(seal(one, SAID), ask(one), now=NOW)
    return one


@pytest.mark.parametrize(
    ("after", "there"),
    [
        (timedelta(0), True),
        (timedelta(minutes=30), True),
        (timedelta(minutes=30, seconds=1), False),
        (-timedelta(seconds=1), False),
    ],
)
def test_for_half_an_hour(answered: Ready, after: timedelta, there: bool) -> None:
    assert bool(kept(answered, after=after)) is there


def test_for_the_same_plan_files_and_instruments_only(answered: Ready, ready: Callable[..., Ready]) -> None:
    assert kept(answered)
    assert not kept(ready("charge_first=false", "rate_it=0.1"))
    assert not kept(ready())
    assert not kept(answered, said={**SAID, "load": "ACME,L-1,78,1.0"})
    assert not kept(answered, said={**SAID, "load": "ACME,L-1,77,1.1"})
    for kind in ("bench", "pack_file"):
        file = replace(getattr(answered.site, kind), sha256="0" * 64)
        assert not kept(replace(answered, site=replace(answered.site, **{kind: file})))


def test_a_note_that_was_changed_or_copied_counts_for_nothing(answered: Ready, ready: Callable[..., Ready]) -> None:
    (note,) = state_dir().glob("*.typed.json")
    whole = json.loads(note.read_bytes())
    other = ready("charge_first=false", "rate_it=0.1")
    copied = note.with_name(f"{seal(other, SAID)[:24]}.typed.json")
    copied.write_text(json.dumps(whole))
    assert not kept(other), "another run's answers"
    for change in ({"when": (NOW + timedelta(hours=1)).isoformat()}, {"answers": {**whole["answers"], "tray": "wood"}}):
        note.write_text(json.dumps(whole | change))
        assert not kept(answered, after=timedelta(hours=1))
        assert not kept(answered)
    note.write_text("{")
    assert not kept(answered)
    assert (note.stat().st_mode & 0o077) == 0, "names and numbers of people are nobody else's"


def test_at_the_terminal_the_watcher_is_asked() -> None:
    class Screen:
        def typed(self, question: str, prompt: str) -> str:
            return f"{question} {prompt}"

    assert AtTheTerminal(Screen()).tell("fuse", "Amps: ") == "fuse Amps: "  # type: ignore[arg-type]
