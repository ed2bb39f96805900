"""Refusals: what a person asked for and will not get, in one line and with an exit code.

Every refusal says what, where, the value, the limit with its unit, and what to do next. The command line prints the
line and exits with ``exit_code``; no refusal has energised anything.
"""

from __future__ import annotations


class UserError(Exception):
    """Something a person can put right; never a traceback."""

    exit_code = 2


class Usage(UserError, ValueError):
    """A file, an option or a key that cannot be used as it stands."""

    exit_code = 2


class PlanRefused(UserError, ValueError):
    """The plan lies outside what pack, leads or instruments allow."""

    exit_code = 10


class PreflightRefused(UserError):
    """The bench is not as its files say."""

    exit_code = 11


class SelfTestFailed(UserError):
    """A barrier that was tried for real before an unattended run did not act, or not as it must."""

    exit_code = 40


class Busy(UserError):
    """Another run holds an instrument of this bench."""

    exit_code = 12


class EarlierRunOpen(UserError):
    """An earlier run on this bench ended without showing that it was off."""

    exit_code = 30
