"""Rules about what the pack gives to the UPS: floor, current, runtime, largest load, and where it is to work.

No number is corrected for temperature: lithium has no law for it that would hold, so a temperature outside the usual
makes a condition.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.digits import duration
from harness.entries import figure_words
from harness.result import Figure, Verdict
from procedures.fit_facts import Facts
from procedures.fit_judge import Word, judge_figure
from procedures.fit_lines import TEMP_C, guess_of, line, provided, temps_of
from procedures.fit_margins import Margin
from procedures.fit_predict import Predicted, rests_on
from procedures.fit_work import Work


def floor_line(work: Work) -> Verdict:
    """The UPS must stop before the pack does."""
    return _margin_line("floor margin", work, work.floor, work.floor_usual)


def current_line(work: Work) -> Verdict:
    """The pack must carry the UPS's largest current for as long as it flows."""
    return _margin_line("discharge current", work, work.current, work.current_usual)


def inrush() -> Verdict:
    """No run can see it: it is over in milliseconds, and a BMS may take it for a short circuit."""
    sentence = "what flows into the UPS's capacitors at the moment of connecting is in no run"
    return line("inrush", "not judged", sentence, settles="the pack put to the UPS once: does its BMS stay closed")


def _margin_line(about: str, work: Work, worst: Margin, usual: Margin) -> Verdict:
    """Where only evidence is missing for the largest load, but not for the usual one, the load has to be kept down."""
    facts = work.facts
    if worst.unproven and usual.word == "pass" and facts.usual_w < facts.worst_w:
        word, sentence = provided("pass", usual.why + _by(usual), _kept_down(work), guess_of(facts, "ac_load_w"))
        return line(about, word, sentence, runs=usual.runs, settles=worst.settles)
    guess = guess_of(facts, "load_w_max", "ac_load_w")
    label = "the label is right, no run carried that current" if worst.word == "pass with conditions" else ""
    word, sentence = provided(worst.word, worst.why + _by(worst), label, guess)
    settles = worst.settles if worst.word != "pass" else "what was guessed, measured"
    return line(about, word, sentence, runs=worst.runs, settles=settles)


def _kept_down(work: Work) -> str:
    made = work.cap.figure
    most = work.facts.usual_w if made is None else max(math.floor(float(made.value)), work.facts.usual_w)
    return f"the load stays at or below {most:.4g} W"


def _by(margin: Margin) -> str:
    return "" if margin.figure is None else f" (margin {figure_words(margin.figure).partition(' (k')[0]})"


def runtime_line(work: Work) -> Verdict:
    """The runtime at the usual load against what the place needs."""
    about, facts, got = "runtime", work.facts, work.usual
    need = facts.site.runtime_needed_min
    if isinstance(got, str):
        settles = "the missing run, with its end as the procedure wants it"
        return line(about, "cannot tell", got, runs=rests_on(facts), settles=settles)
    words = f"{_span(got.runtime_s)} at {got.load_w:.4g} W"
    if facts.site.load_w is None or need is None:
        missing = "load_w" if facts.site.load_w is None else "runtime_needed_min"
        sentence = f"{words}; {missing} is not in [site]"
        return line(about, "not judged", sentence, runs=got.runs, settles=f"{missing} in the UPS file")
    word = judge_figure(got.runtime_s, least=60.0 * need)
    guess = guess_of(facts, "load_w", "ac_load_w", "runtime_needed_min")
    sentence = f"{words}, {need:g} min are needed; {got.how}"
    if word == "cannot tell":
        sentence += facts.pack_side.told_unused
    if len(temps_of(facts)) < len(facts.pack_side.curves) and word == "pass":
        word, sentence = "cannot tell", f"{sentence}; the pack's temperature was not measured"
    word, sentence = provided(word, sentence, *_measured_at(facts), *_taken_full(facts), guess)
    return line(about, word, sentence, runs=got.runs, settles=_runtime_settles(facts, got, word))


def _runtime_settles(facts: Facts, got: Predicted, word: Word) -> str:
    if word == "cannot tell" and got.bound == "at most":
        return f"a capacity run at {math.ceil(100 * got.last_amps / facts.pack.rated_ah) / 100:g} It or more"
    if word == "cannot tell" and got.bound == "at least":
        return "a capacity run to lower end volts"
    if word == "cannot tell":
        return "a discharge on the UPS itself at that load" if temps_of(facts) else "a thermometer on the pack"
    return "capacity runs at the place's temperature, and its facts measured"


