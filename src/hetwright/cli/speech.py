"""How things are said to a person: points, roles, values and chances in words."""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

from hetwright.card.words import in_words, stage_names, stage_title
from hetwright.quantities import format_ohms, format_value

from .output import Words

__all__ = [
    "LIKELY",
    "POSSIBLE",
    "as_read",
    "band",
    "chance",
    "listed",
    "part_name",
    "point_spoken",
    "reading_spoken",
    "role_spoken",
    "spoken",
    "volts_spoken",
    "written",
]

LIKELY, POSSIBLE = 0.5, 0.1
"""Probabilities from which a suspect is called likely, and possible."""

_POINTS = {
    "HT1": "HT1 (reservoir)",
    "HT2": "HT2 (smoothed)",
    "ht_negative": "HT negative",
    "avc_line": "AVC line",
    "mains_live": "mains live",
    "mains_neutral": "mains neutral",
}
_AMERICAN = {
    r"\bHT negative\b": "B-",
    r"\bht_negative\b": "B-",
    r"\bmains[_ ]live\b": "line hot",
    r"\bmains[_ ]neutral\b": "line neutral",
    r"\bHT(?=\d)": "B+",
    r"\bPlug out\b": "Unplugged",
    r"\bplug out\b": "unplugged",
}
_VALVE_POINT = re.compile(r"\b(V\d+[A-Z]?)\.([a-z][a-z0-9_]*)\b")
_UNIT = {"volts dc": "volts", "volts ac": "volts", "amps dc": "amps", "amps ac": "amps", "watts": "watts"}
# (out of, how many): the fractions that people say
_FRACTIONS = [
    *((1, n) for n in (2, 3, 4, 5, 6, 8, 10, 15, 20, 30, 50, 100, 150)),
    *((n - 1, n) for n in (3, 4, 5, 6, 8, 10, 20, 50, 100)),
    (2, 5),
    (3, 5),
]


@cache
def _stage_words() -> re.Pattern[str]:
    stages = "|".join(sorted((*stage_names(), "heaters", "wiring", "mechanical"), key=len, reverse=True))
    return re.compile(rf"\b((?:{stages})(?:_(?:\d+|[ab]))?)\.([a-z][a-z0-9_]*)\b")


def role_spoken(role: str) -> str:
    """A role as a restorer says it, in British words.

    Examples
    --------
    >>> role_spoken("output.coupling_capacitor"), role_spoken("if_amp_2.valve"), role_spoken("supply.fuse")
    ('output coupling capacitor', 'second IF amplifier valve', 'supply fuse')
    """
    title = stage_title(role.partition(".")[0]).replace(",", "")
    # IF, RF, FM stay as they are
    title = title if title[:2].isupper() else title[:1].lower() + title[1:]
    said = part_name(role)
    # the output transformer of the output stage is one
    return said if said.split(" ")[0] == title else f"{title} {said}".rstrip()


def part_name(role: str) -> str:
    """The part a role names, without its stage.

    Examples
    --------
    >>> part_name("detector.avc_feed_resistor")
    'AVC feed resistor'
    """
    return re.sub(r"\b(if|rf|avc|fm|ht)\b", lambda found: found[0].upper(), role.partition(".")[2].replace("_", " "))


def point_spoken(point: str, words: Words = "british") -> str:
    """A point as a restorer says it.

    Examples
    --------
    >>> point_spoken("V3.screen_grid"), point_spoken("HT1"), point_spoken("V3.anode", "american")
    ('V3 screen grid', 'HT1 (reservoir)', 'V3 plate')
    """
    return spoken(_POINTS.get(point, point), words)


def spoken(text: str, words: Words = "british") -> str:
    """A sentence of the core with its points and roles as they are said, in the words asked for.

    Examples
    --------
    >>> spoken("Read V1.anode to chassis, on the 10M.", "american")
    'Read V1 plate to chassis, on the 10M.'
    >>> spoken("ohms across R4 (if_amp.screen_feed_resistor)")
    'ohms across R4 (IF amplifier screen feed resistor)'
    >>> spoken("Plug out: HT1 to HT negative", "american")
    'Unplugged: B+1 to B-'
    """
    text = _VALVE_POINT.sub(lambda found: f"{found[1]} {found[2].replace('_', ' ')}", text)
    text = _stage_words().sub(lambda found: role_spoken(found[0]), text)
    if words == "american":
        for british, american in _AMERICAN.items():
            text = re.sub(british, american, text)
    else:
        for point in ("ht_negative", "avc_line", "mains_live", "mains_neutral"):
            text = re.sub(rf"\b{point}\b", _POINTS[point], text)
    return in_words(text, words)


