"""The healthy set as it is today: networks, the whole set to ask, and where every slot may be before any fault.

Service-sheet rows correct unstated values here, before any fault is sought.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hetwright.card.conditioning import Conditioned, condition
from hetwright.card.model import ServiceSheetRow, SetCard, State
from hetwright.card.network import CardNetworks, networks_of
from hetwright.circuit.whole_set import WholeSet, to_compared
from hetwright.trade_data import load_trade

from .ageing import arrays_of, background
from .inference import Background
from .rates import RateTable

__all__ = ["HealthySet", "facts", "healthy_set"]

Array = NDArray[np.float64]


def facts() -> dict[str, Any]:
    """``trade/inference.toml``."""
    return load_trade("inference.toml")


@dataclass(frozen=True, kw_only=True)
class HealthySet:
    """A set without faults, as old as it is.

    medians : (S,) slot medians, age and service sheet included
    background : spreads about them
    sheet : what the service sheet did to unstated values, with the slots and the rows it spoke of
    """

    card: SetCard
    state: State
    networks: CardNetworks
    whole: WholeSet
    medians: Array
    background: Background
    sheet: Conditioned | None = None
    sheet_slots: tuple[tuple[str, str], ...] = ()
    sheet_rows: tuple[ServiceSheetRow, ...] = ()


def healthy_set(
    card: SetCard,
    state: State = "now",
    *,
    mains_volts: float | None = None,
    rates: RateTable | None = None,
    law: Any = None,
) -> HealthySet:
    """Networks, whole set and background of a card.

    Parameters
    ----------
    card : SetCard
    state : "drawn", "found" or "now"
    mains_volts : float, optional
        R.m.s. volts the mains was read as; the nominal mains with its spread otherwise.
    rates, law : optional
        In place of the book's.

    Raises
    ------
    NotSolved
        If the set as it should be has no certified working point.
    """
    networks = networks_of(card, state)
    whole = WholeSet(networks, law)
    spreads = background(card, networks, state=state, mains_read=mains_volts is not None, rates=rates)
    medians, ageing = arrays_of(spreads, whole.slots, whole.base())
    # a port that is closed now, and that a fault opens, ranges by ratio like everything else but contact potential
    by_ratio = np.array([what != "contact_volts" for _, what in whole.slots])
    ageing = replace(ageing, logarithmic=by_ratio)
    sheet: Conditioned | None = None
    sheet_slots: tuple[tuple[str, str], ...] = ()
    rows: tuple[ServiceSheetRow, ...] = ()
    if card.service_sheet:
        drawn = networks_of(card, "drawn")
        as_drawn = WholeSet(drawn, law)
        rows = tuple(
            row
            for row in card.service_sheet
            if row.quantity in ("volts dc", "volts ac", "ohms") and not as_drawn.why_not(row.point, row.quantity)
        )
    if rows:
        sheet, sheet_slots, nominal = _told_by_sheet(card, drawn, as_drawn, rows)
        medians, ageing = _learn(medians, ageing, whole.slots, sheet, sheet_slots, nominal, networks)
    if mains_volts is not None:
        medians = _on_mains(medians, whole, mains_volts / card.mains_rms_volts)
    return HealthySet(
        card=card,
        state=state,
        networks=networks,
        whole=whole,
        medians=medians,
        background=ageing,
        sheet=sheet,
        sheet_slots=sheet_slots,
        sheet_rows=rows,
    )


def _on_mains(medians: Array, whole: WholeSet, ratio: float) -> Array:
    """Everything fed from the mains at the volts that were read."""
    out = medians.copy()
    for (_, what), column in whole.slots.items():
        if what == "mains" or (what == "volts" and column >= whole.n_ht):
            out[column] *= ratio
    return out


# ---- the service sheet


def _told_by_sheet(
    card: SetCard, drawn: CardNetworks, whole: WholeSet, rows: Sequence[ServiceSheetRow]
) -> tuple[Conditioned, tuple[tuple[str, str], ...], Array]:
    """Unstated values as the service sheet leaves them: the sheet speaks of the set as drawn, new, on good valves."""
    questions = [
        whole.question(row.point, row.to, row.quantity, row.meter_ohms or np.inf, card.reference_point)
        for row in rows
    ]
    base = whole.base()
    errors = facts()["service_sheet"]
    own = {key: log_sd for key, log_sd in drawn.spreads.items() if key in whole.slots and log_sd > 0.0}
    theirs: dict[tuple[str, str], float] = {}
    for key in whole.slots:
        if key[1] == "emission":
            theirs[key] = errors["new_valve_log_sd"]
        elif key[1] == "mains" and key not in own:
            theirs[key] = errors["mains_log_sd"]
    keys = (*own, *theirs)
    columns = np.array([whole.slots[key] for key in keys], dtype=np.intp)
    log_sd = np.array([*own.values(), *theirs.values()])
    base_log = np.log(base[columns])
    values = np.array([float(to_compared(row.value)) if row.quantity == "ohms" else row.value for row in rows])
    top = max((abs(row.value) for row in rows if row.quantity == "volts dc"), default=0.0)
    sd = np.array(
        [
            errors["ohms_log_sd"]
            if row.quantity == "ohms"
            else float(np.hypot(errors["fraction"] * abs(row.value), max(errors["fraction_of_ht"] * top, 0.05)))
            for row in rows
        ]
    )

    def stack_of(logs: Array) -> Array:
        stack = np.tile(base, (len(logs), 1))
        stack[:, columns] = np.exp(logs)
        return stack

    def predict(logs: Array) -> Array:
        read = whole.read(whole.solve(stack_of(logs)), questions)
        return np.where(read.solved[:, None], read.mean, np.nan)

    def jacobian(logs: Array) -> Array:
        stack = stack_of(logs[None, :])
        read = whole.read(whole.solve(stack), questions)
        return np.asarray(read.slopes[0][:, columns] * stack[0, columns])

    told = condition(
        predict,
        base_log,
        log_sd,
        values,
        sd,
        jacobian=jacobian,
        of_sheet_set=np.array([key in theirs for key in keys]),
    )
    return told, keys, np.exp(base_log)


def _learn(
    medians: Array,
    ageing: Background,
    slots: Mapping[tuple[str, str], int],
    told: Conditioned,
    keys: Sequence[tuple[str, str]],
    nominal: Array,
    networks: CardNetworks,
) -> tuple[Array, Background]:
    """Carry what the sheet said of the design into the background of this set today."""
    own = [n for n, key in enumerate(keys) if key in networks.spreads and key in slots]
    out = medians.copy()
    usual = [n for n in own if networks.basis.get(keys[n]) == "usual"]
    drawn_log_sd = np.array([networks.spreads[keys[n]] for n in usual])
    columns = np.array([slots[keys[n]] for n in usual], dtype=np.intp)
    if not len(columns):
        return out, ageing
    # the drawn set's nominal value is this one's too where nothing was stated: the shift carries over
    shift = told.mean_log[usual] - np.log(nominal[usual])
    out[columns] *= np.exp(shift)
    taken = np.diag(drawn_log_sd**2) - told.covariance[np.ix_(usual, usual)]
    values, vectors = np.linalg.eigh(taken)
    keep = values > 1e-6
    learned = np.zeros((medians.shape[0], int(keep.sum())))
    # a slot that is known better today than its design was (the mains was read, say) has that much less to learn
    known = np.minimum(1.0, ageing.sd[columns] / np.maximum(drawn_log_sd, 1e-12))
    learned[columns] = known[:, None] * vectors[:, keep] * np.sqrt(values[keep])
    return out, replace(ageing, learned=learned)
