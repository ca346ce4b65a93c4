"""What the restorer wrote on a card, table by table, checked as far as it can be without the set.

Values of parts stay as written: their unit depends on the part, which only the built set knows.
"""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from hetwright import quantities
from hetwright.card.pattern_files import patterns
from hetwright.card.source_map import Path, SourceMap
from hetwright.card.words import british_point, british_role, british_stage, part_words, stage_names
from hetwright.errors import Complaint, InputFault
from hetwright.trade_data import load_trade

__all__ = [
    "MOST_COMPLAINTS",
    "VALUE_KEYS",
    "Desk",
    "StatedCard",
    "StatedPart",
    "StatedRow",
    "StatedStage",
    "StatedValve",
    "card_keys",
    "near",
    "state_card",
]

#: A card with more faults than this is something else; the first ones are enough to see it.
MOST_COMPLAINTS = 200

#: Keys of a part that hold a value, in no order of precedence.
VALUE_KEYS = ("drawn", "marked", "measured", "fitted", "usual")

_REF = re.compile(r"[A-Za-z]{1,6}\d{1,4}[A-Za-z]?(_[A-Za-z0-9]{1,12})?|[A-Za-z][A-Za-z0-9_]{0,23}", re.ASCII)
_TABLES = ("set", "valves", "stages", "supply", "meter", "parts", "service_sheet")
_LONGEST_TEXT = 2000
# Forms of a pattern that follow from the set or the valve, and are no choice of the stage's.
_OF_THE_SET = frozenset(["aerial", "heaters", "rectifier", "rectifier_kind", "smoothing", "rail", "construction"])
_OF_THE_VALVE = frozenset(["shape", "first", "first_if", "half"])
_YEARS = (1900, 2100)


def card_keys(table: str) -> dict[str, dict[str, Any]]:
    """The keys a table of the card may hold, from ``trade/card_keys.toml``."""
    return {record["key"]: record for record in load_trade("card_keys.toml")["key"] if record["table"] == table}


def near(word: str, known: Iterable[str], count: int = 3, cutoff: float = 0.6) -> str:
    """ "a, b or c": known words that look like this one; "" for none."""
    by_small = {other.lower(): other for other in known}
    found = [by_small[match] for match in difflib.get_close_matches(word.lower(), by_small, count, cutoff)]
    return _either(found)


def _either(words: Iterable[str]) -> str:
    words = list(words)
    return " or ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


@dataclass(slots=True)
class Desk:
    """Where complaints and questions are gathered, each with the line of what it is about."""

    file: str
    places: SourceMap
    complaints: list[Complaint] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    def ask(self, path: Path, doubt: str) -> None:
        """Note a doubt that does not stop the work."""
        self.questions.append(f"line {self.places.line(*path)}: {doubt}")

    @property
    def full(self) -> bool:
        """Whether so much is wrong that looking further helps nobody."""
        return len(self.complaints) >= MOST_COMPLAINTS

    def complain(self, path: Path, wrong: str, right: str) -> None:
        """Note one fault of what stands at ``path``."""
        if self.full:
            return
        self.complaints.append(Complaint(wrong=wrong, right=right, file=self.file, line=self.places.line(*path)))

    def adopt(self, path: Path, fault: InputFault, what: str = "") -> None:
        """Note the complaints of a parser that knew no file."""
        for complaint in fault.complaints:
            self.complain(path, f"{what}{complaint.wrong}", complaint.right)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedValve:
    """An entry of [valves]."""

    ref: str
    type: str
    path: Path
    like: str | None = None
    kind: str | None = None
    identity: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedStage:
    """An entry of [stages]."""

    name: str
    valve: str
    path: Path
    options: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedPart:
    """An entry of [parts]. ``values`` and ``figures`` are as written; ``value_keys`` also names unusable ones."""

    path: Path
    ref: str | None
    role: str | None
    from_point: str | None = None
    to_point: str | None = None
    kind: str | None = None
    fitted_kind: str | None = None
    values: dict[str, str | float] = field(default_factory=dict)
    value_keys: frozenset[str] = frozenset()
    figures: dict[str, Any] = field(default_factory=dict)
    tolerance: tuple[float, float] | None = None
    year: int | None = None
    identity: str | None = None
    note: str = ""

    @property
    def called(self) -> str:
        """The name to complain by."""
        return self.ref or self.role or ".".join(map(str, self.path[1:]))


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedRow:
    """One [[service_sheet]] row; ``value`` in SI units."""

    path: Path
    point: str
    to: str | None
    quantity: str
    value: float
    meter: str
    note: str = ""


