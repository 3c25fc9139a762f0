"""Errors raised by the solver."""


class SolverError(RuntimeError):
    """The computation cannot be done as asked; the message says what, where and what to do."""
