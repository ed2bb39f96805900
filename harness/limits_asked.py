"""The table ``[limits]`` of a pack file: what a person asks for, and what of it is granted.

``KEY = value`` tightens; where it loosens an adjustable limit ``KEY_reason = "why"`` stands beside it. Everything else
is refused in one line.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from harness.errors import PlanRefused
from harness.keys import Keys
from harness.limits_settings import REASON, SETTINGS, Changed, Levels, Setting

NUMBER_MOST = 1e9
"""What a number in a file may be at all; whether a limit may be that is told with the rest of the plan."""

REASON_LEAST = 10
"""Characters under which nobody has said why."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One line of the table: key, value, and the reason or ""."""

    key: str
    value: float
    reason: str


def read_limits(keys: Keys) -> tuple[Asked, ...]:
    """What the table asks for. Raises Usage for an unknown key, a value that is no number, a reason without a key or
    too short to be one."""
    keys.known((*SETTINGS, *(key + REASON for key in SETTINGS)))
    asked = []
    for key, one in SETTINGS.items():
        reason = _reason(keys, key)
        if keys.has(key):
            asked.append(Asked(key, keys.number(key, unit=one.unit, low=-NUMBER_MOST, high=NUMBER_MOST), reason))
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
    """The changes, each beside the usual value. Raises PlanRefused for a hard limit that would be loosened, for an
    adjustable one without a reason, and for what is out of bounds. ``where`` is the file."""
    changed = []
    for one in asked:
        setting = SETTINGS[one.key]
        plain = setting.usual(usual)
        if why := _why_not(one, setting, plain):
            raise PlanRefused(f"{where}: [limits] {one.key} = {one.value:.12g}: {why}")
        if one.value != plain:
            changed.append(Changed(one.key, one.value, plain, setting.unit, one.reason))
    return tuple(changed)


def _why_not(one: Asked, setting: Setting, plain: float) -> str:
    """Why this is refused, and what to do; "" when it is granted."""
    least = f"use {'at most' if setting.careful == 'lower' else 'at least'} {plain:g}"
    looser = setting.loosens(one.value, plain)
    if looser and setting.hard:
        usual = f"{plain:g} {setting.unit}".rstrip()
        return f"looser than {usual}, and this limit may only be made tighter; {least}, or take the line out"
    if not (setting.low <= one.value <= setting.high):
        bounds = f"from {setting.low:g} to {setting.high:g} {setting.unit}".rstrip()
        return f"out of bounds; accepted: a number {bounds}, or take the line out"
    if looser and not one.reason:
        usual = f"{plain:g} {setting.unit}".rstrip()
        return f'looser than the usual {usual}, and nobody says why; add {one.key}{REASON} = "...", or {least}'
    return ""
