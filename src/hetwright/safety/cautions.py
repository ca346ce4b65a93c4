"""Caution texts: what is said at the step where the hand goes, in British or American words.

The texts are data, ``trade/cautions.toml``. Nothing here, or anywhere, says that a thing is free of danger.
"""

from __future__ import annotations

from functools import cache
from math import isfinite, log
from typing import Any, Literal

from hetwright.errors import Complaint, OutOfRange
from hetwright.trade_data import load_trade

__all__ = ["Words", "caution", "discharge_caution", "discharge_seconds", "discharged_volts", "refusal"]

Words = Literal["british", "american"]


@cache
def _texts(section: str) -> dict[str, dict[str, Any]]:
    return {record["id"]: record for record in load_trade("cautions.toml")[section]}


def _number(name: str) -> float:
    return float(load_trade("cautions.toml")["numbers"][name])


def _say(section: str, name: str, words: Words, filled: dict[str, Any]) -> str:
    record = _texts(section)[name]
    text: str = record.get(words, record["british"])
    return text.format(**filled)


def caution(name: str, words: Words = "british", **filled: Any) -> str:
    """A caution by its id, its places filled in.

    Examples
    --------
    >>> caution("plug out", "american")
    'Pull the plug from the wall: a switch does not make a set dead.'
    """
    return _say("caution", name, words, filled)


def refusal(name: str, words: Words = "british", **filled: Any) -> str:
    """Why a step is withheld, by its id."""
    return _say("refusal", name, words, filled)


def discharged_volts() -> float:
    """Direct volts, measured, at or below which a capacitor is treated as discharged (our own choice)."""
    return _number("discharged_volts")


def discharge_seconds(farads: float, volts: float, ohms: float | None = None) -> float:
    """Seconds for a capacitor to fall to the volts that count as discharged, through a resistor.

    Parameters
    ----------
    farads : float > 0
        As marked; an old part may hold more, which is allowed for.
    volts : float > 0
        Direct volts at the start.
    ohms : float > 0, optional
        The discharge resistor alone: no bleeder, valves cold.

    Returns
    -------
    float
        Never a reason to touch: discharge through a resistor, then measure.

    Raises
    ------
    OutOfRange
        If a quantity is not finite and above zero.

    Notes
    -----
    t = R C ln(V / V_end), with the capacitance taken high.

    Examples
    --------
    >>> round(discharge_seconds(32e-6, 350.0), 2)
    1.18
    """
    resistor = _number("discharge_ohms_usual") if ohms is None else ohms
    for name, value in (("farads", farads), ("volts", volts), ("ohms", resistor)):
        if not (isfinite(value) and value > 0.0):
            raise OutOfRange(Complaint(wrong=f"{name} is {value}", right="give a finite value above zero"))
    return max(resistor * farads * _number("capacitance_high") * log(volts / discharged_volts()), 0.0)


def discharge_caution(farads: float, volts: float, words: Words = "british", *, ohms: float | None = None) -> str:
    """The discharge time in a sentence that ends with discharging through a resistor and measuring."""
    resistor = _number("discharge_ohms_usual") if ohms is None else ohms
    return caution(
        "discharge time",
        words,
        seconds=f"{discharge_seconds(farads, volts, ohms):.2g}",
        ohms=f"{resistor / 1e3:g} kΩ",
        volts=f"{volts:.0f}",
        high=f"{_number('capacitance_high'):g}",
    )
