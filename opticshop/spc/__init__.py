"""Statistical process control, pure: control charts, rules for unusual runs, capability, gauge studies.

Arrays and numbers in, frozen results out; no Django, no I/O, no clock. Sources stand beside the formulas:
- NIST/SEMATECH e-Handbook of Statistical Methods, chapter 6 (process monitoring and capability).
- Western Electric, Statistical Quality Control Handbook, 1956: the rules.
- AIAG, Measurement Systems Analysis, 4th edition: gauge repeatability and reproducibility.

The functions: `individuals`, `subgroups`, `ewma`, `rule_breaks`, `capability`, `gauge_anova`, `gauge_average_range`.
"""

from __future__ import annotations

from .capability import Capability, Index, capability
from .charts import IndividualsChart, SubgroupChart, individuals, subgroups
from .constants import range_constants
from .errors import SpcError
from .ewma import EwmaChart, ewma
from .gauge import Component, GaugeStudy, gauge_anova, gauge_average_range
from .rules import RULES, RuleBreak, rule_breaks

__all__ = [
    "RULES",
    "Capability",
    "Component",
    "EwmaChart",
    "GaugeStudy",
    "Index",
    "IndividualsChart",
    "RuleBreak",
    "SpcError",
    "SubgroupChart",
    "capability",
    "ewma",
    "gauge_anova",
    "gauge_average_range",
    "individuals",
    "range_constants",
    "rule_breaks",
    "subgroups",
]
