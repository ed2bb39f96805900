"""What reading JSON out of a file that anybody may have written can raise."""

from __future__ import annotations

import msgspec

BAD_JSON = (msgspec.MsgspecError, UnicodeError, RecursionError)
"""No JSON or other than asked for, no UTF-8, or nested so deeply that nobody has written it on purpose to be read."""
