"""Errors that a person can mend.

Everything a user can put right derives from :class:`MendableError`: it says what was found, where
(table, field, row, record identifier -- never a name), what is allowed and what to do. The command
line prints it without a traceback. Misuse of a function is ``ValueError``; everything else stays a
traceback, because it is our fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


class MendableError(Exception):
    """Something a user can mend.

    Parameters
    ----------
    message
        What was found, what is allowed and what to do, in whole sentences.
    where
        Machine-readable place: file, table, field, row, record, option.
    """

    kind = "refused"
    exit_code = 1

    def __init__(self, message: str, **where: object) -> None:
        super().__init__(message)
        self.message = message
        self.where: Mapping[str, object] = dict(where)


class RefusedInputError(MendableError):
    """A value, file or table that cannot be used as it stands."""

    kind = "refused_input"


class RefusedEstimateError(MendableError):
    """A figure that the data cannot support; the refusal is the result."""

    kind = "refused_estimate"


class UsageError(MendableError):
    """Options that do not fit together."""

    kind = "usage"
    exit_code = 2


class StoreError(MendableError):
    """A registry file that is missing, damaged, newer than this program or not a registry."""

    kind = "store"


class StoreBusyError(StoreError):
    """The registry file is held by another process."""

    kind = "store_busy"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found in one cell, row or file at intake.

    ``row`` is the physical line in the file (the heading is line 1), or None for the whole file.
    ``severity`` is ``"error"`` (nothing is taken) or ``"warning"`` (taken, but worth a look).
    """

    severity: str
    file: str
    row: int | None
    field: str | None
    found: str
    allowed: str
    remedy: str


class DataProblemsError(MendableError):
    """Findings that keep the data out; carries every one of them."""

    kind = "data_problems"
    exit_code = 3

    def __init__(self, message: str, findings: tuple[Finding, ...], **where: object) -> None:
        super().__init__(message, **where)
        self.findings = findings
