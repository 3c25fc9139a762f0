"""The power ladder: nothing is lost from the books, and the tuner's place changes what it should.

Tolerance class: rounding, where nothing else is said.
"""

import numpy as np
import pytest

from ridgepole.solver import (
    CapacitorRange,
    CoilRange,
    Line,
    LNetwork,
    PiNetwork,
    SolverError,
    Stage,
    Transformer,
    TwoPort,
    WindowMatcher,
    compare_tuner_places,
    power_ladder,
)

F = np.array([3.65e6, 7.1e6, 14.15e6, 21.2e6, 28.5e6])
ANTENNA = np.array([9 - 480j, 31 - 90j, 160 + 220j, 74 - 310j, 410 - 530j])
COAX = Line.named("RG-58", length="22 m")
TUNER = LNetwork(
    CoilRange(0, "25.6 uH", step="10 nH", q=170), CapacitorRange(0, "2.56 nF", step="1 pF", q=900)
)
BALUN = Transformer(
    4, magnetising_inductance="20 uH", magnetising_q=2, leakage_inductance="40 nH",
    winding_resistance=0.1, name="balun",
)  # fmt: skip
STAGES = [
    Stage("jumper", Line.named("RG-213", length="2 m")),
    Stage("choke", TwoPort.series(1.5 + 4j)),
    Stage("coax", COAX),
    Stage("tuner", TUNER),
    Stage("balun", BALUN),
    Stage("ladder line", Line.open_wire("50 mm", wire_radius="0.8 mm", length="3 m")),
]


@pytest.mark.parametrize("count", range(len(STAGES) + 1))
def test_the_ladder_adds_up_to_the_power_of_the_radio(count: int):
    power = np.array([100.0, 100, 40, 5, 137])
    ladder = power_ladder(STAGES[:count], ANTENNA, F, power=power)
    assert np.all(np.abs(ladder.total / power - 1) <= 1e-12)
    assert (ladder.lost > 0).all()
    assert (ladder.reflected >= 0).all()
    steps = np.concatenate([power[:, None], ladder.arriving], axis=1)
    for k, row in enumerate(ladder.rows()):
        assert len(row.entries) == count + 2
        assert sum(entry.watts for entry in row.entries) == pytest.approx(power[k], rel=1e-12)
        decibels = sum(entry.loss_db for entry in row.entries[:-1])
        assert decibels == pytest.approx(ladder.total_loss_db[k], rel=1e-9)
        left = [entry.left_watts for entry in row.entries[:-1]]
        assert left == pytest.approx(steps[k, 1:])
        assert row.entries[-1].left_watts == pytest.approx(0, abs=1e-9)


def test_a_chain_by_hand():
    ladder = power_ladder([Stage("coax", COAX), Stage("balun", BALUN)], ANTENNA, F, power=80)
    seen = BALUN.two_port(F).input_impedance(ANTENNA)
    at_radio = COAX.input_impedance(F, seen)
    assert ladder.impedance[:, 0] == pytest.approx(at_radio, rel=1e-12)
    assert ladder.impedance[:, 1] == pytest.approx(seen, rel=1e-12)
    size = np.abs((at_radio - 50) / (at_radio + 50))
    assert ladder.reflected == pytest.approx(80 * size**2, rel=1e-12)
    assert ladder.swr == pytest.approx((1 + size) / (1 - size), rel=1e-12)
    assert ladder.loss_db[:, 0] == pytest.approx(COAX.total_loss_db(F, seen), rel=1e-10)
    by_part = BALUN.part_state(F, ANTENNA, power=ladder.arriving[:, 1]).lost.sum(axis=-1)
    assert ladder.lost[:, 1] == pytest.approx(by_part, rel=1e-9)


def test_power_behind_the_tuner_does_not_depend_on_the_books():
    # The antenna's power once more, from its own voltage through the whole cascade.
    ladder = power_ladder(STAGES, ANTENNA, F)
    whole = TwoPort.through()
    for stage in STAGES:
        element = stage.element
        if isinstance(element, (Line, Transformer)):
            whole = whole @ element.two_port(F)
        elif isinstance(element, TwoPort):
            whole = whole @ element
        else:
            whole = whole @ ladder.matches["tuner"].two_port
    state = whole.state(ANTENNA, power=ladder.arriving[:, 0])
    assert ladder.delivered == pytest.approx(state.output_power, rel=1e-9)


def test_settings_of_a_tuner_carry_the_power_that_reaches_it():
    ladder = power_ladder(STAGES, ANTENNA, F, power=100)
    match = ladder.matches["tuner"]
    assert match.can_match.all()
    assert match.power == pytest.approx(ladder.arriving[:, 3])
    assert (match.power < 99).all()
    assert match.loss_watts.sum(axis=-1) == pytest.approx(ladder.lost[:, 3])


