"""The catalogue against published figures of well-known types.

Every figure is that of the handbook named beside it, as recalled ("from memory"). ``pins`` gives the point on each
pin, heater pins as "heater".
"""

import pytest

from hetwright.valves.catalogue import find

RCA = "RCA Receiving Tube Manual RC-19 (1959), from memory"
RCA14 = "RCA Receiving Tube Manual RC-14 (1940), from memory"
PHILIPS = "Philips/Mullard receiving valve data handbook, from memory"
GE = "General Electric 12AX7 data sheet ET-T509, from memory"

# type, heater volts, amps, pins, section, limits, source
PUBLISHED = [
    (
        "12AX7",
        (6.3, 0.3),
        {
            "1": "triode_2_anode",
            "2": "triode_2_grid",
            "3": "triode_2_cathode",
            "4": "heater",
            "5": "heater",
            "6": "anode",
            "7": "grid",
            "8": "cathode",
        },
        "triode_1",
        {"anode_volts": 300, "anode_watts": 1.0},
        GE,
    ),
    (
        "EL84",
        (6.3, 0.76),
        {"2": "grid", "3": "cathode", "4": "heater", "5": "heater", "7": "anode", "9": "screen"},
        "pentode",
        {"anode_volts": 300, "screen_volts": 300, "anode_watts": 12, "screen_watts": 2},
        PHILIPS,
    ),
    (
        "ECH81",
        (6.3, 0.3),
        {
            "1": "screen",
            "2": "grid",
            "3": "cathode",
            "4": "heater",
            "5": "heater",
            "6": "anode",
            "7": "injection",
            "8": "triode_anode",
            "9": "triode_grid",
        },
        "heptode",
        {"anode_volts": 300, "anode_watts": 1.7, "screen_watts": 1.0},
        PHILIPS,
    ),
    (
        "EBF89",
        (6.3, 0.3),
        {
            "1": "screen",
            "2": "grid",
            "3": "cathode",
            "4": "heater",
            "5": "heater",
            "6": "anode",
            "7": "diode_2_anode",
            "8": "diode_1_anode",
            "9": "suppressor",
        },
        "pentode",
        {"anode_volts": 300, "anode_watts": 2.25},
        PHILIPS,
    ),
    (
        "EABC80",
        (6.3, 0.45),
        {
            "1": "diode_3_anode",
            "2": "diode_2_anode",
            "3": "diode_2_cathode",
            "4": "heater",
            "5": "heater",
            "6": "diode_1_anode",
            "7": "cathode",
            "8": "grid",
            "9": "anode",
        },
        "triode",
        {"anode_volts": 300, "anode_watts": 1.0},
        PHILIPS,
    ),
    (
        "EF86",
        (6.3, 0.2),
        {"1": "screen", "3": "cathode", "4": "heater", "5": "heater", "6": "anode", "8": "suppressor", "9": "grid"},
        "pentode",
        {"anode_volts": 300, "screen_volts": 200, "anode_watts": 1.0, "screen_watts": 0.2},
        PHILIPS,
    ),
    (
        "EL34",
        (6.3, 1.5),
        {"1": "suppressor", "2": "heater", "3": "anode", "4": "screen", "5": "grid", "7": "heater", "8": "cathode"},
        "pentode",
        {"anode_volts": 800, "anode_watts": 25, "screen_watts": 8},
        PHILIPS,
    ),
    (
        "ECL82",
        (6.3, 0.78),
        {
            "1": "triode_grid",
            "2": "cathode",
            "3": "grid",
            "4": "heater",
            "5": "heater",
            "6": "anode",
            "7": "screen",
            "8": "triode_cathode",
            "9": "triode_anode",
        },
        "pentode",
        {"anode_watts": 7.0},
        PHILIPS,
    ),
    (
        "6V6GT",
        (6.3, 0.45),
        {"2": "heater", "3": "anode", "4": "screen", "5": "grid", "7": "heater", "8": "cathode"},
        "tetrode",
        {"anode_volts": 315, "screen_volts": 285, "anode_watts": 12, "screen_watts": 2},
        RCA,
    ),
    (
        "6SN7GT",
        (6.3, 0.6),
        {
            "1": "triode_2_grid",
            "2": "triode_2_anode",
            "3": "triode_2_cathode",
            "4": "grid",
            "5": "anode",
            "6": "cathode",
            "7": "heater",
            "8": "heater",
        },
        "triode_1",
        {"anode_volts": 300, "anode_watts": 2.5},
        RCA,
    ),
    (
        "6BE6",
        (6.3, 0.3),
        {
            "1": "oscillator_grid",
            "2": "cathode",
            "3": "heater",
            "4": "heater",
            "5": "anode",
            "6": "screen",
            "7": "grid",
        },
        "heptode",
        {"anode_volts": 300, "screen_volts": 100, "anode_watts": 1.0, "screen_watts": 1.0},
        RCA,
    ),
    (
        "6BA6",
        (6.3, 0.3),
        {"1": "grid", "2": "suppressor", "3": "heater", "4": "heater", "5": "anode", "6": "screen", "7": "cathode"},
        "pentode",
        {"anode_volts": 300, "anode_watts": 3.0, "screen_watts": 0.6},
        RCA,
    ),
    (
        "6AT6",
        (6.3, 0.3),
        {
            "1": "grid",
            "2": "cathode",
            "3": "heater",
            "4": "heater",
            "5": "diode_2_anode",
            "6": "diode_1_anode",
            "7": "anode",
        },
        "triode",
        {"anode_volts": 300, "anode_watts": 0.5},
        RCA,
    ),
    (
        "6AQ5",
        (6.3, 0.45),
        {"1": "grid", "2": "cathode", "3": "heater", "4": "heater", "5": "anode", "6": "screen", "7": "grid"},
        "tetrode",
        {"anode_volts": 250, "screen_volts": 250, "anode_watts": 12, "screen_watts": 2},
        RCA,
    ),
    (
        "12SK7",
        (12.6, 0.15),
        {"2": "heater", "3": "suppressor", "4": "grid", "5": "cathode", "6": "screen", "7": "heater", "8": "anode"},
        "pentode",
        {"anode_volts": 300, "anode_watts": 4.0, "screen_watts": 0.4},
        RCA,
    ),
    (
        "12SQ7",
        (12.6, 0.15),
        {
            "2": "grid",
            "3": "cathode",
            "4": "diode_2_anode",
            "5": "diode_1_anode",
            "6": "anode",
            "7": "heater",
            "8": "heater",
        },
        "triode",
        {"anode_volts": 300},
        RCA,
    ),
    (
        "12SA7",
        (12.6, 0.15),
        {
            "2": "heater",
            "3": "anode",
            "4": "screen",
            "5": "oscillator_grid",
            "6": "cathode",
            "7": "heater",
            "8": "grid",
        },
        "heptode",
        {"anode_volts": 300, "screen_volts": 100, "anode_watts": 1.0, "screen_watts": 1.0},
        RCA,
    ),
    (
        "50L6GT",
        (50, 0.15),
        {"2": "heater", "3": "anode", "4": "screen", "5": "grid", "7": "heater", "8": "cathode"},
        "tetrode",
        {"anode_volts": 200, "screen_volts": 125, "anode_watts": 10},
        RCA,
    ),
    (
        "6K7",
        (6.3, 0.3),
        {
            "2": "heater",
            "3": "anode",
            "4": "screen",
            "5": "suppressor",
            "7": "heater",
            "8": "cathode",
            "cap": "grid",
        },
        "pentode",
        {"anode_volts": 300, "screen_volts": 125, "anode_watts": 2.75, "screen_watts": 0.35},
        RCA14,
    ),
    (
        "6A8",
        (6.3, 0.3),
        {
            "2": "heater",
            "3": "anode",
            "4": "screen",
            "5": "oscillator_grid",
            "6": "oscillator_anode",
            "7": "heater",
            "8": "cathode",
            "cap": "grid",
        },
        "heptode",
        {"anode_volts": 300, "screen_volts": 100, "anode_watts": 1.0, "screen_watts": 0.3},
        RCA14,
    ),
    (
        "3V4",
        (1.4, 0.1),
        {"2": "anode", "3": "screen", "5": "cathode", "6": "grid"},
        "pentode",
        {"anode_volts": 90, "screen_volts": 90},
        RCA,
    ),
    (
        "ECH42",
        (6.3, 0.23),
        {
            "1": "heater",
            "2": "anode",
            "3": "triode_anode",
            "4": "triode_grid",
            "5": "screen",
            "6": "grid",
            "7": "cathode",
            "8": "heater",
        },
        "hexode",
        {"anode_volts": 300, "anode_watts": 1.5},
        PHILIPS,
    ),
    (
        "36",
        (6.3, 0.3),
        {"1": "heater", "2": "anode", "3": "screen", "4": "cathode", "5": "heater", "cap": "grid"},
        "tetrode",
        {"anode_volts": 250, "screen_volts": 90},
        RCA14,
    ),
]

