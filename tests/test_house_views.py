"""The house in answers: where its watts go, what it is called, how it is drawn and compared."""

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from matplotlib.figure import Figure

from ridgepole.geometry import (
    Cable,
    Downpipe,
    Duct,
    Electrode,
    Feed,
    Scene,
    Screen,
    Sheet,
    Timber,
    Wire,
)
from ridgepole.geometry.drawing import draw_attic
from ridgepole.geometry.house_drawing import kind_colour
from ridgepole.geometry.mesh import build_mesh
from ridgepole.geometry.wires import wire_label
from ridgepole.materials import Earth
from ridgepole.solver import Answer, Band, Solution, answer, compare, influence, open_answer, solve
from ridgepole.solver.effort import Effort, estimate_effort
from ridgepole.solver.fields.budget import ELEMENTS, OTHER_WIRES, TERMS, conductor_loss
from ridgepole.solver.views import figures
from ridgepole.solver.views.json_form import answer_form
from ridgepole.solver.views.tables import ELECTRODES, METAL, WIRE, watt_columns

FREQUENCY = 7.1e6
BAND = (7.0e6, 7.2e6)
FOIL = [(-4.0, 3.0, 5.4), (1.0, 3.0, 5.4), (1.0, 3.0, 7.0), (-4.0, 3.0, 7.0)]


def furnished() -> Scene:
    """An element and a radial of copper among metal of all kinds, a joist and a board."""
    own = [
        Wire([(0, 0, 6), (7, 1, 6.4)], gauge="1.5 mm2", conductor="annealed copper",
             jacket="PVC 0.7 mm", name="long"),
        Wire([(0, 0, 6), (-4, 0.5, 6)], gauge="1.5 mm2", conductor="annealed copper",
             name="radial 1"),
    ]  # fmt: skip
    house = [
        Cable([(-4, 2, 5.9), (6, 2, 5.9)], gauge="1.5 mm2", jacket="PVC 0.7 mm",
              name="lamp cable"),
        Cable([(-3, -2, 5.9), (6, -2, 5.9)], gauge="1.5 mm2", name="bell cable"),
        Duct([(1, 2.6, 6.1), (5, 2.9, 6.2)], diameter="125 mm", name="fan duct"),
        Downpipe(
            [(8, -3, 5.5), (8, -3, 0.3)], diameter="80 mm", earthed=Electrode(impedance=90),
            name="north pipe",
        ),
        Screen(FOIL, pitch="1 m", name="foil wall"),
        Timber((-5, 0.8, 5.8), (8, 0.8, 5.8), width=0.045, depth=0.195, name="j", group="joists"),
        Sheet(
            [(-5, -2.8, 5.6), (7.5, -2.8, 5.6), (7.5, 2.8, 5.6), (-5, 2.8, 5.6)],
            thickness="12.5 mm", material="plasterboard", name="ceiling",
        ),
    ]  # fmt: skip
    return Scene(own, feed=Feed("long"), earth=Earth(13, 0.005), house=house)


PIECES = ("lamp cable", "bell cable", "fan duct", "north pipe", "foil wall")


@pytest.fixture(scope="module")
def solution() -> Solution:
    return solve(furnished(), FREQUENCY)


@pytest.fixture(scope="module")
def found() -> Answer:
    return answer(furnished(), [BAND], tolerance=None, progress=False, name="furnished")


# --- where each watt goes ---------------------------------------------------------------------


def test_parts_add_up_to_their_terms(solution: Solution):
    budget = solution.budget
    # Class: rounding.
    for term in ("conductors", "jackets", "timbers"):
        parts = budget.parts_of(term)
        assert sum(parts.values()) == pytest.approx(getattr(budget, term), rel=1e-12)
        assert all(share > 0.0 for share in parts.values())
    assert set(budget.parts_of("conductors")) == {ELEMENTS, OTHER_WIRES, *PIECES}
    assert set(budget.parts_of("jackets")) == {ELEMENTS, "lamp cable"}
    assert set(budget.parts_of("timbers")) == {"joists", "ceiling"}
    # Class: quadrature and a small electrode (a_e of some cm).
    assert budget.balance_error < 1e-3


def test_a_part_is_the_heat_of_its_elements(solution: Solution):
    scene, mesh = solution.scene, solution.mesh
    surface = solution.system.surface_impedance(FREQUENCY)
    assert surface is not None
    heat = conductor_loss(solution.currents(), surface)
    of = np.array([scene.wires[int(w)].piece for w in mesh.wire])
    parts = solution.budget.parts_of("conductors")
    for piece in PIECES:  # class: rounding
        assert parts[piece] == pytest.approx(heat[of == piece].sum(), rel=1e-12)


