"""Noise from outside and inside, and from cables by reciprocity."""

import numpy as np
import pytest
from scipy.constants import Boltzmann

from ridgepole.geometry import Cable, Downpipe, Electrode, Feed, Load, Scene, Wire
from ridgepole.materials import Conductor, Earth
from ridgepole.solver import (
    SolverError,
    external_noise_figure,
    noise_coupling,
    rank_noise,
    solve,
    system_noise,
)

# --- external noise ---------------------------------------------------------------------------


def test_classes_of_itu_r_p_372():
    """Fa = c - d log10(f/MHz) with the table's constants, from memory; computed by hand."""
    assert external_noise_figure(1e6, "city") == 76.8
    assert external_noise_figure(10e6, "residential") == pytest.approx(72.5 - 27.7)
    assert external_noise_figure(10e6, "rural") == pytest.approx(67.2 - 27.7)
    assert external_noise_figure(10e6, "quiet rural") == pytest.approx(53.6 - 28.6)
    assert external_noise_figure(10e6, "galactic") == pytest.approx(52.0 - 23.0)
    found = external_noise_figure([3.65e6, 28.4e6])
    assert found == pytest.approx([56.924, 32.243], abs=1e-3)


def test_powers_of_several_classes_add():
    both = external_noise_figure([14e6, 28e6], ["quiet rural", "galactic"])
    quiet, sky = (external_noise_figure([14e6, 28e6], n) for n in ("quiet rural", "galactic"))
    assert 10.0 ** (both / 10.0) == pytest.approx(10.0 ** (quiet / 10.0) + 10.0 ** (sky / 10.0))


def test_noise_behind_a_lossy_antenna():
    """A chain of three attenuators at 290 K and a receiver: f = fa - 1 + lc lt fr."""
    found = system_noise(35.0, efficiency=0.03, receiver_figure=12.0, line_loss=1.7)
    lc, lt, fr, fa = 1.0 / 0.03, 10.0**0.17, 10.0**1.2, 10.0**3.5
    assert found.factor == pytest.approx(fa - 1.0 + lc * lt * fr, rel=1e-12)
    assert found.internal == pytest.approx(lc * lt * fr - 1.0, rel=1e-12)
    assert found.margin == pytest.approx(10.0 * np.log10(fa / (lc * lt * fr - 1.0)))
    assert found.antenna_loss_cost == pytest.approx(
        10.0 * np.log10((fa - 1.0 + lc * lt * fr) / (fa - 1.0 + lt * fr))
    )
    assert found.power(500.0) == pytest.approx(Boltzmann * 290.0 * 500.0 * found.factor)


def test_limits_of_noise():
    """Where noise from outside is great, loss is free; where there is none, it costs itself."""
    loud = system_noise(80.0, efficiency=0.1, receiver_figure=10.0)
    assert loud.is_noise_limited
    assert loud.antenna_loss_cost < 1e-4
    silent = system_noise(-200.0, efficiency=0.1, receiver_figure=10.0)
    assert not silent.is_noise_limited
    # f counts from absolute zero: lc fr - 1 against fr - 1.
    assert silent.antenna_loss_cost == pytest.approx(10.0 * np.log10((100.0 - 1.0) / (10.0 - 1.0)))
    perfect = system_noise(30.0, efficiency=1.0, receiver_figure=0.0)
    assert perfect.antenna_loss_cost == 0.0
    assert np.isinf(perfect.margin)


