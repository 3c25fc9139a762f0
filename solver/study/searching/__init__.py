"""Lengths, routes and places that meet a goal on all bands."""

from .search import SearchEffort, Searching, plan_search, search
from .search_records import Checked, FoundLayout, SearchResult

__all__ = [
    "Checked",
    "FoundLayout",
    "SearchEffort",
    "SearchResult",
    "Searching",
    "plan_search",
    "search",
]
