"""What a screen has said, as a person reads it."""

from __future__ import annotations

import pytest

from harness.voice import VOICE


class Said:
    """What has been written to standard error so far."""

    def __init__(self, capture: pytest.CaptureFixture[str]) -> None:
        self._capture, self._text = capture, ""

    def getvalue(self) -> str:
        VOICE.flush(20.0)
        self._text += self._capture.readouterr().err
        return self._text
