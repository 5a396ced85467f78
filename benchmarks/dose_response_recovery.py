"""Does the dose–response bench give back a known effect of dose? Writes dose_response_recovery.md.

Cohorts are drawn with a true ratio of 0.7 and of 1.0 per 10 Gy, dose being set by thickness
(confounding by indication) and thickness driving failure. Adjusted estimates are held to the truth
(bias), their intervals to 95 % (coverage) and, at a true ratio of 1, their tests to 5 % (type I
error), each within three Monte Carlo standard errors; unadjusted ones are shown beside them. Cox
is run on two seeds, of which the second was added after the first had shown 94.1 ± 0.3 % at 0.7.

Run: python benchmarks/dose_response_recovery.py [--cox N] [--cox-again N] [--firth N]
     [--fine-gray N] [--sandwich N] [--bootstrap N] [--only FORM,...]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from analysis.dose_effect.censoring_weights import outcome_at, weighted_logistic
from analysis.dose_effect.horizon_bootstrap import bootstrap_coefficients
from analysis.models.coefficients import Coefficients
from analysis.models.cox import cox, prepare_cox
from analysis.models.fine_gray import fine_gray
from analysis.models.firth import penalised_partial
from analysis.models.newton import Climb, Evaluate, LikelihoodPoint, climb
from registry.errors import MendableError, RefusedEstimateError
from synthetic_cohort.disease import CHOROID, draw_people, draw_tumours, failure_ratio
from synthetic_cohort.hazards import cumulative_hazard, draw_days, draw_gompertz_days
from synthetic_cohort.implants import draw_prescriptions
from synthetic_cohort.truth import DAYS_PER_YEAR, TRUTH, Hazard, Truth

OUT = Path(__file__).with_suffix(".md")
Array = NDArray[np.float64]
SEED, SECOND_SEED = 20240229, 20261125
RATIOS = (0.7, 1.0)
LOGISTIC_N, LOGISTIC_HORIZON, RESAMPLES = 1000, 5.0, 250
Z = 1.959964
#: Score over its standard deviation at which a Firth climb ends; the likelihood is then right to
#: its square.
NEAR = 1e-6


@dataclass(frozen=True)
class Drawn:
    """One cohort: dose per 10 Gy, covariates, and the outcome (status 2 competing)."""

    dose: Array
    covariates: Array
    time: Array
    status: NDArray[np.int64]


@dataclass(frozen=True)
class Found:
    """What one fit said of the dose: estimate, interval over the truth or not, p value."""

    coef: float
    half_width: float
    covered: bool
    p: float
    events: int


def truth_of(ratio: float, rate_factor: float) -> Truth:
    """The invented department with this ratio, thickness confounding strongly, one isotope."""
    how = TRUTH.local_failure
    rates = tuple(rate * rate_factor for rate in how.hazard.rates_per_year)
    failure = replace(
        how,
        ratio_per_10_gy=ratio,
        ratio_per_mm_thickness=1.25,
        hazard=Hazard(how.hazard.breaks_years, rates),
    )
    treatment = replace(TRUTH.treatment, iodine_share_when_thick=0.0, only_iodine_from_mm=99.0)
    return replace(TRUTH, local_failure=failure, treatment=treatment)


def draw_doses(truth: Truth, n: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Dose in Gy, covariates, and the hazard ratio of failure, by the department's own rules."""
    people = draw_people(truth, n, rng, first_day=16000, last_day=19700)
    rows = np.arange(n)
    tumours = draw_tumours(truth, rows, rng.random(n) < 0.5, people.first_day, rng)
    given = draw_prescriptions(truth, tumours, rng)
    covariates = np.column_stack(
        [
            tumours.thickness_mm,
            tumours.diameter_mm,
            tumours.site != CHOROID,
            tumours.thermotherapy,
        ]
    ).astype(float)
    ratio = failure_ratio(truth, tumours, given.apex_gy, given.with_iodine)
    return given.apex_gy, covariates, ratio


def draw_survival(truth: Truth, n: int, rng: np.random.Generator) -> Drawn:
    """Times of failure by proportional hazards; death, drop-out and the data cut censor."""
    dose, covariates, ratio = draw_doses(truth, n, rng)
    failure = draw_days(truth.local_failure.hazard, ratio, rng) / DAYS_PER_YEAR
    death = draw_gompertz_days(np.full(n, -4.73), 0.092, rng.normal(61, 13, n), rng)
    left = draw_days(truth.follow_up.drop_out, np.ones(n), rng) / DAYS_PER_YEAR
    end = np.minimum(np.minimum(death / DAYS_PER_YEAR, left), rng.uniform(1, 11, n))
    status = np.where(failure <= end, 1, 0)
    return Drawn(dose / 10, covariates, np.minimum(failure, end), status)


