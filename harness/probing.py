"""``nightbench instruments --probe``: which dialect an instrument speaks, found out with questions only.

First the line (``probing_line``), then every question of every dialect (``probing_questions``, ``probing_fit``), then
in words what fits, what is missing and what a person has to try. Texts that set something are never sent.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from drivers.dialect import Dialect, LoadDialect, Setting, SupplyDialect, load, parts, shipped
from drivers.dialect_parts import Remote
from drivers.dialect_texts import word_of
from drivers.faults import NotANumber
from drivers.number_texts import value_of
from drivers.raw_line import RawLine, only_asks
from drivers.session import IDENTITY_ASK
from drivers.wire import Lost, Wire
from harness.probing_file import dialect_text, refusal
from harness.probing_fit import Fit, fit, in_order, with_comma
from harness.probing_found import Probe, Range
from harness.probing_line import Asker, NoAnswer, learn
from harness.probing_questions import OutOfStep, Questions

SENTENCE = (
    "it answers everything with {said!r}: it wants a remote command first (SYST:REM is a common one), or speaks a "
    "language of its own. A remote command sets something, so it cannot be tried with questions: look it up in its "
    "manual, and see [remote] and identity_ask in `nightbench new dialect FILE`"
)
MORE_LINES = "it answers one question with more than one line, which no dialect can allow for: look for a setting of it"

REMOTE_ASK = "SYST:REM?"
"""Common practice, no source: the standards have no header for it on lines without a control wire of their own."""

ENDLESS = "its error queue does not empty, and no dialect fits one: switch it off and on, and probe it again"


def probe(
    wire: Wire,
    *,
    own: Sequence[Dialect] = (),
    stop: Callable[[], bool] = lambda: False,
    met: Callable[[bytes], None] = lambda identity: None,
) -> Probe:
    """Find out what speaks on a wire. ``own``: dialects to try beside the shipped ones. ``stop()``: time is up.
    ``met`` hears the identity before anything of a dialect is asked, and may raise.

    Raises ``Lost`` when the line breaks at once, ``Timeout`` when it cannot be opened.
    """
    line = RawLine(wire)
    result = Probe(wire.address, heard=line.heard)
    try:
        _probe(line, result, dialects=[*own, *map(load, shipped())], stop=stop, met=met)
    except NoAnswer as error:
        result.against.append(f"{error}; check power, cable, address and, on a serial port, the baud rate")
    except OutOfStep as error:
        result.against.append(f"given up: {error}")
    except Lost as error:
        if not result.identity:
            if said := result.manners.banner.strip():
                error.why = f"it said {said!r} when the line was opened, then: {error.why}"
            raise
        result.against.append(f"the line broke: {error.why}")
    finally:
        line.close()
    if result.against:
        result.against += filter(None, map(_left_out, own))
    return result


def _left_out(own: Dialect) -> str:
    """Which questions of a person's own file were not sent, as nothing shows that they are questions; "" for none."""
    texts = [own.identity_ask, own.errors_ask, *(part.ask for _, part in parts(own))]
    unasked = [text for text in dict.fromkeys(texts) if text and not only_asks(text)]
    if not unasked:
        return ""
    return (
        f"{own.name} was not tried as a whole: {', '.join(unasked)} do not end with ?, so a probe cannot know that "
        "they set nothing; `nightbench check` asks them"
    )


