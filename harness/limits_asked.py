"""The table ``[limits]`` of a pack file: what a person asks for, and what of it is granted.

``KEY = value`` tightens; where it loosens an adjustable limit ``KEY_reason = "why"`` stands beside it. Everything else
is refused in one line.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.errors import PlanRefused
from harness.keys import Keys
from harness.limits_settings import REASON, SETTINGS, Changed, Levels

REASON_LEAST = 10
"""Characters under which nobody has said why."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One line of the table: key, value, and the reason or ""."""

    key: str
    value: float
    reason: str


def read_limits(keys: Keys) -> tuple[Asked, ...]:
    """What the table asks for. Raises Usage for an unknown key, a value outside its bounds, a reason without a key or
    too short to be one."""
    keys.known((*SETTINGS, *(key + REASON for key in SETTINGS)))
    asked = []
    for key, one in SETTINGS.items():
        reason = _reason(keys, key)
        if keys.has(key):
            asked.append(Asked(key, keys.number(key, unit=one.unit, low=one.low, high=one.high), reason))
        elif reason:
            keys.refuse(key + REASON, f"a reason, but no {key} beside it", f"add {key}, or take the line out")
    return tuple(asked)


def _reason(keys: Keys, key: str) -> str:
    name = key + REASON
    if not keys.has(name):
        return ""
    accepted = "why the limit is changed, in quotes"
    reason = keys.text(name, accepted=accepted, longest=300)
    if len(reason) < REASON_LEAST:
        keys.refuse(name, "too short to be a reason", f"accepted: {accepted}, at least {REASON_LEAST} characters")
    return reason


def granted(asked: Iterable[Asked], *, usual: Levels, where: str) -> tuple[Changed, ...]:
    """The changes, each beside the usual value. Raises PlanRefused for a hard limit that would be loosened and for an
    adjustable one that is without a reason. ``where`` is the file."""
    changed = []
    for one in asked:
        setting = SETTINGS[one.key]
        plain = setting.usual(usual)
        stands = f"{where}: [limits] {one.key} = {one.value:g}"
        side = "at most" if setting.careful == "lower" else "at least"
        if not (setting.low <= one.value <= setting.high):
            raise PlanRefused(
                f"{stands}: outside {setting.low:g} to {setting.high:g} {setting.unit}; put the file right"
            )
        if setting.loosens(one.value, plain):
            if setting.hard:
                raise PlanRefused(
                    f"{stands}: looser than {plain:g} {setting.unit}, and this limit may only be made tighter; "
                    f"use {side} {plain:g}, or take the line out"
                )
            if not one.reason:
                raise PlanRefused(
                    f"{stands}: looser than the usual {plain:g} {setting.unit}, and nobody says why; "
                    f'add {one.key}{REASON} = "...", or use {side} {plain:g}'
                )
        if one.value != plain:
            changed.append(Changed(one.key, one.value, plain, setting.unit, one.reason))
    return tuple(changed)
