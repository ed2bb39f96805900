"""A verdict on facts made from plain formulas, and its words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import fit_made as made

from harness.result import Verdict
from harness.verdict import Judgement
from procedures.fit import judged

curve, SITE = made.curve, made.SITE


def verdict(folder: Path, **changes: Any) -> Judgement:
    return judged(made.facts(folder, **changes))


def line(judgement: Judgement, about: str) -> Verdict:
    return next(one for one in judgement.lines if one.about == about)


def words(judgement: Judgement) -> dict[str, str]:
    return {one.about: one.verdict for one in judgement.lines}
