"""What can hurt: constructions, hazards, and the guard every proposed step passes."""

from .cautions import caution, discharge_caution, discharge_seconds
from .construction import (
    ColdCheck,
    ColdCheckResult,
    Construction,
    Hazard,
    classify,
    cold_check_results,
    cold_checks_demanded,
    construction_of,
    hazard_named,
    peak_volts_present,
)
from .guard import GuardContext, Proposal, Verdict, check

__all__ = [
    "ColdCheck",
    "ColdCheckResult",
    "Construction",
    "GuardContext",
    "Hazard",
    "Proposal",
    "Verdict",
    "caution",
    "check",
    "classify",
    "cold_check_results",
    "cold_checks_demanded",
    "construction_of",
    "discharge_caution",
    "discharge_seconds",
    "hazard_named",
    "peak_volts_present",
]