# type, heater volts, amps, pins, r.m.s. volts per anode, output amps, source
RECTIFIERS = [
    (
        "EZ80",
        (6.3, 0.6),
        {"1": "anode_1", "3": "cathode", "4": "heater", "5": "heater", "7": "anode_2"},
        350,
        0.090,
        PHILIPS,
    ),
    (
        "EZ81",
        (6.3, 1.0),
        {"1": "anode_1", "3": "cathode", "4": "heater", "5": "heater", "7": "anode_2"},
        350,
        0.150,
        PHILIPS,
    ),
    ("GZ34", (5.0, 1.9), {"2": "heater", "4": "anode_2", "6": "anode_1", "8": "cathode"}, 550, 0.250, PHILIPS),
    ("5Y3GT", (5.0, 2.0), {"2": "heater", "4": "anode_2", "6": "anode_1", "8": "cathode"}, 350, 0.125, RCA),
    (
        "6X4",
        (6.3, 0.6),
        {"1": "anode_2", "3": "heater", "4": "heater", "6": "anode_1", "7": "cathode"},
        325,
        0.070,
        RCA,
    ),
    (
        "35Z5GT",
        (35, 0.15),
        {"2": "heater", "3": "heater_tap", "5": "anode", "7": "heater", "8": "cathode"},
        235,
        0.100,
        RCA,
    ),
    ("UY85", (38, 0.1), {"3": "cathode", "4": "heater", "5": "heater", "9": "anode"}, 250, 0.110, PHILIPS),
]


