"""Valve stages, detector loads and a leaky coupling capacitor against published figures.

Nothing is worked out by formula here: the valve law, the solver and its slopes give every figure. Every case names
its source in ``data/audio.toml``, beside the figures.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from hetwright.circuit.network import Battery, Network, Resistance, ValveSection
from hetwright.circuit.sensitivity import source_ohms, volts_slopes
from hetwright.circuit.solver import Circuit
from hetwright.valves.catalogue import find
from hetwright.valves.law import ValveState, currents
from hetwright.valves.laws import law_of

DATA = tomllib.loads((Path(__file__).parent / "data" / "audio.toml").read_text(encoding="utf-8"))
ENTRIES = {entry["id"]: entry for entry in DATA["entry"]}

NO_INSULATION_OHMS = 1e15  # the examples have none; the points still may not float
STIFF_OHMS = 1e-3  # the batteries of the examples have no resistance


def figures(name):
    entry = ENTRIES[name]
    return entry.get("inputs", {}), entry["expected"], entry["tolerance"].get("rel")


def plain_triode(mu, perveance):
    """Constants of a textbook triode: one mu, a sharp foot, no contact potential, no saturation in reach."""
    return {
        "perveance": perveance,
        "contact_volts": 0.0,
        "foot_volts": 1e-3,
        "reference_amps": 100.0,
        "mu": mu,
        "unevenness": 0.0,
        "tail_share": 0.0,
        "tail_mu_ratio": 0.5,
        "remote_share": 0.0,
        "remote_mu_ratio": 0.3,
        "grid_contact_volts": 0.0,
        "grid_foot_volts": 0.1,
        "grid_share": 1.0,
    }


def triode_of(mu, ra_ohms, anode_volts, grid_volts):
    """A textbook triode that has this ra at this point, and its anode current there."""
    drive = grid_volts + anode_volts / mu
    perveance = mu / (1.5 * ra_ohms * math.sqrt(drive))
    return plain_triode(mu, perveance), perveance * drive**1.5


def at(constants, grid_volts, anode_volts):
    law = {name: np.array([value]) for name, value in constants.items()}
    return currents("triode", law, np.array([[[grid_volts, anode_volts]]]), ValveState.book((1, 1)))


def stage(constants, *, supply_volts, load_ohms, grid_volts=0.0, cathode=None, following=None):
    """Volts of the points and the gain of a triode stage.

    ``cathode``: a resistor (ohms) that feeds back, or a battery (volts) in place of one that is bypassed.
    ``following``: ohms of the next grid leak, which carries signal and no direct current, and the anode volts it
    rests at.
    """
    elements = [
        Battery(part="HT", plus="ht", minus="chassis", volts=supply_volts, ohms=STIFF_OHMS),
        Resistance(part="RL", a="ht", b="anode", ohms=load_ohms),
        Battery(part="G", plus="grid", minus="chassis", volts=grid_volts, ohms=STIFF_OHMS),
    ]
    if isinstance(cathode, Resistance):
        elements.append(cathode)
    elif cathode is not None:
        elements.append(Battery(part="K", plus="cathode", minus="chassis", volts=cathode, ohms=STIFF_OHMS))
    if following is not None:
        leak_ohms, rest_volts = following
        elements.append(Resistance(part="RG", a="anode", b="next", ohms=leak_ohms))
        elements.append(Battery(part="N", plus="next", minus="chassis", volts=rest_volts, ohms=STIFF_OHMS))
    elements.append(
        ValveSection(
            part="V1.triode",
            valve="V1",
            shape="triode",
            constants=constants,
            electrodes={"grid": "grid", "anode": "anode"},
            cathode="chassis" if cathode is None else "cathode",
        )
    )
    circuit = Circuit(Network(elements=tuple(elements), insulation_ohms=NO_INSULATION_OHMS))
    stack = circuit.with_slots()
    solved = circuit.solve(stack).require()
    slopes = volts_slopes(circuit, solved, stack, ["anode"], ["chassis"])
    volts = {point: float(solved.volts[0, circuit.point(point)]) for point in circuit.points}
    return volts, float(slopes[0, 0, circuit.slot("G", "volts")])


def resistance_between(resistors, point, to="chassis"):
    """What the solver sees between two points of a network of resistors, (a, b, ohms) each."""
    elements = tuple(
        Resistance(part=f"R{n}", a=a, b=b, ohms=ohms) for n, (a, b, ohms) in enumerate(resistors, start=1)
    )
    circuit = Circuit(Network(elements=elements, insulation_ohms=NO_INSULATION_OHMS))
    stack = circuit.with_slots()
    return float(source_ohms(circuit, circuit.solve(stack).require(), stack, [point], [to])[0, 0])


def test_every_entry_names_its_source():
    assert all(entry["source"] and isinstance(entry["from_memory"], bool) for entry in ENTRIES.values())


def test_a_three_halves_triode_has_the_published_mu_gm_ra_and_current():
    given, expected, rel = figures("parker_smith_20_triode_law")
    # Ia = 0.004 (Va + 40 Vg)^1.5 mA
    flow = at(plain_triode(40.0, 0.004e-3 * 40.0**1.5), given["Vg_V"], given["Va_V"])
    gm, ga = flow.slopes[0, 0, 1, 0], flow.slopes[0, 0, 1, 1]
    assert flow.amps[0, 0, 1] == pytest.approx(expected["Ia_mA"] * 1e-3, rel=rel)
    assert gm == pytest.approx(expected["gm_mA_V"] * 1e-3, rel=rel)
    assert 1 / ga == pytest.approx(expected["ra_kohm"] * 1e3, rel=rel)
    assert gm / ga == pytest.approx(expected["mu"], rel=rel)


def test_perveance_gives_the_current_at_zero_grid_and_mu_the_cut_off():
    given, expected, rel = figures("schaum_7_18_perveance")
    mu = expected["mu"]
    triode = plain_triode(mu, expected["perveance_uA_V1p5"] * 1e-6 * mu**1.5)
    # a grid at zero takes a little of it: the published 15 mA is what the cathode gives
    assert at(triode, 0.0, given["Va_V"]).amps.sum() == pytest.approx(given["Ia_mA"] * 1e-3, rel=rel)
    assert at(triode, given["Vg_cutoff_V"], given["Va_V"]).amps.sum() < 1e-6
    assert at(triode, given["Vg_cutoff_V"] + 0.5, given["Va_V"]).amps.sum() > 1e-4


@pytest.mark.parametrize(
    ("name", "mu", "ra", "load", "following", "gain"),
    [
        ("bhargava_8_4_triode_gain", "mu", "ra_kohm", "RL_kohm", None, "gain"),
        ("bhargava_9_5_two_triode_stages", "mu", "ra_kohm", "RL_kohm", "Rg_kohm", "stage_gain"),
        ("schaum_7_22_load_line", "mu_used", None, "RL_kohm", None, "gain"),
        ("cathode_unbypassed_gain", "mu", "ra_kohm", "RL_kohm", None, "gain_bypassed"),
    ],
)
def test_gain_of_a_solved_triode_stage(name, mu, ra, load, following, gain):
    given, expected, rel = figures(name)
    anode_volts, grid_volts = 150.0, -1.0
    ra_ohms = 1e3 * (given[ra] if ra else expected["ra_kohm"])
    load_ohms = given[load] * 1e3
    triode, anode_amps = triode_of(given[mu], ra_ohms, anode_volts, grid_volts)
    volts, slope = stage(
        triode,
        supply_volts=anode_volts + anode_amps * load_ohms,
        load_ohms=load_ohms,
        grid_volts=grid_volts,
        following=None if following is None else (given[following] * 1e3, anode_volts),
    )
    assert volts["anode"] == pytest.approx(anode_volts, rel=1e-4)
    assert -slope == pytest.approx(expected[gain], rel=rel)


def test_an_unbypassed_cathode_resistor_halves_the_gain():
    given, expected, rel = figures("cathode_unbypassed_gain")
    load_ohms, cathode_ohms = given["RL_kohm"] * 1e3, given["Rk_kohm"] * 1e3
    triode, amps = triode_of(given["mu"], given["ra_kohm"] * 1e3, 150.0, -1.0)
    # the same working point as in the bypassed case, raised by the volts of the cathode
    raised = amps * cathode_ohms
    _, slope = stage(
        triode,
        supply_volts=150.0 + amps * load_ohms + raised,
        load_ohms=load_ohms,
        grid_volts=raised - 1.0,
        cathode=Resistance(part="RK", a="cathode", b="chassis", ohms=cathode_ohms),
    )
    assert -slope == pytest.approx(expected["gain_unbypassed"], rel=rel)


@pytest.mark.parametrize("name", ["ECC83", "12AX7"])
def test_the_catalogued_double_triode_in_its_published_stage(name):
    given, expected, rel = figures("ecc83_rc_stage")
    valve = find(name)
    shape, constants = law_of(valve, valve.plain.name)
    assert shape == "triode"
    common = {"supply_volts": given["Vb_V"], "load_ohms": given["Ra_kohm"] * 1e3}
    ohms = given["Rk_kohm"] * 1e3
    rest, _ = stage(constants, cathode=Resistance(part="RK", a="cathode", b="chassis", ohms=ohms), **common)
    assert (given["Vb_V"] - rest["anode"]) / common["load_ohms"] == pytest.approx(expected["Ia_mA"] * 1e-3, rel=rel)
    following = (given["Rg_next_kohm"] * 1e3, rest["anode"])
    _, slope = stage(constants, cathode=rest["cathode"], following=following, **common)
    assert -slope == pytest.approx(expected["gain"], rel=rel)


def test_detector_loads_and_the_depth_they_allow():
    given, expected, rel = figures("kennedy_7_3_detector_depth")
    series, load, *shunts = (kilohms * 1e3 for kilohms in given["R_kohm"])
    direct = [("diode", "top", series), ("top", "chassis", load)]
    audio = [*direct, *(("top", "chassis", ohms) for ohms in shunts)]
    direct_ohms, audio_ohms = resistance_between(direct, "diode"), resistance_between(audio, "diode")
    assert direct_ohms == pytest.approx(expected["Rdc_kohm"] * 1e3, rel=rel)
    assert audio_ohms == pytest.approx(expected["Zac_kohm"] * 1e3, rel=rel)
    assert 100 * audio_ohms / direct_ohms == pytest.approx(expected["m_max_pct"], rel=rel)


@pytest.mark.parametrize("index", [0, 1, 2])
@pytest.mark.parametrize(("slider", "key"), [(1.0, "m_max_top_pct"), (0.5, "m_max_half_pct")])
def test_a_volume_control_loaded_by_the_next_grid_leak(index, slider, key):
    given, expected, rel = figures("volume_control_loading")
    track, leak = given["pot_kohm"] * 1e3, given["grid_R_kohm"][index] * 1e3
    below = [("slider", "chassis", slider * track)]
    above = [("top", "slider", (1 - slider) * track)] if slider < 1 else []
    top = "top" if above else "slider"
    direct = resistance_between([*above, *below], top)
    audio = resistance_between([*above, *below, ("slider", "chassis", leak)], top)
    assert 100 * audio / direct == pytest.approx(expected[key][index], rel=rel)


def test_a_detector_load_shunted_by_avc_feed_and_grid_leak():
    given, expected, rel = figures("avc_loading_depth")
    load = [("top", "chassis", given["load_kohm"] * 1e3)]
    audio = [*load, *(("top", "chassis", kilohms * 1e3) for kilohms in given["shunts_kohm"])]
    depth = 100 * resistance_between(audio, "top") / resistance_between(load, "top")
    assert depth == pytest.approx(expected["m_max_pct"], rel=rel)


def test_a_control_is_a_quarter_of_its_track_at_half_resistance():
    given, expected, rel = figures("grid_leak_pot_noise_source")
    half = given["pot_kohm"] * 1e3 / 2
    track = [("driven", "slider", half), ("slider", "chassis", half), ("driven", "chassis", STIFF_OHMS)]
    assert resistance_between(track, "slider") == pytest.approx(expected["Rout_kohm"] * 1e3, rel=rel)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_a_leaky_coupling_capacitor_lifts_the_grid(index):
    given, expected, rel = figures("leaky_coupling_effect")
    elements = (
        Battery(part="HT", plus="anode", minus="chassis", volts=given["V"], ohms=STIFF_OHMS),
        Resistance(part="C1", a="anode", b="grid", ohms=given["Rleak_Mohm"][index] * 1e6, what="leak"),
        Resistance(part="R1", a="grid", b="chassis", ohms=given["Rg_kohm"] * 1e3),
    )
    circuit = Circuit(Network(elements=elements, insulation_ohms=NO_INSULATION_OHMS))
    solved = circuit.solve(circuit.with_slots()).require()
    assert solved.volts[0, circuit.point("grid")] == pytest.approx(expected["grid_V"][index], rel=rel)
