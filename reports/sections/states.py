"""Where the eyes are over time, as a part of the section on competing outcomes."""

from __future__ import annotations

from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.eye_states import DEFINITION, HALF_GAP_DAYS, STATES
from reports.page.document import Block, Column, Figure, Heading, Note, Row, Table
from reports.page.state_curves import StatesOverTime, state_figure
from reports.results.outcome_results import OutcomeResults
from reports.sections.local_control import YEARS
from reports.words.values import Content, Missing, Quantity
from reports.words.wording import in_years

MEAN_YEARS = 5.0


def _table(over_time: StatesOverTime) -> Table:
    found = over_time.occupation
    reaches = found.last_time >= MEAN_YEARS * DAYS_PER_YEAR
    mean = found.mean_time(MEAN_YEARS * DAYS_PER_YEAR) / DAYS_PER_YEAR if reaches else None
    rows = []
    for state, name in enumerate(STATES):
        spent: Content = Missing("not reached")
        if mean is not None:
            spent = Quantity(float(mean[state]), unit="years", digits=2, n=found.n)
        read = [over_time.at(state, years) for years in YEARS]
        rows.append(Row((name[0].upper() + name[1:], *read, spent)))
    return Table(
        caption="Share of eyes in each state at named times.",
        columns=(
            Column("State"),
            *(Column(f"At {in_years(years)}", "right") for years in YEARS),
            Column(f"Mean time, first {MEAN_YEARS:g} years", "right"),
        ),
        rows=tuple(rows),
        notes=(
            "95 % CI by bootstrap over patients; where no eye was in a state, exact from the"
            " number at risk. Shares at a time add up to 100 %; an eye"
            " may regain useful vision.",
        ),
    )


def blocks(results: OutcomeResults) -> list[Block]:
    """Return the blocks."""
    head = Heading("Where the eyes are over time")
    if results.occupation is None:
        return [head, Note("Nobody’s state is known from the day of treatment on.")]
    over_time = StatesOverTime(results.states, results.occupation)
    spec = state_figure(over_time)
    if spec is None:
        return [head, Note("There are too few eyes, or there is too little follow-up, to draw it.")]
    figure = Figure(
        caption="State of the treated eyes at each time, stacked.",
        spec=spec,
        notes=(
            "At risk: eyes whose state is known then. Between readings the last one counts; from"
            f" {HALF_GAP_DAYS} days after the last visit only death is watched.",
        ),
    )
    return [head, figure, _table(over_time)]


def definition(window_days: int) -> str:
    """Return the words for the methods."""
    return DEFINITION.format(window=window_days, reach=HALF_GAP_DAYS)
