"""The rows of the files on their way in: staged, judged, compared with the registry.

Rows are staged in temporary tables of the store's own connection, typed, with the file and the
physical line they come from. Nothing is written to the registry here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from datetime import date
from typing import TYPE_CHECKING, Any

from registry.derived import (
    ACUITY_ALLOWED,
    ACUITY_FIELDS,
    read_acuities,
    select_written_acuities,
)
from registry.engine.side_by_side import one_thread, read_ahead
from registry.entry_rules.cell_judging import CellJudge, JudgedCells
from registry.entry_rules.line_records import Chunk, LineProblem, split_refused
from registry.entry_rules.linked_rules import RULES_BETWEEN_RECORDS
from registry.entry_rules.record_rules import (
    RULES_WITHIN_A_RECORD,
    RecordRule,
    make_declared_rules,
)
from registry.entry_rules.rules import (
    LONGEST_TEXT,
    DateOrder,
    find_remedy,
    quote_text,
)
from registry.errors import Finding
from registry.reading.intake_files import Heading, IntakeFile
from registry.records import TABLES, Field, RecordTable
from registry.taking_in.findings import show, show_value
from registry.taking_in.staged_queries import (
    create_staging,
    fill_from_registry,
    mark_states,
    select_changed,
    select_incomplete,
    select_page,
)
from registry.taking_in.updating import CellChange, is_news

if TYPE_CHECKING:
    import pyarrow as pa

PAGE_LINES = 61_440
"""Rows handed to the store at a time: half a row group of DuckDB's. Three pages are under way."""

_TAKE_NEWS = "if it is news of the same record, take the file in with --update"
_TAKE_CORRECTION = "if the new value is right, take the file in with --correct --why REASON"

_LINE_PROBLEMS = {
    "unclosed_quote": ("a closed quote", "close the quote, or delete it"),
    "stray_quote": (
        "a quote only round a whole cell",
        "delete the quote, or double it inside a quoted cell",
    ),
    "unnamed_cell": (
        "nothing in a column without a name",
        "name the column, or clear the cell; a column map can leave it out (other_columns)",
    ),
    "repeated_heading": (
        "the heading once",
        "delete the row, or declare repeated_headings = true in a column map",
    ),
    "total_row": (
        "one record a row, no totals",
        "delete the row, or leave it out in a column map (leave_out_where, leave_out_rows)",
    ),
    "merged_cells": (
        "a value in every cell",
        "unmerge the cells, or declare fill_down for the column in a column map",
    ),
}


