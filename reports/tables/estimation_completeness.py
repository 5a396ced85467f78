"""``estimate --potential``: how complete the follow-up of a table is."""

from __future__ import annotations

from typing import Any

from registry.errors import RefusedInputError
from reports.tables.estimation_rows import Question, Rows


def describe_completeness(rows: Rows, question: Question) -> list[dict[str, Any]]:
    """Return Clark's index, and the two beside it, of every group.

    Follow-up is owed until the event, of whatever code, or the potential time of the column.

    Raises
    ------
    RefusedInputError
        For a potential time that is negative, or follow-up that is counted from a landmark.
    """
    import numpy as np

    from analysis.counts.completeness import completeness_of_follow_up

    column = str(question.potential)
    potential = rows.table.numbers(column)
    bad = np.flatnonzero(~(potential >= 0))
    if bad.size:
        line = rows.table.lines[int(bad[0])]
        raise RefusedInputError(
            f"{rows.table.name}, line {line}, column {column!r}: a potential time is 0 or more.",
            file=rows.table.name,
            line=line,
            column=column,
        )
    labels = np.array(rows.group)
    found = []
    for name in rows.groups():
        mine = labels == name
        measured = completeness_of_follow_up(
            rows.observed.time[mine], rows.observed.status[mine] > 0, potential[mine]
        )
        found.append(
            {
                "group": name,
                "n": measured.n,
                "index": measured.index,
                "person_time_fraction": measured.person_time_fraction,
                "complete_fraction": measured.complete_fraction,
                "observed": measured.observed_person_time,
                "owed": measured.potential_person_time,
            }
        )
    return found


def lay_out_completeness(found: list[dict[str, Any]]) -> str:
    """Lay it out for a person."""
    from reports.render.text import lay_out_table
    from reports.tables.estimation_text import show_number

    keys = ("n", "observed", "owed", "index", "person_time_fraction", "complete_fraction")
    rows = [[one["group"], *(show_number(one[key]) for key in keys)] for one in found]
    headings = [
        "group", "n", "observed", "owed", "Clark's C", "person-time", "followed to the end",
    ]  # fmt: skip
    return "Completeness of follow-up\n" + lay_out_table(headings, rows)
