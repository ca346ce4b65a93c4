"""Working points against ``scipy.optimize`` on the same laws, the equations written out anew."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq, root

from hetwright.circuit.network import Battery, Capacitance, Network, Resistance, Supply, ValveSection
from hetwright.circuit.solver import Circuit
from hetwright.supply.port import port_volts
from hetwright.valves import law
from hetwright.valves.catalogue import find
from hetwright.valves.laws import law_of


def valve(ref: str, name: str, section: str, electrodes: dict[str, str], cathode: str) -> ValveSection:
    shape, constants = law_of(find(name), section)
    return ValveSection(
        part=f"{ref}.{section}", valve=ref, shape=shape, constants=constants, electrodes=electrodes, cathode=cathode
    )


def amps(section: ValveSection, *volts: float) -> np.ndarray:
    constants = {name: np.array([value]) for name, value in section.constants.items()}
    return law.currents(section.shape, constants, np.array([[volts]]), law.ValveState.book((1, 1))).amps[0, 0]


@pytest.mark.parametrize("anode_ohms", [47e3, 100e3, 220e3])
@pytest.mark.parametrize("cathode_ohms", [820.0, 1500.0, 3300.0])
@pytest.mark.parametrize("supply", [100.0, 250.0])
def test_a_triode_stage_by_bisection(supply, anode_ohms, cathode_ohms):
    triode = valve("V1", "ECC83", "triode_1", {"grid": "chassis", "anode": "anode"}, "cathode")
    circuit = Circuit(
        Network(
            elements=(
                Battery(part="B", plus="ht", minus="chassis", volts=supply, ohms=1e-3),
                Resistance(part="Ra", a="ht", b="anode", ohms=anode_ohms),
                Resistance(part="Rk", a="cathode", b="chassis", ohms=cathode_ohms),
                triode,
            ),
            insulation_ohms=1e13,
        )
    )
    found = circuit.solve(circuit.with_slots()).require().volts[0]

    # the anode volts at which load line and valve meet, for a given cathode; then the cathode that carries both
    # currents
    def anode_at(cathode: float) -> float:
        return brentq(
            lambda anode: amps(triode, -cathode, anode - cathode)[1] - (supply - anode) / anode_ohms,
            cathode - 5.0,
            supply + 5.0,
            xtol=1e-11,
        )

    def excess(cathode: float) -> float:
        return amps(triode, -cathode, anode_at(cathode) - cathode).sum() - cathode / cathode_ohms

    cathode = brentq(excess, -1.0, 20.0, xtol=1e-12)
    assert found[circuit.point("cathode")] == pytest.approx(cathode, rel=1e-5)
    assert found[circuit.point("anode")] == pytest.approx(anode_at(cathode), rel=1e-5)


def test_an_output_stage_on_its_supply_by_a_general_root_finder():
    pentode = valve("V1", "EL84", "pentode", {"grid": "grid", "screen": "ht2", "anode": "anode"}, "cathode")
    supply = Supply(
        part="T1",
        plus="ht1",
        minus="chassis",
        kind="two-anode",
        rectifier="valve",
        rms_volts=250.0,
        hertz=50.0,
        winding_ohms=200.0,
        reservoir_farads=32e-6,
        perveance=9e-4,
    )
    leak = 1e-7
    circuit = Circuit(
        Network(
            elements=(
                supply,
                Resistance(part="Rs", a="ht1", b="ht2", ohms=2200.0),
                Resistance(part="T2", a="ht1", b="anode", ohms=350.0),
                Resistance(part="Rk", a="cathode", b="chassis", ohms=150.0),
                Resistance(part="Rg", a="grid", b="chassis", ohms=680e3),
                Capacitance(part="Cc", a="ht2", b="grid", farads=1e-8, leak_siemens=leak),
                pentode,
            ),
            insulation_ohms=1e13,
        )
    )
    found = circuit.solve(circuit.with_slots()).require()
    names = ["ht1", "ht2", "anode", "cathode", "grid"]

    def equations(x: np.ndarray) -> list[float]:
        ht1, ht2, anode, cathode, grid, drawn = x
        drawn *= 1e-3  # unknown in milliamps, so that all unknowns are of one size
        grid_amps, screen_amps, anode_amps = amps(pentode, grid - cathode, ht2 - cathode, anode - cathode)
        across = ht2 - grid
        leaking = leak * across * (1.0 + (abs(across) / 150.0) ** 1.5)
        smoothing = (ht1 - ht2) / 2200.0
        given = port_volts(supply, np.array([drawn]), np.array([[1.0], [200.0], [1.0], [1.0], [32e-6]])).volts[0]
        return [
            1e3 * (smoothing + (ht1 - anode) / 350.0 - drawn),
            1e3 * (smoothing - screen_amps - leaking),
            1e3 * ((ht1 - anode) / 350.0 - anode_amps),
            1e3 * (cathode / 150.0 - grid_amps - screen_amps - anode_amps),
            1e6 * (grid / 680e3 + grid_amps - leaking),
            ht1 - given,
        ]

    solution = root(equations, [300.0, 280.0, 290.0, 7.0, 0.5, 50.0], method="hybr", tol=1e-12)
    assert solution.success, solution.message
    assert found.volts[0, [circuit.point(n) for n in names]] == pytest.approx(solution.x[:5], rel=1e-5, abs=1e-4)
    assert found.extra[0, 0] == pytest.approx(solution.x[5] * 1e-3, rel=1e-5)
