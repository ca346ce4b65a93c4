"""The valve law against rows of published manuals, resistance-coupled charts and textbook examples.

Sources are named beside each row. All manual figures are from memory unless a url is given in the catalogue.

Tolerances. Manuals give two or three figures, and the same type in two manuals differs by about 5 %; a new valve may
differ from either by 30 %. So anode current within 6 %, screen current within 15 % (it scatters most), working slope
within 10 %, and anode resistance, of which manuals print one figure or two, within a factor of 1.5. Chart gains are
rounded to whole numbers and were measured on valves of one maker: within 15 %.
"""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from hetwright.valves import catalogue
from hetwright.valves.law import SHAPES, ValveState, conversion_slope, currents
from hetwright.valves.laws import law_of
from hetwright.valves.working_point import Bench, working_points

RCA = "RCA Receiving Tube Manual"
PHILIPS = "Philips/Mullard/Valvo receiving valve data handbook"
ANODE, SCREEN, SLOPE, RESISTANCE = 0.06, 0.15, 0.10, 1.5

#: type, section, volts (grid, [screen,] anode), milliamps anode, milliamps screen, mA/V, kilohms, source
ROWS = [
    ("6V6", "tetrode", (-12.5, 250, 250), 45, 4.5, 4.1, 50, RCA),
    ("6V6", "tetrode", (-8.5, 180, 180), 29, 3.0, 3.7, 50, RCA),
    ("6V6", "tetrode", (-13, 225, 315), 34, None, 3.75, 80, RCA),
    ("EL84", "pentode", (-7.3, 250, 250), 48, 5.5, 11.3, 38, PHILIPS),
    ("EL84", "pentode", (-8.4, 250, 250), 36, 4.1, 10, 40, PHILIPS),
    ("ECC83", "triode_1", (-2, 250), 1.2, None, 1.6, 62.5, PHILIPS),
    ("ECC83", "triode_1", (-1, 100), 0.5, None, 1.25, 80, PHILIPS),
    ("6SN7GT", "triode_1", (-8, 250), 9, None, 2.6, 7.7, RCA),
    ("6SN7GT", "triode_1", (0, 90), 10, None, 3.0, 6.7, RCA),
    # the law cannot give this type 2.2 mA/V here and 3.1 mA/V at 100 V, 0 V as printed: it lies 17 % above
    ("12AU7", "triode_1", (-8.5, 250), 10.5, None, None, 7.7, RCA),
    ("6SL7GT", "triode_1", (-2, 250), 2.3, None, 1.6, 44, RCA),
    ("6SQ7", "triode", (-2, 250), 1.1, None, 1.175, 85, RCA),
    ("EBC41", "triode", (-3, 250), 1.0, None, 1.2, 58, PHILIPS),
    ("EF86", "pentode", (-2.2, 140, 250), 3.0, 0.6, 2.2, None, PHILIPS),
    ("6SJ7", "pentode", (-3, 100, 250), 3.0, 0.8, 1.65, None, RCA),
    ("6K7", "pentode", (-3, 100, 250), 7.0, 1.7, 1.45, None, RCA),
    ("6K7", "pentode", (-1, 100, 100), 9.5, 2.7, 1.65, None, RCA),
    ("6SK7", "pentode", (-3, 100, 250), 9.2, 2.6, 2.0, 800, RCA),
    ("EBF89", "pentode", (-2, 100, 250), 9.0, 2.7, 3.8, None, PHILIPS),
    ("EF41", "pentode", (-2.5, 100, 250), 6.0, 1.7, 2.2, None, PHILIPS),
    ("EF80", "pentode", (-2, 170, 170), 10, 2.5, 7.4, None, PHILIPS),
    ("DF91", "pentode", (0, 67.5, 90), 3.5, 1.4, 0.9, None, PHILIPS),
    ("ECL82", "pentode", (-16, 200, 200), 35, 7.0, 6.4, 20, PHILIPS),
    ("ECL82", "pentode", (-11.5, 170, 170), 41, 8.0, 7.5, 16, PHILIPS),
    ("ECL82", "triode", (0, 100), 3.5, None, 2.5, 28, PHILIPS),
    ("UL41", "pentode", (-9, 165, 165), 54.5, 9, 9.5, 20, PHILIPS),
    ("UL84", "pentode", (-12.5, 170, 170), 70, 5, 10, 23, PHILIPS),
    ("42", "pentode", (-16.5, 250, 250), 34, 6.5, 2.5, 80, RCA),
    ("50L6GT", "tetrode", (-7.5, 110, 110), 49, 4, 9.0, 13, RCA),
    ("6L6", "tetrode", (-14, 250, 250), 72, 5, 6.0, 22.5, RCA),
    ("EL34", "pentode", (-12.2, 250, 250), 100, 15, 11, 15, PHILIPS),
]


