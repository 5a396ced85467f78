"""Rows of a department's own table into rows of a record table, by its column map."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Literal

from registry.entry_rules.line_records import TOTAL, Chunk, LineProblem, tabulate
from registry.errors import Finding
from registry.reading.cell_translation import translate, trim_midnight
from registry.reading.column_map import Column, SourceMap
from registry.reading.intake_files import Heading, IntakeFile
from registry.records import Field

_PLACEHOLDER = re.compile(r"\{([^{}]+)\}")


def number_repeated(heading: Sequence[str]) -> tuple[str, ...]:
    """Tell columns of one name apart: the second is ``name#2``.

    Examples
    --------
    >>> number_repeated(["ID", "VA", "VA", ""])
    ('ID', 'VA#1', 'VA#2', '')
    """
    counts, seen = Counter(heading), Counter[str]()
    names = []
    for name in heading:
        seen[name] += 1
        names.append(f"{name}#{seen[name]}" if name and counts[name] > 1 else name)
    return tuple(names)


class MappedRows:
    """The rows that one source (and one of its repeats) makes.

    Parameters
    ----------
    source
        The map.
    heading
        Names of the columns as the file has them.
    file
        For findings.
    repeat
        The text that stands for ``{n}``; "" without repeats.

    Attributes
    ----------
    heading
        Which place of the chunks that :meth:`convert` makes holds which field.
    findings
        What is wrong with the heading.
    """

    def __init__(
        self, source: SourceMap, heading: Sequence[str], file: IntakeFile, repeat: str = ""
    ) -> None:
        self._source = source
        self._file = file
        self._repeat = repeat
        self._names = number_repeated(heading)
        self._places = {name: place for place, name in enumerate(self._names) if name}
        self._line = source.heading_rows[0]
        self.findings: list[Finding] = []
        self._columns = self._find_columns()
        self._above: dict[int, str] = {}
        self._seen: set[tuple[str, ...]] = set()
        fields = [column.field for column, _ in self._columns]
        self._fields = tuple(dict.fromkeys([*fields, *source.fixed, *source.made]))
        self.heading = self._make_heading()

    def _find(self, severity: str, name: str, allowed: str, remedy: str) -> None:
        self.findings.append(
            Finding(severity, self._file.name, self._line, None, name, allowed, remedy)
        )

    def _name(self, heading: str) -> str:
        return heading.replace("{n}", self._repeat)

    def _find_columns(self) -> list[tuple[Column, int]]:
        """Match the map's headings with the file's; every heading must be accounted for."""
        source = self._source
        found: list[tuple[Column, int]] = []
        for column in source.columns:
            name = self._name(column.heading)
            if name in self._places:
                found.append((column, self._places[name]))
            else:
                self._find_missing(name)
        for name in (*source.fill_down, *source.leave_out_where):
            if name not in self._places:
                self._find_missing(name)
        if not source.others_left_out:
            self._find_strangers()
        return found

    def _find_missing(self, name: str) -> None:
        repeated = f"{name}#1" in self._places
        self._find(
            "error",
            name,
            "a heading of the file",
            f"the file has several columns {name}: name each in the map, as {name}#1, {name}#2"
            if repeated
            else "the file has no such column: correct the map, or its heading_rows",
        )

    def _find_strangers(self) -> None:
        mapped = {column.heading for column in self._source.columns} | self._source.left_out
        texts = self._source.repeat or ("",)
        known = {name.replace("{n}", text) for name in mapped for text in texts}
        known |= set(self._source.fill_down) | set(self._source.leave_out_where)
        made = " ".join(self._source.made.values())
        for name in self._places:
            if name not in known and f"{{{name}}}" not in made:
                remedy = 'give it a field in the map, or "" to leave it out'
                self._find("error", name, "a heading that the map names", remedy)

    def _make_heading(self) -> Heading:
        table = self._source.table
        lacking = [
            field
            for field in table.entered
            if field.is_required and field not in self._fields and not self._file.may_lack
        ]
        lacking += [f for f in table.key if f not in self._fields and f not in lacking]
        for field in lacking:
            self._find(
                "error",
                "",
                f"a column for {field.name}: {field.allowed()}",
                f"give a column the field {field.name}, or set it under fixed or made",
            )
        cell_places = {
            column.field.name: place
            for column, place in self._columns
            if not column.values and not column.field.is_derived
        }
        return Heading(
            columns={field: place for place, field in enumerate(self._fields)},
            unnamed=(),
            lacks_column=bool(lacking) or any(f.severity == "error" for f in self.findings),
            n_cells=len(self._names),
            cell_places=cell_places,
        )

    # --- rows -------------------------------------------------------------------------------------

    def _is_left_out(self, line: int, cells: Sequence[str]) -> bool:
        source = self._source
        if line in source.leave_out_rows or line < (source.first_row or 0):
            return True
        if source.last_row is not None and line > source.last_row:
            return True
        for name, texts in source.leave_out_where.items():
            place = self._places.get(name)
            if place is not None and cells[place].strip() in texts:
                return True
        return source.repeated_headings and repeats_heading(cells, self._names)

    def convert(self, chunk: Chunk) -> Chunk:
        """Convert a chunk of the file's rows; problem lines that are left out vanish too."""
        n = len(self._names)
        columns = [chunk.cells[str(place)].to_pylist() for place in range(n)]
        lines = chunk.cells["line"].to_pylist()
        rows = sorted(zip(lines, zip(*columns, strict=True), strict=True)) if n else []
        made: list[list[str]] = []
        shown: list[list[str]] = []
        kept: list[int] = []
        problems = [p for p in chunk.problems if not self._is_problem_left_out(p)]
        for line, cells in rows:
            if self._is_left_out(line, cells):
                continue
            problem = self._find_row_problem(line, cells)
            if problem is not None:
                problems.append(problem)
                continue
            filled = self._fill_down(cells)
            if not self._holds_something(filled):
                continue
            texts, written = self._make_row(filled)
            if self._source.duplicates_once and self._is_duplicate(texts):
                continue
            made.append(texts)
            shown.append(written)
            kept.append(line)
        width = len(self._fields)
        return Chunk(
            tabulate(made, kept, width), tuple(problems), True, tabulate(shown, kept, width)
        )

    def _find_row_problem(self, line: int, cells: Sequence[str]) -> LineProblem | None:
        """Find what is no record: a heading said again, a total, text in a nameless column."""
        kind = find_row_kind(cells, self._names)
        if kind is not None:
            return LineProblem(line, kind, tuple(cells))
        if not self._source.others_left_out:
            for name, cell in zip(self._names, cells, strict=True):
                if not name and cell.strip():
                    return LineProblem(line, "unnamed_cell", (cell,))
        return None

    def _is_problem_left_out(self, problem: LineProblem) -> bool:
        padded = [*problem.cells, *[""] * len(self._names)]
        return self._is_left_out(problem.line, padded[: len(self._names)])

    def _fill_down(self, cells: Sequence[str]) -> Sequence[str]:
        if not self._source.fill_down or not any(cell.strip() for cell in cells):
            return cells
        filled = list(cells)
        for name in self._source.fill_down:
            place = self._places.get(name)
            if place is None:
                continue
            if filled[place].strip():
                self._above[place] = filled[place]
            else:
                filled[place] = self._above.get(place, "")
        return filled

    def _holds_something(self, cells: Sequence[str]) -> bool:
        """Whether the row makes a record; a repeat does where one of its columns is filled."""
        if not self._repeat:
            return any(cells[place].strip() for _, place in self._columns)
        return any(
            translate(cells[place], column)
            for column, place in self._columns
            if "{n}" in column.heading
        )

    def _is_duplicate(self, texts: Sequence[str]) -> bool:
        row = tuple(texts)
        if row in self._seen:
            return True
        self._seen.add(row)
        return False

    def _make_row(self, cells: Sequence[str]) -> tuple[list[str], list[str]]:
        """Make the texts of one record, and beside them what stands in the file."""
        texts: dict[Field, str] = {}
        written: dict[Field, str] = {}
        for column, place in self._columns:
            text = translate(cells[place], column)
            field = column.field
            if text and texts.get(field):
                is_list = field.type == "list"
                above = texts[field] if is_list else trim_midnight(texts[field])
                text = above + (";" if is_list else " ") + text
            if text or field not in texts:
                texts[field] = text
                written[field] = f"{written.get(field, '')} {cells[place].strip()}".strip()
        for field, value in self._source.fixed.items():
            texts[field] = written[field] = value
        for field, template in self._source.made.items():
            texts[field] = written[field] = self._fill_template(template, texts, cells)
        return [texts.get(f, "") for f in self._fields], [written.get(f, "") for f in self._fields]

    def _fill_template(
        self, template: str, texts: Mapping[Field, str], cells: Sequence[str]
    ) -> str:
        """Fill the names in braces; blank where one of them is blank."""
        by_name = {field.name: text for field, text in texts.items()}
        parts: list[str] = []

        def fill(match: re.Match[str]) -> str:
            name = match[1]
            place = self._places.get(self._name(name))
            if name == "n":
                text = self._repeat
            elif name in by_name:
                text = by_name[name]
            else:
                text = cells[place].strip() if place is not None else ""
            parts.append(text)
            return text

        filled = _PLACEHOLDER.sub(fill, template)
        return filled if all(parts) else ""


def find_row_kind(
    cells: Sequence[str], names: Sequence[str]
) -> Literal["repeated_heading", "total_row"] | None:
    """Tell a row that is no record from the rest: a heading said again, or a total.

    Examples
    --------
    >>> find_row_kind(["Total", "", "45"], ["ID", "eye", "n"])
    'total_row'
    """
    if repeats_heading(cells, names):
        return "repeated_heading"
    first = next((cell for cell in cells if cell.strip()), "")
    return "total_row" if re.fullmatch(TOTAL, first) else None


def repeats_heading(cells: Sequence[str], names: Sequence[str]) -> bool:
    """Whether a row says what the heading says, wherever it says anything.

    Examples
    --------
    >>> repeats_heading(["ID", "", "VA"], ["ID", "eye", "VA#1"])
    True
    >>> repeats_heading(["", ""], ["ID", "eye"])
    False
    """
    said = [
        (" ".join(cell.split()), re.sub(r"#\d+$", "", name).rpartition(" / ")[2])
        for cell, name in zip(cells, names, strict=False)
        if cell.strip()
    ]
    return bool(said) and all(cell == name for cell, name in said)
