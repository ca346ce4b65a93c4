"""A change touches what it says and nothing else: comments, order and spacing are the restorer's."""

import difflib
import itertools
import os
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.card import read_card
from hetwright.card.writing import (
    AddPart,
    AddRow,
    Rename,
    SetKey,
    SetPart,
    inline_table,
    save_card,
    save_text,
    toml_value,
    write_card,
)
from hetwright.errors import InputFault

CARD = """\
# The Ouzel of the village hall   (two spaces, kept)
[set]
name    = "Tarnbrook Ouzel"     # from the dial
mains   = "230 V 50 Hz"

[valves]
V1 = "ECH81"
V2 = "EBF89"	# a tab before this
V3 = "ECL82"

[parts]
# -- output --
R12 = { role = "output.cathode_resistor",   drawn = "330R",  marked = "470R" }   # newer than the rest
C9  = { role = "output.coupling_capacitor", drawn = "10n", kind = "waxed paper" }
  R31 = { kind = "carbon", marked = "1M", from = "V2.anode", to = "chassis" }  # indented
audio.anode_load = { drawn = "220k" }
output.grid_leak.drawn = "470k"
# the last word on parts

[[service_sheet]]        # as printed
point = "V3.anode"
volts = 205
meter = "500 ohm/V on 400 V"

[[service_sheet]]
point = "V3.cathode"
volts = 14.5
# the end
"""


def changed_lines(before, after):
    """Lines taken out and put in, in order, as (sign, line)."""
    lines = difflib.ndiff(before.splitlines(keepends=True), after.splitlines(keepends=True))
    return [(line[0], line[2:]) for line in lines if line[0] in "+-"]


def one_change(change, card=CARD):
    after = write_card(card, [change])
    return after, changed_lines(card, after)


# The examples the job needs -----------------------------------------------------------------------------


def test_a_measured_value_is_added_inside_its_own_table():
    _, lines = one_change(SetPart(part="R12", values={"measured": "512R"}))
    assert lines == [
        ("-", CARD.splitlines(keepends=True)[12]),
        (
            "+",
            'R12 = { role = "output.cathode_resistor",   drawn = "330R",  marked = "470R", measured = "512R" }'
            "   # newer than the rest\n",
        ),
    ]


def test_a_value_that_is_there_is_replaced_in_place():
    _, lines = one_change(SetPart(part="R12", values={"marked": "330R"}))
    assert lines[1][1] == lines[0][1].replace('marked = "470R"', 'marked = "330R"')


def test_a_value_is_taken_away_with_its_comma():
    after, lines = one_change(SetPart(part="R12", values={"marked": None}))
    assert lines[1][1] == lines[0][1].replace(',  marked = "470R"', "")
    first, _ = one_change(SetPart(part="R31", values={"kind": None}))
    assert '  R31 = { marked = "1M",' in first
    assert read_card(after).parts["R12"].marked is None


def test_a_part_nobody_wrote_of_gets_a_line_with_its_role():
    ref = read_card(CARD).parts_of_role("if_amp.screen_feed_resistor")[0].ref
    _, lines = one_change(SetPart(part="if_amp.screen_feed_resistor", values={"measured": "61k"}))
    assert lines == [("+", f'{ref} = {{ role = "if_amp.screen_feed_resistor", measured = "61k" }}\n')]


def test_parts_that_share_a_role_are_told_apart_by_their_points():
    first, second = read_card(CARD).parts_of_role("detector.if_bypass_capacitor")
    after = write_card(CARD, [SetPart(part=second.ref, values={"marked": "200p"})])
    card = read_card(after)
    by_identity = {part.identity: part for part in card.parts.values()}
    assert by_identity[second.identity].marked.si == pytest.approx(200e-12)
    assert by_identity[first.identity].marked is None


def test_a_part_addressed_by_role_or_by_dotted_keys_is_changed_where_it_stands():
    after, lines = one_change(SetPart(part="audio.anode_load", values={"measured": "231k"}))
    assert lines[1][1] == 'audio.anode_load = { drawn = "220k", measured = "231k" }\n'
    _, lines = one_change(SetPart(part="output.grid_leak", values={"measured": "512k"}), after)
    assert lines == [("+", 'output.grid_leak.measured = "512k"\n')]


def test_an_extra_part_is_added_after_the_others():
    after, lines = one_change(AddPart(ref="C40", values={"marked": "1n", "from": "V3.anode", "to": "chassis"}))
    assert lines == [("+", 'C40 = { marked = "1n", from = "V3.anode", to = "chassis" }\n')]
    assert after.index("C40") < after.index("# the last word on parts")


