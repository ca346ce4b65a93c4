"""The words of a reading: which point, which quantity, which observation is meant."""

from __future__ import annotations

import difflib
import re
from functools import cache
from typing import Any

from hetwright.errors import Complaint, InputFault

__all__ = ["OBSERVATIONS", "QUANTITIES", "find_observation", "is_alternating", "point_named", "quantity_named"]

QUANTITIES: tuple[str, ...] = (
    "volts dc",
    "volts ac",
    "ohms",
    "amps dc",
    "amps ac",
    "watts",
    "hum",
    "gain",
    "observation",
)
OBSERVATIONS: tuple[str, ...] = (
    "no sound",
    "weak",
    "distorted",
    "hum",
    "crackle",
    "intermittent",
    "heater dark",
    "anode glows",
    "lamp limiter bright",
    "fuse blew",
    "oscillator stopped",
    "smoke",
    "getter white",
)

_VALVE_POINT = re.compile(r"(?:v|valve|tube)[ _]?(\d{1,2})(?:[ ._]+(.+))?", re.IGNORECASE | re.ASCII)
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_+-]*")


@cache
def facts() -> dict[str, Any]:
    """The words and limits of ``trade/readings.toml``."""
    from hetwright.trade_data import load_trade

    return load_trade("readings.toml")


@cache
def _meanings(table: str) -> dict[str, str]:
    """Every word of a table of ``trade/readings.toml``, folded, to its canonical word."""
    meanings: dict[str, str] = {}
    for word, record in facts()[table].items():
        also = record if isinstance(record, list) else record["also"]
        for other in (word, *also):
            meanings[_folded(other)] = word
    return meanings


def _folded(text: str) -> str:
    return re.sub(r"[\s_]+", "_", text.strip().casefold())


def near(word: str, known: list[str]) -> str:
    """The known words nearest to ``word``, or the first few, as part of a sentence."""
    close = difflib.get_close_matches(word, known, n=3, cutoff=0.5)
    return " or ".join(f"'{other}'" for other in close) if close else ", ".join(known)


def quantity_named(text: str) -> str:
    """The quantity meant by a written word.

    Raises
    ------
    InputFault
        No such quantity; the complaint names near ones.

    Examples
    --------
    >>> quantity_named("V DC"), quantity_named("Ohms")
    ('volts dc', 'ohms')
    """
    meanings = _meanings("quantity")
    folded = _folded(text)
    if folded in meanings:
        return meanings[folded]
    raise InputFault(
        Complaint(
            wrong=f"unknown quantity {text.strip()!r}",
            right=f"did you mean {near(text.strip().casefold(), list(QUANTITIES))}?",
        )
    )


def point_named(text: str) -> str:
    """The canonical name of a written point.

    Parameters
    ----------
    text : str
        ``V3.anode``, ``V3 plate``, ``V3 g2``, ``B+``, ``antenna``, a role such as ``heaters.dropper`` or a part
        such as ``R12``. Whether the set has it is for its card to say.

    Raises
    ------
    InputFault
        Not a point, or a valve's electrode by a name no electrode has.

    Examples
    --------
    >>> point_named("V3 plate"), point_named("v1.g2"), point_named("B+")
    ('V3.anode', 'V1.screen_grid', 'HT2')
    """
    plain = " ".join(text.split()).strip(" :")
    folded = _folded(plain)
    points = _meanings("point")
    if folded in points:
        return points[folded]
    valve = _VALVE_POINT.fullmatch(plain)
    if valve is not None:
        name, tail = f"V{int(valve[1])}", (valve[2] or "").strip()
        if not tail:
            return name
        electrode = re.sub(r"[\s._]+", "_", tail.casefold())
        electrodes = _meanings("electrode")
        if electrode in electrodes:
            return f"{name}.{electrodes[electrode]}"
        raise InputFault(
            Complaint(
                wrong=f"{plain!r}: no valve has an electrode {tail!r}",
                right=f"did you mean {near(electrode, list(facts()['electrode']))}?",
            )
        )
    dotted = re.sub(r"\s*\.\s*", ".", plain).replace(" ", "_")
    if plain and len(plain) <= 60 and all(_WORD.fullmatch(word) for word in dotted.split(".")):
        return dotted
    raise InputFault(
        Complaint(
            wrong=f"{plain[:60]!r} is not a point",
            right="write a point like V3.anode, HT1, chassis, aerial or heaters.dropper",
        )
    )


def find_observation(text: str) -> tuple[str, str] | None:
    """An observation at the end of ``text``: what stands before it, and its canonical word; or ``None``.

    Examples
    --------
    >>> find_observation("V3 plate glows red")
    ('V3', 'anode glows')
    """
    plain = " ".join(text.replace("_", " ").split()).casefold()
    meanings = sorted(_meanings("observation").items(), key=lambda item: -len(item[0]))
    for folded, word in meanings:
        phrase = folded.replace("_", " ")
        for joined in (phrase, phrase.replace(" ", ".", 1)):
            if plain == joined:
                return ("heaters" if phrase.startswith("heaters") else ""), word
            if plain.endswith((" " + joined, "." + joined, ":" + joined)):
                return " ".join(text.split())[: len(plain) - len(joined)].strip(" .:"), word
    return None


def observation_point(place: str, word: str) -> str:
    """The point of an observation: what was named, or what the word itself implies.

    Raises
    ------
    InputFault
        The word is of one valve and none is named.
    """
    record = facts()["observation"][word]
    if not place.strip():
        if "needs" in record:
            raise InputFault(
                Complaint(wrong=f"'{word}' does not say of which valve", right=f"write it like 'V3 {word}'")
            )
        return str(record["where"])
    point = point_named(place)
    if "electrode" in record and re.fullmatch(r"V\d+", point):
        return f"{point}.{record['electrode']}"
    return point


def is_alternating(point: str) -> bool:
    """Whether volts at this point are alternating where nothing else is said."""
    table = facts()["alternating"]
    return point in table["points"] or point.rpartition(".")[2] in table["electrodes"]
