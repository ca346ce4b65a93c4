"""How long things take at the bench: what one check costs beside another. Data: ``trade/check_minutes.toml``."""

from __future__ import annotations

from fnmatch import fnmatchcase
from functools import cache

from hetwright.errors import Complaint, InputFault
from hetwright.trade_data import load_trade

from .model import Fault
from .rates import RateTable, Subject, default_rates

__all__ = ["action_minutes", "check_minutes", "power_change_minutes", "prove_minutes", "replace_minutes"]

# Faults a cold reading or a look convicts: nothing need be unsoldered to prove them.
COLD_PROOF = frozenset({"open", "missing"})
CONTACT_CLASSES = ("valve holder", "waveband switch", "joint", "lead", "earth bond", "screen")


@cache
def _actions() -> dict[str, float]:
    return {record["name"]: float(record["minutes"]) for record in load_trade("check_minutes.toml")["action"]}


def action_minutes(name: str) -> float:
    """Minutes of one action, such as ``"cold reading"`` or ``"swap valve"``.

    Raises
    ------
    InputFault
        If no such action is listed.
    """
    found = _actions().get(name)
    if found is None:
        raise InputFault(Complaint(wrong=f"no action {name!r}", right=f"one of {', '.join(sorted(_actions()))}"))
    return found


def power_change_minutes(power_is_on: bool, power_wanted: bool) -> float:
    """Minutes to bring the set from one state of power to the other, warm-up or discharge included.

    Examples
    --------
    >>> power_change_minutes(True, True)
    0.0
    >>> power_change_minutes(True, False) == action_minutes("power down") + action_minutes("discharge")
    True
    """
    if power_is_on == power_wanted:
        return 0.0
    if power_wanted:
        return action_minutes("power up")
    return action_minutes("power down") + action_minutes("discharge")


def check_minutes(action: str, *, power: bool, power_is_on: bool) -> float:
    """Minutes of a check with the change of power it needs.

    Parameters
    ----------
    action : str
        As for :func:`action_minutes`.
    power : bool
        The check is made with power on.
    power_is_on : bool
        How the set stands now.
    """
    return power_change_minutes(power_is_on, power) + action_minutes(action)


def replace_minutes(class_name: str) -> float:
    """Minutes to take out a part of this class (see ``faults.toml``) and fit another."""
    for record in load_trade("check_minutes.toml")["replace"]:
        if fnmatchcase(class_name, record["class"]):
            return float(record["minutes"])
    raise KeyError(class_name)


def prove_minutes(fault: Fault, subject: Subject, rates: RateTable | None = None) -> float:
    """Minutes to prove or clear one suspected fault by the quickest direct test, power changes apart.

    A valve is exchanged, a dirty contact cleaned, a coil or transformer measured cold, a capacitor lifted (one
    that has dried or opened is bridged), a resistor lifted, an adjustment tried; what is mechanical is looked at.
    """
    name = (rates or default_rates()).class_of(subject).name
    word = fault.fault
    if subject.valve:
        return action_minutes("swap valve")
    if word == "misaligned":
        return action_minutes("align")
    if word in ("dirty contact", "noisy") and ("control" in name or name in CONTACT_CLASSES):
        return action_minutes("clean contact")
    if word == "intermittent":
        return action_minutes("wiggle")
    if subject.quantity == "farads":
        if word in ("low capacitance", "open", "missing"):
            return action_minutes("bridge capacitor")
        return action_minutes("lift lead") + action_minutes("cold reading")
    if word in COLD_PROOF:
        return action_minutes("cold reading")
    if word in ("wrong value", "misplaced"):
        return action_minutes("read marking")
    if subject.quantity == "ohms":
        return action_minutes("lift lead") + action_minutes("cold reading")
    return action_minutes("cold reading") if word in ("short", "leaky", "high") else action_minutes("observe")
