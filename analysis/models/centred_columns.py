"""Columns of a binomial model, centred and scaled for the arithmetic, and the way back.

A column far from 0 for its spread (a calendar year) hardly differs from the intercept, and Newton's
method gets lost between the two. About its mean it does not, and no likelihood changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CentredColumns:
    """A design with its intercept first.

    Attributes
    ----------
    matrix
        Shape (n, p): the intercept's columns as they are, the others with mean 0 and standard
        deviation 1.
    centre, scale
        Shape (p,): 0 and 1 for the intercept's columns.
    """

    matrix: Array
    centre: Array
    scale: Array

    @classmethod
    def of(cls, columns: Array, baseline: int = 1) -> CentredColumns:
        """Centre and scale the columns after the first ``baseline``, of which the first is 1.

        Examples
        --------
        >>> year = CentredColumns.of(np.array([[1.0, 2015.0], [1.0, 2017.0]]))
        >>> year.matrix[:, 1].tolist(), (year.back() @ [0.5, 2.0]).tolist()
        ([-1.0, 1.0], [-4031.5, 2.0])
        """
        centre, scale = np.zeros(columns.shape[1]), np.ones(columns.shape[1])
        centre[baseline:] = columns[:, baseline:].mean(axis=0)
        scale[baseline:] = columns[:, baseline:].std(axis=0)
        return cls((columns - centre) / scale, centre, scale)

    def back(self) -> Array:
        """Return the matrix, shape (p, p), that takes coefficients to the columns as they were."""
        back = np.diag(1.0 / self.scale)
        back[0] -= self.centre / self.scale
        return back
