"""Another valve law, for sets whose truth must not be ours.

The product judges a set by :mod:`hetwright.valves.law`. A benchmark whose simulated sets obeyed the same law would
flatter it, so these currents are made otherwise, and fitted here to the same published rows (never to our law):

- Child-Langmuir with a free exponent and a *hard* cut-off, only rounded by a fixed width of grid volts;
- anode and screen divide by an arctangent knee whose place follows the screen volts;
- grid current is a square law; remote cut-off is one more, wide, exponential tail;
- an oscillating section biases itself to a fixed share of an amplitude that follows its anode volts, and is averaged
  by the trapezium rule round the cycle;
- slopes come by the complex-step method, so there is no hand-made derivative to share an error with.

Signature and shapes are those of ``hetwright.valves.law.currents``; the constants are our own, by name, and go in by
replacing those of a network's valve sections (:func:`constants_of`).

Sources: Child (1911) and Langmuir (1913) for the 3/2 power; Squire & Trapp, "Using complex variables to estimate
derivatives of real functions", SIAM Review 40 (1998).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from hetwright.valves.catalogue import Row, Section, ValveType, find

__all__ = ["ELECTRODES_OF", "SHAPES", "Currents", "constants_for", "currents", "fit_errors"]

Array = NDArray[Any]
Constants = dict[str, Any]

ELECTRODES_OF = {
    "diode": ("anode",),
    "triode": ("grid", "anode"),
    "pentode": ("grid", "screen", "anode"),
    "hexode": ("grid", "injection", "amplitude", "screen", "anode"),
    "oscillator": ("grid", "amplitude", "anode"),
    "pentagrid": ("oscillator_grid", "amplitude", "oscillator_anode", "grid", "screen", "anode"),
    "converter": ("oscillator_grid", "amplitude", "grid", "screen", "anode"),
    "indicator": ("grid", "anode", "target"),
}

#: cycle points of the trapezium rule
CYCLE = np.cos(2.0 * np.pi * np.arange(9) / 9.0)
#: grid bias of an oscillator as a share of its amplitude
BIAS_SHARE = 0.9
#: siemens that scale volts of amplitude to a residual in amps
CLOSING_SIEMENS = 1e-4
#: volts by which what an electrode collects dies away, once it is negative
COLLECTS = 0.3
STEP = 1e-30


@dataclass(frozen=True, slots=True)
class Currents:
    """As ``hetwright.valves.law.Currents``: amps (B, S, E), slopes (B, S, E, E), by_state (B, S, E, 4)."""

    amps: Array
    slopes: Array
    by_state: Array


def _soft(x: Array, width: Array | float) -> Array:
    """max(x, 0) with its corner rounded over ``width``; complex arguments allowed."""
    u = x / width
    big = u.real > 30.0
    inner = np.where(big, 0.0, u)
    # far below cut-off log1p(exp(u)) is exp(u)
    low = inner.real < -30.0
    grown = np.exp(np.where(low, np.maximum(inner.real, -600.0) + 1j * inner.imag, inner))
    return np.where(big, x, width * np.where(low, grown, np.log(1.0 + grown)))


def _switch(x: Array) -> Array:
    """From 0 to 1 about x = 0."""
    held = np.clip(x.real, -500.0, 500.0) + 1j * np.where(np.abs(x.real) < 500.0, x.imag, 0.0)
    return 1.0 / (1.0 + np.exp(-held))


def _power(x: Array, exponent: Array | float) -> Array:
    return np.exp(exponent * np.log(x + 1e-250))


def _arctangent(x: Array) -> Array:
    return (2.0 / np.pi) * np.arctan(x)


def _grid_amps(volts: Array, c: Constants, emission: Array) -> Array:
    return emission * c["grid_k"] * _power(_soft(volts + 0.35, 0.15), 2.0)


def _space(effective: Array, c: Constants) -> Array:
    """Space current before emission and knee."""
    main = _power(_soft(effective, c["width"]), c["exponent"])
    tail = _power(_soft(effective, c["tail_width"]), c["exponent"])
    return c["k"] * ((1.0 - c["tail_share"]) * main + c["tail_share"] * tail)


def _knee_volts(c: Constants, screen: Array) -> Array:
    return c["knee"] * (_soft(screen, 1.0) + 5.0)


def _diode(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    emission, _, contact, _ = s
    return [emission * c["k"] * _power(_soft(v[0] + contact + 0.45, 0.12), c["exponent"])]


def _triode_anode(c: Constants, grid: Array, anode: Array, s: list[Array]) -> Array:
    emission, mu, contact, _ = s
    anode_up = _soft(anode, COLLECTS)
    effective = grid + contact + c["shift"] + anode_up / (c["mu"] * mu)
    return emission * _space(effective, c) * (1.0 - np.exp(-anode_up / 3.0))


def _triode(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    anode = _triode_anode(c, v[0], v[1], s)
    return [_grid_amps(v[0] + s[2], c, s[0]) - s[3] * anode, anode]


def _pentode(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    emission, mu, contact, gas = s
    grid, screen, anode = v
    screen_up, anode_up = _soft(screen, COLLECTS), _soft(anode, COLLECTS)
    effective = grid + contact + c["shift"] + screen_up / (c["mu"] * mu) + anode_up / (c["mu_anode"] * mu)
    cathode = emission * _space(effective, c) * (1.0 - np.exp(-(screen_up + 0.3 * anode_up) / 3.0))
    share = c["anode_share"] * _arctangent(_power(anode_up / _knee_volts(c, screen), c["knee_power"]))
    # with the screen at nothing there is none to share with it
    share = share + (1.0 - share) * np.exp(-screen_up) * (1.0 - np.exp(-anode_up))
    return [_grid_amps(grid + contact, c, emission) - gas * cathode * share, cathode * (1.0 - share), cathode * share]


def _cycle_mean(of: Callable[[float], Array]) -> Array:
    total = of(float(CYCLE[0]))
    for point in CYCLE[1:]:
        total = total + of(float(point))
    return total / len(CYCLE)


def _closing(c: Constants, amplitude: Array, feed: Array, s: list[Array]) -> Array:
    """Residual: amplitude less what the feeding electrode's volts would keep up."""
    emission, mu, _, _ = s
    lively = _switch((emission * mu - 0.30) / 0.03) * _power(emission + 1e-9, 0.35)
    wanted = c["amplitude_share"] * _soft(feed - 14.0, 2.0) * lively
    return CLOSING_SIEMENS * (amplitude - wanted)


