"""Pictures of a sweep: what is drawn is what the arrays hold; axes carry quantity and unit."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, QuadMesh
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure
from matplotlib.text import Text
from sweep_stand_in import MemoryStore, attic_sweep

from ridgepole.solver import SweepError
from ridgepole.solver.study.sweep_result import SweepResult
from ridgepole.solver.views import sweep_figures as views

BANDS = ("80 m", "40 m", "20 m", "15 m", "10 m")


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    return attic_sweep(BANDS)


@pytest.fixture(scope="module")
def result(store: MemoryStore) -> SweepResult:
    return SweepResult(store)


def words(figure: Any) -> str:
    """All that is written on a figure."""
    return "\n".join(t.get_text() for t in figure.findobj(Text))


def drawn(figure: Any) -> np.ndarray:
    """The figure as pixels, which also makes sure that it can be drawn."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())


def points(ax: Axes, which: int) -> np.ndarray:
    return np.asarray(ax.lines[which].get_xydata())


def test_front(result: SweepResult):
    criteria = [("worst efficiency", "high"), ("feed voltage", "low")]
    front = result.pareto(criteria)
    ax = views.draw_front(result, criteria, chosen=int(front[1]))
    both = np.stack(
        [100.0 * result.quantity("worst efficiency"), result.quantity("worst feed voltage")],
        axis=1,
    )
    np.testing.assert_array_equal(points(ax, 0), both[result.layouts])
    np.testing.assert_array_equal(points(ax, 1), both[front])
    np.testing.assert_array_equal(points(ax, 2), both[front[1:2]])
    assert ax.get_xlabel() == "worst efficiency [%]"
    assert ax.get_ylabel() == "worst feed voltage, RMS at 80 W [V]"
    assert f"layout {front[1]}: " in words(ax.figure)
    assert "118 layouts" in words(ax.figure)
    assert drawn(ax.figure).std() > 5.0
    with pytest.raises(SweepError, match="two criteria"):
        views.draw_front(result, [("swr", "low")])


def test_front_by_swr_on_one_band(result: SweepResult):
    ax = views.draw_front(result, [("swr on 40 m", "low"), ("efficiency on 40 m", "high")])
    assert ax.get_xlabel() == "SWR on 40 m (50 ohm)"
    assert ax.get_xscale() == "log"
    known = result.quantity("swr on 40 m")[result.layouts]
    np.testing.assert_array_equal(points(ax, 0)[:, 0], known)
    low, high = ax.get_xlim()
    assert low <= known.min() < known.max() <= high
    assert (float(low) == 1.0) is bool(known.min() < views.NEAR_MATCH)
    ticks = [tick for tick in ax.get_xticks() if low <= tick <= high]
    assert len(ticks) >= 3


def test_endless_swr_is_drawn_at_the_edge(store: MemoryStore):
    z = store.figures["impedance"].copy()
    z[12, 0, 0] = 1e-9j
    found = SweepResult(
        MemoryStore(store.plan, store.states, store.reasons, {**store.figures, "impedance": z})
    )
    ax = views.draw_front(found)
    assert points(ax, 0)[:, 1].max() == views.TOP_SWR
    drawn(ax.figure)


def test_parallel_coordinates(store: MemoryStore, result: SweepResult):
    names = ["efficiency", "worst swr"]
    ax = views.draw_parallel(result, names, colour_by="worst swr")
    (lines,) = (c for c in ax.collections if isinstance(c, LineCollection))
    segments = np.array(lines.get_segments())
    assert segments.shape == (118, 5, 2)
    shades = np.asarray(lines.get_array())
    np.testing.assert_array_equal(
        np.sort(shades), np.sort(result.quantity("worst swr")[result.layouts])
    )
    assert (np.diff(shades) <= 0.0).all()  # the best are drawn last
    order = result.layouts[np.argsort(result.quantity("worst swr")[result.layouts], kind="stable")]
    for place, values in enumerate(
        (
            result.quantity("long"),
            result.quantity("cross"),
            store.plan.design.columns[2].astype(np.float64),
            result.quantity("worst efficiency"),
            np.log10(result.quantity("worst swr")),
        )
    ):
        own = values[order][::-1]
        expected = (own - own.min()) / (own.max() - own.min())
        np.testing.assert_allclose(segments[:, place, 1], expected, atol=1e-12)  # rounding
        assert (segments[:, place, 0] == place).all()
    text = words(ax.figure).replace("\u00a0", " ").replace("\n", " ")
    for label in (
        "9.00 m", "14.00 m", "5.00 m", "7.50 m", "average ground", "wet ground", "long length",
        "worst efficiency [%]", "worst SWR (50 ohm)",
    ):  # fmt: skip
        assert label in text, label
    assert isinstance(lines.norm, LogNorm)
    cmap = lines.get_cmap()
    tone = np.asarray(cmap(lines.norm([shades.min(), shades.max()])))[:, :3] @ [0.3, 0.6, 0.1]
    assert tone[0] > tone[1] + 0.4, "the better end differs in lightness, not in hue alone"
    drawn(ax.figure)


def test_only_so_many_lines(result: SweepResult):
    ax = views.draw_parallel(result, most=40)
    (lines,) = (c for c in ax.collections if isinstance(c, LineCollection))
    shades = np.asarray(lines.get_array())
    best = np.sort(100.0 * result.quantity("worst efficiency")[result.layouts])[::-1]
    assert shades.size == 40
    np.testing.assert_array_equal(shades[::-1][:20], best[:20])
    assert shades.min() == best[-1]
    assert "40 of 118 layouts" in words(ax.figure)
    with pytest.raises(SweepError, match="done and left to draw"):
        views.draw_parallel(result.filter("efficiency > 99 %"))


