"""The valve catalogue: every file, every name, every figure."""

import math
import subprocess
import sys
import tomllib
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.errors import InputFault, UnknownValve
from hetwright.valves import catalogue, index
from hetwright.valves.catalogue import (
    ELECTRODES,
    find,
    kinds,
    names,
    neighbouring_pins,
    neighbouring_points,
    of_kind,
    parse,
    types,
)
from hetwright.valves.law import SHAPES
from hetwright.valves.record import PIN_WORDS

TYPES = types()
#: Types that must be there because documented repairs name them.
# fmt: off
ASKED_FOR = [
    "10C1", "10F18", "12SG7", "1L6", "35A5", "36", "5Y4", "6C9", "6F5", "6F6", "6P1", "7A6", "7G7", "7J7",
    "84", "D63", "EC92", "EK1", "EL12", "KT66", "KTW63", "KTW83", "KTZ63", "U404", "UBF41", "UEL51", "UF42",
    "UU6", "X64",
]
# fmt: on


def own_rows():
    """Every row published for the type it stands under, with the type and the section it belongs to."""
    for name in TYPES:
        valve = find(name)
        for row in valve.rows:
            if not row.published_for:
                yield valve, valve.plain if row.section == "each" else valve.section(row.section), row


def a_record(**changes):
    """A small file that is right, to be spoilt by ``changes``."""
    record = {
        "name": "X1",
        "also": [],
        "kind": "triode",
        "duty": "AF amplifier",
        "base": "octal",
        "source": "a handbook",
        "from_memory": True,
        "confidence": "high",
        "pins": {
            "2": ["heater"],
            "3": ["triode.anode"],
            "5": ["triode.grid"],
            "7": ["heater"],
            "8": ["triode.cathode"],
        },
        "section": [{"name": "triode", "kind": "triode", "shape": "triode", "plain": True}],
        "row": [
            {
                "section": "triode",
                "kind": "working",
                "anode_volts": 250,
                "grid_volts": -8,
                "anode_amps": 9e-3,
                "source": "a handbook",
                "from_memory": True,
                "confidence": "high",
            }
        ],
    }
    record.update(changes)
    return {key: value for key, value in record.items() if value is not None}


