"""Invented figures, one of each kind, for the rendering tests. No real patients."""

from __future__ import annotations

import itertools

import numpy as np
from scipy.stats import binom

from reports.figures.incidence import incidence_figure, outcome_band
from reports.figures.specs import (
    AcuityFigure,
    AcuityLevel,
    AcuityPair,
    CompletenessFigure,
    CurveSeries,
    DoseGroup,
    DoseResponseFigure,
    FlowFigure,
    FlowStep,
    ForestFigure,
    ForestRow,
    FunnelFigure,
    FunnelLimit,
    FunnelUnit,
    IncidenceFigure,
    LeftOut,
    MonitoringFigure,
    SurvivalFigure,
)
from reports.figures.survival import survival_series
from reports.words.values import Count, CurveEstimate, Missing, Quantity, Rate, text

TICKS = tuple(range(11))


def product_limit(exits: np.ndarray, events: np.ndarray) -> tuple[np.ndarray, ...]:
    """A plain product-limit curve with Greenwood log-log limits, for drawing only."""
    times = np.unique(exits[events])
    at_risk = np.array([(exits >= t).sum() for t in times])
    died = np.array([(events & (exits == t)).sum() for t in times])
    alive = np.cumprod(1 - died / at_risk)
    se = np.sqrt(np.cumsum(died / (at_risk * np.maximum(at_risk - died, 1))))
    spread = 1.96 * se / np.abs(np.log(alive))
    bounds = alive ** np.exp(spread), alive ** np.exp(-spread)
    return tuple(
        np.concatenate([[first], part])
        for first, part in zip((0.0, 1.0, 1.0, 1.0), (times, alive, *bounds), strict=True)
    )


