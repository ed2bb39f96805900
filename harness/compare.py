"""Runs set against the earliest of them: what changed, beyond what doubt, and what that means a year later.

Like with like: where conditions differ a change is given as a difference only, with a warning in words and no
percentage, and nothing is taken to cancel.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from harness.compare_doubt import Common, common_instruments, days_apart, difference, instrument_of, pairs, ratio
from harness.compare_like import LIKE, unlike
from harness.config import load_pack, load_ups
from harness.derived import result_of
from harness.entries import figure_words
from harness.errors import Usage, UserError
from harness.folder import RUNNING, RunFolder
from harness.plain import safe_text
from harness.report.main_figures import MAIN
from harness.result import Figure, Result
from harness.titles import TITLES

REPLACE_UNDER, YEARLY_UNDER = 0.8, 0.9
"""Of the earlier capacity: under the first a pack is replaced, under the second tested yearly (common practice, no
source)."""

SAME_STEP = 0.02
"""Currents of two steps this near are the same step (judgement)."""

Told = Literal["more", "less", "no change to be told", "same", "another"]


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One figure in both runs. ``at``: the step it belongs to. ``ratio`` only of runs that are like."""

    figure: str
    earlier: Figure
    later: Figure
    told: Told
    at: str = ""
    change: Figure | None = None
    ratio: Figure | None = None


class Compared(msgspec.Struct, frozen=True, kw_only=True):
    """A later run against the earliest. ``cancels``: what is common to both and how; ``advice`` by the change of
    capacity."""

    earlier: str
    later: str
    procedure: str
    name: str
    same_thing: Annotated[bool, Meta(description="The same pack or UPS, as far as the files tell")]
    days_apart: float
    sentence: str
    unlike: tuple[str, ...] = ()
    cancels: tuple[str, ...] = ()
    changes: tuple[Change, ...] = ()
    advice: str = ""


class Comparison(msgspec.Struct, frozen=True, kw_only=True):
    """All of them, oldest first."""

    sentence: str
    simulated: bool
    schema: Literal["nightbench/comparison/1"] = "nightbench/comparison/1"
    pairs: tuple[Compared, ...] = ()
    runs: tuple[str, ...] = ()


def compare(folders: Sequence[RunFolder]) -> Comparison:
    """Raises ``Usage`` in one line for fewer than two runs, one that is on, one named twice, and simulated beside real
    ones."""
    if len(folders) < 2:
        raise Usage("compare: two runs or more are wanted; `nightbench runs` lists them")
    found = sorted(map(_opened, folders), key=lambda one: (one[1].started, one[0].name))
    if len({folder.path.resolve() for folder, _ in found}) < len(found):
        raise Usage("compare: a run is named twice; name each once")
    if len({result.simulated for _, result in found}) > 1:
        raise Usage("compare: simulated runs beside real ones; name runs of one kind only")
    first = found[0]
    made = tuple(_compared(first, other) for other in found[1:])
    return Comparison(
        sentence=" ".join(one.sentence for one in made),
        simulated=first[1].simulated,
        pairs=made,
        runs=tuple(folder.name for folder, _ in found),
    )


def _opened(folder: RunFolder) -> tuple[RunFolder, Result]:
    if folder.outcome() == RUNNING:
        raise Usage(f"{safe_text(str(folder.path))}: this run is still on; wait until it has ended")
    return folder, result_of(folder)


def _compared(first: tuple[RunFolder, Result], other: tuple[RunFolder, Result]) -> Compared:
    earlier, later = first[1], other[1]
    apart = unlike(earlier, later)
    # Unlike runs may rest on one instrument in different ways: nothing is taken to cancel there.
    common = {} if apart else common_instruments(earlier, later)
    changes = tuple(_changes(earlier, later, common, like=not apart))
    same = _same_thing(first, other)
    days = days_apart(earlier, later)
    return Compared(
        earlier=first[0].name,
        later=other[0].name,
        procedure=later.procedure,
        name=later.name,
        same_thing=same,
        days_apart=days,
        sentence=_sentence(later, changes, same, apart, days),
        unlike=apart,
        cancels=tuple(_cancels(changes, common)),
        changes=changes,
        advice=_advice(changes) if same else "",
    )


def _same_thing(first: tuple[RunFolder, Result], other: tuple[RunFolder, Result]) -> bool:
    """By name, and by serial and asset number where both files give them."""
    if first[1].name != other[1].name:
        return False
    files = [_file(*one) for one in (first, other)]
    marks = [(getattr(one, "serial", ""), getattr(one, "asset", "")) for one in files]
    return all(not a or not b or a == b for a, b in zip(*marks, strict=True))


def _file(folder: RunFolder, result: Result) -> object:
    """The pack file of a pack's run, the UPS file of a UPS's; None when it cannot be read."""
    try:
        pack = folder.inputs / "pack.toml"
        found = load_pack(pack) if pack.is_file() else None
        return found if found is not None and found.name == result.name else load_ups(folder.inputs / "ups.toml")
    except (UserError, OSError):
        return None


# -- figures -----------------------------------------------------------------------------------------------------------


