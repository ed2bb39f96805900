"""Which dialect fits: of those whose every needed question was understood the one that understood most."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from drivers.dialect import AnyDialect, Choice, Dialect, Flag, Input, Mode, Reading, Setting, Switch, kind_of, parts
from drivers.dialect_kinds import optional, table_of
from drivers.dialect_parts import Part
from drivers.dialect_texts import sent, word_of
from drivers.faults import NotANumber
from drivers.number_texts import value_of, whole_of
from drivers.raw_line import only_asks
from harness.probing_questions import Questions

MOST_CHANNELS = 16
"""Channels that are looked for."""

NO_CHANNEL = 96
"""So far beyond the first that nobody has it: who answers for it takes no notice of numbers."""


@dataclass(slots=True)
class Fit:
    """How one dialect fits. ``answered`` and ``failing`` are its keys; ``failing`` says why, ``needed`` those without
    which it is of no use."""

    dialect: Dialect
    channels: int = 0
    """How many channels answered; 0 for a dialect without channels."""
    answered: list[str] = field(default_factory=list)
    failing: dict[str, str] = field(default_factory=dict)
    questions: dict[str, str] = field(default_factory=dict)
    """Key -> the question as it was sent."""

    @property
    def needed(self) -> list[str]:
        """Keys that failed and that no dialect of this kind may lack."""
        may_lack = optional(type(self.dialect))
        return [key for key in self.failing if table_of(key) not in may_lack]

    @property
    def missing(self) -> list[str]:
        """Keys that failed and may be left out."""
        return [key for key in self.failing if key not in self.needed]

    @property
    def fits(self) -> bool:
        """Every question that it needs was understood."""
        return not self.needed and not (self.dialect.channels.how != "none" and not self.channels)

    @property
    def strength(self) -> int:
        """How many of the questions it needs were understood; status registers, which all instruments have, are none
        of them."""
        may_lack = optional(type(self.dialect))
        return sum(table_of(key) not in may_lack for key in self.answered)

    @property
    def rank(self) -> tuple[bool, bool, bool, int, int]:
        """The more the better: channels that answered, then understood answers, then fewer without one."""
        how = self.dialect.channels.how
        return (
            self.fits,
            self.channels > 0,
            how in ("suffix", "list"),
            len(self.answered),
            -len(self.failing),
        )


def fit(dialect: Dialect, questions: Questions, *, decimal_comma: bool) -> Fit:
    """Ask what a dialect asks. Nothing is selected: of an instrument with a selection its selected channel answers."""
    found = Fit(dialect)
    channel = _channels(found, questions, decimal_comma)
    for key, part in parts(dialect):
        question = part.ask.replace("{channel}", str(channel))
        found.questions[key] = question
        why = _why_not(part, question, questions, decimal_comma)
        if why:
            found.failing[key] = why
        else:
            found.answered.append(key)
    return found


def _channels(found: Fit, questions: Questions, comma: bool) -> int:
    """Look how many channels there are; the one that the questions are about."""
    channels = found.dialect.channels
    if channels.how == "select":
        return _selected(found, questions)
    if channels.how == "none":
        return 1
    (first, *_) = (part for _, part in parts(found.dialect))
    numbers = range(channels.least, channels.least + MOST_CHANNELS)
    if not _answers(first, channels.least + NO_CHANNEL, questions, comma):
        while found.channels < MOST_CHANNELS and _answers(first, numbers[found.channels], questions, comma):
            found.channels += 1
    if found.channels == 1 and channels.how == "suffix":
        # Of one channel the plain headers speak too: a number of 1 means the same as none (SCPI-1999 6.2.5.2).
        found.channels = 0
    return channels.least


def _answers(part: Part, channel: int, questions: Questions, comma: bool) -> bool:
    return not _why_not(part, part.ask.replace("{channel}", str(channel)), questions, comma)


def _selected(found: Fit, questions: Questions) -> int:
    channels = found.dialect.channels
    number = _whole(questions, channels.ask) if channels.ask and only_asks(channels.ask) else None
    if number is None:
        return channels.least
    most = _whole(questions, f"{channels.ask} MAX")
    found.channels = max(number, channels.most if most is None else most)
    return number


def _whole(questions: Questions, question: str) -> int | None:
    raw = questions.ask(question).raw
    try:
        return None if raw is None else whole_of(raw, Flag(ask=question, words=""))
    except NotANumber:
        return None


def _why_not(part: Part, question: str, questions: Questions, comma: bool) -> str:
    if not only_asks(question):
        return "not asked: its text is no question"
    answer = questions.ask(question)
    if answer.raw is None:
        told = f": {answer.errors[0]}" if answer.errors else ""
        return f"no answer{told}"
    return "" if understood(part, answer.raw, decimal_comma=comma) else f"answered {answer.raw!r}"


def understood(part: Part, raw: bytes, *, decimal_comma: bool) -> bool:
    """True when ``raw`` is an answer that the drivers take for this part."""
    word = word_of(raw.decode("ascii", "backslashreplace"))
    try:
        match part:
            case Reading() | Setting():
                value_of(raw, part, decimal_comma=decimal_comma)
                return True
            case Switch() | Input() if part.bit is not None:
                whole_of(raw, part)
                return True
            case Switch() | Input():
                return word in (*part.reply_on, *part.reply_off)
            case Choice():
                return any(word in words for words in part.reply.values())
            case Mode():
                return (word if part.mask is None else str(whole_of(raw, part) & part.mask)) in part.reply
            case Flag():
                whole_of(raw, part)
                return True
    except NotANumber:
        return False


def with_comma(dialects: Iterable[Dialect], questions: Questions) -> bool:
    """True when there are numbers that make sense with a decimal comma only."""
    for dialect in dialects:
        for _, part in parts(dialect):
            question = part.ask.replace("{channel}", str(dialect.channels.least))
            if not isinstance(part, Reading | Setting) or not only_asks(question):
                continue
            raw = questions.ask(question).raw
            if raw is None or understood(part, raw, decimal_comma=False):
                continue
            if understood(part, raw, decimal_comma=True):
                return True
    return False


def not_tried(dialect: AnyDialect) -> list[str]:
    """Texts that set something, or restart, or may: they are for a person to try, with nothing connected."""
    selects = [dialect.channels.set] if dialect.channels.set else []
    return selects + [one.text for one in sent(dialect) if not one.question]


def in_order(found: Iterable[Fit]) -> list[Fit]:
    """The best first. One that fits but understood fewer needed questions than another that does not comes after it:
    a supply whose questions are not all answered is no switch because its output could be asked.
    """
    ranked = sorted(found, key=lambda one: one.rank, reverse=True)
    most = max(ranked, key=lambda one: one.strength)
    if most.strength > ranked[0].strength:
        ranked.remove(most)
        ranked.insert(0, most)
    return ranked


def same_questions(one: Fit, other: Fit) -> bool:
    """Two dialects that no question tells apart."""
    return kind_of(one.dialect) == kind_of(other.dialect) and one.rank == other.rank and one.answered == other.answered
