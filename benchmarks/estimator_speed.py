"""How fast the estimators are, against one sort, lifelines and R, in one run.

Run ``python -m benchmarks.estimator_speed``; the table goes to ``benchmarks/estimator_speed.md``.
Every figure is processor time, so that other work on the machine matters little: the best of many
runs (R three, and one for what takes over 10 s). Data: exponential times with uniform censoring,
untied or in whole months; half of the events are competing ones for Aalen–Johansen. Our times
include checking the input, merging times that differ by rounding only, standard errors, and log–log
limits wherever an estimate moves. Aalen–Johansen's rows on the grid of all causes' events, where
the values of one cause only repeat, are written out when asked for; the column "+ rows" says what
that adds for both causes.

The sort is ``numpy.argsort(times)``, which uses vector instructions and leaves ties in any order;
beside it ``kind="stable"``, which keeps them and is how such an estimator is usually written. Ours
sorts no index at all: time and status make one whole number (``analysis/estimators/row_order.py``).

R is ``survival::survfit`` with log–log limits for both, where it does not take minutes, and
``cmprsk::cuminc`` for Aalen–Johansen, which gives a variance but no limits. R and lifelines are
left out where they are not installed.

Three times the sort is kept from 100,000 rows on. At 1,000 it is not: numpy sorts them in 0.008 ms,
the price of some 25 of the cheapest calls, and an estimate makes about seventy, one for each check,
count and column. The line below the first table says what one sort and forty products take.

A block of 31 MB is allocated and freed first: the C library then keeps what is freed afterwards,
as it does in any process that has read a larger table. Without it every array is cleared and mapped
anew by the operating system, which the last table shows: one fresh process each, nothing warmed.
"""

from __future__ import annotations

import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.observations import RightCensored
from analysis.estimators.resampling import resampled_survival
from analysis.estimators.survival import kaplan_meier

SIZES = (1_000, 100_000, 1_000_000)
KEPT_BYTES = 31 * 2**20
R_SCRIPT = """
suppressMessages({library(survival); library(cmprsk)}); a <- commandArgs(TRUE)
n <- as.integer(a[2]); d <- readBin(a[1], "double", 2 * n)
time <- d[1:n]; status <- d[-(1:n)]
best <- function(f) { t <- Inf
  for (i in 1:3) { t <- min(t, sum(system.time(f())[1:2])); if (t > 10) break }
  t }
often <- if (n <= 1000) 50 else 1
again <- function(f) best(function() for (i in 1:often) f()) / often
km <- again(function() survfit(Surv(time, status == 1) ~ 1, conf.type = "log-log"))
aj <- NA
if (n <= 1e5 && length(unique(time)) < 5000)
  aj <- again(function() survfit(Surv(time, factor(status, 0:2)) ~ 1, conf.type = "log-log"))
ci <- again(function() cuminc(time, status))
cat(km, aj, ci, "\\n")
"""
FRESH = """
import sys, time
import numpy as np
from benchmarks.estimator_speed import FUNCTIONS, best_of, draw
n, name = int(sys.argv[1]), sys.argv[2]
observed, status = draw(n, False, np.random.default_rng(20240229))
print(best_of(lambda: FUNCTIONS[name](observed, status), 15))
"""


def estimate_survival(observed: np.ndarray, status: np.ndarray) -> object:
    return kaplan_meier(RightCensored.of(observed, status))


def estimate_incidence(observed: np.ndarray, status: np.ndarray) -> object:
    return aalen_johansen(RightCensored.of(observed, status))


def estimate_incidence_with_rows(observed: np.ndarray, status: np.ndarray) -> object:
    return [cause.curve for cause in aalen_johansen(RightCensored.of(observed, status)).causes]


def sort_numbers(observed: np.ndarray, status: np.ndarray) -> object:
    return np.argsort(observed)


FUNCTIONS = {
    "argsort": sort_numbers,
    "Kaplan–Meier": estimate_survival,
    "Aalen–Johansen": estimate_incidence,
}


