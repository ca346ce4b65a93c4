"""Units: what they are called, the words and letters that stand for powers of ten, and what is refused.

Everything that a written value may be made of. Limits, tolerance letters and old units are data with
sources, in ``trade/written_values.toml``, read when first needed.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Literal

from hetwright.errors import Complaint, InputFault

__all__ = ["UNITS", "DecimalMark", "Style", "Unit", "Words"]

Unit = Literal["ohms", "farads", "henries", "volts", "amps", "watts", "hertz", "percent"]
Style = Literal["plain", "full", "code"]
Words = Literal["british", "american"]
DecimalMark = Literal[".", ","]

UNITS: tuple[Unit, ...] = ("ohms", "farads", "henries", "volts", "amps", "watts", "hertz", "percent")

CALLED: dict[Unit, str] = {
    "ohms": "a resistance",
    "farads": "a capacitance",
    "henries": "an inductance",
    "volts": "a voltage",
    "amps": "a current",
    "watts": "a power",
    "hertz": "a frequency",
    "percent": "a percentage",
}
EXAMPLES: dict[Unit, str] = {
    "ohms": "4k7, 4.7 k, 330 or 1 M",
    "farads": "0.05 µF, 500 pF, 10n or 8 mfd",
    "henries": "10 H, 2.5 mH or 180 µH",
    "volts": "182 V, 6.3 V or 45 mV",
    "amps": "45 mA, 60 µA or 0.3 A",
    "watts": "80 W, 0.5 W or 50 mW",
    "hertz": "465 kHz, 1.5 MHz or 50 Hz",
    "percent": "5 %, ±20 % or 10 per cent",
}
SIGNED: frozenset[Unit] = frozenset({"volts", "amps"})
ZERO_MEANS_NOTHING: dict[Unit, str] = {
    "farads": "a capacitor that measures nothing is open: say so as its fault",
    "henries": "a winding that measures nothing is open or short: say so as its fault",
}

# What may follow a number, power of ten. Capitals are told apart only where "m" and "M" differ; the rest is
# looked up in small letters with spaces, dots and a plural s taken away.
EXACT: dict[Unit, dict[str, int]] = {
    "ohms": {"M": 6, "MΩ": 6, "mΩ": -3, "Mohm": 6, "MOhm": 6, "MOHM": 6, "G": 9, "T": 12},
    "farads": {},
    "henries": {},
    "volts": {},
    "amps": {},
    "watts": {},
    "hertz": {"M": 6, "MHz": 6, "MHZ": 6},
    "percent": {},
}
LOOSE: dict[Unit, dict[str, int]] = {
    "ohms": {
        "": 0, "r": 0, "Ω": 0, "ω": 0, "ohm": 0,
        "k": 3, "kΩ": 3, "kω": 3, "kohm": 3, "kilohm": 3, "kiloohm": 3, "kr": 3,
        "meg": 6, "megohm": 6, "megaohm": 6, "megΩ": 6, "megω": 6,
        "gΩ": 9, "gω": 9, "gohm": 9, "gigaohm": 9, "gigohm": 9,
        "tΩ": 12, "tω": 12, "teraohm": 12,
        "milliohm": -3, "µΩ": -6, "µω": -6, "microhm": -6,
    },
    "farads": {
        "f": 0, "farad": 0,
        "millifarad": -3,
        "µ": -6, "u": -6, "µf": -6, "uf": -6, "µfd": -6, "ufd": -6, "mf": -6, "mfd": -6, "microfarad": -6, "mike": -6,
        "n": -9, "nf": -9, "nfd": -9, "nanofarad": -9, "kpf": -9,
        "p": -12, "pf": -12, "pfd": -12, "picofarad": -12, "puff": -12, "mmf": -12, "mmfd": -12, "µµf": -12,
        "uuf": -12, "µµfd": -12, "uufd": -12, "µµ": -12, "micromicrofarad": -12,
    },
    "henries": {
        "": 0, "h": 0, "hy": 0, "henry": 0, "henrie": 0,
        "m": -3, "mh": -3, "mhy": -3, "millihenry": -3, "millihenrie": -3,
        "µ": -6, "u": -6, "µh": -6, "uh": -6, "µhy": -6, "uhy": -6, "microhenry": -6, "microhenrie": -6,
        "n": -9, "nh": -9,
    },
    "volts": {
        "": 0, "v": 0, "volt": 0, "kv": 3, "kilovolt": 3,
        "mv": -3, "millivolt": -3, "µv": -6, "uv": -6, "microvolt": -6,
    },
    "amps": {
        "": 0, "a": 0, "amp": 0, "ampere": 0, "ma": -3, "milliamp": -3, "milliampere": -3,
        "µa": -6, "ua": -6, "microamp": -6, "microampere": -6, "na": -9, "nanoamp": -9,
    },
    "watts": {"": 0, "w": 0, "watt": 0, "kw": 3, "kilowatt": 3, "mw": -3, "milliwatt": -3, "µw": -6, "uw": -6},
    "hertz": {
        "": 0, "hz": 0, "hertz": 0, "c/": 0, "cp": 0, "c": 0, "cycle": 0, "~": 0, "cyclespersecond": 0,
        "k": 3, "khz": 3, "kc": 3, "kc/": 3, "kcp": 3, "kilohertz": 3, "kilocycle": 3,
        "mc": 6, "mc/": 6, "mcp": 6, "meg": 6, "megahertz": 6, "megacycle": 6, "ghz": 9, "gigahertz": 9,
    },
    "percent": {"": -2, "%": -2, "percent": -2, "pc": -2},
}  # fmt: skip
LETTERS: dict[Unit, dict[str, int]] = {
    "ohms": {"R": 0, "r": 0, "Ω": 0, "K": 3, "k": 3, "M": 6, "G": 9, "T": 12},
    "farads": {
        "F": 0, "m": -3, "µ": -6, "u": -6, "U": -6, "n": -9, "N": -9, "p": -12, "P": -12,
    },
    "henries": {"H": 0, "h": 0, "m": -3, "µ": -6, "u": -6, "n": -9},
    "volts": {"V": 0, "v": 0},
    "amps": {"A": 0, "a": 0},
    "watts": {"W": 0, "w": 0},
    "hertz": {"k": 3, "K": 3, "M": 6},
    "percent": {},
}  # fmt: skip


@cache
def facts() -> dict[str, Any]:
    """The tables of ``trade/written_values.toml``."""
    from hetwright.trade_data import load_trade

    return load_trade("written_values.toml")


def fault(text: object, unit: Unit, right: str | None = None, wrong: str | None = None) -> InputFault:
    """A complaint about a written value; without more, that it is not one, and what one looks like."""
    return InputFault(
        Complaint(
            wrong=wrong or f"{shown(text)} is not {CALLED[unit]}",
            right=right or f"write it like {EXAMPLES[unit]}",
        )
    )


def shown(text: object) -> str:
    """What was written, fit for a one-line message."""
    whole = str(text)
    visible = "".join(c if c.isprintable() else "·" for c in whole[:40])
    return f"'{visible}'" + ("…" if len(whole) > 40 else "")
