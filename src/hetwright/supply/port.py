"""The HT supply as a port (first version: reservoir taken as large)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..circuit.network import Supply

__all__ = ["PARAMETERS", "PortVolts", "port_volts"]

Array = NDArray[np.float64]

PARAMETERS = ("mains", "winding_ohms", "emission_1", "emission_2", "reservoir_farads")


@dataclass(frozen=True, slots=True, eq=False)
class PortVolts:
    volts: Array
    by_amps: Array
    by_parameters: Array


def port_volts(supply: Supply, amps: Array, parameters: Array) -> PortVolts:
    return PortVolts(
        supply.rms_volts * 1.4142 * parameters[0] - amps * (parameters[1] + 200.0),
        -(parameters[1] + 200.0),
        np.stack([supply.rms_volts * 1.4142 + 0 * amps, -amps, 0 * amps, 0 * amps, 0 * amps]),
    )
