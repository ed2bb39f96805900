"""Does this pack fit this UPS? A verdict from earlier runs: figures with their doubts, rule by rule, and one class.

Nothing is measured here and nothing is switched. Runs are read (``fit_runs``, ``fit_read``), put together
(``fit_gather``), computed with (``fit_case``, ``fit_curves``, ``fit_runtime``, ``fit_share``, ``fit_ups``), each figure
with its budget (``fit_doubt``), and judged (``fit_margins``, ``fit_load``, ``fit_rules_in``, ``fit_rules_out``).
What to do next is said by ``fit_next``; curves for the report come from ``fit_shown``.
"""

from __future__ import annotations

from collections.abc import Sequence

from harness.folder import RunFolder
from harness.verdict import Judgement, VerdictMaker
from harness.verdict_shown import Shown
from procedures.fit_facts import Facts
from procedures.fit_gather import gathered
from procedures.fit_judge import worst
from procedures.fit_next import next_actions
from procedures.fit_rules import lines
from procedures.fit_runs import opened
from procedures.fit_sentence import sentence
from procedures.fit_shown import shown_of
from procedures.fit_work import Work, runtimes, worked


def judge(folders: Sequence[RunFolder]) -> Judgement:
    """The verdict from runs of one pack and one UPS; raises ``Usage`` in one line for runs that do not go together."""
    return judged(gathered(opened(folders)))


def judged(facts: Facts) -> Judgement:
    """The verdict from plain facts, no files."""
    return _judged(worked(facts))


def shown(folders: Sequence[RunFolder]) -> tuple[Judgement, Shown]:
    """The verdict, and what its report shows besides; raises as ``judge`` does."""
    runs = opened(folders)
    work = worked(gathered(runs))
    return _judged(work), shown_of(work, runs)


def _judged(work: Work) -> Judgement:
    facts, every = work.facts, lines(work)
    verdict = worst(line.verdict for line in every)
    return Judgement(
        verdict=verdict,
        sentence=sentence(work, verdict, every),
        pack=facts.pack.name,
        ups=facts.ups.name,
        simulated=facts.simulated,
        lines=every,
        figures=work.figures,
        lists={"runtime_s": runtimes(work)},
        not_measured=work.not_measured,
        runs=facts.runs,
        notes=facts.notes,
        next_actions=next_actions(work, verdict, every),
    )


FIT = VerdictMaker("fit", "whether a pack fits a UPS, from earlier runs of both", judge, shown)
