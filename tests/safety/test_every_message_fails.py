"""Every message of a short night fails once, in every way: afterwards the bench is off by the world's own truth.

Where the instrument that carries the current cannot be reached any more, the run says so, and the load's own stop and
the supply's set volts bound what is left. The ordinary suite takes a drawn sample of what ``campaign.py`` spends whole.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from pathlib import Path

import pytest
from campaign_faults import pairs, singles
from campaign_units import NOTE, Unit, unsafe
from night import FOR_EVER, KINDS, SHORT

from harness.procedure import procedures

DRAWN = 1
"""Messages drawn for each procedure and kind in the ordinary suite."""

DRAWN_SLOW = 100
PAIRS_DRAWN = 16


@pytest.fixture(scope="module")
def single_units() -> list[Unit]:
    return list(singles())


def sweep(out: Path, units: list[Unit]) -> Counter[str]:
    """Spend each; every fault found in one list, with its key."""
    codes: Counter[str] = Counter()
    wrong = []
    for unit in units:
        words = unit.run(out)
        wrong += [f"{unit.key}: {text}" for text in unsafe(words)]
        codes.update(text.removeprefix(NOTE) for text in words if text.startswith(f"{NOTE}exit"))
    assert wrong == []
    return codes


Sorted = dict[tuple[str, str], list[Unit]]


@pytest.fixture(scope="module")
def by_kind(single_units: list[Unit]) -> Sorted:
    """Procedure and kind -> its units."""
    found: Sorted = defaultdict(list)
    for unit in single_units:
        procedure, kind, _ = unit.key.split("/")
        found[procedure, kind].append(unit)
    return found


def of(units: Sorted, procedure: str, kind: str, count: int) -> list[Unit]:
    fitting = units[procedure, kind]
    return random.Random(f"{procedure}/{kind}").sample(fitting, min(count, len(fitting)))


def test_no_message_is_left_out(single_units: list[Unit]) -> None:
    """Six thousand runs at least, and of each procedure every message in each way that makes a difference."""
    assert set(SHORT) == set(procedures()), "a new procedure gets a short night in night.py"
    keys = {unit.key for unit in single_units}
    assert len(keys) == len(single_units) >= 6000
    for procedure in SHORT:
        dropped = {key for key in keys if key.startswith(f"{procedure}/drop/")}
        for kind in ("restart", "swap", *FOR_EVER):
            assert {key.replace(f"/{kind}/", "/drop/") for key in keys if f"{procedure}/{kind}/" in key} == dropped
        assert all(any(f"{procedure}/{kind}/" in key for key in keys) for kind in KINDS)


@pytest.mark.parametrize("procedure", SHORT)
@pytest.mark.parametrize("kind", KINDS)
def test_a_drawn_message_fails(procedure: str, kind: str, by_kind: Sorted, tmp_path: Path) -> None:
    sweep(tmp_path, of(by_kind, procedure, kind, DRAWN))


def test_drawn_pairs_of_faults(tmp_path: Path) -> None:
    sweep(tmp_path, list(pairs(1))[:PAIRS_DRAWN])


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("procedure", SHORT)
@pytest.mark.parametrize("kind", KINDS)
def test_many_messages_fail(procedure: str, kind: str, by_kind: Sorted, tmp_path: Path) -> None:
    codes = sweep(tmp_path, of(by_kind, procedure, kind, DRAWN_SLOW))
    # A single fault is mostly passed over and must not cost a night; a lasting one can never end as if nothing were.
    share_lost = 1 - codes["exit 0"] / codes.total()
    print(f"{procedure}, {kind}: {dict(sorted(codes.items()))}")
    assert share_lost > 0.9 if kind in FOR_EVER else codes["exit 0"] > 0


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", [2, 3])
def test_many_pairs_of_faults(seed: int, tmp_path: Path) -> None:
    sweep(tmp_path, list(pairs(seed))[:600])
