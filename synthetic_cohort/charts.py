"""The drawn files as charts: one patient with one treated tumour, every row of theirs at hand.

Rows are the files' own dictionaries of text, so that a change to a chart is a change to the files.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import pandas as pd

Row = dict[str, str]


def shift(text: str, days: int) -> str:
    """Move an ISO date, or the day of an ISO time, by whole days.

    Examples
    --------
    >>> shift("2024-02-28", 2), shift("2024-02-28 10:30", -28)
    ('2024-03-01', '2024-01-31 10:30')
    """
    return (date.fromisoformat(text[:10]) + timedelta(days=days)).isoformat() + text[10:]


@dataclass(slots=True)
class Chart:
    """One patient whose only treated tumour has rows in order of date."""

    patient: Row
    tumour: Row
    implants: list[Row]
    muscles: list[Row]
    visits: list[Row]
    events: list[Row]

    @property
    def zero_date(self) -> str:
        """Day of the first insertion."""
        return self.implants[0]["inserted_at"][:10]

    @property
    def later_visits(self) -> list[Row]:
        """Visits after the first insertion."""
        return [row for row in self.visits if row["visit_date"] > self.zero_date]

    @property
    def removal(self) -> Row | None:
        """The removal of the eye, if any."""
        gone = ("enucleation", "exenteration")
        return next((row for row in self.events if row["kind"] in gone), None)

    @property
    def has_failed(self) -> bool:
        """Whether any record says that the tumour failed."""
        return any(row["local_status"] == "failed" for row in self.visits) or any(
            row["kind"] in ("local_failure", "retreatment") or row["reason"] == "local_failure"
            for row in self.events
        )

    @property
    def is_alive(self) -> bool:
        """Whether no death is recorded."""
        return not self.patient["death_date"]

    @property
    def is_quiet(self) -> bool:
        """Alive, with the eye, without failure, under follow-up."""
        is_here = self.patient["follow_up_ended_reason"] == "under_follow_up"
        return self.is_alive and is_here and self.removal is None and not self.has_failed


@dataclass(slots=True)
class Files:
    """Every row of the files by table, and rows added under names of their own."""

    rows: dict[str, list[Row]]
    data_cut: date
    _added: int = field(default=0)

    @classmethod
    def of(cls, tables: Mapping[str, pd.DataFrame], data_cut: date) -> Files:
        """Take drawn tables apart into rows; the tables themselves are not changed."""
        rows = {name: [dict(row) for row in frame.to_dict("records")]
                for name, frame in tables.items()}  # fmt: skip
        return cls(rows, data_cut)

    def tables(self, like: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        """Put the rows together again as tables with the same columns."""
        return {
            name: pd.DataFrame(self.rows[name], columns=list(frame.columns), dtype=object)
            for name, frame in like.items()
        }

    def charts(self) -> list[Chart]:
        """List a chart for every patient with one tumour only, in order of patient."""
        own: dict[str, dict[str, list[Row]]] = defaultdict(lambda: defaultdict(list))
        for table in ("tumour", "visit", "event"):
            for row in self.rows[table]:
                own[row["patient_id"]][table].append(row)
        by_tumour: dict[str, list[Row]] = defaultdict(list)
        for row in self.rows["implant"]:
            by_tumour[row["tumour_id"]].append(row)
        muscles: dict[str, list[Row]] = defaultdict(list)
        for row in self.rows["implant_muscle"]:
            muscles[row["implant_id"]].append(row)
        charts = []
        for patient in self.rows["patient"]:
            mine = own[patient["patient_id"]]
            if len(mine["tumour"]) != 1:
                continue
            tumour = mine["tumour"][0]
            implants = sorted(by_tumour[tumour["tumour_id"]], key=lambda row: row["inserted_at"])
            if implants:
                charts.append(
                    Chart(
                        patient,
                        tumour,
                        implants,
                        [row for one in implants for row in muscles[one["implant_id"]]],
                        sorted(mine["visit"], key=lambda row: row["visit_date"]),
                        sorted(mine["event"], key=lambda row: row["event_date"]),
                    )
                )
        return charts

    def is_past(self, text: str) -> bool:
        """Whether a day lies on or before the data cut."""
        return date.fromisoformat(text[:10]) <= self.data_cut

    def _name(self, prefix: str) -> str:
        self._added += 1
        return f"{prefix}{self._added:04d}"

    def _add(self, table: str, values: Row) -> Row:
        row = dict.fromkeys(self.rows[table][0], "") | values
        self.rows[table].append(row)
        return row

    def add_visit(self, chart: Chart, day: str) -> Row:
        """Add a visit of the treated eye on a day, with a pressure alone."""
        eye = {"patient_id": chart.patient["patient_id"], "eye": chart.tumour["eye"]}
        values = {"visit_id": self._name("XV"), "visit_date": day, "iop_mmhg": "15"}
        return self._add("visit", values | eye)

    def add_event(self, chart: Chart, day: str, kind: str, **more: str) -> Row:
        """Add an event of the treated eye on a day."""
        eye = {"patient_id": chart.patient["patient_id"], "eye": chart.tumour["eye"]}
        values = {"event_id": self._name("XE"), "event_date": day, "kind": kind}
        return self._add("event", values | eye | more)

    def copy_plaque(self, name: str, **changes: str) -> Row:
        """Add a plaque like another one, with its certificates and checks."""
        new = self._name("XP")
        like = next(row for row in self.rows["applicator"] if row["applicator_id"] == name)
        for table in ("certificate", "applicator_check"):
            for row in [row for row in self.rows[table] if row["applicator_id"] == name]:
                self._add(table, row | {"applicator_id": new})
        return self._add("applicator", like | {"applicator_id": new} | changes)

    def of_plaque(self, table: str, name: str) -> list[Row]:
        """List the certificate lines or checks of a plaque."""
        return [row for row in self.rows[table] if row["applicator_id"] == name]

    def add_check(self, name: str, day: str, **values: str) -> Row:
        """Add a check of a plaque."""
        return self._add("applicator_check", {"applicator_id": name, "check_date": day} | values)


Maker = Callable[[Chart, Files], str | None]
"""Changes one chart and names the record that shows it, or returns None where it will not do."""


def change_number(text: str, change: Callable[[float], float], digits: int = 1) -> str:
    """Change a number that stands as text.

    Examples
    --------
    >>> change_number("4.5", lambda mm: mm + 2)
    '6.5'
    """
    return f"{change(float(text)):.{digits}f}"
