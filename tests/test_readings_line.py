"""Readings at the end of a line, carried to the feed point: impedances, noise, what cannot be."""

from pathlib import Path

import numpy as np
import pytest
import skrf
from hypothesis import given
from hypothesis import strategies as st
from scipy.constants import c as speed_of_light
from skrf.media import DefinedGammaZ0
from small_attic import ATTIC

from ridgepole.solver import Line, read_attic
from ridgepole.solver.errors import ReadingError
from ridgepole.solver.study.readings import Readings, line_of, read_readings

F = np.array([3.6e6, 7.1e6, 14.2e6, 28.5e6])
Z = np.array([8.3 - 620j, 23 - 41j, 61 + 87j, 340 - 15j])

LOSSY = Line.of(52.0, length="13.7 m", velocity_factor=0.71, k1=1.9, k2=0.11)
THIN = Line.named("RG-58", length="12 m")


def at_input(line: Line, z: np.ndarray = Z) -> Readings:
    return Readings.of(F, line.input_impedance(F, z))


# ---- impedances ------------------------------------------------------------------------------


@pytest.mark.parametrize("reference", [50.0, 75.0])
def test_deembedding_agrees_with_an_independent_library(reference: float):
    # rounding: the line's own impedance amplifies it for the mismatched 80 m load
    frequency = skrf.Frequency.from_f(F, unit="Hz")
    medium = DefinedGammaZ0(
        frequency, gamma=LOSSY.propagation(F), z0=LOSSY.characteristic_impedance(F)
    )
    piece = medium.line(np.array(13.7), "m")
    piece.renormalize(np.array(50.0))
    measured = np.array([0.55 - 0.3j, -0.21 + 0.4j, 0.1j, -0.02 - 0.33j])
    shown = skrf.Network(frequency=frequency, s=measured[:, None, None], z0=50)
    antenna = (piece.inv**shown).z[:, 0, 0]
    z_in = 50 * (1 + measured) / (1 - measured)
    read = read_readings(list(zip(F, z_in, strict=True)), line=LOSSY, reference=reference)
    assert read.impedance == pytest.approx(antenna, rel=1e-9)
    assert read.reflection == pytest.approx((antenna - reference) / (antenna + reference), rel=1e-9)
    assert read.taken_at == "the end of 13.7 m of line"


def test_lossless_quarter_and_half_waves():
    # computed from formula: quarter wave Z = Z0^2/Zin; half wave Z = Zin
    quarter = speed_of_light / 7.1e6 / 4 * 0.8
    line = Line.of(75.0, length=quarter, velocity_factor=0.8)
    z_in = 31 + 64j
    read = read_readings([(7.1e6, z_in)], line=line)
    assert read.impedance == pytest.approx([75**2 / z_in], rel=1e-12)
    half = Line.of(75.0, length=2 * quarter, velocity_factor=0.8)
    assert read_readings([(7.1e6, z_in)], line=half).impedance == pytest.approx([z_in], rel=1e-12)


def test_a_short_and_an_open_end_are_as_good_as_any():
    # at its input an eighth wave of lossless line shows an open end as -j Z0, a short as +j Z0
    line = Line.of(50.0, length=speed_of_light / 7.1e6 / 8, velocity_factor=1.0)
    ends = read_readings([(7.1e6, -50j)], line=line)
    assert ends.reflection == pytest.approx([1.0], abs=1e-12)
    shorted = read_readings([(7.1e6, 50j)], line=line)
    assert shorted.impedance == pytest.approx([0.0], abs=1e-9)


@given(
    r=st.floats(0.5, 3000.0), x=st.floats(-3000.0, 3000.0),
    metres=st.floats(0.05, 25.0), z0=st.sampled_from([50.0, 75.0, 450.0]),
    f=st.floats(1.8e6, 29.7e6),
)  # fmt: skip
def test_there_and_back(r: float, x: float, metres: float, z0: float, f: float):
    # rounding, grown by exp(2 alpha l) below 10
    line = Line.of(z0, length=metres, velocity_factor=0.7, k1=1.4, k2=0.05)
    z = r + 1j * x
    read = read_readings([(f, complex(line.input_impedance(f, z)))], line=line)
    g = (z - 50) / (z + 50)
    assert abs(read.reflection[0] - g) < 1e-9


# ---- noise -----------------------------------------------------------------------------------


def test_noise_grows_by_the_loss_there_and_back():
    line = Line.of(50.0, length=30, velocity_factor=0.66, k1=1.2, k2=0.05, real_impedance=True)
    read = read_readings(
        at_input(line, np.array([30 - 12j, 80 + 5j, 20 + 3j, 45 + 45j])), line=line
    )
    gain = 10 ** (2 * line.matched_loss_db(F) / 20)
    assert gain[-1] > 1.7
    assert read.magnitude_sd == pytest.approx(0.01 * gain, rel=1e-12)
    assert read.phase_sd_deg == pytest.approx(np.full(4, 0.5), rel=1e-9)


