"""The plots of a verdict: runtime over load, usable charge, margins by rule, and what makes the figures uncertain."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise

import numpy as np

from harness.digits import duration, rounded
from harness.report.look import AMPS, CHARGE, FAINT, LIMIT, VOLTS
from harness.report.picture_budget import budgets_of
from harness.report.plots import Curve, Level, Moment, Numbers, Panel, Picture, Stretch
from harness.result import Entry, Figure
from harness.verdict import Judgement
from harness.verdict_shown import BY_FLOOR, BY_PACK, Columns, RuleMargin, Shown, Usable

BUDGETS = ("floor_margin_v", "load_w_max")

APART = 0.03
"""The pack alone is drawn where it lasts longer by more than this share; else the two lines would be one."""


def fit_pictures(made: Judgement, shown: Shown) -> Iterator[Picture]:
    """All there are for this verdict."""
    if len(shown.runtime.get("load_w", ())) > 1:
        yield _runtime(made, shown)
    if shown.usable is not None:
        yield _usable(shown.usable, made.figures)
    if shown.margins:
        yield _margins(shown.margins, {line.about: line.verdict for line in made.lines})
    yield from budgets_of(_uncertain(made, shown))


def _uncertain(made: Judgement, shown: Shown) -> Mapping[str, Figure]:
    at_load = [entry.get("runtime_s") for entry in made.lists.get("runtime_s", ()) if _is_at(entry, shown.load_w)]
    runtime = next((one for one in at_load if isinstance(one, Figure)), None)
    return ({} if runtime is None else {"runtime_s": runtime}) | {
        name: made.figures[name] for name in BUDGETS if name in made.figures
    }


def _is_at(entry: Entry, load_w: float) -> bool:
    found = entry.get("load_w")
    return isinstance(found, int | float) and math.isclose(found, load_w)


# -- runtime -----------------------------------------------------------------------------------------------------------

PARTS = {
    (BY_FLOOR, False): ("UPS's floor ends it", VOLTS),
    (BY_PACK, False): ("pack ends it", AMPS),
    (BY_FLOOR, True): ("bound, floor", CHARGE),
    (BY_PACK, True): ("bound, pack", CHARGE),
}
"""Who ends it, and whether it is a bound only -> words and pen."""


def _runtime(made: Judgement, shown: Shown) -> Picture:
    columns = shown.runtime
    load, seconds, spread, alone = (_numbers(columns, name) for name in
                                    ("load_w", "runtime_s", "runtime_plus_minus_s", "pack_alone_s"))  # fmt: skip
    ends, bounds = [str(one) for one in columns["ends_by"]], [str(one) for one in columns["bound"]]
    unit, word = (3600.0, "hours") if np.nanmax(seconds, initial=0.0) > 7200 else (60.0, "minutes")
    curves = [Curve(x=load, y=seconds / unit, spread=spread / unit, kind="band")]
    if (longer := alone > seconds * (1.0 + APART)).any():
        curves.append(Curve(x=load, y=np.where(longer, alone, np.nan) / unit, words="pack alone", pen=FAINT))
    parts = []
    for first, last, key in _parts(ends, bounds):
        words, pen = PARTS[key]
        # One point more on the right, so that the parts meet.
        reach = slice(first, min(last + 2, len(load)))
        curves.append(Curve(x=load[reach], y=seconds[reach] / unit, pen=pen))
        end_w = float(load[min(last + 1, len(load) - 1)])
        parts.append(Stretch(begin=float(load[first]), end=end_w, words=words, shaded=key[0] == BY_PACK))
    wanted = [] if math.isnan(shown.needed_s) else [Level(y=shown.needed_s / unit, words=_needed(shown))]
    return Picture(
        name="runtime",
        title="Runtime over load",
        words=_runtime_words(shown, ends, bounds),
        panels=(
            Panel(
                y_words=f"runtime, {word}",
                x_words="AC load, W",
                curves=tuple(curves),
                levels=tuple(wanted),
                moments=tuple(_loads(made, shown)),
                stretches=tuple(parts),
                from_zero=True,
            ),
        ),
        columns=columns,
        height_in=2.7,
        note="Hatched: the interval of about 95 %; shaded: where the pack ends first.",
    )


def _parts(ends: list[str], bounds: list[str]) -> Iterator[tuple[int, int, tuple[str, bool]]]:
    """First and last row of each stretch that is ended by the same thing; rows of which nothing is known are none."""
    keys = [(end, bool(bound)) for end, bound in zip(ends, bounds, strict=True)]
    begins = [at for at in range(len(keys)) if at == 0 or keys[at] != keys[at - 1]]
    for first, after in pairwise([*begins, len(keys)]):
        if keys[first] in PARTS:
            yield first, after - 1, keys[first]


def _numbers(columns: Columns, name: str) -> Numbers:
    return np.array([float(one) for one in columns[name]])


def _needed(shown: Shown) -> str:
    return f"{duration(shown.needed_s)} needed"


def _loads(made: Judgement, shown: Shown) -> Iterator[Moment]:
    if (most := made.figures.get("load_w_max")) is not None:
        yield Moment(x=float(most.value), words=f"proven to {float(most.value):.0f} W", after=True)
    if not math.isnan(shown.load_w):
        yield Moment(x=shown.load_w, words=f"usual {shown.load_w:.4g} W")


BOUND_BY = {
    "at most": "no discharge that fast was measured, or the charge did not begin low enough",
    "at least": "the measured discharges end before the floor, or are all faster",
}
"""Why a runtime is a bound."""


def _runtime_words(shown: Shown, ends: list[str], bounds: list[str]) -> str:
    floor = sum(end == BY_FLOOR for end in ends)
    told = "At every load the UPS stops at its floor before the pack has ended." if floor == len(ends) else (
        "At no load does the UPS reach its floor: the pack ends first." if not floor else
        "Which of the two ends it depends on the load.")  # fmt: skip
    for bound, why in BOUND_BY.items():
        if bound in bounds:
            loads = [float(load) for load, one in zip(shown.runtime["load_w"], bounds, strict=True) if one == bound]
            told += f" From {min(loads):.0f} to {max(loads):.0f} W it is {bound} that: {why}."
    at = [row for row in zip(shown.runtime["load_w"], shown.runtime["pack_alone_s"], strict=True)
          if math.isclose(float(row[0]), shown.load_w) and not math.isnan(float(row[1]))]  # fmt: skip
    if at:
        alone = duration(float(at[0][1]))
        told += f" Without a floor the pack alone would last {alone} (h:mm:ss) at {shown.load_w:.4g} W."
    return told


# -- usable charge -----------------------------------------------------------------------------------------------------


def _usable(one: Usable, figures: Mapping[str, Figure]) -> Picture:
    slow = one.measured[0]
    curves = (
        Curve(x=_numbers(slow, "charge_ah"), y=_numbers(slow, "volts"), words=f"{slow['amps'][0]:.3g} A", pen=VOLTS),
        Curve(
            x=_numbers(one.on_the_ups, "charge_ah"), y=_numbers(one.on_the_ups, "volts"), words="on the UPS", pen=AMPS
        ),
    )
    usable = figures.get("usable_ah")
    spread = None if usable is None else usable.expanded_uncertainty
    value = one.to_ah - one.from_ah
    told = f"{value:.3g} Ah" if not spread else f"{' ± '.join(rounded(value, spread))} Ah"
    rows = [("measured", each) for each in one.measured] + [("on the UPS", one.on_the_ups)]
    levels = [
        Level(y=one.floor_v, half=one.floor_u_v, words=f"floor {one.floor_v:.2f} V"),
        Level(y=one.ceiling_v, words=f"ceiling {one.ceiling_v:.2f} V"),
    ]
    return Picture(
        name="usable-charge",
        title="Charge between ceiling and floor",
        words=(
            f"The charger leaves {one.from_ah:.2g} Ah unfilled; at {one.load_w:.4g} W it ends after {one.to_ah:.3g} Ah "
            f"{'at the floor' if one.ends_by == BY_FLOOR else 'with the pack'}. Between them: {told}."
        ),
        panels=(
            Panel(
                y_words="volts, V",
                x_words="charge below full, Ah",
                curves=curves,
                levels=tuple(levels),
                stretches=(Stretch(begin=one.from_ah, end=one.to_ah, words=f"usable {told}"),),
            ),
        ),
        columns={
            "curve": [name for name, each in rows for _ in each["charge_ah"]],
            **{name: [value for _, each in rows for value in each[name]] for name in ("charge_ah", "volts", "amps")},
        },
        height_in=2.7,
        note="The ceiling is what the full pack comes to on the charger at rest; under current its volts lie lower.",
    )


# -- margins -----------------------------------------------------------------------------------------------------------


def _margins(margins: tuple[RuleMargin, ...], verdicts: Mapping[str, str]) -> Picture:
    value = np.array([float(one.margin.value) for one in margins])
    spread = np.array([one.margin.expanded_uncertainty or 0.0 for one in margins])
    limit = np.array([one.limit for one in margins])
    curve = Curve(
        kind="margins",
        x=value / np.abs(limit),
        y=np.arange(float(len(margins))),
        spread=spread / np.abs(limit),
        names=tuple(f"{one.about}: {margin_words(one)}" for one in margins),
        pen=LIMIT,
    )
    return Picture(
        name="margins",
        title="Margins of the rules",
        words="Each as a share of its limit; one whose whisker crosses 0 decides nothing, one left of it fails.",
        panels=(Panel(y_words="", x_words="margin over limit, %", curves=(curve,)),),
        columns={
            "rule": [one.about for one in margins],
            "verdict": [verdicts.get(one.about, "") for one in margins],
            "margin": value,
            "plus_minus": spread,
            "bound": [one.margin.bound for one in margins],
            "limit": limit,
            "unit": [one.margin.unit for one in margins],
            "limit_is": [one.limit_words for one in margins],
        },
        height_in=0.62 + 0.36 * len(margins),
        note="Bars longer than their limit end at 100 %.",
    )


def margin_words(one: RuleMargin) -> str:
    """``at least 1.03 ± 0.50 V``."""
    made = one.margin
    bound = f"{made.bound} " if made.bound else ""
    if not made.expanded_uncertainty:
        return f"{bound}{float(made.value):.4g} {made.unit}"
    return f"{bound}{' ± '.join(rounded(float(made.value), made.expanded_uncertainty))} {made.unit}"
