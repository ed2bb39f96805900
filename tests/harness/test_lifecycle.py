"""The table of a run's states: what is in it, what follows from it, and that nothing else can happen."""

from __future__ import annotations

import itertools

import pytest

from harness.lifecycle import CLOSED, ENERGISED, SETTLED, TABLE, IllegalMove, Lifecycle

STATES = sorted({state for state, _ in TABLE} | set(TABLE.values()))
EVENTS = sorted({event for _, event in TABLE})


MAY = {
    # where the run is -> what may happen, and where it is then
    "idle": {
        "source": "sourcing", "sink": "sinking", "stand-in": "standing in", "trace": "tracing",
        "trip": "tripped", "end": "ending",
    },
    "sourcing": {"release": "releasing", "trip": "tripped"},
    "sinking": {"release": "releasing", "trip": "tripped"},
    "standing in": {"release": "releasing", "trip": "tripped"},
    "tracing": {"release": "releasing", "trip": "tripped"},
    "releasing": {"confirmed": "idle", "trip": "tripped", "not confirmed": "unsafe"},
    "tripped": {"confirmed": "off", "not confirmed": "unsafe", "trip": "tripped"},
    "ending": {"confirmed": "off", "not confirmed": "unsafe", "trip": "tripped"},
    "off": {"trip": "off", "end": "off", "confirmed": "off", "not confirmed": "unsafe"},
    "unsafe": {"trip": "unsafe", "end": "unsafe"},
}  # fmt: skip


def test_what_may_happen_and_nothing_else() -> None:
    """A row that went missing would end a run with a fault of the program in the middle of switching off."""
    assert {(state, event): to for state, row in MAY.items() for event, to in row.items()} == TABLE
    assert CLOSED == ("tripped", "off", "unsafe")
    assert SETTLED == ("off", "unsafe")


def in_state(state: str) -> Lifecycle:
    life = Lifecycle()
    life.state = state
    return life


def reachable(start: str, *, without: tuple[str, ...] = ()) -> set[str]:
    """States that can follow ``start`` by any moves but those of ``without``."""
    found = {start}
    while True:
        more = {to for (state, event), to in TABLE.items() if state in found and event not in without} - found
        if not more:
            return found
        found |= more


@pytest.mark.parametrize(("state", "event"), list(itertools.product(STATES, EVENTS)))
def test_every_move(state: str, event: str) -> None:
    life = in_state(state)
    if (state, event) in TABLE:
        assert life.move(event) == life.state == TABLE[state, event]
    else:
        with pytest.raises(IllegalMove, match=f"run is {state}: cannot {event}"):
            life.move(event)
        assert life.state == state


def test_a_run_begins_idle_and_every_state_is_reached() -> None:
    assert Lifecycle().state == "idle"
    assert reachable("idle") == set(STATES)


@pytest.mark.parametrize("state", STATES)
def test_anything_can_be_tripped_and_a_trip_never_energises(state: str) -> None:
    after = in_state(state).move("trip")
    assert after in CLOSED
    assert not reachable(after) & set(ENERGISED)


@pytest.mark.parametrize("state", CLOSED)
def test_what_is_closed_stays_closed(state: str) -> None:
    assert reachable(state) <= {*CLOSED}


@pytest.mark.parametrize("state", ENERGISED)
def test_an_output_is_left_only_by_switching_off(state: str) -> None:
    assert {event for one, event in TABLE if one == state} == {"release", "trip"}
    # Idle again, to energise once more, only after off was confirmed.
    assert "idle" not in reachable(state, without=("confirmed",))


@pytest.mark.parametrize("state", ENERGISED)
def test_one_output_at_a_time(state: str) -> None:
    for event in ("source", "sink"):
        with pytest.raises(IllegalMove):
            in_state(state).move(event)


def test_energised_is_said_of_nothing_else() -> None:
    assert {state for state in STATES if in_state(state).energised} == set(ENERGISED)
    assert set(ENERGISED) == {"sourcing", "sinking", "standing in", "tracing"}


def test_unsafe_is_never_left() -> None:
    assert reachable("unsafe") == {"unsafe"}
    assert {state for (state, event), to in TABLE.items() if to == "unsafe" and state != "unsafe"} == {
        "releasing",
        "tripped",
        "ending",
        "off",
    }


def test_settled_is_behind_every_way_out() -> None:
    assert set(SETTLED) == {"off", "unsafe"}
    assert set(SETTLED) < set(CLOSED)
    for state in STATES:
        assert reachable(state) & set(SETTLED)
