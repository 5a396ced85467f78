"""Guards shared by every test: the global random state and open figures stay untouched."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy loads

import numpy as np
import pytest


@pytest.fixture(autouse=True)
def _global_state_untouched() -> Iterator[None]:
    before = np.random.get_state()[1].copy()  # noqa: NPY002 - the guard reads it on purpose
    yield
    after = np.random.get_state()[1]  # noqa: NPY002
    assert np.array_equal(before, after), "the test changed numpy's global random state"
    if "matplotlib.pyplot" in sys.modules:
        assert not sys.modules["matplotlib.pyplot"].get_fignums(), "the test left a figure open"