class TestFiles:
    def test_enough_types(self):
        with_rows = [
            name for name in TYPES if any(not row.published_for and row.kind != "rating" for row in find(name).rows)
        ]
        assert len(TYPES) >= 235
        assert len(with_rows) >= 235

    @pytest.mark.parametrize("name", TYPES)
    def test_schema(self, name):
        valve = find(name)
        assert valve.name == name
        assert valve.origin.source
        assert valve.origin.confidence in ("high", "medium")
        assert valve.origin.from_memory or valve.origin.url
        assert all(row.origin.source and (row.origin.from_memory or row.origin.url) for row in valve.rows)
        for section in valve.sections:
            assert section.electrodes.keys() >= {"cathode"}
            if section.shape is not None:
                assert section.electrodes.keys() >= set(ELECTRODES[section.shape])
            if section.kind not in ("diode", "stabiliser"):
                # every section that carries current has something a law can be fitted to
                assert valve.rows_of(section.name) or section.drop
        assert set(valve.points) == {f"{s.name}.{e}" for s in valve.sections for e in s.electrodes}

    @pytest.mark.parametrize("name", TYPES)
    def test_heater(self, name):
        heater = find(name).heater
        if find(name).kind == "voltage stabiliser":
            assert heater is None
            return
        if heater.volts is not None and heater.amps is not None:
            assert 0.025 <= heater.volts * heater.amps <= 20
        if heater.series_volts is not None:
            assert heater.series_volts * heater.series_amps == pytest.approx(heater.volts * heater.amps, rel=0.03)

    @pytest.mark.parametrize("name", TYPES)
    def test_pins_are_on_the_base_and_the_heater_has_two(self, name):
        valve = find(name)
        base = catalogue._bases()[valve.base]
        assert set(valve.pins) <= {str(pin) for pin in base["ring"]} | {"cap", str(base.get("centre"))}
        ends = [end for ends in valve.pins.values() for end in ends]
        assert ends.count("heater") in (0, 2, 3)
        for end in ends:
            owner, _, electrode = end.partition(".")
            assert end in PIN_WORDS or electrode in {*valve.section(owner).electrodes, "deflector", "beam_plates"}

    @pytest.mark.parametrize("name", [n for n in TYPES if find(n).electrodes_as != n])
    def test_the_same_electrodes_are_of_the_same_shape(self, name):
        valve = find(name)
        other = find(valve.electrodes_as)
        shapes = {section.name: section.shape for section in other.sections}
        mine = {section.name: section.shape for section in valve.sections}
        # EC92 is half of a double triode
        assert set(mine.values()) <= set(shapes.values())
        assert all(shapes.get(name, shape) == shape for name, shape in mine.items())

    def test_shapes_agree_with_the_law(self):
        assert set(ELECTRODES) == set(SHAPES)
        for shape, electrodes in SHAPES.items():
            assert tuple(e for e in electrodes if e != "amplitude") == ELECTRODES[shape]

    def test_law_of_leads_to_a_section_of_the_same_shape(self):
        for name in TYPES:
            for section in find(name).sections:
                owner, theirs = section.law_of
                shapes = {s.name: s.shape for s in find(owner).sections}
                assert shapes.get(theirs, section.shape) == section.shape

    def test_the_page_counts_them_right(self):
        page = (Path(__file__).parents[2] / "docs" / "valves.md").read_text(encoding="utf-8")
        valves = [find(name) for name in TYPES]
        own = [[row for row in valve.rows if not row.published_for] for valve in valves]
        rows = [row for rows in own for row in rows]
        pointed = sum(any(row.kind != "rating" for row in rows) for rows in own)
        lent = sum(valve.stands_for is not None for valve in valves)
        read = sum(not row.origin.from_memory for row in rows)
        assert f"{len(TYPES)} types under {len(names())} names; {pointed} types" in page
        assert f"({len(rows)} rows), {lent} take" in page
        assert f"{len(rows) - read} rows are from memory" in page
        assert f"{read} were read" in page


class TestIndex:
    def test_is_up_to_date(self):
        assert index.index_text() == index.written_index()
        assert index.main(["--check"]) == 0

    def test_every_name_is_unique(self):
        plain = [index.plain_name(name) for name in names()]
        assert sorted(set(plain)) == sorted(plain)

    def test_every_name_finds_its_type(self):
        for name in names():
            valve = find(name)
            assert name == valve.name or name in valve.also

    def test_clash_is_refused(self, tmp_path):
        (tmp_path / "A.toml").write_text('name = "A1"\nalso = ["B-1"]\n')
        (tmp_path / "B.toml").write_text('name = "B1"\nalso = []\n')
        with pytest.raises(InputFault, match=r"B1 also belongs to A\.toml"):
            index.index_text(tmp_path)


