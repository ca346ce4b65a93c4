"""Voltmeters: what they show of a point they load, and how far that may be out.

A meter of resistance Rm across a point whose source resistance is Rs shows ``E Rm / (Rm + Rs)`` of the volts E that
were there before. A moving-coil meter's resistance is its ohms per volt times the *range* it is on, whatever it
reads.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from hetwright.errors import Complaint, InputFault, OutOfRange
from hetwright.quantities import (
    DecimalMark,
    format_ohms,
    format_percent,
    format_volts,
    parse_ohms,
    parse_percent,
    parse_volts,
)

__all__ = ["IDEAL", "Meter", "MeterKind", "TwoRanges", "converted_volts", "volts_from_two_ranges"]

MeterKind = Literal["moving coil", "digital", "valve voltmeter", "ideal"]

_RIGHT = "write a meter like '10M', '20k/V on 250 V', '500 ohm/V on 400 V' or 'ideal'"


@cache
def facts() -> dict[str, Any]:
    """Accuracies and limits of ``trade/meters.toml``."""
    from hetwright.trade_data import load_trade

    return load_trade("meters.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """A voltmeter as it is used: on one range, if it has ranges of its own resistance.

    Parameters
    ----------
    kind : {"moving coil", "digital", "valve voltmeter", "ideal"}
        What it is.
    ohms : float > 0
        Its resistance on that range; ``inf`` for an ideal meter.
    range_volts, ohms_per_volt : float, optional
        Of a moving-coil meter.
    accuracy_fraction : float, optional
        The limit stated by its maker, of full scale (moving coil, valve voltmeter) or of the reading (digital);
        ``None`` takes that of the kind in ``trade/meters.toml``.
    """

    kind: MeterKind
    ohms: float
    range_volts: float | None = None
    ohms_per_volt: float | None = None
    accuracy_fraction: float | None = None

    def __post_init__(self) -> None:
        if not self.ohms > 0:
            raise OutOfRange(Complaint(wrong=f"a meter of {self.ohms} ohms reads nothing", right=_RIGHT))
        for name, value in (("range_volts", self.range_volts), ("ohms_per_volt", self.ohms_per_volt)):
            if value is not None and not 0 < value < math.inf:
                raise OutOfRange(Complaint(wrong=f"a meter's {name} cannot be {value}", right=_RIGHT))
        if self.accuracy_fraction is not None and not 0 <= self.accuracy_fraction < 1:
            raise OutOfRange(
                Complaint(wrong=f"a meter's accuracy cannot be {self.accuracy_fraction}", right="write it like 2 %")
            )

    @classmethod
    def from_text(cls, text: str, *, decimal: DecimalMark = ".") -> Meter:
        """A meter as a restorer writes it.

        Parameters
        ----------
        text : str
            ``10M``, ``11M``, ``20k/V on 250 V``, ``500 ohm/V on 400 V``, ``1000 ohms per volt, 1,000 V range``,
            ``ideal``; a stated accuracy may follow (``20k/V on 250 V ±2 %``).

        Raises
        ------
        InputFault
            Not a meter, or a moving-coil meter without its range; says what would be right.

        Examples
        --------
        >>> Meter.from_text("500 ohm/V on 400 V").ohms
        200000.0
        >>> Meter.from_text("11M").kind
        'valve voltmeter'
        """
        return _meter_from_text(text, decimal)

    def __str__(self) -> str:
        if self.kind == "ideal":
            return "ideal"
        accuracy = "" if self.accuracy_fraction is None else f" ±{format_percent(self.accuracy_fraction)}"
        usual = "moving coil" if self.ohms_per_volt is not None else _usual_kind(self.ohms)
        kind = "" if self.kind == usual else f"{self.kind} "
        if self.ohms_per_volt is not None and self.range_volts is not None:
            per_volt = format_ohms(self.ohms_per_volt, style="code").removesuffix("R")
            unit = "" if per_volt[-1] in "kMG" else " ohm"
            return f"{kind}{per_volt}{unit}/V on {format_volts(self.range_volts)}{accuracy}"
        return kind + format_ohms(self.ohms, style="code") + accuracy

    @property
    def siemens(self) -> float:
        """What it adds between its leads; zero for an ideal meter."""
        return 0.0 if math.isinf(self.ohms) else 1.0 / self.ohms

    def loaded_volts(self, true_volts: float, source_ohms: float) -> float:
        """What it shows of a point that had ``true_volts`` behind ``source_ohms``.

        Raises
        ------
        OutOfRange
            ``source_ohms`` below zero, infinite or NaN.

        Notes
        -----
        Source: Thevenin's theorem, V = E Rm / (Rm + Rs).

        Examples
        --------
        >>> round(Meter.from_text("1000 ohm/V on 50 V").loaded_volts(50.0, 5e3), 2)
        45.45
        """
        _check_source(source_ohms)
        return true_volts / (1.0 + source_ohms * self.siemens)

    def unloaded_volts(self, shown_volts: float, source_ohms: float) -> float:
        """What was there before this meter was put on; the inverse of :meth:`loaded_volts`."""
        _check_source(source_ohms)
        return shown_volts * (1.0 + source_ohms * self.siemens)

    def full_scale_volts(self, shown_volts: float) -> float | None:
        """The range it is on: the stated one, else the lowest usual one of its kind that holds the reading."""
        if self.range_volts is not None:
            return self.range_volts
        if self.kind == "ideal":
            return None
        ranges: list[float] = facts()[self.kind].get("ranges_volts", [])
        return next((full for full in ranges if abs(shown_volts) <= full), ranges[-1] if ranges else None)

    def sd_volts(self, shown_volts: float) -> float:
        """Standard deviation of a reading of ``shown_volts`` on this meter, in volts; zero for an ideal one."""
        if self.kind == "ideal":
            return 0.0
        kind = facts()[self.kind]
        full = self.full_scale_volts(shown_volts) or abs(shown_volts)
        of_full, of_reading = kind["full_scale_fraction"], kind["reading_fraction"]
        if self.accuracy_fraction is not None:
            of_full = self.accuracy_fraction if self.kind != "digital" else 0.0
            of_reading = self.accuracy_fraction if self.kind == "digital" else 0.0
        digit = kind["digits"] * full / kind["counts"] if "counts" in kind else 0.0
        limit = of_full * full + of_reading * abs(shown_volts) + digit
        return float(limit / facts()["limit_per_sd"]["number"])


IDEAL = Meter(kind="ideal", ohms=math.inf)
"""A meter that draws nothing and errs by nothing."""


def _check_source(source_ohms: float) -> None:
    if not 0 <= source_ohms < math.inf:
        raise OutOfRange(
            Complaint(
                wrong=f"a source resistance cannot be {source_ohms} ohms", right="give finite ohms, zero or above"
            )
        )


_PER_VOLT = re.compile(
    r"(?P<ohms>[^/]*?)\s*(?:/\s*v(?:olt)?|per\s+volt|\bo\.?p\.?v\.?)(?![a-z0-9])\s*(?P<rest>.*)", re.IGNORECASE
)
_ACCURACY = re.compile(
    r"[,;]?\s*(?:±|\+/-|\+-|accuracy)\s*(?P<figure>\d+(?:[.,]\d+)?\s*(?:%|per\s?cent))", re.IGNORECASE
)
_RANGE = re.compile(
    r"[,;]?\s*(?:on|at)?\s*(?:the|its)?\s*(?P<volts>[-0-9.,' ]+(?:v|kv|mv|volts?)?)\s*(?:range|scale|f\.?s\.?d\.?)?",
    re.IGNORECASE,
)
_KINDS: tuple[tuple[str, MeterKind], ...] = (
    ("valve voltmeter", "valve voltmeter"),
    ("vtvm", "valve voltmeter"),
    ("digital", "digital"),
    ("dmm", "digital"),
    ("moving coil", "moving coil"),
)


def _meter_from_text(text: str, decimal: DecimalMark) -> Meter:
    if not isinstance(text, str) or not text.strip() or len(text) > 80:
        raise InputFault(Complaint(wrong=f"{str(text)[:40]!r} is not a meter", right=_RIGHT))
    plain = " ".join(text.split())
    if plain.lower() in ("ideal", "none", "no load", "perfect"):
        return IDEAL
    not_meter = InputFault(Complaint(wrong=f"{plain!r} is not a meter", right=_RIGHT))
    accuracy: float | None = None
    stated = _ACCURACY.search(plain)
    if stated is not None and stated.start() > 0:
        accuracy = parse_percent(stated["figure"], decimal=decimal)
        plain = (plain[: stated.start()] + plain[stated.end() :]).strip(" ,;")
    kind: MeterKind | None = None
    for word, of in _KINDS:
        if word in plain.lower():
            at = plain.lower().index(word)
            kind, plain = of, (plain[:at] + plain[at + len(word) :]).strip(" ,;")
            break
    per_volt = _PER_VOLT.fullmatch(plain)
    limits = facts()["limits"]
    if per_volt is not None:
        ohms_per_volt = _part(per_volt["ohms"], parse_ohms, decimal, not_meter)
        rest = per_volt["rest"].strip(" ,;")
        if not rest:
            raise InputFault(
                Complaint(
                    wrong=f"{plain!r} lacks its range, and its resistance is ohms per volt times the range",
                    right=f"write it like '{per_volt['ohms'].strip()}/V on 250 V'",
                )
            )
        on = _RANGE.fullmatch(rest)
        if on is None:
            raise not_meter
        range_volts = _part(on["volts"], parse_volts, decimal, not_meter)
        _bounded(ohms_per_volt, limits["least_ohms_per_volt"], limits["most_ohms_per_volt"], "ohms per volt", plain)
        _bounded(range_volts, limits["least_range_volts"], limits["most_range_volts"], "volts of range", plain)
        return Meter(
            kind=kind or "moving coil",
            ohms=ohms_per_volt * range_volts,
            range_volts=range_volts,
            ohms_per_volt=ohms_per_volt,
            accuracy_fraction=accuracy,
        )
    ohms = _part(plain, parse_ohms, decimal, not_meter)
    _bounded(ohms, limits["least_ohms"], limits["most_ohms"], "ohms", plain)
    if kind is None:
        kind = _usual_kind(ohms)
    return Meter(kind=kind, ohms=ohms, accuracy_fraction=accuracy)


def _usual_kind(ohms: float) -> MeterKind:
    """What a meter of fixed resistance is taken for."""
    fixed = facts()["valve voltmeter"]
    return "valve voltmeter" if fixed["least_ohms"] <= ohms <= fixed["most_ohms"] else "digital"


def _part(text: str, parse: Any, decimal: DecimalMark, fault: InputFault) -> float:
    try:
        return float(parse(text.strip(), decimal=decimal))
    except InputFault as inner:
        raise fault from inner


def _bounded(value: float, least: float, most: float, of: str, text: str) -> None:
    if not least <= value <= most:
        raise OutOfRange(Complaint(wrong=f"{text!r}: no meter has {value:g} {of}", right=_RIGHT))


def converted_volts(shown_volts: float, source_ohms: float, *, shown_on: Meter, wanted_on: Meter) -> float:
    """A reading taken on one meter, as another meter would show it.

    Examples
    --------
    >>> sheet, mine = Meter.from_text("500 ohm/V on 400 V"), Meter.from_text("10M")
    >>> round(converted_volts(93.0, 86e3, shown_on=sheet, wanted_on=mine))
    132
    """
    return wanted_on.loaded_volts(shown_on.unloaded_volts(shown_volts, source_ohms), source_ohms)


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoRanges:
    """What two readings of one point on two meters, or two ranges, say of it.

    ``sd_volts`` is the standard deviation of ``true_volts`` from the accuracy of the two meters.
    """

    true_volts: float
    source_ohms: float
    sd_volts: float


def volts_from_two_ranges(first_volts: float, first: Meter, second_volts: float, second: Meter) -> TwoRanges:
    """True volts and source resistance from readings of one point on two ranges.

    Parameters
    ----------
    first_volts, second_volts : float
        Readings of one sign.
    first, second : Meter
        The meters, of different resistance.

    Raises
    ------
    InputFault
        The meters load alike; a reading is zero or of the other sign; or no single source gives both readings (the
        meter that loads less must not show less).

    Notes
    -----
    From V = E Rm / (Rm + Rs) twice: E = (Rm1 - Rm2) / (Rm1/V1 - Rm2/V2). Source: common practice of the trade.

    Examples
    --------
    >>> low, high = Meter.from_text("1000 ohm/V on 100 V"), Meter.from_text("1000 ohm/V on 250 V")
    >>> both = volts_from_two_ranges(50.0, low, 71.42857142857143, high)
    >>> round(both.true_volts, 6), round(both.source_ohms, 3)
    (100.0, 100000.0)
    """
    g1, g2 = first.siemens, second.siemens
    if g1 == g2:
        raise InputFault(
            Complaint(
                wrong=f"{first} and {second} load the point alike",
                right="take the two readings on ranges of different resistance",
            )
        )
    if not (math.isfinite(first_volts) and math.isfinite(second_volts) and first_volts * second_volts > 0):
        raise InputFault(
            Complaint(
                wrong=f"readings of {first_volts:g} V and {second_volts:g} V say nothing together",
                right="both must be finite, of one sign and not zero",
            )
        )
    # with conductances, so that an ideal meter needs no case of its own: 1/V = 1/E + (Rs/E) G
    slope = (1.0 / first_volts - 1.0 / second_volts) / (g1 - g2)
    inverse = 1.0 / first_volts - slope * g1
    source_ohms = slope / inverse if inverse else math.nan
    if not (inverse * first_volts > 0 and source_ohms >= 0):
        raise InputFault(
            Complaint(
                wrong=f"{first_volts:g} V on {first} and {second_volts:g} V on {second} cannot both be of one point",
                right="the meter of higher resistance must show more; read both again",
            )
        )
    true_volts = 1.0 / inverse
    by_first = (true_volts / first_volts) ** 2 * -g2 / (g1 - g2)
    by_second = (true_volts / second_volts) ** 2 * g1 / (g1 - g2)
    sd_volts = math.hypot(by_first * first.sd_volts(first_volts), by_second * second.sd_volts(second_volts))
    return TwoRanges(true_volts=true_volts, source_ohms=source_ohms, sd_volts=sd_volts)
