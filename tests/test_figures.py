"""Pictures of an answer: what is drawn is what was found, with units, references and bearings."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy import constants
from small_attic import LONG, RADIALS, ROOM

from ridgepole.geometry import Feed, Scene, Wire
from ridgepole.geometry.attic_file import plan_from
from ridgepole.geometry.file_tables import AtticFile
from ridgepole.materials import Earth
from ridgepole.solver import Answer, answer, solve
from ridgepole.solver.settings import TABLES
from ridgepole.solver.views import figures, numbers
from ridgepole.solver.views.tables import bandwidth_text, watt_lines

ATTIC = (
    ROOM
    + LONG
    + RADIALS
    + """[earth]
permittivity = 17
conductivity = 0.012
[bands]
wanted = ["40 m", "20 m"]
"""
)


@pytest.fixture(scope="module")
def found() -> Answer:
    return answer(plan_from(AtticFile.from_text(ATTIC, other_tables=TABLES)), progress=False)


@pytest.fixture(scope="module")
def in_free_space() -> Answer:
    wire = Wire([(0, 0, -5.2), (0, 0, 5.2)], radius=1e-3, name="rod")
    scene = Scene(wire, feed=Feed("rod", at=4.1))
    return answer(scene, [(13.9e6, 14.3e6)], progress=False)


def points(line: Line2D) -> np.ndarray:
    """Corners of a line, shape (N, 2)."""
    return np.asarray(line.get_xydata())


def words(figure: Figure) -> str:
    """All that is written on a figure."""
    from matplotlib.text import Text

    return "\n".join(t.get_text() for t in figure.findobj(Text) if isinstance(t, Text))


def drawn(figure: Figure) -> np.ndarray:
    """The figure as pixels, which also makes sure that it can be drawn."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())


def test_swr_curve_passes_through_the_points(found: Answer):
    band = found.band("20 m")
    ax = figures.draw_swr(band)
    curve = max((points(line) for line in ax.lines), key=len)
    at = np.interp(band.frequencies / 1e6, curve[:, 0], curve[:, 1])
    # Class: rounding: the smooth curve goes through what was computed.
    assert at == pytest.approx(band.swr, rel=1e-9)
    assert ax.get_ylabel() == "SWR (50 ohm)"
    assert ax.get_xlabel() == "MHz"
    assert ax.get_xlim() == pytest.approx((14.0, 14.35))
    assert ax.get_ylim()[0] == 1.0


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (14.0e6, 14.35e6, ["14.000", "14.175", "14.350"]),
        (21.0e6, 21.45e6, ["21.000", "21.225", "21.450"]),
        (5.3515e6, 5.3665e6, ["5.3515", "5.3590", "5.3665"]),
        (28.0e6, 29.7e6, ["28.00", "28.85", "29.70"]),
    ],
)
def test_ticks_are_written_exactly(found: Answer, low: float, high: float, labels: list[str]):
    band = found.band("20 m")
    ax = figures.draw_impedance(replace(band, band=replace(band.band, low=low, high=high)))
    assert [label.get_text() for label in ax.get_xticklabels()] == labels


def test_bandwidth_is_told_with_the_band(found: Answer):
    band = replace(found.band("20 m"), bandwidth=265.2e3)
    assert bandwidth_text(band) == "265 of 350 kHz"
    assert bandwidth_text(replace(band, bandwidth=350e3)) == "whole band"


def test_titles_name_house_and_layout(found: Answer):
    assert found.house is not None
    house = replace(found.house, name="the small house")
    told = words(figures.draw_watts(replace(found, house=house, name="first")))
    assert "the small house, first: where do the watts go?" in told


def test_free_space_says_that_low_angles_hold_what_goes_down(in_free_space: Answer, found: Answer):
    assert "below 30 includes all that goes below" in " ".join(str(in_free_space).split())
    assert "below the horizon" in words(figures.draw_watts(in_free_space))
    assert "goes below" not in str(found)
    assert "Efficiency is the part that reaches the sky" in " ".join(str(found).split())
    assert "Efficiency is" not in str(in_free_space)


