"""A figure that a notebook shows by itself. Importing this module loads matplotlib."""

from __future__ import annotations

import io

from matplotlib.figure import Figure

__all__ = ["Picture"]


class Picture(Figure):
    """A matplotlib figure that is not attached to pyplot and still appears under its cell."""

    def _repr_png_(self) -> bytes:
        stream = io.BytesIO()
        self.savefig(stream, format="png", dpi=100)
        return stream.getvalue()