def test_an_electrode_dissipates_what_flows_into_it(solution: Solution):
    lead = next(w for w in solution.scene.wires if w.name == "north pipe to earth")
    current = complex(np.asarray(solution.current(lead.name, lead.length)))
    (share,) = solution.budget.parts_of("earth").values()
    # Class: rounding: 90 ohm, and the current at the end of the lead.
    assert share == pytest.approx(90.0 * abs(current) ** 2, rel=1e-9)
    assert 0.0 < float(share) < float(solution.budget.earth)


def test_the_budget_says_so(solution: Solution):
    told = repr(solution.budget)
    for word in ("timbers and sheets", "  joists", "  foil wall", "  electrode of north pipe"):
        assert word in told
    assert "u1" not in told
    assert list(solution.budget.as_dict()) == list(TERMS)  # parts are not counted twice
    pair = solve(furnished(), [7.0e6, FREQUENCY], mesh=solution.mesh)
    both = np.asarray(pair.budget.parts_of("conductors")["foil wall"])
    each = [one.budget.parts_of("conductors")["foil wall"] for one in pair]
    assert both.tolist() == each


def test_an_answer_shares_out_all_of_the_input(found: Answer):
    band = found.bands[0]
    columns = watt_columns(found.bands)
    # Class: rounding.
    assert sum(values[0] for values in columns.values()) == pytest.approx(
        float(band.budget.total), rel=1e-12
    )
    parts = band.budget.parts_of("conductors")
    assert columns[METAL][0] == pytest.approx(sum(map(float, (parts[p] for p in PIECES))))
    assert columns[WIRE][0] == pytest.approx(float(parts[ELEMENTS]) + float(parts[OTHER_WIRES]))
    assert columns[ELECTRODES][0] > 0.0
    told = found.to_text()
    for word in ("house metal", "electrodes", "electrode of north pipe", "foil wall", "joists"):
        assert word in told
    form = answer_form(found)["bands"][0]["budget_parts"]
    assert form["conductors"]["fan duct"] == float(parts["fan duct"])
    drawn = figures.draw_budget(found.bands)
    legend = drawn.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == list(columns)


def test_ground_and_electrodes_stay_together_where_the_rest_is_negative(found: Answer):
    band = found.bands[0]
    budget = replace(band.budget, earth=0.5 * sum(band.budget.parts_of("earth").values()))
    columns = watt_columns([replace(band, budget=budget)])
    assert ELECTRODES not in columns
    assert columns["earth"] == [float(budget.earth)]


def test_an_answer_is_kept_with_its_house(found: Answer, tmp_path: Path):
    kept = open_answer(found.save(tmp_path / "answer.h5"))
    assert kept == found
    assert kept.to_text() == found.to_text()


def test_an_answer_of_the_schema_before_is_read(found: Answer, tmp_path: Path):
    path = found.save(tmp_path / "answer.h5")
    with h5py.File(path, "r+") as file:
        file.attrs["schema"] = 3
        for key in ("piece", "kind"):
            del file[f"answer/wires/{key}"]
        del file["answer/bands/0/budget/parts"]
    kept = open_answer(path)
    assert kept.bands[0].budget.parts == ()
    assert {wire.piece for wire in kept.wires} == {""}
    assert METAL not in watt_columns(kept.bands)
    assert "joists" in kept.to_text()
    figures.draw_wires(kept)


# --- what it is called ------------------------------------------------------------------------


def test_only_the_antenna_is_counted_as_wire(found: Answer):
    told = " ".join(found.to_text().split())
    own = found.wire("long").length + found.wire("radial 1").length
    assert f"1 element (long {found.wire('long').length:.2f} m), 1 radial, {own:.0f} m of" in told
    assert f"In the house besides: {', '.join(PIECES)}." in told


@pytest.mark.parametrize(
    ("name", "piece", "label"),
    [
        ("long", "", "'long'"),
        ("duct", "duct", "'duct'"),
        ("foil wall u1", "foil wall", "the grid of 'foil wall'"),
        ("north pipe to earth", "north pipe", "the lead of 'north pipe' to earth"),
        ("pipe to long #2", "pipe", "the lead of 'pipe' to long #2"),
    ],
)
def test_wires_are_called_as_their_piece(name: str, piece: str, label: str):
    assert wire_label(name, piece) == label