class TestFind:
    @pytest.mark.parametrize("name", ASKED_FOR)
    def test_asked_for(self, name):
        assert find(name).rows or find(name).kind == "double diode"

    @pytest.mark.parametrize(
        ("written", "name"),
        [
            ("6v6 gt", "6V6GT"),
            ("6V6-GT", "6V6GT"),
            ("6V6", "6V6GT"),
            ("6F6GT/G", "6F6"),
            ("6SN7", "6SN7GT"),
            ("5Y3", "5Y3GT"),
            ("ecc83", "12AX7"),
            ("6BQ5", "EL84"),
            ("EK90", "6BE6"),
            ("DL94", "3V4"),
            ("N709", "EL84"),
            ("CV492", "12AX7"),
            ("D63", "6H6"),
            ("X64", "6L7"),
            ("ac / th 1", "AC/TH1"),
            ("35", "35/51"),
            ("1L4", "1L4"),
        ],
    )
    def test_by_other_names(self, written, name):
        assert find(written).name == name
        assert find(written).stands_for is None or find(written).assumption

    @given(
        st.sampled_from(names()),
        st.sampled_from([str.lower, str.upper, str.title]),
        st.sampled_from(["", " ", "-", "\t"]),
    )
    def test_case_and_spacing_do_not_matter(self, name, case, between):
        assert find(between.join(case(name))) is find(name)

    @given(st.text(max_size=12))
    def test_anything_written_is_found_or_refused_plainly(self, text):
        written = index.plain_name(text)
        fault = None
        try:
            valve = find(text)
        except UnknownValve as refused:
            fault = refused
        if fault is None:
            # by its own name, or by that of its glass version
            assert any(
                index.plain_name(name)[: len(written)] == written[:20] for name in (valve.name, *valve.also)
            ) or (written.endswith(("G", "T")))
        else:
            assert fault.name == text
            assert written not in {index.plain_name(name) for name in names()}

    def test_unknown_names_near_ones(self):
        with pytest.raises(UnknownValve, match="no valve 'ECH82'") as caught:
            find("ECH82")
        assert "ECH81" in caught.value.near
        assert all(find(near) for near in caught.value.near)

    def test_unknown_without_any_near(self):
        with pytest.raises(UnknownValve, match=r'say like = "\.\.\."'):
            find("@@@@@")

    def test_like_stands_in_and_says_so(self):
        valve = find("ZZ99", like="el84")
        assert valve.rows == find("EL84").rows
        assert valve.stands_for == "ZZ99"
        assert "ZZ99" in valve.assumption
        assert "EL84" in valve.assumption

    def test_like_an_unknown_type_is_refused(self):
        with pytest.raises(UnknownValve, match="YY99"):
            find("ZZ99", like="YY99")

    def test_a_known_type_needs_no_stand_in(self):
        assert find("EL84", like="6V6GT", kind="triode") is find("EL84")

    def test_kind_stands_in_and_says_so(self):
        valve = find("ZZ99", kind="Output  Pentode")
        assert valve.name == "EL84"
        assert valve.stands_for == "ZZ99"
        assert "typical" in valve.assumption

    @pytest.mark.parametrize("kind", kinds())
    def test_every_kind_has_a_typical_valve(self, kind):
        valve = of_kind(kind)
        assert valve.stands_for == kind
        assert valve.rows or valve.kind == "double diode"
        assert not find(valve.name).stands_for

    def test_unknown_kind_names_near_ones(self):
        with pytest.raises(InputFault, match="output pentode"):
            of_kind("output pentod")

    def test_types_are_read_once_and_cannot_be_changed(self):
        assert find("EL84") is find("6BQ5")
        with pytest.raises(FrozenInstanceError):
            find("EL84").name = "EL34"


class TestStandIns:
    @pytest.mark.parametrize("name", [n for n in TYPES if find(n).stands_for])
    def test_say_so(self, name):
        valve = find(name)
        assert valve.stands_for == name
        assert name in valve.assumption
        assert valve.figures_of
        assert all(other in valve.assumption for other in valve.figures_of.split(", "))
        for section in valve.sections:
            borrowed = [row for row in valve.rows_of(section.name) if row.published_for]
            # of signal diodes nothing is published that could be borrowed
            assert borrowed or section.drop or not section.like or section.kind == "diode"
            assert all(row.published_for != name for row in borrowed)

    def test_no_type_borrows_unsaid(self):
        for name in TYPES:
            assert bool(find(name).stands_for) == any(section.like for section in find(name).sections)

    def test_own_base_and_heater_are_kept(self):
        assert find("UF42").heater.volts == 21
        assert find("UF42").figures_of == "EF42"


