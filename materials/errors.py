"""The error that this package raises."""

from __future__ import annotations


class MaterialError(ValueError):
    """A material value or name that cannot be used; the message says which, why and the cure."""
