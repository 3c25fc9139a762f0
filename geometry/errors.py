"""Errors raised by the geometry package."""

__all__ = ["AtticFileError", "FeedError", "GeometryError"]


class GeometryError(ValueError):
    """A wire, house or scene cannot be as described; the message says what, where and the cure."""


class FeedError(ValueError):
    """A feed is missing or sits where it cannot; the message says what, where and the cure."""


class AtticFileError(ValueError):
    """An attic file cannot be used; the message says file, table, key, value, rule and line."""