def _name(row) -> str:
    return f"{row[0]}-{'/'.join(f'{v:g}' for v in row[2])}"


def _law(valve: str, section: str):
    shape, constants = law_of(catalogue.find(valve), section)
    return shape, {name: np.array([value]) for name, value in constants.items()}


def _at(valve: str, section: str, volts):
    shape, constants = _law(valve, section)
    found = currents(shape, constants, np.array([[volts]], float), ValveState.book((1, 1)))
    return SHAPES[shape], found.amps[0, 0], found.slopes[0, 0]


@pytest.mark.parametrize("row", ROWS, ids=_name)
def test_working_row_of_the_manual(row):
    valve, section, volts, anode_ma, screen_ma, slope_ma_per_volt, kilohms, source = row
    assert source
    names, amps, slopes = _at(valve, section, volts)
    grid, anode = names.index("grid"), names.index("anode")
    assert 1e3 * amps[anode] == pytest.approx(anode_ma, rel=ANODE)
    if screen_ma is not None:
        assert 1e3 * amps[names.index("screen")] == pytest.approx(screen_ma, rel=SCREEN)
    if slope_ma_per_volt is not None:
        assert 1e3 * slopes[anode, grid] == pytest.approx(slope_ma_per_volt, rel=SLOPE)
    if kilohms is not None:
        ratio = 1e-3 / slopes[anode, anode] / kilohms
        assert 1.0 / RESISTANCE < ratio < RESISTANCE


#: type, section, supply volts and feed ohms by electrode, cathode ohms, milliamps anode and screen, source
SELF_BIASED = [
    ("6BA6", "pentode", {"screen": (100, 0), "anode": (250, 0)}, 68, 11.0, 4.2, RCA),
    ("6AU6", "pentode", {"screen": (150, 0), "anode": (250, 0)}, 68, 10.6, 4.3, RCA),
    ("EL84", "pentode", {"screen": (250, 0), "anode": (250, 0)}, 135, 48, 5.5, PHILIPS),
    ("UL41", "pentode", {"screen": (165, 0), "anode": (165, 0)}, 140, 54.5, 9, PHILIPS),
    # 100 k from 250 V, 1.5 k under the cathode: the chart gives the current
    ("ECC83", "triode_1", {"anode": (250, 100e3)}, 1500, 0.86, None, "Philips/Mullard ECC83 data sheet"),
    ("ECC83", "triode_1", {"anode": (250, 220e3)}, 2700, 0.48, None, "Philips/Mullard ECC83 data sheet"),
]


def _fed(shape: str, feeds, cathode_ohms: float) -> Bench:
    names = SHAPES[shape]
    volts = np.array([[float(feeds.get(name, (0.0, 0.0))[0]) for name in names]])
    ohms = np.array([[float(feeds.get(name, (0.0, 0.0))[1]) for name in names]])
    return Bench(shape, volts, ohms, np.array([float(cathode_ohms)]), np.array([math.nan]))


