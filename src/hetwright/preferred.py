"""Preferred numbers, and what an old value is bought as today.

The series themselves come from the ``eseries`` library, which is imported when first needed. "Nearest" is nearest by
ratio, as tolerances go by ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from hetwright.errors import Complaint, InputFault, OutOfRange

__all__ = ["Replacement", "Series", "is_preferred", "nearest", "neighbours", "replacement_for", "series_values"]

Series = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacement:
    """What to buy for an old value: ``si`` in its units, ``series`` it is of, ``change_fraction`` from the old."""

    si: float
    series: Series
    change_fraction: float


@cache
def _facts() -> dict[str, Any]:
    from hetwright.trade_data import load_trade

    return load_trade("preferred.toml")


@cache
def series_values(series: Series) -> tuple[float, ...]:
    """The preferred numbers from 1 up to 10.

    Raises
    ------
    InputFault
        No such series.

    Examples
    --------
    >>> series_values("E6")
    (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    """
    import eseries

    known = {f"E{key.value}" if isinstance(key.value, int) else key.name: key for key in eseries.ESeries}
    if series not in known:
        raise InputFault(Complaint(wrong=f"no series {series!r}", right=f"use {', '.join(known)}"))
    values = [float(value) for value in eseries.series(known[series])]
    # the library counts some series from 10 or 100; a preferred number has at most three digits
    return tuple(float(f"{value / min(values):.2f}") for value in sorted(values))


def neighbours(si: float, series: Series = "E24") -> tuple[float, float]:
    """The preferred values at or below and at or above a value.

    Parameters
    ----------
    si : float > 0
    series : str

    Returns
    -------
    below, above : float
        Equal where the value is preferred itself.

    Raises
    ------
    OutOfRange
        Not finite and above zero.

    Examples
    --------
    >>> neighbours(50e3, "E12")
    (47000.0, 56000.0)
    """
    if not 0 < si < math.inf:
        raise OutOfRange(
            Complaint(wrong=f"{si} has no preferred value near it", right="give a finite value above zero")
        )
    decade = math.floor(math.log10(si))
    values = [
        float(f"{value:.2f}e{power}") for power in (decade - 1, decade, decade + 1) for value in series_values(series)
    ]
    same = next((value for value in values if math.isclose(value, si, rel_tol=1e-9)), None)
    if same is not None:
        return same, same
    return max(value for value in values if value < si), min(value for value in values if value > si)


def nearest(si: float, series: Series = "E24") -> float:
    """The preferred value nearest by ratio; of two equally near the lower.

    Examples
    --------
    >>> nearest(25e3), nearest(25e3, "E12"), nearest(0.05e-6, "E6")
    (24000.0, 27000.0, 4.7e-08)
    """
    below, above = neighbours(si, series)
    return below if si / below <= above / si else above


def is_preferred(si: float, series: Series = "E24") -> bool:
    """Whether a value is of the series.

    Examples
    --------
    >>> is_preferred(4700.0), is_preferred(50e3)
    (True, False)
    """
    below, above = neighbours(si, series)
    return below == above


def replacement_for(
    si: float,
    unit: Literal["ohms", "farads"],
    *,
    kind: Literal["film", "electrolytic"] | None = None,
    series: Series | None = None,
) -> Replacement:
    """What an old value is bought as today.

    Parameters
    ----------
    si : float > 0
        Old value, ohms or farads.
    unit : {"ohms", "farads"}
    kind : {"film", "electrolytic"}, optional
        Of a capacitor; without it, by its size.
    series : str, optional
        The series to choose in; without it, the one such parts are stocked in.

    Returns
    -------
    Replacement
        The value itself where it is preferred.

    Notes
    -----
    An electrolytic is replaced by the lowest preferred value not far below it, since a little more does no harm to
    smoothing; behind a valve rectifier a reservoir must still stay below the rectifier's limit, which is not looked
    at here. Values only: rated volts and safety class are another matter. Sources: ``trade/preferred.toml``.

    Examples
    --------
    >>> replacement_for(0.05e-6, "farads").si, replacement_for(8e-6, "farads").si, replacement_for(50e3, "ohms").si
    (4.7e-08, 1e-05, 51000.0)
    """
    facts = _facts()
    electrolytic = unit == "farads" and (
        kind == "electrolytic" or (kind is None and si >= facts["electrolytic"]["from_farads"])
    )
    if series is None:
        if unit == "ohms":
            row = "ohms"
        elif electrolytic:
            row = "electrolytic"
        else:
            row = "small_capacitor" if si < facts["limits"]["small_capacitor_farads"] else "film"
        series = facts["series"][row]
    if electrolytic:
        new = neighbours(si * facts["electrolytic"]["at_least_fraction"], series)[1]
        if is_preferred(si, series):
            new = neighbours(si, series)[0]
    else:
        new = nearest(si, series)
    return Replacement(si=new, series=series, change_fraction=new / si - 1.0)
