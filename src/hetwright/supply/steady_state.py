"""A rectifier with a reservoir, exactly, in steady state; and the table the port reads.

A sine of peak ``E`` behind a resistance ``R`` charges a capacitor ``C`` through an ideal rectifier; a load ``r
R`` draws on it. While the rectifier conducts and while it does not the equations are linear, so the volts are a
sine and an exponential in turn, joined where the rectifier's current begins and ends; the angles of beginning
and end are found by halving.

Everything is in units of ``E``, ``R`` and angle (``omega = 1``): ``c = omega C R``. With ``pulses`` a cycle (1
half-wave, 2 full-wave) the mean load current ``I`` is written ``I = pulses g(phi) / pi`` in units ``E / R``,
``g(phi) = sin phi - phi cos phi``, so that ``phi`` is the half-angle of conduction, and ``cos phi`` the volts,
for a very large capacitor; and ``stiffness = omega C E / I``.

Sources: O. H. Schade, "Analysis of rectifier operation", Proc. IRE 31 (1943) 341-361 (the same circuit, by curves);
docs/decisions/supply-port.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SteadyState", "build_table", "solve_drawing", "solve_loaded"]

Array = NDArray[np.float64]

_HALVINGS = 52
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(60)


@dataclass(frozen=True, slots=True, eq=False)
class SteadyState:
    """Mean volts, mean and peak rectifier current, amplitudes of the first and second line harmonic of the volts."""

    mean_volts: Array
    mean_amps: Array
    peak_amps: Array
    first: Array
    second: Array


class _Conduction:
    """Volts while the rectifier conducts, begun at angle ``start`` with volts equal to the sine's."""

    def __init__(self, load: Array, c: Array, start: Array) -> None:
        k = 1.0 + 1.0 / load
        self.rate = k / c
        norm = k * k + c * c
        self.a, self.b = k / norm, c / norm
        self.start = start
        self.free = np.cos(start) - self.a * np.cos(start) - self.b * np.sin(start)

    def volts(self, angle: Array) -> Array:
        fade = np.exp(-self.rate * (angle - self.start))
        return np.asarray(self.a * np.cos(angle) + self.b * np.sin(angle) + self.free * fade)

    def end(self) -> Array:
        """Angle at which the rectifier's current falls to zero."""
        low, high = self.start + 1e-12, np.full_like(self.start, 0.5 * np.pi)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            flows = np.cos(middle) > self.volts(middle)
            low, high = np.where(flows, middle, low), np.where(flows, high, middle)
        return np.asarray(0.5 * (low + high))


def solve_loaded(load: Array, c: Array, pulses: int) -> SteadyState:
    """Steady state with a resistive load.

    Parameters
    ----------
    load, c : arrays of one shape
        Load resistance over source resistance; omega C R. Above zero.
    pulses : 1 or 2
        Charging pulses a cycle.
    """
    load, c = np.broadcast_arrays(np.asarray(load, dtype=np.float64), np.asarray(c, dtype=np.float64))
    period = 2.0 * np.pi / pulses
    q = c * load
    low, high = np.full(load.shape, -0.5 * np.pi), np.zeros(load.shape)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        conduction = _Conduction(load, c, middle)
        end = conduction.end()
        left = np.cos(end) * np.exp(-(middle + period - end) / q)
        early = left > np.cos(middle)  # the capacitor still stands above the sine: it begins later
        low, high = np.where(early, middle, low), np.where(early, high, middle)
    start = 0.5 * (low + high)
    conduction = _Conduction(load, c, start)
    end = conduction.end()

    def over(first: Array, last: Array) -> tuple[Array, Array]:
        half = 0.5 * (last - first)
        return 0.5 * (first + last)[..., None] + half[..., None] * _NODES, half[..., None] * _WEIGHTS

    on, on_weight = over(start, end)
    wide = _Conduction(load[..., None], c[..., None], start[..., None])
    v_on = wide.volts(on)
    # the exponential is followed where it has life: up to twelve time constants, and the rest
    v_end = np.cos(end)
    off_end = start + period
    knee = np.minimum(end + 12.0 * q, off_end)
    pieces = [(on, on_weight, v_on)]
    for first, last in ((end, knee), (knee, off_end)):
        angle, weight = over(first, last)
        pieces.append((angle, weight, v_end[..., None] * np.exp(-(angle - end[..., None]) / q[..., None])))
    mean = sum((weight * v).sum(axis=-1) for _, weight, v in pieces) / period

    def harmonic(order: int) -> Array:
        if order % pulses:
            return np.zeros(load.shape)
        total = sum((weight * v * np.exp(1j * order * angle)).sum(axis=-1) for angle, weight, v in pieces)
        return np.asarray(2.0 * np.abs(total) / period)

    fine = start[..., None] + (end - start)[..., None] * np.linspace(0.0, 1.0, 400)
    peak = np.max(np.cos(fine) - wide.volts(fine), axis=-1)
    return SteadyState(
        mean_volts=np.asarray(mean),
        mean_amps=np.asarray(mean / load),
        peak_amps=peak,
        first=harmonic(1),
        second=harmonic(2),
    )


