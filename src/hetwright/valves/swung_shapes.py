"""Laws of the shapes an oscillator swings: hexode, oscillator, pentagrid, converter."""

from __future__ import annotations

from collections.abc import Mapping

from hetwright.valves.cycle import COS, ONES, Cycle, Gate, closure, over_cycle
from hetwright.valves.law_terms import Array, Planes, ValveState
from hetwright.valves.stream import LEAST_PULL_VOLTS, Division, PastGrid, Stream, collecting, grid_take, softplus

__all__ = ["converter", "hexode", "oscillator", "oscillator_cycle", "pentagrid"]


def hexode(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a hexode or heptode whose injection grid an oscillator elsewhere swings."""
    grid, injection, swing, screen, anode = v
    shift = state.contact_volts
    stream = Stream(c, grid, screen + c["anode_influence"] * anode, state)
    part = Division(c, screen, anode)
    past = PastGrid(c, grid, part, stream, shift)
    gate = Gate(c, injection, screen, shift, swing)
    # what the injection grid itself collects over the cycle
    foot = c["grid_foot_volts"]
    x = (injection + shift + c["gate_grid_contact_volts"]) + swing * COS[:, None, None]
    x /= foot
    value, slope = softplus(x)
    strength = c["gate_grid_share"]
    q = strength * foot * over_cycle(ONES, value)
    q_v = strength * over_cycle(ONES, slope)
    q_w = strength * over_cycle(COS, slope)
    inverse = 1.0 / (q + (part.ps + LEAST_PULL_VOLTS))
    taken = q * inverse
    rest = 1.0 - taken
    taken_v, taken_w = q_v * inverse * rest, q_w * inverse * rest
    taken_s = -taken * inverse * part.ps_v
    # share of the anode in what is past the control grid, and its slopes
    through = rest * gate.share
    share = through * part.anode
    share_v = (rest * gate.by_grid - taken_v * gate.share) * part.anode
    share_w = (rest * gate.by_swing - taken_w * gate.share) * part.anode
    share_s = (rest * gate.by_screen - taken_s * gate.share) * part.anode + through * part.by_screen
    share_a = through * part.by_anode
    g, i, w, s, a = range(5)
    amps, slopes, by_state = out.amps, out.slopes, out.by_state
    beyond = past.amps
    amps[g] = stream.amps * past.taken
    amps[i] = beyond * taken
    amps[a] = beyond * share
    amps[s] = beyond - amps[i] - amps[a]
    slopes[g, g], slopes[g, s], slopes[g, a] = past.grid_g, past.grid_s, past.grid_a
    for f, rate, own, other in (
        (g, past.by_g, None, None),
        (i, None, taken_v, share_v),
        (w, None, taken_w, share_w),
        (s, past.by_s, taken_s, share_s),
        (a, past.by_a, None, share_a),
    ):
        if rate is not None:
            slopes[i, f] += rate * taken
            slopes[a, f] += rate * share
            slopes[s, f] += rate
        if own is not None:
            slopes[i, f] += beyond * own
        if other is not None:
            slopes[a, f] += beyond * other
        slopes[s, f] -= slopes[i, f]
        slopes[s, f] -= slopes[a, f]
    for index, rate in ((0, stream.by_emission), (1, stream.by_mu)):
        by_state[g, index] = past.taken * rate
        onward = past.forward * rate
        by_state[i, index] = onward * taken
        by_state[a, index] = onward * share
        by_state[s, index] = onward - by_state[i, index] - by_state[a, index]
    by_state[:, 2] = slopes[:, g] + slopes[:, i]
    out.gas(g, a, state.gas)


def oscillator(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a triode averaged over its oscillation, and the residual that closes the loop."""
    grid, swing, anode = v
    pa, pa_v = collecting(anode)
    cycle = Cycle(c, grid, swing, anode, pa, state)
    g, w, a = range(3)
    amps, slopes, by_state = out.amps, out.slopes, out.by_state

    def lay(row: int, mean: dict[str, Array], factor: Array | float) -> None:
        slopes[row, g] = mean["grid"] * factor
        slopes[row, w] = mean["swing"] * factor
        slopes[row, a] = (mean["pull"] + mean["collect"] * pa_v) * factor
        by_state[row, 0] = mean["emission"] * factor
        by_state[row, 1] = mean["mu"] * factor
        by_state[row, 2] = mean["contact"] * factor

    amps[g], amps[a] = cycle.taken["amps"], cycle.onward["amps"]
    lay(g, cycle.taken, 1.0)
    lay(a, cycle.onward, 1.0)
    amps[w], by_swing, by_swung, _ = closure(c, swing, cycle, 1.0)
    lay(w, cycle.swung, by_swung)
    slopes[w, w] += by_swing
    out.turn_back(a, anode)
    out.gas(g, a, state.gas)


class _Share:
    """A fraction of the onward current with its slopes by electrode index and by contact potential."""

    def __init__(self, value: Array, by: dict[int, Array], contact: Array | None = None) -> None:
        self.value, self.by, self.contact = value, by, contact

    def __mul__(self, other: _Share) -> _Share:
        by = {f: slope * other.value for f, slope in self.by.items()}
        for f, slope in other.by.items():
            term = slope * self.value
            by[f] = by[f] + term if f in by else term
        contact = None
        for mine, its in ((self.contact, other.value), (other.contact, self.value)):
            if mine is not None:
                contact = mine * its if contact is None else contact + mine * its
        return _Share(self.value * other.value, by, contact)

    def __add__(self, other: _Share) -> _Share:
        by = dict(self.by)
        for f, slope in other.by.items():
            by[f] = by[f] + slope if f in by else slope
        if self.contact is None or other.contact is None:
            contact = self.contact if other.contact is None else other.contact
        else:
            contact = self.contact + other.contact
        return _Share(self.value + other.value, by, contact)

    def rest(self) -> _Share:
        """Return one minus this share."""
        contact = None if self.contact is None else -self.contact
        return _Share(1.0 - self.value, {f: -slope for f, slope in self.by.items()}, contact)


def _frequency_changer(
    c: Mapping[str, Array], v: Array, state: ValveState, out: Planes, oscillator_anode: int | None
) -> None:
    """A single stream that oscillates on its first grid and is gated by a later signal grid."""
    o, w = 0, 1
    g, s, a = range(len(v) - 3, len(v))
    shift = state.contact_volts
    part = Division(c, v[s], v[a])
    influence = c["anode_influence"]
    if oscillator_anode is None:
        pull_by: dict[int, Array | float] = {s: 1.0, a: influence}
        pull = v[s] + influence * v[a]
        collect = part.ps + influence * part.pa
        collect_by = {s: part.ps_v, a: influence * part.pa_v}
    else:
        lean = c["screen_influence"]
        pull_by = {oscillator_anode: 1.0, s: lean, a: influence}
        pull = v[oscillator_anode] + lean * v[s] + influence * v[a]
        po, po_v = collecting(v[oscillator_anode])
        collect = po + lean * part.ps
        collect_by = {oscillator_anode: po_v, s: lean * part.ps_v}
    cycle = Cycle(c, v[o], v[w], pull, collect, state)
    gate = Gate(c, v[g], v[s], shift, None)
    taken, taken_g, taken_p = grid_take(
        v[g] + shift + c["gate_grid_contact_volts"], part.ps, c["grid_foot_volts"], c["gate_grid_share"]
    )
    signal = _Share(taken, {g: taken_g, s: taken_p * part.ps_v}, taken_g)
    passed = _Share(gate.share, {g: gate.by_grid, s: gate.by_screen}, gate.by_grid)
    division = _Share(part.anode, {s: part.by_screen, a: part.by_anode})
    to_anode = signal.rest() * passed * division
    shares = [(g, signal), (a, to_anode)]
    front: _Share | None = None
    if oscillator_anode is not None:
        # electrons the signal grid turns back end on the oscillator anode or the screen
        h = c["oscillator_share"]
        inverse = 1.0 / (h * po + (part.ps + LEAST_PULL_VOLTS))
        front = _Share(
            h * po * inverse,
            {
                oscillator_anode: h * (part.ps + LEAST_PULL_VOLTS) * inverse * inverse * po_v,
                s: -h * po * inverse * inverse * part.ps_v,
            },
        )
        shares.append((oscillator_anode, (signal + to_anode).rest() * front))

    amps, slopes, by_state = out.amps, out.slopes, out.by_state

    def lay(row: int, mean: dict[str, Array], share: _Share | None, factor: Array | float = 1.0) -> None:
        level = factor if share is None else factor * share.value
        slopes[row, o] += mean["grid"] * level
        slopes[row, w] += mean["swing"] * level
        for f, rate in pull_by.items():
            slopes[row, f] += mean["pull"] * rate * level
        for f, slope in collect_by.items():
            slopes[row, f] += mean["collect"] * slope * level
        by_state[row, 0] += mean["emission"] * level
        by_state[row, 1] += mean["mu"] * level
        by_state[row, 2] += mean["contact"] * level
        if share is not None:
            amount = mean["amps"] * factor
            for f, slope in share.by.items():
                slopes[row, f] += amount * slope
            if share.contact is not None:
                by_state[row, 2] += amount * share.contact

    amps[o] = cycle.taken["amps"]
    lay(o, cycle.taken, None)
    amps[s] = cycle.onward["amps"]
    lay(s, cycle.onward, None)
    for row, share in shares:
        amps[row] = cycle.onward["amps"] * share.value
        lay(row, cycle.onward, share)
        amps[s] -= amps[row]
        slopes[s] -= slopes[row]
        by_state[s] -= by_state[row]
    fed = 1.0 if front is None else front.value
    amps[w], by_swing, by_swung, by_share = closure(c, v[w], cycle, fed)
    lay(w, cycle.swung, None, by_swung)
    slopes[w, w] += by_swing
    if front is not None:
        for f, slope in front.by.items():
            slopes[w, f] += by_share * slope
    out.gas(g, a, state.gas)


def pentagrid(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a pentagrid that has an oscillator anode of its own."""
    _frequency_changer(c, v, state, out, 2)


def converter(c: Mapping[str, Array], v: Array, state: ValveState, out: Planes) -> None:
    """Currents of a converter whose screen serves as the oscillator anode."""
    _frequency_changer(c, v, state, out, None)


def oscillator_cycle(shape: str, c: Mapping[str, Array], v: Array, state: ValveState) -> tuple[Cycle, Array | float]:
    """Return the averaged stream of an oscillating section and the share of it that feeds the loop."""
    if shape == "oscillator":
        return Cycle(c, v[0], v[1], v[2], collecting(v[2])[0], state), 1.0
    screen, anode = v[-2], v[-1]
    influence = c["anode_influence"]
    ps, pa = collecting(screen)[0], collecting(anode)[0]
    if shape == "converter":
        return Cycle(c, v[0], v[1], screen + influence * anode, ps + influence * pa, state), 1.0
    po, lean, h = collecting(v[2])[0], c["screen_influence"], c["oscillator_share"]
    pull = v[2] + lean * screen + influence * anode
    return Cycle(c, v[0], v[1], pull, po + lean * ps, state), h * po / (h * po + (ps + LEAST_PULL_VOLTS))
