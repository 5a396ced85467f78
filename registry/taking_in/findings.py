"""Findings as a file that a clerk can open beside the table."""

from __future__ import annotations

import csv
import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from registry.csv_cells import defuse
from registry.errors import Finding, RefusedInputError
from registry.records import Field

_LONGEST_SHOWN = 80
FINDING_COLUMNS = ("severity", "file", "row", "field", "found", "allowed", "remedy")


def show(text: str) -> str:
    """Shorten a cell and make its unseen characters visible, for a finding.

    Examples
    --------
    >>> show("6/9\\x1b[2J")
    '6/9\\\\x1b[2J'
    """
    visible = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text[: _LONGEST_SHOWN + 1])
    return visible if len(visible) <= _LONGEST_SHOWN else visible[:_LONGEST_SHOWN] + "…"


def show_value(text: str | None, field: Field) -> str:
    """Write a stored value as a person would enter it: no zeros at the end of a decimal.

    Examples
    --------
    >>> from registry.records import TABLES
    >>> show_value("10.500000", TABLES["visit"].field("thickness_mm"))
    '10.5'
    """
    if text and field.type == "decimal" and "." in text:
        return text.rstrip("0").rstrip(".")
    return text or ""


def write_findings(findings: Sequence[Finding], path: Path, *, replace: bool = False) -> None:
    """Write findings as CSV (UTF-8 with byte order mark), whole or not at all.

    The file is readable by its owner alone, because it quotes cells.

    Raises
    ------
    RefusedInputError
        When the file is there already and ``replace`` is False, or cannot be written.
    """
    refuse_overwriting(path, replace=replace)
    draft = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "w", encoding="utf-8-sig", newline="") as stream:
                writer = csv.writer(stream)
                writer.writerow(FINDING_COLUMNS)
                writer.writerows(_cells(finding) for finding in findings)
                stream.flush()
                os.fsync(stream.fileno())
            _put_in_place(draft, path, replace=replace)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as failure:
        raise RefusedInputError(
            f"The findings cannot be written to {path} ({failure.strerror}).", file=str(path)
        ) from None


def refuse_overwriting(path: Path, *, replace: bool) -> None:
    """Raise RefusedInputError when there is such a file already."""
    if path.exists() and not replace:
        raise RefusedInputError(
            f"The file {path} is there already. Give another name, or --force to replace it.",
            file=str(path),
        )


def _put_in_place(draft: Path, path: Path, *, replace: bool) -> None:
    if replace:
        draft.replace(path)
        return
    try:
        os.link(draft, path)  # unlike a rename, it refuses a file made meanwhile
    except FileExistsError:
        refuse_overwriting(path, replace=False)


def _cells(finding: Finding) -> list[str]:
    values = (getattr(finding, name) for name in FINDING_COLUMNS)
    return [defuse("" if value is None else str(value)) for value in values]


def count_findings(findings: Sequence[Finding]) -> str:
    """Say how many findings there are, and which fields have most.

    Examples
    --------
    >>> one = Finding("error", "visit.csv", 3, "eye", "OD", "right, left", 'write "right"')
    >>> count_findings([one])
    '1 error, 0 warnings: visit.csv eye (1)'
    """
    errors = sum(finding.severity == "error" for finding in findings)
    warnings = len(findings) - errors
    places = Counter(f"{f.file} {f.field or 'whole rows'}" for f in findings).most_common(5)
    listed = ", ".join(f"{place} ({count})" for place, count in places)
    counted = ", ".join(
        f"{number} {name}{'' if number == 1 else 's'}"
        for number, name in ((errors, "error"), (warnings, "warning"))
    )
    return counted + (f": {listed}" if listed else "")