def history(n: int, yearly: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Invented times of exit (years) and whether they are events."""
    rng = np.random.default_rng(seed)
    failure, end = rng.exponential(1 / yearly, n), rng.uniform(0.3, 11.0, n)
    return np.minimum(failure, end), failure <= end


def series(name: str, n: int, yearly: float, seed: int, shown_as: str = "control") -> CurveSeries:
    """An invented failure curve."""
    exits, events = history(n, yearly, seed)
    time, alive, lower, upper = product_limit(exits, events)
    return survival_series(
        name,
        time_years=time,
        survival=alive,
        lower=lower,
        upper=upper,
        exit_years=exits,
        is_event=events,
        ticks_years=TICKS,
        shown_as=shown_as,
    )


def survival_figure(*curves: CurveSeries) -> SurvivalFigure:
    """The curves on one figure of local failure."""
    return SurvivalFigure(
        failure_name="Local failure",
        control_name="Local control",
        unit="tumours",
        method="Kaplan–Meier",
        interval="log–log",
        level=0.95,
        minimum_at_risk=10,
        series=curves,
        stated_at_years=5.0,
    )


def stacked_figure(n: int = 220, seed: int = 5) -> IncidenceFigure:
    """Invented competing outcomes, without censoring before the end of follow-up."""
    rng = np.random.default_rng(seed)
    rates = np.array([0.03, 0.02, 0.03])
    first = rng.exponential(1 / rates, (n, 3))
    end = rng.uniform(4.0, 11.0, n)
    exits, cause = np.minimum(first.min(axis=1), end), first.argmin(axis=1)
    status = np.where(first.min(axis=1) <= end, cause + 1, 0)
    times = np.concatenate([[0.0], np.unique(exits[status > 0])])
    at_risk = np.array([(exits >= t).sum() for t in times])
    hazard = [
        np.array([((status == k) & (exits == t)).sum() for t in times]) / at_risk for k in (1, 2, 3)
    ]
    alive = np.concatenate([[1.0], np.cumprod(1 - sum(hazard))[:-1]])
    names = ("Melanoma death", "Eye removed", "Other death")
    bands = []
    for k, name in enumerate(names):
        share = np.cumsum(alive * hazard[k])
        bands.append(
            outcome_band(
                name,
                time_years=times,
                incidence=share,
                lower=share * 0.7,
                upper=np.minimum(share * 1.4, 1),
                exit_years=exits,
                is_event=status == k + 1,
                ticks_years=TICKS,
            )
        )
    return incidence_figure(
        bands,
        remaining_name="Alive with the eye, free of all these",
        unit="patients",
        exit_years=exits,
        ticks_years=TICKS,
    )


def flow_figure() -> FlowFigure:
    """Who is analysed and who is not."""
    return FlowFigure(
        "tumours",
        (
            FlowStep("Implants on the theatre list", Count(262)),
            FlowStep(
                "Entered in the registry",
                Count(254),
                (LeftOut("not found in the registry", Count(8)),),
            ),
            FlowStep(
                "Primary plaque treatment of uveal melanoma",
                Count(226),
                (
                    LeftOut("other diagnosis", Count(11)),
                    LeftOut("treated before elsewhere", Count(14)),
                    LeftOut("second implant of one course", Count(3)),
                ),
            ),
            FlowStep(
                "Seen at least once after treatment: analysed for local failure",
                Count(220),
                (LeftOut("no visit with local status assessed", Count(6)),),
            ),
        ),
    )


def completeness_figure() -> CompletenessFigure:
    """Share known by item and year; the last years are not yet due."""
    rng = np.random.default_rng(8)
    names = (
        "Thickness before treatment",
        "Largest basal diameter",
        "Acuity before treatment",
        "Dose certificate",
        "Local status at 1 year",
        "Local status at 5 years",
    )
    years = tuple(str(year) for year in range(2015, 2025))
    cells = []
    for row in range(len(names)):
        due = {4: 9, 5: 5}.get(row, 10)
        totals = rng.integers(18, 30, 10)
        known = [int(t - rng.integers(0, 3 + 3 * row)) for t in totals]
        cells.append(
            tuple(
                Rate(known[k], int(totals[k])) if k < due else Missing("not yet due")
                for k in range(10)
            )
        )
    return CompletenessFigure("Item", names, "Year of treatment", years, tuple(cells))


def forest_figure() -> ForestFigure:
    """Invented hazard ratios."""
    rows = (
        ForestRow("Tumour category (AJCC 8)", is_heading=True),
        ForestRow("T1", Rate(3, 61, style="bracket"), is_reference=True),
        ForestRow("T2", Rate(9, 88, style="bracket"), Quantity(1.42, 0.61, 3.60, events=9)),
        ForestRow("T3", Rate(12, 59, style="bracket"), Quantity(2.35, 1.08, 5.71, events=12)),
        ForestRow("Distance to the disc", is_heading=True),
        ForestRow("2 mm or more", Rate(10, 150, style="bracket"), is_reference=True),
        ForestRow("under 2 mm", Rate(14, 70, style="bracket"), Quantity(3.1, 1.4, 29.0, events=14)),
        ForestRow(
            "Apex dose, per 10 Gy",
            text("{k} events", k=Count(24)),
            Quantity(0.82, 0.61, 1.08, events=24),
        ),
        ForestRow(
            "Iris involved",
            Rate(2, 7, style="bracket"),
            Quantity(None, reason="2 events", events=2),
        ),
    )
    return ForestFigure(
        "Hazard ratio of local failure",
        "Events (share)",
        rows,
        lower_means="fewer failures",
        higher_means="more failures",
    )


def acuity_figure(n: int = 150) -> AcuityFigure:
    """Invented acuities before and after."""
    rng = np.random.default_rng(3)
    before = np.clip(np.round(rng.gamma(1.6, 0.22, n) - 0.1, 1), -0.2, 1.6)
    after = np.round(before + rng.gamma(1.1, 0.5, n) - 0.25, 1)
    names = ("CF", "HM", "LP", "NLP")

    def level(value: float) -> AcuityLevel:
        if value <= 1.6:
            return AcuityLevel(float(max(value, -0.2)))
        return AcuityLevel(None, names[min(int((value - 1.6) / 0.25), 3)])

    return AcuityFigure(
        tuple(AcuityPair(level(b), level(a)) for b, a in zip(before, after, strict=True))
    )


def funnel_figure() -> FunnelFigure:
    """Invented departments around a benchmark of 6 %, one of them far out."""
    rng = np.random.default_rng(21)
    size = np.linspace(10, 400, 79)
    limits = []
    for name, tail in (("95 %", 0.025), ("99.8 %", 0.001)):
        low, high = binom.ppf(tail, size, 0.06) / size, binom.ppf(1 - tail, size, 0.06) / size
        limits.append(FunnelLimit(name, tuple(size), tuple(low), tuple(high)))
    n = rng.integers(30, 390, 14)
    units = [
        FunnelUnit(f"Department {k + 1}", Count(int(m)), Count(int(rng.binomial(m, 0.06))))
        for k, m in enumerate(n)
    ]
    units += [
        FunnelUnit("This department", Count(220), Count(16), is_named=True),
        FunnelUnit("Department 16", Count(180), Count(31)),
    ]
    return FunnelFigure(
        "Local failure by 5 years",
        "Tumours",
        0.06,
        "the published rate",
        tuple(limits),
        tuple(units),
    )


def monitoring_figure(n: int = 180) -> MonitoringFigure:
    """Invented results in time order, with a drift late on."""
    rng = np.random.default_rng(12)
    when = np.sort(rng.uniform(2015.1, 2024.9, n))
    expected = rng.uniform(0.03, 0.12, n)
    event = rng.uniform(size=n) < expected * np.where(when > 2022, 2.2, 1.0)
    weight = np.where(event, np.log(2), 0) - np.log(1 + expected)
    score, path = 0.0, []
    for step in weight:
        score = max(0.0, score + float(step))
        path.append(score)
    return MonitoringFigure(
        "Local failure",
        tuple(when.tolist()),
        tuple(np.cumsum(event - expected).tolist()),
        tuple(path),
        tuple(event.tolist()),
        3.5,
        "one false alarm in 10 years on average",
    )


def dose_figure() -> DoseResponseFigure:
    """An invented dose–response curve."""
    rng = np.random.default_rng(31)
    dose = np.linspace(62, 118, 57)
    risk = 1 / (1 + np.exp((dose - 60) / 16))
    doses = rng.normal(88, 12, 200)
    failed = rng.uniform(size=200) < 1 / (1 + np.exp((doses - 60) / 16))
    edges = np.quantile(doses, [0, 0.25, 0.5, 0.75, 1])
    groups = []
    for low, high in itertools.pairwise(edges):
        inside = (doses >= low) & (doses <= high)
        k, m = int(failed[inside].sum()), int(inside.sum())
        share = k / m
        groups.append(
            DoseGroup(
                float(low),
                float(high),
                float(np.median(doses[inside])),
                CurveEstimate(share, max(0.0, share - 0.11), share + 0.13, m, k, m - k),
            )
        )
    return DoseResponseFigure(
        "Local failure by 5 years",
        "Apex dose",
        "Gy",
        "unadjusted",
        tuple(dose.tolist()),
        tuple(risk.tolist()),
        tuple((risk * 0.65).tolist()),
        tuple(np.minimum(risk * 1.45, 1).tolist()),
        tuple(groups),
        Count(int(failed.sum())),
        doses_with_event=tuple(doses[failed].tolist()),
        doses_without_event=tuple(doses[~failed].tolist()),
    )
