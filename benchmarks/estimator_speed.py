"""How fast the estimators are, against one sort, lifelines and R, in one run.

Run ``python benchmarks/estimator_speed.py``; the table goes to ``benchmarks/estimator_speed.md``.
Every figure is processor time, so that other work on the machine matters little: the best of five
(R three, and one for what takes over 10 s). Data: exponential times with uniform censoring, untied
or in whole months; half of the events are competing ones for Aalen–Johansen. Our times include
checking the input and the log–log limits at every event time. R and lifelines are left out where
they are not installed, R's Aalen–Johansen also where it takes minutes (100,000 untied times).

Three sorts' time is not reached at 1,000 (checking the input alone takes one and a half sorts of
so few numbers) nor untied at 100,000, nor for Aalen–Johansen untied: numpy sorts 100,000 numbers in
1.3 ms with vector instructions, in which some twenty plain passes over them are not done.
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
R_SCRIPT = """
suppressMessages(library(survival)); a <- commandArgs(TRUE)
n <- as.integer(a[2]); d <- readBin(a[1], "double", 2 * n)
time <- d[1:n]; status <- d[-(1:n)]
best <- function(f) { t <- Inf
  for (i in 1:3) { t <- min(t, sum(system.time(f())[1:2])); if (t > 10) break }
  t }
km <- best(function() survfit(Surv(time, status == 1) ~ 1, conf.type = "log-log"))
aj <- NA
if (n <= 1e5 && length(unique(time)) < 5000)
  aj <- best(function() survfit(Surv(time, factor(status, 0:2)) ~ 1, conf.type = "log-log"))
cat(km, aj, "\\n")
"""


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


def time_r(observed: np.ndarray, status: np.ndarray, folder: Path) -> tuple[float, float]:
    script, data = folder / "speed.R", folder / "speed.bin"
    script.write_text(R_SCRIPT)
    np.concatenate([observed, status.astype(float)]).tofile(data)
    said = subprocess.run(
        ["Rscript", str(script), str(data), str(observed.size)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    return float(said[0]), float(said[1]) if said[1] != "NA" else float("nan")


def time_lifelines(observed: np.ndarray, status: np.ndarray) -> float:
    try:
        from lifelines import KaplanMeierFitter
    except ImportError:
        return float("nan")
    return best_of(lambda: KaplanMeierFitter().fit(observed, status == 1))


def measure(n: int, is_tied: bool, rng: np.random.Generator, folder: Path) -> list[str]:
    observed, status = draw(n, is_tied, rng)
    single = (status == 1).astype(np.int64)
    repeats = 50 if n <= 1_000 else 5
    sort = best_of(lambda: np.argsort(observed), repeats)
    ours = best_of(lambda: kaplan_meier(RightCensored.of(observed, single)), repeats)
    both = best_of(lambda: aalen_johansen(RightCensored.of(observed, status)), repeats)
    memory = peak_memory_mb(lambda: kaplan_meier(RightCensored.of(observed, single)))
    r_km, r_aj = (float("nan"), float("nan"))
    if shutil.which("Rscript"):
        r_km, r_aj = time_r(observed, status, folder)
    other = time_lifelines(observed, status)
    cells = [f"{n:,}", "months" if is_tied else "untied"]
    cells += [f"{1e3 * value:.2f}" for value in (sort, ours, both)]
    cells += [f"{ours / sort:.1f}", f"{both / sort:.1f}"]
    ratios = (r_km / ours, r_aj / both, other / ours)
    cells += ["–" if np.isnan(ratio) else f"{ratio:.1f}" for ratio in ratios]
    return [*cells, f"{memory:.0f}"]


def bootstrap_seconds(rng: np.random.Generator) -> float:
    event, censored = rng.exponential(10, 1000), rng.uniform(0, 15, 1000)
    observed = RightCensored.of(np.minimum(event, censored), event <= censored)
    return best_of(lambda: resampled_survival(observed, 5, replicates=10_000, rng=rng))


def main() -> None:
    rng = np.random.default_rng(20240229)
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    headings = ["n", "times", "argsort ms", "Kaplan–Meier ms", "Aalen–Johansen ms"]
    headings += ["KM / argsort", "AJ / argsort", "R / KM", "R / AJ", "lifelines / KM", "KM peak MB"]
    lines = ["| " + " | ".join(headings) + " |", "|" + "---|" * len(headings)]
    kaplan_meier(RightCensored.of([1, 2], [1, 0]))
    with tempfile.TemporaryDirectory() as scratch:
        for n in SIZES:
            for is_tied in (False, True):
                lines.append("| " + " | ".join(measure(n, is_tied, rng, Path(scratch))) + " |")
                print(lines[-1])
    boot = bootstrap_seconds(rng)
    resident = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    text = [
        "# Speed of the estimators",
        "",
        (__doc__ or "").strip(),
        "",
        *lines,
        "",
        f"10,000 bootstrap replicates of a 5-year Kaplan–Meier estimate, n = 1,000: {boot:.2f} s.",
        f"Largest resident size of the whole run: {resident:.0f} MB. Python "
        f"{platform.python_version()}, numpy {np.__version__}, {platform.machine()}.",
    ]
    (folder / "estimator_speed.md").write_text("\n".join(text) + "\n", encoding="utf-8")
    print(text[-2])


if __name__ == "__main__":
    main()
