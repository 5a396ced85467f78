"""``--check-with``: the same rows through another program, and how far it is from ours."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError

if TYPE_CHECKING:
    from analysis.estimators.observations import RightCensored
    from analysis.models.lifelines_adapter import SecondOpinion
    from analysis.models.regression import RegressionRows


def judge_curves(
    curves: Mapping[str, tuple[RightCensored, Any]],
    observed: RightCensored,
    group: Sequence[str],
    log_rank: Mapping[str, Any] | None,
) -> tuple[list[dict[str, Any]], list[str]]:
    """Compare each group's curve and the log-rank test; what cannot be compared is a warning.

    Parameters
    ----------
    curves
        For each group its observations and our estimate.
    observed, group
        All observations and the group of each.
    log_rank
        Our test as the answer lists it, or None.
    """
    from analysis.estimators.group_tests import log_rank as test_groups
    from analysis.models.lifelines_adapter import second_kaplan_meier, second_log_rank

    asked: list[tuple[str, Callable[[], SecondOpinion]]] = [
        (name, lambda seen=seen, ours=ours: second_kaplan_meier(seen, ours))  # type: ignore[misc]
        for name, (seen, ours) in curves.items()
    ]
    if log_rank is not None and log_rank["name"] == "log-rank":
        ours = test_groups(observed, group)
        asked.append(("all", lambda: second_log_rank(observed, group, ours)))
    return _ask(asked)


def judge_cox(rows: RegressionRows) -> tuple[list[dict[str, Any]], list[str]]:
    """Compare the Cox model of these rows with Efron ties."""
    from analysis.models.cox import cox
    from analysis.models.lifelines_adapter import second_cox

    if rows.time is None:
        raise ValueError("a Cox model needs times")
    fit = cox(
        rows.frame.matrix,
        rows.time,
        rows.status == 1,
        terms=rows.frame.terms,
        entry=rows.entry,
        strata=rows.strata,
    )
    return _ask([("all", lambda: second_cox(fit, rows.frame.matrix))])


def _ask(
    asked: Sequence[tuple[str, Callable[[], SecondOpinion]]],
) -> tuple[list[dict[str, Any]], list[str]]:
    found, warnings = [], []
    for name, opinion in asked:
        try:
            said = opinion()
        except RefusedEstimateError as refusal:
            warnings.append(f"No second opinion ({name}): {refusal.message}")
            continue
        found.append(
            {
                "group": name,
                "library": said.program,
                "version": said.version,
                "compared": said.compared,
                "largest_difference": said.largest_difference,
                "tolerance": said.tolerance,
                "agrees": said.agrees,
            }
        )
        if not said.agrees:
            warnings.append(
                f"{said.program} {said.version} differs from ours in the {said.compared} "
                f"({name}) by {said.largest_difference:.2g}. Do not report before it is clear why."
            )
    return found, warnings


def lay_out_opinions(opinions: Sequence[Mapping[str, Any]]) -> str:
    """One line a comparison."""
    return "\n".join(
        f"{one['library']} {one['version']}, {one['compared']} ({one['group']}): "
        f"{'agrees' if one['agrees'] else 'DIFFERS'}, "
        f"largest difference {one['largest_difference']:.1e}"
        for one in opinions
    )