def test_a_number_is_bound_to_a_role_and_the_identity_stays():
    before = read_card(CARD).parts_of_role("if_amp.cathode_resistor")[0]
    after, lines = one_change(Rename(part="if_amp.cathode_resistor", ref="R8"))
    assert lines == [("+", 'R8 = { role = "if_amp.cathode_resistor" }\n')]
    assert read_card(after).parts["R8"].identity == before.identity


def test_renumbering_a_part_of_the_pattern_needs_no_identity_in_the_file():
    before = read_card(CARD).parts["R12"]
    after, lines = one_change(Rename(part="R12", ref="R14"))
    assert lines[1][1] == lines[0][1].replace("R12", "R14")
    assert read_card(after).parts["R14"].identity == before.identity


def test_renumbering_a_part_of_the_restorers_own_writes_its_identity_down():
    after, lines = one_change(Rename(part="R31", ref="R40"))
    assert lines[1][1] == lines[0][1].replace("R31", "R40").replace(
        'to = "chassis" }', 'to = "chassis", identity = "R31" }'
    )
    assert read_card(after).parts["R40"].identity == "R31"


def test_a_part_addressed_by_role_is_given_its_number_beside_the_role():
    after, lines = one_change(Rename(part="audio.anode_load", ref="R5"))
    assert lines[1][1] == 'audio.anode_load = { drawn = "220k", ref = "R5" }\n'
    assert read_card(after).parts["R5"].role == "audio.anode_load"


def test_keys_of_the_set_are_set_and_taken_away():
    after, lines = one_change(SetKey(table="set", key="year", value=1957))
    assert lines == [("+", "year = 1957\n")]
    assert after.index("year") < after.index("[valves]")
    _, lines = one_change(SetKey(table="set", key="mains", value="240 V 50 Hz"))
    assert lines[1][1] == 'mains   = "240 V 50 Hz"\n'
    _, lines = one_change(SetKey(table="set", key="mains", value=None))
    assert lines == [("-", 'mains   = "230 V 50 Hz"\n')]


def test_a_table_that_is_not_there_is_put_at_the_end():
    after, _ = one_change(SetKey(table="meter", key="default", value="10M"))
    assert after == CARD + '\n[meter]\ndefault = "10M"\n'


def test_a_service_sheet_row_goes_after_the_last_one():
    after, lines = one_change(AddRow(values={"point": "HT1", "volts": 248}))
    assert [line for _, line in lines] == ["\n", "[[service_sheet]]\n", 'point = "HT1"\n', "volts = 248\n"]
    assert len(read_card(after).service_sheet) == 3


def test_dos_line_ends_stay_dos_line_ends():
    changes = [
        SetPart(part="R12", values={"measured": "512R"}),
        AddPart(ref="C40", values={"marked": "1n", "from": "V3.anode", "to": "chassis"}),
        SetKey(table="meter", key="default", value="10M"),
        AddRow(values={"point": "HT1", "volts": 248}),
    ]
    after = write_card(CARD.replace("\n", "\r\n"), changes)
    assert after == write_card(CARD, changes).replace("\n", "\r\n")


def test_tables_written_under_headers_of_their_own_are_changed_there():
    card = '[valves]\nV3 = "ECL82"\n\n[parts.R12]  # own header\nrole = "output.cathode_resistor"\ndrawn = "330R"\n'
    after = write_card(card, [SetPart(part="R12", values={"marked": "470R"}), Rename(part="R12", ref="R14")])
    assert after == card.replace("R12", "R14") + 'marked = "470R"\n'
    added = write_card(card, [AddPart(ref="R40", values={"marked": "1M", "from": "V3.anode", "to": "chassis"})])
    assert added.startswith(card)
    assert read_card(added).parts["R40"].extra


def test_a_last_line_without_an_end_is_given_one():
    after = write_card(CARD.rstrip("\n") + " ", [SetKey(table="meter", key="default", value="10M")])
    assert after.startswith(CARD.rstrip("\n") + " \n")