def draw_subdistribution(ratio: float, n: int, rng: np.random.Generator) -> Drawn:
    """Cumulative incidences proportional on the subdistribution scale (Fine & Gray 1999, §4)."""
    dose, covariates, _ = draw_doses(truth_of(1.0, 1.0), n, rng)
    linear = np.log(ratio) * (dose / 10 - 11) + np.log(1.25) * (covariates[:, 0] - 4.5)
    strength, share = np.exp(linear), 0.12
    risk = 1 - (1 - share) ** strength
    fails = rng.random(n) < risk
    # inverse of 1 - (1 - share (1 - exp(-t/3)))^strength, given that it happens
    level = rng.random(n) * risk
    with np.errstate(divide="ignore", invalid="ignore"):
        failing = -3 * np.log(1 - (1 - (1 - level) ** (1 / strength)) / share)
    other = rng.exponential(14, n)
    event_time = np.where(fails, failing, other)
    end = rng.uniform(1, 11, n)
    status = np.where(event_time <= end, np.where(fails, 1, 2), 0)
    return Drawn(dose / 10, covariates[:, :1], np.minimum(event_time, end), status)


def draw_logistic(ratio: float, n: int, rng: np.random.Generator) -> Drawn:
    """Failure by the horizon by a logistic model; losses before it at random."""
    dose, covariates, _ = draw_doses(truth_of(1.0, 1.0), n, rng)
    linear = -1.9 + np.log(ratio) * (dose / 10 - 11) + np.log(1.3) * (covariates[:, 0] - 4.5)
    fails = rng.random(n) < 1 / (1 + np.exp(-linear))
    failing = np.where(fails, rng.uniform(0, LOGISTIC_HORIZON, n), 99.0)
    end = rng.uniform(1, 11, n)
    return Drawn(
        dose / 10, covariates[:, :1], np.minimum(failing, end), (failing <= end).astype(np.int64)
    )


def matrix_of(drawn: Drawn, adjusted: bool) -> Array:
    """Dose alone, or with the covariates."""
    columns = [drawn.dose, drawn.covariates] if adjusted else [drawn.dose]
    return np.column_stack(columns)


def found_in(table: Coefficients, at: int, true: float, events: int) -> Found:
    """What a table of coefficients says of the dose in place ``at``."""
    lower, upper = table.lower[at], table.upper[at]
    covered = bool(lower <= true <= upper)
    return Found(table.coef[at], (upper - lower) / 2, covered, table.p[at], events)


def fit_cox(drawn: Drawn, adjusted: bool, true: float) -> Found:
    """Cox."""
    fit = cox(matrix_of(drawn, adjusted), drawn.time, drawn.status == 1)
    return found_in(fit.coefficients, 0, true, fit.events)


def fit_firth(drawn: Drawn, adjusted: bool, true: float) -> Found:
    """Firth Cox. The profile interval holds the truth where the penalised likelihood, maximised
    over all else, has not fallen there by more than χ² allows: no limit need be searched for.
    """
    data = prepare_cox(
        matrix_of(drawn, adjusted), drawn.time, drawn.status == 1, ties="breslow",
        model="Firth Cox",
    )  # fmt: skip

    def evaluate(beta: Array) -> LikelihoodPoint:
        return penalised_partial(data, beta)

    top = arrive(climb(evaluate, np.zeros(len(data.terms)), tolerance=NEAR, may_run_away=False))
    scale = float(data.scale[0])
    values = {true, 0.0} if adjusted else {true}
    held = {value: fall_at(evaluate, top, value * scale) for value in values}
    tail = {value: float(chi2.sf(fall, 1)) for value, fall in held.items()}
    coef = float(top.coefficients[0]) / scale
    covered = bool(tail[true] >= 0.05)
    return Found(coef, float("nan"), covered, tail.get(0.0, float("nan")), data.sets.n_events)


def arrive(ended: Climb) -> Climb:
    """A climb that arrived; another counts as refused."""
    if not ended.converged:
        raise RefusedEstimateError(f"score / sqrt information still {ended.gradient:.2g}")
    return ended


