"""Whatever numbers arrive, an interlock answers: no exception, no figure in its words that is not a number."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from interlock_samples import FACTS, GOOD, WATCHES

from harness.interlocks import CLASSES

ANY = st.one_of(
    st.sampled_from([float("nan"), float("inf"), float("-inf"), 0.0, -0.0, 1e308, -1e308, 13.0, 22.0]),
    st.floats(-50.0, 50.0),
)
VOLTS = st.fixed_dictionaries({}, optional={"load": ANY, "meter": ANY})
SAMPLE = st.fixed_dictionaries(
    {"pack_volts": ANY, "pack_amps": ANY, "pack_temp_c": ANY},
    optional={"readings": st.fixed_dictionaries({}, optional={"load_volts": ANY, "load_amps": ANY, "t_temp_c": ANY})},
)
WATCHED = (
    "active_amps", "active_volts", "load_volts", "node_volts", "gap_s", "turn_wall_s", "call_wall_s", "block_s",
    "block_charge_ah", "ambient_c", "other_temp_c", "joint_ohm", "joint_doubt_ohm", "joint_before_ohm",
    "joint_declared_ohm", "step_ohm", "cv_s", "guard_silent_s", "record_age_s", "disk_free_bytes",
    "longest_s",
)  # fmt: skip
WATCH = st.fixed_dictionaries({"volts_elsewhere": VOLTS, "volts_doubt": VOLTS}, optional=dict.fromkeys(WATCHED, ANY))
STEP_S = st.floats(0.05, 400.0)


@given(
    phase=st.sampled_from(sorted(WATCHES)),
    turns=st.lists(st.tuples(STEP_S, SAMPLE, WATCH), min_size=1, max_size=25),
)
def test_any_numbers(phase: str, turns: list[tuple[float, dict[str, Any], dict[str, Any]]]) -> None:
    """To draw them takes longer than to judge them, so every interlock sees all of them."""
    locks, now_s = {key: make(FACTS) for key, make in CLASSES.items()}, 100.0
    for step_s, sample, watch in turns:
        now_s += step_s
        seen = replace(GOOD, elapsed_s=now_s, **sample)
        doing = replace(WATCHES[phase], **watch)
        for key, lock in locks.items():
            finding = lock.judge(seen, doing)
            assert finding is None or (finding.text and "nan" not in finding.text), key
            margin = lock.margin(seen, doing)
            assert margin is None or 0.0 <= margin <= 1.0, key
