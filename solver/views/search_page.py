"""A search in words and tables: what was sought, the best layouts, the front, how sure."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ..study.sweep_quantities import Asked, axis_label
from . import json_form
from . import numbers as n
from .numbers import wrapped
from .sweep_page import counted, parameter_labels, parameter_text, quantity_label, value_text

if TYPE_CHECKING:
    from ..study.searching.search_records import Checked, FoundLayout, SearchResult

MOST_FRONT = 12
"""Layouts of the front in the table: the ends, and an even sample."""

ALIKE = 0.01
"""Of the front's figures, relative: layouts that differ by less are told once."""


def told_best(result: SearchResult) -> list[FoundLayout]:
    """The best, the best of each goal, and those solved in full, each once, the best first."""
    numbers = [result.best.number, *(one.number for one in result.best_by_goal.values())]
    numbers += [one.number for one in result.checked]
    places = {one.number: place for place, one in enumerate(result.ranked())}
    return [result[number] for number in sorted(set(numbers), key=places.__getitem__)]


def told_front(result: SearchResult) -> list[FoundLayout]:
    """The front without those that are nearly like the one before, or an even sample of it."""
    front: list[FoundLayout] = []
    for one in result.front:
        if not front or any(
            abs(math.log(one.figures[g.name] / front[-1].figures[g.name])) > ALIKE
            for g in result.criteria
            if one.figures[g.name] > 0.0 and front[-1].figures[g.name] > 0.0
        ):
            front.append(one)
    if len(front) <= MOST_FRONT:
        return front
    step = (len(front) - 1) / (MOST_FRONT - 1)
    return [front[round(k * step)] for k in range(MOST_FRONT)]


def search_text(result: SearchResult, *, width: int = 100) -> str:
    """The printed search."""
    blocks: list[list[str]] = [_paragraph(opening(result), width)]
    if result.remarks:
        blocks.append(_paragraph(" ".join(_sentence(one) for one in result.remarks), width))
    for title, rows in _tables(result):
        blocks.append([*_paragraph(title, width), *n.columns(rows, left=1, width=width)])
    for text in closing(result):
        blocks.append(_paragraph(text, width))
    return "\n\n".join("\n".join(block) for block in blocks)


def search_html(result: SearchResult) -> str:
    """The same with tables."""
    parts = [f"<p>{html.escape(opening(result))}</p>"]
    parts += [f"<p>{html.escape(_sentence(one))}</p>" for one in result.remarks]
    for title, rows in _tables(result):
        top = "".join(f"<th>{html.escape(cell)}</th>" for cell in rows[0])
        body = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>"
            for row in rows[1:]
        )
        parts.append(
            f"<p>{html.escape(title)}</p><table><thead><tr>{top}</tr></thead>"
            f"<tbody>{body}</tbody></table>"
        )
    parts += [f"<p>{html.escape(text)}</p>" for text in closing(result)]
    return "".join(parts)


def opening(result: SearchResult) -> str:
    """What was sought."""
    goals = " and ".join(quantity_label(goal.asked) for goal in result.goals)
    bands = ", ".join(band.name for band in result.bands)
    text = f"Search of {result.name}: {goals}, over {bands}."
    if result.limits:
        text += f" Limits: {', '.join(limit.text for limit in result.limits)}."
    if result.houses > 1:
        text += (
            f" A layout counts by the worst of {result.houses} houses: the one that is told, and "
            f"{result.houses - 1} drawn from what is not known."
        )
    labels = ", ".join(parameter_labels(result.parameters))
    were = "was" if len(result) == 1 else "were"
    return (
        f"{text} Varied: {labels}. {counted(len(result), 'layout')} {were} looked at "
        f"for {result.spent:,} of {counted(result.budget, 'solve')} (seed {result.seed})."
    )


def closing(result: SearchResult) -> list[str]:
    """How far to trust it."""
    found = []
    if result.limits and not result.are_met:
        if result.keeping:
            text = "No layout that was solved in full keeps all limits; others may not either."
        else:
            text = "No layout keeps all limits: the best above break them least."
        broken = "; ".join(_broken(result))
        found.append(f"{text}{f' Of layout {result.best.number}, {broken}.' if broken else ''}")
    found += _stops(result)
    if result.checked:
        worst = max(one.difference for one in result.checked)
        found.append(
            f"What is solved in full, on a mesh of its own, differs by up to {worst:.2g} in the "
            "reflection coefficient or in parts of the power."
        )
    else:
        found.append("None was solved in full; `answer` one before you cut.")
    text = ""
    if any(asked.quantity.style == "swr" for asked in result.asked):
        text = f"SWR refers to {result.reference:g} ohm. A good match is not radiation: read "
        text += "efficiency beside SWR. "
    told = "as it is told" if result.houses == 1 else "as it is told, or as it was drawn"
    found.append(f"{text}All of it is for the house {told}; lengths come to the millimetre, a tape "
                 "does not.")  # fmt: skip
    return found