def test_a_mismatch_weakens_what_comes_from_outside_only():
    matched = system_noise(40.0, efficiency=[0.2, 0.9], receiver_figure=9.0, line_loss=0.6)
    off = system_noise(
        40.0, efficiency=[0.2, 0.9], receiver_figure=9.0, line_loss=0.6, mismatch_loss=7.0
    )
    assert off.receiver == pytest.approx(matched.receiver * 10.0**0.7)
    assert off.antenna == pytest.approx(matched.antenna)
    assert off.line == pytest.approx(matched.line)
    assert np.all(off.margin < matched.margin)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: external_noise_figure(7e6, "suburban"), "no class; there are: 'city'"),
        (lambda: external_noise_figure(3.6e6, "galactic"), "10 to 100 MHz"),
        (lambda: external_noise_figure(np.nan), "holds from"),
        (lambda: external_noise_figure(7e6, ()), "no class is given"),
        (lambda: system_noise(30.0, efficiency=0.0, receiver_figure=9.0), "efficiency is 0"),
        (lambda: system_noise(30.0, efficiency=40.0, receiver_figure=9.0), "efficiency is 40"),
        (lambda: system_noise(30.0, efficiency=0.5, receiver_figure=-1.0), "receiver_figure"),
        (lambda: system_noise(30.0, efficiency=0.5, receiver_figure=9, line_loss=-1), "line_loss"),
        (lambda: system_noise(np.nan, efficiency=0.5, receiver_figure=9), "external_figure"),
        (lambda: system_noise(1, efficiency=0.5, receiver_figure=9).power(0.0), "bandwidth"),
    ],
)
def test_bad_input_is_named(call, said: str):
    with pytest.raises(SolverError, match=said):
        call()


# --- noise of conductors ----------------------------------------------------------------------

COPPER = Conductor.named("copper")
PLACE = 4.1
BANDS = (7.1e6, 14.15e6)


def wires(*, backward: bool = False) -> list[Wire]:
    """A bent wire and a radial, and beside them a cable that nothing joins."""
    path = [(0.8, -0.6, 2.3), (0.9, -0.5, 4.9), (6.3, -0.2, 5.0)]
    cable = Wire(path, radius=1.1e-3, name="cable", conductor=COPPER)
    points = {"breaker": PLACE, "open end": cable.length}
    if backward:
        path, points = path[::-1], {name: cable.length - at for name, at in points.items()}
    bent = [(0, 0, 5.2), (0.4, 0.3, 7.1), (5.9, 0.5, 7.4), (7.2, 3.1, 6.0)]
    return [
        Wire(bent, radius=0.9e-3, name="long", conductor=COPPER),
        Wire([(0, 0, 5.2), (-3.1, 1.2, 5.1)], radius=0.9e-3, name="radial", conductor=COPPER),
        Wire(path, radius=1.1e-3, name="cable", conductor=COPPER, named_points=points),
    ]


EARTH = Earth(relative_permittivity=13, conductivity=0.005)
RADIO = Feed("long", at="start", name="radio")


@pytest.fixture(scope="module")
def alone():
    return solve(Scene(wires(), feed=RADIO, earth=EARTH), BANDS)


@pytest.fixture(scope="module")
def paths(alone):
    return noise_coupling(alone, ["breaker"], layout="as built")


@pytest.mark.parametrize("k", [0, 1])
def test_against_a_solve_with_two_driven_feeds(paths, k: int):
    """Port impedances of both gaps, solved directly: the same matrix, so to rounding."""
    gap = Feed("cable", at=PLACE, name="gap", voltage=0.3j)
    both = solve(Scene(wires(), feeds=[RADIO, gap], earth=EARTH), BANDS)
    z = both.port_impedance[k]
    (path,) = paths.of(BANDS[k])
    assert path.transfer_impedance == pytest.approx(z[0, 1], rel=1e-10)
    assert path.transfer_impedance == pytest.approx(z[1, 0], rel=1e-10)
    assert path.gap_impedance == pytest.approx(z[1, 1], rel=1e-10)
    assert path.cut_terminal_impedance == pytest.approx(z[0, 0], rel=1e-10)
    assert path.power_of_forced_current == pytest.approx(
        abs(z[0, 1]) ** 2 / (4.0 * z[0, 0].real), rel=1e-10
    )


