"""``afterplaque outcome``: one end point of the registry."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.option_values import StorePath, now_utc, read_date

if TYPE_CHECKING:
    from analysis.outcome import Outcome

Interval = Literal["log-log", "log", "plain", "logit", "beta-product", "beta-product-mid-p"]


def outcome(
    store: StorePath,
    end_point: Annotated[
        str,
        typer.Option(
            help="local_failure, eye_loss, metastasis, death, melanoma_death, or a complication"
            " such as cataract or radiation_retinopathy:3 (CTCAE grade 3 or more).",
        ),
    ],
    by: Annotated[
        str | None,
        typer.Option(help="A field or derived category known at time zero, such as size_category."),
    ] = None,
    cuts: Annotated[
        list[str] | None,
        typer.Option(metavar="C,...", help="Cut-points of a numeric --by, in its unit."),
    ] = None,
    at: Annotated[
        list[str] | None, typer.Option(metavar="Y,...", help="Years to read the curves at.")
    ] = None,
    data_cut: Annotated[
        str | None, typer.Option(help="Last day that counts, YYYY-MM-DD; today by default.")
    ] = None,
    with_prior_treatment: Annotated[
        bool,
        typer.Option("--with-prior-treatment", help="Keep tumours treated before their plaque."),
    ] = False,
    interval: Annotated[Interval, typer.Option(help="How limits are made.")] = "beta-product",
    level: Annotated[float, typer.Option(help="Confidence level, such as 0.95.")] = 0.95,
    replicates: Annotated[
        int, typer.Option(min=100, max=100_000, help="Bootstrap samples of patients.")
    ] = 1000,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the bootstrap.")] = 20240229,
    rows: Annotated[
        Path | None, typer.Option(help="Write the analysis table here as CSV, a row a unit.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the --rows file.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """Estimate one end point: Kaplan–Meier, cumulative incidence, tests, sensitivity analyses.

    Each cause is followed on its own clock: what an examination shows, to the last visit; death,
    to the vital-status date.
    """
    from analysis.cohort import CohortRules, DataCut
    from analysis.end_points import find_end_point
    from analysis.outcome import Estimation, analyse
    from registry.store import open_store
    from reports.estimate_options import check_level, read_times
    from reports.outcome_answer import describe_outcome, write_rows
    from reports.writing import refuse_overwriting, write_whole

    wanted = find_end_point(end_point)
    check_level(level)
    years, limits = read_times(at), read_times(cuts, "--cuts")
    cut = read_date(data_cut, option="--data-cut") if data_cut else now_utc().date()
    refuse_overwriting([rows] if rows else [], force=force)
    with open_store(store) as opened:
        gap = int(opened.settings()["course_gap_days"])
        analysed = analyse(
            opened.connection,
            wanted,
            DataCut(cut),
            rules=CohortRules(gap, with_prior_treatment),
            by=by,
            cuts=limits,
            how=Estimation(interval, level, replicates, seed),
        )
    payload = describe_outcome(analysed, years)
    if rows:
        write_whole(rows, write_rows(analysed).encode("utf-8"))
    answer(payload, as_json=as_json, text=lay_out(analysed, years or (1.0, 2.0, 5.0, 10.0)))
    if rows and not as_json:
        note(f"The analysis table is in {rows}.")


def lay_out(outcome: Outcome, years: tuple[float, ...]) -> str:
    """Lay the outcome out as text: flow, a table of groups, tests, warnings."""
    from reports.curves import failure_at, incidences_at
    from reports.render.text import lay_out_table
    from reports.values import PValue
    from reports.wording import say

    title = f"{outcome.end_point.title}, data cut {outcome.cut.event_date.isoformat()}"
    blocks = [title.capitalize()]
    steps = [[step.step, step.left_out, step.kept] for step in outcome.flow]
    blocks.append(lay_out_table(["step", "left out", "kept"], steps))
    headings = ["group", "n", "events", *(f"free at {year:g} y" for year in years)]
    found = [
        [group.group, group.n, group.events]
        + [say(failure_at(group, year, "control")) for year in years]
        for group in outcome.groups
    ]
    blocks.append("Kaplan–Meier\n" + lay_out_table(headings, found))
    causes = [
        [group.group, name, *(say(incidences_at(group, year)[place]) for year in years)]
        for group in outcome.groups
        if group.cumulative_incidence is not None
        for place, name in enumerate(outcome.end_point.cause_names)
    ]
    if causes:
        headings = ["group", "cause", *(f"at {year:g} y" for year in years)]
        blocks.append("Cumulative incidence\n" + lay_out_table(headings, causes))
    blocks += [
        f"{test.name}: chi-squared {test.statistic:.3f} on {test.df}, {say(PValue(test.p))}"
        for test in outcome.tests
    ]
    blocks += [f"Warning: {warning}" for warning in outcome.warnings]
    return "\n\n".join(blocks)