@dataclass(slots=True, kw_only=True)
class StatedCard:
    """Everything on the card. Keys of ``set``, ``supply`` and ``meter`` that were not written are missing."""

    set: dict[str, Any] = field(default_factory=dict)
    supply: dict[str, Any] = field(default_factory=dict)
    meter: dict[str, Any] = field(default_factory=dict)
    valves: list[StatedValve] = field(default_factory=list)
    stages: list[StatedStage] = field(default_factory=list)
    parts: list[StatedPart] = field(default_factory=list)
    sheet: list[StatedRow] = field(default_factory=list)


def state_card(document: Mapping[str, Any], desk: Desk) -> StatedCard:
    """Check every table of a parsed card and gather what it states; faults go to ``desk``."""
    stated = StatedCard()
    for key in document:
        if key not in _TABLES:
            like = near(key, _TABLES)
            desk.complain(
                (key,), f"a card has no table [{key}]", f"perhaps [{like}]" if like else _tables_there_are()
            )
    stated.set = _read_table(document, "set", desk)
    stated.supply = _read_table(document, "supply", desk)
    stated.meter = _read_table(document, "meter", desk)
    stated.valves = _valves(document, desk)
    stated.stages = _stages(document, desk, {valve.ref for valve in stated.valves})
    stated.parts = _parts(document, desk)
    stated.sheet = _sheet(document, desk, str(stated.meter.get("service_sheet", "")))
    return stated


def _tables_there_are() -> str:
    return "the tables are " + ", ".join(f"[{table}]" for table in _TABLES[:-1]) + " and [[service_sheet]]"


# Tables -------------------------------------------------------------------------------------------------


def _table(document: Mapping[str, Any], name: str, desk: Desk) -> Mapping[str, Any]:
    raw = document.get(name, {})
    if isinstance(raw, Mapping):
        return raw
    desk.complain((name,), f"{name} is {_shown(raw)}, not a table", f"write [{name}] on a line of its own")
    return {}


def _read_table(document: Mapping[str, Any], name: str, desk: Desk) -> dict[str, Any]:
    return _read_keys(_table(document, name, desk), name, (name,), desk, f"[{name}]")


def _read_keys(
    raw: Mapping[str, Any], table: str, path: Path, desk: Desk, called: str, skip: Iterable[str] = ()
) -> dict[str, Any]:
    """Values of the known keys of a table; unknown keys and unusable values go to the desk."""
    known = card_keys(table)
    found = {}
    for key, written in raw.items():
        if key in skip:
            continue
        if key not in known:
            like = near(key, known)
            right = f"perhaps {like}" if like else "the keys are " + ", ".join(known)
            desk.complain((*path, key), f"{called} has no key {key!r}", right)
            continue
        value = _typed(written, known[key], (*path, key), desk)
        if value is not None:
            found[key] = value
    return found


def _valves(document: Mapping[str, Any], desk: Desk) -> list[StatedValve]:
    raw = _table(document, "valves", desk)
    found: list[StatedValve] = []
    seen: dict[str, str] = {}
    for key, written in raw.items():
        path: Path = ("valves", key)
        ref = key.strip().upper()
        if not _good_ref(key, path, desk, "valve"):
            continue
        if ref in seen:
            desk.complain(path, f"two valves are called {ref} ({seen[ref]} and {key})", "give each its own name")
            continue
        seen[ref] = key
        if isinstance(written, str):
            written = {"type": written}
        if not isinstance(written, Mapping):
            desk.complain(path, f"{ref} is {_shown(written)}", f'write {key} = "EL84" or {key} = {{ type = "EL84" }}')
            continue
        values = _read_keys(written, "valve", path, desk, ref)
        if not values.get("type"):
            if "type" not in written or isinstance(written["type"], str):
                desk.complain(
                    path, f"{ref} has no type", f'write {key} = "EL84", or type = "unknown" with kind = "..."'
                )
            continue
        found.append(StatedValve(ref=ref, path=path, **values))
    return found