class TestElectrodes:
    @pytest.mark.parametrize(
        ("valve", "written", "section", "electrode", "point"),
        [
            ("ECL82", "anode", "pentode", "anode", "anode"),
            ("ECL82", "triode_anode", "triode", "anode", "triode_anode"),
            ("ECL82", "Triode.Cathode", "triode", "cathode", "triode_cathode"),
            ("ECH81", "anode", "heptode", "anode", "anode"),
            ("ECH81", "oscillator_grid", "triode", "grid", "triode_grid"),
            ("ECH81", "triode_cathode", "triode", "cathode", "cathode"),
            ("ECH42", "injection", "hexode", "injection", "triode_grid"),
            ("ECH3", "injection", "hexode", "injection", "triode_grid"),
            ("EABC80", "anode", "triode", "anode", "anode"),
            ("EABC80", "diode_2", "diode_2", "anode", "diode_2_anode"),
            ("EABC80", "diode_2_cathode", "diode_2", "cathode", "diode_2_cathode"),
            ("EZ80", "anode_2", "diode_2", "anode", "anode_2"),
            ("EZ80", "anode_1", "diode_1", "anode", "anode_1"),
            ("EZ80", "cathode", "diode_1", "cathode", "cathode"),
            ("12AX7", "anode_2", "triode_2", "anode", "triode_2_anode"),
            ("12AX7", "grid_1", "triode_1", "grid", "grid"),
            ("UY85", "anode", "diode", "anode", "anode"),
            ("6AV6", "anode_1", "diode_1", "anode", "diode_1_anode"),
            ("6A8", "oscillator_anode", "heptode", "oscillator_anode", "oscillator_anode"),
        ],
    )
    def test_written_names(self, valve, written, section, electrode, point):
        found, meant = find(valve).electrode(written)
        assert (found.name, meant) == (section, electrode)
        assert find(valve).section_of(written) is found
        assert find(valve).point(written) == point

    def test_unknown_electrode_names_those_there_are(self):
        with pytest.raises(InputFault, match="its electrodes are grid, screen, anode, cathode"):
            find("EL84").electrode("target")

    def test_unknown_section(self):
        with pytest.raises(InputFault, match="its sections are heptode, triode"):
            find("ECH81").section("pentode")

    @pytest.mark.parametrize("name", TYPES)
    def test_every_point_is_an_electrode_name(self, name):
        valve = find(name)
        for end, point in valve.points.items():
            section, _, electrode = end.partition(".")
            assert valve.point(end) == point
            assert valve.electrode(f"{section}_{electrode}")[0].name == section
            assert valve.point(point) == point

    def test_internal_joints_make_one_point(self):
        """A metal valve's diodes and triode share the cathode; a pentode's suppressor may be the cathode."""
        assert {find("6SQ7").points[f"{s}.cathode"] for s in ("triode", "diode_1", "diode_2")} == {"cathode"}
        assert find("EL84").points["pentode.suppressor"] == "cathode"
        assert find("6SK7").points["pentode.suppressor"] == "suppressor"

    def test_separate_cathodes_stay_separate_though_their_pins_are_not_known(self):
        assert find("ECC40").points["triode_2.cathode"] == "triode_2_cathode"
        assert find("70L7GT").points["diode.cathode"] == "diode_cathode"
        assert find("ECH3").points["triode.cathode"] == "cathode"

    def test_rows_of_both_triodes(self):
        valve = find("12AX7")
        assert valve.rows_of("triode_2") == valve.rows_of("triode_1")
        assert len(valve.rows_of("triode_1")) == 2


