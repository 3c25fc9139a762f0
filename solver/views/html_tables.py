"""Tables of text as HTML."""

from __future__ import annotations

import html
from collections.abc import Sequence


def html_table(rows: Sequence[Sequence[str]], caption: str) -> str:
    """A table with a caption, the first row its heads."""
    heads, *body = rows
    top = "".join(f"<th>{html.escape(cell)}</th>" for cell in heads)
    lines = "".join(
        f"<tr>{''.join(f'<td>{html.escape(cell)}</td>' for cell in row)}</tr>" for row in body
    )
    return (
        f"<table><caption>{html.escape(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{lines}</tbody></table>"
    )
