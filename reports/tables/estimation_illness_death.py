"""``estimate --method illness-death``: loss found at visits, with death competing, of any table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError, RefusedInputError
from reports.tables.estimation_rows import ALL, sort_labels
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    import numpy as np

    from analysis.estimators.illness_death import IllnessDeath, VisitedToDeath

METHOD = "illness-death"
LIMITS = "bootstrap, percentile; under 20 losses by the time the wider of it and the count's limits"


@dataclass(frozen=True, slots=True)
class VisitQuestion:
    """Columns of the last time before the loss, the first with it, vital status and death."""

    lower: str
    upper: str
    time: str
    event: str
    by: str | None
    at: tuple[float, ...]
    level: float
    replicates: int
    seed: int


def answer_illness_death(table: Table, question: VisitQuestion) -> dict[str, Any]:
    """Fit the model to every group.

    Returns
    -------
    dict
        ``groups``, each with counts, the intensities on their knots, and ``at``: ``estimate`` is
        the incidence of loss with its limits, beside the probabilities of every state.

    Raises
    ------
    RefusedInputError
        For times out of order, naming the line, or a death that is not 0 or 1.
    """
    import numpy as np

    columns = [question.lower, question.time, question.event]
    whole, dropped = table.complete_rows([*columns, *([question.by] if question.by else [])])
    if not whole.n_rows:
        raise RefusedEstimateError("There is no complete row, so there is nothing to estimate.")
    seen = _observe(whole, question)
    labels = np.array(
        [str(x) for x in whole.texts(question.by)] if question.by else [ALL] * len(seen.died)
    )
    rng = np.random.default_rng(question.seed)
    groups, warnings = [], list(dropped)
    for name in sort_labels(labels.tolist()):
        described, said = _describe(name, seen.draw(np.flatnonzero(labels == name)), question, rng)
        groups.append(described)
        warnings += said
    return {
        "method": METHOD,
        "interval": LIMITS,
        "level": question.level,
        "replicates": question.replicates,
        "seed": question.seed,
        "groups": groups,
        "tests": [],
        "warnings": warnings,
    }


def _observe(table: Table, question: VisitQuestion) -> VisitedToDeath:
    import numpy as np

    from analysis.estimators.illness_death import VisitedToDeath

    above, vital = table.numbers(question.lower), table.numbers(question.time)
    below, died = table.numbers(question.upper), table.numbers(question.event)
    below = np.where(np.isnan(below), np.inf, below)
    known = np.where(np.isfinite(below), below, above)
    rules = (
        (np.isin(died, (0, 1)), f"{question.event} is 0 (alive) or 1 (died)"),
        ((above >= 0) & np.isfinite(above), f"{question.lower} is a time of 0 or more"),
        (below >= above, f"{question.upper} does not lie before {question.lower}"),
        (
            np.isfinite(vital) & (vital >= known),
            f"{question.time} does not lie before the last visit",
        ),
    )
    for is_good, rule in rules:
        if not is_good.all():
            line = table.lines[int(np.flatnonzero(~is_good)[0])]
            raise RefusedInputError(
                f"{table.name}, line {line}: {rule}, and here it is not so"
                f" ({int((~is_good).sum())} rows in all). Correct the table.",
                file=table.name,
                line=line,
            )
    return VisitedToDeath.of(above, below, vital, died == 1)


def _describe(
    name: str, seen: VisitedToDeath, question: VisitQuestion, rng: np.random.Generator
) -> tuple[dict[str, Any], list[str]]:
    from analysis.estimators.illness_death import fit_illness_death

    fit = fit_illness_death(seen)
    said = [f"Group {name}: {note}" for note in fit.notes]
    if not fit.is_converged:
        said.append(f"Group {name}: the search did not end; the figures are not for a report.")
    late = [f"{time:g}" for time in question.at if time > fit.last_time]
    if late:
        said.append(
            f"Group {name}: nothing is reported at {', '.join(late)}, beyond the last follow-up"
            f" ({fit.last_time:g})."
        )
    rows, more = _describe_at(name, seen, fit, question, rng)
    described = {
        "group": name,
        "n": fit.n,
        "events": fit.losses_seen,
        "deaths": fit.deaths,
        "deaths_after_seen_loss": fit.deaths_after_seen_loss,
        "person_time": fit.person_time,
        "last_time": fit.last_time,
        "log_likelihood": fit.log_likelihood,
        "is_converged": fit.is_converged,
        "knots": {key: list(value) for key, value in fit.knots.items()},
        "intensity": {key: value.tolist() for key, value in fit.intensity.items()},
        "at": rows,
    }
    return described, said + more


def _describe_at(
    name: str,
    seen: VisitedToDeath,
    fit: IllnessDeath,
    question: VisitQuestion,
    rng: np.random.Generator,
) -> tuple[list[dict[str, Any]], list[str]]:
    import numpy as np

    from analysis.estimators.illness_death import bootstrap_illness_death
    from analysis.estimators.illness_death_limits import limit_by_count, widen_at_few_losses

    if not question.at:
        return [], []
    times, said = list(question.at), []
    read, count = fit.at(times), limit_by_count(seen, fit, times, level=question.level)
    lower, upper, above_lower, above_upper = count.loss_lower, count.loss_upper, None, None
    try:
        drawn = bootstrap_illness_death(
            seen, fit, times, rng, resamples=question.replicates, level=question.level
        )
    except RefusedEstimateError as refusal:
        said.append(
            f"Group {name}: limits are those of the number of losses seen, read through"
            f" the model. {refusal.message}"
        )
    else:
        lower, upper = widen_at_few_losses(drawn, count)
        above_lower, above_upper = drawn.above_lower, drawn.above_upper
    states = {
        "above": read.above,
        "above_lower": above_lower,
        "above_upper": above_upper,
        "lost": read.lost,
        "dead": read.dead,
        "death_without_loss": np.maximum(read.death_without_loss, 0.0),
        "loss_if_no_one_died": read.loss_if_no_one_died,
    }
    rows = [
        {
            "time": float(time),
            "estimate": _finite(read.loss_incidence[k]),
            "se": None,
            "lower": _finite(lower[k]),
            "upper": _finite(upper[k]),
        }
        | {key: None if part is None else _finite(part[k]) for key, part in states.items()}
        for k, time in enumerate(times)
    ]
    return rows, said


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
