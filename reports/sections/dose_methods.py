"""How it was done: the methods text, written from what was computed, and the references."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.dose_effect.censoring_weights import READING_WORDS
from analysis.dose_effect.dose_response import DoseResponse, HowToAnswer
from analysis.outcomes.end_points import definition_in_words
from reports.page.document import BulletList, Paragraph, Section
from reports.sections import dose_bed
from reports.sections.dose_values import MODEL_WORDS, say_adjustment
from reports.words.wording import in_years

REFERENCES = (
    "Cox DR. Regression models and life-tables. J R Stat Soc B 1972;34:187–220.",
    "Fine JP, Gray RJ. A proportional hazards model for the subdistribution of a competing risk."
    " J Am Stat Assoc 1999;94:496–509.",
    "Firth D. Bias reduction of maximum likelihood estimates. Biometrika 1993;80:27–38.",
    "Heinze G, Schemper M. A solution to the problem of monotone likelihood in Cox regression."
    " Biometrics 2001;57:114–119.",
    "Heinze G, Ploner M, Beyea J. Confidence intervals after multiple imputation: combining profile"
    " likelihood information from logistic regressions. Stat Med 2013;32:5062–5076.",
    "Grambsch PM, Therneau TM. Proportional hazards tests and diagnostics based on weighted"
    " residuals. Biometrika 1994;81:515–526.",
    "Noma H, Shinozaki T, Iba K, Teramukai S, Furukawa TA. Confidence intervals of prediction"
    " accuracy measures for multivariable prediction models based on the bootstrap-based optimism"
    " correction methods. Stat Med 2021;40:5691–5701.",
    "Harrell FE, Lee KL, Mark DB. Multivariable prognostic models: issues in developing models,"
    " evaluating assumptions and adequacy, and measuring and reducing errors. Stat Med"
    " 1996;15:361–387.",
    "Prentice RL, Gloeckler LA. Regression analysis of grouped survival data. Biometrics"
    " 1978;34:57–67.",
    "Robins JM, Finkelstein DM. Correcting for noncompliance and dependent censoring. Biometrics"
    " 2000;56:779–788.",
    "Robins JM, Hernán MA, Brumback B. Marginal structural models and causal inference in"
    " epidemiology. Epidemiology 2000;11:550–560.",
    "VanderWeele TJ, Ding P. Sensitivity analysis in observational research: introducing the"
    " E-value. Ann Intern Med 2017;167:268–274.",
    "White IR, Royston P. Imputing missing covariate values for the Cox model. Stat Med"
    " 2009;28:1982–1998.",
    "Schoenfeld DA. Sample-size formula for the proportional-hazards regression model. Biometrics"
    " 1983;39:499–503.",
    "Dale RG. The application of the linear-quadratic dose-effect equation to fractionated and"
    " protracted radiotherapy. Br J Radiol 1985;58:515–528.",
    "Harrell FE. Regression Modeling Strategies. 2nd ed. Springer, 2015.",
    "Fay MP, Brittain EH, Proschan MA. Pointwise confidence intervals for a survival distribution"
    " with small samples or heavy censoring. Biostatistics 2013;14:723–736.",
    "Dale RG, Jones B. The assessment of RBE effects using the concept of biologically effective"
    " dose. Int J Radiat Oncol Biol Phys 1999;43:639–645.",
)


def section(answer: DoseResponse, how: HowToAnswer, source: Mapping[str, str]) -> Section:
    """Return the methods text."""
    return Section(
        "Methods",
        (
            Paragraph(_dose(answer, source), lead="Dose."),
            Paragraph(_end_point(answer), lead="End point."),
            Paragraph(_over_time(answer, how), lead="Over time."),
            Paragraph(_horizon(answer, how), lead="At the horizon."),
            Paragraph(_doubts(how), lead="Doubts."),
            Paragraph(
                "Time zero is the day of insertion of the first plaque; years are days divided by"
                " 365.25. The dose of a further implant of the course counts from time zero, too:"
                " who failed or was lost before it was given could not get it, which makes higher"
                " doses look better by at most the length of the course (immortal time)."
                " Nothing after the data cut counts. Under five events nothing is"
                " estimated; under ten events a"
                " parameter Firth’s form is used unless the question says"
                " otherwise. Where the items of STROBE, RECORD, SAMPL and TRIPOD are answered is"
                " listed at the end.",
                lead="Conventions.",
            ),
        ),
        new_page=True,
    )


def _dose(answer: DoseResponse, source: Mapping[str, str]) -> str:
    rows = answer.rows
    how = (
        "as the department recorded it, of one dose model unless said otherwise"
        if rows.source == "recorded"
        else "recomputed from certificate, times and depth on the central axis (no tilt; half-lives"
        f" {source['half_life_source']})"
    )
    return (
        f"The {rows.field.words} is {how}; doses of implants of the first course are summed (a dose"
        " rate is their mean by hours), and later courses never count. Recorded and recomputed"
        " doses are not mixed. Ratios are per"
        f" {rows.field.per_words}.{dose_bed.say_parameters(answer)}"
    )


def _end_point(answer: DoseResponse) -> str:
    end_point = answer.rows.end_point
    if not end_point.events:
        return (
            f"{end_point.title.capitalize()} (unit: eye): confirmed losses as in the analysis of"
            " vision, dated at the first reading below the level; an eye without one is censored at"
            " its last reading but one."
        )
    return definition_in_words(end_point)


def _over_time(answer: DoseResponse, how: HowToAnswer) -> str:
    model = MODEL_WORDS[answer.method]
    robust = (
        " Standard errors are robust, summed by patient." if answer.rows.repeats_patients else ""
    )
    return (
        f"Hazards by {model} (Efron’s ties for Cox, Breslow’s for Firth’s form), competing events"
        f" censored at the examination that preceded them; {say_adjustment(answer.question.adjust)}"
        " and unadjusted on the same complete rows, and unadjusted on all rows."
        f"{robust} Subdistribution hazards by Fine–Gray on one clock: everyone followed to the last"
        " assessed visit plus 1.25 planned visit gaps, death within it competing. Firth’s limits"
        " are profiles of the penalised likelihood."
        " Few events: Firth’s complementary log–log model in"
        " discrete time, intervals with about equally many events. Splines are restricted cubic"
        " with Harrell’s knots. Missing covariates: complete rows, and beside them"
        f" {how.imputations} imputations by chained equations with the event and its Nelson–Aalen"
        " hazard in the models, pooled by Rubin’s rules (for Firth’s form the limits are quantiles"
        " of the mean of the profiles, Heinze, Ploner and Beyea 2013); doses are never imputed."
    )


def _horizon(answer: DoseResponse, how: HowToAnswer) -> str:
    interval = (
        f"{how.resamples} bootstrap samples of patients (weights estimated anew in each)"
        if how.resamples
        else "the sandwich, weights taken as known"
    )
    readings = "; ".join(f"{name}: {words}" for name, words in READING_WORDS.items())
    return (
        f"Logistic in dose at {in_years(answer.question.horizon_years)}, weighted by the inverse"
        " probability of remaining uncensored (Kaplan–Meier, losses assumed not to depend on what"
        f" is analysed). Two readings, {readings}. Intervals from {interval}; those of doses by"
        " Fieller’s method. D50 and γ50 = slope × D50/4 are given only where D50 lies between the"
        " 1st and 99th percentile of the doses given and its interval is bounded; else the doses"
        " for 90 and 95 % freedom from the event by the"
        " same rule, and the risk difference between the"
        " quartiles of dose. Adjusted curves are standardised to the cohort’s covariates; D50 and"
        " doses are then at the covariates’ means."
    )


def _doubts(how: HowToAnswer) -> str:
    return (
        "A generalised propensity (normal density of dose given the covariates, stabilised weights)"
        " is refused where the covariates explain 0.8 or more of the variance of dose, where the"
        " weights’ effective n falls under half, or where a covariate stays correlated with dose by"
        " more than 0.1. The smallest detectable effect comes from cohorts drawn again from the"
        " adjusted Cox model of these patients, with their doses, covariates and losses, as many"
        " events expected as were seen; dose error from true doses drawn given the recorded ones,"
        " outcomes at the true doses, and refits to the recorded ones. "
        f"{how.simulations} draws, seed {how.seed}; the figures do not depend on the number of"
        " processes. Ranking is Harrell’s C, calibration the slope on the model’s own predictor and"
        " predicted against observed risk (one less Kaplan–Meier, beta product limits) in groups of"
        f" predicted risk; the optimism of each comes from {how.validation_samples} bootstrap"
        " samples of patients at most, in each of which the model is fitted anew. The same samples"
        " give the limits: of C the percentiles of C in the samples, less the optimism (Noma and"
        " others 2021); of the slope those of its optimism. Proportional hazards are"
        " tested by scaled Schoenfeld residuals."
    )


def references() -> Section:
    """Return the works cited."""
    return Section("References", (BulletList(REFERENCES, ordered=True),))
