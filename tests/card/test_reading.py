"""What a restorer writes becomes a set, and every mistake on the card is named with its line."""

import math
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.card import load_card, read_card
from hetwright.card.demo import demo_card
from hetwright.card.reading import LARGEST_BYTES
from hetwright.card.stated import MOST_COMPLAINTS, card_keys
from hetwright.errors import InputFault
from hetwright.safety.construction import construction_of

HEAD = """\
[set]
name = "Tarnbrook Ouzel"
mains = "230 V 50 Hz"
construction = "mains transformer, chassis isolated"
year = 1957
[valves]
V1 = "ECH81"
V2 = "EBF89"
V3 = "ECL82"
[supply]
rectifier = "bridge, silicon"
ht_secondary = "200 V"
"""
PARTS = len(HEAD.splitlines()) + 1
"""Line of [parts] when it follows the head."""


def ouzel(parts="", more=""):
    return read_card(HEAD + "[parts]\n" + parts + more, "ouzel.toml")


def faults(text, file="ouzel.toml"):
    """Lines of complaint, ``LINE: wrong; right``."""
    with pytest.raises(InputFault) as caught:
        read_card(text, file)
    found = str(caught.value).splitlines()
    assert all(line.startswith(f"{file}:") for line in found)
    return [line.removeprefix(f"{file}:") for line in found]


def part_faults(parts, more=""):
    return faults(HEAD + "[parts]\n" + parts + more)


def only(found):
    assert len(found) == 1, found
    return found[0]


# A line-up is enough ------------------------------------------------------------------------------------


def test_a_line_up_alone_makes_a_whole_set():
    card = read_card('[valves]\nV1 = "ECH81"\nV2 = "EBF89"\nV3 = "ECL82"\n')
    assert {"frequency_changer", "if_amp", "detector", "audio", "output"} <= {stage.name for stage in card.stages}
    assert all(part.value("now") is None or part.value("now").basis == "usual" for part in card.parts.values())
    assert (card.mains_rms_volts, card.mains_hertz) == (230.0, 50.0)
    assert any("mains taken as 230 V" in one for one in card.assumptions)


def test_what_the_card_says_of_the_set_is_kept():
    card = ouzel(more='[meter]\ndefault = "20k/V on 250 V"\n')
    assert (card.name, card.year, card.mains_rms_volts, card.mains_hertz) == ("Tarnbrook Ouzel", 1957, 230.0, 50.0)
    assert card.construction == "mains transformer, chassis isolated"
    assert card.supply.secondary_rms_volts.si == 200.0
    assert card.meter == "20k/V on 250 V"
    assert card.source_file == "ouzel.toml"


def test_frequency_of_the_mains_may_be_left_out_and_is_then_said_to_be_assumed():
    card = read_card(
        '[set]\nmains = "117 V"\n[valves]\nV1 = "6BE6"\nV2 = "6BA6"\nV3 = "6AT6"\nV4 = "6AQ5"\nV5 = "6X4"\n'
    )
    assert card.mains_hertz == 60.0
    assert any("60 Hz" in one for one in card.assumptions)


@pytest.mark.parametrize(
    ("written", "live"),
    [
        ("mains transformer, chassis isolated", False),
        ("power transformer", False),
        ("auto-transformer", True),
        ("heater transformer only", True),
        ("universal", True),
        ("battery", False),
        ("unknown", True),
    ],
)
def test_construction_as_the_card_keeps_it_means_the_same_to_the_guard(written, live):
    card = read_card(HEAD.replace("mains transformer, chassis isolated", written))
    assert construction_of(card).live_chassis is live


@pytest.mark.parametrize("written", ["transformer", "AC", "mains"])
def test_words_that_leave_the_construction_open_are_refused(written):
    assert "construction is" in only(faults(HEAD.replace("mains transformer, chassis isolated", written)))


def test_ht_straight_from_the_mains_is_taken_from_the_mains_volts():
    text = HEAD.replace("mains transformer, chassis isolated", "heater transformer only").replace(
        'ht_secondary = "200 V"\n', ""
    )
    card = read_card(text)
    assert card.supply.secondary_rms_volts.si == 230.0
    assert any("straight from the mains" in one for one in card.assumptions)


# States and values --------------------------------------------------------------------------------------


def test_drawn_takes_the_drawing_found_the_marking_now_the_new_part():
    card = ouzel('R12 = { role = "output.cathode_resistor", drawn = "330R", marked = "470R", fitted = "330R" }\n')
    part = card.parts["R12"]
    assert [part.value(state).si for state in ("drawn", "found", "now")] == [330.0, 470.0, 330.0]
    assert [part.value(state).basis for state in ("drawn", "found", "now")] == ["stated", "marked", "stated"]


