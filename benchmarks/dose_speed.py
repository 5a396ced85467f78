"""Seconds to recompute the doses of 10,000 implants from a registry, against two seconds.

The registry is invented: 10,000 implants of 10,000 tumours, ruthenium plaques with one certificate
each and iodine plaques with one for each loading, a depth-dose table of 29 rows a certificate.

Usage: python benchmarks/dose_speed.py [IMPLANTS]. Exit code 1 when it takes longer.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa

from analysis.implants.dose_agreement import compare_with_recorded
from analysis.implants.dosimetry import recompute_doses
from analysis.implants.radiobiology import RepairModel
from analysis.outcomes.cohort import DataCut
from registry.records import TABLES
from registry.store import create_store, open_store

LIMIT_SECONDS = 2.0
REPEATS = 5
AT = datetime(2026, 1, 1)
START = np.datetime64("2005-01-01T09:00", "us")
TYPES = {
    "text": pa.string(),
    "code": pa.string(),
    "list": pa.string(),
    "integer": pa.int32(),
    "decimal": pa.decimal128(14, 6),
    "date": pa.date32(),
    "timestamp": pa.timestamp("us"),
}


def make_table(name: str, n: int, columns: dict[str, object]) -> pa.Table:
    """Lay out a record table; fields that are not given are empty."""
    arrays = {}
    for field in TABLES[name].fields:
        given = columns.get(field.name)
        kind = TYPES[field.type]
        if given is None:
            arrays[field.name] = pa.nulls(n, kind)
        elif field.type == "decimal":
            arrays[field.name] = pa.array(np.round(given, 4)).cast(kind, safe=False)
        else:
            arrays[field.name] = pa.array(given).cast(kind)
    return pa.table(arrays)


def draw(n: int, rng: np.random.Generator) -> dict[str, pa.Table]:
    """Draw the record tables of a registry of ``n`` implants; a fifth of them of iodine."""
    n_plaques = max(n // 100, 2)
    plaque = rng.integers(0, n_plaques, n)
    is_iodine = np.arange(n_plaques) < n_plaques // 5
    inserted = START + np.sort(rng.choice(20 * 365 * 1440, n, replace=False)).astype(
        "timedelta64[m]"
    )
    loaded = is_iodine[plaque]
    reference = np.where(loaded, inserted - np.timedelta64(1, "D"), START - np.timedelta64(9, "D"))
    of_certificate = np.concatenate([plaque[loaded], np.arange(n_plaques)])
    moments = np.concatenate(
        [reference[loaded], np.full(n_plaques, START - np.timedelta64(9, "D"))]
    )
    depth = np.arange(0.0, 14.5, 0.5)
    rate = 100.0 * np.exp(-0.2 * depth - 0.01 * depth**2)
    names = np.array([f"R{k:03d}" for k in range(n_plaques)], dtype=object)
    tumour = [f"T{k:05d}" for k in range(n)]
    k, one = len(of_certificate), np.ones(n)
    return {
        "patient": make_table("patient", n, {"patient_id": [f"P{k:05d}" for k in range(n)]}),
        "tumour": make_table(
            "tumour",
            n,
            {
                "tumour_id": tumour,
                "patient_id": [f"P{k:05d}" for k in range(n)],
                "eye": ["right"] * n,
                "thickness_mm": rng.uniform(1.0, 8.0, n),
                "thickness_includes_sclera": ["no"] * n,
            },
        ),
        "applicator": make_table(
            "applicator",
            n_plaques,
            {
                "applicator_id": names,
                "isotope": np.where(is_iodine, "I-125", "Ru-106").astype(object),
                "diameter_mm": np.full(n_plaques, 20.0),
            },
        ),
        "certificate": make_table(
            "certificate",
            k * len(depth),
            {
                "applicator_id": np.repeat(names[of_certificate], len(depth)),
                "reference_at": np.repeat(moments, len(depth)),
                "depth_mm": np.tile(depth, k),
                "dose_rate_mgy_min": np.tile(rate, k),
                "uncertainty_pct": np.full(k * len(depth), 20.0),
            },
        ),
        "implant": make_table(
            "implant",
            n,
            {
                "implant_id": [f"I{k:05d}" for k in range(n)],
                "tumour_id": tumour,
                "applicator_id": names[plaque],
                "inserted_at": inserted,
                "removed_at": inserted + np.timedelta64(100, "h"),
                "sclera_allowance_mm": one,
                "prescribed_dose_gy": 100 * one,
                "prescription_point": ["apex"] * n,
                "dose_apex_gy": rng.uniform(50, 150, n),
                "dose_model": ["homogeneous_water"] * n,
                "inserted_precision": ["minute"] * n,
            },
        ),
    }


def main(n: int) -> int:
    """Build the registry, time the recomputation, print the median; tell whether it keeps time."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.registry"
        create_store(path, centre_id="invented", by="benchmark", at=AT)
        with (
            open_store(path, write=True) as store,
            store.batch(kind="intake", by="benchmark", why="speed", at=AT) as batch,
        ):
            for name, table in draw(n, np.random.default_rng(7)).items():
                batch.append(name, table)
        seconds = []
        with open_store(path) as store:
            for _ in range(REPEATS):
                began = time.perf_counter()
                doses = recompute_doses(store.connection, DataCut(date(2026, 1, 1)))
                doses.bed_gy("apex", RepairModel())
                (found,) = compare_with_recorded(doses, "apex")
                seconds.append(time.perf_counter() - began)
    median = sorted(seconds)[REPEATS // 2]
    print(
        f"{doses.n} implants, {len(doses.records.certificates.reference_s)} certificates, "
        f"{found.n_both} compared: median {median:.2f} s of {REPEATS} (limit {LIMIT_SECONDS:g} s)"
    )
    return 0 if median < LIMIT_SECONDS else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000))