def test_noise_through_a_mismatched_line_is_that_of_many_trials():
    rng = np.random.default_rng(20240611)
    line = Line.of(93.0, length=9.3, velocity_factor=0.8, k1=2.0, k2=0.1)
    seen = at_input(line)
    read = read_readings(seen, line=line)
    n = 40_000
    # small noise, so that the first order holds; sampling error of a deviation 1/sqrt(2 n) = 0.35 %
    shrink = 0.01
    size = np.abs(seen.reflection) + shrink * 0.01 * rng.normal(size=(n, F.size))
    phase = np.angle(seen.reflection) + shrink * np.radians(0.5) * rng.normal(size=(n, F.size))
    g = size * np.exp(1j * phase)
    two_port = line.two_port(F)
    z_in = 50 * (1 + g) / (1 - g)
    z = (two_port.d * z_in - two_port.b) / (two_port.a - two_port.c * z_in)
    feed = (z - 50) / (z + 50)
    assert read.magnitude_sd == pytest.approx(np.std(np.abs(feed), axis=0) / shrink, rel=0.02)
    turned = np.degrees(np.angle(feed / read.reflection))
    assert read.phase_sd_deg == pytest.approx(np.std(turned, axis=0) / shrink, rel=0.02)


def test_great_loss_is_noted_with_its_number():
    def through(metres: float) -> tuple[Readings, float]:
        line = Line.named("RG-58", length=metres)
        z = complex(line.input_impedance(28.5e6, 45 + 38j))
        return read_readings([(28.5e6, z)], line=line), float(line.matched_loss_db(28.5e6))

    lossy, loss = through(130.0)
    note = next(n for n in lossy.notes if "say little" in n)
    assert f"{loss:.1f} dB" in note
    assert f"{lossy.magnitude_sd[0]:.2g}" in note
    assert lossy.magnitude_sd[0] == pytest.approx(0.01 * 10 ** (2 * loss / 20), rel=0.01)
    near_miss, _ = through(120.0)
    assert near_miss.magnitude_sd[0] > 0.08
    assert not any("say little" in n for n in near_miss.notes)


def test_no_reflection_leaves_the_phase_unknown():
    read = read_readings([(7.1e6, 50.0 + 0j)]).renormalised(75)
    assert read.phase_sd_deg[0] < 1.0
    # a reflection that just vanishes at the far end has no phase: 180/sqrt(3) degrees
    matched = Line.of(50.0, length=5, velocity_factor=0.7, real_impedance=True)
    still = read_readings([(7.1e6, 50.0 + 0j)], line=matched)
    assert still.phase_sd_deg == pytest.approx([180 / np.sqrt(3)])


# ---- SWR alone -------------------------------------------------------------------------------


def test_swr_through_a_matched_line():
    line = Line.of(50.0, length=20, velocity_factor=0.66, k1=1.6, k2=0.02, real_impedance=True)
    z = line.input_impedance(F, Z)
    size = np.abs((z - 50) / (z + 50))
    shown = [f"{f} Hz SWR {(1 + g) / (1 - g)!r}" for f, g in zip(F, map(float, size), strict=True)]
    read = read_readings("\n".join(shown), line=line)
    assert read.magnitude == pytest.approx(np.abs((Z - 50) / (Z + 50)), rel=1e-9)
    assert not read.has_phase.any()
    gain = 10 ** (2 * line.matched_loss_db(F) / 20)
    assert read.magnitude_sd == pytest.approx(0.01 * gain, rel=1e-9)


def test_what_a_nearly_matched_line_does_to_swr_is_in_the_noise():
    line = Line.of(52.4, length=9.0, velocity_factor=0.66, k1=1.0)
    loads = 50 * (1 + (g := 0.4 * np.exp(1j * np.linspace(0, 2 * np.pi, 73)))) / (1 - g)
    z = line.input_impedance(14.2e6, loads)
    size = np.abs((z - 50) / (z + 50))
    read = [read_readings(f"14.2 MHz SWR {float((1 + s) / (1 - s))!r}", line=line) for s in size]
    off = np.array([r.magnitude[0] for r in read]) - 0.4
    # spread by the unknown phase alone, over the part of the noise that stands for it
    gain = 10 ** (2 * line.matched_loss_db(14.2e6) / 20)
    told = np.sqrt(np.mean([r.magnitude_sd[0] ** 2 - (0.01 * gain) ** 2 for r in read]))
    assert 0.3 * told < np.std(off) < 2.0 * told
    assert np.abs(off).max() < 3.0 * told