@pytest.mark.parametrize("row", SELF_BIASED, ids=lambda row: f"{row[0]}-{row[3]}")
def test_cathode_bias_finds_the_current_of_the_manual(row):
    valve, section, feeds, cathode_ohms, anode_ma, screen_ma, source = row
    assert source
    shape, constants = _law(valve, section)
    _, now = working_points(_fed(shape, feeds, cathode_ohms), constants)
    names = SHAPES[shape]
    # the resistor steadies the current, so that the same tolerance is easier to keep than at a fixed bias
    assert 1e3 * now.amps[0, 0, names.index("anode")] == pytest.approx(anode_ma, rel=ANODE)
    if screen_ma is not None:
        assert 1e3 * now.amps[0, 0, names.index("screen")] == pytest.approx(screen_ma, rel=SCREEN)


#: type, section, volts by electrode, oscillator grid: leak ohms and microamps, milliamps anode, screen, uA/V, source
CHANGERS = [
    ("6BE6", "heptode", {"grid": 0, "screen": 100, "anode": 250}, 20e3, 500, 2.9, 6.8, 475, RCA),
    ("6SA7", "heptode", {"grid": 0, "screen": 100, "anode": 250}, 20e3, 500, 3.5, 8.5, 450, RCA),
    (
        "6A8",
        "heptode",
        {"grid": -3, "screen": 100, "anode": 250, "oscillator_anode": 170},
        50e3,
        400,
        3.5,
        2.7,
        550,
        RCA,
    ),
    ("1R5", "heptode", {"grid": 0, "screen": 67.5, "anode": 90}, 100e3, 250, 1.6, 3.2, 300, RCA),
]


@pytest.mark.parametrize("row", CHANGERS, ids=lambda row: row[0])
def test_self_swung_frequency_changer_of_the_manual(row):
    """Currents and conversion slope at the published oscillator grid current; the sheets give separately excited
    figures as those of a self-excited stage without bias."""
    valve, section, volts, leak, microamps, anode_ma, screen_ma, microsiemens, source = row
    assert source
    shape, constants = _law(valve, section)
    names = SHAPES[shape]
    fixed = np.array([[float(volts.get(name, 0.0)) for name in names]])
    fixed[0, names.index("oscillator_grid")] = -leak * microamps * 1e-6
    bench = Bench(shape, fixed, np.zeros_like(fixed), np.zeros(1), np.array([microamps * 1e-6]))
    found, now = working_points(bench, constants)
    amps = 1e3 * now.amps[0, 0]
    # a converter's currents depend on its swing, which the manual leaves to the circuit: 10 and 15 %
    assert amps[names.index("anode")] == pytest.approx(anode_ma, rel=0.10)
    assert amps[names.index("screen")] == pytest.approx(screen_ma, rel=0.15)
    slope = conversion_slope(shape, constants, found, ValveState.book((1, 1)))[0, 0]
    assert 1e6 * slope == pytest.approx(microsiemens, rel=0.15)


def _swing(valve: str, leak: float, microamps: float, supply: float, ohms: float, anode_ma: float) -> float:
    """Peak swing of a triode oscillator at its published grid current; it draws the published anode current."""
    shape, constants = _law(valve, "triode")
    bench = Bench(
        shape,
        np.array([[-leak * microamps * 1e-6, 0.0, supply]]),
        np.array([[0.0, 0.0, ohms]]),
        np.zeros(1),
        np.array([microamps * 1e-6]),
    )
    volts, now = working_points(bench, constants)
    assert 1e3 * now.amps[0, 0, 2] == pytest.approx(anode_ma, rel=ANODE)
    return float(volts[0, 0, 1])