def test_the_vertical_that_the_note_on_efficiency_names():
    wavelength = constants.c / 14.2e6
    wire = Wire([(0, 0, 0.02 * wavelength), (0, 0, 0.49 * wavelength)], radius=1e-3, name="rod")
    earth = Earth.named("average ground")
    scene = Scene(wire, feed=Feed("rod", at=0.235 * wavelength), earth=earth)
    # Class: printed: "about 25 %", so anything that rounds to that by fives.
    assert float(solve(scene, 14.2e6).budget.efficiency) == pytest.approx(0.25, abs=0.025)


def test_a_missing_value_has_no_unit(found: Answer):
    band = replace(found.band("20 m"), radiation_resistance=np.nan, loss_resistance=np.nan)
    assert watt_lines([band])[1].split()[-2:] == ["-", "-"]
    assert numbers.with_unit(12.3, "ohm") == "12 ohm"


def test_resistance_and_reactance_are_told_apart(found: Answer):
    band = found.band("40 m")
    ax = figures.draw_impedance(band)
    curves = {line.get_color(): line for line in ax.lines if len(points(line)) > 10}
    real, imaginary = curves[figures.RESISTANCE], curves[figures.REACTANCE]
    assert points(real)[-1, 1] == pytest.approx(band.high_edge.impedance.real, rel=1e-9)
    assert points(imaginary)[0, 1] == pytest.approx(band.low_edge.impedance.imag, rel=1e-9)
    assert real.get_linestyle() != imaginary.get_linestyle()  # not by colour alone
    assert {text.get_text() for text in ax.texts} == {"R", "X"}


def test_elevation_cut_is_the_gain_with_the_horizon_at_the_bottom(found: Answer):
    band = found.band("20 m")
    ax = figures.draw_elevation(band)
    outline = max((points(line) for line in ax.lines if line.get_linewidth() == 1.8), key=len)
    assert outline[:, 1].min() >= -1e-12
    elevation = 40.0
    point = outline[int(np.argmin(np.abs(np.arctan2(outline[:, 1], outline[:, 0])
                                         - np.deg2rad(elevation))))]  # fmt: skip
    gain = float(band.gain_at(elevation, band.bearing_deg))
    span = figures.OUTER_DBI - figures.INNER_DBI
    # Class: digitised: the nearest of points 0.75 degrees apart.
    assert np.hypot(*point) == pytest.approx((gain - figures.INNER_DBI) / span, abs=0.02)
    told = {text.get_text() for text in ax.texts}
    assert f"bearing {numbers.bearing(band.bearing_deg)}" in told
    assert f"bearing {numbers.bearing(band.bearing_deg + 180)}" in told
    assert {"30", "60", "0 dBi", "+10"} <= told
    wedges = [patch for patch in ax.patches if hasattr(patch, "theta1")]
    assert len({patch.get_facecolor() for patch in wedges}) == 3


def test_compass_cut_has_north_up_and_turns_clockwise(found: Answer):
    band = found.band("20 m")
    ax = figures.draw_azimuth(band, elevation_deg=20.0)
    outline = max((points(line) for line in ax.lines), key=len)
    east = outline[int(np.argmin(np.abs(np.arctan2(outline[:, 1], outline[:, 0]))))]
    span = figures.OUTER_DBI - figures.INNER_DBI
    expected = (float(band.gain_at(20.0, 90.0)) - figures.INNER_DBI) / span
    assert np.hypot(*east) == pytest.approx(expected, abs=0.01)
    north = next(text for text in ax.texts if text.get_text() == "N")
    assert north.get_position() == pytest.approx((0.0, 1.13))
    # The bars stand where the ridge points: 37 and 217 degrees.
    bars = [points(line) for line in ax.lines if line.get_linewidth() == 3.0]
    ways = sorted(float(np.rad2deg(np.arctan2(bar[0, 0], bar[0, 1]))) % 360 for bar in bars)
    assert ways == pytest.approx([37.0, 217.0])


def test_bars_add_up(found: Answer):
    ax = figures.draw_budget(found.bands)
    widths = np.zeros(2)
    for container in ax.containers:
        widths += [patch.get_width() for patch in container]
    # Class: quadrature: the budget closes to 1e-5.
    assert widths == pytest.approx([100.0, 100.0], abs=1e-3)
    split = figures.draw_split(found.bands)
    sky = np.zeros(2)
    for container in split.containers:
        sky += [patch.get_width() for patch in container]
    assert sky == pytest.approx([100.0 * band.efficiency for band in found.bands], rel=1e-9)
    assert [label.get_text() for label in ax.get_yticklabels()] == ["40 m", "20 m"]


