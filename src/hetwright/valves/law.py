"""What current flows to each electrode of a valve, and how it changes.

Every shape is one picture. The cathode gives a *space current*, the three-halves law of an equivalent
diode driven by the grid and, through the amplification factor, by the electrodes behind it (Child 1911,
Langmuir 1913, Tellegen 1925). Its foot is rounded: electrons leave with a thermal spread, so current dies
away exponentially, not abruptly (Langmuir 1923). A grid is never wound quite evenly, and a remote
cut-off grid is wound unevenly on purpose: the space current is a weighted sum of parts of different
amplification factor (Ballantine and Snow 1930). The space current is then *divided*: what
one electrode does not take the next takes, so that the cathode current is always the sum.

Shapes and the order of their electrodes stand in :data:`SHAPES`, the constants of a shape in
:data:`CONSTANTS`; ``docs/valve-law.md`` has the equations and their sources.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hetwright.valves.cycle import NODES, Gate
from hetwright.valves.law_terms import CONSTANTS, SHAPES, STATE_NAMES, Array, Currents, Planes, ValveState
from hetwright.valves.plain_shapes import diode, indicator, pentode, triode
from hetwright.valves.swung_shapes import converter, hexode, oscillator, oscillator_cycle, pentagrid

__all__ = [
    "CONSTANTS",
    "SHAPES",
    "STATE_NAMES",
    "Currents",
    "ValveState",
    "conversion_slope",
    "currents",
    "loop_gain",
]

_SHAPE_LAWS = {
    "diode": diode,
    "triode": triode,
    "pentode": pentode,
    "hexode": hexode,
    "oscillator": oscillator,
    "pentagrid": pentagrid,
    "converter": converter,
    "indicator": indicator,
}
_AVERAGED = frozenset({"hexode", "oscillator", "pentagrid", "converter"})
_ROWS_AT_ONCE = 8192  # section evaluations worked together, so that temporaries stay in the cache


def currents(shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Currents:
    """Return the current into every electrode of a stack of valve sections, with all slopes.

    Parameters
    ----------
    shape : str
        A key of :data:`SHAPES`.
    constants : mapping of str to ndarray, shape (S,)
        The :data:`CONSTANTS` of the shape, one value a section.
    volts : ndarray, shape (B, S, E)
        Electrode volts relative to the cathode, V; ``amplitude`` is the oscillator's peak grid swing, V.
        Any finite volts are good.
    state : ValveState
        How each valve differs from the book, arrays (B, S).

    Returns
    -------
    Currents
        Amps, slopes and slopes by state. The "current" of an ``amplitude`` is the residual that closes the
        oscillation, in amps of the reference current.

    Raises
    ------
    KeyError
        If the shape or one of its constants is unknown.
    """
    law = _SHAPE_LAWS[shape]
    rows, sections, electrodes = volts.shape
    out = Planes(electrodes, (rows, sections))
    step = max(1, _ROWS_AT_ONCE // (max(1, sections) * (NODES if shape in _AVERAGED else 1)))
    for start in range(0, rows, step):
        part = slice(start, start + step)
        planes = np.ascontiguousarray(volts[part].transpose(2, 0, 1))
        law(constants, planes, state.rows(part), out.rows(part))
    return out.public()


def loop_gain(shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Array:
    """Return the loop gain of an oscillating section at the given swing, shape (B, S).

    At zero swing this is the start-up gain: below one the oscillator does not start. Arguments as
    :func:`currents`; ``shape`` is oscillator, pentagrid or converter.

    Raises
    ------
    KeyError
        If the shape has no oscillator.
    """
    if shape not in ("oscillator", "pentagrid", "converter"):
        raise KeyError(f"{shape} has no oscillator; oscillator, pentagrid and converter have")
    cycle, share = oscillator_cycle(shape, constants, np.moveaxis(volts, -1, 0), state)
    gain: Array = constants["loop_ohms"] * cycle.swung["amps"] * share / cycle.reach
    return gain


def conversion_slope(shape: str, constants: Mapping[str, Array], volts: Array, state: ValveState) -> Array:
    """Return the conversion slope of a frequency changer, S, shape (B, S).

    It is the intermediate-frequency anode current per volt of signal on the signal grid: the mean over the
    oscillator's cycle of the slope times the cosine, half the slope's fundamental. Arguments
    as :func:`currents`; ``shape`` is hexode, pentagrid or converter.

    Raises
    ------
    KeyError
        If the shape does not change frequency.

    Notes
    -----
    Source: Herold, "The operation of frequency converters and mixers", Proc. IRE 30, 84 (1942), from memory.
    """
    if shape not in ("hexode", "pentagrid", "converter"):
        raise KeyError(f"{shape} does not change frequency; hexode, pentagrid and converter do")
    signal = SHAPES[shape].index("grid")
    slope = currents(shape, constants, volts, state).slopes[..., -1, signal]
    planes = np.moveaxis(volts, -1, 0)
    if shape == "hexode":
        gate = Gate(constants, planes[1], planes[3], state.contact_volts, planes[2])
        ratio = gate.fundamental / np.maximum(gate.share, 1e-300)
    else:
        cycle, _ = oscillator_cycle(shape, constants, planes, state)
        ratio = 0.5 * cycle.swung["amps"] / np.maximum(cycle.onward["amps"], 1e-300)
    result: Array = slope * ratio
    return result
