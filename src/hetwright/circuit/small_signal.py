"""Small signals at one frequency, for a stack at its working points.

Every element is replaced by its admittance at the working point: valves and diodes by their slopes, a capacitor
by ``slope + j omega C``, a coil by ``1 / (R + j omega L)``, the supply by its slope. Then ``Y v = i`` is solved
for the whole stack. The swing of an oscillator is taken as steady, since it follows only slowly.

Source: any text of alternating-current circuit theory; superposition about a working point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import Complaint, OutOfRange
from .elements import Layout
from .elimination import Factors
from .sensitivity import WIDE_BLOCK, Linear, blocks, find_branch
from .solver import Circuit, WorkingPoints

__all__ = ["AtPoint", "InSeries", "gain", "gains", "transfer_ohms"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_HELD_SIEMENS = 1e12


@dataclass(frozen=True, slots=True, kw_only=True)
class AtPoint:
    """A generator from ``to`` to ``point`` behind ``source_ohms``; 0 holds the point whatever is joined to it."""

    point: str
    to: str | None = None
    source_ohms: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class InSeries:
    """A generator in series with a resistor, winding or battery, driving from its second point to its first."""

    part: str


def _admittances(layout: Layout, linear: Linear, omega: float) -> tuple[Complex, Factors]:
    """Complex conductance of every line, and the factored stack."""
    p = linear.p
    lines = p.siemens.astype(np.complex128)
    for line, _, _, coil in layout.henry_branches:
        lines[line] = 1.0 / (1.0 / p.siemens[line] + 1j * omega * p.slots[coil])
    slopes = linear.evaluation.slopes.astype(np.complex128)
    for leak, (_, _, plate) in enumerate(layout.farad_branches):
        slopes[leak] += 1j * omega * p.slots[plate]
    values = layout.linear_sums @ lines
    values += layout.curved_sums @ slopes
    if len(layout.constant_at):
        values[layout.constant_at] += layout.constant_value
    for point in sorted(layout.amplitudes):
        values[layout.elimination.slot_of(point - 1, point - 1)] += _HELD_SIEMENS
    return lines, layout.elimination.factor(np.ascontiguousarray(values))


def _omega(hertz: float) -> float:
    if not (np.isfinite(hertz) and hertz >= 0.0):
        raise OutOfRange(
            Complaint(wrong=f"a frequency of {hertz} Hz", right="give a finite frequency, zero or above")
        )
    return 2.0 * np.pi * hertz


def gain(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    hertz: float,
    inject: AtPoint | InSeries,
    out: str,
    to: str | None = None,
) -> NDArray[np.complex128]:
    """Volts between ``out`` and ``to`` for one volt of the generator.

    Parameters
    ----------
    circuit : Circuit
    working_points : WorkingPoints
        What ``circuit.solve(stack)`` returned.
    stack : (B, n_slots)
    hertz : float >= 0
    inject : AtPoint or InSeries
        Where the generator is.
    out, to : str
        Points; ``to`` is the datum unless given.

    Returns
    -------
    (B,) complex
        NaN in a refused row. The angle is that of the output against the generator.

    Raises
    ------
    InputFault
        If a point or part is unknown, or the frequency cannot be used.
    """
    layout, omega = circuit.layout, _omega(hertz)
    plus = circuit.point(out)
    minus = 0 if to is None else circuit.point(to)
    result = np.full(len(working_points), np.nan + 0j)
    for linear in blocks(circuit, working_points, stack, WIDE_BLOCK):
        lines, factors = _admittances(layout, linear, omega)
        right = np.zeros((1 + layout.n_unknowns, len(linear.rows)), dtype=np.complex128)
        if isinstance(inject, AtPoint):
            a = circuit.point(inject.point)
            b = 0 if inject.to is None else circuit.point(inject.to)
            right[a] += 1.0
            right[b] -= 1.0
        else:
            branch = find_branch(circuit, inject.part)
            if branch.kind != "line":
                raise OutOfRange(
                    Complaint(
                        wrong=f"a generator in series with {inject.part}",
                        right="name a resistor, winding or battery",
                    )
                )
            a, b = int(layout.line_a[branch.at]), int(layout.line_b[branch.at])
            right[a] += lines[branch.at]
            right[b] -= lines[branch.at]
        v = np.zeros_like(right)
        v[1:] = factors.solve(right[1:])
        result[linear.rows] = v[plus] - v[minus]
        if isinstance(inject, AtPoint):
            result[linear.rows] /= v[a] - v[b] + inject.source_ohms
    return result


def transfer_ohms(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    hertz: float,
    inject: tuple[str, str],
    out: tuple[str, str],
) -> NDArray[np.complex128]:
    """Volts at ``out`` per amp driven into ``inject[0]`` and drawn from ``inject[1]``, (B,) complex ohms.

    With ``out`` the same pair it is the impedance there. Parameters else as :func:`gain`.
    """
    layout, omega = circuit.layout, _omega(hertz)
    a, b = (circuit.point(name) for name in inject)
    plus, minus = (circuit.point(name) for name in out)
    result = np.full(len(working_points), np.nan + 0j)
    for linear in blocks(circuit, working_points, stack, WIDE_BLOCK):
        _, factors = _admittances(layout, linear, omega)
        right = np.zeros((1 + layout.n_unknowns, len(linear.rows)), dtype=np.complex128)
        right[a] += 1.0
        right[b] -= 1.0
        v = np.zeros_like(right)
        v[1:] = factors.solve(right[1:])
        result[linear.rows] = v[plus] - v[minus]
    return result


def gains(
    circuit: Circuit,
    working_points: WorkingPoints,
    stack: Array,
    hertz: float,
    paths: Sequence[tuple[str, str, str]],
) -> NDArray[np.complex128]:
    """Gain along several paths at one frequency, from one factorisation.

    Parameters
    ----------
    circuit, working_points, stack, hertz
        As :func:`gain`.
    paths : K triples (at, out, to)
        A generator of one volt holds point ``at`` (to the datum); volts are taken between ``out`` and ``to``.

    Returns
    -------
    (B, K) complex
        NaN in a refused row.
    """
    layout, omega = circuit.layout, _omega(hertz)
    at, out, to = (np.array([circuit.point(path[n]) for path in paths], dtype=np.intp) for n in range(3))
    which = np.arange(len(paths))
    result = np.full((len(working_points), len(paths)), np.nan + 0j)
    for linear in blocks(circuit, working_points, stack, WIDE_BLOCK):
        _, factors = _admittances(layout, linear, omega)
        right = np.zeros((1 + layout.n_unknowns, len(paths), len(linear.rows)), dtype=np.complex128)
        right[at, which] = 1.0
        v = np.zeros_like(right)
        v[1:] = factors.solve(right[1:])
        result[linear.rows] = ((v[out, which] - v[to, which]) / v[at, which]).T
    return result
