"""The set card: what a set is, as drawn, as found and as it stands now.

``read_card`` and ``load_card`` make a :class:`SetCard` of a text or a file; ``new_card`` writes one from a line-up;
``write_card`` and ``save_card`` change one without touching anything else in it; ``check_card`` says what is wrong.
"""

from hetwright.card.check import CardCheck, check_card
from hetwright.card.model import Part, ServiceSheetRow, SetCard, Stage, State, SupplyCard, Value, ValveInPlace
from hetwright.card.new import new_card
from hetwright.card.reading import load_card, read_card
from hetwright.card.writing import AddPart, AddRow, Rename, SetKey, SetPart, save_card, save_text, write_card

__all__ = [
    "AddPart",
    "AddRow",
    "CardCheck",
    "Part",
    "Rename",
    "ServiceSheetRow",
    "SetCard",
    "SetKey",
    "SetPart",
    "Stage",
    "State",
    "SupplyCard",
    "Value",
    "ValveInPlace",
    "check_card",
    "load_card",
    "new_card",
    "read_card",
    "save_card",
    "save_text",
    "write_card",
]
