"""What is expected of a valve's constants before its published rows are looked at (``trade/law_priors.toml``)."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from hetwright.valves.law_terms import CONSTANTS, Array

__all__ = ["TRADE", "Prior", "kind_facts", "prior_facts", "priors_of"]

TRADE = Path(__file__).resolve().parent.parent / "trade"


@dataclass(frozen=True, slots=True)
class Prior:
    """What is expected of one constant: ``centre`` and ``spread`` on its scale (log, share or plain)."""

    centre: float
    spread: float
    scale: str
    with_drive: float = 0.0

    @property
    def free(self) -> bool:
        """Whether the fit may move it."""
        return self.spread > 0.0

    def inward(self, value: float) -> float:
        """Constant -> number the fit moves."""
        if self.scale == "log":
            return math.log(value)
        if self.scale == "share":
            return math.log(value / (1.0 - value))
        return value

    def outward(self, x: Array) -> Array:
        """Numbers the fit moves -> constants."""
        if self.scale == "log":
            return np.exp(np.clip(x, -60.0, 60.0))
        if self.scale == "share":
            return 1.0 / (1.0 + np.exp(-np.clip(x, -60.0, 60.0)))
        return x

    @property
    def middle(self) -> float:
        """The centre as the fit sees it."""
        return self.inward(self.centre)


@cache
def prior_facts() -> Mapping[str, Any]:
    return tomllib.loads((TRADE / "law_priors.toml").read_text(encoding="utf-8"))


def kind_facts(kind: str) -> Mapping[str, Any]:
    """What ``trade/law_priors.toml`` says of a kind of section."""
    facts: Mapping[str, Any] = prior_facts()["kind"][kind]
    return facts


def priors_of(kind: str) -> dict[str, Prior]:
    """Return the prior of each constant of a kind of section, reference amps left out."""
    facts = kind_facts(kind)
    merged = {**prior_facts()["shape"][facts["shape"]], **facts}
    return {
        name: Prior(**merged[name])
        for name in CONSTANTS[facts["shape"]]
        if name not in ("reference_amps", "target_amps") and name in merged
    }
