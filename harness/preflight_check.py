"""One thing looked at before a run, and refusing for it."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from harness.errors import PreflightRefused


@dataclass(frozen=True, slots=True)
class Check:
    """One thing looked at. ``word`` is ``good``, ``note`` (a person should know) or ``refused``."""

    what: str
    word: str
    text: str


def checks_told(checks: tuple[Check, ...]) -> list[dict[str, str]]:
    """For the tape."""
    return [asdict(check) for check in checks]


def checks_of(told: list[dict[str, str]]) -> tuple[Check, ...]:
    """As they were told."""
    return tuple(Check(**one) for one in told)


def refuse_if_bad(checks: tuple[Check, ...]) -> None:
    """Raise ``PreflightRefused`` with the first thing that was refused and how many more there are."""
    bad = [check for check in checks if check.word == "refused"]
    if bad:
        more = f" (and {len(bad) - 1} more: `nightbench check` lists them)" if len(bad) > 1 else ""
        raise PreflightRefused(f"{bad[0].what}: {bad[0].text}{more}")
