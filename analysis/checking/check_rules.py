"""The one table of rules that ``check`` runs and that ``check --rules`` prints."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from analysis.checking.check_declaration import SEVERITIES, CheckRule
from analysis.checking.check_rules_dates import DATE_RULES
from analysis.checking.check_rules_disease import DISEASE_RULES
from analysis.checking.check_rules_implant import IMPLANT_RULES

CHECK_RULES: Mapping[str, CheckRule] = MappingProxyType(
    {
        rule.name: rule
        for rule in sorted(
            (*DATE_RULES, *DISEASE_RULES, *IMPLANT_RULES),
            key=lambda rule: SEVERITIES.index(rule.severity),
        )
    }
)
"""Every rule by name: errors first, then warnings, then notices."""