class TestNeighbours:
    def test_octal_ring_is_closed_and_noval_is_not(self):
        assert ("8", "1") in neighbouring_pins(find("6V6GT"))
        assert ("9", "1") not in neighbouring_pins(find("EL84"))
        assert len(neighbouring_pins(find("EL84"))) == 8

    def test_centre_contact_is_beside_all(self):
        ring = parse(a_record(base="British 5 pin", pins={"5": ["triode.cathode"]}))
        assert ("3", "5") in neighbouring_pins(ring)

    def test_unknown_base_has_no_neighbours(self):
        assert neighbouring_pins(find("6P1")) == ()

    def test_points(self):
        pairs = neighbouring_points(find("EF80"))
        assert ("grid", "cathode") in pairs or ("cathode", "grid") in pairs
        assert ("anode", "screen") in pairs
        assert ("cathode", "heater_4") in pairs
        assert all(a != b for a, b in pairs)

    @pytest.mark.parametrize("name", TYPES)
    def test_are_pairs_of_points(self, name):
        valve = find(name)
        known = {*valve.points.values(), *(f"heater_{pin}" for pin in valve.pins)}
        assert {point for pair in neighbouring_points(valve) for point in pair} <= known


def limit(section, key):
    """The higher of design-centre and design-maximum rating, or infinity where neither is known."""
    ratings = [table[key] for table in (section.limits, section.limits_design_maximum) if key in table]
    return max(ratings, default=math.inf)


class Physics:
    """What must hold of any published row; tolerances are the rounding of published figures.

    Each check returns None where a row does not have the figures for it.
    """

    @staticmethod
    def signs_and_sizes(section, row):
        may_be_negative = ("grid_volts", "injection_volts", "cutoff_grid_volts")
        return (
            all(value >= 0 or key in may_be_negative for key, value in row.figures.items())
            and row.figures.get("grid_volts", 0) <= 0
            and row.figures.get("anode_amps", 0) < 0.25
            and row.figures.get("gm_siemens", 0) < 0.03
        )

    @staticmethod
    def mu_is_slope_times_anode_resistance(section, row):
        mu, slope, ohms = (row.get(key) for key in ("mu", "gm_siemens", "ra_ohms"))
        return math.isclose(mu, slope * ohms, rel_tol=0.06) if mu and slope and ohms else None

    @staticmethod
    def anode_dissipation_is_within_the_limit(section, row):
        volts, amps, allowed = row.get("anode_volts"), row.get("anode_amps"), limit(section, "anode_watts")
        if row.triode_connected:
            joint = allowed + section.limits.get("screen_watts", 0)
            allowed = section.limits.get("triode_connected_anode_watts", joint)
        if not (volts and amps) or allowed == math.inf or row.kind in ("static", "class C"):
            return None
        # 35L6GT is published one per cent over its own rating
        return volts * amps <= 1.015 * allowed

    @staticmethod
    def screen_dissipation_is_within_the_limit(section, row):
        volts, amps, allowed = row.get("screen_volts"), row.get("screen_amps"), limit(section, "screen_watts")
        return volts * amps <= 1.001 * allowed if volts and amps and allowed < math.inf else None

    @staticmethod
    def volts_are_within_the_limits(section, row):
        highest = max(limit(section, "anode_volts"), section.limits.get("triode_connected_anode_volts", 0))
        anode, screen = row.get("anode_volts"), row.get("screen_volts")
        return anode <= highest and (screen or 0) <= limit(section, "screen_volts") if anode else None

    @staticmethod
    def cathode_current_is_the_sum(section, row):
        electrodes = ("anode_amps", "screen_amps", "oscillator_anode_amps", "oscillator_grid_amps")
        total = sum(row.figures.get(key, 0) for key in electrodes)
        stated = row.get("cathode_amps")
        return math.isclose(total, stated, rel_tol=0.065) if stated else None

    @staticmethod
    def cathode_current_is_within_the_limit(section, row):
        total = row.figures.get("anode_amps", 0) + row.figures.get("screen_amps", 0)
        allowed = limit(section, "cathode_amps")
        return total <= allowed if allowed < math.inf and row.kind not in ("static", "class C") else None

    @staticmethod
    def bias_is_what_the_cathode_resistor_makes(section, row):
        ohms, volts, amps = (row.get(key) for key in ("cathode_resistor_ohms", "grid_volts", "anode_amps"))
        if not (ohms and volts and amps):
            return None
        total = amps + row.figures.get("screen_amps", 0)
        return math.isclose(row.valves * total * ohms, -volts, rel_tol=0.08)

    @staticmethod
    def feed_resistors_drop_what_is_missing(section, row):
        found = None
        for electrode in ("anode", "screen"):
            volts, amps, ohms = (row.get(f"{electrode}_{key}") for key in ("volts", "amps", "resistor_ohms"))
            if row.get("supply_volts") and ohms and amps and volts:
                fits = math.isclose(row.get("supply_volts") - ohms * amps, volts, rel_tol=0.06)
                found = fits and found is not False
        return found

    @staticmethod
    def output_is_what_class_a_can_give(section, row):
        watts, amps = row.get("output_watts"), row.get("anode_amps")
        if not (watts and amps) or row.kind == "class C":
            return None
        taken = row.valves * row.figures["anode_volts"] * max(amps, row.figures.get("anode_amps_full_drive", 0))
        # the published watts of a single valve count its distortion; a pair in class AB reaches 70 %
        return watts <= (0.52 if row.valves == 1 else 0.72) * taken

    @staticmethod
    def working_rows_tell_bias_and_current(section, row):
        if row.kind not in ("working", "push-pull", "triode connected"):
            return None
        screened = section.shape != "pentode" or row.triode_connected or row.get("screen_volts") is not None
        return row.get("anode_amps") is not None and row.bias_volts is not None and screened

    @staticmethod
    def rectified_volts_are_below_the_peak(section, row):
        direct, alternating = row.get("dc_volts"), row.get("ac_volts_per_anode")
        if not (direct and alternating):
            return None
        # a choke passes the mean, not the peak
        floor = 0.7 if row.get("input_choke_henries") else 0.95
        return floor * alternating < direct < math.sqrt(2) * alternating

    @staticmethod
    def slope_is_that_of_a_space_charge(section, row):
        """Slope 1.5 I over the volts from cut-off, where those are well above the contact potential."""
        mu, slope, amps = (row.get(key) for key in ("mu", "gm_siemens", "anode_amps"))
        if section.shape != "triode" or not (mu and slope and amps) or row.bias_volts is None:
            return None
        drive = row.figures["anode_volts"] / mu + row.bias_volts
        # filament valves (01A) come out highest: the volts along the filament help the bias
        return 0.65 < slope * drive / (1.5 * amps) < 1.45 if drive > 3.0 else None


