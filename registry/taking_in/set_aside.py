"""Taking the patients without an error, whole, and setting the others aside.

A row in error takes its patient with it, and a record that others need (a plaque in error) takes
the patients of the rows that name it. Whose a damaged row is must be certain: otherwise a patient
might be taken in part, and nothing is taken.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.csv_cells import defuse
from registry.errors import DataProblemsError, Finding
from registry.records import TABLES
from registry.taking_in.findings import show_value

if TYPE_CHECKING:
    from registry.taking_in.staged_rows import StagedRows

ASIDE_COLUMNS = ("patient_id", "table", "file", "row", "findings", "record")

_MOST_PASSES = 20
_OWNERS = {
    "patient": "r.patient_id",
    "tumour": "r.patient_id",
    "visit": "r.patient_id",
    "event": "r.patient_id",
    "implant": "(SELECT any_value(t.patient_id) FROM after_tumour t "
    "WHERE t.tumour_id = r.tumour_id)",
    "implant_muscle": "(SELECT any_value(t.patient_id) FROM after_implant i "
    "JOIN after_tumour t ON t.tumour_id = i.tumour_id WHERE i.implant_id = r.implant_id)",
}
"""SQL for whose a staged row ``r`` is; the other tables are no patient's."""


@dataclass(frozen=True, slots=True)
class AsideRow:
    """One row that was set aside; ``patient_id`` is "" for a plaque's, ``record`` its values."""

    patient_id: str
    table: str
    file: str
    row: int
    findings: str
    record: Mapping[str, str]


def _refuse(finding: Finding, findings: Sequence[Finding], why: str) -> DataProblemsError:
    row = f", row {finding.row}" if finding.row else ""
    return DataProblemsError(
        f"Nothing can be set aside: {finding.file}{row}: {why}. Mend this first.",
        tuple(findings),
        file=finding.file,
        row=finding.row,
    )


class _Sorter:
    """Sorts the staged rows into those to be taken and those set aside."""

    def __init__(self, staged: StagedRows) -> None:
        self._staged = staged
        self._run = staged.run
        self._names = [file.name for file in staged.files]
        self._tables = [file.table.name for file in staged.files]
        self.rows: list[tuple[str, str, str, int, dict[str, str]]] = []

    def _numbers(self, name: str) -> list[int]:
        return [number for number, other in enumerate(self._names) if other == name]

    def find_patients(self, findings: Sequence[Finding]) -> set[str]:
        """Find whose the rows in error are; rows that are no patient's are set aside at once."""
        patients: set[str] = set()
        unread = {(no, line): cells for no, line, cells in self._staged.unread}
        for finding in findings:
            if finding.severity != "error":
                continue
            if finding.row is None or finding.row <= self._heading_end(finding.file):
                raise _refuse(finding, findings, "the heading or the file itself is wrong")
            for number in self._numbers(finding.file):
                owner = self._find_owner(number, finding.row, unread)
                if owner is None:
                    raise _refuse(finding, findings, "whose row this is cannot be told")
                patients.add(owner)
        return patients - {""}

    def _heading_end(self, name: str) -> int:
        sources = [f.source for f in self._staged.files if f.name == name]
        return max((s.heading_rows[1] if s else 1) for s in sources) if sources else 0

    def _find_owner(
        self, number: int, line: int, unread: Mapping[tuple[int, int], Mapping[str, str]]
    ) -> str | None:
        """Find whose a row is: "" no patient's, None when it cannot be told."""
        table = self._tables[number]
        if (number, line) in unread:
            return self._find_unread_owner(table, number, line, unread[number, line])
        if table not in _OWNERS:
            self._remove(table, f"r.file_no = {number} AND r.line = {line}", "''")
            return ""
        rows = self._run(
            f"SELECT {_OWNERS[table]} FROM staged_{table} r "
            f"WHERE r.file_no = {number} AND r.line = {line}"
        )
        return rows[0][0] if rows else ""

    def _find_unread_owner(
        self, table: str, number: int, line: int, cells: Mapping[str, str]
    ) -> str | None:
        if table not in _OWNERS:
            owner: str | None = ""
        elif "patient_id" in {field.name for field in TABLES[table].fields}:
            owner = cells.get("patient_id") or None
        else:
            parent = "tumour" if table == "implant" else "implant"
            owner = self._find_parent_owner(parent, cells.get(f"{parent}_id", ""))
        known = (self._names[number], line)
        if owner is not None and known not in {(row[2], row[3]) for row in self.rows}:
            self.rows.append((owner, table, *known, dict(cells)))
        return owner

    def _find_parent_owner(self, parent: str, key: str) -> str | None:
        found = self._staged.connection.execute(
            f"SELECT {_OWNERS[parent]} FROM after_{parent} r WHERE r.{parent}_id = ?", [key]
        ).fetchall()
        return found[0][0] if found else None

    def remove_patients(self, patients: Iterable[str]) -> None:
        """Set every staged row of these patients aside."""
        names = sorted(patients)
        if not names:
            return
        self._run("CREATE OR REPLACE TEMP TABLE aside_patient (patient_id VARCHAR)")
        self._staged.connection.execute(
            "INSERT INTO aside_patient SELECT unnest(?)", [names]
        ).fetchall()
        for table in reversed(list(_OWNERS)):
            owner = _OWNERS[table]
            self._remove(table, f"{owner} IN (SELECT patient_id FROM aside_patient)", owner)

    def _remove(self, table: str, condition: str, owner: str) -> None:
        names = [field.name for field in TABLES[table].entered]
        shown = ", ".join(f"CAST(r.{name} AS VARCHAR)" for name in names)
        for file_no, line, whose, *values in self._run(
            f"SELECT r.file_no, r.line, {owner}, {shown} FROM staged_{table} r WHERE {condition}"
        ):
            record = {
                field.name: show_value(value, field)
                for field, value in zip(TABLES[table].entered, values, strict=True)
                if value is not None
            }
            self.rows.append((whose or "", table, self._names[file_no], line, record))
        self._run(
            f"DELETE FROM staged_{table} WHERE (file_no, line) IN "
            f"(SELECT (r.file_no, r.line) FROM staged_{table} r WHERE {condition})"
        )