def test_wires_are_as_wide_as_their_current(found: Answer):
    band = found.band("20 m")
    currents = figures.currents_of(band)
    assert set(currents) == {wire.name for wire in found.wires}
    where, size = currents["long"]
    assert where[-1] == pytest.approx(found.wire("long").length)
    assert size[-1] < 1e-9 * size.max()
    ax = figures.draw_currents(found, "20 m")
    from matplotlib.collections import LineCollection

    widths = np.concatenate(
        [np.atleast_1d(c.get_linewidth()) for c in ax.collections if isinstance(c, LineCollection)]
    )
    assert widths.max() > 3.0 * widths.min()
    top = max(float(s.max()) for _, s in currents.values())
    assert f"{numbers.rounded(top)} A at 100 W" in ax.get_title(loc="left")


def test_every_sheet_is_drawn_and_says_what_it_is(found: Answer):
    sheets = figures.answer_figures(found)
    assert set(sheets) == {"load.png", "watts.png", "angles.png", "wires.png", "voltages.png"}
    for name, figure in sheets.items():
        assert (drawn(figure)[..., :3] < 128).any()
        told = words(figure)
        assert "40 m" in told, name
        assert "20 m" in told, name
    assert "SWR (50 ohm)" in words(sheets["load.png"])
    assert "bearing" in words(sheets["angles.png"])
    assert "per cent of the input power" in words(sheets["watts.png"])
    assert "N" in words(sheets["wires.png"]).split("\n")


def test_a_band_draws_itself(found: Answer):
    figure = found.band("40 m").plot()
    assert (drawn(figure)[..., :3] < 128).any()
    assert "efficiency" in words(figure)


def test_without_a_house_there_are_azimuths_and_no_compass(in_free_space: Answer):
    band = in_free_space.bands[0]
    told = words(in_free_space.bands[0].plot())
    assert "azimuth" in told
    assert "bearing" not in told
    ax = figures.draw_azimuth(band, elevation_deg=0.0)
    outline = max((points(line) for line in ax.lines), key=len)
    # A rod on the axis radiates the same all round (class: rounding).
    assert np.ptp(np.hypot(outline[:, 0], outline[:, 1])) < 1e-9
    elevation = figures.draw_elevation(band)
    assert elevation.get_ylim()[0] < -1.0  # no horizon: both halves are shown
    for figure in figures.answer_figures(in_free_space).values():
        drawn(figure)


@pytest.mark.parametrize(
    ("value", "text"),
    [(23.417, "23"), (0.0234, "0.023"), (2.44, "2.4"), (99.6, "100"), (1443.8, "1440"),
     (-43.57, "-44"), (0.0, "0"), (99.4, "99"), (9.96, "10")],
)  # fmt: skip
def test_numbers_are_rounded_to_what_is_known(value: float, text: str):
    assert numbers.rounded(value) == text


@pytest.mark.parametrize(
    ("function", "value", "text"),
    [
        (numbers.swr, 1.84, "1.8"),
        (numbers.swr, 12.4, "12"),
        (numbers.swr, -3.0, "over 999"),
        (numbers.swr, np.inf, "over 999"),
        (numbers.per_cent, 0.342, "34 %"),
        (numbers.per_cent, 0.0243, "2.4 %"),
        (numbers.per_cent, 0.998, "99.8 %"),
        (numbers.per_cent, 1e-9, "under 0.01 %"),
        (numbers.per_cent, np.nan, "-"),
        (numbers.decibels, -0.004, "0.0"),
        (numbers.decibels, 2.14, "+2.1"),
        (numbers.decibels, -np.inf, "nothing"),
        (numbers.bearing, 359.7, "000"),
        (numbers.bearing, 7.2, "007"),
        (numbers.impedance, 1443.8 - 538.7j, "1440 - j539"),
        (numbers.impedance, 23.4 + 0.26j, "23 + j0.26"),
    ],
)
def test_how_numbers_are_written(function: Callable[..., str], value: complex, text: str):
    assert function(value) == text
