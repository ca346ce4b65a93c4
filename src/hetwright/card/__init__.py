"""The set card: what a set is, as drawn, as found and as it stands now.

``read_card`` and ``load_card`` make a :class:`SetCard` of a text or a file; ``new_card`` writes one from a line-up.
"""

from hetwright.card.model import Part, ServiceSheetRow, SetCard, Stage, State, SupplyCard, Value, ValveInPlace
from hetwright.card.reading import load_card, read_card

__all__ = [
    "Part",
    "ServiceSheetRow",
    "SetCard",
    "Stage",
    "State",
    "SupplyCard",
    "Value",
    "ValveInPlace",
    "load_card",
    "read_card",
]
