"""What a simulated UPS answers to in each state: events in order of rank, and what follows.

Each event is a question about the UPS, the watched figures and the time; the first that is so is carried out.

Not modelled: a button held down, an alarm that is silenced, an overload on mains power.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from sims.events import NODE_VOLTS, UPS_FILTERED
from sims.ups_states import (
    BATTERY,
    CUT_OFF,
    LATCHED,
    LOW,
    MAINS,
    NO_BATTERY,
    OFF,
    OVERLOAD,
    SELF_TEST,
    TRANSFER,
)  # fmt: skip

if TYPE_CHECKING:
    from sims.ups import Ups

Happens = Callable[["Ups", Sequence[float], float], bool]


class Row(NamedTuple):
    """An event, the state it leads to ("" = stays), words to tell it by, and what else it leaves behind."""

    happens: Happens
    to: str
    words: str
    reason: str = ""
    battery_bad: bool | None = None


def mains_good(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """Mains power has been good for long enough."""
    return t_s >= ups.mains_good_s()


def mains_lost(ups: Ups, _: Sequence[float], __: float) -> bool:
    """Mains power is gone."""
    return not ups.mains_on


def button(ups: Ups, _: Sequence[float], __: float) -> bool:
    """The panel button was pressed."""
    return ups.pressed


def refuses(ups: Ups, figures: Sequence[float], _: float) -> bool:
    """The battery's volts are too high to start the inverter on."""
    return ups.spec.above_high == "refuses" and figures[UPS_FILTERED] > ups.spec.high_v


def button_starts(ups: Ups, figures: Sequence[float], t_s: float) -> bool:
    """The button was pressed and the inverter may start from the battery alone."""
    enough = ups.spec.cold_start and figures[UPS_FILTERED] > ups.spec.start_v
    return ups.pressed and enough and not refuses(ups, figures, t_s)


def volts_back(ups: Ups, figures: Sequence[float], t_s: float) -> bool:
    """The battery's volts are high enough to start again by itself."""
    return figures[UPS_FILTERED] > ups.spec.restart_v and not refuses(ups, figures, t_s)


def absent(ups: Ups, _: Sequence[float], __: float) -> bool:
    """The charger sees no battery."""
    return not ups.charger.sees_battery


def present(ups: Ups, _: Sequence[float], __: float) -> bool:
    """The charger sees a battery."""
    return ups.charger.sees_battery


def self_test_due(ups: Ups, figures: Sequence[float], t_s: float) -> bool:
    """A self-test is due, by time or by button."""
    return (ups.pressed or t_s >= ups.self_test_due_s) and not refuses(ups, figures, t_s)


def self_test_over(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """The self-test has lasted its time."""
    return t_s >= ups.entered_s + ups.spec.selftest_s


def transfer_over(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """The transfer has lasted its time."""
    return t_s >= ups.entered_s + ups.spec.transfer_s


def transfer_refused(ups: Ups, figures: Sequence[float], t_s: float) -> bool:
    """The transfer is over and the inverter does not start."""
    return transfer_over(ups, figures, t_s) and refuses(ups, figures, t_s)


def collapsed(ups: Ups, figures: Sequence[float], _: float) -> bool:
    """Volts at the terminals, unfiltered, are too low to run at all."""
    return figures[NODE_VOLTS] < ups.spec.uvlo_v


def too_high(ups: Ups, figures: Sequence[float], _: float) -> bool:
    """It takes volts this high for a fault."""
    return ups.spec.above_high == "fault" and figures[UPS_FILTERED] > ups.spec.high_v


def overloaded(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """Too much on the AC output, for too long or at once."""
    spec = ups.spec
    return ups.ac_w > spec.overload_at_once_share * spec.rated_w or ups.over.over(spec.overload_s, t_s)


def cut_off(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """Below the cut-off for long enough."""
    return ups.low.over(ups.spec.cutoff_hold_s, t_s)


def cut_off_for_good(ups: Ups, figures: Sequence[float], t_s: float) -> bool:
    """Below the cut-off for long enough, on a UPS that then waits for mains power."""
    return ups.spec.latches and cut_off(ups, figures, t_s)


def hardly_loaded(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """Next to nothing on the AC output for long enough."""
    return ups.light.over(ups.spec.light_load_s, t_s)


def low_long(ups: Ups, _: Sequence[float], t_s: float) -> bool:
    """Below the warning level for long enough."""
    return ups.warned.over(ups.spec.warn_hold_s, t_s)


def recovered(ups: Ups, figures: Sequence[float], _: float) -> bool:
    """Above the level at which a warning ends."""
    return figures[UPS_FILTERED] > ups.spec.warn_release_v


_BEEPS = Row(button, "", "ups: three beeps, does not start")
_ON_MAINS = Row(mains_good, MAINS, "ups: on mains")
_STARTS = Row(button_starts, BATTERY, "ups: on battery")
_COLLAPSED = Row(collapsed, LATCHED, "ups: off, input under-voltage", "input under-voltage")
_ALONE = (
    _COLLAPSED,
    Row(too_high, LATCHED, "ups: off, input over-voltage", "input over-voltage"),
    Row(overloaded, OVERLOAD, "ups: off, overload", "overload"),
    Row(cut_off_for_good, LATCHED, "ups: off, cut-off", "cut-off"),
    Row(cut_off, CUT_OFF, "ups: off, cut-off", "cut-off"),
    _ON_MAINS,
    Row(hardly_loaded, OFF, "ups: off, light load", "light load"),
)

TABLE: dict[str, tuple[Row, ...]] = {
    OFF: (_ON_MAINS, _STARTS, _BEEPS),
    MAINS: (
        Row(mains_lost, TRANSFER, "ups: mains lost"),
        Row(absent, NO_BATTERY, "ups: no battery seen"),
        Row(self_test_due, SELF_TEST, "ups: self-test begins"),
    ),
    NO_BATTERY: (
        Row(mains_lost, OFF, "ups: off, no battery", "no battery"),
        Row(present, MAINS, "ups: battery seen"),
        _BEEPS,
    ),
    TRANSFER: (
        Row(transfer_refused, OFF, "ups: off, input over-voltage", "input over-voltage"),
        Row(transfer_over, BATTERY, "ups: on battery"),
    ),
    BATTERY: (*_ALONE, Row(low_long, LOW, "")),
    LOW: (*_ALONE, Row(recovered, BATTERY, "")),
    SELF_TEST: (
        _COLLAPSED,
        Row(too_high, LATCHED, "ups: off, input over-voltage", "input over-voltage"),
        Row(cut_off, MAINS, "ups: battery bad", battery_bad=True),
        Row(mains_lost, BATTERY, "ups: on battery"),
        Row(self_test_over, MAINS, "ups: self-test ends", battery_bad=False),
    ),
    LATCHED: (_ON_MAINS, _STARTS, _BEEPS),
    CUT_OFF: (_ON_MAINS, Row(volts_back, BATTERY, "ups: on battery"), _STARTS, _BEEPS),
    OVERLOAD: (Row(button, OFF, "ups: overload cleared"),),
}
