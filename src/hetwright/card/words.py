"""British and American words: the card takes either and speaks the one asked for.

Inside, every point, stage and role has one name, the British one of ``trade/words.toml`` and ``trade/readings.toml``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any, Literal

from hetwright.card.pattern_files import roles_of_patterns
from hetwright.trade_data import load_trade

__all__ = [
    "Words",
    "british_point",
    "british_role",
    "british_stage",
    "in_words",
    "part_words",
    "set_points",
    "stage_names",
    "stage_title",
]

Words = Literal["british", "american"]

# Where readings speak of a place more loosely than the points of a circuit do.
_INSIDE = {"avc": "avc_line"}
_NO_POINTS = frozenset({"set", "heaters", "mains"})


def _data() -> Mapping[str, Any]:
    return load_trade("words.toml")


def _plain(written: str) -> str:
    """A word as it is compared: lower case; space, hyphen inside a word and underscore alike."""
    return re.sub(r"[ _-]+(?=[^\W_])", "_", written.strip().lower())


@cache
def _points() -> tuple[dict[str, str], dict[str, str]]:
    """Spellings of the electrodes of a valve, and of the points of the set; the same as in readings."""
    facts = load_trade("readings.toml")
    of_valve, of_set = (
        {
            _plain(spelling): _INSIDE.get(name, name)
            for name, also in facts[table].items()
            for spelling in (name, *also)
        }
        for table in ("electrode", "point")
    )
    return of_valve, of_set


@cache
def _stages() -> dict[str, str]:
    return {
        _plain(spelling): record["stage"]
        for record in _data()["stage"]
        for spelling in (record["stage"], *record["also"])
    }


@cache
def _to_british() -> dict[str, str]:
    """American or old single words inside a role, such as plate, condenser, tube."""
    pairs: dict[str, str] = {}
    for record in _data()["word"]:
        for spelling in (record["american"], *record.get("also", ())):
            if " " not in spelling and " " not in record["british"] and spelling != record["british"]:
                pairs[_plain(spelling)] = _plain(record["british"])
    return pairs


def set_points() -> tuple[str, ...]:
    """The points that belong to the set as a whole, such as ``chassis``, ``HT1`` or ``mains_live``."""
    return tuple(point for point in dict.fromkeys(_points()[1].values()) if point not in _NO_POINTS)


def stage_names() -> tuple[str, ...]:
    """Every stage name a card may use, without numbered repeats such as ``if_amp_2``."""
    return tuple(record["stage"] for record in _data()["stage"])


@cache
def _part_words() -> dict[str, tuple[str, ...]]:
    listed = {record["stage"]: record for record in load_trade("roles.toml")["stage"]}
    found = {
        stage: [*record["parts"], *(listed[record["as"]]["parts"] if "as" in record else ())]
        for stage, record in listed.items()
    }
    for role in sorted(roles_of_patterns()):
        stage, _, part = role.partition(".")
        found.setdefault(stage, []).append(part)
    return {stage: tuple(dict.fromkeys(parts)) for stage, parts in found.items()}


def part_words(stage: str) -> tuple[str, ...]:
    """The part words of a stage, those of its patterns included; empty for what is no stage.

    A repeat such as ``if_amp_2`` has those of the stage it repeats.

    Examples
    --------
    >>> part_words("indicator")
    ('target_feed_resistor', 'anode_load', 'valve')
    >>> part_words("if_amp_2") == part_words("if_amp"), part_words("gearbox")
    (True, ())
    """
    return _part_words().get(stage) or _part_words().get(re.sub(r"_(\d+|[ab])$", "", stage), ())


def british_point(written: str) -> str:
    """The inside name of a point, however it is written. Whether the set has it is not asked here.

    Examples
    --------
    >>> british_point("v3.plate"), british_point("V3 g2"), british_point("B+"), british_point("Chassis")
    ('V3.anode', 'V3.screen_grid', 'HT2', 'chassis')
    """
    of_valve, of_set = _points()
    whole = _plain(written)
    if whole in of_set:
        return of_set[whole]
    match = re.fullmatch(r"([A-Za-z]{1,4}\d+[A-Za-z]?)\s*(?:[.:_]|\s)\s*(.+)", written.strip())
    if match is None:
        return written.strip()
    owner, end = match.group(1).upper(), _plain(match.group(2).replace(".", "_"))
    if end in of_valve:
        return f"{owner}.{of_valve[end]}"
    for american, british in _to_british().items():
        end = re.sub(rf"(?<![a-z]){re.escape(american)}(?![a-z])", british, end)
    return f"{owner}.{end}"


def british_stage(written: str) -> str:
    """The inside name of a stage, or what was written when it is none.

    Examples
    --------
    >>> british_stage("converter"), british_stage("second detector"), british_stage("if_amp_2")
    ('frequency_changer', 'detector', 'if_amp_2')
    """
    return _stages().get(_plain(written), _plain(written))


def stage_title(stage: str) -> str:
    """What a person reads for a stage, in British words.

    Examples
    --------
    >>> stage_title("if_amp"), stage_title("if_amp_3")
    ('IF amplifier', 'IF amplifier 3')
    """
    titles = {record["stage"]: str(record["title"]) for record in _data()["stage"]}
    base, _, number = stage.rpartition("_")
    if stage not in titles and base in titles:
        return f"{titles[base]} {number}"
    return titles.get(stage, stage.replace("_", " "))


def british_role(written: str) -> str:
    """The inside name of a role ``STAGE.PART``, or the nearest rendering of what was written.

    Examples
    --------
    >>> british_role("output.coupling condenser"), british_role("audio.plate_load")
    ('output.coupling_capacitor', 'audio.anode_load')
    >>> british_role("converter.tube"), british_role("supply.power transformer")
    ('frequency_changer.valve', 'supply.mains_transformer')
    """
    stage, dot, part = written.strip().partition(".")
    if not dot:
        return _plain(written)
    stage, part = british_stage(stage), _plain(part)
    if part in part_words(stage):
        return f"{stage}.{part}"
    for record in sorted(_data()["word"], key=lambda record: -len(record["american"])):
        american, british = _plain(record["american"]), _plain(record["british"])
        turned = re.sub(rf"(?<![a-z]){re.escape(american)}(?![a-z])", british, part)
        if turned in part_words(stage):
            return f"{stage}.{turned}"
    words = [_to_british().get(word, word) for word in part.split("_")]
    return f"{stage}.{'_'.join(words)}"


def in_words(text: str, words: Words) -> str:
    """A sentence of ours, written in British words, in the words asked for.

    Examples
    --------
    >>> in_words("the anode of the output valve, fed from HT", "american")
    'the plate of the output tube, fed from B+'
    """
    if words == "british":
        return text
    for record in sorted(_data()["word"], key=lambda record: -len(record["british"])):
        british, american = record["british"], record["american"]
        if british == american:
            continue
        text = re.sub(rf"(?<![\w.]){re.escape(british)}(?![\w+])", american, text)
        capital = british[0].upper() + british[1:]
        if capital != british:
            text = re.sub(rf"(?<![\w.]){re.escape(capital)}(?![\w+])", american[0].upper() + american[1:], text)
    return text