def test_ech81_as_frequency_changer():
    """250 V, screens 103 V, -2 V, 200 uA in 47 k: 3.25 mA, 6.7 mA, 775 uA/V; triode 4.5 mA through 33 k.

    Philips/Mullard handbook.
    """
    volts = [-2.0, -9.4, _swing("ECH81", 47e3, 200, 250, 33e3, 4.5), 103.0, 250.0]
    names, amps, _ = _at("ECH81", "heptode", volts)
    assert 1e3 * amps[names.index("anode")] == pytest.approx(3.25, rel=ANODE)
    assert 1e3 * amps[names.index("screen")] == pytest.approx(6.7, rel=SCREEN)
    shape, constants = _law("ECH81", "heptode")
    slope = conversion_slope(shape, constants, np.array([[volts]]), ValveState.book((1, 1)))[0, 0]
    assert 1e6 * slope == pytest.approx(775, rel=0.15)


def test_ech81_with_its_oscillator_stopped():
    """250 V, screens 102 V, -2 V: 6.5 mA, 3.8 mA, 2.4 mA/V (Philips/Mullard handbook)."""
    names, amps, slopes = _at("ECH81", "heptode", [-2.0, 0.0, 0.0, 102.0, 250.0])
    assert 1e3 * amps[names.index("anode")] == pytest.approx(6.5, rel=ANODE)
    assert 1e3 * amps[names.index("screen")] == pytest.approx(3.8, rel=SCREEN)
    assert 1e3 * slopes[names.index("anode"), names.index("grid")] == pytest.approx(2.4, rel=SLOPE)


def test_ech42_as_frequency_changer():
    """250 V, screens 85 V, -2 V, 350 uA in 22 k: 3.0 and 3.0 mA; triode 4.8 mA through 33 k.

    Philips/Mullard handbook.
    """
    volts = [-2.0, -7.7, _swing("ECH42", 22e3, 350, 250, 33e3, 4.8), 85.0, 250.0]
    names, amps, _ = _at("ECH42", "hexode", volts)
    assert 1e3 * amps[names.index("anode")] == pytest.approx(3.0, rel=ANODE)
    assert 1e3 * amps[names.index("screen")] == pytest.approx(3.0, rel=SCREEN)


@pytest.mark.parametrize(
    ("valve", "grid_volts", "screen_volts", "siemens", "source"),
    [
        ("6BA6", -20.0, 100.0, 40e-6, RCA),
        ("6SK7", -35.0, 100.0, 10e-6, RCA),
        ("6K7", -42.5, 100.0, 2e-6, RCA),
        ("1T4", -16.0, 67.5, 10e-6, RCA),
    ],
)
def test_remote_cutoff_slope(valve, grid_volts, screen_volts, siemens, source):
    """Far down the tail a volt of bias is a quarter of the slope: within a factor of 2.5."""
    assert source
    names, _, slopes = _at(valve, "pentode", [grid_volts, screen_volts, 250.0 if valve != "1T4" else 90.0])
    ratio = slopes[names.index("anode"), names.index("grid")] / siemens
    assert 0.4 < ratio < 2.5


#: valve, section, supply, anode load, following grid leak, cathode ohms, screen ohms, gain, source
CHART = [
    ("12AX7", "triode_1", 90, 100e3, 220e3, 4700, None, 35, f"{RCA}, charts RC-19 to RC-30"),
    ("12AX7", "triode_1", 180, 100e3, 220e3, 2000, None, 47, f"{RCA}, charts RC-19 to RC-30"),
    ("12AX7", "triode_1", 180, 100e3, 470e3, 2200, None, 52, f"{RCA}, charts RC-19 to RC-30"),
    ("ECC83", "triode_1", 200, 47e3, 150e3, 1500, None, 34, "Philips/Mullard ECC83 data sheet, AF table"),
    ("ECC83", "triode_1", 250, 100e3, 330e3, 1500, None, 54.5, "Philips/Mullard ECC83 data sheet, AF table"),
    ("ECC83", "triode_1", 300, 100e3, 330e3, 1200, None, 57, "Philips/Mullard ECC83 data sheet, AF table"),
    ("EBC41", "triode", 250, 220e3, 680e3, 1800, None, 51, "Philips EBC41 data sheet, AF table"),
    ("EBC81", "triode", 250, 100e3, 330e3, 1200, None, 43, "Philips EBC41 data sheet, AF table"),
    ("ECL82", "triode", 200, 220e3, 680e3, 2200, None, 52, "Philips/Mullard ECL82 data sheet, AF table"),
    ("6SJ7", "pentode", 300, 100e3, 100e3, 500, 350e3, 67, f"{RCA}, chart RC-14"),
    ("6SJ7", "pentode", 300, 100e3, 250e3, 530, 370e3, 98, f"{RCA}, chart RC-14"),
    ("6SJ7", "pentode", 300, 100e3, 500e3, 590, 470e3, 104, f"{RCA}, chart RC-14"),
]


