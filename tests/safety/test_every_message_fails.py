"""Every message of a night fails once, in every way: afterwards the bench is off by the world's own truth.

Where the instrument that carries the current cannot be reached any more, the run says so, and the load's own stop and
the supply's set volts bound what is left. The ordinary suite takes a drawn sample, ``-m slow`` every message.
"""

from __future__ import annotations

import random
import shutil
from collections import Counter
from functools import cache
from pathlib import Path

import pytest
from night import FOR_EVER, KINDS, SHORT, Fault, judge, quick, spend, truly_off

DRAWN = 10
"""Messages drawn for each procedure and kind in the ordinary suite."""


@cache
def messages(procedure: str, out: Path) -> int:
    with quick():
        night = spend(out, SHORT[procedure])
    assert night.exit_code == 0
    assert judge(night) == []
    return len(night.wires.heard)


def sweep(out: Path, procedure: str, kind: str, numbers: list[int]) -> Counter[int]:
    """Spend a night for each message; every fault found, in one list, with the message that was spoilt."""
    codes: Counter[int] = Counter()
    wrong = []
    for at in numbers:
        fault = Fault(kind, at)
        night = spend(out, SHORT[procedure], fault=fault)
        assert fault.hit is not None
        codes[night.exit_code] += 1
        wrong += [f"message {at}, {fault.hit} {fault.hit_message!r}: {text}" for text in judge(night)]
        shutil.rmtree(night.files)
    assert wrong == []
    return codes


@pytest.mark.parametrize("procedure", SHORT)
@pytest.mark.parametrize("kind", KINDS)
def test_a_drawn_message_fails(procedure: str, kind: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory):
    count = messages(procedure, tmp_path_factory.getbasetemp())
    numbers = sorted(random.Random(f"{procedure}/{kind}").sample(range(count), DRAWN))
    sweep(tmp_path, procedure, kind, numbers)


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("procedure", SHORT)
@pytest.mark.parametrize("kind", KINDS)
def test_every_message_fails(procedure: str, kind: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory):
    codes = sweep(tmp_path, procedure, kind, list(range(messages(procedure, tmp_path_factory.getbasetemp()))))
    # A single fault is mostly passed over and must not cost a night; a lasting one can never end as if nothing were.
    share_lost = 1 - codes[0] / codes.total()
    print(f"{procedure}, {kind}: {dict(sorted(codes.items()))}")
    assert share_lost > 0.9 if kind in FOR_EVER else codes[0] > 0


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("procedure", SHORT)
def test_pairs_of_faults(procedure: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory):
    """Two faults in one night, drawn: whoever says off is right. Cells stay in their bounds in every one."""
    count = messages(procedure, tmp_path_factory.getbasetemp())
    draw = random.Random(f"pairs/{procedure}")
    wrong = []
    for _ in range(600):
        first, second = Fault(draw.choice(KINDS), draw.randrange(count)), Fault(draw.choice(KINDS), 0)
        second.at = draw.randrange(first.at, count)
        night = spend(tmp_path, SHORT[procedure], fault=first, second=second)
        wrong += [f"{first} {second}: {text}" for text in judge(night)]
        shutil.rmtree(night.files)
    assert wrong == []


def test_the_judge_sees_an_output_left_on(tmp_path: Path):
    """A judge that can not be displeased proves nothing."""
    night = spend(tmp_path, SHORT["capacity"])
    assert judge(night) == []
    night.wires.bench.connect("load").feed(b"CURR 4;:INP ON\n")
    assert not truly_off(night.world)
    found = judge(night)
    assert any(text.startswith("left on: ") for text in found)
    assert any("says off, the world says on" in text for text in found)
    assert "switched on 2 times" not in found, "the judge looks at the world here, not at who did it"
