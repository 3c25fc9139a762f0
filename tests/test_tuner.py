"""Tuners against exhaustive search, closed forms and their own circuits; matchers by data sheet.

The search of the tests knows nothing of the one in the library: it works out impedance and loss of
every setting on a grid with plain series and parallel arithmetic.
"""

import itertools
import math

import numpy as np
import pytest

from ridgepole.materials import Capacitor, Coil, MaterialError
from ridgepole.solver import (
    CapacitorRange,
    CoilRange,
    LNetwork,
    Match,
    PiNetwork,
    SolverError,
    TNetwork,
    TwoPort,
    WindowMatcher,
    match_map,
)
from ridgepole.solver.station.ladder_search import search
from ridgepole.solver.station.two_port import cascade

COIL = CoilRange(0, "12.6 uH", step="0.2 uH", q=160)
CAPACITOR = CapacitorRange(0, "1.575 nF", step="25 pF", q=900)
L_STEPS = LNetwork(COIL, CAPACITOR)
L_SMOOTH = LNetwork(CoilRange(0, "12.6 uH", q=160), CapacitorRange("8 pF", "1.575 nF", q=900))
L_MIXED = LNetwork(CoilRange("0.1 uH", "12.6 uH", q=160), CAPACITOR)
PI_STEPS = PiNetwork(
    CapacitorRange(0, "900 pF", step="60 pF", q=800),
    CoilRange("0.2 uH", "8.2 uH", step="0.25 uH", q=190),
    CapacitorRange("15 pF", "1.2 nF", step="79 pF", q=1100),
)
PI_SMOOTH = PiNetwork(
    CapacitorRange("20 pF", "900 pF", q=800),
    CoilRange("0.2 uH", "8.2 uH", q=190),
    CapacitorRange("15 pF", "1.2 nF", q=1100),
)
T_SMOOTH = TNetwork(
    CapacitorRange("20 pF", "300 pF", q=1000),
    CoilRange("0.2 uH", "24 uH", q=180),
    CapacitorRange("20 pF", "300 pF", q=1000),
)
T_TAPPED = TNetwork(
    CapacitorRange("20 pF", "300 pF", q=1000),
    CoilRange("0.2 uH", "24 uH", step="0.85 uH", q=80),
    CapacitorRange("20 pF", "300 pF", q=1000),
)
PI_SWITCHED_INPUT = PiNetwork(
    CapacitorRange(0, "900 pF", step="45 pF", q=800),
    CoilRange("0.2 uH", "8.2 uH", q=190),
    CapacitorRange("15 pF", "1.2 nF", q=1100),
)


