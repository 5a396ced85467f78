"""Cells judged and typed a chunk at a time, each distinct text of a column once.

Most columns of a registry hold few distinct texts (codes, dates, acuities), so the rules of
:mod:`registry.entry_rules.rules` meet a few thousand texts of a chunk instead of a million cells.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from registry.entry_rules.rules import CellCheck, DateOrder, make_check, make_text_query
from registry.records import Field

if TYPE_CHECKING:
    import pyarrow as pa


MOST_KNOWN_TEXTS = 20_000
"""With more texts of a column known, the next chunk is judged without them."""

_ANSWERS = ("value", "problem", "is_blank")


@dataclass(frozen=True, slots=True)
class JudgedCells:
    """What the cells of some rows hold.

    Attributes
    ----------
    values
        ``line`` and each field's typed values, null where the cell is blank or wrong; rows that
        are blank throughout are left out.
    problems
        By field the name of each row's problem, null where there is none; fields without any
        problem are left out.
    """

    values: pa.Table
    problems: Mapping[Field, pa.Array]


class CellJudge:
    """Judges the cells of a file's columns.

    Parameters
    ----------
    connection
        The store's connection; nothing is written.
    fields
        What the columns hold.
    today
        No date may lie after it.
    date_order
        Order of dates written with slashes, dots or hyphens; None for ISO dates only.
    """

    def __init__(
        self,
        connection: Any,
        fields: Iterable[Field],
        *,
        today: date,
        date_order: DateOrder | None,
    ) -> None:
        self._fields = tuple(fields)
        self._judges = [
            _FieldJudge(connection, make_check(field, today=today, date_order=date_order))
            for field in self._fields
        ]

    def judge(self, cells: pa.Table, *, has_rare_blanks: bool) -> JudgedCells:
        """Judge the cells of a table with ``line`` and a column of texts for each field.

        ``has_rare_blanks`` tells whether more than spaces must be trimmed from their ends.
        """
        import pyarrow as pa

        judged = [
            judge.judge(cells[field.name].combine_chunks(), has_rare_blanks=has_rare_blanks)
            for field, judge in zip(self._fields, self._judges, strict=True)
        ]
        kept = _find_rows([blank for _, _, blank in judged])

        def keep(column: Any) -> Any:
            return column if kept is None else column.filter(kept)

        columns, problems = {"line": keep(cells["line"].combine_chunks())}, {}
        for field, (values, wrong, _) in zip(self._fields, judged, strict=True):
            columns[field.name] = keep(values)
            if wrong is not None and (found := keep(wrong)).null_count < len(found):
                problems[field] = found
        return JudgedCells(pa.table(columns), problems)


class _FieldJudge:
    """Judges the cells of one column; texts that were met before are known."""

    def __init__(self, connection: Any, check: CellCheck) -> None:
        self._connection = connection
        self._is_key = check.field.is_key
        self._plain = make_text_query(check, "texts", has_rare_blanks=False)
        self._rare = make_text_query(check, "texts")
        self._known: pa.Table | None = None

    def judge(self, column: Any, *, has_rare_blanks: bool) -> tuple[Any, Any, Any]:
        """Return the value, the problem and the blankness of every cell.

        None stands for the problems where there are none, and where no cell is blank.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        places = None
        if self._is_key:  # hardly two cells alike
            query = self._rare if has_rare_blanks else self._plain
            known = _select_from(self._connection, query, column)
        else:
            coded = column.dictionary_encode()
            known, places = self._look_up(coded.dictionary)
            places = places.take(coded.indices)
        values, wrong, blank = (known[name].combine_chunks() for name in _ANSWERS)
        wrong = wrong if wrong.null_count < len(wrong) else None
        blank = blank if pc.any(blank).as_py() else None
        if places is not None:
            values = pa.DictionaryArray.from_arrays(places, values)
            wrong = wrong if wrong is None else wrong.take(places)
            blank = blank if blank is None else blank.take(places)
        return values, wrong, blank

    def _look_up(self, texts: Any) -> tuple[pa.Table, Any]:
        """Return what is known of texts, these included, and where each of them stands in it."""
        import pyarrow as pa
        import pyarrow.compute as pc

        known = self._known
        if known is None or known.num_rows > MOST_KNOWN_TEXTS:
            known = self._ask(texts)
            places = pa.array(range(len(texts)), pa.int32())
        else:
            places = pc.index_in(texts, value_set=known["text"])
            if places.null_count:
                new = texts.filter(places.is_null())
                known = pa.concat_tables([known, self._ask(new)]).combine_chunks()
                places = pc.index_in(texts, value_set=known["text"])
        self._known = known
        return known, places

    def _ask(self, texts: Any) -> pa.Table:
        return _select_from(self._connection, self._rare, texts).append_column("text", texts)


def _select_from(connection: Any, query: str, column: Any) -> pa.Table:
    """Run a query over ``texts``, which it finds as this function's own variable."""
    import pyarrow as pa

    texts = pa.table({"text": column})  # noqa: F841
    return connection.sql(query).to_arrow_table()


def _find_rows(blanks: list[Any]) -> Any:
    """Tell the rows in which some cell is not blank; None when that is every row."""
    import pyarrow.compute as pc

    all_blank = None
    for blank in blanks:
        if blank is None:
            return None
        all_blank = blank if all_blank is None else pc.and_(all_blank, blank)
        if not pc.any(all_blank).as_py():
            return None
    return None if all_blank is None else pc.invert(all_blank)
