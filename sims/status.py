"""Status of an instrument: error queue, standard event status, and the two SCPI register sets.

Source: IEEE 488.2-1992 chapter 11 (status byte, standard event status), SCPI-1999 volume 1 chapter 9 and volume 2
STATus and SYSTem subsystems.

Not modelled: service requests over the wire (a socket has none), the instrument summary bits of multi-channel
instruments. A condition that comes and goes between two messages is not seen by the event registers.
"""

from __future__ import annotations

from collections import deque

from sims.error_texts import HIGHEST, LOWEST, text_of

OPERATION_COMPLETE, REQUEST_CONTROL, QUERY_ERROR, DEVICE_ERROR = 1, 2, 4, 8
EXECUTION_ERROR, COMMAND_ERROR, USER_REQUEST, POWER_ON = 16, 32, 64, 128
"""Standard event status bits."""

_CLASSES = {
    1: COMMAND_ERROR,
    2: EXECUTION_ERROR,
    3: DEVICE_ERROR,
    4: QUERY_ERROR,
    5: POWER_ON,
    6: USER_REQUEST,
    7: REQUEST_CONTROL,
    8: OPERATION_COMPLETE,
}

QUEUE_LENGTH = 20
LONGEST_TEXT = 255


def event_bit(number: int) -> int:
    """The standard event status bit an error number sets; 0 for numbers that belong to no class."""
    return DEVICE_ERROR if number > 0 else _CLASSES.get(-number // 100, 0)


class RegisterSet:
    """Condition, transition filters, event and enable of one SCPI register."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0
        self.rise = 32767
        self.fall = 0

    def preset(self) -> None:
        """What ``STATus:PRESet`` does to this register."""
        self.enable, self.rise, self.fall = 0, 32767, 0

    def follow(self, condition: int) -> None:
        """Take the condition as it is now and latch what changed."""
        changed = condition ^ self.condition
        if changed:
            self.event |= (changed & condition & self.rise) | (changed & ~condition & self.fall)
            self.condition = condition

    def read_event(self) -> int:
        """The event register; reading clears it."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        return bool(self.event & self.enable)


class Status:
    """What every session of one instrument shares."""

    def __init__(self) -> None:
        self.errors: deque[str] = deque()
        self.event_status = POWER_ON
        self.event_enable = 0
        self.request_enable = 0
        self.operation = RegisterSet()
        self.questionable = RegisterSet()

    def fault(self, number: int, detail: str = "") -> None:
        """Enter an error or event: its event bit, and the queue, whose last place says -350 when it is full.

        ``detail`` stands behind the standard's text. Raises ValueError for 0 and for numbers no queue may hold.
        """
        if not number or not LOWEST <= number <= HIGHEST:
            raise ValueError(f"error number {number}: must be {LOWEST} to {HIGHEST} and not 0")
        self.event_status |= event_bit(number)
        text = text_of(number)
        if detail:
            clean = "".join(letter if " " <= letter <= "~" else "?" for letter in detail).replace('"', "'")
            text = f"{text};{clean}" if text else clean
        if len(self.errors) < QUEUE_LENGTH:
            self.errors.append(f'{number},"{text[:LONGEST_TEXT]}"')
        else:
            self.event_status |= DEVICE_ERROR
            self.errors[-1] = f'-350,"{text_of(-350)}"'

    def next_error(self) -> str:
        """The oldest error, taken out of the queue."""
        return self.errors.popleft() if self.errors else f'0,"{text_of(0)}"'

    def all_errors(self) -> str:
        """Every error, oldest first; the queue is empty afterwards."""
        text = ",".join(self.errors) or f'0,"{text_of(0)}"'
        self.errors.clear()
        return text

    def read_event_status(self) -> int:
        """The standard event status register; reading clears it."""
        value, self.event_status = self.event_status, 0
        return value

    def clear(self) -> None:
        """``*CLS``: events and errors go, enables stay."""
        self.errors.clear()
        self.event_status = self.operation.event = self.questionable.event = 0

    def byte(self, *, message_available: bool) -> int:
        """The status byte as ``*STB?`` reports it, master summary in bit 6."""
        value = (
            (4 if self.errors else 0)
            | (8 if self.questionable.summary else 0)
            | (16 if message_available else 0)
            | (32 if self.event_status & self.event_enable else 0)
            | (128 if self.operation.summary else 0)
        )
        return value | 64 if value & self.request_enable & ~64 else value
