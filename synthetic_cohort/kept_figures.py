"""Figures of a simulation kept in a JSON file: what each means, value, Monte Carlo error, size.

The file also keeps the seed, the number of patients, numpy's version and the hash of the parameters
it was made from, so that figures of other parameters are never read by mistake.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from synthetic_cohort.truth import TRUTH, Truth, fingerprint


@dataclass(frozen=True, slots=True)
class Figure:
    """A simulated share with its Monte Carlo standard error and the number it rests on."""

    value: float
    se: float
    n: int


Figures = dict[str, dict[float, Figure]]
"""Name of the figure, then years since insertion."""


@dataclass(frozen=True, slots=True)
class KeptFigures:
    """The file of one simulation.

    Parameters
    ----------
    path
        The JSON file.
    module
        The module that makes it anew with ``python -m MODULE --write``.
    meanings
        What each figure means, in words.
    """

    path: Path
    module: str
    meanings: Mapping[str, str]

    def write(self, figures: Figures, *, truth: Truth, patients: int, seed: int) -> None:
        """Write the figures with what they were made from."""
        content = {
            "truth_sha256": fingerprint(truth),
            "seed": seed,
            "patients": patients,
            "numpy": np.__version__,
            "figures": {
                name: {
                    "meaning": self.meanings[name],
                    "at_years": {
                        f"{years:g}": {"value": at.value, "se": at.se, "n": at.n}
                        for years, at in by_year.items()
                    },
                }
                for name, by_year in figures.items()
            },
        }
        self.path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")

    def read(self, truth: Truth = TRUTH) -> Figures:
        """Read the figures; ``ValueError`` if they were made from other parameters."""
        content = json.loads(self.path.read_text(encoding="utf-8"))
        if content["truth_sha256"] != fingerprint(truth):
            raise ValueError(
                f"the figures were made from parameters {content['truth_sha256'][:12]}, not from "
                f"{fingerprint(truth)[:12]}; run python -m {self.module} --write"
            )
        return {
            name: {float(years): Figure(**at) for years, at in entry["at_years"].items()}
            for name, entry in content["figures"].items()
        }

    def answer(self, arguments: list[str], make_anew: Callable[[], None]) -> int:
        """Print the 5-year figures, after making them anew when ``--write`` is among arguments."""
        parser = argparse.ArgumentParser(prog=f"python -m {self.module}")
        parser.add_argument("--write", action="store_true", help="simulate and write them anew")
        if parser.parse_args(arguments).write:
            make_anew()
        for name, by_year in self.read().items():
            at = by_year[5.0]
            sys.stdout.write(f"{name:45s} {at.value:.4f} (Monte Carlo SE {at.se:.4f})\n")
        return 0