def _gain(valve, section, supply, load, leak, cathode_ohms, screen_ohms) -> float:
    shape, constants = _law(valve, section)
    feeds = {"anode": (supply, load), "screen": (supply, screen_ohms or 0.0)}
    _, now = working_points(_fed(shape, feeds, cathode_ohms), constants)
    names = SHAPES[shape]
    grid, anode = names.index("grid"), names.index("anode")
    slopes = now.slopes[0, 0]
    return float(slopes[anode, grid] / (slopes[anode, anode] + 1.0 / load + 1.0 / leak))


@pytest.mark.parametrize("row", CHART, ids=lambda row: f"{row[0]}-{row[2]}V-{row[3]:g}-{row[4]:g}")
def test_gain_of_a_resistance_coupled_stage_which_is_never_fitted(row):
    *stage, gain, source = row
    assert source
    assert _gain(*stage) == pytest.approx(gain, rel=0.15)


def test_all_chart_rows_together():
    """Every published stage of the charts in ``benchmarks/data``, none of it fitted: median error within 10 %.

    The charts of 12AU7 and 6AU6 lie a good tenth below what their own characteristics give; they are counted.
    """
    folder = Path(__file__).resolve().parents[2] / "benchmarks" / "data"
    errors = []
    for name, key in (("rc_coupled_american", "row"), ("rc_coupled_european", "rc_coupled")):
        for row in tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))[key]:
            leak = row.get("following_grid_leak_ohms", row.get("next_grid_leak_ohms"))
            if "gain" not in row or leak is None:
                continue
            valve = row.get("valve", row.get("type"))
            section = next(
                s.name
                for s in catalogue.find(valve).sections
                if s.kind != "diode" and s.name.startswith(row["section"])
            )
            gain = _gain(
                valve,
                section,
                row["supply_volts"],
                row["anode_load_ohms"],
                leak,
                row["cathode_resistor_ohms"],
                row.get("screen_resistor_ohms"),
            )
            errors.append(abs(gain / row["gain"] - 1.0))
    assert len(errors) == 180
    assert float(np.median(errors)) <= 0.10


# Textbook triodes: the law with its foot and unevenness taken away is the textbook's three-halves law.

PURE = {
    "contact_volts": 0.0,
    "foot_volts": 1e-4,
    "reference_amps": 1e6,
    "unevenness": 0.0,
    "tail_share": 0.0,
    "tail_mu_ratio": 0.5,
    "remote_share": 0.0,
    "remote_mu_ratio": 0.5,
    "grid_contact_volts": 0.0,
    "grid_foot_volts": 0.1,
    "grid_share": 1.0,
}


def _pure_triode(perveance: float, mu: float, grid: float, anode: float):
    constants = {name: np.array([value]) for name, value in {**PURE, "perveance": perveance, "mu": mu}.items()}
    found = currents("triode", constants, np.array([[[grid, anode]]]), ValveState.book((1, 1)))
    return float(found.amps[0, 0, 1]), found.slopes[0, 0]