def _changes(earlier: Result, later: Result, common: dict[str, Common], *, like: bool) -> Iterator[Change]:
    """Figures in both; those by which likeness is judged are none."""
    if earlier.procedure != later.procedure:
        return
    judged = {one.key for one in LIKE.get(later.procedure, ()) if one.where == "figure"}
    for name in earlier.figures:
        if name in later.figures and name not in judged:
            made = _change(name, earlier.figures[name], later.figures[name], common, like=like)
            if made is not None:
                yield made
    yield from _steps(earlier, later, common, like=like)


def _steps(earlier: Result, later: Result, common: dict[str, Common], *, like: bool) -> Iterator[Change]:
    """Steps at the same current in both."""
    for one in earlier.lists.get("steps", ()):
        amps = one.get("amps")
        for two in later.lists.get("steps", ()):
            others = two.get("amps")
            if not (isinstance(amps, Figure) and isinstance(others, Figure)):
                continue
            if abs(float(amps.value) - float(others.value)) > SAME_STEP * abs(float(amps.value)):
                continue
            for name in ("r_1s_ohm", "r_10s_ohm", "min_v"):
                a, b = one.get(name), two.get(name)
                if isinstance(a, Figure) and isinstance(b, Figure):
                    made = _change(name, a, b, common, like=like, at=f"{float(amps.value):.3g} A")
                    if made is not None:
                        yield made


def _change(
    name: str, earlier: Figure, later: Figure, common: dict[str, Common], *, like: bool, at: str = ""
) -> Change | None:
    """None for figures that tell no change: bounds, other units, doubts that were not stated."""
    if isinstance(earlier.value, bool) or isinstance(later.value, bool):
        told: Told = "same" if earlier.value == later.value else "another"
        return Change(figure=name, earlier=earlier, later=later, told=told, at=at)
    stated = earlier.expanded_uncertainty is not None and later.expanded_uncertainty is not None
    if not stated or earlier.unit != later.unit or earlier.bound or later.bound:
        return None
    found = list(pairs(earlier, later, common))
    made = difference(earlier, later, found)
    doubt = made.expanded_uncertainty or 0.0
    value = float(made.value)
    told = "more" if value > doubt else "less" if value < -doubt else "no change to be told"
    of = ratio(earlier, later, found) if like else None
    return Change(figure=name, earlier=earlier, later=later, told=told, at=at, change=made, ratio=of)


def _cancels(changes: Sequence[Change], common: dict[str, Common]) -> Iterator[str]:
    """One line for each instrument that any figure here rests on."""
    sources = [line.source for one in changes for line in (*one.earlier.budget, *one.later.budget)]
    used = {instrument_of(source, common) for source in sources}
    yield from (one.why for name, one in common.items() if name in used)


# -- words -------------------------------------------------------------------------------------------------------------


def _sentence(later: Result, changes: Sequence[Change], same: bool, apart: Sequence[str], days: float) -> str:
    who = later.name if same else f"{later.name} against another one"
    when = f"{days:.0f} days later" if days >= 2 else f"{24 * days:.0f} h later"
    main = next((one for name in MAIN for one in changes if one.figure == name and one.change is not None), None)
    main = main or next((one for one in changes if one.change is not None), None)
    if main is None:
        return f"{who}, {when}: no figure that can be compared."
    assert main.change is not None
    what = f"{TITLES.get(main.figure, main.figure)}{f' at {main.at}' if main.at else ''}"
    size = msgspec.structs.replace(main.change, value=abs(float(main.change.value)))
    by = figure_words(size).partition(" (k")[0]
    if apart:
        return f"{who}, {when}: NOT like with like, so no percentage; {what} differs by {by} ({'; '.join(apart)})."
    if main.told == "no change to be told":
        return f"{who}, {when}: no change of {what} to be told from its doubt ({by})."
    percent = "" if main.ratio is None else f", to {percent_words(main.ratio)} of the earlier"
    return f"{who}, {when}: {main.told} {what}, by {by}{percent}."


def percent_words(ratio_: Figure) -> str:
    """``85.1 +/- 0.4 %``."""
    scaled = msgspec.structs.replace(
        ratio_, value=100.0 * float(ratio_.value), expanded_uncertainty=100.0 * (ratio_.expanded_uncertainty or 0.0),
        unit="%", budget=(),
    )  # fmt: skip
    return figure_words(scaled).partition(" (k")[0]


PRACTICE = "(common practice, no source)"


def _advice(changes: Sequence[Change]) -> str:
    """By the capacity of one pack, earlier and later; "" where that is not known in percent."""
    found = next((one.ratio for one in changes if one.figure == "capacity_ah"), None)
    if found is None:
        return ""
    low = float(found.value) - (found.expanded_uncertainty or 0.0)
    high = float(found.value) + (found.expanded_uncertainty or 0.0)
    if high < REPLACE_UNDER:
        return f"Replace it: under 80 % of its earlier capacity {PRACTICE}."
    if low < REPLACE_UNDER:
        told = "Whether it is under 80 % cannot be told from the doubt: measure again; under that it is replaced"
        return f"{told} {PRACTICE}."
    if high < YEARLY_UNDER:
        return f"Test it yearly: under 90 % of its earlier capacity, not under 80 % {PRACTICE}."
    if low < YEARLY_UNDER:
        return f"Test it yearly: whether it is under 90 % cannot be told from the doubt {PRACTICE}."
    return f"90 % of its earlier capacity or more: neither replaced nor tested yearly for that {PRACTICE}."
