"""Two-ports, lines and transformers: published and computed values, scikit-rf, limits, faults."""

import math

import numpy as np
import pytest
import skrf
from skrf.media import DefinedGammaZ0, DistributedCircuit

from ridgepole.materials import Coil, LineType, MaterialError
from ridgepole.solver import IdealTransformer, Line, SolverError, Transformer, TwoPort, swr
from ridgepole.solver.station.two_port import LadderPart, cascade, ladder_state

F = np.array([1.83e6, 3.65e6, 7.1e6, 14.1e6, 28.9e6])
LOADS = np.array([25 + 40j, 6 - 180j, 900 + 310j, 50 + 2j, 2.5 + 700j])


def with_matched_loss(loss_db: float, *, real_impedance: bool = False) -> Line:
    """50 ohm, 20 m, velocity factor 0.66, that loss at 14.1 MHz, all of it the conductors'."""
    k1 = loss_db / 20.0 * 100.0 / math.sqrt(14.1)
    return Line.of(50, length=20, velocity_factor=0.66, k1=k1, real_impedance=real_impedance)


# ---- values by formula -----------------------------------------------------------------------


def test_worked_example_of_a_lossy_line():
    # computed from the telegrapher's equations, digits as listed among the project's check values
    line = with_matched_loss(0.92, real_impedance=True)
    load = 25 + 40j
    assert line.swr_at_load(load) == pytest.approx(3.494, abs=5e-4)  # printed
    assert line.input_impedance(14.1e6, load) == pytest.approx(20.35 + 12.21j, abs=7e-3)  # printed
    assert line.swr_at_input(14.1e6, load) == pytest.approx(2.630, abs=5e-4)  # printed
    assert line.total_loss_db(14.1e6, load) == pytest.approx(1.541, abs=5e-4)  # printed


@pytest.mark.parametrize(
    ("matched", "totals"),
    [
        (0.5, (0.610, 0.788, 1.162, 2.012, 3.351)),
        (1.0, (1.196, 1.504, 2.123, 3.424, 5.257)),
        (2.0, (2.315, 2.794, 3.707, 5.461, 7.701)),
        (3.0, (3.389, 3.968, 5.039, 7.008, 9.414)),
    ],
)
def test_total_loss_under_mismatch(matched: float, totals: tuple[float, ...]):
    # 10 log10[(B^2 - g^2)/(B (1 - g^2))], handbook formula (from memory; exact for a real Z0)
    ratio = np.array([2.0, 3.0, 5.0, 10.0, 20.0])
    g = (ratio - 1) / (ratio + 1)
    b = 10 ** (matched / 10)
    by_formula = 10 * np.log10((b**2 - g**2) / (b * (1 - g**2)))
    assert by_formula == pytest.approx(totals, abs=6e-4)  # printed
    line = with_matched_loss(matched, real_impedance=True)
    for angle in (0.0, 1.1, 2.9):  # the angle of the reflection must not matter
        turned = g * np.exp(1j * angle)
        loads = 50 * (1 + turned) / (1 - turned)
        assert line.swr_at_load(loads) == pytest.approx(ratio, rel=1e-12)  # rounding
        assert line.total_loss_db(14.1e6, loads) == pytest.approx(by_formula, rel=1e-10)


def test_exact_impedance_of_a_lossy_line_is_capacitive_where_conductors_lose():
    line = with_matched_loss(0.92)
    z = line.characteristic_impedance(F)
    beta = 2 * np.pi * F / (0.66 * 299792458.0)
    alpha = 0.92 / 20 * np.log(10) / 20 * np.sqrt(F / 14.1e6)
    assert z == pytest.approx(50 * (1 - 1j * alpha / beta), rel=1e-13)  # rounding
    other = Line.of(50, length=20, velocity_factor=0.66, k2=1.3)  # insulation alone: inductive
    assert (other.characteristic_impedance(F).imag > 0).all()


