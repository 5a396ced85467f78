"""Invented departments as outcome tables, without a store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from analysis.benchmarking.published_rates import PublishedRate
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import EYE_LOSS, MAIN, EndPoint
from analysis.outcomes.outcome import Estimation, Outcome, OutcomeTable, analyse_group

CUT = date(2024, 12, 31)


def build_table(
    time_days: Sequence[int] | Any,
    status: Sequence[int] | Any,
    *,
    entry_days: Sequence[int] | Any | None = None,
    zero: Sequence[date] | None = None,
    end_point: EndPoint = EYE_LOSS,
) -> OutcomeTable:
    """Make an outcome table in which nobody died."""
    time, codes = np.asarray(time_days, np.int64), np.asarray(status, np.int64)
    names = tuple(f"U{row:04d}" for row in range(time.size))
    zeros = zero or [CUT - timedelta(days=int(days)) for days in time]
    nobody = np.full(time.size, np.nan)
    return OutcomeTable(
        end_point=end_point,
        variant=MAIN,
        unit_id=names,
        patient_id=names,
        tumour_id=names,
        first_implant_id=names,
        zero_date=tuple(zeros),
        entry_days=np.zeros(time.size, np.int64)
        if entry_days is None
        else np.asarray(entry_days, np.int64),
        time_days=time,
        status=codes,
        last_known_free_days=np.where(codes == 1, np.maximum(time - 1, 0), time),
        first_known_event_days=np.where(codes == 1, time, np.nan).astype(float),
        death_days=nobody,
        vital_known_days=time,
        seen=np.ones(time.size, bool),
    )


def build_outcome(table: OutcomeTable) -> Outcome:
    """Analyse an outcome table as the program does."""
    return Outcome(
        end_point=table.end_point,
        cut=DataCut(CUT),
        rules=CohortRules(),
        table=table,
        grouping=None,
        flow=(),
        groups=(analyse_group("all", table, Estimation(replicates=100)),),
        tests=(),
        sensitivity=(),
    )


def rate(years: float | None = 5.0, failure: float = 0.1, **changes: Any) -> PublishedRate:
    """Make an invented Kaplan–Meier figure of a large series."""
    made = PublishedRate(
        key="Own2020",
        citation="Invented 2020",
        end_point="eye_retention",
        definition="eye kept",
        compares_with="eye_loss",
        estimator="kaplan-meier",
        n=5000,
        years=years,
        failure=failure,
        lower=failure * 0.95,
        upper=failure * 1.05,
        interval_from="printed",
        isotope="Ru-106",
        population="all",
        stratum=None,
        verified="read",
        note="",
    )
    return replace(made, **changes)