def _oscillator_grid(c: Constants, volts: Array, amplitude: Array, s: list[Array]) -> Array:
    return _grid_amps(volts + s[2] + BIAS_SHARE * amplitude, c, s[0])


def _oscillator(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    grid, amplitude, anode = v
    mean = _cycle_mean(lambda p: _triode_anode(c, grid + p * amplitude, anode - 0.8 * p * amplitude, s))
    return [_oscillator_grid(c, grid, amplitude, s) - s[3] * mean, _closing(c, amplitude, anode, s), mean]


def _hexode(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    emission, mu, contact, gas = s
    grid, injection, amplitude, screen, anode = v
    screen_up, anode_up = _soft(screen, COLLECTS), _soft(anode, COLLECTS)
    effective = grid + contact + c["shift"] + screen_up / (c["mu"] * mu) + anode_up / (c["mu_anode"] * mu)
    cathode = emission * _space(effective, c) * (1.0 - np.exp(-screen_up / 3.0))
    gate = _cycle_mean(lambda p: _switch((injection + p * amplitude + c["gate_volts"]) / c["gate_width"]))
    share = c["anode_share"] * gate * _arctangent(anode_up / _knee_volts(c, screen))
    to_anode = cathode * share
    nothing = np.zeros_like(grid)
    return [_grid_amps(grid + contact, c, emission) - gas * to_anode, nothing, nothing, cathode - to_anode, to_anode]


def _mixer(
    c: Constants,
    first: Array,
    amplitude: Array,
    grid: Array,
    screen: Array,
    anode: Array,
    second: Array,
    s: list[Array],
) -> tuple[Array, Array]:
    """Cathode current and the anode's share of it, of a valve whose first grid oscillates."""
    emission, mu, contact, _ = s
    screen_up, anode_up = _soft(screen, COLLECTS), _soft(anode, COLLECTS)
    pull = screen_up / (c["mu"] * mu) + second
    cathode = _cycle_mean(lambda p: _space(first + p * amplitude + contact + c["shift"] + pull, c))
    cathode = emission * cathode * (1.0 - np.exp(-screen_up / 3.0))
    # the screen's own pull on the gate is left out: with it a screen fed through a resistor would have two states
    gate = _switch((grid + contact + c["gate_volts"]) / c["gate_width"])
    return cathode, c["anode_share"] * gate * _arctangent(anode_up / _knee_volts(c, screen))


def _pentagrid(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    first, amplitude, second, grid, screen, anode = v
    second_up = _soft(second, COLLECTS)
    cathode, share = _mixer(c, first, amplitude, grid, screen, anode, second_up / (c["mu_second"] * s[1]), s)
    to_second = cathode * c["second_share"] * _arctangent(second_up / 25.0)
    onward = cathode - to_second
    to_anode = onward * share
    return [
        _oscillator_grid(c, first, amplitude, s),
        _closing(c, amplitude, second, s),
        to_second,
        _grid_amps(grid + s[2], c, s[0]) - s[3] * to_anode,
        onward - to_anode,
        to_anode,
    ]


def _converter(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    first, amplitude, grid, screen, anode = v
    cathode, share = _mixer(c, first, amplitude, grid, screen, anode, np.zeros_like(grid), s)
    to_anode = cathode * share
    return [
        _oscillator_grid(c, first, amplitude, s),
        _closing(c, amplitude, screen, s),
        _grid_amps(grid + s[2], c, s[0]) - s[3] * to_anode,
        cathode - to_anode,
        to_anode,
    ]


def _indicator(c: Constants, v: list[Array], s: list[Array]) -> list[Array]:
    anode = _triode_anode(c, v[0], v[1], s)
    target = s[0] * c["target_k"] * _power(_soft(v[2], COLLECTS), 1.5)
    return [_grid_amps(v[0] + s[2], c, s[0]) - s[3] * anode, anode, target]


_LAW: dict[str, Callable[[Constants, list[Array], list[Array]], list[Array]]] = {
    "diode": _diode,
    "triode": _triode,
    "pentode": _pentode,
    "hexode": _hexode,
    "oscillator": _oscillator,
    "pentagrid": _pentagrid,
    "converter": _converter,
    "indicator": _indicator,
}


def currents(shape: str, constants: Constants, volts: Array, state: Any) -> Currents:
    """Electrode currents of S sections of one shape in B variants, with slopes.

    Parameters
    ----------
    shape : str
        A key of :data:`ELECTRODES_OF`.
    constants : dict name -> (S,)
        Those of :func:`constants_for`.
    volts : (B, S, E)
        Electrode volts to the cathode; the amplitude as it is.
    state : object
        ``emission``, ``mu``, ``contact_volts``, ``gas``, each (B, S).

    Returns
    -------
    Currents
    """
    electrodes = len(ELECTRODES_OF[shape])
    inputs = [np.asarray(volts[..., e], dtype=np.float64) for e in range(electrodes)]
    inputs += [
        np.broadcast_to(np.asarray(getattr(state, name), dtype=np.float64), inputs[0].shape)
        for name in ("emission", "mu", "contact_volts", "gas")
    ]
    count = len(inputs)
    nudged = []
    for number, value in enumerate(inputs):
        many = np.repeat(np.asarray(value, dtype=np.complex128)[None], count, axis=0)
        many[number] += 1j * STEP
        nudged.append(many)
    held = {name: np.asarray(value, dtype=np.float64) for name, value in constants.items()}
    out = np.stack(_LAW[shape](held, nudged[:electrodes], nudged[electrodes:]), axis=-1)
    slopes = np.moveaxis(out.imag / STEP, 0, -1)
    return Currents(out[0].real, slopes[..., :electrodes], slopes[..., electrodes:])


# -- fitting to the published rows -----------------------------------------------------------------------------


@dataclass(frozen=True)
class NewValve:
    """A new valve, for fitting."""

    emission: Array
    mu: Array
    contact_volts: Array
    gas: Array


_START: dict[str, dict[str, float]] = {
    "diode": {"k": 2.5e-4},
    "triode": {"k": 1.5e-3, "mu": 30.0},
    "pentode": {"k": 1.5e-3, "mu": 18.0, "mu_anode": 500.0, "anode_share": 0.84, "knee": 0.10},
    "hexode": {
        "k": 1.5e-3,
        "mu": 20.0,
        "mu_anode": 800.0,
        "anode_share": 0.80,
        "knee": 0.10,
        "gate_volts": 6.0,
        "gate_width": 2.0,
    },
    "oscillator": {"k": 1.5e-3, "mu": 20.0, "amplitude_share": 0.11},
    "pentagrid": {
        "k": 1.0e-3,
        "mu": 14.0,
        "mu_second": 14.0,
        "second_share": 0.40,
        "anode_share": 0.80,
        "knee": 0.12,
        "gate_volts": 6.0,
        "gate_width": 2.5,
        "amplitude_share": 0.12,
    },
    "converter": {
        "k": 1.2e-3,
        "mu": 20.0,
        "anode_share": 0.55,
        "knee": 0.12,
        "gate_volts": 5.0,
        "gate_width": 2.5,
        "amplitude_share": 0.11,
    },
    "indicator": {"k": 2.0e-4, "mu": 50.0, "target_k": 1.0e-6},
}
_GRID_K = 2.0e-4
#: how far (natural logarithm) each constant may stray from its start, as a weak prior
_STRAY = {
    "k": 3.0,
    "mu": 0.8,
    "mu_anode": 1.0,
    "anode_share": 0.15,
    "knee": 0.3,
    "gate_volts": 0.5,
    "gate_width": 0.25,
    "amplitude_share": 1.0,
    "mu_second": 0.3,
    "second_share": 0.6,
    "target_k": 3.0,
}
_FITTED_KINDS = frozenset(
    {"working", "static", "triode connected", "converter", "oscillator", "indicator", "push-pull"}
)


def _fixed(section: Section) -> dict[str, float]:
    """Constants that are not fitted."""
    remote = "remote" in section.kind
    beam = section.kind == "beam tetrode"
    power = section.limits.get("anode_watts", 0.0) > 4.0
    return {
        # output valves space their currents a little flatter, mixers a little steeper: no 3/2 for all
        "exponent": 1.38 if power else 1.6 if section.shape in ("hexode", "pentagrid", "converter") else 1.5,
        "width": 0.25,
        "tail_share": 0.10 if remote else 0.0,
        "tail_width": 6.0 if remote else 1.0,
        "shift": 0.0,
        "grid_k": _GRID_K * (3.0 if power else 1.0),
        "knee_power": 1.6 if beam else 1.0,
    }


def _row_volts(section: Section, row: Row, constants: dict[str, float]) -> NDArray[np.float64] | None:
    """Electrode volts of a row, in the order of the shape; None where the row does not say enough."""
    get = row.get
    shape = section.shape or ""
    feed = get("anode_volts")
    supply = get("supply_volts")
    if feed is None and supply is not None and get("anode_resistor_ohms") and get("anode_amps"):
        feed = supply - float(get("anode_resistor_ohms") or 0.0) * float(get("anode_amps") or 0.0)
    leak, leak_amps = get("oscillator_grid_leak_ohms"), get("oscillator_grid_amps")
    bias = row.bias_volts
    oscillating = row.kind in ("converter", "oscillator")
    own = -(leak or 0.0) * (leak_amps or 0.0) if oscillating else 0.0
    amplitude = -own / BIAS_SHARE
    if shape == "diode":
        return None
    if shape == "triode":
        return None if feed is None or bias is None else np.array([bias, feed])
    if shape == "indicator":
        target = get("target_volts")
        return None if feed is None or bias is None or target is None else np.array([bias, feed, target])
    if shape == "oscillator":
        if feed is None:
            feed = get("oscillator_anode_volts")
        if feed is None or (oscillating and own == 0.0):
            return None
        return np.array([own if oscillating else (bias or 0.0), amplitude, feed])
    screen = get("screen_volts")
    if screen is None and supply is not None and get("screen_resistor_ohms") and get("screen_amps"):
        screen = supply - float(get("screen_resistor_ohms") or 0.0) * float(get("screen_amps") or 0.0)
    if row.triode_connected:
        screen = feed
    if feed is None or screen is None or bias is None:
        return None
    if shape == "pentode":
        return np.array([bias, screen, feed])
    if shape == "hexode":
        if oscillating and own == 0.0:
            own, amplitude = -9.0, 10.0
        return np.array([bias, own, amplitude, screen, feed])
    if oscillating and own == 0.0:
        own, amplitude = -9.0, 10.0
    if shape == "pentagrid":
        second = get("oscillator_anode_volts")
        if second is None:
            second_supply, resistor = get("oscillator_anode_supply_volts"), get("oscillator_anode_resistor_ohms")
            amps = get("oscillator_anode_amps")
            if second_supply is None or resistor is None or amps is None:
                return None
            second = second_supply - resistor * amps
        return np.array([own, amplitude, second, bias, screen, feed])
    return np.array([own, amplitude, bias, screen, feed])


def _targets(section: Section, row: Row) -> list[tuple[str, float, float]]:
    """(figure, published, weight) of a row."""
    out = []
    wanted = (
        ("anode_amps", 1.0),
        ("screen_amps", 0.8),
        ("oscillator_anode_amps", 0.8),
        ("target_amps", 0.8),
        ("gm_siemens", 0.4),
        ("oscillator_grid_amps", 0.6),
    )
    for figure, weight in wanted:
        value = row.get(figure)
        if value is not None and value > 0.0:
            out.append((figure, value, weight))
    return out


def _stacked(constants: dict[str, float]) -> Constants:
    return {name: np.array([value]) for name, value in constants.items()}


def _figure(
    name: str, shape: str, row: Row, got: Currents, constants: dict[str, float], volts: Array
) -> float | None:
    order = ELECTRODES_OF[shape]
    amps, slopes = got.amps[0, 0], got.slopes[0, 0]
    if name == "anode_amps":
        value = amps[order.index("anode")]
        return float(value + (amps[order.index("screen")] if row.triode_connected and "screen" in order else 0.0))
    if name == "oscillator_anode_amps":
        where = "oscillator_anode" if "oscillator_anode" in order else "anode" if shape == "oscillator" else None
        return None if where is None else float(amps[order.index(where)])
    if name in ("screen_amps", "target_amps"):
        electrode = name.removesuffix("_amps")
        return float(amps[order.index(electrode)]) if electrode in order else None
    if name == "gm_siemens":
        if shape in ("converter", "pentagrid"):
            return None
        value = slopes[order.index("anode"), order.index("grid")]
        return float(
            value + (slopes[order.index("screen"), 0] if row.triode_connected and "screen" in order else 0.0)
        )
    # the amplitude a published grid current implies
    if "amplitude_share" in constants and row.kind in ("converter", "oscillator"):
        feed = {"oscillator": "anode", "pentagrid": "oscillator_anode", "converter": "screen"}[shape]
        amplitude = volts[order.index("amplitude")]
        leak = row.get("oscillator_grid_leak_ohms")
        if amplitude <= 0.0 or leak is None:
            return None
        kept = constants["amplitude_share"] * max(float(volts[order.index(feed)]) - 14.0, 0.0)
        return float(kept * BIAS_SHARE / leak)
    return None


def _residuals(section: Section, rows: list[Row], constants: dict[str, float]) -> list[tuple[str, float, float]]:
    """(figure, ln(model / published), weight) over rows."""
    shape = section.shape or ""
    one = np.ones((1, 1))
    new = NewValve(one, one, 0.0 * one, 0.0 * one)
    out = []
    for row in rows:
        volts = _row_volts(section, row, constants)
        if volts is None:
            continue
        got = currents(shape, _stacked(constants), volts[None, None, :], new)
        for name, published, weight in _targets(section, row):
            value = _figure(name, shape, row, got, constants, volts)
            if value is not None:
                out.append((name, float(np.log(max(value, 1e-12) / published)), weight))
    return out


def _fit(section: Section, rows: list[Row]) -> dict[str, float]:
    shape = section.shape or ""
    start = dict(_START[shape])
    fixed = _fixed(section)
    mus = [row.get("mu_screen") if "screen" in ELECTRODES_OF[shape] else row.get("mu") for row in rows]
    stated = [mu for mu in mus if mu]
    if stated and "mu" in start:
        start["mu"] = float(np.median(stated))
    ra = [row.get("ra_ohms") for row in rows if row.get("ra_ohms") and row.get("gm_siemens")]
    if shape == "pentode" and ra:
        row = next(r for r in rows if r.get("ra_ohms") and r.get("gm_siemens"))
        start["mu_anode"] = float(
            np.clip((row.get("ra_ohms") or 1.0) * (row.get("gm_siemens") or 1.0) * 2.0, 60, 5000)
        )
    names = [name for name in start if name not in fixed]
    origin = np.log([start[name] for name in names])
    free_shift = "shift" in fixed and shape != "diode"
    stray = np.array([0.35 if stated and name == "mu" else _STRAY[name] for name in names])

    def unpack(x: NDArray[np.float64]) -> dict[str, float]:
        constants = {**fixed, **{name: float(np.exp(v)) for name, v in zip(names, x, strict=False)}}
        if "anode_share" in constants:
            constants["anode_share"] = min(constants["anode_share"], 0.985)
        if free_shift:
            constants["shift"] = float(x[len(names)])
            constants["exponent"] = fixed["exponent"] + float(x[len(names) + 1])
        return constants

    def cost(x: NDArray[np.float64]) -> NDArray[np.float64]:
        constants = unpack(x)
        misfit = [r * w / 0.04 for _, r, w in _residuals(section, rows, constants)]
        held = list((x[: len(names)] - origin) / stray)
        if free_shift:
            held += [x[len(names)] / 0.4, x[len(names) + 1] / 0.08]
        return np.array(misfit + held)

    best = None
    for mu in _mus_to_try(section, rows, start, bool(stated)):
        begun = dict(start)
        if mu is not None:
            begun["mu"] = mu
        begun["k"] = _first_k(section, rows, begun, fixed)
        first = np.concatenate([np.log([begun[name] for name in names]), [0.0, 0.0] if free_shift else []])
        if mu is not None:
            origin[names.index("mu")] = np.log(mu)
        origin[names.index("k")] = np.log(begun["k"])
        found = least_squares(cost, first, method="trf", max_nfev=60)
        if best is None or found.cost < best[0]:
            best = (found.cost, unpack(found.x))
    assert best is not None
    return best[1]


def _mus_to_try(section: Section, rows: list[Row], start: dict[str, float], stated: bool) -> list[float | None]:
    """Starts for the amplification factor: where none is stated, from the bias of the rows."""
    if "mu" not in start or stated:
        return [None]
    out: list[float | None] = [start["mu"]]
    for row in rows:
        volts = _row_volts(section, row, start)
        if volts is None or section.shape not in ("pentode", "triode", "indicator"):
            continue
        if volts[0] < -1.0:
            out += [float(np.clip(share * volts[1] / -volts[0], 2.0, 120.0)) for share in (0.4, 0.6, 0.8)]
            break
    return out


def _first_k(section: Section, rows: list[Row], start: dict[str, float], fixed: dict[str, float]) -> float:
    """A first k from the first row that gives an anode current."""
    shape = section.shape or ""
    one = np.ones((1, 1))
    for row in rows:
        volts = _row_volts(section, row, start)
        amps = row.get("anode_amps") or row.get("oscillator_anode_amps")
        if volts is None or not amps:
            continue
        got = currents(
            shape, _stacked({**start, **fixed}), volts[None, None, :], NewValve(one, one, 0 * one, 0 * one)
        )
        now = float(got.amps[0, 0, ELECTRODES_OF[shape].index("anode")])
        if now > 1e-7:
            return float(start["k"] * amps / now)
    return float(start["k"])


def _own_rows(valve: ValveType, section: Section) -> list[Row]:
    return [
        row
        for row in valve.rows
        if row.kind in _FITTED_KINDS and (row.section == section.name or (row.section == "each" and section.shape))
    ]


@cache
def _constants(figures_of: str, section_name: str) -> tuple[tuple[str, float], ...]:
    valve = find(figures_of)
    section = next((s for s in valve.sections if s.name == section_name), None)
    if section is None or section.shape is None:
        raise KeyError(f"{figures_of} has no section {section_name} with a law")
    rows = _own_rows(valve, section)
    if not rows and valve.electrodes_as != valve.name:
        other = find(valve.electrodes_as)
        if any(s.name == section_name for s in other.sections):
            return _constants(other.name, section_name)
    if not rows:
        twin = next(
            (
                s
                for s in valve.sections
                if s.name != section_name and s.shape == section.shape and _own_rows(valve, s)
            ),
            None,
        )
        if twin is not None:
            return _constants(figures_of, twin.name)
    return tuple(_fit(section, rows).items())


def constants_for(
    name: str, section_name: str, *, like: str | None = None, kind: str | None = None
) -> dict[str, float]:
    """Constants of this law for one section of a type, fitted once to its published rows.

    Raises
    ------
    KeyError
        The type has no such section.
    UnknownValve
        Neither ``name`` nor ``like`` is listed.
    """
    valve = find(name, like=like, kind=kind)
    return dict(_constants(valve.figures_of, section_name))


def fit_errors(name: str) -> list[tuple[str, str, float]]:
    """(section, figure, ln(model / published)) of every fitted figure of a type."""
    valve = find(name)
    out = []
    for section in valve.sections:
        if section.shape in (None, "diode"):
            continue
        constants = constants_for(name, section.name)
        out += [(section.name, f, r) for f, r, _ in _residuals(section, _own_rows(valve, section), constants)]
    return out


#: The name the circuit looks for in a law.
SHAPES = ELECTRODES_OF