def test_attenuation_passes_through_the_points_it_was_fitted_to():
    # dB/100 m at 50 and 150 MHz, a training guide (second-hand); MIL-C-17/28 and /74, dB/100 ft at
    # 50 MHz and 1 GHz (second-hand)
    for name, at_50, at_150 in (("RG-58", 10.8, 20.0), ("RG-213/U", 4.9, 8.9)):
        line = Line.named(name, length=100)
        assert line.matched_loss_db(50e6) == pytest.approx(at_50, rel=1e-12)
        assert line.matched_loss_db(150e6) == pytest.approx(at_150, rel=1e-12)
    for name, at_50, at_1000 in (("RG-58", 4.0, 28.0), ("RG-213", 1.2, 9.0)):
        line = Line.named(name, length=30.48, limits=True)
        assert line.matched_loss_db(50e6) == pytest.approx(at_50, rel=1e-5)  # printed digits
        assert line.matched_loss_db(1e9) == pytest.approx(at_1000, rel=1e-5)
    # catalogue of RG-58C/U and RG-213/U, dB/100 ft from memory
    for name, listed in (("RG-58", (0.4, 1.4, 3.3, 4.9)), ("RG-213", (0.2, 0.6, 1.5, 2.1))):
        found = Line.named(name, length=30.48).matched_loss_db(np.array([1e6, 10e6, 50e6, 100e6]))
        assert found == pytest.approx(np.array(listed), abs=0.08)  # two digits printed
    assert len(LineType.names()) >= 6
    for name in LineType.names():
        assert LineType.named(name).source.count("from memory") + name.count("RG-") >= 1


def test_two_term_law_of_the_specification():
    # k1 = 0.444, k2 = 0.00126: 4.57 dB at 100 MHz (second-hand, form of MIL-C-17)
    line = Line.of(50, length=100, velocity_factor=0.66, k1=0.444, k2=0.00126)
    assert line.matched_loss_db(100e6) == pytest.approx(4.57, abs=5e-3)  # printed


def test_open_wire_line():
    # Z0 = 276 log10(2 D/d), common practice for wide spacing; 2 mm wires 100 mm apart: 552 ohm
    line = Line.open_wire("100 mm", wire_radius="1 mm", length="30 m")
    assert line.kind.impedance == pytest.approx(276 * math.log10(2 * 100 / 2), rel=2e-3)
    # R = 2 Rs/(2 pi a) (skin effect, asymptote), alpha = R/(2 Z0); 1 % for curvature of the wire
    resistance = 2 * math.sqrt(math.pi * 14.1e6 * 4e-7 * math.pi / 5.8e7) / (2 * math.pi * 1e-3)
    loss = 30 * resistance / (2 * line.kind.impedance) * 20 / math.log(10)
    assert line.matched_loss_db(14.1e6) == pytest.approx(loss, rel=1.5e-2)


# ---- against scikit-rf -----------------------------------------------------------------------


@pytest.mark.parametrize("real_impedance", [False, True])
def test_transformation_agrees_with_an_independent_library(real_impedance: bool):
    kind = LineType("own", impedance=52.0, velocity_factor=0.71, k1=1.9, k2=0.11)
    line = Line(kind, length=13.7, real_impedance=real_impedance)
    frequency = skrf.Frequency.from_f(F, unit="Hz")
    medium = DefinedGammaZ0(
        frequency, gamma=line.propagation(F), z0=line.characteristic_impedance(F)
    )
    for load in LOADS:
        end = skrf.Network.from_z(np.full((5, 1, 1), load), frequency=frequency, z0=50)
        piece = medium.line(np.array(13.7), "m")
        piece.renormalize(np.array(50.0))
        shown = (piece**end).z[:, 0, 0]
        assert line.input_impedance(F, load) == pytest.approx(shown, rel=1e-9)


