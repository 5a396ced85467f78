"""A number worked out from a record, with the formula, inputs and unit that it came from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Worked:
    """One number worked out.

    Parameters
    ----------
    name
        For machines, for example ``"plaque_to_fovea_mm"``.
    label
        For people.
    value
        None where it cannot be worked out; then ``reason`` says why.
    unit
        For example ``"mm"``.
    formula
        In terms of the inputs' names.
    inputs
        The numbers that went in, by name, with the unit in the name; None where not recorded.
    basis
        Where the formula comes from.
    remark
        What to know when reading it.
    """

    name: str
    label: str
    value: float | None
    unit: str
    formula: str
    inputs: Mapping[str, object] = field(default_factory=lambda: MappingProxyType({}))
    basis: str = COMMON_PRACTICE
    reason: str = ""
    remark: str = ""

    def __post_init__(self) -> None:
        """A missing value has a reason, and only a missing one."""
        if (self.value is None) != bool(self.reason):
            raise ValueError(f"{self.name}: a reason stands for a missing value, and only for one")


def name_missing(inputs: Mapping[str, object]) -> str:
    """Say which inputs are not recorded; an empty text when all are.

    Examples
    --------
    >>> name_missing({"diameter_mm": 20.0, "active_diameter_mm": None})
    'not recorded: active_diameter_mm'
    """
    absent = [name for name, value in inputs.items() if value is None]
    return f"not recorded: {', '.join(absent)}" if absent else ""