def fall_at(evaluate: Evaluate, top: Climb, value: float) -> float:
    """Twice the fall of the likelihood, maximised over the rest, where the dose's is held.

    The climb starts on the tangent of the profile.
    """
    spread = np.linalg.inv(top.point.information)[:, 0]
    start = top.coefficients + spread / spread[0] * (value - top.coefficients[0])
    free = np.arange(len(start)) > 0
    held = arrive(climb(evaluate, start, free=free, tolerance=NEAR, may_run_away=False))
    return max(0.0, 2.0 * (top.point.log_likelihood - held.point.log_likelihood))


def fit_fine_gray(drawn: Drawn, adjusted: bool, true: float) -> Found:
    """Fine–Gray."""
    fit = fine_gray(matrix_of(drawn, adjusted), drawn.time, drawn.status)
    return found_in(fit.coefficients, 0, true, fit.events)


def fit_sandwich(drawn: Drawn, adjusted: bool, true: float) -> Found:
    """Weighted logistic at the horizon, sandwich."""
    covariates = drawn.covariates if adjusted else np.empty((len(drawn.dose), 0))
    names = tuple(f"x{j}" for j in range(covariates.shape[1]))
    outcome = outcome_at(drawn.time, drawn.status, LOGISTIC_HORIZON)
    fit = weighted_logistic(
        np.column_stack([drawn.dose, covariates]), outcome.failed, outcome.weight,
        terms=("dose", *names),
    )  # fmt: skip
    return found_in(fit.coefficients, 1, true, fit.events)


def fit_bootstrap(drawn: Drawn, adjusted: bool, true: float) -> Found:
    """Weighted logistic at the horizon, normal limits from a bootstrap."""
    plain = fit_sandwich(drawn, adjusted, true)
    if not adjusted:
        return plain
    coefs = bootstrap_coefficients(
        matrix_of(drawn, True), ("dose", "x0"), drawn.time, drawn.status, LOGISTIC_HORIZON,
        resamples=RESAMPLES, rng=np.random.default_rng(int(1e6 * drawn.time.sum()) % 2**31),
    )  # fmt: skip
    half_width = Z * float(coefs[:, 1].std(ddof=1))
    return replace(
        plain, half_width=half_width, covered=abs(plain.coef - true) <= half_width,
        p=0.0 if abs(plain.coef) > half_width else 1.0,
    )  # fmt: skip


@dataclass(frozen=True)
class Form:
    """One way to analyse, and how its cohorts are drawn."""

    name: str
    n: int
    draw: Callable[[float, np.random.Generator], Drawn]
    fit: Callable[[Drawn, bool, float], Found]
    seed: int = SEED


FORMS = {
    "cox": Form(
        "Cox, per 10 Gy", 1500, lambda r, g: draw_survival(truth_of(r, 1.6), 1500, g), fit_cox
    ),
    "fine-gray": Form(
        "Fine–Gray, per 10 Gy", 1500, lambda r, g: draw_subdistribution(r, 1500, g), fit_fine_gray
    ),
    "sandwich": Form(
        "logistic at 5 years, sandwich", LOGISTIC_N,
        lambda r, g: draw_logistic(r, LOGISTIC_N, g), fit_sandwich,
    ),
    "bootstrap": Form(
        f"logistic at 5 years, bootstrap ({RESAMPLES})", LOGISTIC_N,
        lambda r, g: draw_logistic(r, LOGISTIC_N, g), fit_bootstrap,
    ),
    "cox-again": Form(
        "Cox, per 10 Gy, second seed", 1500, lambda r, g: draw_survival(truth_of(r, 1.6), 1500, g),
        fit_cox, SECOND_SEED,
    ),
    "firth": Form(
        "Firth Cox, few events", 400, lambda r, g: draw_survival(truth_of(r, 0.7), 400, g),
        fit_firth,
    ),
}  # fmt: skip


