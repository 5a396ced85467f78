"""``afterplaque dose-response``: a research question on dose, answered with its doubts."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer, note, progress
from reports.options.option_values import (
    RESAMPLES,
    DataCutDay,
    Force,
    StorePath,
    now_utc,
    read_date,
)

if TYPE_CHECKING:
    from analysis.dose_effect.dose_rows import DoseQuestion


def dose_response(
    store: StorePath,
    end_point: Annotated[
        str | None,
        typer.Option(
            help="local_failure, eye_loss, metastasis, death, melanoma_death, a complication such"
            " as radiation_retinopathy, or vision:6/60, vision:loss:0.3.",
        ),
    ] = None,
    dose: Annotated[
        str | None,
        typer.Option(
            metavar="FIELD",
            help="apex, bed, base, sclera, fovea, disc or dose_rate; with :recorded or :recomputed"
            " after it. The two are never mixed.",
        ),
    ] = None,
    adjust: Annotated[
        list[str] | None,
        typer.Option(
            metavar="A,B",
            help="Fields known at time zero to adjust for; none for nothing [default:"
            " thickness_mm,largest_basal_diameter_mm].",
        ),
    ] = None,
    horizon: Annotated[
        float | None,
        typer.Option(metavar="Y", help="Years, for the outcome at a horizon [default: 5]."),
    ] = None,
    exclude: Annotated[
        list[str] | None,
        typer.Option(metavar="FIELD=VALUE", help="Leave out units with this value."),
    ] = None,
    method: Annotated[
        Literal["auto", "cox", "firth-cox"] | None,
        typer.Option(help="Hazard model; auto takes Firth's form under ten events a parameter."),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(metavar="PLAN.toml", help="The plan; what it says is what is asked."),
    ] = None,
    lock_plan: Annotated[
        bool, typer.Option("--lock-plan", help="Lock --plan before looking, and do nothing else.")
    ] = False,
    against: Annotated[
        str | None,
        typer.Option(
            help="End point to set against this one in the trade-off figure; none for none"
            " [default: vision:6/60, for vision and complications local_failure]."
        ),
    ] = None,
    dose_model: Annotated[
        str | None, typer.Option(help="Keep recorded doses of this dose model only.")
    ] = None,
    pool_dose_models: Annotated[
        bool, typer.Option("--pool-dose-models", help="Pool recorded doses of several models.")
    ] = False,
    alpha_beta: Annotated[
        float | None, typer.Option(help="Alpha/beta of the BED in Gy [default: 10].")
    ] = None,
    repair_half_time: Annotated[
        float | None, typer.Option(help="Repair half-time of the BED in hours [default: 1.5].")
    ] = None,
    rbe: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ISOTOPE=VALUE",
            help="Stated relative biological effectiveness, such as I-125=1.2,Ru-106=1; with one"
            " for each isotope, BED of several go together.",
        ),
    ] = None,
    simulations: Annotated[
        int,
        typer.Option(
            min=0,
            max=100_000,
            help="Cohorts drawn for the smallest detectable effect and the dose error; 0 for none.",
        ),
    ] = 200,
    workers: Annotated[
        int, typer.Option(min=1, max=256, help="Processes; the figures do not depend on it.")
    ] = 1,
    shared_error: Annotated[
        float, typer.Option(min=0, max=1, help="Dose error shared by a plaque (log SD).")
    ] = 0.075,
    own_error: Annotated[
        float, typer.Option(min=0, max=1, help="Dose error of each implant's own (log SD).")
    ] = 0.10,
    berkson_share: Annotated[
        float, typer.Option(min=0, max=1, help="Share of the error that is Berkson's.")
    ] = 0.5,
    imputations: Annotated[
        int, typer.Option(min=2, max=1000, help="Completed tables where covariates are missing.")
    ] = 20,
    resamples: Annotated[
        int,
        typer.Option(
            *RESAMPLES,
            min=0,
            max=100_000,
            help="Bootstrap samples for the curves at the horizon; 0 for sandwich intervals.",
        ),
    ] = 0,
    validation_samples: Annotated[
        int,
        typer.Option(
            min=0,
            max=100_000,
            help="Bootstrap samples for the optimism of ranking (C) and calibration, and for limits"
            " (39 or more at 95 %); 0 for none.",
        ),
    ] = 100,
    level: Annotated[
        float | None, typer.Option(help="Confidence level, such as 0.95 [default: 0.95].")
    ] = None,
    data_cut: DataCutDay = None,
    with_prior_treatment: Annotated[
        bool,
        typer.Option("--with-prior-treatment", help="Keep tumours treated before their plaque."),
    ] = False,
    seed: Annotated[int, typer.Option(min=0, help="Seed of everything random.")] = 20240229,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for the study report (HTML and PDF).")
    ] = None,
    export: Annotated[
        Path | None,
        typer.Option(
            "--export",
            help="Folder for the analysis table, its fields and a script that redoes it in R.",
        ),
    ] = None,
    audience: Annotated[
        Literal["internal", "published"],
        typer.Option(help="Of the report: true counts, or small numbers suppressed."),
    ] = "internal",
    force: Force = False,
    as_json: JsonFlag = False,
) -> None:
    """Estimate how an outcome depends on dose, with what makes the estimate doubtful.

    Unadjusted and adjusted, at a horizon and over time; confounding by indication, dose error, the
    smallest effect these data could show, the number of questions tried. Every look is counted in
    STORE.questions.csv; a plan can be locked before looking. An association is no proof of a cause.
    """
    from analysis.dose_effect.dose_error import ErrorModel
    from analysis.dose_effect.dose_response import HowToAnswer, answer_question
    from analysis.outcomes.cohort import CohortRules, DataCut
    from analysis.outcomes.vision_history import VisionRules
    from registry.store import open_store
    from reports.answers.dose_answer import describe_answer
    from reports.answers.dose_text import lay_out_answer
    from reports.options.dose_options import (
        DoseOptions,
        choose_against,
        describe_asked,
        read_question,
    )
    from reports.results.data_cuts import settle_cut
    from reports.studies.dose_plan import compare_with_plan, read_plan
    from reports.studies.question_log import log_path, read_log

    if lock_plan:
        _lock(store, plan, as_json)
        return
    planned = read_plan(plan) if plan else None
    question = read_question(
        DoseOptions(
            end_point, dose, adjust, horizon, exclude, method, dose_model, pool_dose_models, level,
            alpha_beta, repair_half_time, rbe, with_prior_treatment,
        ),
        planned,
    )  # fmt: skip
    beside = choose_against(question.end_point, against)
    asked_cut = read_date(data_cut, option="--data-cut") if data_cut else None
    files = _files_to_write(out, export, audience, force)
    how = HowToAnswer(
        simulations, imputations, resamples, validation_samples, seed, workers,
        ErrorModel(shared_error, own_error, berkson_share),
    )  # fmt: skip
    log = log_path(store)
    looks = read_log(log)
    with open_store(store) as opened:
        settings = opened.settings()
        cut = settle_cut(opened, asked_cut, now_utc().date())
        found = answer_question(
            opened.connection,
            question,
            DataCut(cut),
            rules=CohortRules(int(settings["course_gap_days"]), question.with_prior_treatment),
            vision=VisionRules.of(settings),
            half_life_source=str(settings["half_life_source"]),
            against=beside,
            how=how,
            progress=make_progress(),
        )
        about = _about(opened, settings) if out else {}
    state = compare_with_plan(planned, describe_asked(question), looks) if planned else None
    count = log_look(log, question, planned.locked_hash if planned else "")
    payload = describe_answer(found, state, count)
    if out:
        _write_report(found, how, state, count, about, files, audience)
    if export:
        _write_export(found, files)
    text = lay_out_answer(payload)
    payload = payload | {"files": {name: str(path) for name, path in files.items()}}
    answer(payload, as_json=as_json, text=text)
    if files and not as_json:
        note("Written: " + ", ".join(str(path) for path in files.values()))


def _lock(store: Path, plan: Path | None, as_json: bool) -> None:
    from analysis.dose_effect.dose_fields import find_dose
    from reports.studies.dose_plan import lock_plan as make_lock
    from reports.studies.question_log import (
        ASKED,
        LOCKED,
        LoggedLook,
        add_look,
        log_path,
        read_log,
        stamp,
    )
    from reports.writing import write_whole

    if plan is None:
        raise UsageError("--lock-plan needs the plan: give --plan PLAN.toml.", option="--plan")
    locked, content = make_lock(plan)
    find_dose(locked.dose)
    log = log_path(store)
    looks = read_log(log)
    before = sum(1 for look in looks if look.action == ASKED and look.end_point == locked.end_point)
    if content is not None:
        write_whole(plan, content)
    if not any(look.plan_hash == locked.content_hash and look.action == LOCKED for look in looks):
        add_look(
            log,
            LoggedLook(
                stamp(now_utc()),
                LOCKED,
                locked.end_point,
                locked.dose,
                locked.question,
                locked.content_hash,
            ),
        )
    payload = {
        "command": "dose-response",
        "plan": str(plan),
        "locked_hash": locked.content_hash,
        "was_locked_already": content is None,
        "looks_before_lock": before,
    }
    text = f"{plan} is locked: {locked.content_hash}"
    if before:
        text += f"\n{before} looks at {locked.end_point} came before; the report will say so."
    answer(payload, as_json=as_json, text=text)


def make_progress() -> Callable[[int, int], None]:
    """Return what says how far the simulation is, with the time left."""
    start, said = time.monotonic(), [0.0]

    def say(done: int, total: int) -> None:
        now = time.monotonic()
        if done < total and now - said[0] < 2:
            return
        said[0] = now
        left = (now - start) / done * (total - done)
        progress(f"simulated {done} of {total} draws, about {left:.0f} s left")

    return say


def log_look(log: Path, question: DoseQuestion, plan_hash: str) -> Any:
    """Count this look; a log that cannot be written is said, not hidden."""
    from dataclasses import replace

    from registry.errors import RefusedInputError
    from reports.studies.question_log import (
        ASKED,
        LoggedLook,
        add_look,
        count_questions,
        read_log,
        stamp,
    )

    look = LoggedLook(
        stamp(now_utc()), ASKED, question.end_point, question.dose, question.words(), plan_hash
    )
    try:
        add_look(log, look)
    except RefusedInputError as error:
        count = count_questions((*read_log(log), look), question.end_point, log)
        return replace(count, note=f"This look could not be counted: {error.message}")
    return count_questions(read_log(log), question.end_point, log)


def _files_to_write(
    out: Path | None, export: Path | None, audience: str, force: bool
) -> dict[str, Path]:
    from reports.writing import refuse_overwriting

    name = f"dose-response-{audience}"
    files = {form: out / f"{name}.{form}" for form in ("html", "pdf")} if out else {}
    if export:
        files |= {
            "table": export / "dose_response.csv", "fields": export / "fields.csv",
            "script": export / "redo.R",
        }  # fmt: skip
    refuse_overwriting(files.values(), force=force)
    return files


def _about(store: Any, settings: Any) -> dict[str, Any]:
    from reports.dose_study import describe_source

    return describe_source(store, settings)


def _write_report(
    found: Any, how: Any, state: Any, count: Any, about: Any, files: dict[str, Path], audience: str
) -> None:
    from reports.audience.suppression import publish
    from reports.commands.audit import write_report
    from reports.dose_study import build_study

    report = build_study(found, how, state, count, about)
    shown = publish(report) if audience == "published" else report
    write_report(shown, {form: files[form] for form in ("html", "pdf")})


def _write_export(found: Any, files: dict[str, Path]) -> None:
    from reports.studies.dose_export import FIELDS, SCRIPT, TABLE, export_table
    from reports.writing import write_whole

    made = export_table(found)
    write_whole(files["table"], made[TABLE].encode("utf-8"))
    write_whole(files["fields"], made[FIELDS].encode("utf-8"))
    write_whole(files["script"], made[SCRIPT].encode("utf-8"))
