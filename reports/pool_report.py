"""Several centres pooled, as a document: the curve, or its bounds where bundles are suppressed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.benchmarking.bundles import Bundle, PooledCentres
from analysis.counts.exact_counts import Limits
from analysis.estimators.survival import KaplanMeier
from analysis.outcomes.end_points import DAYS_PER_YEAR
from reports.audience.bundle_bounds import BoundedCurve, YearBounds
from reports.audience.bundle_suppression import SuppressedBundle, SuppressedPool
from reports.audit import NOTICE, versions
from reports.figures.specs import CurveSeries, RiskRow, SurvivalFigure
from reports.page.curves import MINIMUM_AT_RISK
from reports.page.document import (
    Block,
    Column,
    Figure,
    Note,
    Paragraph,
    Provenance,
    Report,
    Row,
    Section,
    Table,
    numbered,
)
from reports.words.benchmark_wording import first_up
from reports.words.values import Count, CurveEstimate, PValue, text
from reports.words.wording import decimal, in_years, percent

LEAST, MOST = "fewest failures possible", "most failures possible"
AXIS_YEARS = 10


def build_pool_report(
    bundles: Sequence[Bundle | SuppressedBundle], blocks: Sequence[Block], made_at: str
) -> Report:
    """Put the blocks of either form into a report that names the centres and their data cuts."""
    first, is_open = bundles[0], all(isinstance(one, Bundle) for one in bundles)
    title = first_up(first.end_point.replace("_", " "))
    cuts = Table(
        caption="Whose bundles were pooled.",
        columns=(
            Column("Centre"),
            Column("Data cut"),
            *((Column("Units", "right"), Column("Events", "right")) if is_open else ()),
        ),
        rows=tuple(
            Row((one.centre, one.data_cut, *(
                (Count(one.n), Count(one.events)) if isinstance(one, Bundle) else ()
            )))
            for one in bundles
        ),
    )  # fmt: skip
    sections = (
        Section(title, tuple(blocks)),
        Section("Centres and definition", (cuts, Paragraph(first.definition))),
    )
    return numbered(
        Report(
            title="Several centres pooled",
            subtitle=f"{title}, {len(bundles)} centres",
            provenance=Provenance(
                centre=", ".join(one.centre for one in bundles),
                data_cut=max(one.data_cut for one in bundles),
                made_at=made_at,
                versions=versions(),
            ),
            sections=sections,
            notices=(NOTICE,),
        )
    )


# --- open -----------------------------------------------------------------------------------------


GRID_WORDS = (
    "On the grid fixed beforehand, four ticks a year, the figures are exactly those that the"
    " patients’ rows give when each time is moved to its next tick. Who is lost between two ticks"
    " counts as followed to the second: the curve shows slightly fewer failures than exact days do."
)


def open_blocks(pooled: PooledCentres, end_point: str, against: str = "") -> list[Block]:
    """Return curve, test, rates and observed over expected of pooled open bundles.

    ``against`` names the published series that the expected events come from.
    """
    name = end_point.replace("_", " ")
    blocks: list[Block] = [
        Paragraph(
            f"{pooled.events} events in {pooled.n} units of {len(pooled.centres)} centres."
            f" {GRID_WORDS}"
        ),
        _open_figure(pooled.kaplan_meier, name, pooled.n),
    ]
    if pooled.log_rank is not None:
        test = pooled.log_rank
        blocks.append(
            Paragraph(
                text(
                    f"Between the centres, stratified: χ² {decimal(test.statistic, 2)} on {test.df}"
                    f" degree{'s' * (test.df != 1)} of freedom, {{p}}.",
                    p=PValue(test.p, pooled.events),
                ),
                lead="Log-rank test.",
            )
        )
    if pooled.rate_ratios:
        rows = [
            Row((one.centre, _limited(one.ratio, Limits(one.lower, one.upper))))
            for one in pooled.rate_ratios
        ]
        words = f"Rate over that of {pooled.rate_ratios[0].over}, adjusted for stratum and year."
        blocks.append(_table(words, ("Rate ratio (95 % CI)",), rows))
    if pooled.over_expected:
        blocks.append(_over_expected(pooled, against))
    return [*blocks, *(Note(words, "warning") for words in pooled.refused)]


def _over_expected(pooled: PooledCentres, against: str) -> Table:
    rows = [
        Row(
            (
                one.centre,
                Count(one.against.observed),
                decimal(one.against.expected, 1),
                _limited(one.against.ratio, one.against.exact),
            )
        )
        for one in pooled.over_expected
    ]
    words = f"Observed over expected by centre, at the rate of {against}, taken as known."
    return _table(words, ("Observed", "Expected", "Observed / expected (95 % CI)"), rows)


def _limited(value: float, limits: Limits) -> str:
    return f"{decimal(value, 2)} ({decimal(limits.lower, 2)}–{decimal(limits.upper, 2)})"


def _table(caption: str, headings: Sequence[str], rows: Sequence[Row]) -> Table:
    columns = (Column("Centre"), *(Column(heading, "right") for heading in headings))
    return Table(caption=caption, columns=columns, rows=tuple(rows))


def _open_figure(km: KaplanMeier, name: str, n: int) -> Figure:
    curve = km.curve
    years = curve.time / DAYS_PER_YEAR
    last = min(int(km.last_time / DAYS_PER_YEAR), AXIS_YEARS)
    enough = years[curve.at_risk >= MINIMUM_AT_RISK]
    series = CurveSeries(
        name="All centres",
        n=Count(n),
        time_years=tuple(years.tolist()),
        failure=tuple((1 - curve.estimate).tolist()),
        lower=tuple(_known(1 - curve.upper)),
        upper=tuple(_known(1 - curve.lower)),
        stop_years=float(enough[-1]) if enough.size else 0.0,
        risk=tuple(_risk_row(km, n, float(year)) for year in range(max(last, 1) + 1)),
    )
    return Figure(
        caption=f"{first_up(name)} of all centres together (Kaplan–Meier on the common grid).",
        spec=SurvivalFigure(
            failure_name=first_up(name),
            control_name=f"Free of {name}",
            unit="units",
            method="Kaplan–Meier",
            interval=km.interval,
            level=km.level,
            minimum_at_risk=MINIMUM_AT_RISK,
            series=(series,),
            stated_at_years=5.0 if last >= 5 else None,
        ),
    )


def _known(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> list[float | None]:
    return [None if math.isnan(value) else float(value) for value in values]


def _risk_row(km: KaplanMeier, n: int, year: float) -> RiskRow:
    read = km.at([year * DAYS_PER_YEAR])
    before = km.curve.time < year * DAYS_PER_YEAR
    at_risk, events = int(read.at_risk[0]), int(km.curve.events[before].sum())
    values = [1 - float(x[0]) for x in (read.estimate, read.upper, read.lower)]
    failure, low, high = (None if math.isnan(value) else value for value in values)
    left = n - at_risk - events
    return RiskRow(
        year,
        Count(at_risk),
        Count(left) if left >= 0 else None,
        Count(events),
        CurveEstimate(failure, low, high, n, events, at_risk, km.level, "control"),
    )


# --- suppressed -----------------------------------------------------------------------------------


def bounded_blocks(
    pooled: SuppressedPool, curve: BoundedCurve | None, end_point: str
) -> list[Block]:
    """Return the curve between bounds and what suppression took away."""
    name = end_point.replace("_", " ")
    blocks: list[Block] = [Paragraph(loss_words(pooled, curve), lead="Loss by suppression.")]
    low, high = pooled.rates()
    lower, upper = pooled.rate_limits()
    if not math.isnan(low):
        blocks.append(
            Paragraph(
                f"Between {decimal(low, 2)} and {decimal(high, 2)} per 100 person-years; with"
                " sampling error (95 %, exact limits of the least and the most) between"
                f" {decimal(lower, 2)} and {decimal(upper, 2)}.",
                lead="Rate.",
            )
        )
    if curve is None or not curve.years:
        return [*blocks, Note("No curve can be bounded: the numbers at risk are withheld.")]
    blocks += [_bounded_figure(curve, name), _bounded_table(curve)]
    if curve.left_out:
        blocks.append(Note(f"{curve.left_out} strata show no numbers at risk and are not in it."))
    return blocks


def loss_words(pooled: SuppressedPool, curve: BoundedCurve | None) -> str:
    """Say what suppression took away: hidden counts, and how wide it leaves the curve."""
    if not pooled.event_cells:
        return (
            "No event is in any count, so none is hidden. That none was seen is not that none can"
            " come: read the limits of the rate."
        )
    said = (
        f"{pooled.hidden_cells} of {pooled.event_cells} yearly counts of events are hidden or"
        " withheld."
    )
    at = None
    if curve is not None and curve.years:
        at = curve.at(5) or curve.years[-1]
    if at is None:
        return said
    return (
        f"{said} At {in_years(at.year)} they leave the share with the event"
        f" anywhere from {percent(1 - at.highest)} to {percent(1 - at.lowest)}, before any sampling"
        " error."
    )


def _bounded_figure(curve: BoundedCurve, name: str) -> Figure:
    enough = [one for one in curve.years if _after(curve, one)[0] >= MINIMUM_AT_RISK]
    drawn = (enough or [curve.years[0]])[:AXIS_YEARS]
    return Figure(
        caption=f"{first_up(name)} of all centres together, between the bounds that suppressed"
        " counts leave.",
        spec=SurvivalFigure(
            failure_name=first_up(name),
            control_name=f"Free of {name}",
            unit="units",
            method="Kaplan–Meier between bounds",
            interval="",
            level=0.95,
            minimum_at_risk=MINIMUM_AT_RISK,
            series=(_bound(curve, drawn, is_most=True), _bound(curve, drawn, is_most=False)),
        ),
        notes=(
            "The pooled curve of the patients lies in the band, wherever in the hidden counts’"
            " ranges they lie; the band holds no sampling error. Numbers at risk and events are"
            " those of each bound.",
        ),
    )


def _bound(curve: BoundedCurve, drawn: Sequence[YearBounds], *, is_most: bool) -> CurveSeries:
    """One bound as a curve: most failures go with the fewest at risk and the most events."""
    risk_side, event_side = (0, 1) if is_most else (1, 0)
    failures = [0.0] + [1 - (one.lowest if is_most else one.highest) for one in drawn]
    others = [0.0] + [1 - one.highest for one in drawn]
    at_risk = [one.at_risk[risk_side] for one in drawn]
    at_risk.append(min(at_risk[-1], _after(curve, drawn[-1])[risk_side]))
    events = np.concatenate([[0], np.cumsum([one.events[event_side] for one in drawn])])
    n = curve.n[risk_side]
    rows = tuple(
        RiskRow(
            float(year),
            Count(at_risk[year]),
            None,
            Count(int(events[year])),
            CurveEstimate(failures[year], None, None, n, int(events[year]), at_risk[year]),
        )
        for year in range(len(failures))
    )
    nothing: tuple[None, ...] = (None,) * len(failures)
    return CurveSeries(
        name=MOST if is_most else LEAST,
        n=Count(n),
        time_years=tuple(float(year) for year in range(len(failures))),
        failure=tuple(failures),
        lower=tuple(others) if is_most else nothing,
        upper=tuple(failures) if is_most else nothing,
        stop_years=float(len(drawn)),
        risk=rows,
    )


def _after(curve: BoundedCurve, year: YearBounds) -> tuple[int, int]:
    """Numbers at risk at the end of a year; 0 at least where the curve itself ends."""
    following = curve.at(year.year + 1)
    return following.at_risk if following else (0, year.at_risk[1])


def _bounded_table(curve: BoundedCurve) -> Table:
    rows = tuple(
        Row(
            (
                f"{one.year}",
                f"{one.at_risk[0]}–{one.at_risk[1]}",
                f"{one.events[0]}–{one.events[1]}",
                f"{percent(1 - one.highest)} to {percent(1 - one.lowest)}",
            )
        )
        for one in curve.years
    )
    return Table(
        caption="What suppression leaves possible, by year since treatment.",
        columns=(
            Column("End of year"),
            Column("At risk at its start", "right"),
            Column("Events in it", "right"),
            Column("With the event by then", "right"),
        ),
        rows=rows,
        notes=("Bounds of the pooled Kaplan–Meier on the open bundles’ grid; no sampling error.",),
    )