def _stages(document: Mapping[str, Any], desk: Desk, valves: set[str]) -> list[StatedStage]:
    raw = _table(document, "stages", desk)
    found: list[StatedStage] = []
    seen: dict[str, str] = {}
    for key, written in raw.items():
        path: Path = ("stages", key)
        name = british_stage(key)
        if not part_words(name):
            like = near(name, stage_names(), cutoff=0.5)
            right = f"perhaps {like}" if like else "the stages are " + ", ".join(stage_names())
            desk.complain(path, f"there is no stage {key!r}", right)
            continue
        if name in seen:
            desk.complain(path, f"stage {name} is given twice ({seen[name]} and {key})", "give it once")
            continue
        seen[name] = key
        if isinstance(written, str):
            written = {"valve": written}
        if not isinstance(written, Mapping):
            desk.complain(path, f"stage {key} is {_shown(written)}", f'write {key} = "V3"')
            continue
        options = _options(name, written, path, desk)
        values = _read_keys(written, "stage", path, desk, f"stage {key}", skip=options)
        valve = values.pop("valve", None)
        if valve is None:
            if "valve" not in written:
                desk.complain(path, f"stage {key} names no valve", f'write {key} = "V3"')
            continue
        owner = valve.upper()
        if owner not in valves:
            like = near(owner, valves, cutoff=0.5)
            right = f"the valves are {_either(sorted(valves))}" if valves else "write the line-up under [valves]"
            if like:
                right = f"perhaps {like}"
            desk.complain(path, f"stage {key} names {valve}, which is not in [valves]", right)
            continue
        found.append(StatedStage(name=name, valve=owner, path=path, options=options))
    return found


def stage_options(stage: str) -> dict[str, tuple[str, ...]]:
    """The forms a card may choose for a stage and the words of each, as the stage patterns tell them."""
    words: dict[str, dict[str, None]] = {}
    base = re.sub(r"_(\d+|[ab])$", "", stage)
    for pattern in patterns():
        if pattern.stage != base:
            continue
        for when in [part.when for part in pattern.parts] + [join.when for join in pattern.joins]:
            for key, wanted in when.items():
                if key not in _OF_THE_SET and key not in _OF_THE_VALVE:
                    words.setdefault(key, {}).update(dict.fromkeys(wanted if isinstance(wanted, list) else [wanted]))
    return {key: tuple(found) for key, found in words.items()}


def _options(stage: str, raw: Mapping[str, Any], path: Path, desk: Desk) -> dict[str, str]:
    """Forms chosen for a stage, such as ``bias = "grid leak"``."""
    known = stage_options(stage)
    found = {}
    for key in known.keys() & raw.keys():
        found[key] = ""
        text = _text(raw[key], (*path, key), desk, f'"{known[key][0]}"')
        if text is None:
            continue
        word = " ".join(text.lower().split()).removesuffix(" bias") if key == "bias" and text != "back bias" else text
        if word not in known[key]:
            choices = _either(f'"{choice}"' for choice in known[key])
            desk.complain((*path, key), f"{key} of {stage} is {_shown(text)}", f"it may be {choices}")
            continue
        found[key] = word
    return found


def _parts(document: Mapping[str, Any], desk: Desk) -> list[StatedPart]:
    raw = _table(document, "parts", desk)
    found: list[StatedPart] = []
    seen: dict[str, Path] = {}
    for key, written in raw.items():
        if desk.full:
            break
        for path, ref, role, table in _part_tables(key, written, desk):
            part = _part(path, ref, role, table, desk)
            name = part.called.upper()
            if name in seen:
                desk.complain(
                    path,
                    f"two parts are called {part.called} (the other on line {desk.places.line(*seen[name])})",
                    "give each its own name",
                )
                continue
            seen[name] = path
            found.append(part)
    return found


def _part_tables(
    key: str, written: Any, desk: Desk
) -> Iterable[tuple[Path, str | None, str | None, Mapping[str, Any]]]:
    """The part tables under one key of [parts]: ``R12``, ``"output.grid_leak"`` or ``output`` with parts in it."""
    path: Path = ("parts", key)
    stage = british_stage(key.partition(".")[0])
    if "." in key:
        if isinstance(written, Mapping):
            yield path, None, british_role(key), written
        else:
            _not_a_part_table(path, key, written, desk)
    elif part_words(stage) and isinstance(written, Mapping) and all(isinstance(v, Mapping) for v in written.values()):
        for part, table in written.items():
            yield (*path, part), None, british_role(f"{key}.{part}"), table
    elif part_words(stage) and isinstance(written, Mapping) and any(isinstance(v, Mapping) for v in written.values()):
        for part, table in written.items():
            if isinstance(table, Mapping):
                yield (*path, part), None, british_role(f"{key}.{part}"), table
            else:
                _not_a_part_table((*path, part), f"{key}.{part}", table, desk)
    elif not _good_ref(key, path, desk, "part"):
        return
    elif isinstance(written, Mapping):
        yield path, key.strip(), None, written
    else:
        _not_a_part_table(path, key, written, desk)