def _probe(
    line: RawLine,
    result: Probe,
    *,
    dialects: Sequence[Dialect],
    stop: Callable[[], bool],
    met: Callable[[bytes], None],
) -> None:
    # A person's own comes first: what is not understood may be answered as well, by a word that says so.
    asks = [one.identity_ask for one in dialects if only_asks(one.identity_ask)]
    identity = learn(line, result.manners, asks=list(dict.fromkeys([*asks, IDENTITY_ASK])))
    if result.manners.sentence:
        result.against.append(SENTENCE.format(said=result.manners.sentence.decode("ascii", "backslashreplace")))
        return
    met(identity)
    result.identity = identity.decode("ascii", "backslashreplace").strip()
    if result.manners.extra_lines:
        result.against.append(MORE_LINES)
    questions = Questions(Asker(line, result.manners), identity, stop=stop)
    questions.find_error_queue(tuple(dict.fromkeys(one.errors_ask for one in dialects if only_asks(one.errors_ask))))
    result.errors_ask, result.old_errors = questions.errors_ask, questions.old_errors
    if questions.endless:
        result.against.append(ENDLESS)
    result.decimal_comma = with_comma(dialects, questions)
    found = [fit(one, questions, decimal_comma=result.decimal_comma) for one in dialects]
    result.fits = in_order(found)
    best = result.best
    if best is None or not best.fits:
        result.against.append(_nothing_fits(best))
    else:
        result.ranges = _ranges(best, questions, comma=result.decimal_comma)
        if best.dialect.remote is None and isinstance(best.dialect, SupplyDialect | LoadDialect):
            result.remote_ask = _remote_ask(questions)
        if why := refusal(dialect_text(result, best)):
            result.against.append(f"{best.dialect.name} would fit, but not on this line: {why}")


def _remote_ask(questions: Questions) -> str:
    """Without such a question nobody sees that somebody pressed the local key, and "off" may be refused after that."""
    raw = questions.ask(REMOTE_ASK).raw
    word = "" if raw is None else word_of(raw.decode("ascii", "backslashreplace"))
    form = Remote(set="", ask=REMOTE_ASK)
    return REMOTE_ASK if word in (*form.reply_on, *form.reply_off) else ""


def _nothing_fits(best: Fit | None) -> str:
    if best is None:
        return "no question of any dialect was understood; write one of your own: `nightbench new dialect FILE`"
    lacking = [f"{key} ({best.questions[key]}: {best.failing[key]})" for key in best.needed]
    if not lacking:
        lacking = ["no channel answered"]
    return f"no dialect fits; {best.dialect.name} comes nearest but needs {', '.join(lacking)}"


def _ranges(best: Fit, questions: Questions, *, comma: bool) -> dict[str, Range]:
    """Ends of the range of each set-point, where ``MIN`` and ``MAX`` are understood (SCPI-1999 7.2.1.2)."""
    found = {}
    for key, part in parts(best.dialect):
        if not isinstance(part, Setting) or key not in best.answered:
            continue
        question = best.questions[key]
        raws = [questions.answers[question].raw or b""]
        ends = []
        for word in ("MIN", "MAX"):
            raw = questions.ask(_with_word(question, word)).raw
            try:
                ends.append(None if raw is None else value_of(raw, part, decimal_comma=comma))
                raws += [] if raw is None else [raw]
            except NotANumber:
                ends.append(None)
        least, most = ends
        if least is None or most is None or not least < most:
            least = most = None
        found[key] = Range(least, most, _decimals(raws, comma=comma))
    return found


def _with_word(question: str, word: str) -> str:
    """``VOLT? MAX``; with a channel list ``VOLT? MAX,(@2)``, as the list comes last."""
    header, _, rest = question.partition(" ")
    longer = f"{header} {word},{rest}" if rest else f"{header} {word}"
    assert only_asks(longer)
    return longer


def _decimals(raws: Sequence[bytes], *, comma: bool) -> int | None:
    """Decimals of an instrument that always writes the same number of them; ``None`` when it does not."""
    counts = set()
    for raw in raws:
        text = (raw.replace(b",", b".") if comma else raw).strip(b' "')
        _, point, rest = text.partition(b".")
        digits = len(rest) - len(rest.lstrip(b"0123456789"))
        if not point or rest[digits:].strip()[:1] in (b"E", b"e"):
            return None
        counts.add(digits)
    return counts.pop() if len(counts) == 1 else None