@pytest.mark.parametrize("k", [0, 1])
def test_the_transmit_current_tells_the_voltage_received(paths, k: int):
    """t = I_p/I_0 of a transmit solve is minus Voc/e of a receive solve of its own."""
    shorted = Feed("cable", at=PLACE, name="gap", termination=0)
    sending = solve(Scene(wires(), feeds=[RADIO, shorted], earth=EARTH), BANDS)[k]
    t = sending.current("cable", PLACE) / sending.feed_current()
    (path,) = paths.of(BANDS[k])
    assert path.voltage_transfer == pytest.approx(-t, rel=1e-10)
    assert path.terminal_impedance == pytest.approx(sending.impedance, rel=1e-10)
    turn = sending.feed_current() / abs(sending.feed_current())
    assert path.transmit_current * turn == pytest.approx(sending.current("cable", PLACE), rel=1e-10)

    # Receiving: noise of 0.7 V in the cable, the radio a load that takes all there is to have.
    load = Feed("long", at="start", name="radio", termination=complex(np.conj(sending.impedance)))
    noise = Feed("cable", at=PLACE, name="gap", voltage=0.7)
    hearing = solve(Scene(wires(), feeds=[load, noise], earth=EARTH), BANDS)[k]
    sent = 0.49 * (1.0 / hearing.impedance).real
    # The watts in the load are what is left of a small difference: 1e-8.
    assert hearing.budget.loads * sent == pytest.approx(0.49 * path.power_per_square_volt, rel=1e-7)
    # The noise current at the gap is that of the unloaded antenna only if the terminals are open.
    idle = solve(
        Scene(
            wires(), earth=EARTH,
            feeds=[Feed("long", at="start", name="radio", termination="open"), noise],
        ),
        BANDS,
    )[k]  # fmt: skip
    current = 0.7 / idle.impedance
    assert abs(current) ** 2 * path.power_per_square_ampere == pytest.approx(
        0.49 * path.power_per_square_volt, rel=1e-9
    )


def test_the_same_current_from_the_solution_that_was_given(alone, paths):
    """Without a gap the mesh is another one: discretisation."""
    for k, frequency in enumerate(BANDS):
        (path,) = paths.of(frequency, "as built")
        expected = abs(alone[k].current("cable", PLACE))
        assert abs(path.transmit_current) == pytest.approx(expected, rel=0.02)
        assert path.power_per_square_volt == pytest.approx(0.25 * expected**2, rel=0.04)


def test_a_cable_drawn_the_other_way_round(paths):
    solution = solve(Scene(wires(backward=True), feed=RADIO, earth=EARTH), BANDS)
    for one, other in zip(paths, noise_coupling(solution, ["breaker"]), strict=True):
        assert other.transfer_impedance == pytest.approx(-one.transfer_impedance, rel=1e-6)
        assert other.transmit_current == pytest.approx(-one.transmit_current, rel=1e-6)
        assert other.power_per_square_ampere == pytest.approx(one.power_per_square_ampere, rel=1e-6)


def test_feeds_that_are_closed_or_open_stay_so():
    """A choke in the radial and an open gap in the long wire, against algebra on a full solve."""
    choke = Feed("radial", at=0.9, name="choke", termination=340.0 + 510.0j)
    cut = Feed("long", at=5.0, name="cut", termination="open")
    solution = solve(Scene(wires(), feeds=[RADIO, choke, cut], earth=EARTH), 7.1e6)
    (path,) = noise_coupling(solution, {"x": ("cable", PLACE)})
    gap = Feed("cable", at=PLACE, name="gap")
    z = np.array(
        solve(
            Scene(wires(), earth=EARTH, feeds=[
                RADIO, Feed("radial", at=0.9, name="choke"), Feed("long", at=5.0, name="cut"), gap,
            ]),
            7.1e6,
        ).port_impedance
    )  # fmt: skip
    # Z is that of open gaps: the cut is open already, the choke closes its own.
    z = z - np.outer(z[:, 1], z[1]) / (z[1, 1] + 340.0 + 510.0j)
    assert path.transfer_impedance == pytest.approx(z[0, 3], rel=1e-9)
    assert path.gap_impedance == pytest.approx(z[3, 3], rel=1e-9)
    assert path.cut_terminal_impedance == pytest.approx(z[0, 0], rel=1e-9)


