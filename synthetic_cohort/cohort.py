"""Draw a fictional department and write its files.

Centre, operators and plaques are invented; no real person's data were used. The same generator
state and parameters give the same department.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from synthetic_cohort.department import draw_happenings
from synthetic_cohort.event_tables import make_events
from synthetic_cohort.implant_tables import (
    make_applicators,
    make_certificates,
    make_checks,
    make_implants,
    make_muscles,
)
from synthetic_cohort.patient_tables import make_patients, make_tumours, name_everyone
from synthetic_cohort.theatre import LONGEST_IMPLANT_DAYS
from synthetic_cohort.truth import (
    DATA_CUT,
    FIRST_IMPLANT_DATE,
    LAST_IMPLANT_DATE,
    TRUTH,
    Truth,
)
from synthetic_cohort.visit_tables import (
    baseline_days,
    last_visit_days,
    list_visits,
    make_visits,
)
from synthetic_cohort.writing import write_files

__all__ = ["TRUTH", "draw_department", "write_files"]


def count_days(day: date) -> int:
    """Count days from 1970-01-01.

    Examples
    --------
    >>> count_days(date(1970, 1, 3))
    2
    """
    return (day - date(1970, 1, 1)).days


def draw_department(
    truth: Truth,
    n_patients: int,
    rng: np.random.Generator,
    *,
    first_implant_date: date = FIRST_IMPLANT_DATE,
    last_implant_date: date = LAST_IMPLANT_DATE,
    data_cut: date = DATA_CUT,
) -> dict[str, pd.DataFrame]:
    """Draw a department and return its tables as text.

    Parameters
    ----------
    truth
        Parameters, for example ``TRUTH``.
    n_patients
        How many patients; at least 1.
    rng
        Source of all randomness.
    first_implant_date, last_implant_date
        First and last day on which a first implant may fall. None falls in the last 16 days before
        the cut, so that every first plaque is out by then.
    data_cut
        Nothing after it is on file.

    Returns
    -------
    One frame a table, in the order of ``registry.records.TABLES``, with every entered field as
    text, ready to be written as CSV; blank is ``""``.

    Raises
    ------
    ValueError
        No patients, or dates out of order.

    Examples
    --------
    >>> tables = draw_department(TRUTH, 20, np.random.default_rng(7))
    >>> tables["patient"]["patient_id"].iloc[0], len(tables["patient"])
    ('HB0001', 20)
    """
    if n_patients < 1:
        raise ValueError(f"n_patients must be at least 1, not {n_patients}")
    first, last, cut = (
        count_days(day) for day in (first_implant_date, last_implant_date, data_cut)
    )
    if not first <= last <= cut or cut - first < LONGEST_IMPLANT_DAYS:
        raise ValueError(
            f"dates must run first <= last <= data cut, {LONGEST_IMPLANT_DAYS} days or more in "
            f"all, not {first_implant_date}, {last_implant_date}, {data_cut}"
        )
    last = min(last, cut - LONGEST_IMPLANT_DAYS)
    what = draw_happenings(truth, n_patients, rng, first_day=first, last_day=last, data_cut=cut)
    names = name_everyone(what)
    visits = list_visits(truth, what, rng)
    return {
        "patient": make_patients(truth, what, names, last_visit_days(what, visits), rng),
        "tumour": make_tumours(truth, what, names, baseline_days(what, visits), rng),
        "applicator": make_applicators(truth, what.stock, cut),
        "applicator_check": make_checks(truth, what.stock, cut, rng),
        "certificate": make_certificates(truth, what.stock),
        "implant": make_implants(truth, what, names, rng),
        "implant_muscle": make_muscles(truth, what, names, rng),
        "visit": make_visits(truth, what, names, visits, rng),
        "event": make_events(truth, what, names, rng),
    }
