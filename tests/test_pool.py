"""Layouts that share a fixed part against the same layouts solved in full."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from pool_scenes import LAYOUTS, TOP, pool_of, radials, scene_of, solved_by_itself, variants_of

from ridgepole.geometry import Electrode, Load, Scene, Wire
from ridgepole.geometry.jackets import Jacket
from ridgepole.materials import Earth
from ridgepole.solver import SolverError
from ridgepole.solver.bands import Band
from ridgepole.solver.study.partition import HEAT, Partition
from ridgepole.solver.study.partition_kernels import eliminate, greatest_eigenvalue
from ridgepole.solver.study.pool import build_pool
from ridgepole.solver.study.pool_band import PoolBand
from ridgepole.solver.study.pool_meshing import longest_ways

SAME = 1e-9
"""Rounding, and single precision in what the earth reflects onto solids."""

GROUND = Earth(13.0, 0.005)
EDGES = (0.0, 30.0, 60.0, 90.0)

SCENES: dict[str, Any] = {
    "free space": {},
    "perfect ground": {"earth": Earth.perfect()},
    "real earth, jacket": {"earth": GROUND, "jacket": Jacket("PVC", thickness=0.7e-3)},
    "no radials": {"n_radials": 0, "earth": GROUND},
    "timber": {"earth": GROUND, "timbers": True},
    "loads": {
        "earth": GROUND,
        "loads": [
            Load("long", at=3.0, impedance=8.0 + 310.0j, name="coil"),
            Load("radial 1", at=1.1, impedance=120.0 - 40.0j, name="damper"),
        ],
    },
}


@pytest.mark.parametrize("case", list(SCENES))
def test_layouts_equal_full_solves(case: str) -> None:
    scene = scene_of(**SCENES[case])
    pool = pool_of(scene)
    frequency = 14.15e6
    edges = EDGES if scene.earth is not None else (-90.0, *EDGES)
    band = Band("there", frequency - 1e5, frequency + 1e5, None, "")
    prepared = PoolBand.prepare(pool, band, reference=50.0, centre_only=True)
    middle, means = prepared.middle, prepared.means
    forms = np.concatenate(
        [middle.heat_forms(means), middle.sky_forms(edges, [(17.0, 40.0)], means)]
    )
    admittance, each = middle.solve(forms)
    impedance = prepared.impedances(admittance, frequency)
    voltages = prepared.voltages(admittance, frequency)
    watts = np.einsum("vp,vkpq,vq->vk", voltages.conj(), each, voltages).real
    for layout in range(len(LAYOUTS)):
        whole = solved_by_itself(pool, layout, frequency)
        z = complex(np.asarray(whole.impedance)[()])
        assert abs(impedance[layout] / z - 1.0) < SAME
        driven = voltages[layout, 0]
        power = abs(driven) ** 2 * (1.0 / z).real
        budget, far = whole.budget, whole.far_field()
        for k, term in enumerate(HEAT):
            assert watts[layout, k] / power == pytest.approx(getattr(budget, term), abs=SAME)
        sky = watts[layout, len(HEAT) :] / power
        assert sky[:-1].sum() == pytest.approx(float(budget.radiated), abs=SAME)
        for k, (low, high) in enumerate(itertools.pairwise(edges)):
            share = far.share(low, high, of="input")
            assert sky[k] == pytest.approx(share, abs=SAME)
        assert 10 * np.log10(sky[-1]) == pytest.approx(float(far.gain_dbi(17.0, 40.0)), abs=1e-7)
    assert np.ptp(np.abs(impedance)) > 1.0  # they are not all one layout


def test_a_floating_conductor_near_resonance_in_the_fixed_part() -> None:
    half_wave = 0.5 * 299.792458 / 14.15 * 0.97
    near = Wire([(-1.0, 0.6, 5.6), (-1.0 + half_wave, 0.6, 5.6)], radius=1e-3, name="floating")
    scene = scene_of(earth=GROUND)
    scene = Scene((*scene.own_wires, near), feed=scene.feed, earth=GROUND)
    pool = pool_of(scene)
    worst, largest = 0.0, 0.0
    for frequency in np.linspace(13.4e6, 15.0e6, 9):
        matrix = pool.system.fill(frequency).matrix
        found, _ = Partition.of(pool, matrix, frequency).solve()
        n = pool.n_fixed
        largest = max(largest, np.abs(np.linalg.inv(matrix[:n, :n])).max())
        for layout in (0, 3):
            whole = solved_by_itself(pool, layout, frequency)
            worst = max(worst, abs(found[layout, 0, 0] * complex(whole.impedance) - 1.0))  # pyright: ignore
    assert largest > 5e-3  # the conductor resonates in one of them [S]
    assert worst < SAME


def test_selected_layout_is_a_system_of_its_own() -> None:
    pool = pool_of(scene_of(earth=GROUND))
    frequency = 10.1e6
    matrix = pool.system.fill(frequency).matrix
    columns: Any = pool.columns(4)
    own = columns.T @ (columns.T @ matrix).T
    system = pool.selected_system(4)
    current = np.linalg.solve(own, system.ports.astype(complex))
    whole = solved_by_itself(pool, 4, frequency)
    assert (system.ports.T @ current)[0, 0] * complex(whole.impedance) == pytest.approx(  # pyright: ignore
        1.0, abs=SAME
    )


def test_kernels_of_pairs_that_never_meet_do_not_count() -> None:
    """Garbage there changes nothing."""
    pool = pool_of(scene_of(earth=GROUND))
    matrix = pool.system.fill(TOP).matrix
    before, _ = Partition.of(pool, matrix, TOP).solve()
    prepared = pool.system.prepared
    never = prepared.direct.kind < 0
    assert never.sum() > 20
    rows, columns = np.nonzero(never | never.T)
    offset, combination = prepared.basis.offset, prepared.basis.combination
    spoiled = matrix.copy()
    for i, j in zip(rows, columns, strict=True):
        some: Any = combination[offset[i] : offset[i + 1]]
        other: Any = combination[offset[j] : offset[j + 1]]
        a, b = np.unique(some.nonzero()[1]), np.unique(other.nonzero()[1])
        a, b = a[a >= pool.n_fixed], b[b >= pool.n_fixed]
        only_a, only_b = np.setdiff1d(a, b), np.setdiff1d(b, a)
        spoiled[np.ix_(only_a, only_b)] += 1e6
        spoiled[np.ix_(only_b, only_a)] += 1e6
    assert np.abs(spoiled - matrix).max() > 1e5
    after, _ = Partition.of(pool, spoiled, TOP).solve()
    np.testing.assert_allclose(after, before, rtol=1e-12)  # rounding


def test_longest_ways() -> None:
    wires = variants_of(scene_of())["long"]
    assert longest_ways(wires) == [0, 0, 0, 4, 4]


def test_what_cannot_be_parted_is_told() -> None:
    scene = scene_of(earth=GROUND)
    with pytest.raises(SolverError, match="no wire 'roof'"):
        build_pool(scene, {"roof": scene.own_wires[:1]}, LAYOUTS[:, :1], [TOP], tolerance=None)
    thick = Wire(scene.wire("long").vertices, radius=12e-3, name="long")
    with pytest.raises(SolverError, match="too thick to be parted"):
        build_pool(
            scene, {"long": [thick]}, np.zeros((1, 1), dtype=np.int64), [TOP], tolerance=None
        )
    pipe = Wire([(0, 0, 5), (0, -3, 5)], radius=20e-3, name="pipe")
    stout = Scene([*scene.own_wires, pipe], feed=scene.feed, earth=GROUND)
    with pytest.raises(SolverError, match="thick conductor"):
        build_pool(stout, variants_of(scene), LAYOUTS, [TOP], tolerance=None)
    ground = Scene(
        [*scene.own_wires, Wire([(0, 0, 5), (0, -3, 5), (0, -3, 0)], radius=1e-3, name="down",
                                earth_end=Electrode(1.5, radius=8e-3))],
        feed=scene.feed, earth=GROUND,
    )  # fmt: skip
    with pytest.raises(SolverError, match="led to real earth"):
        build_pool(ground, variants_of(scene), LAYOUTS, [TOP], tolerance=None)


def test_elimination_against_numpy() -> None:
    rng = np.random.default_rng(11)
    matrix = rng.normal(size=(9, 9)) + 1j * rng.normal(size=(9, 9))
    matrix[0, 0] = 0.0  # needs a pivot
    right = rng.normal(size=(9, 3)) + 1j * rng.normal(size=(9, 3))
    for kernel in (eliminate, eliminate.py_func):
        factors, solved, order = matrix.copy(), right.copy(), np.empty(9, dtype=np.int64)
        assert kernel(factors, solved, order)
        np.testing.assert_allclose(solved, np.linalg.solve(matrix, right), rtol=1e-11)
        assert sorted(order) == list(range(9))
    singular = np.ones((3, 3), dtype=complex)
    assert not eliminate(singular, np.ones((3, 1), dtype=complex), np.empty(3, dtype=np.int64))


def test_greatest_eigenvalue_against_numpy() -> None:
    rng = np.random.default_rng(12)
    matrix = rng.normal(size=(7, 7)) + 1j * rng.normal(size=(7, 7))
    vectors = rng.normal(size=(7, 7)) + 1j * rng.normal(size=(7, 7))
    values = np.array([40.0 - 9.0j, 3.0, 2.0j, 1.0, 0.4, -1.0, 0.1j])
    slope = matrix @ vectors @ np.diag(values) @ np.linalg.inv(vectors)
    factors, order = matrix.copy(), np.empty(7, dtype=np.int64)
    assert eliminate(factors, np.zeros((7, 1), dtype=complex), order)
    for kernel in (greatest_eigenvalue, greatest_eigenvalue.py_func):
        found = kernel(factors, order, slope, 12)
        assert abs(found / values[0] - 1.0) < 1e-10  # the next is 13 times smaller


def test_radials_are_fixed() -> None:
    pool = pool_of(scene_of(earth=GROUND))
    names = {pool.system.scene.wires[int(w)].name for w in pool.system.mesh.wire}
    assert {wire.name for wire in radials(5)} <= names
    assert pool.n_fixed > 20
    assert pool.n_moving < 12 * 8
