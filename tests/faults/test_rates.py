"""What fails most in an old set, in the proportions restorers give."""

from __future__ import annotations

import pytest

from hetwright.errors import InputFault
from hetwright.faults.minutes import action_minutes, check_minutes, prove_minutes, replace_minutes
from hetwright.faults.model import Fault
from hetwright.faults.rates import RateTable, Subject, default_rates, scaled
from hetwright.trade_data import load_trade, sources_of

RATES = default_rates()


def paper(role: str = "if_amp.screen_bypass_capacitor", **more: object) -> Subject:
    fields = {"part": "C1", "role": role, "kind": "waxed paper", "quantity": "farads", "si": 0.1e-6}
    return Subject(**{**fields, **more})  # type: ignore[arg-type]


def carbon(ohms: float, role: str = "audio.anode_load", **more: object) -> Subject:
    fields = {"part": "R1", "role": role, "kind": "carbon", "quantity": "ohms", "si": ohms}
    return Subject(**{**fields, **more})  # type: ignore[arg-type]


def valve(role: str) -> Subject:
    return Subject(part="V1", role=role, kind="valve", valve=True)


def rate(subject: Subject, fault: str, **more: object) -> float:
    return RATES.rate_of(subject, fault, **more)  # type: ignore[arg-type]


def total(subject: Subject) -> float:
    name = RATES.class_of(subject).name
    return sum(rate(subject, fault) for fault in RATES.words_of(name, subject))


def test_waxed_paper_leaks_far_oftener_than_mica_or_ceramic():
    # experience statements: paper "most are found leaky", mica and ceramic "rarely if ever fail"
    leaky = rate(paper(), "leaky")
    assert leaky > 8.0 * rate(paper(kind="mica", si=200e-12), "leaky")
    assert leaky > 8.0 * rate(paper(kind="ceramic", si=200e-12), "leaky")
    assert leaky > 8.0 * rate(paper(kind="film"), "leaky")


def test_coupling_capacitor_to_the_output_valve_is_the_likeliest_leak():
    coupling = rate(paper("output.coupling_capacitor", si=10e-9), "leaky")
    others = ("if_amp.screen_bypass_capacitor", "detector.avc_capacitor", "output.anode_bypass_capacitor")
    assert all(coupling > 2.0 * rate(paper(role), "leaky") for role in others)


def test_capacitor_with_ht_across_it_shorts_oftener_than_one_at_a_cathode():
    assert rate(paper("output.anode_bypass_capacitor"), "short") > 2.0 * rate(
        paper("frequency_changer.cathode_bypass_capacitor"), "short"
    )


def test_reservoir_dries_oftener_than_it_shorts():
    reservoir = Subject(
        part="C2", role="supply.reservoir_capacitor", kind="electrolytic", quantity="farads", si=32e-6
    )
    assert rate(reservoir, "low capacitance") > 3.0 * rate(reservoir, "short")


def test_high_values_of_carbon_drift_oftener_than_low_ones():
    # ARC5 list: under 10k nine in ten within tolerance, 33k to 470k most often out
    role = "if_amp.anode_feed_resistor"
    assert rate(carbon(470e3, role), "high") > rate(carbon(22e3, role), "high") > rate(carbon(1e3, role), "high")


def test_carbon_drifts_high_oftener_than_low():
    for ohms in (220.0, 22e3, 470e3):
        assert rate(carbon(ohms), "high") > 3.0 * rate(carbon(ohms), "low")


def test_output_and_rectifier_valves_wear_most():
    output, rectifier = rate(valve("output.valve"), "low emission"), rate(valve("supply.rectifier"), "low emission")
    small = rate(valve("if_amp.valve"), "low emission")
    changer = rate(valve("frequency_changer.valve"), "low emission")
    assert min(output, rectifier) > changer > small


def test_only_a_frequency_changer_stops_oscillating():
    assert rate(valve("frequency_changer.valve"), "not oscillating") > 0.0
    assert rate(valve("output.valve"), "not oscillating") == 0.0


