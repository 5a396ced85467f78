"""Who was analysed: characteristics by third of dose, and how long they were followed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.counts.description import ColumnDescription, GroupDescription, describe_columns
from analysis.dose_effect.dose_response import DoseResponse
from analysis.dose_effect.dose_rows import THICKNESS, DoseRows
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import reverse_kaplan_meier
from analysis.models.design_matrix import Column as Values
from registry.errors import MendableError
from registry.records import TABLES
from reports.page.document import Block, Column, Paragraph, Row, Table
from reports.words.values import Content, Count, KnownOf, Missing, Quantity, Rate, text

NAMES = ("lowest third", "middle third", "highest third")


def blocks(answer: DoseResponse) -> list[Block]:
    """Return table 1 by third of dose, and the follow-up."""
    return [_characteristics(answer.rows), _follow_up(answer.rows)]


def _thirds(rows: DoseRows) -> list[str]:
    edges = np.quantile(rows.dose, [1 / 3, 2 / 3])
    return [NAMES[k] for k in np.searchsorted(edges, rows.dose, side="left")]


def _characteristics(rows: DoseRows) -> Table:
    labels = _thirds(rows)
    columns: dict[str, Values] = {
        "dose": rows.dose,
        THICKNESS: rows.thickness_mm,
        **rows.covariates,
    }
    described = describe_columns(columns, labels)
    order = ("all", *(name for name in NAMES if name in labels))
    made: list[Row] = [
        Row((f"{rows.end_point.unit}s", *(_people(rows, labels, name) for name in order))),
        Row((rows.end_point.title, *(_events(rows, labels, name) for name in order))),
    ]
    for one in described:
        groups = {group.group: group for group in one.groups}
        made += _rows(one, _label(one.column, rows), [groups[name] for name in order])
    return Table(
        caption=f"Who was analysed, by third of {rows.field.words}.",
        columns=(Column("Characteristic"), *(Column(name, "right") for name in order)),
        rows=tuple(made),
        notes=(
            "Numbers: median (quartiles). A difference between thirds is judged by its size; no"
            " test is made of it.",
        ),
    )


def _chosen(labels: Sequence[str], name: str) -> np.ndarray:
    every = np.array(labels, dtype=object)
    return np.ones(len(every), dtype=bool) if name == "all" else every == name


def _people(rows: DoseRows, labels: Sequence[str], name: str) -> Count:
    return Count(int(_chosen(labels, name).sum()))


def _events(rows: DoseRows, labels: Sequence[str], name: str) -> Count:
    return Count(int((_chosen(labels, name) & (rows.status == 1)).sum()))


def _label(column: str, rows: DoseRows) -> str:
    if column == "dose":
        return f"{rows.field.words} ({rows.field.unit})"
    unit = next(
        (f.unit for t in TABLES.values() for f in t.fields if f.name == column and f.unit), ""
    )
    words = column.removesuffix("_mm").removesuffix("_years").replace("_", " ")
    if column == "age_years":
        unit = "years"
    return f"{words} ({unit})" if unit else words


def _rows(one: ColumnDescription, label: str, groups: Sequence[GroupDescription]) -> list[Row]:
    known = Row((f"{label}, recorded", *(KnownOf(g.known, g.n) for g in groups)))
    if one.kind == "number":
        middle = Row((label, *(_median(g) for g in groups)))
        return [middle] if all(g.known == g.n for g in groups) else [known, middle]
    levels = [
        Row(
            (
                value.replace("_", " "),
                *(Rate(dict(g.counts).get(value, 0), g.known, style="bracket") for g in groups),
            ),
            level=1,
        )
        for value, _ in groups[0].counts
    ]
    return [known, *levels]


def _median(group: GroupDescription) -> Content:
    if not group.known:
        return Missing("not recorded")
    return Quantity(
        group.median, group.lower_quartile, group.upper_quartile,
        digits=1, interval="quartiles", n=group.known,
    )  # fmt: skip


def _follow_up(rows: DoseRows) -> Block:
    entry = np.maximum(rows.entry, 0.0)
    years = float(np.sum(rows.time - entry))
    middle: Quantity | Missing = Missing("not reached")
    try:
        found = reverse_kaplan_meier(RightCensored.of(rows.time, rows.status)).median()
        if np.isfinite(found.value):
            middle = Quantity(found.value, digits=1, unit="years", n=rows.n)
    except MendableError:
        middle = Missing("not estimable")
    return Paragraph(
        text(
            "Median follow-up by reverse Kaplan–Meier is {median}; {years} person-years were"
            " observed.",
            median=middle,
            years=Quantity(years, digits=0, n=rows.n),
        ),
        lead="Follow-up.",
    )