@pytest.mark.parametrize(
    ("check", "least"),
    [
        (Physics.signs_and_sizes, 700),
        (Physics.mu_is_slope_times_anode_resistance, 150),
        (Physics.anode_dissipation_is_within_the_limit, 350),
        (Physics.screen_dissipation_is_within_the_limit, 250),
        (Physics.volts_are_within_the_limits, 500),
        (Physics.cathode_current_is_the_sum, 25),
        (Physics.cathode_current_is_within_the_limit, 150),
        (Physics.bias_is_what_the_cathode_resistor_makes, 40),
        (Physics.feed_resistors_drop_what_is_missing, 20),
        (Physics.output_is_what_class_a_can_give, 150),
        (Physics.working_rows_tell_bias_and_current, 400),
        (Physics.rectified_volts_are_below_the_peak, 40),
        (Physics.slope_is_that_of_a_space_charge, 35),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_physics(check, least):
    """Every row passes, and there are enough rows with the figures for the check."""
    results = [(valve.name, dict(row.figures), check(section, row)) for valve, section, row in own_rows()]
    assert [(name, figures) for name, figures, held in results if held is False] == []
    assert sum(held is not None for _, _, held in results) >= least


class TestRefused:
    def test_a_right_record_is_taken(self):
        valve = parse(a_record())
        assert valve.plain.electrodes["anode"] == ("3",)
        assert valve.rows[0].get("gm_siemens") is None
        assert valve.rows[0].bias_volts == -8

    @pytest.mark.parametrize("key", ["source", "from_memory", "confidence"])
    def test_without_source(self, key):
        with pytest.raises(InputFault, match=f"the type lacks {key}"):
            parse(a_record(**{key: None}), "X1.toml")

    @pytest.mark.parametrize("key", ["source", "from_memory", "confidence"])
    def test_row_without_source(self, key):
        record = a_record()
        del record["row"][0][key]
        with pytest.raises(InputFault, match=rf"X1\.toml: row 1 lacks {key}"):
            parse(record, "X1.toml")

    def test_empty_source(self):
        with pytest.raises(InputFault, match="name the publication"):
            parse(a_record(source=" "))

    @pytest.mark.parametrize("key", ["name", "also", "kind", "duty", "base", "pins", "section"])
    def test_missing_key(self, key):
        with pytest.raises(InputFault, match=f"the type lacks {key}"):
            parse(a_record(**{key: None}))

    def test_unknown_key_names_the_near_one(self):
        record = a_record()
        record["row"][0]["anode_ma"] = 9
        with pytest.raises(InputFault, match="unknown key anode_ma; perhaps anode_amps"):
            parse(record)

    def test_wrong_type_of_value(self):
        record = a_record()
        record["row"][0]["anode_amps"] = "9 mA"
        with pytest.raises(InputFault, match="'9 mA'"):
            parse(record)

    def test_row_of_no_section(self):
        record = a_record()
        record["row"][0]["section"] = "pentode"
        with pytest.raises(InputFault, match="sections are triode or each"):
            parse(record)

    def test_pin_joined_to_nothing_there(self):
        with pytest.raises(InputFault, match=r"pin 3 is joined to pentode\.anode"):
            parse(a_record(pins={"3": ["pentode.anode"]}))

    def test_two_plain_sections(self):
        section = {"name": "a", "kind": "triode", "shape": "triode", "plain": True}
        with pytest.raises(InputFault, match="just one section"):
            parse(a_record(section=[section, {**section, "name": "b"}], pins={}, row=[]))

    def test_unknown_shape(self):
        section = {"name": "triode", "kind": "triode", "shape": "square", "plain": True}
        with pytest.raises(InputFault, match="shapes are diode"):
            parse(a_record(section=[section]))


def test_bias_of_a_pair_is_shared():
    """130 ohms under both EL84s: 2 x 40 mA x 130 ohms."""
    row = next(row for row in find("EL84").rows if row.valves == 2 and row.get("anode_volts") == 300)
    assert row.bias_volts == pytest.approx(-10.4)


def test_finding_five_types_reads_five_files_quickly():
    """In a fresh interpreter, so that nothing is cached; imports are not counted."""
    script = (
        "import time\n"
        "from hetwright.valves import catalogue\n"
        "begin = time.perf_counter()\n"
        "for name in ('ECH81', 'EBF89', 'EABC80', 'EL84', 'EZ80'): catalogue.find(name)\n"
        "print(time.perf_counter() - begin, catalogue._load.cache_info().currsize)\n"
    )
    best = math.inf
    for _ in range(3):
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        seconds, read = done.stdout.split()
        assert int(read) == 5
        best = min(best, float(seconds))
    assert best < 0.030


def test_the_catalogue_needs_no_numpy():
    script = "import sys, hetwright.valves.catalogue; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_side_tables_state_their_source():
    for file in ("valve_bases.toml", "valve_kinds.toml"):
        record = tomllib.loads((index.TRADE / file).read_text(encoding="utf-8"))
        assert record["source"]
        assert record["from_memory"] in (True, False)
    assert {find(name).base for name in TYPES} <= set(catalogue._bases())
