"""Runs as JUnit XML, which programs for continuous integration read: a suite a run, a case for its end, each verdict
and each figure.

No standard body publishes this format; the elements and attributes are those that its readers have in common (from
memory of the schema in use for Ant's task of that name). A run that did not finish is an error, a verdict "fail" a
failure; what could not be told or measured is a skipped case with its reason, so that it is seen and breaks nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as Xml

from harness.entries import SIMULATED, figure_words
from harness.export import Taken, new_file
from harness.plain import safe_text
from harness.result import Figure, Result
from harness.show import verdict_sentence
from harness.sums import UNKNOWN

_NO_XML = re.compile(r"[\ufffe\uffff]")
FAILS = {"fail": "failure", "cannot tell": "skipped", "not judged": "skipped"}
"""Verdict -> element; the others pass."""


@dataclass(frozen=True, slots=True)
class Case:
    """``way``: "" for one that passes, else ``failure``, ``error`` or ``skipped``; ``text`` is what it says."""

    group: str
    name: str
    way: str
    text: str


def write_junit(runs: Sequence[Taken], target: Path) -> tuple[int, str, tuple[str, ...]]:
    """Write the suites. Returns how many cases there are."""
    root = Xml.Element("testsuites", name="nightbench")
    total = 0
    for number, run in enumerate(runs):
        found = list(cases(run))
        root.append(_suite(run, number, found))
        total += len(found)
    Xml.indent(root)
    with new_file(target) as file:
        Xml.ElementTree(root).write(file, encoding="utf-8", xml_declaration=True)
    return total, "cases", ()


def cases(run: Taken) -> Iterator[Case]:
    """The end of the run, its record, its verdicts, its figures, and what was not measured."""
    result = run.result
    outcome = result.outcome or run.folder.outcome()
    yield Case("run", "came to its end", _way_of_end(outcome), verdict_sentence(result, outcome=outcome))
    way = "skipped" if run.notes == (UNKNOWN,) else "failure" if run.notes else ""
    yield Case("record", "as at its end", way, "; ".join(run.notes) or "unchanged")
    for verdict in result.verdicts:
        yield Case("verdict", verdict.about, FAILS.get(verdict.verdict, ""), f"{verdict.verdict}: {verdict.sentence}")
    yield from _figures(result)
    for key, why in result.not_measured.items():
        yield Case("figure", key, "skipped", f"not measured: {why}")


def _way_of_end(outcome: str) -> str:
    return {"finished": "", "refused": "skipped", "stopped": "failure"}.get(outcome, "error")


def _figures(result: Result) -> Iterator[Case]:
    mark = f" {SIMULATED}" if result.simulated else ""
    for key, figure in result.figures.items():
        yield Case("figure", key, "", f"{figure_words(figure)}{mark}")
    for name, entries in result.lists.items():
        for number, entry in enumerate(entries, start=1):
            for key, value in entry.items():
                if isinstance(value, Figure):
                    yield Case(f"figure.{name}.{number}", key, "", f"{figure_words(value)}{mark}")


def _text(text: str) -> str:
    """``text`` without what XML 1.0 has no form for."""
    return _NO_XML.sub("?", safe_text(text))


def _suite(run: Taken, number: int, found: Sequence[Case]) -> Xml.Element:
    result = run.result
    ways = [case.way for case in found]
    suite = Xml.Element(
        "testsuite",
        {
            "package": "nightbench",
            "id": str(number),
            "name": _text(run.name),
            "timestamp": _timestamp(result.started),
            "hostname": "localhost",
            "tests": str(len(found)),
            "failures": str(ways.count("failure")),
            "errors": str(ways.count("error")),
            "skipped": str(ways.count("skipped")),
            "time": f"{result.duration_s or 0.0:.3f}",
        },
    )
    properties = Xml.SubElement(suite, "properties")
    for name, value in _properties(run).items():
        Xml.SubElement(properties, "property", name=name, value=_text(value))
    for case in found:
        _case(suite, case, _text(result.procedure))
    Xml.SubElement(suite, "system-out").text = "\n".join(
        f"{case.group} {case.name}: {case.text}" for case in _safe(found)
    )
    Xml.SubElement(suite, "system-err").text = "\n".join(map(_text, run.notes))
    return suite


def _safe(found: Sequence[Case]) -> Iterator[Case]:
    for case in found:
        yield Case(case.group, _text(case.name), case.way, _text(case.text))


def _case(suite: Xml.Element, case: Case, procedure: str) -> None:
    told = Xml.SubElement(
        suite, "testcase", classname=f"{procedure}.{_text(case.group)}", name=_text(case.name) or "-", time="0"
    )
    if case.way == "skipped":
        Xml.SubElement(told, "skipped", message=_text(case.text))
    elif case.way:
        Xml.SubElement(told, case.way, message=_text(case.text), type=case.group).text = _text(case.text)


def _timestamp(started: str) -> str:
    """Seconds in UTC without a zone, as its readers want it; the epoch for what is no time."""
    found = re.fullmatch(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d)(\.\d+)?Z", started)
    return found[1] if found else "1970-01-01T00:00:00"


def _properties(run: Taken) -> dict[str, str]:
    result = run.result
    told = {
        "procedure": result.procedure,
        "name": result.name,
        "simulated": str(result.simulated).lower(),
        "outcome": result.outcome or run.folder.outcome(),
        "started": result.started,
        "ended": result.ended,
    }
    if result.software is not None:
        told["nightbench"] = result.software.nightbench
    return told