def solve_drawing(phi: Array, stiffness: Array, pulses: int) -> SteadyState:
    """Steady state at a given mean current: ``phi`` and ``stiffness`` as in the module's introduction."""
    phi, stiffness = np.broadcast_arrays(np.asarray(phi, dtype=np.float64), np.asarray(stiffness, dtype=np.float64))
    amps = pulses * (np.sin(phi) - phi * np.cos(phi)) / np.pi
    c = stiffness * amps
    low, high = np.full(phi.shape, -14.0), np.full(phi.shape, 25.0)
    for _ in range(44):
        middle = 0.5 * (low + high)
        draws_more = solve_loaded(np.exp(middle), c, pulses).mean_amps > amps
        low, high = np.where(draws_more, middle, low), np.where(draws_more, high, middle)
    return solve_loaded(np.exp(0.5 * (low + high)), c, pulses)


def build_table(phi: Array, log_stiffness: Array) -> Array:
    """The quantities the port interpolates, on a grid.

    Parameters
    ----------
    phi : (P,), above zero, below pi / 2
    log_stiffness : (Q,)

    Returns
    -------
    (2, 3, P, Q)
        For one and two pulses: mean volts over ``cos phi``; the amplitudes of the first and second line harmonic
        times ``order x stiffness / 2`` (1 for short pulses).
    """
    grid_phi, grid_log = np.meshgrid(phi, log_stiffness, indexing="ij")
    stiffness = np.exp(grid_log)
    out = np.empty((2, 3, len(phi), len(log_stiffness)))
    for pulses in (1, 2):
        found = solve_drawing(grid_phi, stiffness, pulses)
        out[pulses - 1] = [
            found.mean_volts / np.cos(grid_phi),
            found.first * stiffness / 2.0,
            found.second * stiffness,
        ]
    return out


#: Ends of the table's grid in ``phi`` and ``ln stiffness``, and its size.
PHI_GRID = (0.05, 1.45, 21)
LOG_STIFFNESS_GRID = (-3.9, 9.9, 26)
QUANTITIES = ("volts", "first", "second")


def table_document() -> str:
    """The table as the text of ``trade/capacitor_input.toml``."""
    table = build_table(np.linspace(*PHI_GRID), np.linspace(*LOG_STIFFNESS_GRID))
    lines = [
        "# Rectifier with reservoir in steady state, computed by hetwright.supply.steady_state.",
        "# To make this file anew:",
        "#   python -m hetwright.supply.steady_state > src/hetwright/trade/capacitor_input.toml",
        "# Meanings there. One line of a quantity for each phi, one number for each ln(stiffness).",
        "",
        "[[source]]",
        'id = "computed"',
        'title = "steady state of a sine behind a resistance, ideal rectifier, reservoir, resistive load"',
        'evidence = "computed from the circuit equations, exact exponential segments"',
        "from_memory = false",
        "",
        "[grid]",
        f"phi = [{PHI_GRID[0]}, {PHI_GRID[1]}]",
        f"log_stiffness = [{LOG_STIFFNESS_GRID[0]}, {LOG_STIFFNESS_GRID[1]}]",
        'source = "computed"',
    ]
    for pulses, name in ((1, "half_wave"), (2, "full_wave")):
        lines += ["", f"[{name}]", 'source = "computed"']
        for quantity, values in zip(QUANTITIES, table[pulses - 1], strict=True):
            rows = "\n".join(" ".join(f"{value:.7f}" for value in row) for row in values)
            lines.append(f'{quantity} = """\n{rows}\n"""')
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(table_document(), end="")