# What is refused ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "wrong"),
    [
        (SetPart(part="R12", values={"measured": "lots"}), "'lots' is not a resistance"),
        (SetPart(part="R12", values={"mesured": "1k"}), "no key 'mesured'; perhaps measured"),
        (SetPart(part="R99", values={"measured": "1k"}), "no part 'R99'"),
        (SetPart(part="detector.if_bypass_capacitor", values={"marked": "1n"}), "the role of 2 parts"),
        (AddPart(ref="R12", values={"marked": "1k", "from": "V3.anode", "to": "chassis"}), "has a part R12 already"),
        (AddPart(ref="R50", values={"marked": "1k", "from": "V3.anode", "to": "V3.anode"}), "to itself"),
        (Rename(part="R12", ref="R31"), "R31 is another part on this card"),
        (Rename(part="R12", ref="!"), "no name for a part"),
        (SetKey(table="sett", key="year", value=1957), "perhaps set"),
        (SetKey(table="set", key="yaer", value=1957), "no key 'yaer'"),
        (SetKey(table="valves", key="V3", value="ECL28"), "no valve 'ECL28'"),
        (AddRow(values={"point": "V3.anode", "volts": 1}), "on the sheet twice"),
    ],
)
def test_a_change_that_leaves_no_readable_card_is_refused(change, wrong, tmp_path):
    file = tmp_path / "ouzel.toml"
    file.write_text(CARD)
    with pytest.raises(InputFault, match="(?s).*" + wrong.replace("(", r"\(")):
        save_card(file, [SetPart(part="C9", values={"measured": "9n"}), change])
    assert file.read_text() == CARD
    assert os.listdir(tmp_path) == ["ouzel.toml"]


# Files --------------------------------------------------------------------------------------------------


def test_a_file_is_changed_in_place_and_keeps_its_permissions(tmp_path):
    file = tmp_path / "ouzel.toml"
    file.write_text(CARD)
    file.chmod(0o640)
    card = save_card(file, [SetPart(part="R12", values={"measured": "512R"})])
    assert card.parts["R12"].measured.si == 512.0
    assert file.read_text() == write_card(CARD, [SetPart(part="R12", values={"measured": "512R"})])
    assert file.stat().st_mode & 0o777 == 0o640


def test_a_link_is_followed_not_replaced(tmp_path):
    file, link = tmp_path / "real.toml", tmp_path / "link.toml"
    file.write_text(CARD)
    link.symlink_to(file)
    save_text(link, "# new\n")
    assert link.is_symlink()
    assert file.read_text() == "# new\n"


def test_nothing_is_left_behind_when_the_disk_fails(tmp_path, monkeypatch):
    file = tmp_path / "ouzel.toml"
    file.write_text(CARD)

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(InputFault, match="No space left"):
        save_text(file, "# new\n")
    assert file.read_text() == CARD
    assert os.listdir(tmp_path) == ["ouzel.toml"]


def test_a_folder_that_is_not_there_is_named(tmp_path):
    with pytest.raises(InputFault, match="cannot be written"):
        save_text(tmp_path / "nowhere" / "card.toml", "")


# Properties ---------------------------------------------------------------------------------------------

_COMMENT = st.text(alphabet="abc #=[]{}\"'\t.,", max_size=12).map(lambda text: f"#{text}")
_GAP = st.sampled_from(["", " ", "   ", "\t"])


@st.composite
def cards(draw):
    """The same card, spaced, ordered and commented in many ways."""
    end = draw(st.sampled_from(["\n", "\r\n"]))

    def tail():
        return draw(_GAP) + (draw(_COMMENT) if draw(st.booleans()) else "")

    def pair(key, value):
        return f"{draw(_GAP)}{key}{draw(_GAP)}={draw(_GAP)}{value}{tail()}"

    def table(values):
        comma = "," + draw(_GAP)
        inside = comma.join(f"{key}{draw(_GAP)}={draw(_GAP)}{value}" for key, value in values.items())
        return f"{{{draw(_GAP)}{inside}{draw(_GAP)}}}"

    part_lines = [
        pair("R12", table({"role": '"output.cathode_resistor"', "drawn": "'330R'"})),
        pair('"C9"', table({"role": '"output.coupling_capacitor"', "drawn": '"10n"', "note": '"a # = b"'})),
        pair("R31", table({"marked": '"1M"', "from": '"V2.anode"', "to": '"chassis"'})),
        pair("audio.anode_load", table({"drawn": '"220k"'})),
        pair("output.grid_leak.drawn", '"470k"'),
    ]
    sections = [
        [f"[set]{tail()}", pair("name", '"Ouzel"'), pair("note", '"""two\nlines # [parts]"""')],
        [f"[valves]{tail()}", pair("V1", '"ECH81"'), pair("V2", '"EBF89"'), pair("V3", '"ECL82"')],
        [f"[parts]{tail()}", *draw(st.permutations(part_lines))],
        [f"[[service_sheet]]{tail()}", pair("point", '"V3.anode"'), pair("volts", "205")],
    ]
    lines = []
    for section in draw(st.permutations(sections)):
        for line in section:
            lines += draw(st.lists(st.one_of(st.just(""), _COMMENT), max_size=1))
            lines.append(line)
    return end.join(lines) + draw(st.sampled_from(["", end]))


