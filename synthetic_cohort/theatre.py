"""The theatre list: every implant of every tumour, in the order in which plaques were taken."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_cohort.disease import TumourRows, stack, take
from synthetic_cohort.follow_up import PLAQUE, Failures
from synthetic_cohort.hazards import Ints
from synthetic_cohort.implants import Prescriptions, relative_rate
from synthetic_cohort.stock import Orders, Stock, Uses
from synthetic_cohort.truth import Truth

FIRST, STAGED, AGAIN = range(3)
LONGEST_IMPLANT_DAYS = 16
STAGES_APART_DAYS = (30, 80)


@dataclass(frozen=True, slots=True)
class Implants:
    """One row an implant: which tumour, why (``FIRST``, ``STAGED``, ``AGAIN``), dose, use."""

    tumour: Ints
    purpose: Ints
    orders: Orders
    uses: Uses


def _order(
    truth: Truth, tumours: TumourRows, given: Prescriptions, row: Ints, purpose: int, day: Ints
) -> Orders:
    """Orders for the tumours ``row``; the stages of a staged course give half the dose each."""
    how = truth.treatment
    iodine = given.with_iodine[row]
    at_apex = relative_rate(how, iodine, tumours.thickness_mm[row] + how.sclera_mm)
    ruthenium = np.minimum(how.second_course_gy, how.second_sclera_limit_gy * at_apex).round()
    again = np.where(iodine, how.iodine_prescribed_gy, ruthenium)
    whole = again if purpose == AGAIN else given.prescribed_gy[row]
    share = np.where(given.staged[row] & (purpose != AGAIN), 0.5, 1.0)
    return Orders(
        day=day,
        size=given.size[row],
        with_iodine=iodine,
        prescribed_gy=whole * share,
        delivered_ratio=np.ones(len(row)) if purpose == AGAIN else given.delivered_ratio[row],
        apex_relative=at_apex,
    )


def _carry_out(
    truth: Truth,
    stock: Stock,
    tumours: TumourRows,
    given: Prescriptions,
    parts: list[tuple[Ints, int, Ints]],
) -> Implants:
    """Carry out implants, given as (tumour rows, purpose, days), in order of day."""
    row = np.concatenate([part[0] for part in parts])
    purpose = np.concatenate([np.full(len(part[0]), part[1]) for part in parts])
    orders = _order(truth, tumours, given, *parts[0])
    for part in parts[1:]:
        orders = stack(orders, _order(truth, tumours, given, *part))
    by_day = np.argsort(orders.day, kind="stable")
    orders = take(orders, by_day)
    return Implants(row[by_day], purpose[by_day], orders, stock.use(orders))


def draw_implants(
    truth: Truth,
    stock: Stock,
    tumours: TumourRows,
    given: Prescriptions,
    salvage: tuple[Failures, Ints, Ints],
    rng: np.random.Generator,
) -> Implants:
    """Carry out the first implants and their stages, then the plaques after failure.

    ``salvage`` holds the failures, the day from which theirs count, and the last day on which an
    event of each tumour's eye is recorded (both from 1970-01-01).
    """
    failures, counted_from, end = salvage
    staged = np.flatnonzero(given.staged)
    delay = rng.integers(*STAGES_APART_DAYS, len(staged))
    first = _carry_out(
        truth,
        stock,
        tumours,
        given,
        [
            (np.arange(len(tumours.patient)), FIRST, tumours.start_day),
            (staged, STAGED, tumours.start_day[staged] + delay),
        ],
    )
    day = counted_from + failures.salvage_day
    again = (failures.salvage == PLAQUE) & (day < end - LONGEST_IMPLANT_DAYS)
    later = [(np.flatnonzero(again), AGAIN, day[again])]
    more = _carry_out(truth, stock, tumours, given, later)
    return Implants(
        np.concatenate([first.tumour, more.tumour]),
        np.concatenate([first.purpose, more.purpose]),
        stack(first.orders, more.orders),
        stack(first.uses, more.uses),
    )
