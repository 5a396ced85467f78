"""What the values of an event column mean: 0 censored, 1 the event, 2, 3, ... competing."""

from __future__ import annotations

from collections.abc import Sequence

from registry.errors import RefusedInputError
from reports.tables.table_reading import Table


def read_event_codes(
    table: Table, column: str, codes: dict[str, int] | None
) -> tuple[list[int], list[str]]:
    """Return the event codes of a column: 0 censored, 1 the event, 2, 3, ... competing.

    Parameters
    ----------
    codes
        What each value in the file stands for; None: the values are the codes.

    Returns
    -------
    tuple
        A code a row, and warnings.

    Raises
    ------
    RefusedInputError
        When there is no row, a value is not a code, or the codes leave open which of them means
        censored: two codes without 0, or one that is neither 0 nor 1.
    """
    if not table.n_rows:
        raise RefusedInputError(
            f"{table.name} has no row with a value in column {column!r}, so there is nothing to "
            "estimate.",
            file=table.name,
            column=column,
        )
    if codes is not None:
        return _translate_codes(table, column, codes), []
    numbers = table.numbers(column)
    for row, number in enumerate(numbers):
        if number != int(number) or number < 0:
            raise RefusedInputError(
                f"{table.name}, line {table.lines[row]}, column {column!r}: {number:g} is not an "
                "event code. Allowed: 0 censored, 1 the event, 2, 3, ... competing events.",
                file=table.name,
                line=table.lines[row],
                column=column,
            )
    found = sorted({int(number) for number in numbers})
    if 0 not in found and found != [1] and len(found) <= 2:
        raise RefusedInputError(
            f"Column {column!r} of {table.name} holds {_list_codes(found)} and no 0, so which "
            "means censored is left open. Say what they mean, for example "
            f"--event-codes {found[0]}=0,{found[-1] if len(found) > 1 else '...'}=1 "
            "(0 censored, 1 the event, 2, 3, ... competing).",
            file=table.name,
            column=column,
        )
    warnings = []
    if 0 not in found:
        warnings.append(
            f"No row of column {column!r} is censored: it holds {_list_codes(found)} and no 0. If "
            "one of them means censored, say so with --event-codes."
        )
    return [int(number) for number in numbers], warnings


def _list_codes(found: Sequence[int]) -> str:
    words = [str(code) for code in found]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + f" and {words[-1]}"


def _as_key(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


def _translate_codes(table: Table, column: str, codes: dict[str, int]) -> list[int]:
    meaning = {_as_key(text): code for text, code in codes.items()}
    status = []
    for row, text in enumerate(table.texts(column)):
        key = _as_key(str(text))
        if key not in meaning:
            raise RefusedInputError(
                f"{table.name}, line {table.lines[row]}, column {column!r}: {str(text)[:40]!r} is "
                f"not among the --event-codes ({', '.join(codes)}).",
                file=table.name,
                line=table.lines[row],
                column=column,
            )
        status.append(meaning[key])
    return status
