"""Frozen dataclasses to plain JSON and back, by a ``kind`` name and the declared fields."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType, ModuleType
from typing import Any

KIND = "kind"


@dataclass(frozen=True, slots=True)
class Codec:
    """Turns instances of a closed set of dataclasses into plain values and back."""

    classes: Mapping[str, type]

    @classmethod
    def of_modules(cls, *modules: ModuleType, extra: tuple[type, ...] = ()) -> Codec:
        """A codec for every dataclass defined in the modules, and the extra ones."""
        found = {
            name: thing
            for module in modules
            for name, thing in vars(module).items()
            if isinstance(thing, type)
            and dataclasses.is_dataclass(thing)
            and thing.__module__ == module.__name__
        }
        found |= {thing.__name__: thing for thing in extra}
        return cls(MappingProxyType(found))

    def plain(self, thing: object) -> Any:
        """Dicts, lists, text, numbers, booleans and None; NaN and unknown classes are refused."""
        if thing is None or isinstance(thing, str | bool | int):
            return thing
        if isinstance(thing, float):
            if not math.isfinite(thing):
                raise ValueError(f"a report holds None where there is no number, found {thing}")
            return thing
        if isinstance(thing, tuple):
            return [self.plain(part) for part in thing]
        name = type(thing).__name__
        if self.classes.get(name) is not type(thing) or not dataclasses.is_dataclass(thing):
            raise ValueError(f"a report cannot hold {name!r}")
        fields = dataclasses.fields(thing)
        return {KIND: name} | {f.name: self.plain(getattr(thing, f.name)) for f in fields}

    def rebuilt(self, plain: Any) -> Any:
        """The dataclass that :meth:`plain` took apart; lists come back as tuples."""
        if isinstance(plain, list):
            return tuple(self.rebuilt(part) for part in plain)
        if not isinstance(plain, dict):
            return plain
        kind = plain.get(KIND)
        if not isinstance(kind, str) or kind not in self.classes:
            raise ValueError(f"unknown kind {kind!r}")
        chosen = self.classes[kind]
        known = {field.name for field in dataclasses.fields(chosen)}
        given = set(plain) - {KIND}
        if given - known:
            raise ValueError(f"{kind} has no field {sorted(given - known)}")
        return chosen(**{name: self.rebuilt(plain[name]) for name in plain if name != KIND})
