"""The annual audit: its sections in their order, as a document."""

from __future__ import annotations

from importlib import metadata

from reports.page.document import Provenance, Report, numbered
from reports.results.audit_results import AuditResults
from reports.sections import (
    cases,
    closing,
    competing,
    data_quality,
    delivered,
    eye_retention,
    local_control,
    mortality,
    patients,
    published_comparison,
    purpose,
    summary,
    time_order,
    toxicity,
    vision,
    waiting,
)

VERSIONED = ("afterplaque", "duckdb", "numpy", "scipy", "matplotlib", "typst")

NOTICE = (
    "This report describes past patients. It is no treatment advice; doses and staging follow local"
    " protocols, regulations and licensed practice."
)


def versions() -> tuple[tuple[str, str], ...]:
    """Return the versions that decide the figures and their look."""
    return tuple((name, metadata.version(name)) for name in VERSIONED)


def build_audit(results: AuditResults, *, notices: tuple[str, ...] = ()) -> Report:
    """Make the audit of one year from its results.

    Parameters
    ----------
    notices
        Said at the front beside the standing one, as that the data are invented.
    """
    cut = results.cut.event_date.isoformat()
    report = Report(
        title=f"Plaque treatment of uveal melanoma: audit {results.year}",
        subtitle=f"{results.centre}, data cut {cut}",
        provenance=Provenance(
            centre=results.centre,
            data_cut=cut,
            made_at=results.last_recorded_at,
            content_hash=results.content_hash,
            versions=versions(),
        ),
        sections=(
            summary.section(results),
            purpose.section(results),
            patients.section(results),
            waiting.section(results.quality, results.year),
            delivered.section(results.quality, results.year),
            local_control.section(results),
            competing.section(results),
            eye_retention.section(results.outcomes),
            vision.section(results.vision),
            toxicity.section(results.outcomes),
            mortality.section(results.outcomes),
            published_comparison.section(results.benchmarks, results.secondary_end_points),
            time_order.section(results.monitoring),
            cases.section(results.outcomes),
            data_quality.section(results.quality),
            closing.limitations(results),
            closing.methods(results),
            published_comparison.detail(results.benchmarks, results.secondary_end_points),
            closing.references(results),
            closing.about(results),
        ),
        notices=(*notices, NOTICE),
    )
    return numbered(report)