def _not_a_part_table(path: Path, called: str, written: Any, desk: Desk) -> None:
    value = _shown(written) if isinstance(written, str) else '"330R"'
    desk.complain(
        path,
        f"{called} is {_shown(written)}, which does not say whether that is drawn, marked, measured or fitted",
        f"write {called} = {{ drawn = {value.replace(chr(39), chr(34))} }}",
    )


def _part(path: Path, ref: str | None, role: str | None, raw: Mapping[str, Any], desk: Desk) -> StatedPart:
    called = ref or role or str(path[-1])
    keys = card_keys("part")
    values: dict[str, str | float] = {}
    figures: dict[str, Any] = {}
    for key, written in raw.items():
        if key in VALUE_KEYS:
            value = _value_as_written(written, (*path, key), desk, f"{called}: {key}")
            if value is not None:
                values[key] = value
        elif key not in keys and _unit_of_figure(key) is not None:
            figures[key] = written
    plain = _read_keys(raw, "part", path, desk, called, skip=(*VALUE_KEYS, *figures, "tolerance"))
    if "role" in plain:
        if role is not None:
            desk.complain((*path, "role"), f"{called} is already addressed by its role", "leave role out")
        role = british_role(plain.pop("role"))
    if "ref" in plain:
        if ref is not None:
            desk.complain(
                (*path, "ref"), f"{called} has its reference already", f"rename {ref} itself, or leave ref out"
            )
        elif _good_ref(plain["ref"], (*path, "ref"), desk, "part"):
            ref = plain["ref"]
    if role is not None:
        _check_role_words(role, path, desk, called)
    tolerance = None
    if "tolerance" in raw and not {"drawn", "marked"} & raw.keys():
        desk.complain(
            (*path, "tolerance"),
            f"{called} has a tolerance but no value it is the tolerance of",
            "give what is drawn or marked as well, or leave tolerance out",
        )
    elif "tolerance" in raw:
        tolerance = _tolerance(raw["tolerance"], (*path, "tolerance"), desk, called)
    return StatedPart(
        path=path,
        ref=ref,
        role=role,
        from_point=plain.get("from"),
        to_point=plain.get("to"),
        kind=plain.get("kind"),
        fitted_kind=plain.get("fitted_kind"),
        values=values,
        value_keys=frozenset(VALUE_KEYS) & frozenset(raw),
        figures=figures,
        tolerance=tolerance,
        year=plain.get("year"),
        identity=plain.get("identity"),
        note=plain.get("note", ""),
    )


def _check_role_words(role: str, path: Path, desk: Desk, called: str) -> None:
    stage, dot, part = role.partition(".")
    whole = "" if called == role else f"{called}: "
    if not dot or not part:
        desk.complain(path, f"{whole}{role!r} is no role", 'a role is STAGE.PART, such as "output.cathode_resistor"')
        return
    words = part_words(stage)
    if not words:
        like = near(stage, stage_names(), cutoff=0.5)
        right = f"perhaps {like}" if like else "the stages are " + ", ".join(stage_names())
        desk.complain(path, f"{whole}there is no stage {stage!r} for the role {role}", right)
    elif part not in words:
        like = near(part, words, cutoff=0.5)
        right = f"perhaps {stage}.{like}" if like else f"its parts are {', '.join(words)}"
        desk.complain(path, f"{whole}{stage} has no part {part!r}", right)


def _sheet(document: Mapping[str, Any], desk: Desk, usual_meter: str) -> list[StatedRow]:
    raw = document.get("service_sheet", [])
    if not isinstance(raw, list) or not all(isinstance(row, Mapping) for row in raw):
        desk.complain(
            ("service_sheet",), "service_sheet is not a list of rows", "start each row with [[service_sheet]]"
        )
        return []
    quantities_of = {
        key: (record["quantity"], float(record.get("scale", 1.0)))
        for key, record in card_keys("service_sheet").items()
        if "quantity" in record
    }
    found = []
    for number, row in enumerate(raw):
        if desk.full:
            break
        path: Path = ("service_sheet", number)
        values = _read_keys(row, "service_sheet", path, desk, "a service-sheet row")
        given = [key for key in quantities_of if key in values]
        written = [key for key in quantities_of if key in row]
        if len(written) != 1:
            wrong = f"the row gives {' and '.join(written)}" if written else "the row gives no figure"
            desk.complain(path, wrong, f"give just one of {_either(quantities_of)}, such as volts = 205")
            continue
        if "point" not in values:
            if "point" not in row and written[0] != "watts":
                desk.complain(path, "the row names no point", 'write point = "V3.anode"')
                continue
            if "point" in row:
                continue
        if not given:
            continue
        quantity, scale = quantities_of[given[0]]
        found.append(
            StatedRow(
                path=path,
                point=values.get("point", "mains"),
                to=values.get("to"),
                quantity=quantity,
                value=values[given[0]] * scale,
                meter=values.get("meter", usual_meter),
                note=values.get("note", ""),
            )
        )
    return found


