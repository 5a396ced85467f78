"""``afterplaque benchmark``: the department's results beside published ones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import DataCutDay, Force, StorePath, now_utc, read_date

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.benchmarking.benchmark_results import BenchmarkResults
    from analysis.benchmarking.margins import Margins
    from registry.store import Store
    from reports.page.document import Section
    from reports.results.benchmark_gathering import Benchmarks
    from reports.results.monitoring_results import MonitoringResults

By = Literal["year", "operator", "centre"]


def benchmark(
    store: StorePath,
    end_point: Annotated[
        list[str] | None,
        typer.Option(
            metavar="E,...",
            help="End points or levels of vision (vision_at_least_6_60 ...); by default the main "
            "five and every level of vision that has a published rate.",
        ),
    ] = None,
    rates: Annotated[
        Path | None, typer.Option(help="Your own CSV of published rates, added to the built-in.")
    ] = None,
    margin: Annotated[
        Path | None, typer.Option(help="Margins decided before the data cut (TOML).")
    ] = None,
    standards: Annotated[
        Path | None,
        typer.Option(
            help="Standards file (TOML); its [[reference]] is what results in time order are held "
            "against."
        ),
    ] = None,
    by: Annotated[
        By | None,
        typer.Option(help="Also units side by side; operator is internal and never published."),
    ] = None,
    data_cut: DataCutDay = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the report, HTML and PDF.")] = None,
    audience: Annotated[
        Literal["internal", "published"],
        typer.Option(help="internal (true counts) or published (small numbers suppressed)."),
    ] = "internal",
    force: Force = False,
    as_json: JsonFlag = False,
) -> None:
    """Compare results with published rates, like with like, and put them in time order.

    Verdicts: within the margin (if one was decided beforehand), not shown, worse, cannot tell. Not
    shown to be worse is not shown to be as good.
    """
    from registry.store import open_store
    from reports.commands.rates import gather_rates
    from reports.options.estimate_options import split_list
    from reports.results.benchmark_gathering import (
        gather_benchmarks,
        name_end_points,
        read_margins_file,
    )
    from reports.results.data_cuts import settle_cut
    from reports.results.standards import Standards, read_standards
    from reports.writing import refuse_overwriting

    published = gather_rates(rates)
    wanted = name_end_points(split_list(end_point), published)
    decided = read_standards(standards) if standards else Standards()
    files = {form: out / f"benchmark-{audience}.{form}" for form in ("html", "pdf")} if out else {}
    refuse_overwriting(files.values(), force=force)
    asked = read_date(data_cut, option="--data-cut") if data_cut else None
    with open_store(store) as opened:
        cut = settle_cut(opened, asked, now_utc().date())
        margins = read_margins_file(margin, cut)
        found = gather_benchmarks(opened, wanted, published, margins, decided, cut)
        sections = [_units(opened, one, by) for one in found.monitoring if by and not one.reason]
        if files:
            _write(opened, found, margins, sections, files, audience)
    payload = _describe(found.benchmarks, found.monitoring, files)
    answer(payload, as_json=as_json, text=_lay_out(found.benchmarks, found.monitoring))
    if files and not as_json:
        note(f"The report is in {out}.")


def _units(store: Store, results: MonitoringResults, by: By | None) -> Section:
    """Set units side by side: years, operators of the first implant, or centres."""
    from analysis.benchmarking.unit_comparison import case_bands, over_expected_by
    from analysis.outcomes.grouping import group_units
    from reports.page.document import Section
    from reports.sections.time_order import unit_blocks, unit_table
    from reports.words.benchmark_wording import first_up

    table, hazard = results.table, results.hazard
    assert table is not None
    assert hazard is not None
    keys = {
        "units": list(table.unit_id),
        "tumours": list(table.tumour_id),
        "implants": list(table.first_implant_id),
    }
    field = {"year": "year_of_treatment", "operator": "operator_code", "centre": "centre_id"}
    grouped = group_units(store.connection, results.outcome.cut, keys, field[by or "year"])
    names = [grouped.of_unit[unit] for unit in table.unit_id]
    units = over_expected_by(table, hazard, names)
    name = first_up(results.outcome.end_point.title)
    blocks = unit_blocks(f"{name} by {by}", str(by), units, results)
    if by == "operator":
        bands = over_expected_by(table, hazard, case_bands(table, names))
        caption = "Observed over expected along each operator’s cases, all operators together."
        blocks.append(unit_table(caption, bands))
    return Section(f"{name} by {by}", tuple(blocks))


def _write(
    store: Store,
    found: Benchmarks,
    margins: Margins,
    sections: list[Section],
    files: dict[str, Path],
    audience: str,
) -> None:
    from reports.audience.suppression import publish
    from reports.benchmark_report import build_benchmark_report
    from reports.commands.audit import write_report
    from reports.results.audit_results import last_recorded_at

    report = build_benchmark_report(
        found.benchmarks,
        found.monitoring,
        centre=str(store.settings()["centre_id"]),
        content_hash=store.state_hash(),
        made_at=last_recorded_at(store.connection),
        margins=margins,
        unit_sections=() if audience == "published" else sections,
    )
    write_report(publish(report) if audience == "published" else report, files)


def _describe(
    benchmarks: Sequence[BenchmarkResults],
    monitoring: Sequence[MonitoringResults],
    files: dict[str, Path],
) -> dict[str, Any]:
    from reports.answers.benchmark_answer import describe_benchmarks, describe_monitoring

    return {
        "command": "benchmark",
        "files": {form: str(path) for form, path in files.items()},
        "end_points": [describe_benchmarks(one) for one in benchmarks],
        "time_order": [describe_monitoring(one) for one in monitoring],
    }


def _lay_out(
    benchmarks: Sequence[BenchmarkResults], monitoring: Sequence[MonitoringResults]
) -> str:
    from reports.words.benchmark_wording import (
        HOW_TO_READ,
        NOT_AS_GOOD,
        board_sentence,
        first_up,
        who,
    )
    from reports.words.wording import decimal, say

    lines = []
    for results in benchmarks:
        lines.append(first_up(results.outcome.end_point.title))
        untold: dict[str, list[str]] = {}
        for found in results.comparisons:
            if found.verdict == "cannot tell":
                keys = untold.setdefault(found.reason, [])
                keys += [who(found)] if who(found) not in keys else []
            else:
                lines.append(f"  {say(board_sentence(found, results.outcome))}")
        lines += [f"  Cannot tell ({reason}): {', '.join(k)}." for reason, k in untold.items()]
    for one in monitoring:
        name = one.outcome.end_point.title
        if one.chart is None:
            lines.append(f"No chart of {name}: {one.reason}.")
        else:
            alarms = len(one.chart.alarms)
            said = f"{alarms or 'no'} alarm{'s' * (alarms != 1)}"
            if alarms and one.limit is not None and one.order is not None:
                by_chance = one.limit.false_alarms(float(one.order.expected[-1]))
                said += f", where about {decimal(by_chance, 1)} would come by chance"
            lines.append(f"Time order of {name}, against {one.reference}: {said}.")
    return "\n".join([*lines, f"{NOT_AS_GOOD} {HOW_TO_READ}"])