def test_transformation_agrees_with_distributed_constants():
    kind = LineType("own", impedance=75.0, velocity_factor=0.8, k1=1.2, k2=0.2)
    line = Line(kind, length=21.3)
    # per metre, from the loss constants as the line's documentation has them
    neper = np.log(10) / 20 / 100
    w, f = 2 * np.pi * F, F / 1e6
    capacitance = 1 / (0.8 * 299792458.0 * 75.0)
    conductance = 2 * 0.2 * f * neper / 75.0
    # series impedance that gives exactly this gamma; to first order R = 2 alpha_c Z, L = Z^2 C
    series = line.propagation(F) ** 2 / (conductance + 1j * w * capacitance)
    assert series.real == pytest.approx(2 * 1.2 * np.sqrt(f) * neper * 75.0, rel=1e-3)
    assert series.imag / w == pytest.approx(75.0**2 * capacitance, rel=1e-3)
    frequency = skrf.Frequency.from_f(F, unit="Hz")
    medium = DistributedCircuit(
        frequency, C=np.array(capacitance), L=series.imag / w, R=series.real, G=conductance
    )
    assert line.propagation(F) == pytest.approx(medium.gamma, rel=1e-12)
    assert line.characteristic_impedance(F) == pytest.approx(medium.z0_characteristic, rel=1e-12)
    abcd = medium.line(np.array(21.3), "m").a
    two_port = line.two_port(F)
    for k, element in enumerate((two_port.a, two_port.b, two_port.c, two_port.d)):
        assert element == pytest.approx(abcd[:, k // 2, k % 2], rel=1e-9, abs=1e-12)


# ---- what any line must do -------------------------------------------------------------------


@pytest.mark.parametrize("name", LineType.names())
@pytest.mark.parametrize("length", [0.05, 0.9, 17.0, 240.0])
def test_lines_are_reciprocal_and_passive(name: str, length: float):
    line = Line.named(name, length=length)
    two_port = line.two_port(F)
    size = np.abs(two_port.a * two_port.d)
    assert np.all(np.abs(two_port.determinant - 1) <= 1e-13 * size)  # rounding
    assert two_port.reversed().input_impedance(7 + 90j) == pytest.approx(
        two_port.input_impedance(7 + 90j), rel=1e-11
    )
    assert least_absorbed(two_port) >= -1e-13
    assert (line.total_loss_db(F, LOADS) >= 0).all()


def least_absorbed(two_port: TwoPort) -> float:
    """Least part of any incoming waves that is lost: the smallest eigenvalue of 1 - S^H S."""
    matrices = np.array([[two_port.a, two_port.b], [two_port.c, two_port.d]])
    s = skrf.network.a2s(np.moveaxis(matrices, 2, 0))
    return np.linalg.eigvalsh(np.eye(2) - np.conj(np.swapaxes(s, 1, 2)) @ s).min()


def test_what_is_active_is_seen():
    assert least_absorbed(TwoPort.series(np.array([-1.0 + 3j]))) < -1e-3


def test_a_short_line_can_lose_less_mismatched_than_matched():
    # Where conductors lose, little current means little loss; a real Z0 hides it, because it
    # amounts to a loss shared by conductors and insulation.
    kind = with_matched_loss(0.92).kind
    exact, ideal = Line(kind, length=0.5), Line(kind, length=0.5, real_impedance=True)
    assert exact.total_loss_db(3.6e6, 500.0) < 0.3 * exact.matched_loss_db(3.6e6)
    assert exact.total_loss_db(3.6e6, 5.0) > 9 * exact.matched_loss_db(3.6e6)
    # by hand, the line as a resistance in series: R l over the load, R = 2 alpha_c Z
    alpha = exact.matched_loss_db(3.6e6) * np.log(10) / 20
    in_series = 10 * np.log10(1 + 2 * alpha * 50 / 5.0)
    assert exact.total_loss_db(3.6e6, 5.0) == pytest.approx(in_series, rel=2e-2)
    for load in (5.0, 500.0):
        assert ideal.total_loss_db(3.6e6, load) > 5 * ideal.matched_loss_db(3.6e6)


def test_without_loss_a_line_turns_and_keeps_power():
    line = Line.of(450, length=10, velocity_factor=0.92)
    quarter = 0.92 * 299792458.0 / 40
    assert line.input_impedance(quarter, 37 - 61j) == pytest.approx(450**2 / (37 - 61j), rel=1e-12)
    assert line.input_impedance(2 * quarter, 37 - 61j) == pytest.approx(37 - 61j, rel=1e-12)
    assert line.total_loss_db(F, LOADS) == pytest.approx(np.zeros(5), abs=1e-12)
    assert line.swr_at_input(F, LOADS) == pytest.approx(line.swr_at_load(LOADS), rel=1e-11)
    beta = 2 * np.pi * F / (0.92 * 299792458.0)
    open_end = line.input_impedance(F, np.inf)
    assert open_end == pytest.approx(-450j / np.tan(beta * 10), rel=1e-11)
    assert line.input_impedance(F, 0.0) == pytest.approx(450j * np.tan(beta * 10), rel=1e-11)


def test_maxima_along_a_line_without_loss_follow_from_the_swr():
    # |V|max = sqrt(P Z0 SWR), |I|max = sqrt(P SWR/Z0), handbook formulae (from memory)
    line = Line.of(50, length=40, velocity_factor=0.66)
    stress = line.stress(F, LOADS, power=100)
    ratio = line.swr_at_load(LOADS)
    assert stress.voltage[2:] == pytest.approx(np.sqrt(100 * 50 * ratio)[2:], rel=1e-9)
    assert stress.current[2:] == pytest.approx(np.sqrt(100 / 50 * ratio)[2:], rel=1e-9)
    assert stress.peak_voltage == pytest.approx(math.sqrt(2) * stress.voltage)


@pytest.mark.parametrize("length", [0.7, 4.0, 63.0])
def test_maxima_are_where_a_dense_search_finds_them(length: float):
    line = Line.named("RG-58", length=length)
    stress = line.stress(F, LOADS, power=70)
    x = np.linspace(0, length, 40001)
    voltage, current = line.along(F, LOADS, from_load=x, power=70)
    assert voltage.shape == (5, 40001)
    # the search misses a maximum by less than the curvature over half a step
    assert stress.voltage == pytest.approx(np.abs(voltage).max(axis=-1), rel=1e-6)
    assert stress.current == pytest.approx(np.abs(current).max(axis=-1), rel=1e-6)
    assert (stress.voltage >= np.abs(voltage).max(axis=-1) * (1 - 1e-12)).all()
    state = line.state(F, LOADS, power=70)
    assert voltage[:, -1] == pytest.approx(state.input_voltage, rel=1e-11)
    assert voltage[:, 0] / current[:, 0] == pytest.approx(LOADS, rel=1e-11)
    assert state.input_power == pytest.approx(np.full(5, 70.0), rel=1e-12)


# ---- two-ports and transformers --------------------------------------------------------------


def test_cascade_is_associative_and_scalar_or_array():
    parts = [TwoPort.series(3 + 7j), TwoPort.shunt(0.01 - 0.004j), TwoPort.transformer(3.0)]
    whole = cascade(parts)
    right = parts[0] @ (parts[1] @ parts[2])
    assert whole.input_impedance(80 - 5j) == pytest.approx(right.input_impedance(80 - 5j))
    by_hand = 3 + 7j + 1 / (0.01 - 0.004j + 9 / (80 - 5j))
    assert whole.input_impedance(80 - 5j) == pytest.approx(by_hand, rel=1e-14)
    assert whole.shape == ()
    assert whole.input_impedance(np.array([80 - 5j, 7])).shape == (2,)


def test_ladder_parts_lose_what_the_whole_loses():
    coil = Coil("3 uH", q=90).at(F)
    parts = [
        LadderPart("coil", True, coil),
        LadderPart("leak", False, np.full(5, 2e-4 + 1e-3j)),
        LadderPart("pad", True, np.full(5, 4.0 + 0j)),
    ]
    state = ladder_state(parts, LOADS, power=40)
    whole = cascade([part.two_port for part in parts])
    lost = whole.state(LOADS, power=40).lost
    assert state.lost.sum(axis=-1) == pytest.approx(lost, rel=1e-10)  # rounding
    assert state.voltage[:, 0] == pytest.approx(coil * state.current[:, 0], rel=1e-12)


def test_ideal_transformer():
    ideal = IdealTransformer(49)
    assert ideal.two_port(F).input_impedance(2450 - 490j) == pytest.approx(np.full(5, 50 - 10j))
    state = ideal.two_port(7.1e6).state(2450 - 490j, power=100)
    assert state.output_voltage / state.input_voltage == pytest.approx(7)
    assert state.lost == pytest.approx(0, abs=1e-12)


def test_lossy_transformer_by_its_circuit():
    unun = Transformer(
        9, magnetising_inductance="12 uH", magnetising_q=1.4, leakage_inductance="90 nH",
        winding_resistance=0.3, name="9:1",
    )  # fmt: skip
    w = 2 * np.pi * F
    core = w * 12e-6 * (1 / 1.4 + 1j)
    by_hand = 0.3 + 1j * w * 90e-9 + 1 / (1 / core + 9 / LOADS)
    assert unun.two_port(F).input_impedance(LOADS) == pytest.approx(by_hand, rel=1e-13)
    parts = unun.part_state(F, LOADS, power=25)
    assert parts.names == ("winding", "core")
    lost = unun.two_port(F).state(LOADS, power=25).lost
    assert parts.lost.sum(axis=-1) == pytest.approx(lost, rel=1e-10)
    assert (parts.lost > 0).all()
    nearly = Transformer(9, magnetising_inductance=1e3, leakage_inductance=0.0)
    assert nearly.two_port(F).input_impedance(LOADS) == pytest.approx(LOADS / 9, rel=1e-6)


def test_swr():
    assert swr(np.array([50, 100, 25, 0, 50j])) == pytest.approx([1, 2, 2, np.inf, np.inf])
    assert swr(75.0, z0=75.0) == 1.0


# ---- bad input -------------------------------------------------------------------------------

LINE = Line.named("RG-58", length=10)


@pytest.mark.parametrize(
    ("error", "make", "says"),
    [
        (MaterialError, lambda: Line.named("RG-5800", length=3), "no line is called"),
        (MaterialError, lambda: Line.named("RG-8", length=3, limits=True), "no limits"),
        (MaterialError, lambda: Line.of(-50, length=3, velocity_factor=0.6), "impedance"),
        (MaterialError, lambda: Line.of(50, length=3, velocity_factor=66), "at most 1"),
        (MaterialError, lambda: Line.of(50, length=3, velocity_factor=0.6, k1=-1), "k1"),
        (SolverError, lambda: Line.named("RG-58", length=0), "above 0"),
        (SolverError, lambda: Line("RG-58", length=4), "LineType"),  # type: ignore[arg-type]
        (SolverError, lambda: Line.open_wire(0.01, wire_radius=0.005, length=3), "two radii"),
        (SolverError, lambda: LINE.two_port(-7e6), "above 0"),
        (SolverError, lambda: LINE.two_port("7 MHz"), "real numbers"),
        (SolverError, lambda: LINE.total_loss_db(7e6, -3 + 2j), "above 0"),
        (SolverError, lambda: LINE.total_loss_db(7e6, 40j), "takes no power"),
        (SolverError, lambda: LINE.input_impedance(7e6, -1.0), "negative"),
        (SolverError, lambda: LINE.stress(7e6, 50, power=0.0), "power is 0 W"),
        (SolverError, lambda: LINE.along(7e6, 50, from_load=[11.0]), "from 0 to 10"),
        (SolverError, lambda: TwoPort.series(np.inf), "not finite"),
        (SolverError, lambda: Transformer(0), "above 0"),
        (SolverError, lambda: Transformer(4, winding_resistance=-1), "at least 0"),
        (MaterialError, lambda: Transformer(4, magnetising_inductance="4 pF"), "units"),
        (SolverError, lambda: swr(50, z0=0), "above 0"),
    ],
)
def test_bad_input_is_named(error, make, says: str):
    with pytest.raises(error, match=says):
        make()


@pytest.mark.parametrize(
    ("points", "says"),
    [
        ([(1e6, 1.0)], "two pairs"),
        ([(1e6, 1.0), (1e6, 2.0)], "two frequencies"),
        ([(1e6, 1.0), (4e6, 1.9)], "at least as the square root"),
        ([(1e6, 1.0), (4e6, 4.1)], "at most with"),
        ([(1e6, -1.0), (4e6, 4.1)], "at least 0"),
    ],
)
def test_attenuation_that_no_line_has(points, says: str):
    with pytest.raises(MaterialError, match=says):
        LineType.from_attenuation("own", points, impedance=50, velocity_factor=0.66)


def test_a_root_law_is_within_reach():
    kind = LineType.from_attenuation("own", [(1e6, 1), (4e6, 2)], impedance=50, velocity_factor=0.7)
    assert (kind.k1, kind.k2) == (pytest.approx(1.0), 0.0)