def test_loads_stay_as_they_are():
    """A choke told as a load and as a terminated feed (rounding)."""
    ohms = 340.0 + 510.0j
    as_feed = Feed("radial", at=0.9, name="choke", termination=ohms)
    as_load = Load("radial", at=0.9, name="choke", impedance=ohms)
    found = [
        noise_coupling(solve(scene, BANDS), {"x": ("cable", PLACE)})
        for scene in (
            Scene(wires(), feeds=[RADIO, as_feed], earth=EARTH),
            Scene(wires(), feed=RADIO, loads=[as_load], earth=EARTH),
        )
    ]
    for one, other in zip(*found, strict=True):
        assert other.transfer_impedance == pytest.approx(one.transfer_impedance, rel=1e-9)
        assert other.power_per_square_volt == pytest.approx(one.power_per_square_volt, rel=1e-9)


def test_ranked_by_band_and_layout():
    """Cables of a house by name, in two layouts; a cable far off comes last."""
    house = [
        Cable([(1.0, -1.0, 4.6), (7.0, -1.2, 4.7)], name="lighting", gauge="1.5 mm2"),
        Cable([(1.0, -9.0, 1.6), (3.5, -9.5, 1.4)], name="doorbell", gauge="1.5 mm2"),
    ]
    found = []
    for layout, turn in (("one", 0.0), ("two", 80.0)):
        own = [wire.rotated(turn) for wire in wires()[:2]]
        solution = solve(Scene(own, feed=RADIO, earth=EARTH, house=house), 14.15e6)
        found.append(noise_coupling(solution, layout=layout))
    ranked = rank_noise(*found)
    assert len(ranked) == 4
    powers = [path.power_per_square_ampere for path in ranked]
    assert powers == sorted(powers, reverse=True)
    assert ranked.over_worst()[0] == 0.0
    assert ranked.over_worst()[3] == pytest.approx(10.0 * np.log10(powers[3] / powers[0]))
    for layout in ("one", "two"):
        assert [p.conductor for p in ranked.of(14.15e6, layout)] == ["lighting", "doorbell"]
    with pytest.raises(SolverError, match=r"there are some at 14\.15 MHz"):
        ranked.of(7e6)


def test_the_place_of_the_greatest_current(alone):
    for path in noise_coupling(alone, ["cable"]):
        squares = sum(
            np.abs(alone[k].current("cable", np.linspace(0.0, 8.0, 801))) ** 2 for k in (0, 1)
        )
        assert path.at == pytest.approx(0.01 * int(np.argmax(squares)), abs=0.3)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["attic fan"], "No piece of the house, point or wire is called 'attic fan'"),
        (None, "no pieces of metal"),
        ({"x": ("cabel", 1.0)}, "no wire named 'cabel'"),
        ({"x": ("cable", 99.0)}, "no point at 99 m"),
        (["open end"], "carries no current"),
    ],
)
def test_conductors_that_are_not_there_are_named(alone, asked, said: str):
    with pytest.raises(SolverError, match=said):
        noise_coupling(alone, asked)


def test_one_pair_of_terminals():
    gap = Feed("cable", at=PLACE, name="gap")
    both = solve(Scene(wires(), feeds=[RADIO, gap], earth=EARTH), 7.1e6, tolerance=None)
    with pytest.raises(SolverError, match="2 feeds are driven"):
        noise_coupling(both, ["breaker"])


def test_a_pipe_led_to_earth():
    """A lightning conductor: greatest current where it enters the earth, drawn down and up."""
    found = []
    for points in ([(2.0, -3.0, 5.0), (2.0, -3.0, 0.0)], [(2.0, -3.0, 0.0), (2.0, -3.0, 5.0)]):
        pipe = Downpipe(points, diameter="8 mm", name="pipe", earthed=Electrode(impedance=90.0))
        scene = Scene(wires()[:2], feed=RADIO, earth=EARTH, house=[pipe])
        solution = solve(scene, 14.1e6)
        (path,) = noise_coupling(solution)
        assert path.at == pytest.approx(5.0 if points[0][2] else 0.0)
        turn = solution.feed_current() / abs(solution.feed_current())
        # Discretisation: a gap in the pipe refines its mesh.
        expected = solution.current("pipe", path.at)
        assert path.transmit_current * turn == pytest.approx(expected, rel=0.03)
        found.append(path)
    assert found[0].transfer_impedance == pytest.approx(-found[1].transfer_impedance, rel=1e-6)