CHANGES = [
    SetPart(part="R12", values={"measured": "512R"}),
    SetPart(part="R12", values={"drawn": "470R"}),
    SetPart(part="C9", values={"note": None}),
    SetPart(part="output.grid_leak", values={"marked": "510k"}),
    SetPart(part="if_amp.cathode_resistor", values={"marked": "180R"}),
    AddPart(ref="C40", values={"marked": "1n", "from": "V3.anode", "to": "chassis"}),
    Rename(part="R31", ref="R55"),
    Rename(part="output.cathode_resistor", ref="R13"),
    Rename(part="if_amp.cathode_resistor", ref="R8"),
    SetKey(table="set", key="year", value=1957),
    SetKey(table="supply", key="smoothing", value="choke"),
    AddRow(values={"point": "HT1", "volts": 248}),
]


def shared_start(one, other):
    return "".join(a for a, _ in itertools.takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


@settings(deadline=None, max_examples=60)
@given(cards(), st.sampled_from(CHANGES))
def test_every_line_but_the_changed_one_stays_byte_for_byte(text, change):
    after = write_card(text, [change])
    assert write_card(text, []) == text
    before = shared_start(text, after)
    rest, new = text[len(before) :], after[len(before) :]
    behind = shared_start(rest[::-1], new[::-1])
    replaced, put = rest[: len(rest) - len(behind)], new[: len(new) - len(behind)]
    assert "\n" not in replaced
    assert put or change == CHANGES[2]
    assert len(put) <= len(replaced) + 100


@settings(deadline=None, max_examples=60)
@given(cards(), st.sampled_from(CHANGES))
def test_the_data_changes_by_the_change_and_nothing_else(text, change):
    before, after = tomllib.loads(text), tomllib.loads(write_card(text, [change]))
    touched = {SetKey: getattr(change, "table", ""), AddRow: "service_sheet"}.get(type(change), "parts")
    assert {key: value for key, value in before.items() if key != touched} == {
        key: value for key, value in after.items() if key != touched
    }
    if isinstance(change, SetPart | Rename | AddPart):
        flat_before, flat_after = _flat(before["parts"]), _flat(after["parts"])
        if isinstance(change, Rename) and change.part == "R31":
            flat_before = {
                tuple("R55" if word == "R31" else word for word in key): v for key, v in flat_before.items()
            }
        if isinstance(change, Rename) and change.part == "output.cathode_resistor":
            flat_before = {
                tuple("R13" if word == "R12" else word for word in key): v for key, v in flat_before.items()
            }
        new = {key: value for key, value in flat_after.items() if flat_before.get(key) != value}
        lost = flat_before.keys() - flat_after.keys()
        assert len(lost) == (1 if change == CHANGES[2] else 0)
        assert len(new) <= 3


def _flat(table, path=()):
    if not isinstance(table, dict):
        return {path: table}
    return {key: value for word, inner in table.items() for key, value in _flat(inner, (*path, word)).items()}


@settings(deadline=None, max_examples=60)
@given(cards(), st.lists(st.sampled_from(CHANGES[:5]), max_size=3))
def test_changes_end_the_same_however_the_card_is_laid_out(text, changes):
    plain = write_card(CARD, [SetPart(part="R12", values={"marked": None}), *changes])
    mine = write_card(text, changes)
    for ref in ("R12", "C9", "R31"):
        one, other = read_card(plain).parts[ref], read_card(mine).parts[ref]
        assert [one.value(state).si for state in ("found", "now")] == [
            other.value(state).si for state in ("found", "now")
        ]


@settings(deadline=None, max_examples=150)
@given(
    st.dictionaries(
        st.text(max_size=6),
        st.one_of(
            st.text(st.characters(exclude_categories=["Cs"]), max_size=20),
            st.integers(-(2**62), 2**62),
            st.booleans(),
            st.floats(allow_nan=False, allow_infinity=False),
        ),
        max_size=4,
    ).filter(lambda table: all(not any(0xD800 <= ord(c) < 0xE000 for c in key) for key in table))
)
def test_any_value_written_is_read_back(values):
    assert tomllib.loads("x = " + inline_table(values))["x"] == values
    for value in values.values():
        assert tomllib.loads("x = " + toml_value(value))["x"] == value