@pytest.mark.parametrize(
    ("ohms", "reference", "passes"),
    [(52.4, 50, True), (52.6, 50, False), (75.0, 50, False), (75.0, 75, True)],
)
def test_swr_through_a_line_of_another_impedance(ohms: float, reference: float, passes: bool):
    line = Line.of(ohms, length=5, velocity_factor=0.7)
    if passes:
        read = read_readings("7.1 MHz SWR 2", line=line, reference=reference)
        assert read.swr == pytest.approx([2.0])
        return
    with pytest.raises(ReadingError, match=r"SWR alone .* 5% where no phase is known"):
        read_readings("7.1 MHz SWR 2", line=line, reference=reference)


# ---- what cannot be --------------------------------------------------------------------------


def test_a_line_that_is_told_too_lossy_is_named():
    true = Line.of(50.0, length=8, velocity_factor=0.66, k1=1.3)
    told = Line.of(50.0, length=30, velocity_factor=0.66, k1=1.3)
    seen = at_input(true, np.full(4, 3 + 180j))
    with pytest.raises(ReadingError, match=r"30 m of line \(50 ohm\) as told loses .* 1 by more"):
        read_readings(seen, line=told)
    assert read_readings(seen, line=true).magnitude.max() < 1.0


def test_slightly_above_one_behind_a_line_is_kept_and_noted():
    true = Line.of(50.0, length=8, velocity_factor=0.66, k1=1.3)
    told = Line.of(50.0, length=8.6, velocity_factor=0.66, k1=1.3)
    read = read_readings(at_input(true, np.full(4, 0.02 + 180j)), line=told)
    assert read.magnitude.max() > 1.0
    assert any("above 1 behind 8.6 m of line" in note for note in read.notes)


@pytest.mark.parametrize(("sigmas", "passes"), [(2.9, True), (3.1, False)])
def test_the_noise_that_a_line_lets_through_has_its_limit(sigmas: float, passes: bool):
    line = Line.of(50.0, length=30, velocity_factor=0.66, k1=1.3, real_impedance=True)
    gain = 10 ** (2 * float(line.matched_loss_db(14.2e6)) / 20)
    assert gain > 1.2
    # at the feed point the deviation is 0.01 gain
    size = (1 + sigmas * 0.01 * gain) / gain
    g = size * np.exp(2.1j)
    given = f"14.2 MHz S11 {float(g.real)!r}+{float(g.imag)!r}j"
    if passes:
        assert read_readings(given, line=line).magnitude == pytest.approx([size * gain])
        return
    with pytest.raises(ReadingError, match=r"line 1 .*correct the line, or leave it out"):
        read_readings(given, line=line)


def test_a_line_is_taken_away_once():
    once = read_readings(at_input(THIN), line=THIN)
    assert once.taken_at == "the end of 12 m of RG-58"
    assert once.impedance == pytest.approx(Z, rel=1e-9)
    with pytest.raises(ReadingError, match="taken away already"):
        read_readings(once, line="12 m of RG-58")
    assert read_readings(once).taken_at == once.taken_at


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("12 m RG-58", "as '12 m of RG-58'"),
        ("12 m of string", "cannot be used"),
        ("twelve of RG-58", "cannot be used"),
        ("-2 m of RG-58", "cannot be used"),
        (12.0, "give a Line"),
    ],
)
def test_lines_that_are_none(line: object, words: str):
    with pytest.raises(ReadingError, match=words):
        read_readings("7.05 MHz 23 - 41j", line=line)  # type: ignore[arg-type]


# ---- the line of an attic file ---------------------------------------------------------------


def plan_with(tmp_path: Path, tables: str):
    path = tmp_path / "attic.toml"
    path.write_text(ATTIC + tables, encoding="utf-8")
    return read_attic(path)


def test_the_line_of_an_attic_file(tmp_path: Path):
    plan = plan_with(tmp_path, '[line]\ntype = "RG-58"\nlength = "12 m"\n')
    assert line_of(plan) == THIN
    read = read_readings("14.2 MHz 23 - 41j", line=line_of(plan))
    assert read.impedance == pytest.approx(
        read_readings("14.2 MHz 23 - 41j", line="12 m of RG-58").impedance
    )


def test_an_attic_file_without_a_line_or_with_a_transformer(tmp_path: Path):
    with pytest.raises(ReadingError, match=r"tells no line.*\[line\]"):
        line_of(plan_with(tmp_path, ""))
    both = '[line]\ntype = "RG-58"\nlength = "12 m"\n[transformer]\nratio = "49:1"\n'
    with pytest.raises(ReadingError, match="a transformer stands between"):
        line_of(plan_with(tmp_path, both))