def test_a_measured_value_stands_before_the_marked_one():
    part = ouzel('R12 = { role = "output.cathode_resistor", marked = "470R", measured = "512R" }\n').parts["R12"]
    assert part.value("found").si == 512.0
    assert part.value("found").basis == "measured"
    assert part.value("found").spread_log_sd == pytest.approx(0.01)


def test_what_is_not_stated_is_usual_with_the_spread_of_its_pattern():
    usual = ouzel().parts_of_role("audio.anode_load")[0].value("now")
    stated = ouzel('audio.anode_load = { drawn = "220k" }\n').parts_of_role("audio.anode_load")[0].value("now")
    assert usual.basis == "usual"
    assert usual.spread_log_sd > 2 * stated.spread_log_sd


@pytest.mark.parametrize(
    ("stated", "limits"),
    [
        ('drawn = "220k"', (0.2, 0.2)),
        ('drawn = "220k 5 %"', (0.05, 0.05)),
        ('drawn = "220k", tolerance = "10 %"', (0.1, 0.1)),
        ('drawn = "220k", tolerance = 10', (0.1, 0.1)),
        ('drawn = "220k", tolerance = "+50 -20 %"', (0.2, 0.5)),
        ('drawn = "220k", kind = "high stability"', (0.05, 0.05)),
        ('drawn = "220k", year = 1975', (0.1, 0.1)),
    ],
)
def test_spread_of_a_stated_value_is_its_tolerance(stated, limits):
    part = ouzel(f"audio.anode_load = {{ {stated} }}\n").parts_of_role("audio.anode_load")[0]
    below, above = limits
    assert part.value("drawn").spread_log_sd == pytest.approx((math.log(1 + above) - math.log(1 - below)) / 4)


def test_a_part_fitted_today_has_the_tolerance_of_today():
    part = ouzel(
        'audio.anode_load = { drawn = "220k", fitted = "220k", fitted_kind = "metal film" }\n'
    ).parts_of_role("audio.anode_load")[0]
    assert part.fitted_kind == "metal film"
    assert part.value("now").spread_log_sd < 0.2 * part.value("drawn").spread_log_sd


@pytest.mark.parametrize(
    ("written", "farads"), [("10n", 10e-9), ("0.01 mfd", 10e-9), ("0,01 µF", 10e-9), ("10,000 mmfd", 10e-9)]
)
def test_values_are_read_as_the_trade_writes_them(written, farads):
    part = ouzel(f'C9 = {{ role = "output.coupling_capacitor", drawn = "{written}" }}\n').parts["C9"]
    assert part.value("drawn").si == pytest.approx(farads, rel=1e-12)


def test_the_reservoir_may_be_given_with_the_supply():
    card = read_card(HEAD + 'reservoir = "32 µF"\n')
    part = card.parts_of_role("supply.reservoir_capacitor")[0]
    assert (part.value("now").si, part.value("now").basis) == (32e-6, "stated")


# References, roles and identities -----------------------------------------------------------------------


def test_a_part_is_found_by_its_role_and_takes_the_restorers_number():
    card = ouzel('R12 = { role = "output.cathode_resistor", drawn = "330R" }\n')
    assert card.parts["R12"].role == "output.cathode_resistor"
    assert len([part for part in card.parts.values() if part.role == "output.cathode_resistor"]) == 1


def test_identity_stays_when_the_number_changes():
    one = ouzel('R12 = { role = "output.cathode_resistor" }\n').parts["R12"]
    other = ouzel('R77 = { role = "output.cathode_resistor" }\n').parts["R77"]
    assert one.identity == other.identity


def test_a_number_the_restorer_uses_is_taken_from_whatever_had_it():
    plain = ouzel()
    ref, loser = next(
        (ref, part) for ref, part in plain.parts.items() if ref.startswith("R") and part.role.startswith("audio.")
    )
    card = ouzel(f'{ref} = {{ role = "output.cathode_resistor", drawn = "330R" }}\n')
    moved = next(part for part in card.parts.values() if part.identity == loser.identity)
    assert card.parts[ref].role == "output.cathode_resistor"
    assert moved.ref != ref
    assert len(card.parts) == len(plain.parts)
    assert set(card.parts) == {part.ref for part in card.parts.values()}


def test_every_part_keeps_its_own_reference_as_its_key():
    card = ouzel('R1 = { role = "output.grid_leak" }\nC1 = { role = "supply.reservoir_capacitor" }\n')
    assert all(ref == part.ref for ref, part in card.parts.items())
    identities = [part.identity for part in card.parts.values()]
    assert len(identities) == len(set(identities))


