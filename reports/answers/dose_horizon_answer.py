"""``dose-curve --time --horizon``: a weighted logistic curve at a horizon, from any table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from registry.errors import UsageError
from reports.tables.table_reading import Table


@dataclass(frozen=True, slots=True)
class HorizonQuestion:
    """What is asked; the horizon is in the unit of the time column."""

    dose: str
    event: str
    time: str
    horizon: float
    reading: str = "net"
    adjust: tuple[str, ...] = ()
    cluster: str | None = None
    event_codes: dict[str, int] | None = None
    resamples: int = 0
    seed: int = 1
    level: float = 0.95


def check_horizon(time: str | None, horizon: float | None, others: Mapping[str, object]) -> bool:
    """Return whether a curve at a horizon is asked for.

    Parameters
    ----------
    time, horizon
        The options: both or none.
    others
        Options that belong to it, by name, with their values.

    Raises
    ------
    UsageError
        One of the two is missing, or another option is given without them.
    """
    if time is None and horizon is None:
        for option, value in others.items():
            if value:
                raise UsageError(f"{option} needs --time and --horizon.", option=option)
        return False
    if time is None or horizon is None or not horizon > 0:
        missing = "--time" if time is None else "--horizon"
        raise UsageError(
            "A curve at a horizon needs --time COLUMN and --horizon above 0.", option=missing
        )
    return True


def answer_at_horizon(table: Table, asked: HorizonQuestion) -> dict[str, Any]:
    """Fit the curve and describe it.

    Raises
    ------
    UsageError, RefusedInputError, RefusedEstimateError
        A dose that is no number; cells or a curve that cannot be used.
    """
    import numpy as np

    from analysis.dose_effect.censoring_weights import READING_WORDS
    from analysis.dose_effect.dose_horizon import curve_at_horizon
    from reports.answers.dose_answer import describe_curve
    from reports.tables.regression import RegressionQuestion, read_model_rows

    if not table.is_numeric(asked.dose):
        raise UsageError(f"--dose {asked.dose}: the column holds text.", option="--dose")
    rows, frame, warnings = read_model_rows(
        table,
        RegressionQuestion(
            "cox", asked.event, (asked.dose, *asked.adjust), time=asked.time,
            cluster=asked.cluster, event_codes=asked.event_codes, level=asked.level,
        ),
    )  # fmt: skip
    assert rows.time is not None
    curve = curve_at_horizon(
        frame.matrix[:, 0], frame.matrix[:, 1:], frame.terms[1:], rows.time, rows.status,
        asked.horizon, reading=asked.reading, cluster=rows.cluster, level=asked.level,
        resamples=asked.resamples, rng=np.random.default_rng(asked.seed),
    )  # fmt: skip
    described = describe_curve(curve)
    described["horizon"] = described.pop("horizon_years")
    head = {
        "adjustment": "adjusted" if asked.adjust else "unadjusted",
        "reading": asked.reading,
        "means": READING_WORDS[asked.reading],
    }
    seed = {"resamples": asked.resamples, "seed": asked.seed} if asked.resamples else {}
    return head | described | seed | {"warnings": warnings}


def lay_out_horizon(payload: dict[str, Any]) -> str:
    """Lay it out for a person."""
    from reports.answers.dose_text import lay_out_curves
    from reports.render.text import lay_out_table

    terms = [[t["term"], f"{t['coef']:.5g}", f"{t['se']:.4g}"] for t in payload["terms"]]
    blocks = lay_out_curves([payload], "")
    blocks.append(lay_out_table(["term", "coef", "robust SE"], terms))
    return "\n".join([*blocks, *(f"Note: {w}" for w in payload["warnings"])])
