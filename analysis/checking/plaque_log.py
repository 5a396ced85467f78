"""The plaque log: age, decay, uses and checks of every plaque at a day.

Remarks follow common practice without a source (a beta plaque is commonly used for about a year
and checked for leaks once a year); none of them forbids anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from analysis.checking.check_declaration import Tolerances
from analysis.implants.decay import ICRP_107, decay_factor, find_half_lives
from analysis.implants.placement_exceptions import BETA_ISOTOPES

if TYPE_CHECKING:
    import duckdb

    from analysis.outcomes.cohort import DataCut

LEAK_CHECK_DAYS = 365


@dataclass(frozen=True, slots=True)
class PlaqueEntry:
    """One plaque at the day of the cut; None where not recorded or not applicable.

    ``days_in_use`` counts from first use to the cut or to withdrawal; ``remaining_fraction`` is
    what is left of the latest certified dose rate at the cut; ``output_ratio`` the latest measured
    over certified output, each on that day.
    """

    applicator_id: str
    isotope: str
    diameter_mm: float
    first_used_date: date | None
    retired_date: date | None
    days_in_use: int | None
    uses: int
    last_used_date: date | None
    certified_date: date | None
    remaining_fraction: float | None
    uncertainty_pct: float | None
    output_date: date | None
    output_ratio: float | None
    output_result: str | None
    leak_date: date | None
    leak_result: str | None
    remarks: tuple[str, ...] = ()

    @property
    def in_stock(self) -> bool:
        """Whether the plaque has not been withdrawn."""
        return self.retired_date is None


_SQL = """
WITH done AS (
    SELECT *, row_number() OVER (PARTITION BY applicator_id, kind ORDER BY check_date DESC) AS rank
    FROM applicator_check_as_of($recorded_until) WHERE check_date <= $cut_date),
used AS (
    SELECT applicator_id, count(*) AS uses, max(CAST(inserted_at AS DATE)) AS last_used_date
    FROM implant_as_of($recorded_until) WHERE CAST(inserted_at AS DATE) <= $cut_date
    GROUP BY applicator_id),
certified AS (
    SELECT applicator_id, max(reference_at) AS reference_at,
        arg_max(CAST(uncertainty_pct AS DOUBLE), reference_at) AS uncertainty_pct
    FROM certificate_as_of($recorded_until) WHERE CAST(reference_at AS DATE) <= $cut_date
    GROUP BY applicator_id)
SELECT a.applicator_id, a.isotope, CAST(a.diameter_mm AS DOUBLE) AS diameter_mm,
    a.first_used_date, CASE WHEN a.retired_date <= $cut_date THEN a.retired_date END
        AS retired_date,
    coalesce(u.uses, 0) AS uses, u.last_used_date, CAST(c.reference_at AS DATE) AS certified_date,
    c.uncertainty_pct, o.check_date AS output_date,
    CAST(o.measured_to_stated_ratio AS DOUBLE) AS output_ratio, o.result AS output_result,
    l.check_date AS leak_date, l.result AS leak_result
FROM applicator_as_of($recorded_until) a
LEFT JOIN used u USING (applicator_id)
LEFT JOIN certified c USING (applicator_id)
LEFT JOIN (SELECT * FROM done WHERE kind = 'output' AND rank = 1) o USING (applicator_id)
LEFT JOIN (SELECT * FROM done WHERE kind = 'leak' AND rank = 1) l USING (applicator_id)
WHERE coalesce(a.first_used_date <= $cut_date, true)
ORDER BY a.applicator_id"""


def read_plaque_log(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    *,
    half_life_source: str = ICRP_107,
    tolerances: Tolerances | None = None,
) -> tuple[PlaqueEntry, ...]:
    """Read the log of every plaque first used by the cut, in order of plaque.

    Parameters
    ----------
    connection
        Connection of an open registry.
    cut
        The day at which age and decay are stated.
    half_life_source
        The registry's setting.
    tolerances
        From which difference on a remark is made.
    """
    half_lives = find_half_lives(half_life_source)
    limits = tolerances or Tolerances()
    table = connection.sql(_SQL, params=cut.parameters()).to_arrow_table()
    entries = []
    for row in table.to_pylist():
        known = half_lives.get(row["isotope"])
        since = row["certified_date"]
        remaining = (
            decay_factor(float((cut.event_date - since).days), known.days)
            if known is not None and since is not None
            else None
        )
        first, last = row["first_used_date"], row["retired_date"] or cut.event_date
        days = (last - first).days if first is not None else None
        remarks = tuple(_remark(row, days, cut.event_date, limits))
        entries.append(
            PlaqueEntry(**row, days_in_use=days, remaining_fraction=remaining, remarks=remarks)
        )
    return tuple(entries)


def _remark(
    row: dict[str, Any], days: int | None, today: date, limits: Tolerances
) -> Iterator[str]:
    """Say what to look at; common practice, no source."""
    in_use, is_beta = row["retired_date"] is None, row["isotope"] in BETA_ISOTOPES
    if row["certified_date"] is None:
        yield "no certificate on file"
    if in_use and is_beta and days is not None and days > limits.plaque_life_days:
        yield f"in use for {days} days; commonly about {limits.plaque_life_days}"
    if row["output_date"] is None:
        yield "no output check on file"
    elif row["output_ratio"] is not None:
        stated = row["uncertainty_pct"] or 0.0
        allowed = max(stated / 100, limits.output_fraction)
        off = row["output_ratio"] - 1
        if abs(off) > allowed:
            yield f"output {100 * off:+.0f} % off the certificate, which states {stated:g} %"
    if in_use and is_beta and row["leak_date"] is None:
        yield "no leak check on file"
    elif in_use and is_beta and (today - row["leak_date"]).days > LEAK_CHECK_DAYS:
        yield f"leak check due: the latest was {(today - row['leak_date']).days} days ago"
    for kind in ("output", "leak"):
        if row[f"{kind}_result"] == "fail":
            yield f"the latest {kind} check failed"
