"""Every key and value of a card is found where it stands."""

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from hetwright.card.source_map import map_source

CARD = """\
# a comment with = and [brackets]
[set]
name = "Tarnbrook [Ouzel] # not a comment"   # a comment
note = \"\"\"two
lines = "quoted"\"\"\"

[parts]
R12 = { role = "output.cathode_resistor", drawn = "330R" }
output.grid_leak = { measured = '510k' }
"output.coupling_capacitor" = { drawn = "10n" }

[[service_sheet]]
point = "V3.anode"
[[service_sheet]]
point = "V3.cathode"
list = [ { a = 1 }, [2, 3] ]
"""


def test_lines_of_keys_inside_and_outside_tables():
    places = map_source(CARD)
    assert places.line("set", "name") == 3
    assert places.line("set", "note") == 4
    assert places.line("parts") == 7
    assert places.line("parts", "R12", "drawn") == 8
    assert places.line("parts", "output", "grid_leak", "measured") == 9
    assert places.line("parts", "output.coupling_capacitor") == 10
    assert places.line("service_sheet", 1, "point") == 15
    assert places.line("service_sheet", 1, "list", 0, "a") == 16


def test_what_is_not_there_gets_the_line_of_what_encloses_it():
    places = map_source(CARD)
    assert places.line("parts", "R12", "colour") == 8
    assert places.line("nowhere") == 1


def test_spans_hold_exactly_the_value():
    places = map_source(CARD)
    entry = places.entry(("parts", "R12", "role"))
    assert entry is not None
    assert CARD[entry.value_start : entry.value_end] == '"output.cathode_resistor"'
    assert CARD[entry.key_start : entry.key_end] == "role"
    whole = places.entry(("parts", "R12"))
    assert whole is not None
    assert CARD[whole.value_start : whole.value_end] == '{ role = "output.cathode_resistor", drawn = "330R" }'


def test_repeats_of_keys_and_tables_are_noticed():
    places = map_source("[parts]\nR1 = {}\nR2 = {}\nR1 = {}\n[set]\n[set]\n")
    assert [(path, first, second) for path, first, second in places.repeats] == [
        (("parts", "R1"), 2, 4),
        (("set",), 5, 6),
    ]


@settings(deadline=None, max_examples=200)
@given(st.text(alphabet="ab=[]{}\"'#.,\n\r\t 1\\", max_size=60))
def test_any_text_at_all_is_scanned_without_fault(text):
    places = map_source(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in places.lines.values())


_KEYS = st.text(alphabet="abcR12_-", min_size=1, max_size=4)
_VALUES = st.recursive(
    st.one_of(st.text(max_size=8), st.integers(-99, 99), st.booleans()),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_KEYS, inner, max_size=3)),
    max_leaves=6,
)


def _written(value):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}" for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(map(_written, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_written(item)}" for key, item in value.items()) + " }"
    return str(value)


@settings(deadline=None, max_examples=200)
@given(st.dictionaries(_KEYS, st.dictionaries(_KEYS, _VALUES, max_size=4), max_size=3))
def test_every_value_the_parser_gives_is_found_in_the_text(document):
    """Each span, parsed by itself, gives the value the standard parser gives at that path."""
    lines = []
    for table, values in document.items():
        lines.append(f"[{table}]  # {table} = 1")
        lines += [f"{key} = {_written(value)}  # {key}" for key, value in values.items()]
    text = "\n".join(lines) + "\n"
    parsed = tomllib.loads(text)
    places = map_source(text)
    assert places.repeats == []
    for table, values in document.items():
        for key in values:
            entry = places.entry((table, key))
            assert entry is not None
            alone = tomllib.loads("x = " + text[entry.value_start : entry.value_end])["x"]
            assert alone == parsed[table][key]
            assert text.count("\n", 0, entry.key_start) + 1 == entry.line
