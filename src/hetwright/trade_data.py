"""Reading the facts of the trade: TOML files whose every record names its source.

A file has ``[meta]`` and a list of ``[[source]]`` records (``id``, ``title``, ``from_memory``, ``evidence``);
every other record that states a fact carries ``source = "ID"``. A record without a known source is refused.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any

from .errors import Complaint, InputFault

__all__ = ["load_trade", "records_with_numbers", "sources_of"]

Record = dict[str, Any]


def sources_of(document: Record) -> dict[str, Record]:
    """The sources of a trade file by id."""
    return {source["id"]: source for source in document.get("source", [])}


def _states_a_number(value: Any) -> bool:
    if isinstance(value, list):
        return any(_states_a_number(item) for item in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def records_with_numbers(node: Any, path: str = "") -> Iterator[tuple[str, Record]]:
    """Every table of a document that states a fact: one that has a ``source`` key, or should have.

    A table states a fact when it holds a number and is neither ``meta`` nor a source record. A source covers
    the tables inside the one that names it.
    """
    if isinstance(node, dict):
        if path and (any(_states_a_number(value) for value in node.values()) or "source" in node):
            yield path, node
        if isinstance(node.get("source"), str):
            return
        for key, value in node.items():
            if path == "" and key in ("meta", "source"):
                continue
            yield from records_with_numbers(value, f"{path}.{key}" if path else key)
    elif isinstance(node, list):
        for number, value in enumerate(node):
            yield from records_with_numbers(value, f"{path}[{number}]")


@cache
def load_trade(name: str) -> Record:
    """A file of ``trade/`` as a dictionary, its sources checked.

    Parameters
    ----------
    name : str
        File name, such as ``faults.toml``.

    Raises
    ------
    InputFault
        If a source lacks a title or ``from_memory``, or a record names no source the file has.

    Examples
    --------
    >>> load_trade("faults.toml")["meta"]["expected_causes"]
    1.5
    """
    document = tomllib.loads((files("hetwright") / "trade" / name).read_text(encoding="utf-8"))
    complaints = [
        Complaint(
            wrong=f"source {source.get('id', '?')!r} has no title, evidence or from_memory",
            right="say where a figure comes from and whether it is from memory",
            file=name,
        )
        for source in document.get("source", [])
        if not {"id", "title", "evidence", "from_memory"} <= source.keys()
    ]
    known = sources_of(document)
    for path, record in records_with_numbers(document):
        named = record.get("source")
        if named not in known:
            complaints.append(
                Complaint(
                    wrong=f"{path} names the source {named!r}",
                    right=f"name one of {', '.join(sorted(known))}",
                    file=name,
                )
            )
    if complaints:
        raise InputFault(complaints)
    return document