class StagedRows:
    """What the files hold, beside the registry they are meant for.

    Parameters
    ----------
    connection
        The store's connection, with the registry in use. Temporary tables are made in it.
    today
        No date may lie after it.
    date_order
        Order of dates written with slashes, dots or hyphens; None for ISO dates only.
    centre_id
        The store's own centre.
    off_chart_logmar
        The store's setting.

    Attributes
    ----------
    findings
        Everything found so far, in no order.
    rows_read
        Rows of each file, by its number.
    files
        The files, by their number.
    unread
        File number, line and cells by field of each line that could not be read as a row.
    states
        For each staged table how many rows are ``new``, ``changed``, ``unchanged`` and
        ``withdrawn`` (known, but withdrawn).
    kept, cell_changes
        What an update left as the registry holds it, by :mod:`registry.taking_in.updating`:
        counts by table and field, and the cells where they were asked for.
    """

    def __init__(
        self,
        connection: Any,
        *,
        today: date,
        date_order: DateOrder | None,
        centre_id: str,
        off_chart_logmar: Mapping[str, float],
    ) -> None:
        self.connection = connection
        self._today = today
        self._date_order = date_order
        self._centre_id = centre_id
        self._off_chart_logmar = off_chart_logmar
        self.files: list[IntakeFile] = []
        self._lines: dict[int, int] = {}
        self.findings: list[Finding] = []
        self.unread: list[tuple[int, int, dict[str, str]]] = []
        self.rows_read: dict[int, int] = {}
        self.states: dict[str, dict[str, int]] = {}
        self.kept: dict[tuple[str, str], tuple[int, int]] = {}
        self.cell_changes: list[CellChange] = []
        self._held = {name: self._count(name) for name in TABLES}
        for table in TABLES.values():
            for statement in create_staging(table, is_held=bool(self._held[table.name])):
                self.run(statement)

    def run(self, sql: str) -> list[tuple[Any, ...]]:
        """Run SQL and fetch its whole answer."""
        rows: list[tuple[Any, ...]] = self.connection.execute(sql).fetchall()
        return rows

    def _count(self, source: str) -> int:
        return int(self.run(f"SELECT count(*) FROM {source}")[0][0])

    # --- staging ----------------------------------------------------------------------------------

    def add_file(self, file: IntakeFile, heading: Heading, chunks: Iterator[Chunk]) -> None:
        """Stage every row of a file and judge its cells."""
        file_no = len(self.files)
        self.files.append(file)
        judge = CellJudge(
            self.connection, heading.columns, today=self._today, date_order=self._date_order
        )
        self.rows_read[file_no] = self._lines[file_no] = 0
        with one_thread(self.connection), closing(read_ahead(chunks)) as coming:
            for chunk in coming:
                self._report_lines(file_no, heading, chunk.problems)
                self._report_unnamed(file_no, heading, chunk)
                if heading.columns and chunk.cells.num_rows:
                    self._stage_chunk(file_no, heading, chunk, judge)
        self._complete(file_no, heading)

    def _stage_chunk(self, file_no: int, heading: Heading, chunk: Chunk, judge: CellJudge) -> None:
        names = [field.name for field in heading.columns]
        places = [str(place) for place in heading.columns.values()]
        renamed = [*names, "line"]
        cells = chunk.cells.select([*places, "line"]).rename_columns(renamed)
        written = cells
        if chunk.written is not None:
            written = chunk.written.select([*places, "line"]).rename_columns(renamed)
        judged = judge.judge(cells, has_rare_blanks=chunk.has_rare_blanks)
        for field, problems in judged.problems.items():
            self._report_cells(file_no, field, cells, written, judged.values["line"], problems)
        self._insert(file_no, names, judged)
        self.rows_read[file_no] += judged.values.num_rows
        self._lines[file_no] = max(self._lines[file_no], _last(cells["line"]))

    def _insert(self, file_no: int, names: Sequence[str], judged: JudgedCells) -> None:
        """Put judged rows into the staging table, with the fields that could not be read."""
        rows, marks = judged.values, []
        for field, problems in judged.problems.items():
            rows = rows.append_column(f"?{field.name}", problems)
            marks.append(f'CASE WHEN "?{field.name}" IS NOT NULL THEN {quote_text(field.name)} END')
        unreadable = "NULL"
        if marks:
            found = f"list_filter([{', '.join(marks)}], lambda x: x IS NOT NULL)"
            unreadable = f"nullif({found}, [])"
        self.connection.register("judged_rows", rows)
        self.run(
            f"INSERT INTO staged_{self.files[file_no].table.name} BY NAME SELECT "
            f"{', '.join(names)}, {file_no} AS file_no, line, {unreadable} AS unreadable "
            "FROM judged_rows"
        )
        self.connection.unregister("judged_rows")

    def _report_cells(
        self,
        file_no: int,
        field: Field,
        cells: pa.Table,
        written: pa.Table,
        lines_judged: pa.ChunkedArray,
        problems: pa.Array,
    ) -> None:
        import pyarrow.compute as pc

        is_wrong = pc.is_valid(problems)
        wrong_lines = lines_judged.filter(is_wrong)
        lines = wrong_lines.to_pylist()
        is_shown = pc.is_in(cells["line"], wrong_lines.combine_chunks())
        bad_lines = cells["line"].filter(is_shown).to_pylist()
        found = dict(zip(bad_lines, cells[field.name].filter(is_shown).to_pylist(), strict=True))
        shown = dict(zip(bad_lines, written[field.name].filter(is_shown).to_pylist(), strict=True))
        for line, problem in zip(lines, problems.filter(is_wrong).to_pylist(), strict=True):
            text = found[line].strip()
            seen = shown[line].strip() or text
            refused = split_refused(text)
            if refused is not None:
                seen, remedy = refused
            else:
                remedy = find_remedy(problem, show(text), field)
            self._report(file_no, line, field.name, seen, field.allowed(), remedy)
        table = self.files[file_no].table
        if field == table.key[0]:
            keys = ["".join(c for c in found[line] if c.isprintable()).strip() for line in lines]
            self._remember_lost(table, keys)

    def _remember_lost(self, table: RecordTable, keys: list[str]) -> None:
        """Keep keys of rows that cannot be read, so that references to them hold meanwhile."""
        import pyarrow as pa

        keys = [key for key in keys if len(key) <= LONGEST_TEXT]
        self.connection.register("lost_keys", pa.table({"key": pa.array(keys, pa.string())}))
        self.run(f"INSERT INTO lost_{table.name} SELECT key FROM lost_keys")
        self.connection.unregister("lost_keys")

    def _report(
        self,
        file_no: int,
        line: int,
        field: str | None,
        found: str,
        allowed: str,
        remedy: str,
        severity: str = "error",
    ) -> None:
        name = self.files[file_no].name
        self.findings.append(Finding(severity, name, line, field, show(found), allowed, remedy))

    def _report_lines(
        self, file_no: int, heading: Heading, problems: Sequence[LineProblem]
    ) -> None:
        """Report lines that cannot be split; remember their keys, so that references hold."""
        table = self.files[file_no].table
        by_place = {place: name for name, place in heading.cell_places.items()}
        key_place = heading.cell_places.get(table.key[0].name)
        lost = []
        for problem in problems:
            self.rows_read[file_no] += 1
            self._lines[file_no] = max(self._lines[file_no], problem.line)
            if problem.kind == "column_count":
                found, field = f"{len(problem.cells)} cells", None
                allowed = f"{heading.n_cells} cells, as in the heading"
                remedy = "put a cell that holds a comma in double quotes; leave no cell out"
            else:
                place = len(problem.cells) - 1
                found, field = problem.cells[-1], by_place.get(place)
                if problem.kind in ("repeated_heading", "total_row"):
                    found, field = next((c for c in problem.cells if c.strip()), ""), None
                elif problem.kind in ("unnamed_cell", "merged_cells"):
                    field = None
                allowed, remedy = _LINE_PROBLEMS[problem.kind]
            self._report(file_no, problem.line, field, found, allowed, remedy)
            cells = {
                name: problem.cells[place].strip()
                for name, place in heading.cell_places.items()
                if place < len(problem.cells)
            }
            self.unread.append((file_no, problem.line, cells))
            if key_place is not None and key_place < len(problem.cells):
                lost.append(problem.cells[key_place].strip())
        if lost:
            self._remember_lost(table, lost)

    def _report_unnamed(self, file_no: int, heading: Heading, chunk: Chunk) -> None:
        """Report text in a column without a name."""
        for place in heading.unnamed:
            texts = chunk.cells[str(place)].to_pylist()
            for line, text in zip(chunk.cells["line"].to_pylist(), texts, strict=True):
                if text.strip():
                    allowed = "nothing in a column without a name"
                    remedy = f"name column {place + 1}, or clear it"
                    self._report(file_no, line, None, text, allowed, remedy)

    def _complete(self, file_no: int, heading: Heading) -> None:
        """Fill the fields that the file has no column for from the registry's current records."""
        table = self.files[file_no].table
        absent = [field.name for field in table.entered if field not in heading.columns]
        if absent and self._held[table.name] and not heading.lacks_column:
            self.run(fill_from_registry(table, absent, file_no))
        if table.name == "patient":
            own = quote_text(self._centre_id)
            self.run(
                f"UPDATE staged_patient SET centre_id = {own} "
                f"WHERE centre_id IS NULL AND unreadable IS NULL AND file_no = {file_no}"
            )

    # --- judging ----------------------------------------------------------------------------------

    def judge_records(self) -> None:
        """Apply every rule beyond a single cell that the staged tables concern."""
        staged = {file.table.name for file in self.files}
        rules = (*make_declared_rules(), *RULES_WITHIN_A_RECORD, *RULES_BETWEEN_RECORDS)
        for rule in rules:
            if rule.table in staged or rule.other_table in staged:
                self._apply(rule)

    def judge_again(self, *, correct: bool) -> list[Finding]:
        """Judge what is left after rows were taken out, and compare it; return the findings.

        Keys of rows that could not be read no longer count as held.
        """
        self.findings, before = [], self.findings
        for name in TABLES:
            self.run(f"DELETE FROM lost_{name}")
            self.run(f"DROP TABLE IF EXISTS state_{name}")
        self.judge_records()
        self.compare(correct=correct)
        self.findings, found = before, self.findings
        return found

    def _apply(self, rule: RecordRule) -> None:
        for is_other, file_no, line, found, detail in self.run(rule.select()):
            name = rule.other_field if is_other else rule.field
            field = self.files[file_no].table.field(str(name))
            place = self._place(detail, file_no)
            self._report(
                file_no,
                line,
                field.name,
                show_value(found, field),
                rule.allowed,
                rule.remedy.replace("{detail}", place or f"{rule.table} in the registry"),
                rule.severity,
            )

    def _place(self, detail: str, file_no: int) -> str:
        """Name the file of another line only where it is another file."""
        if not detail.startswith("@"):
            return detail
        other_no, line = detail[1:].split("@", 1)
        if int(other_no) == file_no:
            return line
        return f"{line} of {self.files[int(other_no)].name}"

    def read_acuities(self) -> None:
        """Read the acuity texts of the staged visits, each distinct one once."""
        pairs = self.run(select_written_acuities("staged_visit"))
        readings = read_acuities(sorted(pairs), self._off_chart_logmar)
        self.connection.register("acuities_read", readings)
        self.run("CREATE TEMP TABLE acuity_reading AS SELECT * FROM acuities_read")
        self.connection.unregister("acuities_read")
        for field in ACUITY_FIELDS:
            wrong = self.run(
                f"SELECT r.file_no, r.line, r.{field}, a.problem FROM staged_visit r "
                f"JOIN acuity_reading a ON a.text = r.{field} "
                "AND a.notation = coalesce(CAST(r.acuity_notation AS VARCHAR), '') "
                "WHERE a.problem IS NOT NULL"
            )
            for file_no, line, text, problem in wrong:
                self._report(file_no, line, field, text, ACUITY_ALLOWED, problem)

    # --- comparing with the registry --------------------------------------------------------------

    def compare(self, *, correct: bool) -> None:
        """Tell new records from known ones, changed or not; counts them in ``states``."""
        for name in dict.fromkeys(file.table.name for file in self.files):
            table = TABLES[name]
            is_empty = not self._count(f"{name}_key")
            self.run(mark_states(table, is_empty=is_empty))
            self.states[name] = dict(
                self.run(f"SELECT state, count(*) FROM state_{name} GROUP BY state")
            )
            if correct:
                self._report_incomplete(table)
            else:
                self._report_changed(table)

    def _report_changed(self, table: RecordTable) -> None:
        """Report known records with other content, field by field, and withdrawn ones."""
        name = table.name
        if not self._count(f"state_{name} WHERE state IN ('changed', 'withdrawn')"):
            return
        for field in table.entered:
            query = select_changed(table, field, is_news(table, field))
            for file_no, line, found, held, version, _, is_new in self.run(query):
                kept = show_value(held, field) or "blank"
                allowed = f"{kept}, as the registry holds (version {version})"
                remedy = _TAKE_NEWS if is_new else _TAKE_CORRECTION
                self._report(file_no, line, field.name, show_value(found, field), allowed, remedy)
        key = table.key[0].name
        for file_no, line, found in self.run(
            f"SELECT file_no, line, CAST(r.{key} AS VARCHAR) FROM staged_{name} r "
            f"JOIN state_{name} USING (file_no, line) WHERE state = 'withdrawn'"
        ):
            remedy = "leave the row out, or bring the record back with --correct --why REASON"
            allowed = "a record that has not been withdrawn"
            self._report(file_no, line, key, found, allowed, remedy)

    def _report_incomplete(self, table: RecordTable) -> None:
        """Report new records of a correction whose file lacks a required column."""
        for field in table.entered:
            if field.is_required and not field.is_key:
                for file_no, line in self.run(select_incomplete(table, field)):
                    remedy = f"a new record needs {field.name}: add the column"
                    self._report(file_no, line, field.name, "", field.allowed(), remedy)

    # --- handing over -----------------------------------------------------------------------------

    @property
    def changes_nothing(self) -> bool:
        """Whether every staged row is in the registry already with the same content."""
        return all(set(counts) <= {"unchanged"} for counts in self.states.values())

    def select_pages(self, table: RecordTable) -> Iterator[pa.Table]:
        """Yield the rows that make a new version, with their derived fields, page by page."""
        are_new = set(self.states.get(table.name, {})) == {"new"}
        for file_no, file in enumerate(self.files):
            if file.table is not table:
                continue
            for first in range(1, self._lines[file_no] + 1, PAGE_LINES):
                last = first + PAGE_LINES - 1
                query = select_page(table, file_no, first, last, are_new=are_new)
                page = self.connection.sql(query).to_arrow_table()
                if page.num_rows:
                    yield page


def _last(column: pa.ChunkedArray) -> int:
    import pyarrow.compute as pc

    return int(pc.max(column).as_py() or 0)