@pytest.mark.parametrize(
    "written",
    [
        'output.cathode_resistor = { measured = "512R" }',
        '"output.cathode_resistor" = { measured = "512R" }',
        'Output.Cathode_Resistor = { measured = "512R" }',
        'output."cathode resistor" = { measured = "512R" }',
        'output.cathode_resistor = { ref = "R12", measured = "512R" }',
        'power_output.cathode_resistor.measured = "512R"',
    ],
)
def test_a_part_may_be_addressed_by_role(written):
    card = ouzel(written + "\n")
    (part,) = card.parts_of_role("output.cathode_resistor")
    assert part.value("found").si == 512.0
    if "R12" in written:
        assert part.ref == "R12"


def test_a_role_may_be_written_in_american_words():
    card = ouzel('R5 = { role = "audio.plate_load" }\nC2 = { role = "output.coupling condenser" }\n')
    assert card.parts["R5"].role == "audio.anode_load"
    assert card.parts["C2"].role == "output.coupling_capacitor"


def test_the_number_of_the_pattern_alone_finds_a_part():
    ref = ouzel().parts_of_role("output.cathode_resistor")[0].ref
    card = ouzel(f'{ref} = {{ measured = "512R" }}\n')
    assert card.parts[ref].role == "output.cathode_resistor"
    assert card.parts[ref].value("now").si == 512.0


def test_a_bare_number_beside_numbers_of_another_diagram_is_asked_about():
    ref = ouzel().parts_of_role("output.cathode_resistor")[0].ref
    card = ouzel(f'R70 = {{ role = "audio.anode_load" }}\n{ref} = {{ measured = "512R" }}\n')
    assert any(ref in question and "output.cathode_resistor" in question for question in card.questions)


def test_an_extra_part_is_added_between_its_points():
    card = ouzel(
        'R31 = { kind = "carbon", marked = "1M", from = "V2.anode", to = "chassis", note = "not on the diagram" }\n'
    )
    part = card.parts["R31"]
    assert (part.extra, part.role, part.from_point, part.to_point) == (True, None, "V2.anode", "chassis")
    assert part.value("drawn") is None
    assert part.value("found").si == 1e6
    assert part.note == "not on the diagram"


def test_an_extra_part_may_fill_a_role_the_pattern_lacks():
    card = ouzel('R40 = { role = "supply.surge_resistor", fitted = "100R", kind = "wirewound" }\n')
    assert card.parts["R40"].value("now").si == 100.0


def test_extra_parts_may_meet_at_a_point_of_their_own():
    card = ouzel(
        'R41 = { marked = "100k", from = "V3.anode", to = "tone_joint" }\n'
        'C41 = { marked = "10n", from = "tone_joint", to = "chassis" }\n'
    )
    assert card.parts["R41"].to_point == card.parts["C41"].from_point == "tone_joint"
    assert card.parts["C41"].kind == "waxed paper"


@pytest.mark.parametrize("written", ["V2.anode", "v2.plate", "V2 a", "V2.p"])
def test_points_are_understood_in_british_and_american_words(written):
    card = ouzel(f'R31 = {{ marked = "1M", from = "{written}", to = "ground" }}\n')
    assert (card.parts["R31"].from_point, card.parts["R31"].to_point) == ("V2.anode", "chassis")


def test_stages_may_be_given_to_valves_and_their_forms_chosen():
    card = read_card(HEAD + '[stages]\nconverter = "V1"\naudio = { valve = "V3", bias = "cathode" }\n', "ouzel.toml")
    stages = {stage.name: stage for stage in card.stages}
    assert stages["frequency_changer"].valve == "V1"
    assert stages["audio"].options["bias"] == "cathode"
    assert card.parts_of_role("audio.cathode_resistor")


def test_figures_of_windings_and_chokes_may_be_stated():
    text = (
        HEAD
        + 'smoothing = "choke"\n[parts]\nL9 = { role = "supply.smoothing_choke", drawn = "350R", henries = "12 H" }\n'
    )
    card = read_card(text + 'T1 = { role = "output.output_transformer", secondary_ohms = "0.5R" }\n')
    assert (card.parts["L9"].value("now").si, card.parts["L9"].figures["henries"]) == (350.0, 12.0)
    assert card.parts["T1"].figures["secondary_ohms"] == 0.5


def test_a_choke_marked_in_henries_is_told_where_they_go():
    text = HEAD + 'smoothing = "choke"\n[parts]\nL9 = { role = "supply.smoothing_choke", marked = "12 H" }\n'
    assert 'write henries = "12 H"' in only(faults(text))


def test_a_stand_in_that_is_not_needed_is_asked_about():
    card = read_card(HEAD.replace('"ECL82"', '{ type = "ECL82", like = "EL84" }'))
    assert any("like = 'EL84' of V3 is not used" in question for question in card.questions)


def test_a_valve_the_catalogue_lacks_may_be_like_another():
    card = read_card(HEAD.replace('"ECL82"', '{ type = "ZZ99", like = "ECL82", note = "unreadable" }'))
    assert (card.valves["V3"].type, card.valves["V3"].like, card.valves["V3"].note) == ("ZZ99", "ECL82", "unreadable")