def _span(made: Figure) -> str:
    value, expanded = float(made.value), made.expanded_uncertainty or 0.0
    return f"{made.bound} {duration(value)} (h:mm:ss) +/- {duration(expanded)}".strip()


def _measured_at(facts: Facts) -> Iterator[str]:
    outside = [temp for temp in temps_of(facts) if not TEMP_C[0] <= temp <= TEMP_C[1]]
    if outside:
        yield f"the place is as the runs were, {outside[0]:.0f} degC"


def _taken_full(facts: Facts) -> Iterator[str]:
    if facts.pack_side.taken_full:
        yield f"the pack was full before {', '.join(facts.pack_side.taken_full)}, which no run saw"


def load_line(work: Work) -> Verdict:
    """The site's loads against the largest one proven."""
    about, facts, cap = "largest load", work.facts, work.cap
    made = cap.figure
    if made is None:
        return line(about, "not judged", f"none is proven: {cap.binds}", runs=cap.runs, settles=cap.settles)
    # What proves the next watt is not what proves the site's largest load.
    lacking = (margin.settles for margin in (work.floor, work.current) if margin.word != "pass" and margin.settles)
    settles = next(lacking, cap.settles)
    most = float(made.value)
    words = f"proven up to {most:.0f} W{_for_how_long(work, most)}; a larger one is held up by: {cap.binds}"
    usual, worst = facts.site.load_w, facts.site.load_w_max
    if usual is None and worst is None:
        return line(about, "not judged", f"{words}; no load is in [site]", runs=cap.runs, settles="load_w in [site]")
    largest = max(one for one in (usual, worst) if one is not None)
    if largest <= most:
        guess = guess_of(facts, "load_w_max" if worst is not None else "load_w", "ac_load_w")
        word, sentence = provided("pass", f"{largest:g} W may come, {words}", guess)
        return line(about, word, sentence, runs=cap.runs, settles="the load measured")
    if usual is not None and usual <= most:
        word, sentence = provided("pass", f"{words}; {largest:g} W may come", _kept_down(work))
        return line(about, word, sentence, runs=cap.runs, settles=settles or "a smaller load")
    sure = "fail" in (work.floor.word, work.current.word) or largest > facts.ups.rated_w
    word = "fail" if sure else "cannot tell"
    return line(about, word, f"{words}; {largest:g} W may come", runs=cap.runs, settles=settles)


def _for_how_long(work: Work, load_w: float) -> str:
    seconds = work.seconds(load_w)
    return "" if math.isnan(seconds) else f" for {duration(seconds)} (h:mm:ss)"


def room(facts: Facts) -> Verdict:
    """Temperatures of the place against those of the runs; nothing is corrected."""
    about, low, high = "room temperature", facts.site.ambient_min_c, facts.site.ambient_max_c
    temps, runs = temps_of(facts), tuple(curve.run for curve in facts.pack_side.curves)
    if low is None and high is None:
        return line(about, "not judged", "no temperatures of the place are in [site]", settles="ambient_min_c and "
                     "ambient_max_c in the UPS file")  # fmt: skip
    if not facts.pack_side.curves:
        return line(about, "cannot tell", facts.why("curves"), settles="a capacity run that ends as it should")
    if not temps:
        return line(about, "cannot tell", "the pack's temperature was not measured", settles="a pack thermometer")
    limits = facts.pack.row
    least = limits.discharge_temp_min_c if facts.pack.discharge_temp_min_c is None else facts.pack.discharge_temp_min_c
    most = limits.discharge_temp_max_c if facts.pack.discharge_temp_max_c is None else facts.pack.discharge_temp_max_c
    span = " to ".join(f"{one:g}" for one in (low, high) if one is not None)
    if (low is not None and low < least) or (high is not None and high > most):
        return line(
            about, "fail", f"the place has {span} degC, the pack may give current from {least:g} to {most:g} degC"
        )
    usual = all(TEMP_C[0] <= temp <= TEMP_C[1] for temp in temps)
    tested = (min(*temps, *TEMP_C), max(*temps, *TEMP_C)) if usual else (min(temps), max(temps))
    inside = (low is None or low >= tested[0]) and (high is None or high <= tested[1])
    away = "" if inside else f"the room stays within {tested[0]:.0f} to {tested[1]:.0f} degC"
    guess = guess_of(facts, "ambient_min_c", "ambient_max_c")
    sentence = f"the place has {span} degC, measured at {min(temps):.0f} degC"
    word, sentence = provided("pass", sentence, away, guess)
    return line(about, word, sentence, runs=runs, settles="capacity runs at the place's temperatures")