def test_textbook_triode_law():
    """Ia = 0.004 (Va + 40 Vg)^1.5 mA at 250 V, -3 V: mu 40, 2.74 mA/V, 14.6 k.

    Parker Smith, Problems in Electrical Engineering, appendix ex. 20 p. 361 (read in a transcription of its
    solved examples). Tolerance: the book's three figures.
    """
    amps, slopes = _pure_triode(4e-6 * 40.0**1.5, 40.0, -3.0, 250.0)
    assert 1e3 * amps == pytest.approx(5.93, rel=0.005)
    assert 1e3 * slopes[1, 0] == pytest.approx(2.74, rel=0.005)
    assert 1e-3 / slopes[1, 1] == pytest.approx(14.6, rel=0.005)
    assert slopes[1, 0] / slopes[1, 1] == pytest.approx(40.0, rel=0.005)


def test_textbook_perveance():
    """15 mA at 100 V with the grid at zero, cut off at -4 V: 15 uA/V^1.5 and mu 25.

    Cathey (Schaum), Electronic Devices and Circuits, ex. 7.18 p. 219 (read in a transcription of its solved
    examples). Tolerance: the book's three figures, and what the grid at zero takes.
    """
    perveance = 15e-6 * 25.0**1.5  # referred to the grid
    amps, _ = _pure_triode(perveance, 25.0, 0.0, 100.0)
    assert 1e3 * amps == pytest.approx(15.0, rel=0.005)
    assert _pure_triode(perveance, 25.0, -4.1, 100.0)[0] < 1e-9
    assert _pure_triode(perveance, 25.0, -3.9, 100.0)[0] > 1e-5


def test_textbook_load_line():
    """300 V, 11.6 k, triode of 4.86 k and 4.5 mA/V about its working point: gain 15.4, by the load line 17.

    Cathey (Schaum), ex. 7.22 p. 220 (read in a transcription). The two answers of the book differ by 10 %, which is
    the tolerance of a hand load line: 6SN7 sections in parallel come to the same slope and resistance.
    """
    mu, anode_ohms, load = 21.87, 4857.0, 11.6e3
    amps_at, bias = 12e-3, -4.0
    # the three-halves triode through that point: U = 1.5 Ia / gm, and Va from U
    drive = 1.5 * amps_at / 4.5e-3
    anode_volts = mu * (drive - bias)
    amps, slopes = _pure_triode(amps_at / drive**1.5, mu, bias, anode_volts)
    assert 1e-3 / slopes[1, 1] == pytest.approx(anode_ohms / 1e3, rel=0.01)
    gain = slopes[1, 0] / (slopes[1, 1] + 1.0 / load)
    assert amps == pytest.approx(amps_at, rel=0.005)
    assert gain == pytest.approx(15.4, rel=0.02)
    # swung 4 V peak to peak along the load line as the book does it
    swing = []
    supply = anode_volts + amps * load
    for grid in (bias - 2.0, bias + 2.0):
        volts = anode_volts
        for _ in range(60):
            found, s = _pure_triode(amps_at / drive**1.5, mu, grid, volts)
            volts -= (volts - supply + load * found) / (1.0 + load * s[1, 1])
        swing.append(volts)
    assert (swing[0] - swing[1]) / 4.0 == pytest.approx(17.0, rel=0.10)


def test_rectifier_drop_and_direct_volts():
    """EZ81 drops 20 V at 150 mA; 350 V a.c., 240 ohms an anode, 50 uF, 150 mA give 347 V (Philips/Mullard handbook).

    Direct volts within 8 %: ripple is taken as small, and the row's transformer is not the reader's.
    """
    from hetwright.valves.rectifying import reservoir_volts

    _, constants = law_of(catalogue.find("EZ81"), "diode_1")
    _, amps, _ = _at("EZ81", "diode_1", [20.0])
    assert 1e3 * amps[0] == pytest.approx(150.0, rel=0.01)
    assert reservoir_volts(constants, 350.0, 240.0, 0.15, 2) == pytest.approx(347.0, rel=0.08)
