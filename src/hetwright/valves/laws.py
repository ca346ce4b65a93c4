"""Fitted constants of the valve law, by valve type and section.

The constants are written by :mod:`hetwright.valves.fitting` into ``trade/laws/*.toml``; the spread of real valves
about them stands in ``trade/law_spreads.toml``. Nothing here needs numpy.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

from hetwright.errors import NotSolved
from hetwright.valves.catalogue import ValveType
from hetwright.valves.index import plain_name

__all__ = ["Law", "Spread", "Spreads", "law", "law_of", "spread"]

_TRADE = Path(__file__).resolve().parent.parent / "trade"


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """The law of one section: shape, constants, and how they were come by.

    ``status`` is "fitted" (to ``rows`` published rows), "drop point" or "operation" (a rectifier's published drop
    or direct volts), "typical of its kind" or "typical drop" (nothing published is known: constants of the
    kind) or "as TYPE" (the catalogue lends it the figures of a like type; ``note`` says why).
    ``worst_anode_error`` is the largest fractional error of anode current over the fitted rows, ``None``
    where none states it.
    """

    shape: str
    constants: Mapping[str, float]
    kind: str
    status: str
    rows: int
    worst_anode_error: float | None = None
    note: str = ""

    @property
    def assumed(self) -> bool:
        """Whether the constants rest on no published figure of this type."""
        return self.status.startswith(("typical", "as "))


@cache
def _stems() -> Mapping[str, str]:
    folder = _TRADE / "laws"
    return {plain_name(path.stem): path.stem for path in folder.glob("*.toml")}


@cache
def _file(owner: str) -> Mapping[str, Any]:
    stem = _stems().get(plain_name(owner)) or _stems().get(plain_name(owner.replace("/", "_")))
    if stem is None:
        raise NotSolved(f"no law has been fitted for {owner}: run python -m hetwright.valves.fitting {owner}")
    return tomllib.loads((_TRADE / "laws" / f"{stem}.toml").read_text(encoding="utf-8"))


@cache
def _law(owner: str, section: str) -> Law:
    for table in _file(owner)["law"]:
        if section in table["sections"]:
            return Law(
                shape=table["shape"],
                constants=table["constants"],
                kind=table["kind"],
                status=table["status"],
                rows=table["rows"],
                worst_anode_error=table.get("worst_anode_error"),
                note=table.get("note", ""),
            )
    raise NotSolved(f"no law has been fitted for the section {section} of {owner}")


def law(valve_type: ValveType, section: str) -> Law:
    """Return the law of a section with its standing.

    Raises
    ------
    InputFault
        The type has no such section.
    NotSolved
        No law has been fitted for it.
    """
    found = valve_type.section(section)
    served = _law(*found.law_of)
    if found.like:
        return replace(served, status=f"as {found.law_of[0]}", note=found.like_because)
    return served


def law_of(valve_type: ValveType, section: str) -> tuple[str, dict[str, float]]:
    """Return shape and constants of a section, as :func:`hetwright.valves.law.currents` takes them.

    Raises
    ------
    InputFault
        The type has no such section.
    NotSolved
        No law has been fitted for it.
    """
    found = law(valve_type, section)
    return found.shape, dict(found.constants)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """How one quantity of real valves scatters.

    ``scale`` "log": the logarithm of the factor is normal with ``centre`` and ``spread``; "plain": the quantity is
    normal, in volts; "log amount": the logarithm to base e of the quantity itself is normal, and only a ``share``
    of the valves has any.
    """

    scale: str
    centre: float
    spread: float
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Spread of emission, mu, contact potential and gas of valves of one kind, new and used."""

    kind: str
    new: Mapping[str, Spread]
    used: Mapping[str, Spread]
    source: str
    from_memory: bool


@cache
def _spread_facts() -> Mapping[str, Any]:
    return tomllib.loads((_TRADE / "law_spreads.toml").read_text(encoding="utf-8"))


@cache
def spread(kind: str) -> Spreads:
    """Return how valves of a kind scatter about their law.

    Parameters
    ----------
    kind : str
        The ``kind`` of a :class:`Law`, such as "output pentode"; one not listed takes what all valves have.

    Returns
    -------
    Spreads
        ``new`` and ``used`` map emission, mu, contact_volts and gas to a :class:`Spread`.
    """
    facts = _spread_facts()
    own = facts.get("kind", {}).get(kind, {})

    def merged(age: str) -> dict[str, Spread]:
        table = {**facts["all"][age], **own.get(age, {})}
        return {name: Spread(**values) for name, values in table.items()}

    return Spreads(
        kind=kind,
        new=merged("new"),
        used=merged("used"),
        source=own.get("source", facts["all"]["source"]),
        from_memory=own.get("from_memory", facts["all"]["from_memory"]),
    )
