"""What the screen asks a person, and what it does when nobody answers."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from screen_said import Said

import harness.screen
from harness.asking import entered, typed_line
from harness.errors import PreflightRefused
from harness.job import Job, Ready, prepare
from harness.procedure import procedures
from harness.screen import Screen
from sims.bench import open_bench


@pytest.fixture
def keyboard(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Somebody sits there; what is typed comes out of standard input."""
    read, write = os.pipe()
    with open(read, encoding="utf-8") as reader, open(write, "w", encoding="utf-8") as writer:
        monkeypatch.setattr(sys, "stdin", reader)
        for module in ("harness.screen", "harness.asking"):
            monkeypatch.setattr(f"{module}.interactive", lambda: True)

        def types(text: str) -> None:
            writer.write(text)
            writer.flush()

        yield types


@pytest.mark.parametrize(
    ("typed", "good"), [("8\n", True), (" 8 \n", True), ("4\n", False), ("\n", False), ("x\n", False)]
)
def test_the_label_is_read_by_a_person(keyboard: Any, ready: Ready, said: Said, typed: str, good: bool) -> None:
    keyboard(typed)
    screen = Screen(wall=lambda: 0.0)
    if good:
        screen.acknowledge(ready)
    else:
        with pytest.raises(PreflightRefused, match=r"cells_in_series = 8 in .*pack\.toml"):
            screen.acknowledge(ready)
    assert "Cells in series" in said.getvalue()


@pytest.fixture
def ups_ready(files: Callable[..., Any], tmp_path: Path) -> Ready:
    ups = tmp_path / "ups.toml"
    ups.write_text(open_bench("cabinet", now=lambda: 0.0).ups_toml(), encoding="utf-8")
    return prepare(Job(procedures()["voltage-floor"], files().bench, None, ups=ups))


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        (("{name}", "24", "0.2 13.6"), ""),
        (("{name}", " 24.0 V ", "0, 0"), ""),
        (("{name}", "24", "31 0"), "31 V AC and 0 V DC to earth, at most 30 V AC and 60 V DC"),
        (("{name}", "24", None), "nothing typed, two numbers needed"),
        (("{name}", "12"), "12 V typed, nominal_dc_volts = 24"),
        (("{name}", "48"), "48 V typed, nominal_dc_volts = 24"),
        (("{name}", "nan"), "nan V typed"),
        (("{name}", ""), "nothing V typed"),
        (("{name}", None), "nothing V typed"),
        (("another", "24"), "another typed"),
        (("", "24"), "nothing typed"),
    ],
)
def test_the_battery_volts_of_a_ups_are_read_by_a_person(
    ups_ready: Ready, said: Said, typed: tuple[str | None, ...], why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Ours: its name alone was asked for, and stood in the question; a file for 24 V put 27 V onto a UPS for 12 V.
    answers = iter(one and one.format(name=ups_ready.site.name) for one in typed)
    monkeypatch.setattr(harness.screen, "interactive", lambda: True)
    monkeypatch.setattr(harness.screen, "typed_line", lambda _prompt, *, stop: next(answers))
    screen = Screen(wall=lambda: 0.0)
    if not why:
        screen.wired(ups_ready)
        return
    with pytest.raises(PreflightRefused, match=re.escape(why)):
        screen.wired(ups_ready)
    assert "UPS unplugged from mains" in " ".join(said.getvalue().split())


def test_the_stop_key_while_a_ups_is_wired(ups_ready: Ready, said: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen(wall=lambda: 0.0)
    prompts: list[str] = []

    def prompted(prompt: str, *, stop: Callable[[], bool]) -> None:
        prompts.append(prompt)
        screen.signalled("SIGINT")

    monkeypatch.setattr(harness.screen, "interactive", lambda: True)
    monkeypatch.setattr(harness.screen, "typed_line", prompted)
    screen.wired(ups_ready)  # the run itself sees that it was asked to stop, before it switches anything on
    assert len(prompts) == 1


def test_nobody_there_to_wire_a_ups(ups_ready: Ready, said: Said) -> None:
    with pytest.raises(PreflightRefused, match="nobody is there"):
        Screen(wall=lambda: 0.0).wired(ups_ready)


def test_the_stop_key_at_the_prompt(keyboard: Any, ready: Ready, monkeypatch: pytest.MonkeyPatch) -> None:
    screen = Screen(wall=lambda: 0.0)
    asked: list[Any] = []

    def prompted(_prompt: str, *, stop: Callable[[], bool]) -> None:
        screen.signalled("SIGINT")
        asked.append(stop())

    monkeypatch.setattr(harness.screen, "typed_line", prompted)
    screen.acknowledge(ready)  # the run itself sees that it was asked to stop, before it switches anything on
    assert asked == [True]


def test_nobody_there_to_read_the_label(ready: Ready, said: Said) -> None:
    with pytest.raises(PreflightRefused, match="--label-cells N"):
        Screen(wall=lambda: 0.0).acknowledge(ready)
    Screen(wall=lambda: 0.0, label_cells=8).acknowledge(ready)
    with pytest.raises(PreflightRefused, match="4 cells typed, cells_in_series = 8"):
        Screen(wall=lambda: 0.0, label_cells=4).acknowledge(ready)


def test_a_typed_line_ends_by_a_stop_or_the_end_of_input(keyboard: Any, said: Said) -> None:
    looks = iter([False, False, True])
    assert typed_line("? ", stop=lambda: next(looks)) is None
    keyboard("yes\n")
    assert typed_line("? ", stop=lambda: False) == "yes"


def test_taking_over_when_off_is_not_confirmed(keyboard: Any, said: Said) -> None:
    screen = Screen(wall=lambda: 0.0)
    assert screen.acknowledged_unsafe("LD-7") is False
    assert "type the serial number LD-7" in said.getvalue()
    keyboard("off\n")
    assert screen.acknowledged_unsafe("LD-7") is False
    keyboard("what\n\nis it\nLD-7\n")  # all that was typed is taken at once
    assert screen.acknowledged_unsafe("LD-7") is True
    assert said.getvalue().count("LD-7") == 1
    assert screen.acknowledged_unsafe("") is False, "without a serial number there is nothing to type"
    assert entered() is None
