"""No envelope out of order, none with a value that is not a number; the level for the load's own stop."""

from __future__ import annotations

import math
from dataclasses import FrozenInstanceError, fields, replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.config import BenchFile, PackFile, load_bench, load_pack
from harness.errors import PlanRefused
from harness.limits import Envelope, envelope, own_low_stop_volts
from harness.limits_settings import Changed
from harness.starters import starter_text

NOT_FINITE = [math.nan, math.inf, -math.inf]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[PackFile, BenchFile]:
    folder = tmp_path_factory.mktemp("files")
    (folder / "pack.toml").write_text(starter_text("pack"))
    (folder / "bench.toml").write_text(starter_text("bench"))
    pack = replace(load_pack(folder / "pack.toml"), end_volts=20.0, resistance_mohm=40.0, charge_temp_min_c=0.0)
    return pack, load_bench(folder / "bench.toml")


@pytest.fixture(scope="module")
def good(files: tuple[PackFile, BenchFile]) -> Envelope:
    return envelope(pack=files[0], bench=files[1])


# --- not a number, anywhere

NUMBERS = [f.name for f in fields(Envelope) if f.type == "float"]


@pytest.mark.parametrize("bad", NOT_FINITE)
@pytest.mark.parametrize("name", NUMBERS)
def test_in_the_envelope(good: Envelope, name: str, bad: float) -> None:
    with pytest.raises(PlanRefused, match=f"limits: {name} = ") as caught:
        replace(good, **{name: bad})
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("bad", NOT_FINITE)
def test_in_the_pack_file(files: tuple[PackFile, BenchFile], bad: float) -> None:
    pack, bench = files
    names = [f.name for f in fields(PackFile) if "float" in str(f.type)]
    assert len(names) == 15
    for name in names:
        with pytest.raises(PlanRefused, match=rf"pack\.toml: {name} = .*: not a finite number"):
            envelope(pack=replace(pack, **{name: bad}), bench=bench)


@pytest.mark.parametrize("bad", NOT_FINITE)
def test_in_the_bench_file(files: tuple[PackFile, BenchFile], bad: float) -> None:
    pack, bench = files
    for name in ("fuse_amps", "loop_period_s"):
        with pytest.raises(PlanRefused, match=rf"bench\.toml: {name} = .*: not a finite number"):
            envelope(pack=pack, bench=replace(bench, **{name: bad}))
    for number, entry in enumerate(bench.instruments):
        for name in [f.name for f in fields(entry) if "float" in str(f.type)]:
            broken = list(bench.instruments)
            broken[number] = replace(entry, **{name: bad})
            with pytest.raises(PlanRefused, match=rf'instrument "{entry.name}": {name} = .*: not a finite number'):
                envelope(pack=pack, bench=replace(bench, instruments=tuple(broken)))


@pytest.mark.parametrize("bad", NOT_FINITE)
@pytest.mark.parametrize("name", ["end_volts", "charge_volts", "rate_it"])
def test_in_the_plan(files: tuple[PackFile, BenchFile], name: str, bad: float) -> None:
    with pytest.raises(PlanRefused, match=f"plan: {name} = "):
        envelope(pack=files[0], bench=files[1], **{name: bad})


@pytest.mark.parametrize("name", ["fuse_amps"])
@pytest.mark.parametrize("value", [0.0, -15.0])
def test_a_limit_of_nothing(files: tuple[PackFile, BenchFile], name: str, value: float) -> None:
    with pytest.raises(PlanRefused, match="not a finite number above 0"):
        envelope(pack=files[0], bench=replace(files[1], **{name: value}))


# --- order

LEVELS = (
    "never_below_v", "own_stop_v", "low_v", "cut_off_v", "target_v", "high_v", "over_v", "never_above_v",
)  # fmt: skip


@pytest.mark.parametrize("number", range(1, len(LEVELS)))
def test_two_neighbours_level_or_swapped(good: Envelope, number: int) -> None:
    low, high = LEVELS[number - 1], LEVELS[number]
    at = getattr(good, low)
    for value in (at, at - 0.001):
        with pytest.raises(PlanRefused, match="is not above"):
            replace(good, **{high: value})
    assert getattr(replace(good, **{high: at + 0.001}), high) > at


SOME_LEVELS = st.lists(st.floats(-5, 40), min_size=8, max_size=8)


@given(levels=SOME_LEVELS | SOME_LEVELS.map(sorted))
def test_whatever_is_made_is_in_order(levels: list[float]) -> None:
    made = dict(zip(LEVELS, levels, strict=True))
    in_order = all(a < b for a, b in pairwise(levels)) and levels[0] > 0 and levels[4] <= 29.2
    try:
        replace(_GOOD, **made)
    except PlanRefused:
        assert not in_order
    else:
        assert in_order


_GOOD = Envelope(
    chemistry="lifepo4", lithium=True, cells_in_series=8, rated_ah=10.0, nominal_v=25.6, full_rest_v=26.88,
    cut_off_v=20.0, low_v=19.2, own_stop_v=18.4, never_below_v=16.0, target_v=28.8, high_v=29.6, over_v=30.0,
    never_above_v=30.4, charge_volts_max=29.2, amps_max=10.0, amps_from="pack file", charge_amps_max=5.0,
    charge_amps_from="pack file", charge_temp_min_c=0.0, charge_temp_max_c=45.0, discharge_temp_min_c=-20.0,
    discharge_temp_max_c=60.0, start_temp_min_c=5.0, start_temp_max_c=40.0, unattended_temp_max_c=50.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"never_below_v": 0.0}, "levels: never below 0 V is not above zero 0 V"),
        ({"amps_max": 0.0}, "amps_max = 0: must be above 0"),
        ({"charge_amps_max": -1.0}, "charge_amps_max = -1: must be above 0"),
        ({"rated_ah": 0.0}, "rated_ah = 0: must be above 0"),
        ({"charge_volts_max": 28.0}, "charge target 28.8 V: above the 28 V the pack may be charged to"),
        ({"charge_temp_min_c": 45.0}, "charge temperature: highest 45 degC is not above lowest 45 degC"),
        ({"start_temp_max_c": 5.0}, "start temperature: highest 5 degC is not above lowest 5 degC"),
    ],
)
def test_other_things_out_of_order(changes: dict[str, float], words: str) -> None:
    with pytest.raises(PlanRefused, match=words):
        replace(_GOOD, **changes)