def test_doubts_and_influence_use_the_names_of_pieces():
    scene = furnished()
    near = Wire([(-3.97, 2.75, 5.5), (-3.97, 2.74, 6.7)], radius=0.01, name="hook")
    through = Wire([(-0.5, 2.5, 5.8), (-0.5, 3.4, 5.81)], radius=1e-3, name="peg")
    doubts = " ".join(scene.with_wires([*scene.own_wires, near, through]).doubts())
    assert "'peg' through 'foil wall'" in doubts
    assert "the grid of 'foil wall' near" in doubts or "The grid of 'foil wall' runs" in doubts
    study = influence(scene, [BAND], tolerance=None, progress=False)
    told = " ".join((*scene.doubts(), doubts, study.to_text(width=10000)))
    for wire in scene.wires:
        if wire.piece and wire.piece != wire.name:
            assert wire.name not in told
    row = study.row("foil wall", study.bands[0])
    assert FOIL[0][2] <= row.current_point[2] <= FOIL[2][2]
    assert row.current_point[1] == pytest.approx(3.0)
    assert "foil wall: greatest current" in told
    assert "in its grid, at (" in told
    # dry and wet: the change, not two figures that round to the same
    pair = study.moisture[0]
    change = 100.0 * (pair.wet.efficiency - pair.dry.efficiency)
    assert f"efficiency {change:+.2f}, low" in told


# --- how it is drawn --------------------------------------------------------------------------


def legend_of(figure: Figure) -> dict[str, str]:
    (legend,) = figure.legends
    handles = legend.legend_handles
    return {
        text.get_text(): str(handle.get_color())  # pyright: ignore
        for text, handle in zip(legend.get_texts(), handles, strict=True)
    }


def test_metal_is_drawn_by_kind_as_the_legend_says(found: Answer):
    figure = figures.draw_wires(found)
    legend = legend_of(figure)
    kinds = {"2 cables": "cable", "fan duct": "duct", "north pipe": "downpipe",
             "foil wall": "screen"}  # fmt: skip
    assert list(legend) == ["long", "radials", *kinds]
    for label, kind in kinds.items():
        assert legend[label] == kind_colour(kind)
    assert len(set(legend.values())) == len(legend)
    ax = figure.axes[0]
    drawn = {str(line.get_color()) for line in ax.lines}
    assert set(legend.values()) <= drawn
    (y,) = {
        round(float(np.asarray(line.get_xydata())[0, 1]), 6)
        for line in ax.lines
        if line.get_color() == legend["fan duct"]
    }
    assert y == 2.6
    # neither title nor legend lies on the other
    figure.canvas.draw()
    box = figure.legends[0].get_window_extent()
    titles = [text.get_window_extent() for text in figure.texts]
    assert not any(box.overlaps(title) for title in titles)
    assert box.x0 >= 0.0
    assert all(not box.overlaps(axes.get_window_extent()) for axes in figure.axes)


def test_a_scene_is_drawn_as_before():
    figure = draw_attic(furnished())
    assert len(figure.axes) >= 4


# --- what it takes, and what differs ----------------------------------------------------------


def test_effort_counts_the_solids():
    scene = furnished()
    told: list[Effort] = []

    class Enough(Exception):
        """What is announced suffices; nothing needs to be solved."""

    def announce(effort: Effort) -> None:
        told.append(effort)
        raise Enough

    with pytest.raises(Enough):
        answer(scene, [BAND], progress=False, announce=announce)
    (effort,) = told
    assert effort.cells > 20
    assert effort.bands == 1
    assert effort.seconds > 0.0
    bare = scene.with_house()
    mesh = build_mesh(bare, BAND[1])

    less = estimate_effort(bare, mesh, [Band("a", *BAND)], matrices=effort.matrices, frequencies=3)
    assert less.cells == less.near_pairs == 0
    assert less.seconds < 0.8 * effort.seconds
    assert replace(effort, bands=4, matrices=4 * effort.matrices).seconds > 2.0 * effort.seconds


TABLES = """
[roof]
covering = "{roof}"
[[cable]]
name = "lamp cable"
points = [["1 m", "5 m", "0.1 m"], ["6 m", "5 m", "0.1 m"]]
"""


def test_compare_says_that_houses_differ(found: Answer):
    tiled, slated = TABLES.format(roof="clay tile"), TABLES.format(roof="slate")
    first = replace(found, text=tiled, name="a")
    told = compare([first, replace(found, text=slated, name="b"), first.renamed("c")])
    assert told.house_differs == (("b", ("roof",)),)
    assert "The houses differ: 'b' against 'a' in [roof]." in told.to_text(width=200)
    assert "houses differ" not in str(compare([first, first.renamed("c")]))
    assert "houses differ" not in str(compare([first, replace(first, text="", name="d")]))
    gone = tiled.partition("[[cable]]")[0]
    other = compare([first, replace(found, text=gone, name="b")])
    assert other.house_differs == (("b", ("cable",)),)