def _stops(result: SearchResult) -> list[str]:
    """Of the best layout's lengths that could go no farther."""
    best, found = result.best, []
    labels = parameter_labels(result.parameters)
    stopped = result.stopped(best)
    for by, cure in (("range", "Widen it"), ("way", "Lengthen the route")):
        each = [
            f"{label} {parameter_text(p, result.value(p, best))}"
            for label, p in zip(labels, result.parameters, strict=True)
            if stopped.get(p.name) == by
        ]
        if each:
            found.append(
                f"The {by} stops layout {best.number}, at {' and '.join(each)}. {cure} to see "
                "whether it gets better."
            )
    return found


def _broken(result: SearchResult) -> list[str]:
    best, found = result.best, []
    for limit in result.limits:
        held = _held(result, best).get(limit.text)
        if held is not None and not limit.is_kept(held):
            found.append(f"{limit.text} is at {value_text(Asked(limit.quantity.quantity), held)}")
    return found


def _held(result: SearchResult, one: FoundLayout) -> dict[str, float]:
    check = _check(result, one.number)
    return {**one.held, **(check.held if check is not None else {})}


def _check(result: SearchResult, number: int) -> Checked | None:
    return next((one for one in result.checked if one.number == number), None)


def _tables(result: SearchResult) -> list[tuple[str, list[list[str]]]]:
    best = told_best(result)
    told = result.as_told
    if told is not None and told not in best:
        best.append(told)
    found = [("The best", _rows(result, best))]
    criteria = " and ".join(quantity_label(goal.asked) for goal in result.criteria)
    front = counted(len(result.front), "layout")
    aside = "" if result.keeping else ", limits left aside since none keeps them"
    found.append((
        f"The front: {front} that no other beats in {criteria}{aside}; "
        "told are those that differ by more than 1 %",
        _rows(result, told_front(result)),
    ))  # fmt: skip
    if result.checked:
        found.append(("Solved in full", _check_rows(result)))
    return found


def _rows(result: SearchResult, layouts: Sequence[FoundLayout]) -> list[list[str]]:
    late = [limit for limit in result.limits if limit.is_late]
    rows = [[
        "layout", *parameter_labels(result.parameters), *map(quantity_label, result.asked),
        *(["limits"] if result.limits else []),
    ]]  # fmt: skip
    for one in layouts:
        rows.append([
            f"{one.number}, as told" if one is result.as_told else str(one.number),
            *(parameter_text(p, _told(result.value(p, one), p)) for p in result.parameters),
            *(value_text(asked, one.figures[asked.name]) for asked in result.asked),
            *([_limits_word(result, one, is_open=bool(late))] if result.limits else []),
        ])  # fmt: skip
    return rows


def _told(value: Any, parameter: Any) -> Any:
    return value if isinstance(value, float) or parameter.choices else axis_label(value)


def _limits_word(result: SearchResult, one: FoundLayout, *, is_open: bool) -> str:
    if result.broken(one) > 0.0:
        return "broken"
    return "kept" if not is_open or _check(result, one.number) is not None else "not all seen"


def _check_rows(result: SearchResult) -> list[list[str]]:
    rows = [["layout"]]
    for asked in result.asked:
        rows[0] += [quantity_label(asked), "in full"]
    rows[0] += [limit.text for limit in result.limits]
    for one in result.checked:
        row = [str(one.number)]
        for asked in result.asked:
            row += [value_text(asked, one.searched[asked.name])]
            row += [value_text(asked, one.solved[asked.name])]
        row += [
            value_text(Asked(limit.quantity.quantity), one.held[limit.text])
            for limit in result.limits
        ]
        rows.append(row)
    return rows


def _paragraph(text: str, width: int) -> list[str]:
    return wrapped(text, width, first="", rest="")


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def search_form(result: SearchResult) -> dict[str, Any]:
    """The same as nested dicts and lists, SI units, null for what is not known."""

    def layout(one: FoundLayout) -> dict[str, Any]:
        check = _check(result, one.number)
        return {
            "layout": one.number,
            "parameters": {p.name: result.value(p, one) for p in result.parameters},
            "figures": dict(one.figures),
            "limits": dict(one.held),
            "stopped_by": result.stopped(one),
            "keeps_limits": result.broken(one) == 0.0,
            "houses": one.houses,
            "in_full": None if check is None else {
                "figures": dict(check.solved),
                "limits": dict(check.held),
                "keeps_limits": check.keeps_limits,
                "difference": check.difference,
            },
        }  # fmt: skip

    form = {
        "format_version": json_form.FORMAT_VERSION,
        "name": result.name,
        "goals": [goal.name for goal in result.goals],
        "limits": [limit.text for limit in result.limits],
        "bands": [band.name for band in result.bands],
        "houses": result.houses,
        "budget": result.budget,
        "spent": result.spent,
        "seed": result.seed,
        "limits_are_met": result.are_met,
        "best": layout(result.best),
        "as_told": None if result.as_told is None else result.as_told.number,
        "best_by_goal": {name: one.number for name, one in result.best_by_goal.items()},
        "front_keeps_limits": bool(result.keeping),
        "front": [layout(one) for one in result.front],
        "layouts": [layout(one) for one in result.layouts],
        "remarks": list(result.remarks),
    }
    return _plain(form)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return json_form.number(value) if isinstance(value, float) else value
