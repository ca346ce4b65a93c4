"""The errors Hetwright raises, from one root.

BenchError
├── InputFault (ValueError)        what was written is wrong: exit status 2
│   ├── UnknownValve               no such type in the catalogue
│   └── OutOfRange                 a quantity no computation can use
└── NotSolved (ArithmeticError)    the computation could not be completed: exit status 3
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["BenchError", "Complaint", "InputFault", "NotSolved", "OutOfRange", "UnknownValve"]


class BenchError(Exception):
    """Root of every error a person is meant to read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Complaint:
    """One thing wrong with what was written: where, what, and what would be right."""

    wrong: str
    right: str
    file: str | None = None
    line: int | None = None

    def __str__(self) -> str:
        where = ""
        if self.file is not None:
            where = f"{self.file}:{self.line}: " if self.line is not None else f"{self.file}: "
        return f"{where}{self.wrong}; {self.right}"


class InputFault(BenchError, ValueError):
    """What was written cannot be used; carries every complaint found, not only the first."""

    def __init__(self, complaints: Complaint | Iterable[Complaint]) -> None:
        self.complaints: tuple[Complaint, ...] = (
            (complaints,) if isinstance(complaints, Complaint) else tuple(complaints)
        )
        super().__init__("\n".join(str(complaint) for complaint in self.complaints))


class OutOfRange(InputFault):
    """A quantity is not finite, not positive, or absurd."""


class UnknownValve(InputFault):
    """The catalogue has no such type; the message names near ones."""

    def __init__(self, name: str, near: tuple[str, ...], complaint: Complaint) -> None:
        self.name = name
        self.near = near
        super().__init__(complaint)


class NotSolved(BenchError, ArithmeticError):
    """A computation gave no certified answer; says at which point or part, and why."""

    def __init__(self, why: str, *, point: str | None = None) -> None:
        self.why = why
        self.point = point
        super().__init__(f"{why} (at {point})" if point else why)