def ends(valve, pin):
    """What may be written of a pin: its points, and the heater."""
    return {valve.points.get(end, end) for end in valve.pins[pin]}


@pytest.mark.parametrize(("name", "heater", "pins", "section", "limits", "source"), PUBLISHED)
def test_valve(name, heater, pins, section, limits, source):
    valve = find(name)
    assert (valve.heater.volts, valve.heater.amps) == heater, source
    assert {pin: point for pin, point in pins.items() if point not in ends(valve, pin)} == {}, source
    known = valve.section(section).limits
    assert {key: known.get(key) for key in limits} == limits, source


@pytest.mark.parametrize(("name", "heater", "pins", "volts", "amps", "source"), RECTIFIERS)
def test_rectifier(name, heater, pins, volts, amps, source):
    valve = find(name)
    assert (valve.heater.volts, valve.heater.amps) == heater, source
    assert {pin: point for pin, point in pins.items() if point not in ends(valve, pin)} == {}, source
    assert valve.limits["ac_volts_per_anode"] == volts, source
    assert valve.limits["output_amps"] == pytest.approx(amps), source


@pytest.mark.parametrize(
    ("american", "other", "source"),
    [
        ("6BQ5", "EL84", "European and American equivalents, " + PHILIPS),
        ("12AX7", "ECC83", PHILIPS),
        ("12AU7", "ECC82", PHILIPS),
        ("12AT7", "ECC81", PHILIPS),
        ("6BE6", "EK90", PHILIPS),
        ("6BA6", "EF93", PHILIPS),
        ("6AQ5", "EL90", PHILIPS),
        ("6X4", "EZ90", PHILIPS),
        ("6AL5", "EB91", PHILIPS),
        ("1R5", "DK91", PHILIPS),
        ("1T4", "DF91", PHILIPS),
        ("1S5", "DAF91", PHILIPS),
        ("3S4", "DL92", PHILIPS),
        ("3V4", "DL94", PHILIPS),
        ("6AJ8", "ECH81", PHILIPS),
        ("6CA7", "EL34", PHILIPS),
        ("5AR4", "GZ34", PHILIPS),
        ("EL84", "N709", "Marconi-Osram list of equivalents, from memory"),
        ("6H6G", "D63", "Marconi-Osram list of equivalents, from memory"),
        ("6L7G", "X64", "Marconi-Osram list of equivalents, from memory"),
        ("6J7G", "Z63", "Marconi-Osram list of equivalents, from memory"),
        ("ECC83", "CV4004", "British services' list of common valves, from memory"),
        ("EF91", "CV138", "British services' list of common valves, from memory"),
    ],
)
def test_equivalents_are_one_valve(american, other, source):
    assert find(american) is find(other), source


