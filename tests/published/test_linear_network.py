"""Linear networks against independent general-purpose libraries.

Resistance between points of random networks: ``networkx.resistance_distance`` (effective resistance of a
weighted graph; Klein and Randić, J. Math. Chem. 12 (1993) 81-95). Volts with batteries: a plain nodal matrix
solved by ``scipy.sparse.linalg.spsolve``.
"""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from hetwright.circuit.cold import cold_ohms
from hetwright.circuit.network import Battery, Inductance, Network, Resistance
from hetwright.circuit.sensitivity import source_ohms
from hetwright.circuit.solver import Circuit

#: So high that it is nothing beside the resistances of the checks.
INSULATION = 1e15


@st.composite
def resistor_networks(draw):
    size = draw(st.integers(2, 10))
    exponent = st.floats(-1.0, 6.0)
    # a tree first, so that every point is joined
    edges = [(n, draw(st.integers(0, n - 1)), 10.0 ** draw(exponent)) for n in range(1, size)]
    more = draw(st.lists(st.tuples(st.integers(0, size - 1), st.integers(0, size - 1), exponent), max_size=12))
    edges += [(a, b, 10.0**e) for a, b, e in more if a != b]
    return size, edges


def names(n: int) -> str:
    return "chassis" if n == 0 else f"p{n}"


def network_of(edges, *more) -> Network:
    return Network(
        elements=(
            *(Resistance(part=f"R{k}", a=names(a), b=names(b), ohms=ohms) for k, (a, b, ohms) in enumerate(edges)),
            *more,
        ),
        insulation_ohms=INSULATION,
    )


@settings(deadline=None)
@given(resistor_networks())
def test_cold_resistance_between_any_two_points(case):
    size, edges = case
    circuit = Circuit(network_of(edges))
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(size))
    for a, b, ohms in edges:
        graph.add_edge(a, b, ohms=ohms)
    pairs = [(a, b) for a in range(size) for b in range(size) if a < b]
    found = cold_ohms(circuit, circuit.with_slots(), [(names(a), names(b)) for a, b in pairs])[0]
    expected = [nx.resistance_distance(graph, a, b, weight="ohms", invert_weight=True) for a, b in pairs]
    assert found == pytest.approx(expected, rel=1e-6)


@settings(deadline=None)
@given(resistor_networks(), st.lists(st.floats(-300.0, 300.0), min_size=1, max_size=3))
def test_volts_and_source_resistance_with_batteries(case, batteries):
    size, edges = case
    cells = [
        Battery(part=f"B{k}", plus=names(1 + k % (size - 1)), minus="chassis", volts=volts, ohms=10.0 * (k + 1))
        for k, volts in enumerate(batteries)
    ]
    circuit = Circuit(network_of(edges, *cells))
    stack = circuit.with_slots()
    found = circuit.solve(stack).require()

    matrix, right = lil_matrix((size, size)), np.zeros(size)
    for a, b, ohms in edges:
        for p, q in ((a, b), (b, a)):
            matrix[p, p] += 1.0 / ohms
            matrix[p, q] -= 1.0 / ohms
    for k, volts in enumerate(batteries):
        p, ohms = 1 + k % (size - 1), 10.0 * (k + 1)
        matrix[p, p] += 1.0 / ohms
        right[p] += volts / ohms
    inner = matrix.tocsc()[1:, 1:]
    expected = np.atleast_1d(spsolve(inner, right[1:]))
    points = [names(n) for n in range(1, size)]
    order = [circuit.point(p) for p in points]
    assert found.volts[0, order] == pytest.approx(expected, rel=1e-6, abs=1e-6)
    source = source_ohms(circuit, found, stack, points, ["chassis"] * len(points))[0]
    assert source == pytest.approx(np.diag(np.linalg.inv(inner.toarray())), rel=1e-6)


def test_the_cube_of_twelve_resistors():
    # across a body diagonal 5/6 R, a face diagonal 3/4 R, an edge 7/12 R (a classic of the textbooks)
    corners = [(a, b) for a in range(8) for b in range(8) if a < b and bin(a ^ b).count("1") == 1]
    circuit = Circuit(network_of([(a, b, 1000.0) for a, b in corners]))
    found = cold_ohms(circuit, circuit.with_slots(), [("chassis", "p7"), ("chassis", "p3"), ("chassis", "p1")])[0]
    assert found == pytest.approx([5000.0 / 6.0, 750.0, 7000.0 / 12.0], rel=1e-6)


def test_windings_are_their_resistance_to_direct_current():
    network = Network(
        elements=(
            Inductance(part="L1", a="x", b="y", ohms=30.0, henries=10.0),
            Resistance(part="R1", a="x", b="y", ohms=60.0),
        ),
        insulation_ohms=INSULATION,
    )
    circuit = Circuit(network)
    assert cold_ohms(circuit, circuit.with_slots(), [("x", "y")])[0, 0] == pytest.approx(20.0)
