"""Discrimination and calibration of the adjusted hazard model, with the optimism taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.dose_effect.dose_models import DOSE, complete_rows
from analysis.dose_effect.dose_rows import DoseRows
from analysis.models.calibration import CalibrationGroup, calibrate_cox
from analysis.models.design_matrix import to_model_frame
from analysis.models.discrimination import Validation, validate_cox
from analysis.models.optimism import too_narrow
from registry.errors import MendableError

#: Above so many units so few samples do: there is hardly any optimism to take off. They are just
#: enough for 95 % limits.
MANY_UNITS, FEW_SAMPLES = 5000, 40


@dataclass(frozen=True, slots=True)
class ModelValidation:
    """How well the adjusted model ranks, and how well its risks at the horizon fit.

    ``n`` and ``events`` are of the rows followed from time zero on, who alone are resampled.
    ``calibration`` is empty where ``refused`` says why; ``too_narrow`` is what must be said of the
    limits of ranking and slope.
    """

    model: str
    discrimination: Validation
    n: int
    events: int
    horizon_years: float
    calibration: tuple[CalibrationGroup, ...]
    refused: str = ""
    too_narrow: str = ""


def validate_rows(
    rows: DoseRows, method: str, horizon_years: float, *, level: float, samples: int, seed: int
) -> ModelValidation:
    """Validate the adjusted hazard model on the rows complete in the adjustment.

    Parameters
    ----------
    rows
        The rows; who is followed from a later day than time zero is left out.
    method
        ``"cox"`` or ``"firth-cox"``.
    horizon_years
        For the calibration.
    level
        Of all limits.
    samples, seed
        Bootstrap samples of patients (at most 40 above 5,000 units), and their seed.

    Raises
    ------
    RefusedEstimateError
        The model is refused, or under four fifths of the samples could be fitted.
    """
    whole = complete_rows(rows.select(rows.entry <= 0))
    matrix = to_model_frame({DOSE: whole.dose / whole.field.per, **whole.covariates}).matrix
    event, penalised = whole.status == 1, method == "firth-cox"
    used = min(samples, FEW_SAMPLES) if whole.n > MANY_UNITS else samples
    found = validate_cox(
        matrix, whole.time, event,
        penalised=penalised, cluster=whole.cluster, level=level,
        resamples=used, rng=np.random.default_rng(seed),
    )  # fmt: skip
    groups: tuple[CalibrationGroup, ...] = ()
    refused = ""
    try:
        groups = calibrate_cox(
            matrix, whole.time, event, horizon_years,
            penalised=penalised, cluster=whole.cluster, level=level,
            resamples=used, rng=np.random.default_rng(seed),
        )  # fmt: skip
    except MendableError as error:
        refused = error.message
    events = int(event.sum())
    said = too_narrow(events, matrix.shape[1]) if found.has_limits else ""
    return ModelValidation(method, found, whole.n, events, horizon_years, groups, refused, said)