# Service sheet ------------------------------------------------------------------------------------------


def test_service_sheet_rows_are_kept_with_their_meter():
    rows = ouzel(
        more="""
[meter]
service_sheet = "500 ohm/V on 400 V"
[[service_sheet]]
point = "V3.plate"
volts = 205
[[service_sheet]]
point = "V3.k"
volts = "14.5 V"
meter = "500 ohm/V on 50 V"
[[service_sheet]]
point = "supply.ht_secondary"
milliamps = 47
[[service_sheet]]
watts = 38
""".replace('point = "supply.ht_secondary"', 'point = "HT1"')
    ).service_sheet
    assert [(row.point, row.quantity, row.value, row.meter_ohms) for row in rows] == [
        ("V3.anode", "volts dc", 205.0, 200e3),
        ("V3.cathode", "volts dc", 14.5, 25e3),
        ("HT1", "amps dc", pytest.approx(0.047), 200e3),
        ("mains", "watts", 38.0, 200e3),
    ]


# Mistakes -----------------------------------------------------------------------------------------------

MISTAKES = {
    "unknown table": ('[prats]\nR1 = "1k"\n', PARTS, "no table [prats]", "[parts]"),
    "unknown key of a part": (
        '[parts]\nR12 = { role = "output.cathode_resistor", markd = "470R" }\n',
        PARTS + 1,
        "R12 has no key 'markd'",
        "perhaps marked",
    ),
    "plain string for a part": ('[parts]\nR12 = "470R"\n', PARTS + 1, "does not say whether", '{ drawn = "470R" }'),
    "number for a part": ("[parts]\nR12 = 470\n", PARTS + 1, "R12 is 470", "drawn"),
    "unknown role": (
        '[parts]\nR12 = { role = "output.cathod_resistor" }\n',
        PARTS + 1,
        "output has no part 'cathod_resistor'",
        "output.cathode_resistor",
    ),
    "role of no stage": (
        '[parts]\nR12 = { role = "outputt.grid_leak" }\n',
        PARTS + 1,
        "no stage 'outputt'",
        "perhaps output",
    ),
    "role without a stage": ('[parts]\nR12 = { role = "grid leak" }\n', PARTS + 1, "is no role", "STAGE.PART"),
    "role the set lacks": (
        '[parts]\nR12 = { role = "indicator.anode_load" }\n',
        PARTS + 1,
        "no stage indicator",
        "from and to",
    ),
    "role used twice": (
        '[parts]\nR12 = { role = "output.grid_leak" }\nR13 = { role = "output.grid_leak" }\n',
        PARTS + 2,
        f"used twice (R12 on line {PARTS + 1} has it)",
        "extra part",
    ),
    "part without place": ('[parts]\nR99 = { marked = "1M" }\n', PARTS + 1, "no part of this set", "from and to"),
    "extra part without value": (
        '[parts]\nR99 = { from = "V2.anode", to = "chassis" }\n',
        PARTS + 1,
        "without a value",
        'marked = "1M"',
    ),
    "extra part of no kind": (
        '[parts]\nQ99 = { marked = "1M", from = "V2.anode", to = "chassis" }\n',
        PARTS + 1,
        "what is it",
        "kind",
    ),
    "unknown kind": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", kind = "wax papper" }\n',
        PARTS + 1,
        "'wax papper' is no kind",
        "wax paper",
    ),
    "kind of another unit": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", kind = "carbon" }\n',
        PARTS + 1,
        "cannot be carbon",
        "a kind such as",
    ),
    "ohms for a capacitor": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", drawn = "4.7 ohm" }\n',
        PARTS + 1,
        "'4.7 ohm' is in ohms, and output.coupling_capacitor is counted in farads",
        "0.05 µF",
    ),
    "whole farads": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", drawn = "470 F" }\n',
        PARTS + 1,
        "470 F",
        "check the unit",
    ),
    "coupling capacitor of an electrolytic's size": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", drawn = "100 µF" }\n',
        PARTS + 1,
        "100 µF",
        "check the unit and the noughts",
    ),
    "value far from the usual": (
        '[parts]\nR12 = { role = "audio.anode_load", drawn = "22R" }\n',
        PARTS + 1,
        "10000 times off the 220 k usual",
        "noughts",
    ),
    "no number": (
        '[parts]\nR12 = { role = "output.cathode_resistor", drawn = "lots" }\n',
        PARTS + 1,
        "'lots' is not a resistance",
        "4k7",
    ),
    "not a number": (
        '[parts]\nR12 = { role = "output.cathode_resistor", drawn = nan }\n',
        PARTS + 1,
        "not a finite number",
        "4k7",
    ),
    "infinity": (
        '[parts]\nR12 = { role = "output.cathode_resistor", measured = inf }\n',
        PARTS + 1,
        "not a finite number",
        "4k7",
    ),
    "open circuit as a value": (
        '[parts]\nR12 = { role = "output.cathode_resistor", measured = "open" }\n',
        PARTS + 1,
        "'open' is not a resistance",
        "4k7",
    ),
    "negative": (
        '[parts]\nR12 = { role = "output.cathode_resistor", drawn = "-330R" }\n',
        PARTS + 1,
        "cannot be negative",
        "4k7",
    ),
    "capacitance without unit": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", drawn = "0.01" }\n',
        PARTS + 1,
        "has no unit",
        "0.05 µF",
    ),
    "unknown point": (
        '[parts]\nR31 = { marked = "1M", from = "V2.anod", to = "chassis" }\n',
        PARTS + 1,
        "V2 (EBF89) has no point V2.anod",
        "perhaps V2.anode",
    ),
    "unknown valve in a point": (
        '[parts]\nR31 = { marked = "1M", from = "V7.anode", to = "chassis" }\n',
        PARTS + 1,
        "no valve V7",
        "V1, V2, V3",
    ),
    "point nothing connects to": (
        '[parts]\nR31 = { marked = "1M", from = "V2.anode", to = "tag 7" }\n',
        PARTS + 1,
        "nothing connects to tag 7",
        "a point of the set",
    ),
    "part from a point to itself": (
        '[parts]\nR31 = { marked = "1M", from = "chassis", to = "ground" }\n',
        PARTS + 1,
        "goes from chassis to itself",
        "two different points",
    ),
    "zero ohms across the supply": (
        '[parts]\nR31 = { kind = "link", marked = "0.01R", from = "HT2", to = "chassis" }\n',
        PARTS + 1,
        "short across the supply",
        "belongs in the readings",
    ),
    "no ohms at all": (
        '[parts]\nR31 = { marked = "0R", from = "V2.anode", to = "chassis" }\n',
        PARTS + 1,
        "next to no resistance",
        'kind = "link"',
    ),
    "ring of shorts": (
        '[parts]\nR31 = { kind = "link", marked = "R01", from = "V2.anode", to = "HT2" }\n'
        'R32 = { kind = "link", marked = "R01", from = "HT2", to = "V2.anode" }\n',
        PARTS + 2,
        "closes a loop of shorts",
        "leave out one",
    ),
    "windings moved": (
        '[parts]\nT1 = { role = "output.output_transformer", from = "V2.anode" }\n',
        PARTS + 1,
        "cannot be moved",
        "parts of its own",
    ),
    "fitted kind without a part": (
        '[parts]\nC9 = { role = "output.coupling_capacitor", fitted_kind = "film" }\n',
        PARTS + 1,
        "nothing is fitted",
        "fitted =",
    ),
    "two parts of one name": (
        '[parts]\nR12 = { role = "output.grid_leak" }\nr12 = { role = "audio.grid_leak" }\n',
        PARTS + 2,
        f"two parts are called r12 (the other on line {PARTS + 1})",
        "its own name",
    ),
    "one part twice": (
        '[parts]\nR12 = { role = "output.grid_leak" }\nR12 = { role = "audio.grid_leak" }\n',
        PARTS + 2,
        f"parts.R12 is written twice, the first time on line {PARTS + 1}",
        "one place",
    ),
    "control character": (
        '[parts]\nR12 = { role = "output.grid_leak", note = "\\u001b[2J" }\n',
        PARTS + 1,
        "control character",
        "plain text",
    ),
    "date for a year": (
        '[parts]\nR12 = { role = "output.grid_leak", year = 1957-01-01 }\n',
        PARTS + 1,
        "year is the date 1957-01-01",
        "1972",
    ),
    "value for a thing without one": (
        '[parts]\nS1 = { role = "supply.mains_switch", marked = "1k" }\n',
        PARTS + 1,
        "has no value",
        "note",
    ),
    "tolerance of nothing": (
        '[parts]\nR12 = { role = "output.cathode_resistor", tolerance = "5 %" }\n',
        PARTS + 1,
        "no value it is the tolerance of",
        "drawn or marked",
    ),
    "figure of another part": (
        '[parts]\nR12 = { role = "output.cathode_resistor", primary_ohms = "5R" }\n',
        PARTS + 1,
        "no key 'primary_ohms'",
        "see the keys",
    ),
    "figure out of reach": (
        '[parts]\nVR1 = { role = "detector.volume_control", slider_fraction = 3 }\n',
        PARTS + 1,
        "slider_fraction is 3",
        "between 0 and 1",
    ),
    "bad name": ('[parts]\n"R 12!" = { role = "output.grid_leak" }\n', PARTS + 1, "no name for a part", "R12"),
    "stage of no valve": ('[stages]\noutput = "V9"\n', PARTS + 1, "not in [valves]", "V"),
    "unknown stage": ('[stages]\nouput = "V3"\n', PARTS + 1, "no stage 'ouput'", "perhaps output"),
    "unknown form of a stage": (
        '[stages]\naudio = { valve = "V3", bias = "hope" }\n',
        PARTS + 1,
        "bias of audio is 'hope'",
        '"grid leak"',
    ),
    "valve that cannot do it": (
        '[stages]\nindicator = "V2"\n',
        PARTS + 1,
        "cannot work stage indicator",
        "another valve",
    ),
    "sheet row without figure": ('[[service_sheet]]\npoint = "V3.anode"\n', PARTS, "no figure", "volts"),
    "sheet row with two figures": (
        '[[service_sheet]]\npoint = "V3.anode"\nvolts = 200\nohms = 12\n',
        PARTS,
        "volts and ohms",
        "just one",
    ),
    "sheet row without point": ("[[service_sheet]]\nvolts = 200\n", PARTS, "names no point", "V3.anode"),
    "sheet row at no point": (
        '[[service_sheet]]\npoint = "V3.catode"\nvolts = 12\n',
        PARTS + 1,
        "has no point V3.catode",
        "V3.cathode",
    ),
    "sheet row twice": (
        '[[service_sheet]]\npoint = "V3.anode"\nvolts = 200\n[[service_sheet]]\npoint = "V3.plate"\nvolts = 190\n',
        PARTS + 3,
        "on the sheet twice",
        "once",
    ),
    "sheet beyond its range": (
        '[[service_sheet]]\npoint = "V3.anode"\nvolts = 200\nmeter = "500 ohm/V on 100 V"\n',
        PARTS,
        "cannot be read on a range of 100 V",
        "range",
    ),
    "sheet meter without range": (
        '[[service_sheet]]\npoint = "V3.anode"\nvolts = 200\nmeter = "500 ohm/V"\n',
        PARTS + 3,
        "lacks its range",
        "on 250 V",
    ),
    "sheet volts not finite": (
        '[[service_sheet]]\npoint = "V3.anode"\nvolts = nan\n',
        PARTS + 2,
        "not a finite number",
        "182 V",
    ),
    "meter of no resistance": ('[meter]\ndefault = "my best one"\n', PARTS + 1, "is not a meter", "20k/V on 250 V"),
    "identity of another part": (
        '[parts]\nR12 = { role = "output.grid_leak", identity = "audio.grid_leak" }\n',
        PARTS + 1,
        "another part has the identity audio.grid_leak",
        "its own",
    ),
    "set key": ("[parts]\n[set2]\n", PARTS + 1, "no table [set2]", "[set]"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_is_named_with_its_line_and_what_would_be_right(mistake):
    text, line, wrong, right = MISTAKES[mistake]
    found = only(faults(HEAD + text))
    where, _, message = found.partition(": ")
    said, _, advice = message.partition("; ")
    assert int(where) == line, found
    assert wrong in message, found
    assert right in message, found
    assert said
    assert advice.strip()


HEAD_MISTAKES = {
    "unknown valve": ('V3 = "ECL82"', 'V3 = "ECL28"', "no valve 'ECL28'", "ECL82"),
    "unknown stand-in": ('V3 = "ECL82"', 'V3 = { type = "ZZ9", like = "ECL28" }', "no valve 'ECL28'", "ECL82"),
    "unknown kind of valve": ('V3 = "ECL82"', 'V3 = { type = "ZZ9", kind = "big one" }', "big one", "kind"),
    "rectifier of no valve": ('ht_secondary = "200 V"', 'valve = "V9"', "valve is V9", "V1, V2, V3"),
    "valve without type": ('V3 = "ECL82"', 'V3 = { like = "ECL82" }', "V3 has no type", "EL84"),
    "number for a valve": ('V3 = "ECL82"', "V3 = 82", "V3 is 82", "EL84"),
    "two valves of one name": ('V3 = "ECL82"', 'V3 = "ECL82"\nv3 = "EL84"', "two valves are called V3", "own name"),
    "valve key": ('V3 = "ECL82"', 'V3 = { type = "ECL82", noet = "x" }', "no key 'noet'", "perhaps note"),
    "mains": ('mains = "230 V 50 Hz"', 'mains = "lots"', "mains is 'lots'", "230 V 50 Hz"),
    "mains too high": ('mains = "230 V 50 Hz"', 'mains = "2300 V 50 Hz"', "2300 V", "90 to 260 V"),
    "mains swapped": ('mains = "230 V 50 Hz"', 'mains = "50 V 230 Hz"', "50 V", "90 to 260 V"),
    "construction": ("mains transformer, chassis isolated", "transformr", "transformr", "mains transformer"),
    "year": ("year = 1957", "year = 57", "year is 57", "1957"),
    "rectifier": ("bridge, silicon", "bridge, germanium", "rectifier is", "bridge, silicon"),
    "volts below zero": ('ht_secondary = "200 V"', 'ht_secondary = "-200 V"', "-200 V", "above zero"),
    "volts in ohms": ('ht_secondary = "200 V"', 'ht_secondary = "200 ohm"', "200 ohm", "182 V"),
    "set key": ("year = 1957", "yaer = 1957", "[set] has no key 'yaer'", "perhaps year"),
    "supply key": ('ht_secondary = "200 V"', 'ht_secundary = "200 V"', "no key 'ht_secundary'", "ht_secondary"),
    "name": ('name = "Tarnbrook Ouzel"', "name = 7", "name is 7, not words", "Tarnbrook"),
}


@pytest.mark.parametrize("mistake", HEAD_MISTAKES)
def test_a_mistake_about_the_set_is_named(mistake):
    before, after, wrong, right = HEAD_MISTAKES[mistake]
    text = HEAD.replace(before, after)
    assert text != HEAD
    found = only(faults(text))
    expected = next(n for n, line in enumerate(text.splitlines(), 1) if after.splitlines()[-1] in line)
    assert found.startswith(f"{expected}: "), found
    assert wrong in found
    assert right in found


def test_every_mistake_is_reported_at_once_in_order_of_lines():
    found = part_faults(
        'R12 = { role = "output.cathode_resistor", markd = "470R" }\n'
        'C9 = { role = "output.coupling_capacitor", drawn = "4.7 ohm" }\n'
        'R31 = { marked = "1M", from = "V9.anode", to = "nowhere" }\n',
        "[meter]\ndefault = 5\n",
    )
    lines = [int(line.partition(":")[0]) for line in found]
    assert lines == sorted(lines)
    assert len(found) == 5


NOT_TOML = {
    "value without quotes": ("R12 = { drawn = 4k7 }", 'put it in quotes: "4k7"'),
    "valve without quotes": ("V4 = EL84", 'put it in quotes: "EL84"'),
    "decimal comma": ("volts = 205,5", "with a point: 205.5"),
    "colon": ("name: x", "= in place of the colon"),
    "open quotes": ('name = "x', "close the quotation marks"),
    "open brace": ('R12 = { drawn = "1k"', "close the brace"),
    "prose": ("this set hums", "docs/set-card.md"),
}


@pytest.mark.parametrize("mistake", NOT_TOML)
def test_text_that_is_no_toml_is_met_with_what_was_likely_meant(mistake):
    line, right = NOT_TOML[mistake]
    found = only(faults(f"[meter]\n{line}\n"))
    assert found.startswith("2: this is not TOML")
    assert right in found


def test_deep_nesting_and_endless_numbers_are_no_tracebacks():
    assert "not TOML" in only(faults("x = " + "[" * 5000))
    assert "not TOML" in only(faults("x = " + "9" * 6000))


def test_what_cannot_be_printed_is_not_repeated():
    assert only(faults("x = \x00185\n")).isprintable()


def test_an_empty_card_asks_for_the_line_up():
    assert "names no valve" in only(faults(""))


# Files --------------------------------------------------------------------------------------------------


def test_latin_1_bytes_are_named_with_their_line(tmp_path):
    file = tmp_path / "card.toml"
    file.write_bytes(HEAD.encode() + 'note = "für"\n'.encode("latin-1"))
    with pytest.raises(InputFault, match=rf"card.toml:{PARTS}: the text is not UTF-8 .*save it again as UTF-8"):
        load_card(file)


def test_utf_16_is_named(tmp_path):
    file = tmp_path / "card.toml"
    file.write_text(HEAD, encoding="utf-16")
    with pytest.raises(InputFault, match="UTF-16"):
        load_card(file)


def test_a_byte_order_mark_and_dos_line_ends_do_no_harm(tmp_path):
    file = tmp_path / "card.toml"
    file.write_bytes(b"\xef\xbb\xbf" + HEAD.replace("\n", "\r\n").encode())
    assert load_card(file).name == "Tarnbrook Ouzel"


def test_a_huge_card_is_refused_before_it_is_parsed(tmp_path):
    file = tmp_path / "card.toml"
    file.write_text(HEAD + "# x\n" * (10_000_000 // 4))
    with pytest.raises(InputFault, match="larger than 1 MB"):
        load_card(file)
    with pytest.raises(InputFault, match="larger than 1 MB"):
        read_card("#" * (LARGEST_BYTES + 1))


def test_a_card_of_the_largest_size_is_read_and_a_hopeless_one_given_up_within_seconds():
    parts = "".join(f'R{n} = {{ marked = "1M", from = "V2.anode", to = "chassis" }}\n' for n in range(1000, 9999))
    start = time.perf_counter()
    assert len(ouzel(parts).parts) > 8000
    found = part_faults(parts.replace("V2.anode", "V2.anod").replace("1M", "lots"))
    assert len(found) == MOST_COMPLAINTS
    assert time.perf_counter() - start < 60


def test_a_missing_file_names_its_neighbour(tmp_path):
    (tmp_path / "ouzel.toml").write_text(HEAD)
    with pytest.raises(InputFault, match=r"no such file; perhaps ouzel\.toml"):
        load_card(tmp_path / "ousel.toml")
    with pytest.raises(InputFault, match="cannot be read"):
        load_card(tmp_path)


# Anything at all ----------------------------------------------------------------------------------------

_SCRAPS = st.sampled_from(
    [
        '[parts]\n', '[valves]\n', '[set]\n', '[[service_sheet]]\n', '[stages]\n', '[supply]\n', '[meter]\n',
        'V1 = "ECH81"\n', 'V3 = "ECL82"\n', 'V1 = 7\n', 'R1 = { role = "output.grid_leak", drawn = "1M" }\n',
        'R2 = { from = "V1.anode", to = "chassis", marked = "1k" }\n', 'output.grid_leak.drawn = "470k"\n',
        'R1 = {}\n', 'C1 = { drawn = [1] }\n', 'name = "x"\n', 'mains = 230\n', 'volts = 12\n', 'point = "V1.k"\n',
        'year = -1\n', 'R3 = nan\n', 'output = "V3"\n', 'output = {}\n', 'reservoir = "8 MF"\n', 'x\n', '"" = 1\n',
        'R4 = { role = "supply.reservoir_capacitor", drawn = "1R" }\n', 'output = [1, {}]\n', 'V2 = {}\n',
        'service_sheet = 3\n', 'default = "10M"\n', '\ufeff\n', 'tolerance = 1\n', 'T1 = { primary_ohms = "1k" }\n',
    ]
)  # fmt: skip


def outcome(text):
    """The card, or its complaints; any other error passes through."""
    try:
        return read_card(text, "ouzel.toml"), ()
    except InputFault as fault:
        return None, fault.complaints


@settings(deadline=None, max_examples=150)
@given(st.lists(_SCRAPS, max_size=12).map("".join))
def test_any_heap_of_card_lines_gives_a_card_or_a_complaint(text):
    card, complaints = outcome(text)
    assert (card is None) == bool(complaints)
    assert all(one.wrong and one.right and one.line for one in complaints)


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=80))
def test_any_text_in_a_value_gives_a_card_or_a_complaint_of_one_line(text):
    quoted = '"' + "".join(f"\\U{ord(letter):08x}" for letter in text if not 0xD800 <= ord(letter) < 0xE000) + '"'
    for line in (
        f"R12 = {{ role = {quoted} }}",
        f'R12 = {{ role = "output.grid_leak", drawn = {quoted} }}',
        f'R12 = {{ marked = "1k", from = {quoted}, to = "chassis" }}',
        f'C9 = {{ role = "output.coupling_capacitor", kind = {quoted} }}',
    ):
        _, complaints = outcome(f"{HEAD}[parts]\n{line}\n")
        assert all(str(one).startswith(f"ouzel.toml:{PARTS + 1}: ") for one in complaints)
        assert all(str(one).isprintable() for one in complaints)


_EDITS = st.lists(
    st.tuples(
        st.integers(0, 5000),
        st.integers(0, 3),
        st.sampled_from(
            ["", '"', "=", "[", "]", "{", "}", ".", ",", "#", "\n", " ", "9", "R", "nan", "é", "\x00", '""']
        ),
    ),
    min_size=1,
    max_size=3,
)


@settings(deadline=None, max_examples=150)
@given(_EDITS)
def test_a_damaged_card_is_read_or_complained_of_line_by_line(edits):
    text = demo_card()
    for at, length, new in edits:
        at %= len(text)
        text = text[:at] + new + text[at + length :]
    _, complaints = outcome(text)
    for one in complaints:
        assert one.line is not None
        assert 1 <= one.line <= text.count("\n") + 1
        assert str(one).isprintable()


def test_every_key_of_the_card_is_described():
    for table in ("set", "valve", "stage", "supply", "meter", "part", "service_sheet"):
        for key, record in card_keys(table).items():
            assert record["says"], key
            assert record["example"], key


def test_a_line_up_known_to_be_partial_is_filled_with_assumed_valves():
    card = read_card(
        '[set]\ncomplete = false\n[valves]\nV3 = "ECL82"\n[parts]\nif_amp.cathode_resistor.drawn = "180R"\n'
    )
    assumed = {valve.ref for valve in card.valves.values() if valve.assumed}
    assert "V3" not in assumed
    assert len(assumed) >= 2
    assert card.parts_of_role("if_amp.cathode_resistor")[0].value("now").basis == "stated"
