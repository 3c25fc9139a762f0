"""What a house may not be: solids in each other, wires in metal or wood."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .scene import Scene

__all__ = ["check_house"]


def check_house(scene: Scene) -> None:
    """What is wrong with solids and with metal, before anything is computed."""
