"""A card written from a line-up is the set of that line-up, ready to be edited."""

import re

import pytest

from hetwright.card import read_card
from hetwright.card.new import line_up, new_card
from hetwright.card.stated import stage_options
from hetwright.card.words import stage_names, stage_title
from hetwright.errors import InputFault

LINE_UPS = {
    "European AC set": ("ECH81 EBF89 ECL82", {"mains": "230 V 50 Hz", "rectifier": "bridge, silicon"}),
    "European set with EZ80": ("ECH81 EBF89 EABC80 EL84 EZ80", {"mains": "240 V 50 Hz", "year": 1956}),
    "rimlock AC/DC": ("UCH42 UF41 UBC41 UL41 UY41", {"construction": "AC/DC"}),
    "American miniature": ("6BE6 6BA6 6AT6 6AQ5 6X4", {"mains": "117 V 60 Hz", "rectifier": "two-anode valve"}),
    "American octal": ("6A8 6K7 6Q7 6F6 80", {"mains": "117 V 60 Hz", "smoothing": "field coil"}),
    "All American Five": ("12BE6 12BA6 12AT6 50C5 35W4", {"mains": "117 V 60 Hz", "construction": "AC/DC"}),
    "push-pull": (
        "V1=6SA7 V2=6SK7 V3=6SQ7 V4=6V6 V5=6V6 V6=5Y3",
        {"mains": "117 V 60 Hz", "output": "push-pull", "ht_secondary": "300 V"},
    ),
    "back bias": ("ECH81 EBF89 ECL82 EZ80", {"bias": "back bias"}),
    "battery": ("1R5 1T4 1S5 3S4", {"construction": "battery", "mains": "none"}),
    "with magic eye": ("ECH81 EAF42 ECL82 EM80 EZ80", {}),
}


def parts_of(card):
    return {
        part.identity: (
            part.ref,
            part.role,
            part.kind,
            part.quantity,
            part.from_point,
            part.to_point,
            part.figures,
            part.usual and (part.usual.si, part.usual.basis, part.usual.spread_log_sd),
            [part.value(state) and part.value(state).si for state in ("drawn", "found", "now")],
        )
        for part in card.parts.values()
    }


def stages_of(card):
    """Who works which stage, in the forms that its pattern knows."""
    return {
        stage.name: (
            stage.pattern,
            stage.valve,
            stage.section,
            {key: word for key, word in stage.options.items() if key in stage_options(stage.name)},
        )
        for stage in card.stages
    }


def short_card(valves, keys):
    """The card a restorer would write by hand for the same set."""
    supply = {key: keys[key] for key in ("rectifier", "smoothing", "ht_secondary", "heaters", "bias") if key in keys}
    general = {key: value for key, value in keys.items() if key not in supply}

    def table(name, values):
        lines = (
            f"{key} = {value if isinstance(value, int) else chr(34) + value + chr(34)}"
            for key, value in values.items()
        )
        return f"[{name}]\n" + "\n".join(lines) + "\n"

    return table("set", general) + table("supply", supply) + table("valves", line_up(valves))


@pytest.mark.parametrize("words", ["british", "american"])
@pytest.mark.parametrize("name", LINE_UPS)
def test_a_new_card_reads_back_to_the_set_it_came_from(name, words):
    valves, keys = LINE_UPS[name]
    direct = read_card(short_card(valves, keys))
    text = new_card(valves, **keys, words=words)
    again = read_card(text)
    assert parts_of(again) == parts_of(direct)
    assert stages_of(again) == stages_of(direct)
    assert again.supply.rectifier == direct.supply.rectifier
    assert {ref: valve.type for ref, valve in again.valves.items()} == {
        ref: valve.type for ref, valve in direct.valves.items()
    }


@pytest.mark.parametrize("name", LINE_UPS)
def test_a_new_card_lists_every_part_with_its_role(name):
    valves, keys = LINE_UPS[name]
    text = new_card(valves, **keys)
    card = read_card(text)
    for ref, part in card.parts.items():
        line = next(line for line in text.splitlines() if line.startswith(f"{ref} = "))
        assert f'role = "{part.role}"' in line
        assert part.line == text.splitlines().index(line) + 1
        if part.usual is not None:
            assert "usual = " in line


def test_nothing_on_a_new_card_claims_to_be_stated():
    text = new_card("ECH81 EBF89 ECL82")
    card = read_card(text)
    assert {value.basis for part in card.parts.values() if (value := part.value("now"))} == {"usual"}
    assert not re.search(r"\b(drawn|marked|measured|fitted) = ", text.partition("[set]")[2])
    for key in ("rectifier", "smoothing", "bias", "ht_volts", "year"):
        assert re.search(rf"^# {key} = ", text, re.MULTILINE), key


def test_a_usual_value_written_on_the_card_stands_even_where_the_pattern_has_another():
    text = new_card("ECH81 EBF89 ECL82")
    ref = read_card(text).parts_of_role("output.cathode_resistor")[0].ref
    line = next(line for line in text.splitlines() if line.startswith(f"{ref} = "))
    other = read_card(text.replace(line, re.sub(r'usual = "[^"]*"', 'usual = "270R"', line))).parts[ref]
    assert (other.value("now").si, other.value("now").basis) == (270.0, "usual")
    assert other.value("now").spread_log_sd == read_card(text).parts[ref].value("now").spread_log_sd


def test_editing_a_new_card_by_hand_states_a_value():
    text = new_card("ECH81 EBF89 ECL82")
    ref = read_card(text).parts_of_role("output.cathode_resistor")[0].ref
    edited = re.sub(rf"^{ref} = \{{(.*) \}}", r'R99 = {\1, marked = "470R" }', text, flags=re.MULTILINE)
    part = read_card(edited).parts["R99"]
    assert (part.role, part.value("found").si) == ("output.cathode_resistor", 470.0)


def test_american_words_are_used_in_notes_and_values_when_asked():
    british, american = (
        new_card("6BE6 6BA6 6AT6 6AQ5 6X4", mains="117 V 60 Hz", words=words) for words in ("british", "american")
    )
    assert "valves alone" in british
    assert "tubes alone" in american
    assert "# Converter (V1)" in american
    assert "mmfd" in american
    assert "mmfd" not in british


def test_a_caution_stands_where_the_hand_goes():
    assert "plug out, discharge" in new_card("ECL82 EZ80")


@pytest.mark.parametrize(
    ("written", "wrong"),
    [
        ("", "is not a line-up"),
        ("V1=", "is not a line-up"),
        ("=ECH81", "is not a line-up"),
        ("V1=ECH81 V1=EBF89", "V1 twice"),
        ("V1=ECH18", "no valve 'ECH18'"),
    ],
)
def test_a_line_up_that_is_none_is_refused(written, wrong):
    with pytest.raises(InputFault, match=wrong) as caught:
        new_card(written)
    assert all(one.file is None for one in caught.value.complaints)


def test_impossible_mains_are_refused():
    with pytest.raises(InputFault, match="mains is '5000 V 50 Hz'"):
        new_card("ECH81 EBF89 ECL82", mains="5000 V 50 Hz")


def test_every_stage_has_words_for_people():
    assert all(stage_title(stage)[0].isupper() for stage in stage_names())
