"""``afterplaque vision``: how many eyes kept a level of vision."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import UsageError
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
    from analysis.outcomes.vision_levels import VisionLevel

DEFAULT_YEARS = (1.0, 2.0, 5.0, 10.0)


def vision(
    store: StorePath,
    at_least: Annotated[
        str | None,
        typer.Option(metavar="LEVEL", help="6/12, 6/60 or 3/60 kept; at least 6/12 by default."),
    ] = None,
    better_than: Annotated[
        str | None,
        typer.Option(metavar="LEVEL", help="Better than 6/60, say: an eye at 6/60 has lost it."),
    ] = None,
    loss: Annotated[
        str | None,
        typer.Option(metavar="LOGMAR", help="Loss of 0.3, 0.5 or 0.6 logMAR from baseline."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(help="A field or derived category known at time zero: fovea_distance_mm."),
    ] = None,
    cuts: Annotated[
        list[str] | None,
        typer.Option(metavar="C,...", help="Cut-points of a numeric --by, in its unit."),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(metavar="Y,...", help="Years to read the curves at; 1,2,5,10 by default."),
    ] = None,
    data_cut: DataCutDay = None,
    with_prior_treatment: WithPriorTreatment = False,
    level: Level = 0.95,
    resamples: Annotated[
        int, typer.Option(*RESAMPLES, min=100, max=100_000, help="Bootstrap samples of patients.")
    ] = 300,
    seed: Seed = 20240229,
    rows: Annotated[
        Path | None, typer.Option(help="Write the analysis table here as CSV, a row an eye.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite the --rows file.")] = False,
    as_json: JsonFlag = False,
) -> None:
    """Estimate loss of vision: with death competing, if no one died, and as papers print it.

    A loss is confirmed by a later reading or by removal of the eye. "At least 6/60" and "better
    than 6/60" differ in published figures: choose the one that the other figure used.
    """
    from analysis.outcomes.cohort import CohortRules, DataCut
    from analysis.outcomes.outcome import Estimation
    from analysis.outcomes.vision import analyse_vision
    from analysis.outcomes.vision_course import analyse_course
    from analysis.outcomes.vision_history import VisionRules
    from registry.store import open_store
    from reports.answers.vision_answer import describe_vision, write_vision_rows
    from reports.answers.vision_course_answer import describe_course
    from reports.answers.vision_text import lay_out_vision
    from reports.options.estimate_options import check_level, read_times
    from reports.results.data_cuts import settle_cut
    from reports.writing import refuse_overwriting, write_whole

    wanted = choose_level(at_least, better_than, loss)
    check_level(level)
    years, limits = read_times(at) or DEFAULT_YEARS, read_times(cuts, "--cuts")
    cut_asked = read_date(data_cut, option="--data-cut") if data_cut else None
    refuse_overwriting([rows] if rows else [], force=force)
    with open_store(store) as opened:
        settings = opened.settings()
        cut = DataCut(settle_cut(opened, cut_asked, now_utc().date()))
        cohort = CohortRules(int(settings["course_gap_days"]), with_prior_treatment)
        rules = VisionRules.of(settings)
        analysed = analyse_vision(
            opened.connection,
            wanted,
            cut,
            rules=cohort,
            vision=rules,
            by=by,
            cuts=limits,
            how=Estimation(level=level, seed=seed),
            resamples=resamples,
            at_years=years,
        )
        where = (opened.connection, analysed.histories, cut, cohort, rules)
        course = analyse_course(*where, years=(0.0, *years))
    payload = describe_vision(analysed, years) | describe_course(course)
    if rows:
        write_whole(rows, write_vision_rows(analysed).encode("utf-8"))
    answer(payload, as_json=as_json, text=lay_out_vision(analysed, course, years))
    if rows and not as_json:
        note(f"The analysis table is in {rows}.")


def choose_level(at_least: str | None, better_than: str | None, loss: str | None) -> VisionLevel:
    """Return the one level asked for; at least 6/12 when none was.

    Raises
    ------
    UsageError
        When two were asked for, or a level is not one of those fixed beforehand.
    """
    from analysis.outcomes import vision_levels

    given = {"--at-least": at_least, "--better-than": better_than, "--loss": loss}
    asked = [option for option, value in given.items() if value is not None]
    if len(asked) > 1:
        raise UsageError(
            f"{' and '.join(asked)} are different end points; ask for one at a time.",
            option=asked[1],
        )
    if better_than is not None:
        return vision_levels.better_than(better_than)
    if loss is not None:
        return vision_levels.loss_of(loss)
    return vision_levels.at_least(at_least or "6/12")