# Values -------------------------------------------------------------------------------------------------


def _shown(written: Any) -> str:
    text = repr(written) if isinstance(written, str) else _toml_word(written)
    return text if len(text) <= 60 else text[:57] + "..."


def _toml_word(written: Any) -> str:
    if isinstance(written, bool):
        return "true" if written else "false"
    if isinstance(written, Mapping):
        return "a table"
    if isinstance(written, list):
        return "a list"
    if isinstance(written, datetime.date | datetime.time):
        return f"the date {written}"
    return str(written)


def _good_ref(key: str, path: Path, desk: Desk, what: str) -> bool:
    if _REF.fullmatch(key.strip()):
        return True
    example = "V3" if what == "valve" else "R12"
    desk.complain(path, f"{_shown(key)} is no name for a {what}", f"a letter and a number, such as {example}")
    return False


def _text(written: Any, path: Path, desk: Desk, example: str) -> str | None:
    key = path[-1]
    if not isinstance(written, str):
        desk.complain(path, f"{key} is {_shown(written)}, not words", f"write {key} = {example}")
        return None
    if len(written) > _LONGEST_TEXT:
        desk.complain(path, f"{key} is {len(written)} characters long", f"at most {_LONGEST_TEXT}")
        return None
    # a note may run over several lines; everything else is repeated in messages of one line
    allowed = "\n\t" if key == "note" else ""
    if any(not letter.isprintable() and letter not in allowed for letter in written):
        desk.complain(path, f"{key} holds a control character", "plain text only")
        return None
    return written.strip()


def _typed(written: Any, record: Mapping[str, Any], path: Path, desk: Desk) -> Any:
    """One value of the kind its key takes, or ``None`` when a complaint was made."""
    takes, example, key = record["takes"], record["example"], path[-1]
    if takes == "flag":
        if isinstance(written, bool):
            return written
        desk.complain(path, f"{key} is {_shown(written)}", f"write {key} = true or {key} = false")
        return None
    if takes == "year":
        if isinstance(written, int) and not isinstance(written, bool) and _YEARS[0] <= written <= _YEARS[1]:
            return written
        desk.complain(path, f"{key} is {_shown(written)}", f"a year in figures, such as {key} = {example}")
        return None
    if takes == "number":
        return _number(written, record, path, desk)
    if takes in ("volts", "farads"):
        return _quantity(written, takes, path, desk, example)
    text = _text(written, path, desk, example)
    if text is None:
        return None
    if not text and takes != "text":
        desk.complain(path, f"{key} is empty", f"write {key} = {example}, or leave it out")
        return None
    if takes == "choice":
        return _choice(text, record, path, desk)
    if takes == "mains":
        return _mains(text, path, desk)
    if takes == "point":
        return british_point(text)
    return text


def _number(written: Any, record: Mapping[str, Any], path: Path, desk: Desk) -> float | None:
    key = path[-1]
    scale = float(record.get("scale", 1.0))
    unit = record["quantity"].split()[0]
    if isinstance(written, str):
        try:
            return quantities.parse(written, unit) / scale
        except InputFault as fault:
            desk.adopt(path, fault, f"{key}: ")
            return None
    if isinstance(written, bool) or not isinstance(written, int | float):
        desk.complain(path, f"{key} is {_shown(written)}", f"write {key} = {record['example']}")
        return None
    try:
        return quantities.parse(float(written) * scale, unit) / scale
    except InputFault as fault:
        desk.adopt(path, fault, f"{key}: ")
    except OverflowError:
        desk.complain(path, f"{key} is {_shown(written)}", f"write {key} = {record['example']}")
    return None