@pytest.mark.parametrize("bad", NOT_FINITE)
def test_a_limit_changed_to_nothing_finite(bad: float) -> None:
    with pytest.raises(PlanRefused, match="limits: frozen_s = "):
        replace(_GOOD, changed=(Changed("frozen_s", bad, 60.0, "s"),))


def test_a_limit_that_was_changed_changes_no_other() -> None:
    changed = replace(_GOOD, changed=(Changed("frozen_s", 30.0, 60.0, "s"),))
    assert changed.limit("frozen_s") == 30.0
    assert changed.limit("tail_longest_s") == 14400.0


def test_small_packs_are_packs() -> None:
    small = replace(_GOOD, rated_ah=0.2, amps_max=0.1, charge_amps_max=0.05)
    assert small.charge_amps_max == 0.05


def test_nobody_moves_a_level_afterwards() -> None:
    with pytest.raises(FrozenInstanceError):
        _GOOD.low_v = 0.0  # type: ignore[misc]


# --- words and hash


def test_the_hash_knows_every_limit() -> None:
    seen = {_GOOD.sha256}
    for name in NUMBERS:
        seen.add(replace(_GOOD, **{name: getattr(_GOOD, name) * 1.0001 + 1e-6}).sha256)
    seen |= {replace(_GOOD, notes=("x",)).sha256, replace(_GOOD, attended_only="x").sha256}
    assert len(seen) == 1 + len(NUMBERS) + 2
    assert replace(_GOOD).sha256 == _GOOD.sha256


def test_words() -> None:
    assert _GOOD.lines() == (
        "discharge ends at 20.00 V, trips below 19.20 V, the load stops by itself at 18.40 V, never below 16.00 V",
        "charge goes to 28.80 V, trips above 29.60 V, the supply stops by itself at 30.00 V, never above 30.40 V",
        "discharge current at most 10 A (pack file)",
        "charge current at most 5 A (pack file)",
        "charge from 0 to 45 degC, discharge from -20 to 60 degC, start from 5 to 40 degC, unattended up to 50 degC",
    )
    more = replace(_GOOD, charge_refused="a", attended_only="b", charge_attended_only="c", notes=("d",)).lines()
    assert more[5:] == ("no charge: a", "attended only: b", "charge attended only: c", "d")


# --- the load's own stop


@pytest.mark.parametrize(
    ("lead_ohm", "amps", "sense", "volts"),
    [
        (0.02394, 6.0, "local", 18.4 - 0.14364),  # 2.5 mm2, 2 x 1.5 m, 6 A: 0.14364 V, by hand from IEC 60228
        (0.02394, 6.0, "remote", 18.4),
        (None, 6.0, "local", 18.4),
        (0.0, 6.0, "local", 18.4),
        (0.4, 0.0, "local", 18.4),
        (0.4, 6.0, "local", 16.0),  # exactly at never-below
        (0.5, 6.0, "local", 16.0),  # 15.4 by arithmetic, held at never-below; 19.0 V at the pack, still under 19.2
        (5.0, 6.0, "remote", 18.4),
    ],
)
def test_own_stop(lead_ohm: float | None, amps: float, sense: str, volts: float) -> None:
    got = own_low_stop_volts(_GOOD, lead_ohm=lead_ohm, amps=amps, sense=sense)
    assert got == pytest.approx(volts, abs=1e-12)


def test_leads_that_drop_too_much() -> None:
    words = r"leads drop 3.20 V at 5 A: .* stop by itself at 19.20 V at the pack, not below .* less than 5 A"
    with pytest.raises(PlanRefused, match=words):
        own_low_stop_volts(_GOOD, lead_ohm=0.64, amps=5.0, sense="local")


@pytest.mark.parametrize(
    "changes",
    [{name: bad} for name in ("lead_ohm", "amps") for bad in (*NOT_FINITE, -0.01)] + [{"sense": "4-wire"}],
)
@pytest.mark.parametrize("sense", ["local", "remote"])
def test_own_stop_of_nonsense(changes: dict[str, float | str], sense: str) -> None:
    with pytest.raises(PlanRefused, match="limits: "):
        own_low_stop_volts(_GOOD, **({"lead_ohm": 0.02, "amps": 5.0, "sense": sense} | changes))  # type: ignore[arg-type]


@given(lead_ohm=st.floats(0, 1), amps=st.floats(0, 100))
def test_own_stop_holds_the_pack_between_never_below_and_low_volts(lead_ohm: float, amps: float) -> None:
    try:
        stop = own_low_stop_volts(_GOOD, lead_ohm=lead_ohm, amps=amps, sense="local")
    except PlanRefused:
        assert _GOOD.never_below_v + amps * lead_ohm >= _GOOD.low_v
        return
    at_the_pack = stop + amps * lead_ohm
    assert _GOOD.never_below_v <= stop <= _GOOD.own_stop_v
    assert _GOOD.own_stop_v - 1e-9 <= at_the_pack < _GOOD.low_v
