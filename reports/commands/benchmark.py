"""``afterplaque benchmark``: the department's results beside published ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from registry.errors import RefusedInputError
from reports.command_frame import JsonFlag, answer, note
from reports.option_values import StorePath, now_utc, read_date

if TYPE_CHECKING:
    from datetime import date

    from analysis.benchmarking.benchmark_results import BenchmarkResults
    from analysis.benchmarking.margins import Margins
    from registry.store import Store
    from reports.document import Section
    from reports.monitoring_results import MonitoringResults

By = Literal["year", "operator", "centre"]


def benchmark(
    store: StorePath,
    end_point: Annotated[
        list[str] | None,
        typer.Option(
            metavar="E,...",
            help="End points; by default local_failure, eye_loss, metastasis and death.",
        ),
    ] = None,
    rates: Annotated[
        Path | None, typer.Option(help="Your own CSV of published rates, added to the built-in.")
    ] = None,
    margin: Annotated[
        Path | None, typer.Option(help="Margins decided before the data cut (TOML).")
    ] = None,
    by: Annotated[
        By | None,
        typer.Option(help="Also units side by side; operator is internal and never published."),
    ] = None,
    data_cut: Annotated[
        str | None,
        typer.Option(
            help="Last day that counts, YYYY-MM-DD; by default a data lock's own, else today."
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the report, HTML and PDF.")] = None,
    audience: Annotated[
        Literal["internal", "published"],
        typer.Option(help="internal (true counts) or published (small numbers suppressed)."),
    ] = "internal",
    force: Annotated[bool, typer.Option("--force", help="Overwrite files of the same name.")] = (
        False
    ),
    as_json: JsonFlag = False,
) -> None:
    """Compare results with published rates, like with like, and put them in time order.

    Verdicts: within the margin (if one was decided beforehand), not shown, worse, cannot tell. Not
    shown to be worse is not shown to be as good.
    """
    from analysis.outcomes.end_points import find_end_point
    from registry.store import open_store
    from reports.commands.rates import gather_rates
    from reports.data_cuts import settle_cut
    from reports.estimate_options import split_list
    from reports.writing import refuse_overwriting

    names = split_list(end_point) or ["local_failure", "eye_loss", "metastasis", "death"]
    wanted = [find_end_point(name) for name in names]
    published = gather_rates(rates)
    files = {form: out / f"benchmark-{audience}.{form}" for form in ("html", "pdf")} if out else {}
    refuse_overwriting(files.values(), force=force)
    asked = read_date(data_cut, option="--data-cut") if data_cut else None
    with open_store(store) as opened:
        cut = settle_cut(opened, asked, now_utc().date())
        margins = _read_margins(margin, cut)
        benchmarks, monitoring = _run(opened, wanted, published, margins, cut)
        sections = [_units(opened, one, by) for one in monitoring if by and not one.reason]
        if files:
            _write(opened, benchmarks, monitoring, margins, sections, files, audience)
    payload = _describe(benchmarks, monitoring, files)
    answer(payload, as_json=as_json, text=_lay_out(benchmarks, monitoring))
    if files and not as_json:
        note(f"The report is in {out}.")


def _read_margins(file: Path | None, cut: date) -> Margins:
    from analysis.benchmarking.margins import Margins, read_margins

    if file is None:
        return Margins()
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RefusedInputError(
            f"{file.name} cannot be read: {type(error).__name__}.", file=file.name
        ) from None
    return read_margins(text, file.name, cut)


def _run(
    store: Store, wanted: list[Any], published: Any, margins: Margins, cut: date
) -> tuple[list[BenchmarkResults], list[MonitoringResults]]:
    from analysis.benchmarking.benchmark_results import run_benchmarks
    from analysis.outcomes.baseline import read_baseline
    from analysis.outcomes.cohort import CohortRules, DataCut
    from analysis.outcomes.outcome import analyse
    from reports.monitoring_results import gather_monitoring

    settings = store.settings()
    rules = CohortRules(int(settings["course_gap_days"]))
    baseline = read_baseline(
        store.connection,
        DataCut(cut),
        rules,
        baseline_window_days=int(settings["baseline_window_days"]),
    )
    benchmarks, monitoring = [], []
    for end_point in wanted:
        outcome = analyse(
            store.connection, end_point, DataCut(cut), rules=rules, with_sensitivity=False
        )
        margin = margins.find(end_point.name)
        benchmarks.append(run_benchmarks(outcome, published, baseline, margin))
        monitoring.append(gather_monitoring(outcome))
    return benchmarks, monitoring


def _units(store: Store, results: MonitoringResults, by: By | None) -> Section:
    """Set units side by side: years, operators of the first implant, or centres."""
    from analysis.benchmarking.monitoring import own_hazard
    from analysis.benchmarking.unit_comparison import case_bands, over_expected_by
    from analysis.outcomes.grouping import group_units
    from reports.document import Section
    from reports.sections.time_order import unit_blocks, unit_table

    table = results.outcome.table
    keys = {
        "units": list(table.unit_id),
        "tumours": list(table.tumour_id),
        "implants": list(table.first_implant_id),
    }
    field = {"year": "year_of_treatment", "operator": "operator_code", "centre": "centre_id"}
    grouped = group_units(store.connection, results.outcome.cut, keys, field[by or "year"])
    names = [grouped.of_unit[unit] for unit in table.unit_id]
    units = over_expected_by(table, own_hazard(table), names)
    name = results.outcome.end_point.title
    blocks = unit_blocks(f"{name.capitalize()} by {by}", str(by), units, results)
    if by == "operator":
        bands = over_expected_by(table, own_hazard(table), case_bands(table, names))
        caption = "Observed over expected along each operator’s cases, all operators together."
        blocks.append(unit_table(caption, bands))
    return Section(f"{name.capitalize()} by {by}", tuple(blocks))


def _write(
    store: Store,
    benchmarks: list[BenchmarkResults],
    monitoring: list[MonitoringResults],
    margins: Margins,
    sections: list[Section],
    files: dict[str, Path],
    audience: str,
) -> None:
    from reports.audit_results import last_recorded_at
    from reports.benchmark_report import build_benchmark_report
    from reports.commands.audit import write_report
    from reports.suppression import publish

    report = build_benchmark_report(
        benchmarks,
        monitoring,
        centre=str(store.settings()["centre_id"]),
        content_hash=store.state_hash(),
        made_at=last_recorded_at(store.connection),
        margins=margins,
        unit_sections=() if audience == "published" else sections,
    )
    write_report(publish(report) if audience == "published" else report, files)


def _describe(
    benchmarks: list[BenchmarkResults],
    monitoring: list[MonitoringResults],
    files: dict[str, Path],
) -> dict[str, Any]:
    from reports.benchmark_answer import describe_benchmarks, describe_monitoring

    return {
        "command": "benchmark",
        "files": {form: str(path) for form, path in files.items()},
        "end_points": [describe_benchmarks(one) for one in benchmarks],
        "time_order": [describe_monitoring(one) for one in monitoring],
    }


def _lay_out(benchmarks: list[BenchmarkResults], monitoring: list[MonitoringResults]) -> str:
    from reports.benchmark_wording import NOT_AS_GOOD, board_sentence, who
    from reports.wording import say

    lines = []
    for results in benchmarks:
        lines.append(results.outcome.end_point.title.capitalize())
        untold: dict[str, list[str]] = {}
        for found in results.comparisons:
            if found.verdict == "cannot tell":
                untold.setdefault(found.reason, []).append(who(found))
            else:
                lines.append(f"  {say(board_sentence(found, results.outcome))}")
        lines += [f"  Cannot tell ({reason}): {', '.join(k)}." for reason, k in untold.items()]
    for one in monitoring:
        name = one.outcome.end_point.title
        if one.chart is None:
            lines.append(f"No chart of {name}: {one.reason}.")
        else:
            lines.append(f"CUSUM of {name}: {len(one.chart.alarms)} alarms.")
    return "\n".join([*lines, NOT_AS_GOOD])
