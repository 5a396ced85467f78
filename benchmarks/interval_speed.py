"""How fast is the NPMLE beside its peers, at the same log-likelihood?

Every program estimates the same simulated visits, each in a process of its own so that its peak
memory can be read; times are the best of several runs inside that process, without start-up. R's
npsurv is used where Rscript has it, lifelines' Turnbull at two tolerances (its intervals are
closed, so a tiny number is added to the lower ends). The gap is how far the log-likelihood reached
lies below ours.

Run: python -m benchmarks.interval_speed > benchmarks/interval_speed.md (several minutes: lifelines)
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import numpy as np

SIZES = (500, 5000)
LONGEST_S = 150
SEED = 20240917
R_SCRIPT = """
args <- commandArgs(TRUE); suppressMessages(library(npsurv))
d <- read.csv(args[1]); d$upper[is.na(d$upper)] <- Inf; x <- as.matrix(d)
best <- Inf; for (i in 1:as.integer(args[2])) {
  best <- min(best, system.time(f <- npsurv(x, tol = 1e-9))[["elapsed"]]) }
cat(sprintf('{"seconds": %.6f, "log_likelihood": %.15g}', best, f$ll))
"""


def draw_visits(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Draw Weibull times found at visits about every half year, half of them lost on the way."""
    rng = np.random.default_rng(SEED + n)
    event = 8 * rng.weibull(1.3, n)
    visits = np.concatenate([np.zeros((n, 1)), np.cumsum(rng.uniform(0.3, 0.9, (n, 30)), 1)], 1)
    visits = np.round(visits * 365.25)
    last = rng.integers(4, 30, n)
    before = (visits < event[:, None] * 365.25).sum(axis=1)
    rows = np.arange(n)
    lower = visits[rows, np.minimum(before - 1, last)]
    upper = np.where(before <= last, visits[rows, np.minimum(before, 30)], np.inf)
    return lower, upper


def measure_likelihood(
    lower: np.ndarray, upper: np.ndarray, ends: np.ndarray, after: np.ndarray
) -> float:
    """Log-likelihood of survival ``after`` each of ``ends``, from the definition."""
    curve = np.concatenate([[1.0], after, [0.0]])
    at = [curve[np.searchsorted(ends, t, side="right")] for t in (lower, upper)]
    beyond = np.where(np.isinf(upper), 0.0, at[1])
    return float(np.log(at[0] - beyond).sum())


def run_ours(lower: np.ndarray, upper: np.ndarray, repeats: int) -> dict[str, float]:
    """Time this project's estimate."""
    from analysis.estimators.interval_censored import npmle

    seconds = []
    for _ in range(repeats):
        began = time.perf_counter()
        estimate = npmle(lower, upper)
        seconds.append(time.perf_counter() - began)
    check = measure_likelihood(lower, upper, estimate.upper, estimate.survival)
    return {"seconds": min(seconds), "log_likelihood": check, "own_gap": estimate.gap}


def run_lifelines(lower: np.ndarray, upper: np.ndarray, tol: float) -> dict[str, float]:
    """Time lifelines' Turnbull estimate."""
    from lifelines.fitters.npmle import npmle

    warnings.simplefilter("ignore")
    shifted = lower + 1e-6
    began = time.perf_counter()
    mass, intervals = npmle(shifted, upper, tol=tol)[:2]
    seconds = time.perf_counter() - began
    covers = np.array(
        [
            [lo <= piece.left and piece.right <= up for piece in intervals]
            for lo, up in zip(shifted, upper, strict=True)
        ]
    )
    return {"seconds": seconds, "log_likelihood": float(np.log(covers @ mass).sum())}


def run_child(arguments: list[str]) -> dict[str, float] | None:
    """Run one program in a process of its own and read its answer and its peak memory."""
    with tempfile.TemporaryFile() as out:
        child = subprocess.Popen(arguments, stdout=out, stderr=subprocess.DEVNULL)
        began = time.monotonic()
        while True:
            pid, status, usage = os.wait4(child.pid, os.WNOHANG)
            if pid:
                break
            if time.monotonic() - began > LONGEST_S:
                child.kill()
                os.wait4(child.pid, 0)
                return None
            time.sleep(0.05)
        out.seek(0)
        text = out.read().decode()
    if status or not text:
        return {}
    answer: dict[str, float] = json.loads(text)
    return answer | {"peak_mb": usage.ru_maxrss / 1024}


def run_named(name: str, path: Path) -> None:
    """Answer as a child: estimate the table at ``path`` with the program called ``name``."""
    table = np.genfromtxt(path, delimiter=",", skip_header=1)
    lower, upper = table[:, 0], np.where(np.isnan(table[:, 1]), np.inf, table[:, 1])
    if name == "ours":
        print(json.dumps(run_ours(lower, upper, 5)))
    else:
        print(json.dumps(run_lifelines(lower, upper, float(name))))


def list_programs(path: Path) -> dict[str, list[str]]:
    """Name the programs and how each is started."""
    me = [sys.executable, "-m", "benchmarks.interval_speed"]
    programs = {"this project": [*me, "ours", str(path)]}
    if shutil.which("Rscript"):
        programs["npsurv (R)"] = ["Rscript", "-e", R_SCRIPT, str(path), "3"]
    programs["lifelines, default tol 1e-5"] = [*me, "1e-5", str(path)]
    programs["lifelines, tol 1e-10"] = [*me, "1e-10", str(path)]
    return programs


def describe(name: str, found: dict[str, float] | None, ours: dict[str, float]) -> str:
    """Lay out one row of the table."""
    if found is None:
        ratio = LONGEST_S / ours["seconds"]
        return f"| {name} | over {LONGEST_S} s | more than {ratio:,.0f} | – | – |"
    if not found:
        return f"| {name} | not installed or failed | – | – | – |"
    gap = ours["log_likelihood"] - found["log_likelihood"]
    return (
        f"| {name} | {1000 * found['seconds']:.1f} ms | {found['seconds'] / ours['seconds']:,.1f} "
        f"| {gap:.1e} | {found['peak_mb']:.0f} MB |"
    )


def main() -> None:
    """Measure every program at every size and print the tables."""
    print("# Speed of the interval-censored NPMLE\n")
    print(f"Simulated visits (seed {SEED}), one run on one machine; see the script.")
    print(
        "Bounds set beforehand, at 500 and 5,000: at equal log-likelihood (within 1e-6) at least 50"
        " times as fast as lifelines, and no slower than npsurv.\n"
    )
    for n in SIZES:
        lower, upper = draw_visits(n)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "visits.csv"
            rows = zip(lower, upper, strict=True)
            lines = [f"{lo:g},{'' if np.isinf(up) else f'{up:g}'}" for lo, up in rows]
            path.write_text("lower,upper\n" + "\n".join(lines) + "\n")
            found = {name: run_child(how) for name, how in list_programs(path).items()}
        ours = found["this project"]
        assert ours
        print(f"## {n} patients\n")
        print(f"Our own bound on the distance from the maximum: {ours['own_gap']:.0e}.\n")
        print("| program | time | times ours | log-likelihood below ours | peak memory |")
        print("|---|---|---|---|---|")
        for name, answer in found.items():
            print(describe(name, answer, ours))
        print()


if __name__ == "__main__":
    if len(sys.argv) == 3:
        run_named(sys.argv[1], Path(sys.argv[2]))
    else:
        main()
