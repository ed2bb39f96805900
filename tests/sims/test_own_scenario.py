"""A scenario file of one's own: every habit is a switch in it, and what somebody does at a panel has its time there."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from harness.connect import open_simulated
from harness.errors import Usage
from sims.bench import SimBench, open_bench
from sims.manners import Manners

HEAD = 'summary = "ours"\nstory = "Ours, invented."\nstory_of = "porch"\n'

HABITS = {
    "shape": '"mode"',
    "wired_channel": "1",
    "channels": "2",
    "grid": '"truncate"',
    "settle_s": "0.3",
    "restores_output": "true",
    "watchdog": '"ignored"',
    "stop": '"ignored"',
    "echo": "true",
    "ends": '"\\r\\n\\u0000"',
    "hears": '"\\r"',
    "gap_s": "0.02",
    "compound": '"first"',
    "buffer_bytes": "64",
    "banner": '"READY v1"',
    "defaults_at_open": "true",
    "idle_drop_s": "30",
    "clients_max": "1",
    "second_line": '"more"',
    "remote_needed": "true",
    "remote_words": '"NO"',
    "reply_delay_s": "0.1",
    "unit_suffix": "true",
    "quoted": "true",
    "comma": "true",
    "nr3": "true",
    "plus_sign": "true",
    "error_words": '"prefixed"',
    "no_exponent": "true",
    "baud": "9600",
    "answers_orders": '"OK"',
    "deaf_s": "0.5",
}


class Now:
    t = 0.0

    def __call__(self) -> float:
        return self.t


def opened(place: Path, text: str) -> tuple[SimBench, Now]:
    file = place / "mine.toml"
    file.write_text(HEAD + text, encoding="utf-8")
    now = Now()
    return open_bench(str(file), now=now), now


def test_every_habit_has_its_switch() -> None:
    assert set(HABITS) == {field.name for field in fields(Manners)}


@pytest.mark.parametrize("habit", HABITS)
def test_a_habit_is_switched_by_a_file(habit: str, tmp_path: Path) -> None:
    bench, _ = opened(tmp_path, f"[manners.load]\n{habit} = {HABITS[habit]}\n")
    assert bench.scenario == "mine"
    assert getattr(bench.manners["load"], habit) != getattr(Manners(), habit)
    assert bench.manners["meter"] == Manners()


@pytest.mark.parametrize(
    ("order", "question", "before", "after"),
    [
        ("local load", b"SYST:REM?\n", b"1\n", b"0\n"),
        ("reset load", b"CURR?\n", b"2.5000\n", b"0.0000\n"),
        ("turn load amps 1.5", b"CURR?\n", b"2.5000\n", b"1.5000\n"),
    ],
)
def test_what_happens_at_its_time(order: str, question: bytes, before: bytes, after: bytes, tmp_path: Path) -> None:
    bench, now = opened(tmp_path, f'[[happens]]\nat_s = 600\norder = "{order}"\n')
    line = bench.connect("load")
    line.feed(b"CURR 2.5\n")
    now.t = 599.9
    assert line.feed(question) == before
    now.t = 600.1
    assert line.feed(question) == after


REFUSED = [
    ('[[happens]]\nat_s = 1\norder = "dance load"\n', "happens.order = 'dance load': no order 'dance' like that"),
    ('[[happens]]\nat_s = 1\norder = ""\n', "happens.order = '': no order '' like that"),
    ('[[happens]]\nat_s = 1\norder = "local scope"\n', "no panel of 'scope' to be worked; there are: "),
    ('[[happens]]\nat_s = 1\norder = "turn load amps 1e9"\n', "the knob goes from 0 to "),
    ('[[happens]]\nat_s = nan\norder = "local load"\n', "happens[0].at_s = nan: seconds from 0 on are due"),
    ('[[happens]]\nat_s = -1\norder = "local load"\n', "happens[0].at_s = -1: seconds from 0 on are due"),
    ("[[happens]]\nat_s = 1\n", "at_s and order are due, and nothing else"),
    ("[happens]\nat_s = 1\n", "tables [[happens]] are due"),
    ("[manners.load]\necko = true\n", "manners.load: unknown key 'ecko'"),
    ("[manners.scope]\necho = true\n", "manners of 'scope', which it has not"),
    ("pack = 5\n", "mine.toml: "),
    ("= 5\n", "mine.toml: "),
]


@pytest.mark.parametrize(("text", "why"), REFUSED)
def test_a_file_is_refused_in_one_line(text: str, why: str, tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(HEAD + text, encoding="utf-8")
    with pytest.raises(Usage) as caught:
        open_simulated(str(file), now=lambda: 0.0, seed=None)
    assert why in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there_or_lacks_a_story(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    with pytest.raises(Usage, match=r"mine\.toml: No such file or directory; name a scenario file"):
        open_simulated(str(file), now=lambda: 0.0, seed=None)
    file.write_text('summary = "ours"\nstory = "ours"\n', encoding="utf-8")
    with pytest.raises(Usage, match=r"mine\.toml: 'pack' is missing; write it, or story_of = one of "):
        open_simulated(str(file), now=lambda: 0.0, seed=None)
    file.write_text('story_of = "nowhere"\n', encoding="utf-8")
    with pytest.raises(Usage, match="story_of = 'nowhere': there are "):
        open_simulated(str(file), now=lambda: 0.0, seed=None)
    odd = tmp_path / "a,b.toml"
    odd.write_text(HEAD, encoding="utf-8")
    with pytest.raises(Usage, match="letters, digits and - are due"):
        open_simulated(str(odd), now=lambda: 0.0, seed=None)
