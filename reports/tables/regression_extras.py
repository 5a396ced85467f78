"""``regress --edges`` (intervals of the discrete-time model) and ``regress --e-values``."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from registry.errors import UsageError

if TYPE_CHECKING:
    from reports.tables.regression import RegressionQuestion

DISCRETE_TIME = "firth-discrete-time"
COMMON_OUTCOME = 0.15
"""Share of people with the event above which an outcome counts as common (VanderWeele and Ding)."""


def check_edges(question: RegressionQuestion) -> None:
    """Refuse a discrete-time model without intervals, or what it does not take.

    Raises
    ------
    UsageError
        Names the option.
    """
    if question.model != DISCRETE_TIME:
        return
    edges = question.edges
    if not edges or edges[0] <= 0 or any(b <= a for a, b in pairwise(edges)):
        raise UsageError(
            f"--model {DISCRETE_TIME} needs the ends of its intervals, increasing and above 0: "
            "--edges 1,2,3,5. The last is the horizon.",
            option="--edges",
        )
    for option, given in (
        ("--imputations", question.imputations), ("--standardise", question.standardise),
    ):  # fmt: skip
        if given:
            raise UsageError(f"{option} does not go with --model {DISCRETE_TIME}.", option=option)


def add_e_values(answer: dict[str, Any]) -> None:
    """Add the E-value of every term with finite limits to an answer."""
    from analysis.counts.e_value import e_value

    scale = "odds ratio" if "logistic" in answer["model"] else "hazard ratio"
    is_common = answer["events"] > COMMON_OUTCOME * answer["n"]
    found = []
    for term in answer["terms"]:
        ratio, lower, upper = (term[key] for key in ("ratio", "lower", "upper"))
        is_baseline = term["term"] == "intercept" or term["term"].startswith("interval[")
        if is_baseline or not (0 < lower <= ratio <= upper < math.inf):
            continue
        value = e_value(ratio, lower, upper, scale=scale, is_outcome_common=is_common)  # type: ignore[arg-type]
        found.append({"term": term["term"], "estimate": value.estimate, "limit": value.limit})
    answer["e_values"] = {"scale": scale, "is_outcome_common": is_common, "terms": found}


def lay_out_e_values(found: dict[str, Any]) -> str:
    """Lay them out for a person."""
    from reports.render.text import lay_out_table

    rows = [
        [one["term"], f"{one['estimate']:.3g}", f"{one['limit']:.3g}"] for one in found["terms"]
    ]
    outcome = "common" if found["is_outcome_common"] else "rare"
    return (
        f"E-values (VanderWeele and Ding 2017) of the {found['scale']}s, the outcome taken as"
        f" {outcome}: how strongly, as a risk ratio, something unmeasured must go with both to"
        " explain the ratio away, or its nearer limit\n"
        + lay_out_table(["term", "estimate", "limit"], rows)
    )
