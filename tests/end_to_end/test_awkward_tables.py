"""Awkward tables through every command of the statistics: a number, or a refusal that says why.

Never a fault of the program, never a figure that is not finite, never a probability outside [0, 1],
and every refusal names what was found.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reports.app import app
from reports.command_frame import run_in_frame

N = 24


def base() -> dict[str, list[object]]:
    """Twenty-four ordinary rows: times, codes 0, 1 and 2, two groups, a covariate and a dose."""
    rng = np.random.default_rng(42)
    return {
        "t": rng.permutation(np.arange(1, N + 1)).tolist(),
        "e": ([1, 0, 2] * 8),
        "b": ([0, 1, 1, 0] * 6),
        "g": ["a", "b"] * 12,
        "x": rng.normal(size=N).round(3).tolist(),
        "dose": rng.uniform(60, 110, N).round(1).tolist(),
    }


def awkward() -> dict[str, dict[str, list[object]]]:
    tables: dict[str, dict[str, Any]] = {"ordinary": base()}
    tables["zero events"] = base() | {"e": [0, 2] * 12, "b": [0] * N}
    tables["one event"] = base() | {"e": [1] + [0] * (N - 1), "b": [1] + [0] * (N - 1)}
    tables["one patient"] = {name: column[:1] for name, column in base().items()}
    tables["one patient censored"] = {name: column[1:2] for name, column in base().items()}
    tables["all events at once"] = base() | {"t": [5] * N, "e": [1] * N, "b": [1] * N}
    tables["all censored"] = base() | {"e": [0] * N, "b": [0] * N}
    tables["all at time 0"] = base() | {"t": [0] * N}
    tables["some at time 0"] = base() | {"t": [0] * 6 + list(range(1, N - 5))}
    tables["a group without events"] = base() | {"e": [1, 0] * 12}
    tables["a group of nobody followed"] = base() | {
        "t": [0 if g == "a" else k + 1 for k, g in enumerate(base()["g"])]
    }
    tables["one group"] = base() | {"g": ["a"] * N}
    tables["a group of one"] = base() | {"g": ["a"] * (N - 1) + ["b"]}
    tables["half the events tied"] = base() | {"t": [3] * 12 + list(range(4, 16))}
    codes = base()["e"]
    tables["separating covariate"] = base() | {
        "x": [int(code == 1) for code in codes], "dose": [60 + 40 * (b == 1) for b in base()["b"]],
        "t": [1 + k % 8 if code == 1 else 9 + k for k, code in enumerate(codes)],
    }  # fmt: skip
    tables["separating binary"] = base() | {"x": [float(str(b)) for b in base()["b"]]}
    tables["constant covariate"] = base() | {"x": [1] * N, "dose": [80] * N}
    tables["covariate missing"] = base() | {"x": [""] * N, "dose": [""] * N}
    tables["no rows"] = {name: [] for name in base()}
    return tables


TABLES = awkward()
SURVIVAL = "--time t --event e --at 0,1,5,50"
MODEL = "regress --time t --event e --terms x --model"
COMMANDS = {
    "kaplan-meier": f"estimate {SURVIVAL} --by g --until 3",
    "kaplan-meier beta": f"estimate {SURVIVAL} --by g --interval beta-product --difference",
    "kaplan-meier logit": f"estimate {SURVIVAL} --interval logit",
    "incidence": f"estimate {SURVIVAL} --by g --method cumulative-incidence",
    "incidence beta": f"estimate {SURVIVAL} --method cumulative-incidence --interval beta-product",
    "interval-censored": "estimate --lower low --upper high --at 0,1,5,50 --by g"
    " --method interval-censored",
    "interval-censored drawn": "estimate --lower low --upper high --at 0,5,50"
    " --method interval-censored --interval bootstrap --replicates 20",
    "illness-death": "estimate --lower low --upper high --time vital --event died --at 0,5,50"
    " --by g --method illness-death --replicates 20",
    "completeness": "estimate --time t --event e --by g --potential vital",
    "standardised": f"estimate {SURVIVAL} --by g --standardise x --replicates 20",
    "cox": f"{MODEL} cox",
    "cox breslow": f"{MODEL} cox --ties breslow --strata g",
    "cox imputed": f"{MODEL} cox --imputations 2",
    "firth-cox": f"{MODEL} firth-cox",
    "fine-gray": f"{MODEL} fine-gray",
    "logistic": "regress --event b --terms x --model logistic",
    "firth-logistic": "regress --event b --terms x --model firth-logistic",
    "dose-curve": "dose-curve --dose dose --event b",
    "dose-curve log": "dose-curve --dose dose --event b --scale log",
    "discrete time": f"{MODEL} firth-discrete-time --edges 5,10,20 --e-values",
    "cox risks": f"{MODEL} cox --standardise x --at 0,5,50 --replicates 20",
    "firth-cox risks": f"{MODEL} firth-cox --standardise x --at 5 --replicates 20",
    "fine-gray risks": f"{MODEL} fine-gray --standardise x --at 5 --replicates 20",
    "logistic risks": "regress --event b --terms x,g --model logistic --standardise g"
    " --replicates 20",
    "firth-logistic risks": "regress --event b --terms x --model firth-logistic --standardise x"
    " --replicates 20",
    "describe": "describe --by g",
}


def write(path: Path, columns: dict[str, list[Any]]) -> str:
    """The table, with the time as an interval (low, high] beside it."""
    pairs = list(zip(columns["t"], columns["e"], strict=True))
    low = [max(t - 1, 0) if e == 1 else t for t, e in pairs]
    high = [t if e == 1 else "" for t, e in pairs]
    vital = {"vital": [t + 2 for t, _ in pairs], "died": [int(e == 2) for _, e in pairs]}
    table = columns | {"low": low, "high": high} | vital
    lines = [",".join(table)]
    lines += [",".join(map(str, row)) for row in zip(*table.values(), strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


def walk(value: Any) -> Iterator[Any]:
    """Every figure and word of an answer."""
    if isinstance(value, dict | list):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from walk(inner)
    else:
        yield value


def check(answer: dict[str, Any], code: int, *, is_curve: bool) -> None:
    if code:
        error = answer["error"]
        assert code in (1, 2, 3)
        assert error["kind"] in ("refused_estimate", "refused_input", "usage"), error
        assert len(error["message"]) > 20
        return
    for value in walk(answer):
        if isinstance(value, float):
            assert math.isfinite(value)
    for group in answer.get("groups", []) if is_curve else []:
        for row in [*group.get("curve", []), *group.get("at", [])]:
            figures = [row[k] for k in ("lower", "estimate", "upper") if row.get(k) is not None]
            assert figures == sorted(figures)
            assert all(-1e-12 <= figure <= 1 + 1e-12 for figure in figures)


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_number_or_a_refusal_that_says_why(
    command: str, table: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path / "table.csv", TABLES[table])
    name, *options = COMMANDS[command].split()
    code = run_in_frame(app, [name, path, *options, "--json"])
    said = capsys.readouterr()
    check(json.loads(said.out), code, is_curve=name == "estimate")
    assert "Traceback" not in said.err
    assert "warned" not in said.err  # no library's warning either
    if table == "ordinary":
        assert code == 0


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ("observed-expected --observed 0 --expected 3.2", 0),
        ("observed-expected --observed 1 --expected 0.001", 0),
        ("observed-expected --observed 4000 --expected 3900", 0),
        ("observed-expected --observed 0 --expected 0", 2),
        ("observed-expected --observed -1 --expected 2", 2),
        ("observed-expected --observed 3 --expected nan", 2),
        ("proportion --events 0 --n 1", 0),
        ("proportion --events 1 --n 1", 0),
        ("proportion --events 0 --n 100000", 0),
        ("proportion --events 2 --n 1", 2),
        ("proportion --events 0 --n 0", 2),
        ("funnel --target 0.05 --n 1,2,5000", 0),
        ("funnel --target 0 --n 10", 2),
        ("funnel --target 1 --n 10", 2),
        ("funnel --target 0.05 --n 0", 2),
        ("funnel --target nan --n 10", 2),
    ],
)
def test_counts_at_their_edges(
    arguments: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_in_frame(app, [*arguments.split(), "--json"]) == code
    check(json.loads(capsys.readouterr().out), code, is_curve=False)
