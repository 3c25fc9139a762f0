"""Rules that a scene must keep, and what is only doubtful."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from .errors import FeedError, GeometryError
from .wires import Wire

if TYPE_CHECKING:
    from .scene import Scene


def suggest_names(name: str, wires: Sequence[Wire]) -> str:
    """A sentence with the names nearest to a wrong one."""
    names = [wire.name for wire in wires]
    near = difflib.get_close_matches(name, names, n=3, cutoff=0.6)
    if near:
        return f"Did you mean {' or '.join(map(repr, near))}?"
    listed = ", ".join(map(repr, names[:8])) + (", ..." if len(names) > 8 else "")
    return f"The scene has {listed}."


def check_names(scene: Scene) -> None:
    """Names of wires are unique, and feeds name wires that exist."""
    counts = Counter(wire.name for wire in scene.wires)
    name, count = counts.most_common(1)[0]
    if count > 1:
        raise GeometryError(f"{count} wires are called {name!r}; give each a name of its own.")
    for feed in scene.feeds:
        for wanted in feed.wires:
            if wanted not in counts:
                raise FeedError(
                    f"Feed {feed.name!r}: there is no wire {wanted!r}. "
                    f"{suggest_names(wanted, scene.wires)}"
                )


def check_scene(scene: Scene) -> None:
    scene.skeleton  # noqa: B018


def find_doubts(scene: Scene) -> tuple[str, ...]:
    return ()