def test_output_primary_opens_oftener_than_any_other_winding():
    def winding(role: str) -> Subject:
        return Subject(part="T1", role=role, kind="winding", quantity="ohms", si=400.0)

    output = rate(winding("output.output_transformer"), "open")
    for role in ("if_amp.input_transformer", "frequency_changer.aerial_coil", "supply.smoothing_choke"):
        assert output > rate(winding(role), "open")


def test_volume_control_gets_dirty_oftener_than_it_opens():
    control = Subject(part="VR1", role="detector.volume_control", kind="control", quantity="ohms", si=500e3)
    assert rate(control, "dirty contact") + rate(control, "noisy") > 2.0 * rate(control, "open")


def test_silver_mica_noise_is_a_thing_of_the_years_after_1950():
    can = Subject(part="IFT1", role="if_amp.input_transformer", kind="winding", quantity="ohms", si=10.0)
    assert rate(can, "noisy", year=1955) > 2.0 * rate(can, "noisy", year=1938)


def test_capacitor_of_unstated_kind_is_taken_by_its_size():
    # parts handbook: below 1 nF usually mica, to 1 µF usually paper, above electrolytic
    sizes = {100e-12: "mica capacitor", 10e-9: "paper capacitor", 32e-6: "electrolytic"}
    for farads, name in sizes.items():
        assert RATES.class_of(paper("supply.unknown", kind="", si=farads)).name == name


def test_paper_bypass_at_a_cathode_is_no_electrolytic():
    role = "if_amp.cathode_bypass_capacitor"
    assert RATES.class_of(paper(role, si=0.1e-6)).name == "paper capacitor"
    assert RATES.class_of(paper(role, kind="electrolytic", si=25e-6)).name == "bias electrolytic"


def test_winding_of_a_few_ohms_is_no_resistor():
    coil = Subject(part="L1", role="frequency_changer.oscillator_coil", kind="winding", quantity="ohms", si=3.0)
    assert RATES.class_of(coil).family == "winding"


def test_part_we_renewed_is_hardly_suspected():
    assert rate(paper(known=frozenset({"fitted"})), "leaky") < 0.2 * rate(paper(), "leaky")


def test_marking_that_was_read_leaves_little_doubt_of_the_value():
    known = carbon(220e3, known=frozenset({"marked"}))
    assert rate(known, "wrong value") < 0.2 * rate(carbon(220e3), "wrong value")
    assert rate(known, "high") == rate(carbon(220e3), "high")


def test_value_other_than_the_drawing_is_suspected_outright():
    assert rate(carbon(220e3, known=frozenset({"marked", "differs from the drawing"})), "wrong value") > 0.1


def test_rates_scale_by_number_by_fault_and_by_function():
    subject = paper()
    assert scaled(0.5).rate_of(subject, "leaky") == pytest.approx(0.5 * rate(subject, "leaky"))
    by_fault = scaled({("paper capacitor", "leaky"): 3.0})
    assert by_fault.rate_of(subject, "leaky") == pytest.approx(3.0 * rate(subject, "leaky"))
    assert by_fault.rate_of(subject, "short") == pytest.approx(rate(subject, "short"))
    twice = by_fault.scaled(lambda name, fault: 2.0 if fault == "short" else 1.0)
    assert twice.rate_of(subject, "leaky") == pytest.approx(3.0 * rate(subject, "leaky"))
    assert twice.rate_of(subject, "short") == pytest.approx(2.0 * rate(subject, "short"))
    assert scaled(1e6).rate_of(subject, "leaky") < 1.0


def test_order_of_the_trade():
    """Parts in the order in which they are a cause of the complaint: judgement from experience, not statistics.

    An ordinary paper capacitor stands below the electrolytic here although more of them are bad: most leak where
    it does no harm. The coupling capacitor of the output valve is the exception.
    """
    coupling = total(paper("output.coupling_capacitor", si=10e-9))
    assert coupling > 3.0 * total(paper("if_amp.grid_return_capacitor"))
    ladder = [
        total(Subject(part="C", role="supply.reservoir_capacitor", kind="electrolytic", quantity="farads", si=32e-6)),
        total(Subject(part="V", role="detector.volume_control", kind="control", quantity="ohms", si=5e5)),
        total(paper()),
        total(carbon(470e3)),
        total(carbon(470.0, "if_amp.cathode_resistor")),
        total(paper(kind="ceramic", si=100e-12)),
    ]
    assert ladder == sorted(ladder, reverse=True)


