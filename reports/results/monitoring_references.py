"""Finds the curve that a standards file names for the results in time order."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from analysis.benchmarking.monitoring_reference import (
    MonitoringReference,
    from_published,
    from_standards,
    is_reference,
)
from analysis.benchmarking.published_rates import PublishedRate
from registry.errors import RefusedInputError
from reports.results.standards import OWN_STANDARD, Standards


def find_reference(
    standards: Standards, end_point: str, rates: Sequence[PublishedRate], data_cut: date
) -> MonitoringReference | None:
    """Return the reference of an end point; None where the file names none.

    Raises
    ------
    RefusedInputError
        When it was decided after the data cut, names no usable published curve, or the standards
        make no curve.
    """
    chosen = standards.reference_of(end_point)
    if chosen is None:
        return None
    if chosen.decided_on > data_cut:
        raise RefusedInputError(
            f"The reference of {end_point} was decided on {chosen.decided_on.isoformat()}, after"
            f" the data cut {data_cut.isoformat()}: one set after the results could be seen is"
            " none.",
            entry="[[reference]]",
        )
    if chosen.curve != OWN_STANDARD:
        found = from_published(rates, chosen.curve, end_point)
        if found is None:
            usable = sorted({rate.key for rate in rates if is_reference(rate, end_point)})
            raise RefusedInputError(
                f"There is no whole Kaplan–Meier series {chosen.curve!r} of {end_point} that was"
                f" read in its source; choose from {', '.join(usable) or 'none'}, or"
                f' "{OWN_STANDARD}".',
                entry="[[reference]]",
            )
        return found
    targets = [one for one in standards.targets if one.end_point == end_point]
    try:
        return from_standards([(one.years, one.at_least) for one in targets])
    except ValueError as problem:
        raise RefusedInputError(
            f"The standards of {end_point} make no curve: {problem}.", entry="[[reference]]"
        ) from None