@pytest.mark.parametrize(
    ("valves", "amps", "volts", "source"),
    [
        (
            ["12SA7", "12SK7", "12SQ7", "50L6GT", "35Z5GT"],
            0.15,
            122.8,
            "American five-valve AC/DC line-up straight across 117 V mains, common practice",
        ),
        (
            ["12BE6", "12BA6", "12AV6", "50C5", "35W4"],
            0.15,
            122.8,
            "miniature five-valve AC/DC line-up straight across 117 V mains, common practice",
        ),
        (
            ["UCH42", "UF41", "UBC41", "UL41", "UY41"],
            0.1,
            116.6,
            "rimlock 100 mA line-up, made to sit straight across 110 to 127 V mains, common practice",
        ),
    ],
)
def test_series_chains_add_up(valves, amps, volts, source):
    """All heaters of a series chain take the same current, and their volts make up the mains."""
    chain = [find(name).heater for name in valves]
    assert {heater.amps for heater in chain} == {amps}, source
    assert sum(heater.volts for heater in chain) == pytest.approx(volts), source


@pytest.mark.parametrize(
    ("name", "volts", "row", "source"),
    [
        ("12AX7", 250, {"grid_volts": -2, "anode_amps": 1.2e-3, "gm_siemens": 1.6e-3, "mu": 100}, GE),
        ("6V6GT", 250, {"grid_volts": -12.5, "anode_amps": 45e-3, "screen_amps": 4.5e-3, "load_ohms": 5000}, RCA),
        ("EL84", 250, {"cathode_resistor_ohms": 135, "anode_amps": 48e-3, "screen_amps": 5.5e-3}, PHILIPS),
        ("6SN7GT", 250, {"grid_volts": -8, "anode_amps": 9e-3, "gm_siemens": 2.6e-3, "ra_ohms": 7700}, RCA),
        ("EF86", 250, {"screen_volts": 140, "grid_volts": -2, "anode_amps": 3e-3, "screen_amps": 0.6e-3}, PHILIPS),
        ("12SG7", 250, {"screen_volts": 125, "grid_volts": -1, "anode_amps": 11.8e-3, "gm_siemens": 4.7e-3}, RCA),
        (
            "KT66",
            250,
            {"grid_volts": -15, "anode_amps": 85e-3, "screen_amps": 6.3e-3},
            "Osram valve manual, from memory",
        ),
        (
            "1L6",
            90,
            {"anode_amps": 0.5e-3, "screen_amps": 0.6e-3, "conversion_gm_siemens": 300e-6},
            "Sylvania manual",
        ),
    ],
)
def test_rows(name, volts, row, source):
    valve = find(name)
    found = [r.figures for r in valve.rows_of(valve.plain.name) if r.get("anode_volts") == volts]
    assert any(all(figures.get(key) == pytest.approx(value) for key, value in row.items()) for figures in found), (
        source
    )