def test_parts_that_can_hurt_are_marked():
    bypass = paper("supply.mains_bypass_capacitor")
    assert RATES.is_safety(bypass, "open")
    reservoir = paper("supply.reservoir_capacitor", kind="electrolytic", si=16e-6)
    assert RATES.is_safety(reservoir, "short")
    assert not RATES.is_safety(reservoir, "low capacitance")
    assert not RATES.is_safety(paper(), "leaky")


def test_every_class_has_rates_and_every_grid_exists():
    document = load_trade("faults.toml")
    classes = {record["name"] for record in document["class"]}
    assert classes == document["rates"].keys()
    for name, faults in document["rates"].items():
        for fault, record in faults.items():
            assert 0.0 < record["rate"] < 0.1, (name, fault)
            if "grid" in record:
                assert RATES.grid_of(name, fault) is not None
    for grid in document["grid"].values():
        assert len(grid["numbers"]) == len(grid["weights"])
        assert min(grid["numbers"]) > 0.0


def test_every_rate_says_where_it_comes_from_and_that_it_is_no_statistic():
    document = load_trade("faults.toml")
    for name, faults in document["rates"].items():
        for fault in faults:
            assert "(" in RATES.source_of(name, fault)
    for source in sources_of(document).values():
        assert isinstance(source["from_memory"], bool)
        assert any(word in source["evidence"] for word in ("experience", "judgement", "statistics", "count", "trend"))


def test_a_record_without_a_source_is_refused(monkeypatch, tmp_path):
    from hetwright import trade_data

    folder = tmp_path / "trade"
    folder.mkdir()
    (folder / "bad.toml").write_text('[[source]]\nid = "x"\ntitle = "t"\n[rates.a]\nopen = { rate = 0.1 }\n')
    monkeypatch.setattr(trade_data, "files", lambda package: tmp_path)
    with pytest.raises(InputFault) as refused:
        trade_data.load_trade.__wrapped__("bad.toml")
    assert len(refused.value.complaints) == 2


def test_table_without_a_fitting_class_says_so():
    with pytest.raises(InputFault, match="last class"):
        RateTable({"class": []}).class_of(paper())


# ---------------------------------------------------------------------------------------------- minutes


def test_cold_reading_on_a_dead_set_costs_less_than_a_live_one():
    cold = check_minutes("cold reading", power=False, power_is_on=False)
    live = check_minutes("live reading", power=True, power_is_on=False)
    assert cold < live


def test_switching_off_means_discharging():
    assert check_minutes("cold reading", power=False, power_is_on=True) >= action_minutes(
        "cold reading"
    ) + action_minutes("discharge")


def test_valve_is_changed_quicker_than_an_output_transformer():
    assert (
        replace_minutes("output valve") < replace_minutes("paper capacitor") < replace_minutes("output transformer")
    )


@pytest.mark.parametrize("name", sorted(load_trade("faults.toml")["rates"]))
def test_every_class_of_part_can_be_replaced_in_some_time(name):
    assert 0.5 < replace_minutes(name) < 240.0


def test_unknown_action_names_the_known_ones():
    with pytest.raises(InputFault, match="cold reading"):
        action_minutes("daydream")


def test_dried_electrolytic_is_proved_by_bridging_and_a_leak_by_lifting():
    reservoir = paper("supply.reservoir_capacitor", kind="electrolytic", si=16e-6)

    def prove(word: str) -> float:
        return prove_minutes(Fault(part="C1", role=reservoir.role, fault=word, rate=0.1, severities=()), reservoir)

    assert prove("low capacitance") == action_minutes("bridge capacitor")
    assert prove("leaky") == action_minutes("lift lead") + action_minutes("cold reading")
