"""Rules about what the UPS does to the pack: volts, share, current, cold, and the full pack's volts on the UPS."""

from __future__ import annotations

import math

from harness.digits import duration, rounded
from harness.result import Figure, Verdict
from procedures.fit_compensation import colder, lowered, warmer
from procedures.fit_facts import Facts
from procedures.fit_judge import judge, judge_figure
from procedures.fit_lines import guess_of, line, provided
from procedures.fit_predict import predicted
from procedures.fit_share import AT_LEAST
from procedures.fit_work import Work

SLOW_IT = 0.1
"""Under this a charge is slow, not harmful."""


def charge_volts(work: Work) -> Verdict:
    """The most the charger was seen to hold, against what the pack may be charged to."""
    about, facts = "charge volts", work.facts
    highest, limit = facts.ups_side.highest, facts.pack.charge_volts_max
    if highest is None:
        return line(about, "cannot tell", facts.why("ceiling"), settles="a charge-ceiling run")
    word = judge(limit - highest.value, 2.0 * highest.u)
    what = {"pass": "within", "fail": "above"}.get(word, "too near to")
    sentence = f"the charger goes up to {highest.value:.2f} V, {what} the {limit:g} V that the pack may be charged to"
    settles, away = "a better voltmeter at the charge-ceiling run", colder(facts)
    if word == "pass" and away and judge(limit - highest.value - away.volts, 2.0 * highest.u) != "pass":
        sentence += f"; {away.words} it would go to {highest.value + away.volts:.2f} V"
        word, sentence = provided(word, sentence, f"the charger stays within {limit:g} V at {away.at_c:g} degC too")
        settles = away.settles
    return line(about, word, sentence, runs=(highest.run,), settles=settles)


def charge_share(work: Work) -> Verdict:
    """How full a long float leaves the pack; a share is no fault, so only its being known is judged."""
    about, facts = "charge share", work.facts
    made = work.figures.get("charge_share")
    if made is None:
        what = "a charge-ceiling run and a charge that ends by its end current"
        return line(about, "cannot tell", work.not_measured["charge_share"], settles=what)
    ceiling, charge = facts.ups_side.ceiling, facts.pack_side.charge
    runs = (ceiling.run if ceiling else "", charge.run if charge else "")
    sentence = f"a long float fills the pack to {_percent(made)} of its charge"
    if made.bound == "at most":
        sentence += "; the charge began above the ceiling"
        return line(about, "cannot tell", sentence, runs=runs, settles="a charge from a lower state")
    away = warmer(facts)
    if away is None or not (lacks := _lacks_when_lower(work, away.volts)):
        return line(about, "pass", sentence, runs=runs)
    sentence += f"; {away.words} it would hold {work.about.case.ceiling_v - away.volts:.2f} V only, {lacks}"
    word, sentence = provided("pass", sentence, f"the charger fills the pack enough at {away.at_c:g} degC too")
    return line(about, word, sentence, runs=runs, settles=away.settles)


def _lacks_when_lower(work: Work, volts: float) -> str:
    """What would no longer be sure with a ceiling lower by ``volts`` (V): the share itself, or the runtime that passes
    as measured; "" when nothing."""
    need, got = work.facts.site.runtime_needed_min, work.usual
    if not volts > 0:
        return ""
    about = lowered(work.about, volts)
    if about.case.missing_ah()[1] == AT_LEAST:
        return "and the share is not known there"
    if need is None or isinstance(got, str) or judge_figure(got.runtime_s, least=60.0 * need) != "pass":
        return ""
    try:
        low = predicted(work.facts, about, got.load_w).runtime_s
    except LookupError:
        return "and the runtime is not known there"
    if judge_figure(low, least=60.0 * need) == "pass":
        return ""
    return f"for {duration(float(low.value))} (h:mm:ss) +/- {duration(low.expanded_uncertainty or 0.0)}"


def _percent(made: Figure) -> str:
    value, expanded = 100.0 * float(made.value), 100.0 * (made.expanded_uncertainty or 0.0)
    if "range" in made.basis:
        return f"{max(value - expanded, 0.0):.0f} to {min(value + expanded, 100.0):.0f} %"
    return f"{made.bound} {' +/- '.join(rounded(value, expanded))} %".strip()


def charge_current(work: Work) -> Verdict:
    """The charger's current against the pack's limit; a small one is slow, not harmful."""
    about, facts = "charge current", work.facts
    amps, made = facts.ups_side.charge_a, work.figures.get("charge_current_margin_a")
    if amps is None or made is None:
        settles = "a charge-ceiling run with a load in place of the battery"
        return line(about, "cannot tell", facts.why_no_charge_a, settles=settles)
    word = judge_figure(made)
    limit, it = facts.pack.charge_amps_max, amps.value / facts.pack.rated_ah
    what = {"pass": "within", "fail": "more than"}.get(word, "too near to")
    slow = "; slow, not harmful" if it <= SLOW_IT else ""
    sentence = f"the charger gives {amps.value:.3g} A ({it:.2f} It), {what} the pack's {limit:g} A{slow}"
    return line(about, word, sentence, runs=(amps.run,), settles="a better ammeter at the charge-ceiling run")


def charge_cold(facts: Facts) -> Verdict:
    """A UPS charges at any temperature: either the place never gets too cold, or a BMS must be seen to stop it."""
    about, coldest = "charging when cold", facts.site.ambient_min_c
    limit = facts.pack.charge_temp_min_c
    limit = facts.pack.row.charge_temp_min_c if limit is None else limit
    if coldest is None:
        return line(about, "not judged", "ambient_min_c is not in [site]", settles="ambient_min_c in the UPS file")
    if coldest > limit:
        sentence = f"the place stays above {limit:g} degC ({coldest:g} degC at the coldest)"
        word, sentence = provided("pass", sentence, guess_of(facts, "ambient_min_c"))
        return line(about, word, sentence, settles="ambient_min_c measured")
    sentence = f"the place gets down to {coldest:g} degC, charging is for above {limit:g} degC"
    if not facts.pack.bms:
        return line(about, "fail", f"{sentence}, and there is no BMS to stop it")
    return line(
        about, "cannot tell", f"{sentence}; that the BMS stops it was not seen",
        settles="a charge tried below that temperature, or a warmer place",
    )  # fmt: skip


def high_side(facts: Facts) -> Verdict:
    """A full pack at rest against the highest volts at which the UPS was seen to be well."""
    about, rest, good = "volts of the full pack", facts.pack_side.rest_v, facts.ups_side.highest_good
    if rest is None:
        return line(about, "cannot tell", "the full pack's volts at rest were not measured", settles="a capacity run")
    if good is None:
        return line(about, "cannot tell", facts.why("floor"), settles="a voltage-floor run")
    runs, u = (rest.run, good.run), math.hypot(rest.u, good.u)
    if judge(good.value - rest.value, 2.0 * u) == "pass":
        sentence = f"the UPS was well up to {good.value:.2f} V, the full pack rests at {rest.value:.2f} V"
        return line(about, "pass", sentence, runs=runs)
    if judge(rest.value - facts.ups_side.abnormal_v, 2.0 * u) == "pass":
        sentence = (
            f"the UPS is not well at {facts.ups_side.abnormal_v:.2f} V; the full pack rests at {rest.value:.2f} V"
        )
        return line(about, "fail", sentence, runs=runs)
    return line(
        about, "cannot tell", f"not tested above {good.value:.2f} V; the full pack rests at {rest.value:.2f} V",
        runs=runs, settles=f"a voltage-floor run begun at {math.ceil(10 * rest.value) / 10:g} V (highest_v)",
    )  # fmt: skip
