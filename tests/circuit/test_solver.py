"""Working points: certified honestly, on the right branch, for stacks of any kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from hetwright.circuit.network import Battery, Capacitance, Conductance, JunctionDiode, Network, Resistance
from hetwright.circuit.solver import CERTIFIED_AMPS, CERTIFIED_VOLTS, Circuit
from hetwright.errors import NotSolved, OutOfRange
from hetwright.valves import law as book_law

from .conftest import Builder, random_faults, section, triode_stage_network, unbalanced

#: The certificate, and what rounding may add when another program sums the same currents in another order.
HONEST_AMPS = CERTIFIED_AMPS + 2e-12


def rung_values():
    ohms = st.one_of(st.floats(1e-3, 1e9), st.sampled_from([0.01, 1.0, 1e3, 1e6, 1e9]))
    return st.lists(st.tuples(ohms, ohms, st.floats(0.0, 1e-3)), min_size=1, max_size=8)


@settings(deadline=None)
@given(rung_values(), st.floats(-400.0, 400.0), st.booleans())
def test_any_ladder_is_certified_and_balances(rungs, volts, with_diode):
    elements = [Battery(part="B", plus="p0", minus="chassis", volts=volts)]
    for n, (series, shunt, leak) in enumerate(rungs):
        elements.append(Resistance(part=f"Rs{n}", a=f"p{n}", b=f"p{n + 1}", ohms=series))
        elements.append(Resistance(part=f"Rp{n}", a=f"p{n + 1}", b="chassis", ohms=shunt))
        elements.append(
            Capacitance(part=f"C{n}", a=f"p{n + 1}", b="p0", farads=1e-6, leak_siemens=leak, electrolytic=n % 2 == 0)
        )
    if with_diode:
        elements.append(JunctionDiode(part="D", anode="p1", cathode="chassis", kind="silicon"))
    circuit = Circuit(Network(elements=tuple(elements)))
    stack = circuit.with_slots()
    found = circuit.solve(stack)
    assert found.certified.all()
    assert unbalanced(circuit, stack, found, 0) <= HONEST_AMPS


def test_the_receiver_works(receiver):
    stack = receiver.with_slots()
    found = receiver.solve(stack).require()
    assert found.unbalanced_amps[0] < CERTIFIED_AMPS
    assert found.last_step_volts[0] < CERTIFIED_VOLTS
    assert unbalanced(receiver, stack, found, 0) <= HONEST_AMPS
    volts = dict(zip(receiver.points, found.volts[0], strict=True))
    # what such sets read (common practice)
    assert 200.0 < volts["HT2"] < volts["HT1"] < 330.0
    assert 4.0 < volts["V4.cathode"] < 10.0
    assert -1.5 < volts["V3.triode_grid"] < -0.3
    assert volts["V1.oscillator_amplitude"] > 2.0
    assert volts["V1.triode_grid"] < volts["V1.cathode"] - 2.0
    assert found.extra[0, 0] == pytest.approx(0.08, abs=0.03)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32 - 1))
def test_random_faults_are_certified_honestly_or_refused_clearly(receiver, seed):
    stack = random_faults(receiver, np.random.default_rng(seed), 40)
    found = receiver.solve(stack)
    assert (found.unbalanced_amps[found.certified] < CERTIFIED_AMPS).all()
    assert (found.last_step_volts[found.certified] < CERTIFIED_VOLTS).all()
    for row in np.flatnonzero(found.certified)[:8]:
        assert unbalanced(receiver, stack, found, row) <= HONEST_AMPS
    refused = {row for row, _, _ in found.refusals}
    assert refused == set(np.flatnonzero(~found.certified).tolist())
    assert np.isnan(found.volts[~found.certified]).all()
    known = {*receiver.points, *receiver.extras}
    assert all(point in known and "unbalanced" in why for _, point, why in found.refusals)


def test_nearly_all_faults_are_certified(receiver):
    found = receiver.solve(random_faults(receiver, np.random.default_rng(11), 2000))
    assert found.certified.mean() >= 0.999


def test_rows_do_not_depend_on_their_company(receiver):
    stack = random_faults(receiver, np.random.default_rng(7), 60)
    whole = receiver.solve(stack)
    some = np.array([59, 3, 17, 30])
    apart = receiver.solve(stack[some])
    assert apart.volts == pytest.approx(whole.volts[some], abs=2e-3, nan_ok=True)


def test_a_start_leads_to_the_same_point(receiver):
    stack = receiver.with_slots({("R13", "ohms"): 270.0}, rows=2)
    plain = receiver.solve(stack)
    for start in (plain, plain.take(np.array([0])), plain.volts, np.zeros(len(receiver.points))):
        assert receiver.solve(stack, start=start).volts == pytest.approx(plain.volts, abs=1e-3)
    # a refused row of a start is no hindrance
    broken = replace(plain, volts=np.where([[True], [False]], np.nan, plain.volts))
    assert receiver.solve(stack, start=broken).certified.all()
    with pytest.raises(OutOfRange, match="start has 2 rows"):
        receiver.solve(receiver.with_slots(rows=5), start=plain)
    with pytest.raises(OutOfRange, match="start has the shape"):
        receiver.solve(stack, start=np.zeros(3))


# ---------------------------------------------------------------------------------------------------
# facts


def test_ht_rises_with_the_mains(receiver):
    mains = np.linspace(0.0, 1.3, 14)
    stack = receiver.with_slots(rows=len(mains))
    stack[:, receiver.slot("V5", "mains")] = mains
    ht = receiver.solve(stack).require().volts[:, receiver.point("HT1")]
    assert ht[0] == pytest.approx(0.0, abs=0.5)
    assert (np.diff(ht) > 0.0).all()


def test_ht_falls_with_load(receiver):
    stack = receiver.with_slots(rows=6)
    stack[:, receiver.slot("C21", "leak_siemens")] = np.array([1e-9, 1e-6, 1e-5, 1e-4, 1e-3, 1e-1])
    found = receiver.solve(stack).require()
    assert (np.diff(found.volts[:, receiver.point("HT1")]) < 0.0).all()
    assert (np.diff(found.extra[:, 0]) > 0.0).all()


def test_a_leaky_coupling_capacitor_pulls_the_output_grid_positive(receiver):
    found = receiver.solve(receiver.with_slots({("C12", "leak_siemens"): 1.0 / 5e6})).require()
    healthy = receiver.solve(receiver.with_slots()).require()
    grid, cathode = receiver.point("V4.control_grid"), receiver.point("V4.cathode")
    assert found.volts[0, grid] > healthy.volts[0, grid] + 3.0
    assert found.volts[0, cathode] > healthy.volts[0, cathode]


def test_an_open_output_winding_leaves_the_anode_dead_and_the_screen_glowing(receiver):
    stack = receiver.with_slots({("T2.primary", "ohms"): 1e9})
    found = receiver.solve(stack).require()
    assert found.volts[0, receiver.point("V4.anode")] < 5.0
    assert found.volts[0, receiver.point("V4.screen_grid")] > 200.0


def test_a_stopped_oscillator_loses_its_grid_bias(receiver):
    stack = receiver.with_slots({("V1.triode", "emission"): 0.02})
    found = receiver.solve(stack).require()
    assert found.volts[0, receiver.point("V1.oscillator_amplitude")] < 1.0
    assert found.volts[0, receiver.point("V1.triode_grid")] > found.volts[0, receiver.point("V1.cathode")] - 1.5


def test_nothing_at_all_happens_without_mains(receiver):
    found = receiver.solve(receiver.with_slots({("V5", "mains"): 0.0})).require()
    assert np.abs(found.volts).max() < 2.0


# ---------------------------------------------------------------------------------------------------
# extremes


def test_a_loop_of_shorts():
    elements = [Resistance(part=f"S{n}", a=f"p{n}", b=f"p{(n + 1) % 5}", ohms=1e-3) for n in range(5)]
    elements.append(Battery(part="B", plus="p0", minus="chassis", volts=250.0, ohms=100.0))
    elements.append(Resistance(part="R", a="p2", b="chassis", ohms=1e3))
    circuit = Circuit(Network(elements=tuple(elements)))
    found = circuit.solve(circuit.with_slots()).require()
    assert found.volts[0, 1:] == pytest.approx(250.0 / 1.1, rel=1e-5)


def test_a_point_that_nothing_feeds_rests_on_its_insulation():
    circuit = Circuit(
        Network(
            elements=(
                Battery(part="B", plus="top", minus="chassis", volts=100.0),
                Conductance(part="stray", a="top", b="island", what="siemens"),
            )
        )
    )
    alone = circuit.solve(circuit.with_slots()).require()
    assert alone.volts[0, circuit.point("island")] == pytest.approx(0.0, abs=1e-9)
    leaky = circuit.solve(circuit.with_slots({("stray", "siemens"): 1e-10})).require()
    assert leaky.volts[0, circuit.point("island")] == pytest.approx(50.0, rel=1e-6)


class _Broken:
    """A law that has no solution above the datum: current that jumps and is nowhere zero in between."""

    SHAPES = book_law.SHAPES

    @staticmethod
    def currents(shape, constants, volts, state):
        found = book_law.currents(shape, constants, volts, state)
        amps = found.amps.copy()
        amps[..., 1] = np.where(volts[..., 1] > 100.0, 0.02, -0.02)
        return replace(found, amps=amps)


def test_what_cannot_be_solved_is_refused_with_the_point_and_the_reason(triode_stage):
    with pytest.raises(NotSolved, match=r"no certified working point .*\(at (V1|HT)"):
        Circuit(triode_stage, law=_Broken).healthy()


class _BrokenWhenWorn(_Broken):
    @staticmethod
    def currents(shape, constants, volts, state):
        found = book_law.currents(shape, constants, volts, state)
        broken = _Broken.currents(shape, constants, volts, state)
        worn = (state.emission < 0.5)[..., None]
        return replace(found, amps=np.where(worn, broken.amps, found.amps))


def test_a_refused_row_leaves_the_others_certified(triode_stage):
    circuit = Circuit(triode_stage, law=_BrokenWhenWorn)
    stack = circuit.with_slots(rows=3)
    stack[1, circuit.slot("V1.triode_1", "emission")] = 0.2
    found = circuit.solve(stack)
    assert found.certified.tolist() == [True, False, True]
    assert np.isnan(found.volts[1]).all()
    ((row, point, why),) = found.refusals
    assert row == 1
    assert point in circuit.points
    assert "unbalanced" in why
    with pytest.raises(NotSolved, match="row 1"):
        found.require()
    assert found.take(np.array([1, 2])).refusals[0][0] == 0


# ---------------------------------------------------------------------------------------------------
# more than one balance: which is it?


def trigger_network(ht: float) -> Network:
    """Two cross-coupled triodes, the classic pair with two states; not quite alike."""
    b = Builder()
    b.elements.append(Battery(part="B", plus="HT", minus="chassis", volts=ht))
    b.elements.append(Battery(part="bias", plus="chassis", minus="negative", volts=ht / 2.0))
    for this, other, anode in (("V1", "V2", 47e3), ("V2", "V1", 51e3)):
        b.r(f"{this} load", "HT", f"{this}.anode", anode)
        b.r(f"{this} cross", f"{other}.anode", f"{this}.grid", 470e3)
        b.r(f"{this} bias", f"{this}.grid", "negative", 470e3)
        b.elements.append(
            section(this, "ECC82", "triode_1", {"grid": f"{this}.grid", "anode": f"{this}.anode"}, "chassis")
        )
    return b.network()


def test_a_trigger_pair_comes_to_the_state_it_takes_when_switched_on():
    circuit = Circuit(trigger_network(200.0))
    stack = circuit.with_slots()
    found = circuit.solve(stack).require()
    volts = dict(zip(circuit.points, found.volts[0], strict=True))
    assert volts["V1.anode"] > volts["V2.anode"] + 60.0 or volts["V2.anode"] > volts["V1.anode"] + 60.0

    # in time: each grid with 100 pF to chassis, supplies raised over 10 ms
    v1, v2 = (e for e in circuit.network.elements if hasattr(e, "shape"))
    names = ["V1.anode", "V1.grid", "V2.anode", "V2.grid"]

    def slope(t, x):
        v = dict(zip(names, x, strict=True))
        ht = 200.0 * min(t / 10e-3, 1.0)
        out = dict.fromkeys(names, 0.0)
        for this, other, load in (("V1", "V2", 47e3), ("V2", "V1", 51e3)):
            out[f"{this}.anode"] += (ht - v[f"{this}.anode"]) / load
            cross = (v[f"{other}.anode"] - v[f"{this}.grid"]) / 470e3
            out[f"{this}.grid"] += cross + (-ht / 2.0 - v[f"{this}.grid"]) / 470e3
            out[f"{other}.anode"] -= cross
        for valve in (v1, v2):
            ref = valve.valve
            drawn = book_law.currents(
                valve.shape,
                {k: np.array([c]) for k, c in valve.constants.items()},
                np.array([[[v[f"{ref}.grid"], v[f"{ref}.anode"]]]]),
                book_law.ValveState.book((1, 1)),
            ).amps[0, 0]
            out[f"{ref}.grid"] -= drawn[0]
            out[f"{ref}.anode"] -= drawn[1]
        return [out[name] / 1e-10 for name in names]

    run = solve_ivp(slope, (0.0, 30e-3), np.zeros(4), method="LSODA", rtol=1e-6, atol=1e-6)
    assert [volts[name] for name in names] == pytest.approx(run.y[:, -1], abs=0.05)


def test_every_working_point_is_the_one_reached_by_raising_the_ht(receiver):
    stack = random_faults(receiver, np.random.default_rng(3), 120)
    found = receiver.solve(stack)
    mains = receiver.slot("V5", "mains")
    raised = None
    for share in np.linspace(0.02, 1.0, 50):
        part = stack.copy()
        part[:, mains] *= share
        raised = receiver.solve(part, start=raised)
    both = found.certified & raised.certified
    assert both.sum() >= 118
    assert raised.volts[both] == pytest.approx(found.volts[both], abs=5e-3)


def test_a_gassy_valve_that_need_not_run_away_does_not():
    # a soft output valve with a large grid leak has two states over a range of gas; raising the HT finds the lower
    b = Builder()
    b.elements.append(Battery(part="B", plus="HT", minus="chassis", volts=250.0, ohms=100.0))
    b.elements.append(Battery(part="bias", plus="chassis", minus="bias", volts=9.0))
    b.r("Rg", "V1.grid", "bias", 1e6)
    b.r("Ra", "HT", "V1.anode", 300.0)
    b.elements.append(
        section("V1", "EL84", "pentode", {"grid": "V1.grid", "screen": "HT", "anode": "V1.anode"}, "chassis")
    )
    circuit = Circuit(b.network())
    gas = np.geomspace(1e-5, 3e-3, 60)
    stack = circuit.with_slots(rows=len(gas))
    stack[:, circuit.slot("V1.pentode", "gas")] = gas
    grid = circuit.solve(stack).require().volts[:, circuit.point("V1.grid")]
    low = grid < -3.0
    assert low[0]
    assert not low[-1]
    # one change of state, upwards, and only there a jump
    assert np.count_nonzero(np.diff(low)) == 1
    edge = int(np.flatnonzero(np.diff(low))[0])
    assert (np.diff(grid) > 0.0).all()
    # the same by walking the gas up in hundredths, each from the one before
    x = None
    walked = []
    for g in np.geomspace(1e-5, gas[edge], 200):
        one = circuit.solve(circuit.with_slots({("V1.pentode", "gas"): g}), start=x).require()
        x = one
        walked.append(one.volts[0, circuit.point("V1.grid")])
    assert walked[-1] == pytest.approx(grid[edge], abs=1e-3)


def test_battery_volts_may_be_of_either_sign():
    for volts in (250.0, -250.0):
        circuit = Circuit(triode_stage_network(volts))
        assert circuit.solve(circuit.with_slots()).certified.all()
