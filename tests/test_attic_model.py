"""Attics as smooth functions of what is not known, against houses solved by themselves."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from length_scenes import BENT, COIL, JOIST, Case, plan_of

from ridgepole.geometry.plan import AtticPlan
from ridgepole.solver import Distribution, SolverError, Unknown
from ridgepole.solver.bands import Band
from ridgepole.solver.study.model import attic_model
from ridgepole.solver.study.model.attic_model import AtticModel, HouseState
from ridgepole.solver.study.model.eliminated import Eliminated
from ridgepole.solver.study.model.houses import Houses
from ridgepole.solver.study.model.lengths import LengthPool
from ridgepole.solver.study.model.modelling import Modelling
from ridgepole.solver.study.model.scores import STEP, ScoreNodes
from ridgepole.solver.study.unknowns import Unknowns, apply, candidates

ROUNDING = 1e-9
"""And single precision in what the earth reflects onto solids."""

BAND = '[bands]\nwanted = ["20 m"]\n'
AT = 14.21e6
CENTRE = 14.175e6

GROUND = Unknown(
    "ground conductivity", "key", "earth.conductivity", Distribution.lognormal(1e-3, 3.0)
)
HEIGHT = Unknown(
    "height above ground", "key", "attic.ceiling_height", Distribution.normal(4.9, 0.3)
)
WET = Unknown("timber moisture", "key", "house.moisture",
              Distribution.lognormal(0.12, 1.3, least=0.05, most=0.28))  # fmt: skip
LONGER = Unknown("length of long", "length", "long", Distribution.normal(0.0, 0.01))
LEAD = Unknown("feed lead", "lead", "", Distribution.between(2e-8, 3e-7))

UNKNOWN = Unknowns((GROUND, LONGER, WET, LEAD))
SCORES = np.array([0.7, -0.4, -1.1, 0.6])


def model_of(plan: AtticPlan, unknowns: Unknowns, **options: Any) -> AtticModel:
    modelling = Modelling.of(plan, unknowns=unknowns, tolerance=None)
    return AtticModel.build(plan, unknowns, modelling.settings.bands, modelling.ranges,
                            tolerance=None, **options)  # fmt: skip


@pytest.fixture(scope="module")
def model() -> AtticModel:
    """Three bent wires' worth of a house: two elements, a joist, a ground."""
    return model_of(plan_of(JOIST, BAND), UNKNOWN)


def by_itself(model: AtticModel, scores: Any, frequency: float) -> Case:
    """The house of some scores on the model's mesh, its matrix filled for it alone."""
    values = {
        one.name: one.distribution.value(float(score))
        for one, score in zip(model.unknowns, scores, strict=True)
        if one.kind == "key"
    }
    plan = apply(model.plan, values, unknowns=model.unknowns)
    ranges = {n: (p[0].low, p[-1].high) for n, p in model.lengths.pieces.items()}
    pool = LengthPool.build(plan, ranges, [CENTRE], tolerance=None, like=model.lengths)
    matrix = pool.pool.system.fill(frequency).matrix
    eliminated = Eliminated.of(pool, matrix, frequency)
    return Case(plan, pool, pool.pool.scene.earth, frequency, eliminated)


def reflection(z: complex) -> complex:
    return (z - 50.0) / (z + 50.0)


# ---- scores ------------------------------------------------------------------------------


def test_quadratics_of_scores_are_exact() -> None:
    """With the mixed terms of the pairs; slopes too (rounding)."""
    random = np.random.default_rng(3)
    nodes = ScoreNodes(4, ((0, 2), (1, 2)))
    assert nodes.places.shape == (len(nodes), 4) == (11, 4)
    constant, linear = 0.7, random.normal(size=4)
    form = np.diag(random.normal(size=4))
    for i, j in nodes.pairs:
        form[i, j] = random.normal()

    def value(u: Any) -> float:
        return constant + linear @ u + u @ form @ u

    known = np.array([value(place) for place in nodes.places])
    for _ in range(5):
        u = 1.5 * random.normal(size=4)
        assert nodes.weights(u) @ known == pytest.approx(value(u), rel=1e-12, abs=1e-12)
        slope = linear + (form + form.T) @ u
        np.testing.assert_allclose(nodes.slopes(u) @ known, slope, rtol=1e-12, atol=1e-12)
        assert nodes.weights(u).sum() == pytest.approx(1.0, abs=1e-13)
    # and none else
    form[0, 1] = 1.0
    known = np.array([value(place) for place in nodes.places])
    u = np.ones(4)
    assert abs(nodes.weights(u) @ known - value(u)) > 0.1


