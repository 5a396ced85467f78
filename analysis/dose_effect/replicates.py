"""Replicates of a simulation over several processes, the same for any number of them.

Every replicate has a random generator of its own, a child of one seed, so that it does not matter
which process runs it or in what order (numpy's ``SeedSequence.spawn``).
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

import numpy as np

T = TypeVar("T")

Progress = Callable[[int, int], None]
"""Called with the replicates done and their total."""

CHUNK = 10


def _ignore(done: int, total: int) -> None:
    """Say nothing."""


def _run_chunk(
    task: Callable[[np.random.Generator], T], seeds: list[np.random.SeedSequence]
) -> list[T]:
    return [task(np.random.default_rng(seed)) for seed in seeds]


def run_replicates(
    task: Callable[[np.random.Generator], T],
    replicates: int,
    *,
    seed: int,
    workers: int = 1,
    progress: Progress = _ignore,
) -> list[T]:
    """Run a task once for every replicate.

    Parameters
    ----------
    task
        Takes a generator of random numbers; it must be picklable when there are several workers.
    replicates
        How many.
    seed
        Of all of them.
    workers
        Processes; 1 runs in this one.
    progress
        Called as replicates end.

    Returns
    -------
    list
        Results in the order of the replicates.

    Examples
    --------
    >>> drawn = run_replicates(lambda rng: rng.integers(100), 3, seed=1)
    >>> drawn == run_replicates(lambda rng: rng.integers(100), 3, seed=1)
    True
    """
    if replicates < 1 or workers < 1:
        raise ValueError(f"at least one replicate and one worker, not {replicates} and {workers}")
    seeds = np.random.SeedSequence(seed).spawn(replicates)
    chunks = [seeds[low : low + CHUNK] for low in range(0, replicates, CHUNK)]
    found: list[T] = []
    if workers == 1:
        for chunk in chunks:
            found += _run_chunk(task, chunk)
            progress(len(found), replicates)
        return found
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        for done in pool.map(_run_chunk, [task] * len(chunks), chunks):
            found += done
            progress(len(found), replicates)
    return found
