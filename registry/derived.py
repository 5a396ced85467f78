"""What intake works out itself: each acuity text read once, and joined back.

The text is kept verbatim; logMAR, letters and the off-chart level stand beside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from registry.acuity import read_acuity
from registry.errors import RefusedInputError
from registry.records import DECIMAL_PLACES, RecordTable

if TYPE_CHECKING:
    import pyarrow as pa

ACUITY_FIELDS = ("acuity", "fellow_acuity")
"""Fields of ``visit`` with an acuity text; ``acuity_notation`` says how both are to be read."""

ACUITY_ALLOWED = (
    "an acuity as 6/9, 6/9-2, 20/40, decimal 0.5, 0.30 logMAR, 70 letters, CF, HM, LP or NLP"
)


def read_acuities(
    written: Iterable[tuple[str, str]], off_chart_logmar: Mapping[str, float]
) -> pa.Table:
    """Read distinct acuity texts.

    Parameters
    ----------
    written
        Pairs of text and notation ("" where none is given).
    off_chart_logmar
        logMAR of CF, HM, LP and NLP.

    Returns
    -------
    pyarrow.Table
        ``text, notation, logmar, letters, off_chart, problem``; ``problem`` says in words why a
        text cannot be read, and is null where it can.
    """
    import pyarrow as pa

    rows = [_read_one(text, notation, off_chart_logmar) for text, notation in written]
    schema = pa.schema(
        [
            ("text", pa.string()),
            ("notation", pa.string()),
            ("logmar", pa.float64()),
            ("letters", pa.int32()),
            ("off_chart", pa.string()),
            ("problem", pa.string()),
        ]
    )
    return pa.Table.from_pylist(rows, schema=schema)


def _read_one(text: str, notation: str, off_chart_logmar: Mapping[str, float]) -> dict[str, object]:
    row: dict[str, object] = {"text": text, "notation": notation}
    try:
        reading = read_acuity(text, notation or None, off_chart_logmar=off_chart_logmar)
    except RefusedInputError as refusal:
        return row | {"problem": _shorten(refusal.message, text)}
    return row | {
        "logmar": round(reading.logmar, DECIMAL_PLACES),
        "letters": reading.letters,
        "off_chart": reading.off_chart,
    }


def _shorten(message: str, text: str) -> str:
    """Leave out what the finding says beside it: the text itself and the forms allowed."""
    reason = message.removeprefix(f"The acuity {text!r} ").partition(" Write 6/9, 6/9-2,")[0]
    if "decimal comma" in reason:
        return f"{reason} Or say --decimal comma when all numbers of the files are written so."
    return reason if "write" in reason.lower() else f"{reason} Correct it against the notes."


def select_written_acuities(source: str) -> str:
    """SQL for the distinct pairs of text and notation in ``source``."""
    notation = "coalesce(CAST(acuity_notation AS VARCHAR), '')"
    parts = [
        f"SELECT {field} AS text, {notation} AS notation FROM {source} WHERE {field} IS NOT NULL"
        for field in ACUITY_FIELDS
    ]
    return "SELECT DISTINCT text, notation FROM (" + " UNION ALL ".join(parts) + ")"


def join_derived(table: RecordTable, alias: str) -> tuple[dict[str, str], str]:
    """SQL for each derived field of a table, and the joins that it needs.

    The joins are to ``acuity_reading``, the answer of :func:`read_acuities`.
    """
    if not any(field.is_derived for field in table.fields):
        return {}, ""
    values, joins = {}, []
    for field in ACUITY_FIELDS:
        joins.append(
            f"LEFT JOIN acuity_reading {field}_read ON {field}_read.text = {alias}.{field} "
            f"AND {field}_read.notation = coalesce(CAST({alias}.acuity_notation AS VARCHAR), '')"
        )
        for part in ("logmar", "letters", "off_chart"):
            values[f"{field}_{part}"] = f"{field}_read.{part}"
    return values, " ".join(joins)
