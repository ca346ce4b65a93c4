"""How a set is fed decides what must be measured before it is fed."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hetwright.card.model import Part, SetCard, SupplyCard, Value
from hetwright.safety.construction import (
    classify,
    cold_check_results,
    cold_checks_demanded,
    hazard_named,
    hazards_of_card,
    peak_volts_present,
)
from hetwright.trade_data import load_trade


@dataclass(frozen=True)
class Read:
    point: str
    to: str | None
    value: float
    quantity: str = "ohms"


def card(construction: str = "mains transformer", **changed: object) -> SetCard:
    fields: dict[str, object] = {
        "name": "test",
        "mains_rms_volts": 230.0,
        "mains_hertz": 50.0,
        "construction": construction,
        "valves": {},
        "stages": (),
        "parts": {},
        "supply": SupplyCard(rectifier="bridge, silicon", smoothing="choke"),
    }
    return SetCard(**{**fields, **changed})  # type: ignore[arg-type]


def volts(si: float, basis: str = "stated") -> Value:
    return Value(si=si, basis=basis, spread_log_sd=0.05)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("words", "name", "live"),
    [
        ("mains transformer", "transformer", False),
        ("mains transformer, chassis isolated", "transformer", False),
        ("double-wound mains transformer", "transformer", False),
        ("Mains auto-transformer", "auto-transformer", True),
        ("mains transformer for the heaters only", "heater transformer only", True),
        ("AC/DC", "live chassis", True),
        ("AC/DC, live chassis", "live chassis", True),
        ("transformerless", "live chassis", True),
        ("no mains transformer", "live chassis", True),
        ("mains or battery portable", "live chassis", True),
        ("battery", "battery", False),
        ("battery, dry", "battery", False),
        ("mains and battery", "unknown", True),
        ("without a mains transformer", "unknown", True),
        ("mains transformer removed", "unknown", True),
        ("mains transformer?", "unknown", True),
        ("unknown", "unknown", True),
        ("", "unknown", True),
        ("a cabinet of walnut", "unknown", True),
    ],
)
def test_words_of_a_card_name_the_construction(words, name, live):
    found = classify(words)
    assert found.name == name
    assert found.live_chassis is live


@given(st.text(max_size=60))
def test_words_nobody_knows_count_as_live_chassis(words):
    found = classify(words)
    if found.name == "unknown":
        assert found.live_chassis
    if not found.live_chassis:
        # only words that name a transformer or a battery say otherwise
        assert any(w in words.casefold() for w in ("transformer", "wound", "batter", "vibrator", "accumulator"))


@pytest.mark.parametrize("danger", ["auto-transformer", "AC/DC", "live chassis", "heaters only"])
def test_a_doubtful_card_is_taken_as_the_more_dangerous(danger):
    assert classify(f"mains transformer, {danger}").live_chassis


def test_transformer_set_must_prove_isolation_its_ht_and_its_primary():
    assert [c.name for c in cold_checks_demanded(card())] == ["mains to chassis", "HT to HT negative", "primary"]


def test_live_chassis_set_must_prove_its_isolators_its_ht_and_its_chain():
    names = [c.name for c in cold_checks_demanded(card("AC/DC"))]
    assert names == ["isolation of aerial and earth", "HT to HT negative", "heater chain"]


def test_unknown_construction_demands_what_a_live_chassis_demands():
    known = {c.name for c in cold_checks_demanded(card("AC/DC"))}
    assert known <= {c.name for c in cold_checks_demanded(card("unknown"))}


def test_every_cold_check_says_how_why_and_on_whose_word():
    for construction in ("mains transformer", "AC/DC", "auto-transformer", "battery", "unknown"):
        for check in cold_checks_demanded(card(construction)):
            assert check.how.startswith("Plug out")
            assert check.why
            assert check.source
    assert cold_checks_demanded(card(), words="american")[0].how.startswith("Unplugged")


def test_primary_of_117_volts_has_fewer_ohms_than_of_230():
    (at_230,) = [c for c in cold_checks_demanded(card()) if c.name == "primary"]
    (at_117,) = [c for c in cold_checks_demanded(card(mains_rms_volts=117.0)) if c.name == "primary"]
    assert at_117.least_ohms < at_230.least_ohms
    assert at_117.most_ohms < at_230.most_ohms


def status(readings: list[Read], of: SetCard | None = None, **expected: object) -> dict[str, str]:
    return {r.check.name: r.status for r in cold_check_results(of or card(), readings, **expected)}


def test_nothing_read_is_nothing_passed():
    assert set(status([]).values()) == {"missing"}


@pytest.mark.parametrize(
    ("ohms", "expected"),
    [(inf, "passed"), (5e6, "passed"), (1.9e6, "failed"), (0.0, "failed")],
)
def test_mains_to_chassis_wants_two_megohms(ohms, expected):
    assert status([Read("mains_live", "chassis", ohms)])["mains to chassis"] == expected


@pytest.mark.parametrize(
    ("ohms", "expected"), [(47e3, "passed"), (12e3, "missing"), (4e3, "failed"), (0.0, "failed"), (inf, "passed")]
)
def test_ht_line_below_five_kilohms_stops_and_below_twenty_waits(ohms, expected):
    assert status([Read("HT1", None, ohms)])["HT to HT negative"] == expected


def test_a_bleeder_lowers_what_the_ht_line_should_read():
    read = [Read("HT1", "chassis", 12e3)]
    assert status(read)["HT to HT negative"] == "missing"
    assert status(read, expected_ohms={("chassis", "HT1"): 15e3})["HT to HT negative"] == "passed"
    # but never below the figure at which one stops
    low = [Read("HT1", "chassis", 3e3)]
    assert status(low, expected_ohms={("HT1", "chassis"): 4e3})["HT to HT negative"] == "failed"


def test_open_heater_chain_fails_and_says_so():
    results = cold_check_results(card("AC/DC"), [Read("mains_live", "mains_neutral", inf)])
    (chain,) = [r for r in results if r.check.name == "heater chain"]
    assert chain.status == "failed"
    assert "open" in chain.remark


def test_a_cold_thermistor_widens_what_the_chain_may_read():
    read = [Read("mains_live", "mains_neutral", 5.6e3)]
    assert status(read, card("AC/DC"))["heater chain"] == "failed"
    expected = {("mains_live", "mains_neutral"): 5.2e3}
    assert status(read, card("AC/DC"), expected_ohms=expected)["heater chain"] == "passed"
    opened = [Read("mains_live", "mains_neutral", inf)]
    assert status(opened, card("AC/DC"), expected_ohms=expected)["heater chain"] == "failed"


def test_the_last_reading_counts():
    read = [Read("HT1", "chassis", 0.0), Read("chassis", "HT1", 200e3)]
    assert status(read)["HT to HT negative"] == "passed"
    assert status(read[::-1])["HT to HT negative"] == "failed"


@pytest.mark.parametrize("value", [float("nan"), -5.0])
def test_a_reading_that_is_none_passes_nothing(value):
    assert status([Read("HT1", "chassis", value)])["HT to HT negative"] != "passed"


def test_volts_do_not_answer_a_cold_check():
    assert status([Read("HT1", "chassis", 250.0, "volts dc")])["HT to HT negative"] == "missing"


def test_paper_capacitor_from_mains_to_chassis_stops_when_the_card_states_it():
    def mains_capacitor(**more: object) -> SetCard:
        part = Part(
            identity="c",
            ref="C16",
            role="supply.mains_bypass_capacitor",
            kind="waxed paper",
            quantity="farads",
            from_point="mains_live",
            to_point="chassis",
            usual=volts(10e-9, "usual"),
            **more,  # type: ignore[arg-type]
        )
        return card(parts={"C16": part})

    assert hazards_of_card(mains_capacitor()) == ()
    (hazard,) = hazards_of_card(mains_capacitor(marked=volts(10e-9, "marked")))
    assert "power" in hazard.stops
    renewed = mains_capacitor(marked=volts(10e-9, "marked"), fitted=volts(4.7e-9), fitted_kind="Y2")
    assert hazards_of_card(renewed) == ()


@pytest.mark.parametrize(
    "words",
    [
        "perished wiring",
        "crumbling asbestos",
        "radium dial",
        "oil leaking from a can",
        "line cord damaged",
        "live metal",
    ],
)
def test_hazards_of_the_bench_are_known_by_their_words(words):
    named = hazard_named(words)
    assert named is not None
    assert named.stops


def test_a_dusty_cabinet_is_no_stop():
    assert hazard_named("dust and cobwebs") is None


def test_peak_of_a_350_volt_winding_with_high_mains_is_544_volts():
    # restorers' practice: 350-0-350 reaches 544 V
    supply = SupplyCard(rectifier="two-anode valve", smoothing="choke", secondary_rms_volts=volts(350.0))
    assert peak_volts_present(card(supply=supply))["ht"] == pytest.approx(544.5, abs=0.5)


def test_unstated_winding_is_taken_high():
    assert peak_volts_present(card())["ht"] >= 544.0


def test_live_chassis_has_the_peak_of_the_mains():
    assert peak_volts_present(card("AC/DC"))["ht"] == pytest.approx(230.0 * sqrt(2.0) * 1.1)


def test_every_figure_of_the_safety_files_has_its_source():
    for name in ("constructions.toml", "cautions.toml"):
        document = load_trade(name)
        known = {source["id"] for source in document["source"]}
        for section in ("construction", "cold_check", "caution", "refusal", "hazard"):
            for record in document.get(section, []):
                assert record["source"] in known