def random_loads(count: int, *, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Loads from 1 to 2,000 ohm with reactances of either sign to 1,500, and frequencies."""
    rng = np.random.default_rng(seed)
    r = 10 ** rng.uniform(0, 3.3, count)
    x = rng.choice([-1, 1], count) * 10 ** rng.uniform(0, math.log10(1500), count)
    return r + 1j * x, rng.uniform(3.5e6, 29.7e6, count)


# ---- the search of the tests -----------------------------------------------------------------


def beside(a, b):
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(np.isinf(b), a, a * b / (a + b))


def impedances(network, part: int, grid: np.ndarray, omega: float) -> np.ndarray:
    settings = network.parts[part]
    if isinstance(settings, CoilRange):
        return omega * grid * (1 / settings.q + 1j)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (1 / settings.q - 1j) / (omega * grid)
    return np.where(grid == 0, np.inf, z)


def searched(network, load: complex, f: float, grids, *, limit: float = 1.05):
    """Lowest loss of all settings within the limit (inf if none), and lowest SWR of all."""
    omega = 2 * np.pi * f
    kinds = {
        "series L, shunt C at load": "SC",
        "series L, shunt C at input": "CS",
        "series C, shunt L at load": "sl",
        "series C, shunt L at input": "ls",
    }
    best, least = np.inf, np.inf
    todo: list[list[tuple[bool, int]]] = []
    if isinstance(network, LNetwork):
        assert set(kinds) < set(network.topologies)
        todo += [[(True, 0), (False, 1)], [(False, 1), (True, 0)]]
        todo += [[(True, 1), (False, 0)], [(False, 0), (True, 1)]]
    elif isinstance(network, PiNetwork):
        todo.append([(False, 0), (True, 1), (False, 2)])
    else:
        todo.append([(True, 0), (False, 1), (True, 2)])
    gamma = abs((load - 50) / (load + 50))
    least = (1 + gamma) / (1 - gamma)  # bypass
    best = 0.0 if least <= limit else np.inf
    for places in todo:
        z, kept = np.asarray(load, dtype=complex), np.asarray(1.0)
        for k, (is_series, part) in enumerate(reversed(places)):
            shape = [1] * len(places)
            shape[k] = -1
            own = impedances(network, part, grids[part], omega).reshape(shape)
            if is_series:
                usable = np.isfinite(own)
                own = np.where(usable, own, 1.0)
                ahead = z + own
                kept = np.where(usable, kept * np.real(z) / np.real(ahead), np.nan)
            else:
                usable = own != 0
                own = np.where(usable, own, 1.0)
                ahead = beside(z, own)
                before, behind = np.real(1 / z), np.real(1 / ahead)
                kept = np.where(usable, kept * before / behind, np.nan)
            z = ahead
        size = np.abs((z - 50) / (z + 50))
        ratio = np.where(np.isnan(kept), np.inf, (1 + size) / (1 - size))
        least = min(least, float(ratio.min()))
        if np.any(ratio <= limit):
            best = min(best, float(1 - kept[ratio <= limit].max()))
    return best, least


def steps_of(network) -> list[np.ndarray]:
    grids = []
    for part in network.parts:
        count = math.floor((part.high - part.low) / part.step + 1e-6)
        grids.append(part.low + part.step * np.arange(count + 1))
    return grids


def dense(network, counts) -> list[np.ndarray]:
    """Grids over the same ranges: steps where there are some, else equal ratios with both ends."""
    grids = []
    for part, count in zip(network.parts, counts, strict=True):
        if part.step is not None:
            n = math.floor((part.high - part.low) / part.step + 1e-6)
            grids.append(part.low + part.step * np.arange(n + 1))
        else:
            start = max(part.low, 3e-3 * part.high)
            grid = np.geomspace(start, part.high, count)
            grids.append(np.concatenate([[part.low], grid]) if part.low < start else grid)
    return grids


@pytest.mark.parametrize("network", [L_STEPS, PI_STEPS], ids=["L", "pi"])
def test_steps_five_hundred_loads_against_every_setting(network):
    loads, f = random_loads(500, seed=11)
    match = network.match(loads, f)
    grids = steps_of(network)
    matched = 0
    for k in range(500):
        loss, ratio = searched(network, loads[k], f[k], grids)
        assert match.can_match[k] == np.isfinite(loss)
        if match.can_match[k]:
            matched += 1
            assert match.loss[k] == pytest.approx(loss, rel=1e-9, abs=1e-12)  # rounding
        else:
            assert match.swr[k] == pytest.approx(ratio, rel=1e-9)
    assert 40 <= matched <= 460  # both verdicts are put to the test


@pytest.mark.parametrize(
    ("network", "counts"),
    [
        (L_SMOOTH, (110, 110)),
        (L_MIXED, (150, 64)),
        (PI_SMOOTH, (18, 28, 18)),
        (T_SMOOTH, (18, 28, 18)),
        (T_TAPPED, (20, 29, 20)),
        (PI_SWITCHED_INPUT, (21, 24, 24)),
    ],
    ids=["L", "L with a switched capacitor", "pi", "T", "T, tapped coil", "pi, switched input"],
)
def test_five_hundred_loads_against_a_dense_search(network, counts):
    loads, f = random_loads(500, seed=23)
    match = network.match(loads, f)
    grids = dense(network, counts)
    found = 0
    for k in range(500):
        loss, ratio = searched(network, loads[k], f[k], grids)
        if np.isfinite(loss):
            found += 1
            assert match.can_match[k]
            assert match.loss[k] <= loss + 0.01  # 1 % of the power, as the claim has it
        elif not match.can_match[k]:
            assert match.swr[k] <= ratio * (1 + 1e-3)
    assert found >= 40
    assert (~match.can_match).sum() >= 5


def test_very_many_steps_are_as_good_as_none():
    fine = PiNetwork(
        PI_SMOOTH.input_capacitor, PI_SMOOTH.coil,
        CapacitorRange("15 pF", "1.2 nF", step="0.1 pF", q=1100),
    )  # fmt: skip
    loads, f = random_loads(20, seed=71)
    stepped, smooth = fine.match(loads, f), PI_SMOOTH.match(loads, f)
    assert (stepped.can_match == smooth.can_match).all()
    assert 5 <= smooth.can_match.sum() <= 19
    can = smooth.can_match
    more = (stepped.loss - smooth.loss)[can]
    assert -1e-6 <= more.min() <= more.max() <= 1e-3  # a step of 0.1 pF on some 20 pF
    assert stepped.swr[~can] == pytest.approx(smooth.swr[~can], rel=1e-2)
    steps = (stepped.values[can, 2] - 15e-12) / 0.1e-12
    assert steps == pytest.approx(np.rint(steps), abs=1e-5)


def test_a_finer_search_of_few_loads():
    loads, f = random_loads(20, seed=31)
    match = L_SMOOTH.match(loads, f)
    grids = dense(L_SMOOTH, (600, 600))
    for k in range(20):
        loss, ratio = searched(L_SMOOTH, loads[k], f[k], grids)
        assert match.can_match[k] or not np.isfinite(loss)
        assert not np.isfinite(loss) or match.loss[k] <= loss + 1e-6
        assert match.can_match[k] or match.swr[k] <= ratio * (1 + 1e-6)


@pytest.mark.parametrize(
    "network",
    [L_STEPS, L_SMOOTH, L_MIXED, PI_STEPS, PI_SMOOTH, T_SMOOTH, T_TAPPED, PI_SWITCHED_INPUT],
    ids=["L steps", "L", "L mixed", "pi steps", "pi", "T", "T tapped", "pi input"],
)
def test_loads_made_so_that_random_settings_match_them(network):
    # The settings are known to give an SWR of 1: they must be found, or ones with less loss.
    rng = np.random.default_rng(59)
    f = rng.uniform(3.5e6, 29.7e6, 400)
    names = rng.choice([name for name in network.topologies if name != "bypass"], 400)
    settings = np.empty((400, len(network.parts)))
    for k, part in enumerate(network.parts):
        settings[:, k] = rng.uniform(max(part.low, 0.02 * part.high), part.high, 400)
        if part.step is not None:
            steps = np.maximum(np.rint((settings[:, k] - part.low) / part.step), 1)
            settings[:, k] = part.low + part.step * np.minimum(
                steps, math.floor((part.high - part.low) / part.step + 1e-6)
            )
    loads, lost = np.zeros(400, dtype=complex), np.empty(400)
    for name in set(names):
        here = names == name
        made = network.with_values(name, settings[here], 50.0, f[here]).two_port
        loads[here] = (50 * made.d - made.b) / (made.a - 50 * made.c)
        here &= np.real(loads) > 0.2
        lost[here] = network.with_values(name, settings[here], loads[here], f[here]).loss
    usable = np.real(loads) > 0.2
    loads, f, lost = loads[usable][:70], f[usable][:70], lost[usable][:70]
    assert loads.size == 70
    # Three parts without steps are closed in on from one start only.
    smooth = len(network.parts) == 3 and all(part.step is None for part in network.parts)
    for limit in (1.05, 1.001):
        match = network.match(loads, f, swr_limit=limit)
        assert match.can_match.all()
        assert (match.loss <= lost + (5e-3 if smooth else 1e-6)).all()


@pytest.mark.parametrize(
    "network",
    [L_MIXED, PI_STEPS, PI_SMOOTH, T_TAPPED, PI_SWITCHED_INPUT],
    ids=["L mixed", "pi steps", "pi", "T tapped", "pi input"],
)
def test_the_search_ranks_by_what_the_circuit_really_does(network):
    loads, f = random_loads(40, seed=83)
    for name in network.topologies:
        if name == "bypass":
            continue
        slots = [network._slot(place) for place in network.arrangements[name]]
        omega = 2 * np.pi * f
        found = search(slots, loads, omega, z0=50.0, limit=1.05)
        settings = np.empty((40, len(network.parts)))
        for n, (_, part) in enumerate(network.arrangements[name]):
            s = found.s[:, n]
            settings[:, part] = s / omega if slots[n].is_direct else 1 / (omega * s)
        match = network.with_values(name, settings, loads, f)
        size = np.abs((match.input_impedance - 50) / (match.input_impedance + 50))
        ranked = np.where(match.can_match, match.loss, 2 + size)
        assert found.score == pytest.approx(ranked, rel=1e-8, abs=1e-11)  # rounding


# ---- values put back -------------------------------------------------------------------------

IN_ORDER = {
    "series L, shunt C at load": ("series coil", "shunt capacitor"),
    "series L, shunt C at input": ("shunt capacitor", "series coil"),
    "series C, shunt L at load": ("series capacitor", "shunt coil"),
    "series C, shunt L at input": ("shunt coil", "series capacitor"),
    "shunt C, series L, shunt C": ("shunt input capacitor", "series coil", "shunt load capacitor"),
    "series C, shunt L, series C": (
        "series input capacitor",
        "shunt coil",
        "series load capacitor",
    ),
}


def rebuilt(match: Match, k: int) -> TwoPort:
    """The two-port of one row, made of catalogued parts and not of what the tuner kept."""
    f = float(match.frequency[k])
    ladder = []
    for place in IN_ORDER.get(str(match.topology[k]), ()):
        where, name = place.split(" ", 1)
        index = match.part_names.index(name)
        value, settings = float(match.values[k, index]), match.network.parts[index]
        if isinstance(settings, CapacitorRange) and value == 0:
            assert where == "shunt"
            continue
        kind = Coil if isinstance(settings, CoilRange) else Capacitor
        z = kind(value, q=settings.q).at(f)
        ladder.append(TwoPort.series(z) if where == "series" else TwoPort.shunt(1 / z))
    return cascade(ladder)


@pytest.mark.parametrize(
    "network",
    [L_STEPS, L_SMOOTH, PI_STEPS, T_TAPPED, PI_SWITCHED_INPUT],
    ids=["L steps", "L", "pi steps", "T tapped", "pi input"],
)
def test_values_put_back_through_the_chain_give_what_is_stated(network):
    loads, f = random_loads(60, seed=47)
    match = network.match(loads, f, power=80)
    assert match.can_match.any()
    for k in range(60):
        chain = rebuilt(match, k)
        z = chain.input_impedance(loads[k])
        assert z == pytest.approx(match.input_impedance[k], rel=1e-9)
        size = abs((z - 50) / (z + 50))
        assert (1 + size) / (1 - size) == pytest.approx(match.swr[k], rel=1e-9)
        assert match.can_match[k] == (match.swr[k] <= 1.05)
        state = chain.state(loads[k], power=80)
        assert state.lost == pytest.approx(match.loss_watts[k].sum(), abs=1e-9)
        for value, part in zip(match.values[k], network.parts, strict=True):
            if np.isfinite(value):
                assert part.low - 1e-18 <= value <= part.high * (1 + 1e-12)
                if part.step is not None:
                    count = (value - part.low) / part.step
                    assert count == pytest.approx(round(count), abs=1e-6)


def test_fine_steps_reach_the_limit_wherever_turning_parts_match_exactly():
    fine = LNetwork(
        CoilRange(0, "25 uH", step="2 nH", q=160), CapacitorRange(0, "3 nF", step="0.2 pF", q=900)
    )
    smooth = LNetwork(CoilRange(0, "25 uH", q=160), CapacitorRange("0.2 pF", "3 nF", q=900))
    rng = np.random.default_rng(5)
    loads = 10 ** rng.uniform(0.7, 3, 40) + 1j * rng.uniform(-400, 400, 40)
    f = rng.uniform(3.5e6, 14.4e6, 40)
    exact = smooth.match(loads, f, swr_limit=1.0001)
    stepped = fine.match(loads, f)
    assert exact.can_match.sum() >= 30
    assert stepped.can_match[exact.can_match].all()
    assert stepped.swr[exact.can_match].max() <= 1.05
    assert (stepped.loss <= exact.loss + 0.01)[exact.can_match].all()
    at_same_limit = smooth.match(loads, f)
    assert (stepped.loss >= at_same_limit.loss - 1e-6)[stepped.can_match].all()


# ---- closed forms ----------------------------------------------------------------------------


def lossless(topology: str) -> LNetwork:
    return LNetwork(
        CoilRange(0, "60 uH"), CapacitorRange("0.5 pF", "20 nF"), topologies=(topology,)
    )


@pytest.mark.parametrize(
    ("load", "topology"),
    [
        (340 + 0j, "series L, shunt C at load"),
        (340 - 90j, "series L, shunt C at load"),
        (11 - 25j, "series L, shunt C at input"),
        (11 + 14j, "series L, shunt C at input"),
        (340 + 120j, "series C, shunt L at load"),
        (11 + 60j, "series C, shunt L at input"),
    ],
)
def test_lossless_values_by_formula(load: complex, topology: str):
    # Single-section matching, common practice (Pozar, chapter on impedance matching, from memory)
    f, z0 = 7.1e6, 50.0
    w, r, x = 2 * np.pi * f, load.real, load.imag
    sign = 1 if topology.startswith("series L") else -1
    if topology.endswith("load"):  # r > z0
        b = (x + sign * math.sqrt(r / z0) * math.sqrt(r * r + x * x - z0 * r)) / (r * r + x * x)
        series, shunt = 1 / b + x * z0 / r - z0 / (b * r), b
    else:  # r < z0
        series, shunt = sign * math.sqrt(r * (z0 - r)) - x, sign * math.sqrt((z0 - r) / r) / z0
    assert series * sign > 0
    assert shunt * sign > 0
    coil = series / w if sign > 0 else -1 / (w * shunt)
    capacitor = shunt / w if sign > 0 else -1 / (w * series)
    match = lossless(topology).match(load, f, swr_limit=1 + 1e-6)
    assert match.can_match
    assert match.values == pytest.approx([coil, capacitor], rel=3e-5)  # within the SWR asked for
    assert match.loss == pytest.approx(0, abs=1e-12)


def test_loss_of_an_l_network_by_its_circuit_q():
    # efficiency 1 - Q/Qcoil with Q = sqrt(50/R - 1), common practice; first order in Q/Qcoil
    network = LNetwork(
        CoilRange(0, "20 uH", q=400), CapacitorRange("1 pF", "10 nF"),
        topologies=("series L, shunt C at input",),
    )  # fmt: skip
    match = network.match(4.0, 7.1e6, swr_limit=1.0005)
    assert match.loss == pytest.approx(math.sqrt(50 / 4 - 1) / 400, rel=2e-2)


def test_voltage_current_and_watts_of_each_part_by_hand():
    load, f, power = 12 - 310j, 3.65e6, 150.0
    network = LNetwork(
        CoilRange(0, "25 uH", step="50 nH", q=160), CAPACITOR,
        topologies=("series L, shunt C at input",),
    )  # fmt: skip
    match = network.match(load, f, power=power)
    assert match.can_match
    w = 2 * np.pi * f
    coil, capacitor = match.values
    zl = w * coil * (1 / 160 + 1j)
    zc = (1 / 900 - 1j) / (w * capacitor)
    branch = load + zl
    z = branch * zc / (branch + zc)
    volts = math.sqrt(power * abs(z) ** 2 / z.real)
    i_coil, i_capacitor = volts / abs(branch), volts / abs(zc)
    assert match.current == pytest.approx([i_coil, i_capacitor], rel=1e-12)
    assert match.voltage == pytest.approx([i_coil * abs(zl), volts], rel=1e-12)
    assert match.peak_voltage == pytest.approx(math.sqrt(2) * match.voltage)
    assert match.peak_current == pytest.approx(math.sqrt(2) * match.current)
    by_parts = [i_coil**2 * zl.real, i_capacitor**2 * zc.real]
    assert match.loss_watts == pytest.approx(by_parts, rel=1e-12)
    into_load = i_coil**2 * 12
    assert into_load + match.loss_watts.sum() == pytest.approx(power, rel=1e-12)
    assert match.loss_db == pytest.approx(10 * math.log10(power / into_load), rel=1e-9)
    doubled = match.at_power(300.0)
    assert doubled.loss_watts == pytest.approx(2 * match.loss_watts)
    assert doubled.voltage == pytest.approx(math.sqrt(2) * match.voltage)


def test_parts_stand_by_their_names_in_every_topology():
    loads = np.array([340 - 90j, 11 - 25j, 340 + 120j, 11 + 160j, 50 + 0.3j])
    for topology, load in itertools.product(IN_ORDER, loads):
        if "at" not in topology.split():
            continue
        match = LNetwork(COIL, CAPACITOR, topologies=(topology,)).match([load], [7.1e6])
        w = 2 * np.pi * 7.1e6
        coil, capacitor = match.values[0]
        across, through = match.voltage[0], match.current[0]
        if through[0] > 0 and across[0] > 0:
            assert across[0] / through[0] == pytest.approx(w * coil * abs(1 / 160 + 1j))
        if capacitor > 0:
            assert across[1] / through[1] == pytest.approx(abs(1 / 900 - 1j) / (w * capacitor))


def test_an_antenna_that_needs_no_tuner_gets_bypass():
    match = L_STEPS.match([51 + 1j, 200.0], 7.1e6)
    assert match.topology[0] == "bypass"
    assert np.isnan(match.values[0]).all()
    assert match.loss[0] == 0
    assert (match.voltage[0] == 0).all()
    assert match.topology[1] != "bypass"
    without = LNetwork(COIL, CAPACITOR, topologies=("series L, shunt C at load",))
    assert (without.match([51 + 1j, 200.0], 7.1e6).topology == without.topologies[0]).all()


def test_shapes_follow_loads_and_frequencies():
    one = L_STEPS.match(12 - 80j, 7.1e6)
    assert one.swr.shape == ()
    assert one.values.shape == (2,)
    many = L_STEPS.match(np.array([[12 - 80j], [300]]), np.array([7.1e6, 14.2e6, 21.2e6]))
    assert many.swr.shape == (2, 3)
    assert many.loss_watts.shape == (2, 3, 2)
    assert many.swr[0, 0] == one.swr
    assert many.describe().count("\n") == 5
    again = L_STEPS.with_values(str(one.topology), one.values, 12 - 80j, 7.1e6)
    assert again.swr == one.swr
    assert again.loss_watts == pytest.approx(one.loss_watts)


def test_map_of_what_can_be_matched():
    r, x = np.geomspace(2, 2000, 9), np.linspace(-600, 600, 7)
    chart = match_map(L_STEPS, 3.65e6, r, x)
    assert chart.can_match.shape == (9, 7)
    assert 0 < chart.can_match.sum() < 63
    assert np.isnan(chart.loss_db[~chart.can_match]).all()
    alone = L_STEPS.match(r[2] + 1j * x[5], 3.65e6)
    assert chart.swr[2, 5] == pytest.approx(alone.swr, rel=1e-12)
    assert chart.can_match[2, 5] == alone.can_match
    # a low resistance under a large reactance costs more than a middling one
    wide = match_map(L_SMOOTH, 7.1e6, [5.0, 100.0], [-250.0])
    assert wide.can_match.all()
    assert wide.loss_db[0, 0] > 3 * wide.loss_db[1, 0]


def test_loads_that_no_setting_reaches_are_said_so():
    match = L_STEPS.match([0.05 - 3000j, 30 + 5j], [3.5e6, 29e6])
    assert not match.can_match[0]
    assert match.swr[0] > 10
    assert "no match within 1.05" in match.describe()


# ---- matchers known by their data ------------------------------------------------------------

BOX = WindowMatcher(
    "box", resistance=(5, 600), reactance=(-800, 800), power=120, peak_voltage=1000, loss_db=0.5,
    frequencies=(3.4e6, 30e6),
)  # fmt: skip


def test_window_matcher_says_in_words_what_it_can():
    loads = np.array([80 - 100j, 3 - 100j, 80 + 900j, 10 - 700j])
    verdict = BOX.verdict(loads, 7.1e6, power=100)
    assert list(verdict.can_match) == [True, False, False, False]
    assert verdict.words[0].startswith("can: 0.5 dB as stated")
    assert "resistance 3 ohm is outside its 5 to 600 ohm" in verdict.words[1]
    assert "reactance 900 ohm" in verdict.words[2]
    out = 100 * 10 ** (-0.05)
    assert verdict.output_power[0] == pytest.approx(out)
    assert verdict.loss_watts[0] == pytest.approx(100 - out)
    volts = math.sqrt(2 * out / 10) * abs(10 - 700j)
    assert verdict.peak_voltage[3] == pytest.approx(volts)
    assert f"voltage {volts:.4g} V peak is above its 1000 V" in verdict.words[3]
    assert np.isnan(verdict.peak_voltage[1])
    assert "power 130 W is above its 120 W" in str(BOX.verdict(80, 7.1e6, power=130).words)
    assert "frequency 1.9 MHz" in str(BOX.verdict(80, 1.9e6).words)


def test_window_by_swr():
    by_swr = WindowMatcher("small", swr=3.0, power=100, loss_db=0.3)
    verdict = by_swr.verdict([140.0, 160.0], 14.1e6)
    assert list(verdict.can_match) == [True, False]
    assert "SWR 3.2 is above its 3" in verdict.words[1]


# ---- bad input -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "make", "says"),
    [
        (MaterialError, lambda: CoilRange("9 uH", "2 uH"), "low end comes first"),
        (MaterialError, lambda: CoilRange(0, "2 pF"), "units: H"),
        (MaterialError, lambda: CoilRange(0, 1e-6, q=0), "Q of a coil"),
        (MaterialError, lambda: CapacitorRange(0, 1e-9, step=0), "step of a capacitor"),
        (MaterialError, lambda: CapacitorRange(0, 1e-9, step=2e-9), "at most its range"),
        (SolverError, lambda: LNetwork(CAPACITOR, COIL), "give a CoilRange"),  # type: ignore[arg-type]
        (SolverError, lambda: LNetwork(COIL, CAPACITOR, topologies=("gamma",)), "'gamma'"),
        (SolverError, lambda: LNetwork(COIL, CAPACITOR, topologies=()), "one or more"),
        (SolverError, lambda: L_STEPS.match(-3 + 1j, 7e6), "resistance above 0"),
        (SolverError, lambda: L_STEPS.match(np.nan, 7e6), "finite"),
        (SolverError, lambda: L_STEPS.match(30, 0.0), "frequency is 0 Hz"),
        (SolverError, lambda: L_STEPS.match(30, 7e6, power=-1), "power is -1 W"),
        (SolverError, lambda: L_STEPS.match(30, 7e6, swr_limit=1.0), "SWR limit is 1"),
        (SolverError, lambda: L_STEPS.match(30, 7e6, z0=0), "reference impedance"),
        (SolverError, lambda: L_STEPS.with_values("pi", [0, 0], 30, 7e6), "'pi'"),
        (SolverError, lambda: L_STEPS.with_values("bypass", [0], 30, 7e6), "one of at least 0"),
        (SolverError, lambda: match_map(BOX, 7e6, [3], [4]), "no network"),  # type: ignore[arg-type]
        (SolverError, lambda: match_map(L_STEPS, 7e6, 3.0, [4]), "list of resistances"),
        (SolverError, lambda: WindowMatcher("w", power=9, loss_db=0), "no window"),
        (SolverError, lambda: WindowMatcher("w", swr=3, power=9, loss_db=-1), "loss of matcher"),
        (
            SolverError,
            lambda: WindowMatcher("w", resistance=(9, 3), power=9, loss_db=0),
            "low end comes first",
        ),
    ],
)
def test_bad_input_is_named(error, make, says: str):
    with pytest.raises(error, match=says):
        make()
