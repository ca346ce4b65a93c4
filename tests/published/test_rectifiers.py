"""The supply port against published outputs of rectifiers with a reservoir.

Every case names its source in ``data/rectifiers.toml``. The 1943 curves are recomputed there from the circuit
they describe (sine, series resistance, ideal rectifier, reservoir, resistive load), by a method not this
project's.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from hetwright.circuit.network import Supply
from hetwright.supply.port import port_volts, ripple_volts

DATA = tomllib.loads((Path(__file__).parent / "data" / "rectifiers.toml").read_text(encoding="utf-8"))
ENTRIES = {entry["id"]: entry for entry in DATA["entry"]}

#: Drop of one anode at its current (V, A) that the entries' own recomputation takes; 6X4: RCA sheet, 22 V at 70 mA;
#: 5Y3-GT: RCA sheet, 60 V at 125 mA; EZ80: 22 V at 90 mA, see the entries' notes.
DROPS = {"6x4_typical": (22.0, 0.070), "5y3_typical": (60.0, 0.125)}
EZ80_DROP = (22.0, 0.090)


def supply(kind: str, rms: float, hertz: float, perveance: float = 0.0, drop: float = 1e-9) -> Supply:
    return Supply(
        part="T1",
        plus="HT1",
        minus="chassis",
        kind=kind,
        rectifier="valve" if perveance else "silicon",
        rms_volts=rms,
        hertz=hertz,
        winding_ohms=0.0,
        reservoir_farads=0.0,
        perveance=perveance,
        drop_volts=drop,
    )


def parameters(ohms: float, farads: float, rows: int = 1) -> np.ndarray:
    return np.tile(np.array([[1.0], [ohms], [1.0], [1.0], [farads]]), (1, rows))


CURVES = [
    (name, number, kind)
    for name in ENTRIES
    for kind in ("two-anode", "half-wave")
    if name.startswith("schade_" + {"two-anode": "fullwave", "half-wave": "halfwave"}[kind])
    for number in range(len(ENTRIES[name]["inputs"]["wCR"]))
]


@pytest.mark.parametrize(("name", "number", "kind"), CURVES)
def test_capacitor_input_curves(name, number, kind):
    entry = ENTRIES[name]
    load = 2000.0
    peak, hertz = 300.0, 50.0
    ohms = entry["inputs"]["Rs_over_R_pct"] / 100.0 * load
    farads = entry["inputs"]["wCR"][number] / (2.0 * np.pi * hertz * load)
    share = entry["expected"]["Vdc_over_Vpeak"][number]
    port = supply(kind, peak / np.sqrt(2.0), hertz)
    # a silicon arm brings 0.2 ohm of its own
    p = parameters(ohms - 0.2, farads)
    volts = port_volts(port, np.array([share * peak / load]), p).volts[0]
    assert volts / peak == pytest.approx(share, rel=entry["tolerance"]["rel"])
    first, second = ripple_volts(port, np.array([share * peak / load]), p)[:, 0]
    # the published ripple is the r.m.s. of all harmonics: the first two are nearly all of it, never more
    rms = np.hypot(first, second) / np.sqrt(2.0) / (share * peak) * 100.0
    assert rms <= 1.02 * entry["expected"]["ripple_rms_pct"][number]
    assert rms >= 0.80 * entry["expected"]["ripple_rms_pct"][number]


@pytest.mark.parametrize("number", range(5))
@pytest.mark.parametrize("kind", ["full_wave", "half_wave"])
def test_very_large_reservoir(kind, number):
    entry = ENTRIES["schade_infinite_C_exact"]
    load, peak = 5000.0, 300.0
    ohms = entry["inputs"]["Rs_over_R"][number] * load
    share = entry["expected"][kind][number]
    port = supply("two-anode" if kind == "full_wave" else "half-wave", peak / np.sqrt(2.0), 50.0)
    volts = port_volts(port, np.array([share * peak / load]), parameters(ohms - 0.2, 1.0)).volts[0]
    assert volts / peak == pytest.approx(share, rel=entry["tolerance"]["rel"])


@pytest.mark.parametrize("name", [name for name in ENTRIES if name.startswith("ez80")])
def test_ez80_output(name):
    entry = ENTRIES[name]
    given = entry["inputs"]
    drop, amps = EZ80_DROP
    port = supply("two-anode", given["secondary_rms_per_anode_V"], given["f_Hz"], amps / drop**1.5)
    p = parameters(given["series_R_per_anode_ohm"], given["C_uF"] * 1e-6)
    volts = port_volts(port, np.array([given["I_mA"] * 1e-3]), p).volts[0]
    assert volts == pytest.approx(entry["expected"]["Vdc_V"], rel=entry["tolerance"]["rel"])


@pytest.mark.parametrize("name", list(DROPS))
def test_american_rectifier_output(name):
    entry = ENTRIES[name]
    given = entry["inputs"]
    drop, amps = DROPS[name]
    port = supply("two-anode", given["rms_per_plate_V"], given["f_Hz"], amps / drop**1.5)
    loads = np.atleast_1d(np.array(given["I_mA"])) * 1e-3
    volts = port_volts(port, loads, parameters(given["Rs_ohm"], given["C_uF"] * 1e-6, len(loads))).volts
    assert volts == pytest.approx(np.atleast_1d(np.array(entry["expected"]["Vdc_V"])), rel=entry["tolerance"]["rel"])


def test_every_entry_names_its_source():
    assert all(entry["source"] and isinstance(entry["from_memory"], bool) for entry in ENTRIES.values())
