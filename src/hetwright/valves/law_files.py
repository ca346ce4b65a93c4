"""The kept files of fitted constants, ``trade/laws/*.toml``."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

from hetwright.valves.comparison import Fit
from hetwright.valves.priors import TRADE
from hetwright.valves.valve_type import Row

__all__ = ["LAWS", "write_laws"]

LAWS = TRADE / "laws"


def _label(row: Row) -> str:
    words = [row.kind if row.kind not in ("working", "static") else "", row.use]
    for key, text in (
        ("supply_volts", "supply {:g} V"),
        ("anode_volts", "anode {:g} V"),
        ("screen_volts", "screen {:g} V"),
        ("grid_volts", "grid {:g} V"),
        ("cathode_resistor_ohms", "cathode {:g} ohms"),
        ("ac_volts_per_anode", "{:g} V a.c."),
        ("dc_amps", "{:g} A"),
    ):
        if key in row.figures and not (key == "cathode_resistor_ohms" and "grid_volts" in row.figures):
            words.append(text.format(row.figures[key]))
    return ", ".join(dict.fromkeys(word for word in words if word))


def _text(value: str) -> str:
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _listed(values: Iterable[str]) -> str:
    return "[" + ", ".join(_text(value) for value in values) + "]"


def _law_table(fit: Fit) -> list[str]:
    group = fit.group
    rows = {o.row for o in fit.outcomes if o.row >= 0}
    lines = [
        "",
        "[[law]]",
        f"sections = {_listed(group.sections)}",
        f"kind = {_text(group.kind)}",
        f"shape = {_text(group.shape)}",
        f"status = {_text(fit.status)}",
        f"rows = {len(rows)}",
    ]
    if fit.note:
        lines.append(f"note = {_text(fit.note)}")
    if rows:
        worst = max((abs(o.error) for o in fit.outcomes if o.what.startswith("anode")), default=None)
        if worst is not None:
            lines.append(f"worst_anode_error = {worst:.3f}")
    lines.append("constants = { " + ", ".join(f"{n} = {v:.6g}" for n, v in fit.constants.items()) + " }")
    if fit.outcomes:
        lines.append("residuals = [")
        for o in fit.outcomes:
            label = _label(group.rows[o.row]) if o.row >= 0 else "remote cut-off"
            lines.append(
                f"  {{ figure = {_text(o.what)}, published = {o.published:.5g}, law = {o.law:.5g}, "
                f"error = {o.error:.3f}, row = {_text(label)} }},"
            )
        lines.append("]")
    if fit.left:
        lines.append("not_fitted = [")
        for index, why in fit.left.items():
            lines.append(f"  {{ row = {_text(_label(group.rows[index]))}, why = {_text(why)} }},")
        lines.append("]")
    return lines


def _stems() -> dict[str, str]:
    listed = tomllib.loads((TRADE / "valves_index.toml").read_text(encoding="utf-8"))
    return {names[0]: stem for stem, names in listed.items()}


def write_laws(fits: Iterable[Fit], folder: Path = LAWS) -> tuple[Path, ...]:
    """Write one file for each type that owns an electrode system; returns the files."""
    by_owner: dict[str, list[Fit]] = defaultdict(list)
    for fit in fits:
        by_owner[fit.group.owner].append(fit)
    folder.mkdir(parents=True, exist_ok=True)
    stems = _stems()
    written = []
    for owner, laws in by_owner.items():
        members = dict.fromkeys(name for fit in laws for name in fit.group.members)
        lines = [
            "# Written by hetwright.valves.fitting: change the rows of the catalogue or the priors, not this file.",
            f"type = {_text(owner)}",
            f"serves = {_listed(members)}",
            'generated_by = "hetwright.valves.fitting"',
            'method = "robust least squares on published rows, priors of the kind from the other types"',
        ]
        for fit in laws:
            lines += _law_table(fit)
        path = folder / f"{stems.get(owner, owner)}.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        written.append(path)
    return tuple(written)