def set_aside(staged: StagedRows, findings: Sequence[Finding], *, correct: bool) -> list[AsideRow]:
    """Leave in ``staged`` only patients without an error; compare them with the registry.

    Parameters
    ----------
    staged
        Staged and judged rows; ``findings`` of the first judging are kept.
    findings
        Every finding so far, those of the headings too.
    correct
        Whether the intake is a correction.

    Returns
    -------
    list of AsideRow
        What was set aside, with the findings of each row in words.

    Raises
    ------
    DataProblemsError
        When it is not certain whose a row in error is.
    """
    sorter = _Sorter(staged)
    every = list(findings)
    latest = list(findings)
    for _ in range(_MOST_PASSES):
        if not any(finding.severity == "error" for finding in latest):
            break
        sorter.remove_patients(sorter.find_patients(latest))
        latest = staged.judge_again(correct=correct)
        every += [finding for finding in latest if finding.severity == "error"]
    else:
        raise DataProblemsError("Too much is wrong to set rows aside. Mend it first.", tuple(every))
    said: dict[tuple[str, int | None], list[str]] = {}
    for finding in every:
        words = f"{finding.field or 'row'}: {finding.found} ({finding.remedy})"
        said.setdefault((finding.file, finding.row), []).append(words)
    return [
        AsideRow(whose, table, file, row, "; ".join(dict.fromkeys(said.get((file, row), []))), rec)
        for whose, table, file, row, rec in sorted(sorter.rows, key=lambda found: found[:4])
    ]


def write_aside(rows: Sequence[AsideRow]) -> bytes:
    """Write rows that were set aside as CSV (UTF-8 with byte order mark)."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(ASIDE_COLUMNS)
    for row in rows:
        record = json.dumps(dict(row.record), ensure_ascii=False)
        cells: list[Any] = [row.patient_id, row.table, row.file, row.row, row.findings, record]
        writer.writerow([defuse(str(cell)) for cell in cells])
    return stream.getvalue().encode("utf-8-sig")