def study(form: Form, ratio: float, replicates: int) -> list[str]:
    """One row of the table: adjusted figures, with the unadjusted bias beside them."""
    seeds = np.random.SeedSequence([form.seed, round(100 * ratio), form.n]).spawn(replicates)
    true, adjusted, plain, refused = float(np.log(ratio)), [], [], 0
    for seed in seeds:
        drawn = form.draw(ratio, np.random.default_rng(seed))
        try:
            adjusted.append(form.fit(drawn, True, true))
            plain.append(form.fit(drawn, False, true))
        except MendableError:
            refused += 1
    kept = len(adjusted)
    coef = np.array([one.coef for one in adjusted])
    covered = np.mean([one.covered for one in adjusted])
    found = np.mean([one.p < 0.05 for one in adjusted])
    bias, spread = float(coef.mean() - true), float(coef.std(ddof=1))
    noise = np.sqrt(0.95 * 0.05 / kept)
    width = np.mean([one.half_width for one in adjusted]) / Z / spread
    wrong = np.mean([one.coef for one in plain]) - true
    within = abs(covered - 0.95) <= 3 * noise
    if ratio == 1:
        within &= abs(found - 0.05) <= 3 * noise
    return [
        form.name, f"{ratio:g}", f"{form.n}", f"{np.mean([one.events for one in adjusted]):.0f}",
        f"{kept}", f"{refused}", f"{bias:+.4f} ± {spread / np.sqrt(kept):.4f}",
        "–" if np.isnan(width) else f"{width:.3f}",
        f"{100 * covered:.1f} ± {100 * noise:.1f}",
        f"{100 * found:.1f}" + (" (type I)" if ratio == 1 else ""),
        "yes" if within and abs(bias) <= 0.02 else "no",
        f"{wrong:+.3f}", f"{100 * np.mean([one.covered for one in plain]):.0f}",
    ]  # fmt: skip


def main() -> None:
    """Run every form and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    defaults = {
        "cox": 5000, "fine-gray": 5000, "sandwich": 2000, "bootstrap": 2000, "cox-again": 20_000,
        "firth": 5000,
    }  # fmt: skip
    for name, count in defaults.items():
        parser.add_argument(f"--{name}", type=int, default=count)
    parser.add_argument("--only", help="forms to run, by comma; the others' rows are kept")
    asked = vars(parser.parse_args())
    only = asked["only"].split(",") if asked["only"] else list(FORMS)
    rows = kept_rows([form.name for name, form in FORMS.items() if name not in only])
    for name in only:
        for ratio in RATIOS:
            start = time.process_time()
            found = study(FORMS[name], ratio, asked[name.replace("-", "_")])
            rows.append([*found, f"{time.process_time() - start:.0f}"])
            print(" | ".join(rows[-1]), flush=True)
            OUT.write_text(lay_out(rows), encoding="utf-8")


def kept_rows(names: list[str]) -> list[list[str]]:
    """The rows of these forms from the table as it stands; a form has seeds of its own."""
    if not OUT.exists():
        return []
    lines = [one for one in OUT.read_text(encoding="utf-8").splitlines() if one.startswith("| ")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    return [row for row in cells if row[0] in names]


def lay_out(rows: list[list[str]]) -> str:
    """The page with the rows so far, in the order of the forms."""
    order = [form.name for form in FORMS.values()]
    rows = sorted(rows, key=lambda row: (order.index(row[0]), float(row[1])))
    risk = -np.expm1(-cumulative_hazard(truth_of(1.0, 1.6).local_failure.hazard, 5.0))
    head = (
        "model", "true ratio", "n", "mean events", "cohorts", "refused", "bias of the log ratio",
        "width", "coverage, %", "p < 0.05, %", "held", "unadjusted bias", "unadjusted coverage, %",
        "CPU s",
    )  # fmt: skip
    lines = [
        "# A known effect of dose, given back",
        "",
        "Written by `benchmarks/dose_response_recovery.py`. Every cohort is drawn anew: tumours and"
        " doses by the rules of the invented department with ruthenium only, so that dose falls"
        " with thickness; failure rises by 1.25 a mm of thickness (Cox; baseline risk at the"
        f" reference dose {100 * risk:.0f} % in 5 years). Adjusted for thickness (Cox also"
        " diameter, site, thermotherapy). ± is one Monte Carlo standard error. “Width” is the mean"
        " half-width of the intervals over 1.96, divided by the spread of the estimates: 1 where"
        " intervals are as wide as they should be (Firth’s are judged by whether the profile holds"
        " the truth, without looking for its ends). “Held”: |bias| ≤ 0.02 and coverage (at a true"
        " ratio of 1 also the share with p < 0.05, the type I error) within three of them of"
        " nominal. The unadjusted columns show what confounding does. Cox has two seeds: the first"
        " showed a coverage at 0.7 nearly three standard errors under 95 %, so the second was run"
        " to see whether that was chance; both stand. At 0.7 the second lies nearer to 95 %, yet"
        " below it, with intervals a little narrower than the spread of the estimates: part of the"
        " gap was chance, part may be real (Wald limits from the information, at finite n).",
        "",
        "| " + " | ".join(head) + " |",
        "|" + "---|" * len(head),
        *("| " + " | ".join(row) + " |" for row in rows),
        "",
        f"numpy {np.__version__}; seeds {SEED} and {SECOND_SEED}; processor time of one process.",
        "",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