def volts_spoken(volts: float) -> str:
    """Direct volts to three figures, and no finer than a hundredth: nobody reads a microvolt on a valve set.

    Examples
    --------
    >>> volts_spoken(237.48), volts_spoken(15.676), volts_spoken(0.0352), volts_spoken(-0.001)
    ('237 V', '15.7 V', '0.04 V', '0 V')
    """
    return f"{_figure(volts)} V"


def _figure(volts: float) -> str:
    if not math.isfinite(volts):
        return "?"
    size = abs(volts)
    digits = 0 if size >= 99.95 else 1 if size >= 9.995 else 2
    figure = f"{volts:.{digits}f}"
    if "." in figure:
        figure = figure.rstrip("0").rstrip(".")
    return "0" if figure in ("-0", "") else figure


def written(value: Any, quantity: str, words: Words = "british") -> str:
    """A value of a reading for a person; ``None`` and NaN are a question mark, infinite ohms are open.

    Examples
    --------
    >>> written(47123.0, "ohms"), written(47123.0, "ohms", "american"), written(1.2e-3, "amps dc")
    ('47.1 k', '47.1K', '1.2 mA')
    """
    if isinstance(value, str):
        return value
    if value is None or math.isnan(value):
        return "?"
    if quantity == "ohms":
        return format_ohms(value, digits=3 if math.isfinite(value) else None, words=words)
    if quantity == "volts dc":
        return volts_spoken(value)
    if quantity == "volts ac":
        return f"{volts_spoken(value)} a.c."
    if quantity == "hum":
        return format_value(value, "hertz", digits=3)
    if quantity in _UNIT:
        return format_value(value, _UNIT[quantity], digits=3)  # type: ignore[arg-type]
    return f"{value:.3g}"


def as_read(value: Any, quantity: str, words: Words = "british") -> str:
    """A value as somebody read it: no figure of it is lost.

    Examples
    --------
    >>> as_read(207.5, "volts dc"), as_read(1e6, "ohms"), as_read("open", "ohms")
    ('207.5 V', '1 M', 'open')
    """
    if isinstance(value, str) or quantity in ("ohms", "hum", "amps dc", "amps ac"):
        return written(value, quantity, words)
    if quantity in ("volts dc", "volts ac"):
        return f"{value:g} V" if quantity.endswith("dc") else f"{value:g} V a.c."
    return f"{value:g} W" if quantity == "watts" else written(value, quantity, words)


def band(low: Any, high: Any, quantity: str, words: Words = "british") -> str:
    """From a low value to a high one.

    Examples
    --------
    >>> band(213.2, 259.0, "volts dc"), band(4.21e3, 5.6e3, "ohms"), band(4.2e3, float("inf"), "ohms")
    ('213 to 259 V', '4.2 to 5.6 k', '4.2 k to open')
    """
    if quantity == "ohms":
        first, last = (_two_figures(value, words) for value in (low, high))
    else:
        first, last = written(low, quantity, words), written(high, quantity, words)
    if first == last:
        return first
    number, _, unit = first.partition(" ")
    return f"{number} to {last}" if unit and last.partition(" ")[2] == unit else f"{first} to {last}"


def _two_figures(ohms: Any, words: Words) -> str:
    """A bound of a band of ohms: two figures are as fine as a band is."""
    if isinstance(ohms, str) or not math.isfinite(ohms):
        return written(ohms, "ohms", words)
    return format_ohms(ohms, digits=2, words=words)


def chance(probability: float) -> str:
    """A probability as a restorer would say it, with the number.

    Examples
    --------
    The space before the per cent sign is one that does not break.

    >>> [chance(p).replace("\\u00a0", " ") for p in (0.81, 0.034, 0.9991, 1e-9)]
    ['4 in 5 (81 %)', '1 in 30 (3 %)', 'as good as certain (over 99 %)', 'less than 1 in 200']
    """
    if probability < 0.005:
        return "less than 1 in 200"
    if probability > 0.99:
        return "as good as certain (over 99\u00a0%)"
    odds = math.log(probability / (1.0 - probability))
    part, whole = min(_FRACTIONS, key=lambda pair: abs(odds - math.log(pair[0] / (pair[1] - pair[0]))))
    return f"{part} in {whole} ({100 * probability:.0f}\u00a0%)"


def listed(items: list[str], last: str = "and") -> str:
    """ "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def reading_spoken(point: str, to: str | None, reference: str, words: Words = "british") -> str:
    """Where a reading was taken: the point, and the other one where it is not the reference."""
    name = point_spoken(point, words)
    return name if to is None or to == reference else f"{name} to {point_spoken(to, words)}"
