"""What a probe found, for a person and for ``--json``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from harness.lines import wrapped
from harness.plain import safe_text
from harness.probing_fit import Fit, not_tried
from harness.probing_found import Probe
from harness.probing_line import GAP_S, LineManners

_NAMES = {b"\n": "LF", b"\r": "CR", b"\0": "NUL"}


def probe_text(found: Probe, file: str | None) -> str:
    """Lines of 80 columns."""
    return wrapped(_lines(found, file))


def probe_document(found: Probe, file: str | None) -> dict[str, Any]:
    """Everything, with each message that was sent and what came back; texts of bytes as Python writes them."""
    best = found.best
    return {
        "address": found.address,
        "identity": found.identity or None,
        "line": _line_document(found.manners),
        "error_queue": found.errors_ask or None,
        "errors_before": [str(error) for error in found.old_errors],
        "decimal_comma": found.decimal_comma,
        "remote_ask": found.remote_ask or None,
        "fits": found.found,
        "dialect": best.dialect.name if best and found.found else None,
        "nearest": best.dialect.name if best else None,
        "alike": found.like,
        "against": found.against,
        "channels": best.channels if best else 0,
        "answered": best.answered if best else [],
        "missing": best.failing if best else {},
        "not_tried": not_tried(best.dialect) if best else [],
        "dialects": {one.dialect.name: _share(one) for one in found.fits},
        "file": file,
        "sent": [
            {"sent": _bytes(one.sent), "received": _bytes(one.received), "unasked": _bytes(one.unasked)}
            for one in found.heard
        ],
    }


def _lines(found: Probe, file: str | None) -> Iterator[str]:
    best = found.best
    who = safe_text(found.identity)
    yield f"{found.address}: {who}" if who else f"{found.address}: does not say who it is"
    if found.identity:
        yield f"line: {_line_words(found.manners)}"
        yield _queue_words(found)
    if found.found:
        assert best is not None
        like = f", and {', '.join(found.like)} asks the very same" if found.like else ""
        several = f"; {best.channels} channels" if best.channels else ""
        yield f"dialect: {best.dialect.name} fits: {_share(best)} questions answered{several}{like}"
    if found.remote_ask:
        command = found.remote_ask.removesuffix("?")
        yield (
            f"local key: {found.remote_ask} tells of it, which no shipped dialect asks: use the file that --write "
            f"writes; {command} in it was not tried, since it sets something"
        )
    for reason in found.against:
        yield f"no dialect: {safe_text(reason)}"
    if best is not None:
        yield f"answered: {', '.join(best.answered)}"
        for key, why in best.failing.items():
            yield f"missing: {key}: {best.questions[key]}: {safe_text(why)}"
        if texts := not_tried(best.dialect):
            yield f"not tried, since it sets something: {', '.join(texts)}"
    if file:
        yield f"written: {file}"
    yield f"{len(found.heard)} messages sent, all of them questions; nothing was set"


def _share(one: Fit) -> str:
    return f"{len(one.answered)} of {len(one.answered) + len(one.failing)}"


def _queue_words(found: Probe) -> str:
    if not found.errors_ask:
        return "errors: it has no error queue that answers"
    old = "; ".join(str(error) for error in found.old_errors)
    told = f"; read out of it, from before or from finding the line's ends: {safe_text(old)}" if old else ""
    return f"errors: {found.errors_ask}{told}"


def _line_words(manners: LineManners) -> str:
    ends = _end_words(manners.ends) or "nothing, so silence ends them"
    parts = [f"messages end with {_end_words(manners.hears)}, replies with {ends}"]
    if manners.ends and manners.gap_s is not None:
        parts.append(f"as the two differ a silence of {GAP_S:g} s ends a reply")
    if manners.echo:
        parts.append("it echoes")
    if manners.banner.strip(b"\r\n\0 "):
        parts.append(f"it says {manners.banner!r} when the line is opened")
    if manners.boot_s:
        parts.append(f"deaf after the opening, for {manners.boot_s:g} s at most, as devices are that restart then")
    if manners.pace_s:
        parts.append(f"messages less than {manners.pace_s:g} s apart are lost")
    if manners.message_bytes:
        parts.append(f"messages of more than {manners.message_bytes} bytes may be cut")
    if not manners.joined:
        parts.append("two questions in one message are not answered together")
    return "; ".join([*parts, *manners.notes])


def _line_document(manners: LineManners) -> dict[str, Any]:
    return {
        "terminator": manners.hears.decode(),
        "replies_end": manners.ends.decode(),
        "gap_s": manners.gap_s,
        "echo": manners.echo,
        "banner": _bytes(manners.banner),
        "boot_s": manners.boot_s,
        "pace_s": manners.pace_s,
        "message_bytes": manners.message_bytes,
        "joined": manners.joined,
        "more_lines": manners.extra_lines,
        "sentence": _bytes(manners.sentence),
        "notes": manners.notes,
    }


def _end_words(end: bytes) -> str:
    return " ".join(_NAMES[end[at : at + 1]] for at in range(len(end)))


def _bytes(raw: bytes) -> str:
    """One character a byte, so that nothing is lost (ISO 8859-1)."""
    return raw.decode("latin-1")
