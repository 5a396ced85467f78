"""``afterplaque audit``: the annual audit as HTML, PDF and Word document."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import MendableError, UsageError
from reports.command_frame import JsonFlag, answer, note, progress
from reports.options.option_values import Force, StorePath, read_date

if TYPE_CHECKING:
    from datetime import date

    from reports.page.document import Report
    from reports.results.audit_results import AuditResults

FORMATS = ("html", "pdf", "docx")


class StandardNotMetError(MendableError):
    """A stated standard is not met, and the caller asked to be told by the exit code."""

    kind = "standard_not_met"
    exit_code = 4


def read_formats(text: str) -> tuple[str, ...]:
    """Read a list of formats; UsageError for one that is not offered."""
    chosen = tuple(dict.fromkeys(part.strip() for part in re.split("[, ]+", text) if part.strip()))
    for form in chosen:
        if form not in FORMATS:
            raise UsageError(
                f"There is no format {form!r}; choose from {', '.join(FORMATS)}.", option="--format"
            )
    if not chosen:
        raise UsageError("Name at least one format.", option="--format")
    return chosen


def write_report(report: Report, files: dict[str, Path]) -> None:
    """Render a report into each of the files, all of them rendered before any is written."""
    from reports.render.docx import render_docx
    from reports.render.html import render_html
    from reports.render.pdf import named_font_folder, render_pdf
    from reports.writing import write_whole

    rendered = {}
    fonts = named_font_folder()
    renderers: dict[str, Callable[[Report], bytes]] = {
        "html": lambda report: render_html(report).encode("utf-8"),
        "pdf": lambda report: render_pdf(report, font_dir=fonts),
        "docx": lambda report: render_docx(report, font_dir=fonts),
    }
    for form, path in files.items():
        progress(f"writing {path.name}")
        rendered[path] = renderers[form](report)
    for path, content in rendered.items():
        write_whole(path, content)


def make_audit(
    store_path: Path,
    files: dict[str, Path],
    *,
    year: int,
    data_cut: date | None,
    audience: str,
    standards_file: Path | None,
    rates_file: Path | None = None,
    margin_file: Path | None = None,
    notices: tuple[str, ...] = (),
) -> AuditResults:
    """Gather the results from a store and write the report files.

    Without ``data_cut`` a data lock's own cut counts, else the year's last day.
    """
    from datetime import date

    from registry.store import open_store
    from reports.audience.suppression import publish
    from reports.audit import build_audit
    from reports.commands.rates import gather_rates
    from reports.results.audit_results import gather
    from reports.results.benchmark_gathering import read_margins_file
    from reports.results.data_cuts import settle_cut
    from reports.results.standards import Standards, read_standards

    standards = read_standards(standards_file) if standards_file else Standards()
    published = gather_rates(rates_file)
    with open_store(store_path) as store:
        cut = settle_cut(store, data_cut, date(year, 12, 31))
        results = gather(
            store,
            year=year,
            data_cut=cut,
            standards=standards,
            progress=progress,
            published=published,
            margins=read_margins_file(margin_file, cut),
        )
    report = build_audit(results, notices=notices)
    write_report(publish(report) if audience == "published" else report, files)
    return results


def audit(
    store: StorePath,
    year: Annotated[int, typer.Option("--year", help="The audit's year.", min=1980, max=2100)],
    data_cut: Annotated[
        str | None,
        typer.Option(
            "--data-cut",
            help="Last day that counts, YYYY-MM-DD; by default a data lock's own, else the year's "
            "last day.",
        ),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", help="Folder for the report; made when missing.")
    ] = Path(),
    form: Annotated[
        str, typer.Option("--format", help="html, pdf, docx (to be edited), or several: html,pdf.")
    ] = ("html,pdf"),
    audience: Annotated[
        str,
        typer.Option(
            "--audience", help="internal (true counts) or published (small numbers suppressed)."
        ),
    ] = "internal",
    standards: Annotated[
        Path | None,
        typer.Option(
            "--standards",
            help="Standards file (TOML): primary end point, targets, references in time order.",
        ),
    ] = None,
    rates: Annotated[
        Path | None,
        typer.Option(help="Your own CSV of published rates, added to the built-in ones."),
    ] = None,
    margin: Annotated[
        Path | None, typer.Option(help="Margins decided before the data cut (TOML).")
    ] = None,
    fail_below_standard: Annotated[
        bool,
        typer.Option("--fail-below-standard", help="Exit with 4 when a stated target is not met."),
    ] = False,
    force: Force = False,
    as_json: JsonFlag = False,
) -> None:
    """Write the annual audit: who was treated, local control, competing outcomes, methods."""
    from reports.writing import refuse_overwriting

    if audience not in ("internal", "published"):
        raise UsageError("The audience is internal or published.", option="--audience")
    cut = read_date(data_cut, option="--data-cut") if data_cut else None
    files = {name: out / f"audit-{year}-{audience}.{name}" for name in read_formats(form)}
    refuse_overwriting(files.values(), force=force)
    results = make_audit(
        store,
        files,
        year=year,
        data_cut=cut,
        audience=audience,
        standards_file=standards,
        rates_file=rates,
        margin_file=margin,
    )
    payload = describe_audit(results, files)
    lines = [f"{path}" for path in files.values()]
    answer(payload, as_json=as_json, text="\n".join(lines))
    if not as_json:
        note("Next: open the report, and review each case that failed.")
    not_met = [one["name"] for one in payload["standards"] if one["verdict"] == "not met"]  # type: ignore[attr-defined]
    if fail_below_standard and not_met:
        raise typer.Exit(StandardNotMetError.exit_code)


def describe_audit(results: AuditResults, files: dict[str, Path]) -> dict[str, object]:
    """Give the machine-readable result of an audit."""
    from reports.sections.purpose import verdict

    return {
        "command": "audit",
        "year": results.year,
        "data_cut": results.cut.event_date,
        "content_hash": results.content_hash,
        "files": {form: str(path) for form, path in files.items()},
        "n": results.local.table.n,
        "events": results.local.groups[0].events if results.local.groups else 0,
        "standards": [
            {
                "name": target.name,
                "at_least": target.at_least,
                "verdict": verdict(results, target),
                "decided_beforehand": results.stated_beforehand(target),
            }
            for target in results.standards.targets
        ],
        "warnings": list(results.local.warnings),
    }
