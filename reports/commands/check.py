"""``afterplaque check``: contradictions, arithmetic and dose cross-checks, overdue follow-up."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from registry.errors import DataProblemsError, UsageError
from reports.command_frame import JsonFlag, answer, note, progress
from reports.options.option_values import now_utc, read_date

Severity = Literal["error", "warning", "notice"]


def check(
    store: Annotated[
        Path | None,
        typer.Argument(
            envvar="AFTERPLAQUE_STORE",
            metavar="STORE",
            help="The registry file (default: the environment variable AFTERPLAQUE_STORE).",
        ),
    ] = None,
    data_cut: Annotated[
        str | None, typer.Option(help="Last day that counts, YYYY-MM-DD; today by default.")
    ] = None,
    severity: Annotated[
        Severity, typer.Option(help="List findings of this severity or worse.")
    ] = "notice",
    out: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Write the findings here, a row each.")
    ] = None,
    rules: Annotated[
        bool, typer.Option("--rules", help="List every rule instead, with its source.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the --out file.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """List what contradicts what in the records, by how much, and what to do about it.

    Dates, sizes, stage, status and events; recorded against recomputed and delivered against
    prescribed dose; placement; plaques, certificates and checks; growth without failure; overdue
    and lost follow-up. Nothing is changed. The exit code is 3 when there are errors.
    """
    if rules:
        from analysis.checking.check_rules import CHECK_RULES
        from reports.answers.check_answer import describe_rules, lay_out_rules

        declared = list(CHECK_RULES.values())
        listed = {"rules": describe_rules(declared)}
        answer(listed, as_json=as_json, text=lay_out_rules(declared))
        return
    if store is None:
        raise UsageError("Name the registry, or set AFTERPLAQUE_STORE.", option="STORE")
    if _run(store, data_cut, severity, out, force=force, as_json=as_json):
        raise typer.Exit(DataProblemsError.exit_code)


def _run(
    store: Path,
    data_cut: str | None,
    severity: str,
    out: Path | None,
    *,
    force: bool,
    as_json: bool,
) -> int:
    """Check, answer, and return the number of errors."""
    from analysis.checking.checks import check_registry
    from analysis.checking.plaque_log import read_plaque_log
    from analysis.checking.schedule import VisitSchedule
    from analysis.outcomes.baseline import completeness_by_year, read_baseline
    from analysis.outcomes.cohort import CohortRules, DataCut
    from registry.settings import DEFAULT_VISIT_SCHEDULE
    from registry.store import open_store
    from reports.answers.check_answer import at_least, describe_check, lay_out_check, write_findings
    from reports.results.data_cuts import settle_cut
    from reports.writing import refuse_overwriting, write_whole

    asked = read_date(data_cut, option="--data-cut") if data_cut else None
    refuse_overwriting([out] if out else [], force=force)
    with open_store(store) as opened:
        settings, connection = opened.settings(), opened.connection
        cut = DataCut(settle_cut(opened, asked, now_utc().date()))
        found = check_registry(connection, cut, settings, progress=progress)
        plaques = read_plaque_log(connection, cut, half_life_source=settings["half_life_source"])
        everyone = CohortRules(with_prior_treatment=True)
        window_days = int(settings["baseline_window_days"])
        baseline = read_baseline(connection, cut, everyone, baseline_window_days=window_days)
    completeness = completeness_by_year(baseline)
    schedule = VisitSchedule.of(settings.get("visit_schedule", DEFAULT_VISIT_SCHEDULE))
    shown = at_least(found, severity)
    payload = describe_check(found, shown, schedule, plaques, completeness)
    if out:
        write_whole(out, write_findings(shown).encode("utf-8"))
    answer(payload, as_json=as_json, text=lay_out_check(found, shown, payload))
    if out and not as_json:
        note(f"The findings are in {out}.")
    return int(found.count_severities()["error"])
