"""Errors raised by the solver package."""

__all__ = [
    "BandError",
    "LimitsError",
    "PriorError",
    "ReadingError",
    "SolverError",
    "StoreError",
    "SweepError",
    "TargetError",
]


class SolverError(RuntimeError):
    """The computation cannot be done as asked; the message says what, where and what to do."""


class BandError(ValueError):
    """A band or range is not one; the message says which, and what is possible."""


class LimitsError(ValueError):
    """A limit of exposure cannot be used as asked; the message says which, why and the cure."""


class StoreError(OSError):
    """A saved answer or sweep cannot be read or written; the message says file, fault and cure."""


class SweepError(ValueError):
    """A sweep's parameter, figure or filter that cannot be used.

    `parameter` is the name that it is about, "" where it is about none.
    """

    def __init__(self, message: str, *, parameter: str = "") -> None:
        super().__init__(message)
        self.parameter = parameter


class PriorError(ValueError):
    """What is told of an unknown cannot be used; the message says which, why and the cure."""


class ReadingError(ValueError):
    """What an analyser is said to have read cannot be used; file, line, value, rule and cure."""


class TargetError(ValueError):
    """What is aimed at cannot be, or contradicts itself; the message says which, and the cure."""