def test_pairs_are_those_of_the_ground() -> None:
    nodes = ScoreNodes.of([GROUND, WET, HEIGHT])
    assert nodes.pairs == ((0, 2),)
    np.testing.assert_allclose(nodes.places[-1], [STEP, 0.0, STEP])


# ---- houses ------------------------------------------------------------------------------


def test_houses_that_share_equal_those_that_do_not(
    model: AtticModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert len({house.pool for house in model.houses}) == 1
    assert [(h.ground, h.stuff) for h in model.houses] == [(0, 0), (1, 0), (2, 0), (0, 1), (0, 2)]
    with monkeypatch.context() as patch:
        patch.setattr(Houses, "known", lambda *_: None)
        apart = model_of(model.plan, UNKNOWN)
    assert len({house.pool for house in apart.houses}) == len(apart.houses) == 5
    one, other = model.band("20 m"), apart.band("20 m")
    scale = np.abs(one.scaled).max()
    np.testing.assert_allclose(other.scaled, one.scaled, rtol=1e-7, atol=ROUNDING * scale)
    for state in (model.middle, HouseState(SCORES, ())):
        z = [band.impedance(AT, model.told, state) for band in (one, other)]
        assert abs(z[1] / z[0] - 1.0) < 1e-8
    for k in range(one.forms.shape[1]):
        scale = max(np.abs(one.forms[:, k]).max(), 1e-20)
        assert np.abs(other.forms[:, k] - one.forms[:, k]).max() < 3e-7 * scale  # single precision
    # and the states differ
    assert np.abs(one.scaled[1] - one.scaled[0]).max() > 1e-6 * np.abs(one.scaled[0]).max()
    assert np.abs(one.scaled[3] - one.scaled[0]).max() > 0.0


def test_matrices_are_those_of_the_houses(model: AtticModel) -> None:
    """Each filled by itself, over its own ground and with its own wood."""
    band = model.band("20 m")
    for t, place in enumerate(model.nodes.places):
        scores = np.zeros(4)
        scores[model.of_kind["key"]] = place
        case = by_itself(model, scores, float(band.nodes[0]))
        own = case.lengths.pool.system.fill(float(band.nodes[0])).matrix
        found = band.scaled[t, 0] / band.nodes[0]
        diagonal = np.sqrt(np.abs(np.diag(own)))
        assert (np.abs(found - own) / np.outer(diagonal, diagonal)).max() < ROUNDING, t


def test_a_lifted_house_keeps_what_was_integrated(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = plan_of(JOIST, BAND)
    model = model_of(plan, Unknowns((HEIGHT,)))
    assert [house.geometry for house in model.houses] == [0, 1, 2]
    volumes = [house.pool.pool.system.volume for house in model.houses]
    first = volumes[0].known  # pyright: ignore
    for volume in volumes[1:]:
        assert volume is not None
        assert volume.known.keys() == first.keys()
        assert all(volume.known[key] is first[key] for key in first)
    assert len(first) > 3
    heights = [volume.cells.center[0, 2] for volume in volumes]  # pyright: ignore
    assert heights[0] - heights[1] == pytest.approx(heights[2] - heights[0], rel=1e-6)
    assert heights[2] - heights[0] > 0.1


# ---- between the states ------------------------------------------------------------------


def test_between_scores(model: AtticModel) -> None:
    """Reflection coefficients of houses drawn, to 2e-4 (quadratic interpolation)."""
    band, random = model.band("20 m"), np.random.default_rng(8)
    for _ in range(3):
        scores = np.clip(random.normal(size=4), -2.0, 2.0)
        state = HouseState(scores, ())
        case = by_itself(model, scores, AT)
        effective = model.effective(model.told, scores)
        assert effective[0] == pytest.approx(
            model.told[0] * (1.0 + LONGER.distribution.value(float(scores[1])))
        )
        whole = case.state(*effective).impedance + 2j * np.pi * AT * model.lead(scores)
        found = band.impedance(AT, model.told, state)
        assert abs(reflection(found) - reflection(whole)) < 2e-4
        # and the same as the layout on a mesh of its own
        solved = case.impedance(*effective)
        assert abs(case.state(*effective).impedance / solved - 1.0) < 1e-4  # cells cut otherwise


def test_by_score_and_by_length(model: AtticModel) -> None:
    """Of the model itself, 1e-6; every unknown is felt."""
    band, lengths = model.band("20 m"), model.told
    reading = band.reading(AT, lengths, HouseState(SCORES, ()))
    assert reading.impedance == band.impedance(AT, lengths, HouseState(SCORES, ()))
    step = 1e-3
    for n in range(4):
        unit = np.eye(4)[n]
        ends = [band.impedance(AT, lengths, HouseState(SCORES + s * step * unit, ()))
                for s in (-1, 1)]  # fmt: skip
        expected = (ends[1] - ends[0]) / (2 * step)
        assert abs(reading.by_score[n] / expected - 1.0) < 1e-6, n
    lengths = lengths - [0.0, 5e-3]  # the other has no room above its own length
    reading = band.reading(AT, lengths, HouseState(SCORES, ()))
    for k in range(2):
        unit = np.eye(2)[k]
        ends = [band.impedance(AT, lengths + s * step * unit, HouseState(SCORES, ()))
                for s in (-1, 1)]  # fmt: skip
        expected = (ends[1] - ends[0]) / (2 * step)
        assert abs(reading.by_length[k] / expected - 1.0) < 1e-5, k


def test_by_score_against_houses_by_themselves(model: AtticModel) -> None:
    """Of the reflection coefficient near the middle, to 5e-4: three values tell of a ground that
    varies tenfold."""
    band, lengths, step = model.band("20 m"), model.told, 0.05
    reading = band.reading(AT, lengths, model.middle)
    for n in model.of_kind["key"]:
        ends = [by_itself(model, s * step * np.eye(4)[n], AT).state(*lengths).impedance
                for s in (-1, 1)]  # fmt: skip
        expected = (ends[1] - ends[0]) / (2 * step)
        wrong = reading.by_score[n] - expected
        assert abs(wrong * 100.0 / (reading.impedance + 50.0) ** 2) < 5e-4, n
        assert abs(wrong) < 0.5 * abs(expected), n


def test_a_lead_at_the_feed(model: AtticModel) -> None:
    band, lengths = model.band("20 m"), model.told
    long = replace_score(model.middle, 3, 1.3)
    difference = band.impedance(AT, lengths, long) - band.impedance(AT, lengths, model.middle)
    values = [LEAD.distribution.value(u) for u in (0.0, 1.3)]
    assert difference == pytest.approx(2j * np.pi * AT * (values[1] - values[0]), rel=1e-9)
    reading = band.reading(AT, lengths, long)
    assert reading.by_score[3] == pytest.approx(2j * np.pi * AT * LEAD.distribution.slope(1.3))
    assert reading.layout.impedance == pytest.approx(
        reading.impedance - 2j * np.pi * AT * values[1]
    )


def replace_score(state: HouseState, which: int, score: float) -> HouseState:
    scores = state.scores.copy()
    scores[which] = score
    return HouseState(scores, state.cables)


def test_watts(model: AtticModel) -> None:
    """Against the budget and the shares of a solution of its own, 0.005 of the input."""
    band, random = model.band("20 m"), np.random.default_rng(9)
    scores = np.clip(random.normal(size=(2, 4)), -2.0, 2.0)
    layouts = [
        band.eliminated(CENTRE, HouseState(one, ())).state(model.effective(model.told, one))
        for one in scores
    ]
    found = band.watts(layouts, scores)
    assert found.shape == (2, len(attic_model.WATTS))
    for one, watts in zip(scores, found, strict=True):
        whole = by_itself(model, one, CENTRE).solved(*model.effective(model.told, one))
        far, budget = whole.far_field(), whole.budget
        edges = (0.0, *attic_model.ANGLE_LIMITS, 90.0)
        expected = [far.share(a, b, of="input") for a, b in itertools.pairwise(edges)]
        expected += [budget.conductors, budget.jackets, budget.timbers]
        np.testing.assert_allclose(watts, np.array(expected, dtype=float), atol=5e-3)
        assert watts.min() >= 0.0
        assert 1.0 - watts.sum() == pytest.approx(float(budget.earth), abs=5e-3)
        assert watts[3] == pytest.approx(float(budget.conductors), rel=2e-3)
        assert watts[5] == pytest.approx(float(budget.timbers), rel=0.05)


# ---- cables ------------------------------------------------------------------------------


def test_cables_that_are_not_there() -> None:
    """As the plan without them, and with one as the plan with that one (rounding)."""
    plan = plan_of(BAND)
    some = candidates(plan, 2, 4)
    model = model_of(plan, Unknowns((LONGER,)), cables=some)
    band, f = model.band("20 m"), CENTRE

    def alone(own: Any) -> complex:
        case = Case.of(plan.with_house(*plan.house, *own), model_ranges(model), frequency=f)
        return case.state(*model.told).impedance

    def found(*there: bool) -> complex:
        return band.impedance(f, model.told, HouseState(np.zeros(1), there))

    ways = [(False, False), (True, False), (False, True), (True, True)]
    each = [found(*there) for there in ways]
    for there, z in zip(ways, each, strict=True):
        own = [cable for cable, is_there in zip(some, there, strict=True) if is_there]
        assert abs(z / alone(own) - 1.0) < 1e-8, there
    assert min(abs(a / b - 1.0) for a, b in itertools.combinations(each, 2)) > 1e-6
    assert model.absent(np.array([True, True])).size == 0
    state = band.eliminated(f, HouseState(np.zeros(1), (False, True))).state(model.told)
    gone = model.absent(np.array([False, True]))
    assert gone.size > 0
    assert np.all(state.currents[gone] == 0.0)


def model_ranges(model: AtticModel) -> dict[str, tuple[float, float]]:
    return {name: (own[0].low, own[-1].high) for name, own in model.lengths.pieces.items()}


# ---- what cannot be ----------------------------------------------------------------------


def test_what_cannot_be_is_told(model: AtticModel) -> None:
    plan = model.plan
    wide = Band("wide", 14.0e6, 21.0e6, None, "")
    with pytest.raises(SolverError, match="too wide"):
        AtticModel.build(plan, UNKNOWN, [wide], {"long": (8.3, 8.3)})
    bare = replace(plan, antenna=None)
    with pytest.raises(SolverError, match="no \\[antenna\\]"):
        Modelling.of(bare, ["20 m"], unknowns=UNKNOWN)
    with pytest.raises(SolverError, match="no \\[antenna\\]"):
        AtticModel.build(bare, UNKNOWN, model.bands, {"long": (8.3, 8.3)})
    with pytest.raises(SolverError, match="lies in none"):
        model.band_at(15e6)
    with pytest.raises(SolverError, match="outside"):
        model.band("20 m").at(14.9e6)


def test_effort_and_ticks(model: AtticModel) -> None:
    modelling = Modelling.of(model.plan, unknowns=UNKNOWN, tolerance=None)
    assert modelling.effort.states == len(model.houses) == 5
    assert modelling.effort.matrices == 15
    assert "5 states of the house on 1 band: 15 matrices" in str(modelling.effort)
    ticks: list[int] = []
    modelling.build(tick=lambda: ticks.append(1)).band("20 m", tick=lambda: ticks.append(1))
    assert len(ticks) == modelling.ticks


def test_bands_are_let_go_of(model: AtticModel) -> None:
    band = model.band("20 m")
    assert model.band("20 m") is band
    model.forget("20 m")
    again = model.band(model.bands[0])
    assert again is not band
    assert again.impedance(AT, model.told, model.middle) == band.impedance(
        AT, model.told, model.middle
    )


def test_matrices_at_many_frequencies_are_not_all_kept(
    model: AtticModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    band = replace(model.band("20 m"), _at={})
    monkeypatch.setattr(attic_model, "MOST_BYTES", 2.5 * band.at(AT).nbytes)
    frequencies = np.linspace(14.0e6, 14.35e6, 7)
    z = [band.impedance(float(f), model.told, model.middle) for f in frequencies]
    assert len(band._at) <= 3
    assert [band.impedance(float(f), model.told, model.middle) for f in frequencies] == z


def test_an_element_that_fills_its_route() -> None:
    """It gets no longer than its route is, and tells so in its slopes; shorter it may be."""
    plan = plan_of(BAND).with_element_length(long=12.010)
    model = model_of(plan, Unknowns((LONGER,)))
    band = model.band("20 m")
    room = model.lengths.pieces["long"][-1].high
    assert room == pytest.approx(12.010, abs=1e-3)
    longer, shorter = (HouseState(np.array([u]), ()) for u in (1.0, -1.0))
    assert model.effective(model.told, longer.scores)[0] == pytest.approx(room, abs=1e-9)
    assert model.effective(model.told, shorter.scores)[0] < room - 0.05
    assert band.reading(AT, model.told, longer).by_score[0] == 0.0
    assert abs(band.reading(AT, model.told, shorter).by_score[0]) > 1.0


# ---- loads and earth ---------------------------------------------------------------------

LONG_ALONE = BENT.split('[[element]]\nname = "cross"')[0]
NEAR_END = COIL.replace('at = "4 m"', 'at = "8.22 m"')


def test_a_load_near_the_end_stays_in_its_element() -> None:
    """The unknown's tail ends at it; between, the model equals the house solved by itself."""
    plan = plan_of(NEAR_END, BAND, elements=LONG_ALONE)
    unknowns = Unknowns((Unknown("length of long", "length", "long",
                                 Distribution.normal(0.0, 0.02)),))  # fmt: skip
    model = model_of(plan, unknowns)
    pieces = model.lengths.pieces["long"]
    assert pieces[0].low == pytest.approx(8.27, abs=1e-9)
    held = model.effective(model.told, np.array([-2.0]))
    assert held == pytest.approx([8.27])  # not 8.04
    assert model.effective(model.told, np.array([0.5])) == pytest.approx([8.364765], rel=1e-7)
    band = model.band("20 m")
    state = HouseState(np.array([-2.0]), ())
    read = band.reading(AT, model.told, state)
    assert read.by_score[0] == 0.0
    shorter = by_itself(model, [0.0], AT)
    assert read.impedance == pytest.approx(
        complex(shorter.eliminated.state(np.array([8.27])).impedance), rel=1e-6
    )


def test_ranges_begin_past_the_last_load() -> None:
    plan = plan_of(COIL, BAND, elements=LONG_ALONE)
    limited = Modelling.of(plan, unknowns=Unknowns(()), ranges={"long": (3.1, 8.6)})
    assert limited.ranges["long"] == pytest.approx((4.05, 8.6))
    assert limited.effort.seconds > 0.0
    other = Modelling.of(plan, unknowns=Unknowns(()), ranges={"long": (4.2, 8.6)})
    assert other.ranges["long"] == pytest.approx((4.2, 8.6))
    close = plan_of(COIL.replace('at = "4 m"', 'at = "8.28 m"'), BAND, elements=LONG_ALONE)
    with pytest.raises(SolverError, match=r"'long' is 8.3 m .* sits at 8.28 m; 3 cm"):
        Modelling.of(close)


PIPE = """[[downpipe]]
name = "rain pipe"
points = [["9.0 m", "6.2 m", "5.2 m"], ["9.0 m", "6.2 m", "0.3 m"]]
size = "80 mm"
heights_from = "ground"
earthed = true
"""


def test_wires_led_to_earth_are_refused_before_anything_is_computed() -> None:
    plan = plan_of(PIPE, BAND)
    with pytest.raises(SolverError, match=r"small\.toml: downpipe 'rain pipe' is led to earth"):
        Modelling.of(plan)
    Modelling.of(plan_of(PIPE.replace("earthed = true", ""), BAND))
    Modelling.of(plan.with_earth(None))