def draw(n: int, is_tied: bool, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    event, censored = rng.exponential(60, n), rng.uniform(0, 120, n)
    observed = np.minimum(event, censored)
    status = np.where(event <= censored, rng.integers(1, 3, n), 0)
    return (np.ceil(observed) if is_tied else observed), status


def best_of(run: Callable[[], object], times: int = 5) -> float:
    best = float("inf")
    for _ in range(times):
        start = time.process_time()
        run()
        best = min(best, time.process_time() - start)
        if best > 10:
            break
    return best


def peak_memory_mb(run: Callable[[], object]) -> float:
    tracemalloc.start()
    run()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def time_r(observed: np.ndarray, status: np.ndarray, folder: Path) -> list[float]:
    """Seconds of survfit's Kaplan–Meier and Aalen–Johansen, and of cuminc."""
    if not shutil.which("Rscript"):
        return [float("nan")] * 3
    script, data = folder / "speed.R", folder / "speed.bin"
    script.write_text(R_SCRIPT)
    np.concatenate([observed, status.astype(float)]).tofile(data)
    said = subprocess.run(
        ["Rscript", str(script), str(data), str(observed.size)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    return [float("nan") if one == "NA" else float(one) for one in said]


def time_lifelines(observed: np.ndarray, status: np.ndarray) -> float:
    try:
        from lifelines import KaplanMeierFitter
    except ImportError:
        return float("nan")
    return best_of(lambda: KaplanMeierFitter().fit(observed, status == 1))


def measure(
    n: int, is_tied: bool, rng: np.random.Generator, folder: Path
) -> tuple[list[str], list[str]]:
    """Return the cells against the sorts, and those against other programs."""
    observed, status = draw(n, is_tied, rng)
    single = (status == 1).astype(np.int64)
    repeats = {1_000: 2_000, 100_000: 60}.get(n, 12)
    sort = best_of(lambda: np.argsort(observed), repeats)
    stable = best_of(lambda: np.argsort(observed, kind="stable"), repeats)
    km = best_of(lambda: estimate_survival(observed, single), repeats)
    aj = best_of(lambda: estimate_incidence(observed, status), repeats)
    rows = best_of(lambda: estimate_incidence_with_rows(observed, status), repeats) - aj
    head = [f"{n:,}", "months" if is_tied else "untied"]
    against_sort = [f"{1e3 * value:.{3 if n <= 1_000 else 2}f}" for value in (sort, stable, km, aj)]
    against_sort += [f"{max(1e3 * rows, 0.0):.2f}"]
    against_sort += [f"{one / two:.1f}" for two in (sort, stable) for one in (km, aj)]
    r_km, r_aj, r_cuminc = time_r(observed, status, folder)
    other = time_lifelines(observed, status)
    ratios = (r_km / km, r_aj / aj, r_cuminc / aj, other / km)
    against_others = ["–" if np.isnan(ratio) else f"{ratio:.1f}" for ratio in ratios]
    peaks = [
        peak_memory_mb(lambda: estimate_survival(observed, single)),
        peak_memory_mb(lambda: estimate_incidence(observed, status)),
    ]
    against_others += [f"{peak:.1f}" for peak in peaks]
    return [*head, *against_sort], [*head, *against_others]


def count_calls_floor(rng: np.random.Generator) -> str:
    """What the calls alone cost at 1,000: the sort, and forty of the cheapest operations."""
    numbers, few = rng.exponential(60, 1_000), rng.exponential(60, 280)
    out = np.empty(280)

    def run() -> None:
        np.sort(numbers)
        for _ in range(40):
            np.multiply(few, few, out=out)

    return f"{1e3 * best_of(run, 2_000):.3f}"


def bootstrap_seconds(rng: np.random.Generator) -> float:
    event, censored = rng.exponential(10, 1000), rng.uniform(0, 15, 1000)
    observed = RightCensored.of(np.minimum(event, censored), event <= censored)
    return best_of(lambda: resampled_survival(observed, 5, replicates=10_000, rng=rng))


def measure_fresh(n: int) -> list[str]:
    """Milliseconds in a fresh process each, nothing warmed, and ratios to the sort there."""
    found = []
    for name in FUNCTIONS:
        said = subprocess.run(
            [sys.executable, "-c", FRESH, str(n), name],
            check=True,
            capture_output=True,
            text=True,
        )
        found.append(float(said.stdout))
    cells = [f"{1e3 * one:.2f}" for one in found]
    return [f"{n:,}", *cells, *(f"{one / found[0]:.1f}" for one in found[1:])]


def as_table(headings: list[str], rows: list[list[str]]) -> list[str]:
    lines = [headings, ["---"] * len(headings), *rows]
    return ["| " + " | ".join(line) + " |" for line in lines]


def main() -> None:
    rng = np.random.default_rng(20240229)
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    sorts, others = [], []
    estimate_incidence(np.array([1, 2]), np.array([1, 0]))
    kept = np.ones(KEPT_BYTES // 8 - 1_024)
    del kept
    with tempfile.TemporaryDirectory() as scratch:
        for n in SIZES:
            for is_tied in (False, True):
                against_sort, against_others = measure(n, is_tied, rng, Path(scratch))
                sorts.append(against_sort)
                others.append(against_others)
                print(*against_sort, "|", *against_others[2:], flush=True)
    floor, boot = count_calls_floor(rng), bootstrap_seconds(rng)
    fresh = [measure_fresh(n) for n in SIZES]
    resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    first = ["n", "times"]
    of_sorts = ["argsort ms", "stable argsort ms", "Kaplan–Meier (KM) ms", "Aalen–Johansen (AJ) ms"]
    of_sorts += ["+ rows ms", "KM ÷ argsort", "AJ ÷ argsort", "KM ÷ stable", "AJ ÷ stable"]
    of_others = ["survfit ÷ KM", "survfit ÷ AJ", "cuminc ÷ AJ", "lifelines ÷ KM"]
    of_others += ["KM peak MB", "AJ peak MB"]
    of_fresh = ["n, untied", "argsort ms", "KM ms", "AJ ms", "KM ÷ argsort", "AJ ÷ argsort"]
    text = ["# Speed of the estimators", "", (__doc__ or "").strip()]
    text += ["", "## Against one sort", "", *as_table([*first, *of_sorts], sorts)]
    text += ["", f"At 1,000 the calls alone (one sort, forty products of 280 numbers): {floor} ms."]
    text += ["", "## Against other programs", "", *as_table([*first, *of_others], others)]
    text += ["", "## In a fresh process", "", *as_table(of_fresh, fresh)]
    text += [
        "",
        f"10,000 bootstrap replicates of a 5-year Kaplan–Meier estimate, n = 1,000: {boot:.2f} s.",
        f"Largest resident size of the whole run: {resident:.0f} MB. Python "
        f"{platform.python_version()}, numpy {np.__version__}, {platform.machine()}.",
    ]
    (folder / "estimator_speed.md").write_text("\n".join(text) + "\n", encoding="utf-8")
    print(text[-2])


if __name__ == "__main__":
    main()