def test_feed_point_against_shack_from_the_same_parts():
    places = compare_tuner_places(COAX, TUNER, ANTENNA, F, power=100, transformer=BALUN)
    far, near = places.at_feed_point, places.in_shack
    assert far.stage_names == ("line", "tuner", "balun")
    assert near.stage_names == ("tuner", "line", "balun")
    for ladder in (far, near):
        assert ladder.total == pytest.approx(np.full(5, 100.0), rel=1e-12)
    # Behind a match the line is nearly flat: matched loss, and 0.1 dB for an SWR of 1.05
    matched = COAX.matched_loss_db(F)
    assert far.matches["tuner"].can_match.all()
    assert far.loss_db[:, 0] == pytest.approx(matched, abs=0.1)
    assert near.loss_db[:, 1] == pytest.approx(COAX.total_loss_db(F, near.impedance[:, 2]))
    assert places.gained_watts == pytest.approx(far.delivered - near.delivered)
    assert places.gained_watts[0] > 5  # most goes into the balun there, in either place
    text = str(places)
    assert text.count("at the feed point") == text.count("in the shack") == 5


def test_tuner_at_the_feed_point_matches_to_the_line():
    line = Line.named("RG-59", length="10 m")
    places = compare_tuner_places(line, TUNER, 30 - 100j, 7.1e6)
    assert places.at_feed_point.matches["tuner"].z0 == 75
    assert places.in_shack.matches["tuner"].z0 == 50
    assert places.at_feed_point.impedance[0, 1] == pytest.approx(75, rel=0.05)


def test_shares_of_the_antenna_go_on_the_ladder():
    shares = {
        "sky": [0.5, 0.6, 0.7, 0.75, 0.8],
        "earth": [0.44, 0.34, 0.25, 0.2, 0.15],
        "house": 0.05,
    }
    ladder = power_ladder(STAGES[:4], ANTENNA, F, power=100, shares=shares)
    assert ladder.total == pytest.approx(np.full(5, 100.0), rel=1e-12)
    assert ladder.shares["sky"] == pytest.approx(ladder.delivered * np.array(shares["sky"]))
    missing = 1 - np.array(shares["sky"]) - np.array(shares["earth"]) - 0.05
    assert ladder.shares["unaccounted"] == pytest.approx(ladder.delivered * missing, abs=1e-9)
    row = ladder.rows()[1]
    assert [entry.name for entry in row.entries][-4:] == ["sky", "earth", "house", "unaccounted"]
    assert sum(entry.watts for entry in row.entries) == pytest.approx(100, rel=1e-12)


def test_a_window_matcher_stands_in_a_chain():
    box = WindowMatcher("box", swr=30, power=100, loss_db=0.7)
    ladder = power_ladder([Stage("box", box), Stage("coax", COAX)], 31 - 90j, 7.1e6)
    assert ladder.swr == pytest.approx(1.0)
    assert ladder.loss_db[0, 0] == pytest.approx(0.7, rel=1e-9)
    assert ladder.reflected == pytest.approx(0, abs=1e-12)
    small = WindowMatcher("small", swr=3, power=100, loss_db=0.7)
    with pytest.raises(SolverError, match=r"'small' at 7\.1 MHz: cannot: SWR"):
        power_ladder([Stage("small", small)], 31 - 190j, 7.1e6)


def test_a_pi_network_in_the_shack():
    pi = PiNetwork(
        CapacitorRange("20 pF", "1 nF", step="20 pF", q=900),
        CoilRange("0.2 uH", "12 uH", step="0.1 uH", q=200),
        CapacitorRange("20 pF", "1 nF", step="20 pF", q=900),
    )
    ladder = power_ladder([Stage("pi", pi), Stage("coax", COAX)], ANTENNA, F)
    assert ladder.total == pytest.approx(np.full(5, 100.0), rel=1e-12)
    assert ladder.swr == pytest.approx(ladder.matches["pi"].swr)


def test_one_frequency_is_a_ladder_of_one_row():
    ladder = power_ladder([], 50, 7.1e6, power=10)
    assert ladder.arriving == pytest.approx(np.array([[10.0]]))
    assert ladder.lost.shape == (1, 0)
    assert str(ladder) == "7.100 MHz, 10 W, SWR 1.00: mismatch at the radio 0 W, antenna 10 W"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Stage("", COAX), "give it a name"),
        (lambda: Stage("coax", 50.0), "give a line"),  # type: ignore[arg-type]
        (lambda: Stage("tuner", TUNER, z0=-50), "above 0"),
        (lambda: power_ladder([STAGES[0], STAGES[0]], 50, 7e6), "own name"),
        (lambda: power_ladder([], 50j, 7e6), "antenna impedance"),
        (lambda: power_ladder([], 50, 7e6, power=0), "power is 0 W"),
        (lambda: power_ladder([], 50, [[7e6, 8e6]]), "lists over frequency"),
        (lambda: power_ladder([], 50, 7e6, shares={"sky": 0.6}), "sum must be 1"),
        (lambda: power_ladder([], 50, 7e6, shares={"sky": 1.2, "earth": -0.2}), "from 0 to 1"),
        (lambda: power_ladder([Stage("t", COAX.two_port(F))], 50, [7e6, 8e6]), "shape"),
    ],
)
def test_bad_input_is_named(make, says: str):
    with pytest.raises(SolverError, match=says):
        make()


def test_slips_of_the_pen_are_named():
    line = Line.named("RG-58", length=3)
    with pytest.raises(SolverError, match="give Stage"):
        power_ladder([line], 50, 7e6)  # pyright: ignore[reportArgumentType]
    with pytest.raises(SolverError, match=r"7\.1 MHz is 7\.1e6"):
        power_ladder([], 50, 7.1)
    with pytest.raises(SolverError, match="as many of each"):
        power_ladder([], [50, 60], [7e6, 8e6, 9e6])
