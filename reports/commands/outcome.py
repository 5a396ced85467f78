"""``afterplaque outcome``: one end point of the registry."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import (
    RESAMPLES,
    DataCutDay,
    Level,
    Seed,
    StorePath,
    WithPriorTreatment,
    now_utc,
    read_date,
)

if TYPE_CHECKING:
    from analysis.outcomes.outcome import Outcome

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
        typer.Option(
            help="A field or derived category known at time zero, such as size_category,"
            " baseline_acuity or age_years; with --landmark also a complication, recorded by then"
            " or not."
        ),
    ] = None,
    cuts: Annotated[
        list[str] | None,
        typer.Option(metavar="C,...", help="Cut-points of a numeric --by, in its unit."),
    ] = None,
    at: Annotated[
        list[str] | None, typer.Option(metavar="Y,...", help="Years to read the curves at.")
    ] = None,
    data_cut: DataCutDay = None,
    landmark: Annotated[
        float | None,
        typer.Option(
            metavar="Y",
            help="Start at this many years: only who is then free of the event and still followed.",
        ),
    ] = None,
    sensitivity: Annotated[
        bool,
        typer.Option(
            "--sensitivity/--no-sensitivity",
            help="Repeat the analysis under the other readings of the definition.",
        ),
    ] = True,
    with_prior_treatment: WithPriorTreatment = False,
    method: Annotated[
        Literal["kaplan-meier", "cumulative-incidence"] | None,
        typer.Option(help="Print one of the two only; JSON always holds both."),
    ] = None,
    interval: Annotated[Interval, typer.Option(help="How limits are made.")] = "beta-product",
    level: Level = 0.95,
    replicates: Annotated[
        int, typer.Option(*RESAMPLES, min=100, max=100_000, help="Bootstrap samples of patients.")
    ] = 1000,
    seed: Seed = 20240229,
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
    from analysis.outcomes.cohort import CohortRules, DataCut
    from analysis.outcomes.end_points import find_end_point
    from analysis.outcomes.outcome import Estimation, analyse
    from registry.store import open_store
    from reports.answers.outcome_answer import describe_outcome, write_rows
    from reports.options.estimate_options import check_landmark, check_level, read_times
    from reports.results.data_cuts import settle_cut
    from reports.writing import refuse_overwriting, write_whole

    wanted = find_end_point(end_point)
    check_level(level)
    check_landmark(landmark)
    years, limits = read_times(at), read_times(cuts, "--cuts")
    asked = read_date(data_cut, option="--data-cut") if data_cut else None
    refuse_overwriting([rows] if rows else [], force=force)
    with open_store(store) as opened:
        cut = settle_cut(opened, asked, now_utc().date())
        settings = opened.settings()
        gap = int(settings["course_gap_days"])
        analysed = analyse(
            opened.connection,
            wanted,
            DataCut(cut),
            rules=CohortRules(gap, with_prior_treatment),
            by=by,
            cuts=limits,
            how=Estimation(interval, level, replicates, seed),
            with_sensitivity=sensitivity,
            landmark_years=landmark,
            baseline_window_days=int(settings["baseline_window_days"]),
        )
    payload = describe_outcome(analysed, years)
    if rows:
        write_whole(rows, write_rows(analysed).encode("utf-8"))
    shown = years or (1.0, 2.0, 5.0, 10.0)
    answer(payload, as_json=as_json, text=lay_out(analysed, shown, method))
    if rows and not as_json:
        note(f"The analysis table is in {rows}.")


def lay_out(outcome: Outcome, years: tuple[float, ...], method: str | None = None) -> str:
    """Lay the outcome out as text: flow, groups, incidences, tests, sensitivity, warnings.

    ``method`` leaves one of the two estimators.
    """
    from reports.answers.outcome_text import (
        lay_out_groups,
        lay_out_incidences,
        lay_out_sensitivity,
        lay_out_tests,
    )
    from reports.render.text import lay_out_table
    from reports.words.wording import in_years

    title = f"{outcome.end_point.title}, data cut {outcome.cut.event_date.isoformat()}"
    if outcome.landmark_years is not None:
        title += f", counted from {in_years(outcome.landmark_years)} after treatment"
    blocks = [title.capitalize()]
    steps = [[step.step, step.left_out, step.kept] for step in outcome.flow]
    blocks.append(lay_out_table(["step", "left out", "kept"], steps))
    if method != "cumulative-incidence":
        blocks += lay_out_groups(outcome, years)
    if method != "kaplan-meier":
        blocks += lay_out_incidences(outcome, years)
    blocks += lay_out_tests(outcome) + lay_out_sensitivity(outcome, years)
    blocks += [f"Warning: {warning}" for warning in outcome.warnings]
    return "\n\n".join(blocks)
