"""Readings of an analyser at the feed point, with what is known of their noise."""

from __future__ import annotations

import html
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...answer_records import data_frame
from ...errors import ReadingError
from ...moments.basis import ComplexArray, FloatArray
from .deembedding import Reflections, carried

DEFAULT_REFERENCE = 50.0
DEFAULT_MAGNITUDE_SD = 0.01
DEFAULT_PHASE_SD_DEG = 0.5
"""Of calibrated analysers held in a hand (common practice)."""

AT_FEED_POINT = "feed point"
TYPED_IN = "typed in"
ROWS_SHOWN = 20


@dataclass(frozen=True, repr=False, eq=False)
class Readings:
    """What an analyser read, at the feed point.

    Parameters
    ----------
    frequencies : ndarray of float, shape (K,)
        Rising. [Hz]
    reflection : ndarray of complex, shape (K,)
        Against the reference; NaN + NaN j where only SWR was read.
    magnitude : ndarray of float, shape (K,)
        Size of the reflection, known at all points. It may lie above 1 by noise.
    reference : float
        [ohm]
    magnitude_sd : float or ndarray of float, shape (K,)
        Standard deviation of the size of the reflection, not relative to it.
    phase_sd_deg : float or ndarray of float, shape (K,)
        Standard deviation of its phase; NaN where no phase is known. [degrees]
    source : str
        File name, or "typed in".
    taken_at : str
        "feed point", or the end of a line whose effect has been taken away.
    notes : tuple of str
        What was done to the readings and what is doubtful about them.

    Raises
    ------
    ReadingError
        If shapes differ, frequencies do not rise, or a value cannot be.

    Notes
    -----
    Noise is what an analyser adds, 0.01 in size and 0.5 degrees unless told, as is common practice
    for calibrated hand-held ones. What a line before the feed point did to it is in it.

    Examples
    --------
    >>> read = Readings.of([7.05e6, 7.1e6], [23 - 41j, 26 - 20j])
    >>> print(read)
    2 readings from 7.05 to 7.1 MHz at the feed point, typed in
    >>> read.swr.round(2)
    array([3.83, 2.32])
    """

    frequencies: FloatArray
    reflection: ComplexArray
    magnitude: FloatArray
    reference: float = field(default=DEFAULT_REFERENCE, kw_only=True)
    magnitude_sd: FloatArray = field(default=DEFAULT_MAGNITUDE_SD, kw_only=True)  # type: ignore[assignment]
    phase_sd_deg: FloatArray = field(default=DEFAULT_PHASE_SD_DEG, kw_only=True)  # type: ignore[assignment]
    source: str = field(default=TYPED_IN, kw_only=True)
    taken_at: str = field(default=AT_FEED_POINT, kw_only=True)
    notes: tuple[str, ...] = field(default=(), kw_only=True)

    def __post_init__(self) -> None:
        arrays = {
            "frequencies": np.array(self.frequencies, dtype=np.float64),
            "reflection": np.array(self.reflection, dtype=np.complex128),
            "magnitude": np.array(self.magnitude, dtype=np.float64),
        }
        shape = arrays["frequencies"].shape
        for name in ("magnitude_sd", "phase_sd_deg"):
            told = np.array(getattr(self, name), dtype=np.float64)
            arrays[name] = np.full(shape, told) if told.ndim == 0 else told
        for name, values in arrays.items():
            if values.ndim != 1 or values.shape != shape or values.size == 0:
                raise ReadingError(
                    f"{self.source}: {name} has the shape {values.shape} beside frequencies of "
                    f"{shape}; all are lists of equal length, with at least one point."
                )
        f = arrays["frequencies"]
        if not (np.all(np.isfinite(f)) and np.all(f > 0.0) and np.all(np.diff(f) > 0.0)):
            raise ReadingError(
                f"{self.source}: frequencies must be finite, above 0 and rise, each once. Let "
                "read_readings put them in order."
            )
        reference = require_reference(self.reference)
        has_phase = np.isfinite(arrays["reflection"])
        size = np.where(has_phase, np.abs(arrays["reflection"]), arrays["magnitude"])
        if not np.allclose(size, arrays["magnitude"], rtol=1e-9, atol=1e-12):
            raise ReadingError(
                f"{self.source}: magnitude is not the size of the reflection; they must agree, "
                "and the magnitude be finite. Use Readings.of."
            )
        arrays["phase_sd_deg"][~has_phase] = np.nan
        for name, known in (
            ("magnitude_sd", np.ones(shape, dtype=bool)),
            ("phase_sd_deg", has_phase),
        ):
            values = arrays[name][known]
            if not (np.all(np.isfinite(values)) and np.all(values > 0.0)):
                raise ReadingError(
                    f"{self.source}: {name} must be finite and above 0; no analyser is exact. "
                    f"Leave it out for the usual {DEFAULT_MAGNITUDE_SD:g} and "
                    f"{DEFAULT_PHASE_SD_DEG:g} degrees."
                )
        for name, values in arrays.items():
            values.flags.writeable = False
            object.__setattr__(self, name, values)
        object.__setattr__(self, "reference", reference)

    @classmethod
    def of(
        cls,
        frequencies: ArrayLike,
        impedance: ArrayLike,
        *,
        reference: float = DEFAULT_REFERENCE,
        magnitude_sd: ArrayLike = DEFAULT_MAGNITUDE_SD,
        phase_sd_deg: ArrayLike = DEFAULT_PHASE_SD_DEG,
        source: str = TYPED_IN,
    ) -> Readings:
        """Return readings of impedances at the feed point.

        Parameters
        ----------
        frequencies : array_like of float, shape (K,)
            Rising. [Hz]
        impedance : array_like of complex, shape (K,)
            [ohm]

        Raises
        ------
        ReadingError
            If a value cannot be.
        """
        z0 = require_reference(reference)
        f, z = np.atleast_1d(frequencies), np.atleast_1d(np.asarray(impedance, dtype=np.complex128))
        bad = ~np.isfinite(z) | (np.abs(z + z0) == 0.0)
        if np.any(bad):
            raise ReadingError(
                f"{source}: an impedance is {z[bad][0]:g} ohm; it must be finite, with a "
                "resistance of at least 0. Leave the point out."
            )
        g = (z - z0) / (z + z0)
        return cls(
            np.asarray(f, dtype=np.float64),
            g,
            np.abs(g),
            reference=z0,
            magnitude_sd=np.asarray(magnitude_sd),
            phase_sd_deg=np.asarray(phase_sd_deg),
            source=source,
        )

    @property
    def has_phase(self) -> NDArray[np.bool_]:
        """Whether more than SWR was read, shape (K,)."""
        return np.isfinite(self.reflection)

    @property
    def impedance(self) -> ComplexArray:
        """NaN where only SWR was read, shape (K,). [ohm]"""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.reference * (1.0 + self.reflection) / (1.0 - self.reflection))

    @property
    def swr(self) -> FloatArray:
        """Against the reference, shape (K,); infinite where all or more is reflected."""
        with np.errstate(divide="ignore"):
            return np.asarray((1.0 + self.magnitude) / np.maximum(1.0 - self.magnitude, 0.0))

    def within(self, low: float, high: float) -> Readings:
        """Those from a frequency to another. [Hz]

        Raises
        ------
        ReadingError
            If there are none.
        """
        keep = (self.frequencies >= low) & (self.frequencies <= high)
        if not np.any(keep):
            raise ReadingError(
                f"{self.source}: no reading lies from {low / 1e6:g} to {high / 1e6:g} MHz; they "
                f"run from {self.frequencies[0] / 1e6:g} to {self.frequencies[-1] / 1e6:g} MHz. "
                "Give other edges, in hertz, the lower first."
            )
        return replace(self, **{name: getattr(self, name)[keep] for name in _ARRAYS})

    def joined(self, other: Readings) -> Readings:
        """These and others together; a frequency that both have is taken once if they agree.

        Raises
        ------
        ReadingError
            If references differ, or readings of one frequency.
        """
        if other.reference != self.reference:
            raise ReadingError(
                f"{self.source} refers to {self.reference:g} ohm, {other.source} to "
                f"{other.reference:g} ohm; both must be the same. Use "
                f".renormalised({self.reference:g}) on the second."
            )
        both, mine, theirs = np.intersect1d(
            self.frequencies, other.frequencies, assume_unique=True, return_indices=True
        )
        for f, k, n in zip(both, mine, theirs, strict=True):
            same = (
                np.array_equal([self.reflection[k]], [other.reflection[n]], equal_nan=True)
                and self.magnitude[k] == other.magnitude[n]
            )
            if not same:
                raise ReadingError(
                    f"{f / 1e6:g} MHz stands in {self.source} and in {other.source}, and they "
                    "differ. One frequency has one reading: leave the older one out."
                )
        extra = np.setdiff1d(np.arange(other.frequencies.size), theirs)
        merged = {
            name: np.concatenate([getattr(self, name), getattr(other, name)[extra]])
            for name in _ARRAYS
        }
        order = np.argsort(merged["frequencies"])
        return Readings(
            **{name: values[order] for name, values in merged.items()},
            reference=self.reference,
            source=_both(self.source, other.source),
            taken_at=_both(self.taken_at, other.taken_at),
            notes=tuple(dict.fromkeys((*self.notes, *other.notes))),
        )

    def renormalised(self, reference: float) -> Readings:
        """The same against another reference. [ohm]

        Raises
        ------
        ReadingError
            If only SWR was read at some points.
        """
        to = require_reference(reference)
        if to == self.reference:
            return self
        found = carried(
            self.reflections,
            self.frequencies,
            from_reference=self.reference,
            to_reference=to,
            source=self.source,
        )
        return replace(
            self,
            reflection=found.values,
            magnitude=found.magnitude,
            magnitude_sd=found.magnitude_sd,
            phase_sd_deg=found.phase_sd_deg,
            reference=to,
        )

    @property
    def reflections(self) -> Reflections:
        """The reflections with their noise alone."""
        return Reflections(self.reflection, self.magnitude, self.magnitude_sd, self.phase_sd_deg)

    def to_dataframe(self) -> Any:
        """A pandas DataFrame with one row a point; frequencies in Hz.

        Raises
        ------
        ImportError
            If pandas is missing.
        """
        z, g = self.impedance, self.reflection
        return data_frame(
            {
                "frequency_hz": self.frequencies,
                "resistance": z.real,
                "reactance": z.imag,
                "swr": self.swr,
                "reflection_real": g.real,
                "reflection_imag": g.imag,
                "magnitude": self.magnitude,
                "magnitude_sd": self.magnitude_sd,
                "phase_sd_deg": self.phase_sd_deg,
            }
        )

    def __str__(self) -> str:
        n, f = self.frequencies.size, self.frequencies / 1e6
        span = f"at {f[0]:g} MHz" if n == 1 else f"from {f[0]:g} to {f[-1]:g} MHz"
        where = "at the feed point"
        if self.taken_at != AT_FEED_POINT:
            where += f" (taken at {self.taken_at})"
        alone = int(np.count_nonzero(~self.has_phase))
        only = f", {alone} of SWR alone" if alone else ""
        return f"{n} reading{'s' * (n > 1)} {span} {where}, {self.source}{only}"

    def __repr__(self) -> str:
        return f"<Readings: {self}>"

    def _repr_html_(self) -> str:
        heads = ("MHz", "R [ohm]", "X [ohm]", f"SWR ({self.reference:g} ohm)")
        z, known = self.impedance, self.has_phase
        body = ""
        for k, f in enumerate(self.frequencies[:ROWS_SHOWN]):
            parts = (f"{z[k].real:.1f}", f"{z[k].imag:+.1f}") if known[k] else ("not read",) * 2
            cells = (
                f"{f / 1e6:.4g}" if f % 1e3 else f"{f / 1e6:.3f}",
                *parts,
                f"{self.swr[k]:.2f}",
            )
            body += "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
        top = "".join(f"<th>{head}</th>" for head in heads)
        rest = self.frequencies.size - ROWS_SHOWN
        tail = f"<p>and {rest} more</p>" if rest > 0 else ""
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.notes)
        return (
            f"<table><caption>{html.escape(str(self))}</caption><tr>{top}</tr>{body}</table>"
            f"{tail}<ul>{notes}</ul>"
        )


_ARRAYS = ("frequencies", "reflection", "magnitude", "magnitude_sd", "phase_sd_deg")


def require_reference(value: object) -> float:
    """A reference impedance as float, finite and above 0. [ohm]

    Raises
    ------
    ReadingError
        If it is not.
    """
    is_number = isinstance(value, int | float | np.integer | np.floating)
    if not is_number or isinstance(value, bool) or not (np.isfinite(value) and value > 0.0):
        raise ReadingError(
            f"the reference is {value!r}; it must be ohms above 0. Give what the analyser refers "
            "to, mostly 50."
        )
    return float(value)


def _both(one: str, other: str) -> str:
    return one if one == other else f"{one} and {other}"