def test_length_map(result: SweepResult):
    figure = views.draw_length_map(result, "long", at=60)
    panels = [ax for ax in figure.axes if any(isinstance(c, QuadMesh) for c in ax.collections)]
    meshes = [next(c for c in ax.collections if isinstance(c, QuadMesh)) for ax in panels]
    names = ("|z|", "feed voltage", "efficiency")
    bars = [ax for ax in figure.axes if ax.get_label() == "<colorbar>"]
    for mesh, name, ax, bar in zip(meshes[:3], names, figure.axes[:3], bars, strict=True):
        found = result.length_map("long", name, at=60)
        scale = 100.0 if name == "efficiency" else 1.0
        np.testing.assert_array_equal(
            np.asarray(mesh.get_array()).reshape(5, -1), scale * found.values.T
        )
        corners: Any = mesh.get_coordinates()
        middle = 0.5 * (corners[0, 1:, 0] + corners[0, :-1, 0])
        np.testing.assert_allclose(middle, found.lengths, rtol=1e-12)  # rounding; even steps
        assert [t.get_text() for t in ax.get_yticklabels()] == list(BANDS)
        own = found.lengths[found.layouts == 60]
        np.testing.assert_array_equal(points(ax, 0)[:, 0], [own[0], own[0]])
        unit = {"|z|": "|Z| [ohm]", "feed voltage": "[V]", "efficiency": "efficiency [%]"}[name]
        assert unit in bar.get_ylabel().replace("\n", " ")
    assert figure.axes[2].get_xlabel() == "long length [m]"
    assert "layout 60 marked" in words(figure)
    drawn(figure)


def test_length_map_shows_what_was_kept(store: MemoryStore):
    plan = replace(store.plan, figures=store.plan.figures[:1])
    found = SweepResult(
        MemoryStore(plan, store.states, store.reasons, {"impedance": store.figures["impedance"]})
    )
    figure = views.draw_length_map(found, "cross")
    assert len([ax for ax in figure.axes if ax.get_label() != "<colorbar>"]) == 2
    with pytest.raises(SweepError, match="was not kept"):
        views.draw_length_map(found, "cross", quantities=["efficiency"])
    swr = views.draw_length_map(found, "cross", quantities=["swr"])
    assert "SWR (50 ohm)" in words(swr).replace("\u00a0", " ").replace("\n", " ")


def test_against_a_length(result: SweepResult):
    ax = views.draw_against(result, "long", "swr", bands=["40 m", "20 m"])
    found = result.against("long", "swr", bands=["40 m", "20 m"])
    np.testing.assert_array_equal(points(ax, 0), np.stack([found.values, found.median], axis=1))
    (range_,) = (c for c in ax.collections)
    corners = range_.get_paths()[0].vertices
    assert {tuple(c) for c in np.stack([found.values, found.low], axis=1).tolist()} <= {
        tuple(c) for c in np.asarray(corners).tolist()
    }
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("long length [m]", "worst SWR (50 ohm)")
    assert "118 layouts" in words(ax.figure)
    drawn(ax.figure)


def test_against_choices(result: SweepResult):
    ax = views.draw_against(result, "earth.ground", "efficiency on 15 m")
    found = result.against("ground", "efficiency on 15 m")
    np.testing.assert_allclose(points(ax, 0)[:, 1], 100.0 * found.median, rtol=1e-15)
    assert [t.get_text() for t in ax.get_xticklabels()] == ["average ground", "wet ground"]
    assert ax.get_ylabel() == "efficiency on 15 m [%]"
    drawn(ax.figure)


def test_trim_chart(result: SweepResult):
    table = result.trim_table("long", around=60)
    ax = views.draw_trim(table)
    widths = {
        round(bar.get_y() + 0.5 * bar.get_height()): bar.get_width()  # pyright: ignore
        for bar in ax.patches
    }
    labels = dict(zip(ax.get_yticks(), [t.get_text() for t in ax.get_yticklabels()], strict=True))
    assert len(widths) == len(table.rows)
    for place, label in labels.items():
        row = next(row for row in table.rows if row.band == label)
        assert widths[round(place)] == pytest.approx(1e-5 * row.resonance_slope, rel=1e-12)
    colours = {bar.get_facecolor() for bar in ax.patches}
    assert len(colours) == 1 + any(row.is_coarse for row in table.rows)
    assert "[kHz]" in ax.get_xlabel()
    assert "layout 60: long length 11.50 m" in words(ax.figure)
    drawn(ax.figure)


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        ("front", {}),
        ("parallel", {}),
        ("length map", {"parameter": "long"}),
        ("against", {"parameter": "cross", "quantity": "efficiency"}),
        ("trim", {"element": "cross", "around": 62}),
    ],
)
def test_plot_by_kind(result: SweepResult, kind: str, options: dict[str, Any]):
    figure = result.plot(kind, **options)
    assert isinstance(figure, Figure)
    assert "linden-lane" in words(figure)


def test_axes_of_ones_own_and_unknown_kinds(result: SweepResult):
    figure = Figure()
    ax = figure.add_subplot()
    assert views.draw_front(result, ax=ax) is ax
    assert result.plot("against", parameter="long", quantity="efficiency", ax=ax) is figure
    assert result.trim_table("long", around=60).plot(ax) is ax
    with pytest.raises(SweepError, match="there are: front, parallel, length map, against, trim"):
        result.plot("pie")


def test_conditions_stand_in_the_title(result: SweepResult):
    ax = views.draw_front(result.filter("long > 10 m"))
    assert "where long > 10 m" in words(ax.figure)