def _quantity(written: Any, unit: str, path: Path, desk: Desk, example: str) -> float | None:
    """Volts or farads above zero, from a number or a written value."""
    key = path[-1]
    if isinstance(written, bool) or not isinstance(written, str | int | float):
        desk.complain(path, f"{key} is {_shown(written)}", f"write {key} = {example}")
        return None
    try:
        value = quantities.parse(written, unit)  # type: ignore[arg-type]
    except InputFault as fault:
        desk.adopt(path, fault, f"{key}: ")
        return None
    except OverflowError:
        value = math.inf
    if not 0 < value < math.inf:
        desk.complain(path, f"{key} is {_shown(written)}", f"above zero, such as {key} = {example}")
        return None
    return value


def _choice(text: str, record: Mapping[str, Any], path: Path, desk: Desk) -> str | None:
    word = _choice_word(text)
    spellings = {}
    for choice, also in zip(record["choices"], record["also"], strict=True):
        spellings.update({_choice_word(spelling): choice for spelling in (choice, *also)})
    if word in spellings:
        return str(spellings[word])
    like = near(word, record["choices"], cutoff=0.5)
    choices = _either(f'"{choice}"' for choice in record["choices"])
    right = f"perhaps {like}; it may be {choices}" if like else f"it may be {choices}"
    desk.complain(path, f"{path[-1]} is {_shown(text)}", right)
    return None


def _choice_word(text: str) -> str:
    return " ".join(text.lower().replace(",", " ").split())


def _mains(text: str, path: Path, desk: Desk) -> tuple[float, float | None] | None:
    """Volts and hertz; hertz ``None`` when not given."""
    if text.lower() in ("none", "battery"):
        return (0.0, None)
    right = 'volts and frequency, such as "230 V 50 Hz"; for a battery set "none"'
    match = re.fullmatch(
        r"([\d.,]+)\s*(?:v|volts?)?\s*(?:a\.?c\.?)?[\s,/]*(?:([\d.,]+)\s*(?:hz|c/s|cps|cycles|~)\.?)?",
        text,
        re.IGNORECASE,
    )
    if match is None:
        desk.complain(path, f"mains is {_shown(text)}", right)
        return None
    try:
        volts = quantities.parse_volts(match[1])
        hertz = quantities.parse_hertz(match[2]) if match[2] else None
    except InputFault as fault:
        desk.adopt(path, fault, "mains: ")
        return None
    low, high = (
        load_trade("part_kinds.toml")["mains"]["volts_low"],
        load_trade("part_kinds.toml")["mains"]["volts_high"],
    )
    hertz_high = load_trade("part_kinds.toml")["mains"]["hertz_high"]
    if not low <= volts <= high:
        desk.complain(path, f"mains is {_shown(text)}", f"public mains are {low:g} to {high:g} V; {right}")
        return None
    if hertz is not None and not 0 <= hertz <= hertz_high:
        desk.complain(path, f"mains is {_shown(text)}", f"public mains are at most {hertz_high:g} Hz; {right}")
        return None
    return volts, hertz


def _value_as_written(written: Any, path: Path, desk: Desk, called: str) -> str | float | None:
    if isinstance(written, str):
        text = _text(written, path, desk, '"330R"')
        if text == "":
            desk.complain(path, f"{called} is empty", f"write the value, or leave {path[-1]} out")
            return None
        return text
    if isinstance(written, bool) or not isinstance(written, int | float):
        desk.complain(path, f"{called} is {_shown(written)}", f'write {path[-1]} = "4k7"')
        return None
    if not math.isfinite(written):
        desk.complain(path, f"{called} is {_shown(written)}, not a finite number", f'write {path[-1]} = "4k7"')
        return None
    return written


def _tolerance(written: Any, path: Path, desk: Desk, called: str) -> tuple[float, float] | None:
    """Fractions below and above."""
    if isinstance(written, bool) or not isinstance(written, str | int | float):
        desk.complain(path, f"{called}: tolerance is {_shown(written)}", 'write tolerance = "10 %"')
        return None
    try:
        marking = quantities.parse_marking(f"1 {written}" if isinstance(written, str) else f"1 {written} %", "ohms")
        fractions = (marking.minus_fraction, marking.plus_fraction)
    except InputFault:
        fractions = (None, None)
    below, above = fractions
    if below is None or above is None or not (0 < below < 1 and 0 < above <= 4):
        desk.complain(path, f"{called}: tolerance is {_shown(written)}", 'write tolerance = "10 %" or "+50 -20 %"')
        return None
    return below, above


def _unit_of_figure(key: str) -> str | None:
    """Unit told by the end of a figure's name, such as ``primary_ohms``; ``None`` when it is no figure."""
    tail = key.rpartition("_")[2]
    return tail if tail in (*quantities.UNITS, "fraction") else None
