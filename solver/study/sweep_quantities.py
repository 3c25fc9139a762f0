"""What can be asked of a sweep by name: figures boiled down to one number a layout and band."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from ...geometry.errors import GeometryError
from ...geometry.lengths import Length
from ..answer_records import swr_of
from ..bands import read_band
from ..errors import BandError, SweepError
from ..moments.basis import ComplexArray, FloatArray
from .sweep_records import Figure, Parameter, SweepPlan

Nature = Literal["high", "low", ""]
Style = Literal["number", "part", "swr", "decibels", "yes", "parameter"]

REDUCTIONS = ("worst", "best", "mean", "greatest", "least")
"""Words before a quantity that make one number of its bands."""


@dataclass(frozen=True)
class Quantity:
    """A number that every layout has on every band, or a parameter of the layout.

    Attributes
    ----------
    name : str
    unit : str
        "" for plain numbers and parts of 1.
    about : str
        A sentence.
    nature : "high", "low" or ""
        Which is better; "" where that depends on what one wants.
    style : str
        How it is written: a part of 1 as per cent, and so on.
    """

    name: str
    unit: str = ""
    about: str = ""
    nature: Nature = ""
    style: Style = "number"


@dataclass(frozen=True)
class BandQuantity:
    """A quantity and how it follows from figures that a sweep keeps.

    Attributes
    ----------
    quantity : Quantity
    figures : tuple of str
        What has to be read.
    compute : callable
        From those figures, each (n, B, ...) and by name, to (n, B) float.
    """

    quantity: Quantity
    figures: tuple[str, ...]
    compute: Callable[[Mapping[str, NDArray[Any]]], FloatArray]


@dataclass(frozen=True)
class Asked:
    """What a name means.

    Attributes
    ----------
    quantity : Quantity
    reduction : str
        One of `REDUCTIONS`, or "" where the bands are left apart.
    band : str
        The only band that is meant, "" for all.
    is_parameter : bool
    """

    quantity: Quantity
    reduction: str = ""
    band: str = ""
    is_parameter: bool = False

    @property
    def name(self) -> str:
        """In full: "worst swr", "swr on 40 m"."""
        before = f"{self.reduction} " if self.reduction else ""
        return f"{before}{self.quantity.name}{f' on {self.band}' if self.band else ''}"

    @property
    def is_by_band(self) -> bool:
        """Whether there is a number for every band."""
        return not (self.is_parameter or self.reduction or self.band)

    def over_bands(self, values: FloatArray) -> FloatArray:
        """One number a layout, shape (L,), of one a band, (L, B); NaN where one band has none."""
        way = self.reduction
        if way in ("worst", "best"):
            low_is_better = self.quantity.nature == "low"
            way = "greatest" if low_is_better == (way == "worst") else "least"
        reduce: Callable[..., Any] = {"greatest": np.max, "least": np.min}.get(way, np.mean)
        return np.asarray(reduce(values, axis=1), dtype=np.float64)


_TERMS = {
    "radiated": "Part of the input that leaves for the sky.",
    "earth": "Part of the input that the earth absorbs.",
    "conductors": "Part of the input that heats wire and metal.",
    "jackets": "Part of the input that heats jackets.",
    "timbers": "Part of the input that heats timber and boards.",
    "loads": "Part of the input that heats loads.",
}
_ANGLES = ("low", "middle", "high")
_CENTRE = ", at the band's centre"


def band_quantities(plan: SweepPlan) -> dict[str, BandQuantity]:
    """All quantities of a sweep by name, kept or not: what each needs says its `figures`."""
    found = {
        one.quantity.name: one
        for one in (
            *_of_impedance(plan), *_of_budget(plan), *_of_shares(plan), *_of_gain(plan),
            *_of_tuner(), *_of_checks(),
        )
    }  # fmt: skip
    return found


def _of_impedance(plan: SweepPlan) -> Iterable[BandQuantity]:
    middle = np.array(
        [
            int(np.argmin(np.abs(points - band.centre)))
            for points, band in zip(plan.frequencies, plan.bands, strict=True)
        ],
        dtype=np.int64,
    )
    rows = np.arange(middle.size)

    def at_centre(impedance: ComplexArray) -> ComplexArray:
        return impedance[:, rows, middle]

    def swr(impedance: ComplexArray) -> FloatArray:
        found = swr_of(impedance, setting(plan, "reference", "ohm"))
        return np.where(found < 1.0, np.inf, found)  # all is reflected; NaN stays

    def volts(impedance: ComplexArray) -> FloatArray:
        resistance = np.where(impedance.real > 0.0, impedance.real, np.nan)
        return np.abs(impedance) * np.sqrt(setting(plan, "power", "W") / resistance)

    def made(
        name: str, unit: str, about: str, how: Callable[[ComplexArray], Any], nature: Nature = "",
        style: Style = "number",
    ) -> BandQuantity:  # fmt: skip
        return BandQuantity(
            Quantity(name, unit, about, nature, style),
            ("impedance",),
            lambda figures: np.asarray(how(figures["impedance"]), dtype=np.float64),
        )

    return (
        made("swr", "", "Greatest standing wave ratio over the band's points.",
             lambda z: swr(z).max(axis=2), "low", "swr"),
        made("lowest swr", "", "Least standing wave ratio over the band's points.",
             lambda z: swr(z).min(axis=2), "low", "swr"),
        made("|z|", "ohm", f"Size of the impedance{_CENTRE}.", lambda z: np.abs(at_centre(z))),
        made("resistance", "ohm", f"At the feed point{_CENTRE}.", lambda z: at_centre(z).real),
        made("reactance", "ohm", f"At the feed point{_CENTRE}.", lambda z: at_centre(z).imag),
        made("feed voltage", "V", "Greatest RMS voltage at the feed point over the band's points, "
             "at the stated power.", lambda z: volts(z).max(axis=2), "low"),
    )  # fmt: skip


def _of_budget(plan: SweepPlan) -> Iterable[BandQuantity]:
    places = _places(plan.figure("budget"), tuple(_TERMS))

    def made(name: str, term: str, about: str) -> BandQuantity:
        return BandQuantity(
            Quantity(name, "", about, "high" if term == "radiated" else "low", "part"),
            ("budget",),
            lambda figures: figures["budget"][:, :, places[term]],
        )

    yield made("efficiency", "radiated", f"Radiated over input power{_CENTRE}.")
    for term in places:
        about = _TERMS.get(term, "Part of the input.")
        yield made(term, term, f"{about[:-1]}{_CENTRE}.")


def _of_shares(plan: SweepPlan) -> Iterable[BandQuantity]:
    radiated = _places(plan.figure("budget"), tuple(_TERMS)).get("radiated", 0)

    def made(k: int, angle: str) -> Iterable[BandQuantity]:
        nature: Nature = "high" if angle == "low" else ""
        yield BandQuantity(
            Quantity(
                f"{angle}-angle share",
                about=f"Part of the radiated power at {angle} angles{_CENTRE}.",
                nature=nature, style="part",
            ),
            ("shares",),
            lambda figures: figures["shares"][:, :, k],
        )  # fmt: skip
        yield BandQuantity(
            Quantity(
                f"{angle}-angle efficiency",
                about=f"Part of the input that leaves at {angle} angles{_CENTRE}.",
                nature=nature or "high", style="part",
            ),
            ("shares", "budget"),
            lambda figures: figures["shares"][:, :, k] * figures["budget"][:, :, radiated],
        )  # fmt: skip

    for k, angle in enumerate(_ANGLES):
        yield from made(k, angle)


def _of_gain(plan: SweepPlan) -> Iterable[BandQuantity]:
    yield BandQuantity(
        Quantity("gain", "dBi", f"Mean gain over the kept directions{_CENTRE}.", "high",
                 "decibels"),
        ("gain",),
        lambda figures: figures["gain"].mean(axis=2),
    )  # fmt: skip

    def made(k: int, label: str) -> BandQuantity:
        return BandQuantity(
            Quantity(f"gain at {label}", "dBi", f"Gain in that direction{_CENTRE}.", "high",
                     "decibels"),
            ("gain",),
            lambda figures: figures["gain"][:, :, k],
        )  # fmt: skip

    for label, k in _places(plan.figure("gain"), ()).items():
        yield made(k, label)


def _of_tuner() -> Iterable[BandQuantity]:
    rows: tuple[tuple[str, str, Nature, Style], ...] = (
        ("tuner matched", "1 where the tuner matches the band, 0 where not.", "high", "yes"),
        ("tuner loss", "Part of the power that the tuner loses.", "low", "part"),
        ("system efficiency", "Watts radiated per watt of the radio.", "high", "part"),
    )

    def made(k: int, name: str, about: str, nature: Nature, style: Style) -> BandQuantity:
        return BandQuantity(
            Quantity(name, "", about, nature, style),
            ("tuner",),
            lambda figures: figures["tuner"][:, :, k],
        )

    return [made(k, *row) for k, row in enumerate(rows)]


def _of_checks() -> Iterable[BandQuantity]:
    rows: tuple[tuple[str, str, int, str, str, Nature], ...] = (
        ("narrow resonances", "resonances", 0, "",
         "Natural frequencies in the band that are narrower than its points are apart.", "low"),
        ("narrowest resonance", "resonances", 1, "Hz", "Width of the narrowest of them.", ""),
        ("check difference", "check", 0, "",
         "How far one layout of a batch, solved in full, differed; no figure for the others.",
         "low"),
    )  # fmt: skip

    def made(name: str, figure: str, k: int, unit: str, about: str, nature: Nature) -> BandQuantity:
        return BandQuantity(
            Quantity(name, unit, about, nature),
            (figure,),
            lambda figures: figures[figure].reshape(*figures[figure].shape[:2], -1)[:, :, k],
        )

    return [made(*row) for row in rows]


def _places(figure: Figure | None, otherwise: tuple[str, ...]) -> dict[str, int]:
    """Where along its last axis a figure has what."""
    labels = figure.axes[-1].values if figure is not None and figure.axes else otherwise
    return {axis_label(label): k for k, label in enumerate(labels)}


def file_units(plan: SweepPlan) -> tuple[str, ...]:
    """The units in which the attic file tells what is varied, in order of the parameters.

    Lengths may differ from `Parameter.unit`, "ft in" where the file says "12 ft 6 in", and parts
    of one are "%" where it says "14 %", or where it says nothing and it is wood's moisture.
    """
    try:
        document = tomllib.loads(plan.text)
    except tomllib.TOMLDecodeError:
        document = {}
    told_units = {"m": _told_length, "": _told_part}
    return tuple(
        told_units[one.unit](document, one) if one.unit in told_units else one.unit
        for one in plan.design.parameters
    )


def _told_length(document: Mapping[str, Any], parameter: Parameter) -> str:
    told: list[Any] = [c for c in parameter.choices if isinstance(c, Length)]
    for value in (*told, _told(document, parameter)):
        try:
            return Length(value).unit
        except GeometryError:
            continue
    return parameter.unit


def _told_part(document: Mapping[str, Any], parameter: Parameter) -> str:
    if is_choice(parameter):
        return ""
    sweep = document.get("sweep")
    varied = sweep.get("vary") if isinstance(sweep, Mapping) else None
    told = varied.get(parameter.name) if isinstance(varied, Mapping) else None
    told = _told(document, parameter) if told is None else told
    if told is None:
        return "%" if parameter.name.endswith(".moisture") else ""
    texts = told if isinstance(told, list) else [told]
    return "%" if any(isinstance(text, str) and "%" in text for text in texts) else ""


def _told(document: Mapping[str, Any], parameter: Parameter) -> Any:
    """What the file says where a parameter is."""
    node: Any = document
    for key in parameter.name.split("."):
        if isinstance(node, list):
            named = (one for one in node if isinstance(one, Mapping) and one.get("name") == key)
            node = next(named, None)
        else:
            node = node.get(key) if isinstance(node, Mapping) else None
    return node


def is_choice(parameter: Parameter) -> bool:
    """Whether a column holds indices into `choices`."""
    return bool(parameter.choices) and not parameter.is_number


def axis_label(value: Any) -> str:
    """A coordinate in words: a text as it is, pairs with a comma."""
    if isinstance(value, str):
        return value
    if isinstance(value, Iterable):
        return ", ".join(axis_label(one) for one in value)
    return f"{value:g}"


def setting(plan: SweepPlan, name: str, unit: str) -> float:
    """A number that the sweep was run with.

    Raises
    ------
    SweepError
        If the store does not say.
    """
    value = plan.settings.get(name)
    if value is None:
        raise SweepError(
            f"The sweep of {plan.name!r} does not say its {name} [{unit}]; its settings are: "
            f"{', '.join(sorted(plan.settings)) or 'none'}."
        )
    return float(value)


class Vocabulary:
    """Names that can be asked for in a sweep, and what they mean.

    Parameters
    ----------
    plan : SweepPlan
    """

    def __init__(self, plan: SweepPlan) -> None:
        self.plan = plan
        self.every = band_quantities(plan)
        held = {figure.name for figure in plan.figures}
        self.kept = {name: q for name, q in self.every.items() if held.issuperset(q.figures)}
        self.parameters = {
            p.name: Quantity(p.name, p.unit, "Varied in the sweep.", "", "parameter")
            for p in plan.design.parameters
        }

    def __contains__(self, name: str) -> bool:
        """Whether a quantity of that name is kept."""
        return name in self.kept

    def parameter(self, name: str) -> int:
        """Which parameter is meant: by its full name, or by a part of it that no other has.

        Raises
        ------
        SweepError
            If there is none, or more than one.
        """
        names = list(self.parameters)
        wanted = name.strip().casefold()
        exact = [k for k, one in enumerate(names) if one.casefold() == wanted]
        parts = [
            k
            for k, one in enumerate(names)
            if f".{wanted}." in f".{one.casefold()}." or wanted == words_of(one).casefold()
        ]
        found = exact or parts
        if len(found) == 1:
            return found[0]
        if found:
            raise SweepError(
                f"{name!r} may be any of {', '.join(names[k] for k in found)}; give the full name."
            )
        raise SweepError(
            f"{name!r} is not varied in this sweep{_nearest(wanted, names)} Varied are: "
            f"{', '.join(names) or 'nothing'}."
        )

    def band(self, name: str) -> int:
        """Place of a band.

        Raises
        ------
        SweepError
            If the sweep has no band of that name.
        """
        names = [band.name for band in self.plan.bands]
        wanted = "".join(name.split()).casefold()
        for k, one in enumerate(names):
            if "".join(one.split()).casefold() == wanted:
                return k
        with suppress(BandError):  # "14.0-14.35 MHz" is "14-14.35 MHz"
            asked = read_band(name)
            for k, one in enumerate(self.plan.bands):
                if (one.low, one.high) == (asked.low, asked.high):
                    return k
        raise SweepError(f"There is no band {name!r} in this sweep; it has {', '.join(names)}.")

    def ask(self, name: str) -> Asked:
        """What a name means: "swr", "worst swr", "swr on 40 m", "element.long.length".

        Raises
        ------
        SweepError
            If it means nothing, or its figure was not kept.
        """
        if not isinstance(name, str):
            raise SweepError(f"A quantity is asked for by its name, got {name!r}.")
        said = " ".join(name.split())
        wanted, band = said.casefold(), ""
        if wanted in self._folded(self.parameters):
            return Asked(self._folded(self.parameters)[wanted], is_parameter=True)
        before, _, after = wanted.rpartition(" on ")
        if before:
            band, wanted = self.plan.bands[self.band(after)].name, before
        every = {key: one.quantity for key, one in self.every.items()}
        reduction, base = "", self._folded(every).get(wanted)
        if base is None:
            first, _, rest = wanted.partition(" ")
            if first in REDUCTIONS and rest in self._folded(every):
                reduction, base = first, self._folded(every)[rest]
        if base is None:
            try:
                quantity = list(self.parameters.values())[self.parameter(wanted)]
            except SweepError:
                raise self._unknown(said) from None
            return Asked(quantity, is_parameter=True)
        missing = set(self.every[base.name].figures) - {f.name for f in self.plan.figures}
        if missing:
            raise SweepError(
                f"{base.name!r} was not kept in this sweep: it needs the figure "
                f"{', '.join(map(repr, sorted(missing)))}. Run it again with that among its "
                "figures."
            )
        if reduction in ("worst", "best") and not base.nature:
            raise SweepError(
                f"Whether a high or a low {base.name} is {reduction} is up to you: ask for "
                f"'greatest {base.name}' or 'least {base.name}'."
            )
        return Asked(base, reduction, band)

    @staticmethod
    def _folded(names: Mapping[str, Quantity]) -> dict[str, Quantity]:
        return {name.casefold(): one for name, one in names.items()}

    def _unknown(self, name: str) -> SweepError:
        known = [*self.kept, *(f"worst {k}" for k, q in self.kept.items() if q.quantity.nature)]
        known += list(self.parameters)
        return SweepError(
            f"Nothing is called {name!r} in this sweep{_nearest(name.casefold(), known)} There "
            f"are: {', '.join([*self.kept, *self.parameters])}; before those that have a number "
            f"on each band may stand {', '.join(REDUCTIONS)}, and behind them 'on' and a band."
        )


def _nearest(name: str, known: Iterable[str]) -> str:
    folded = {one.casefold(): one for one in known}
    near = difflib.get_close_matches(name, folded, n=1, cutoff=0.5)
    return f"; is {folded[near[0]]!r} meant?" if near else "."


def words_of(name: str) -> str:
    """A parameter as people call it: "long length" of "element.long.length"."""
    parts = name.split(".")
    return " ".join(parts[1:] if parts[0] in ("element", "load") and len(parts) > 2 else parts)
