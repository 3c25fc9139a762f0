"""What came of a sweep: read as it is needed, ranked, filtered, cut through."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import SweepError
from ..moments.basis import FloatArray
from .sweep_conditions import Column, Mask, parse_condition
from .sweep_fronts import pareto_front
from .sweep_quantities import Asked, Nature, axis_label, is_choice
from .sweep_ranking import Ranking, rank_layouts
from .sweep_reading import QuantityReader, SweepFigures
from .sweep_records import DONE, FAILED, STATES, UNFIT, WAITING, Parameter, SweepPlan

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ...geometry.plan import AtticPlan
    from .sweep_cuts import LengthMap, Spread, TrimTable
    from .sweep_layouts import LayoutPlans

Best = Literal["high", "low"]


class SweepResult:
    """A sweep's layouts and what was found of them.

    Nothing is read before it is asked for, and no figure is held whole. Arrays over layouts always
    have one entry for each layout of the sweep, in its order, whatever `filter` has left of them.

    Parameters
    ----------
    store : SweepFigures
        Where the figures lie.
    holding : object, optional
        What must live as long as the figures are wanted, such as a temporary folder.

    Notes
    -----
    It is what the store held when it was first looked at; of a sweep that goes on, open it anew.
    """

    def __init__(self, store: SweepFigures, *, holding: object = None) -> None:
        self._quantities = QuantityReader(store)
        self._holding = holding
        self._passed: Mask | None = None
        self._where: tuple[str, ...] = ()

    @property
    def store(self) -> SweepFigures:
        """Where the figures lie."""
        return self._quantities.store

    @property
    def plan(self) -> SweepPlan:
        """What the sweep was to do: design, bands, figures, settings."""
        return self._quantities.plan

    @property
    def name(self) -> str:
        """Of the attic file, without its folder and ending."""
        return PurePath(self.plan.name).stem

    def __len__(self) -> int:
        return len(self.plan.design)

    @cached_property
    def states(self) -> NDArray[np.int8]:
        """`WAITING`, `DONE`, `UNFIT` or `FAILED`, (L,)."""
        return np.asarray(self.store.states)

    @property
    def reasons(self) -> Mapping[int, str]:
        """Why a layout is unfit or failed, by its number."""
        return self.store.reasons

    @property
    def done(self) -> Mask:
        """Which layouts are computed, (L,)."""
        return self.states == DONE

    @property
    def passed(self) -> Mask:
        """Which layouts the filters have left, computed or not, (L,)."""
        return np.ones(len(self), dtype=np.bool_) if self._passed is None else self._passed

    @property
    def where(self) -> tuple[str, ...]:
        """The filters, in words."""
        return self._where

    @property
    def layouts(self) -> NDArray[np.int64]:
        """Numbers of the layouts that are computed and that the filters have left."""
        return np.flatnonzero(self.done & self.passed)

    @property
    def counts(self) -> dict[str, int]:
        """How many layouts are waiting, done, unfit, failed."""
        return {
            name: int(np.count_nonzero(self.states == state))
            for state, name in zip((WAITING, DONE, UNFIT, FAILED), STATES, strict=True)
        }

    @property
    def parameters(self) -> dict[str, NDArray[Any]]:
        """Values by the parameter's name, (L,) each: numbers in SI units, else as in the file."""
        found: dict[str, NDArray[Any]] = {}
        for parameter, column in self._columns():
            if is_choice(parameter):
                choices = np.empty(len(parameter.choices), dtype=object)
                choices[:] = parameter.choices
                found[parameter.name] = choices[column.astype(np.int64)]
            else:
                found[parameter.name] = np.asarray(column, dtype=np.float64)
        return found

    @property
    def quantity_names(self) -> tuple[str, ...]:
        """What `quantity` knows here; "worst" and the like may stand before, "on 40 m" behind."""
        words = self._quantities.words
        return (*words.kept, *words.parameters)

    @property
    def band_quantity_names(self) -> tuple[str, ...]:
        """Those that have a number on each band."""
        return tuple(self._quantities.words.kept)

    def by_band(self, names: Sequence[str]) -> dict[str, FloatArray]:
        """Some of `band_quantity_names`, (L, B) each, with each figure read once."""
        return self._quantities.by_band(names)

    def has(self, name: str) -> bool:
        """Whether the figures behind a quantity were kept."""
        return name in self._quantities.words

    def ask(self, name: str) -> Asked:
        """What a name means, with its unit and a sentence.

        Raises
        ------
        SweepError
            If nothing is called that, or its figure was not kept.
        """
        return self._quantities.words.ask(name)

    def parameter(self, name: str) -> Parameter:
        """A parameter by its name or by a part of it that no other has ("long").

        Raises
        ------
        SweepError
            If there is none, or more than one.
        """
        return self.plan.design.parameters[self._quantities.words.parameter(name)]

    # ---- numbers -------------------------------------------------------------------------

    def quantity(self, name: str, band: str | None = None) -> FloatArray:
        """A quantity by its name.

        Parameters
        ----------
        name : str
            One of `quantity_names`, with "worst", "best", "mean", "greatest" or "least" before it
            for one number of all bands, or "on 40 m" behind it for one band.
        band : str, optional
            The same as "on" that band.

        Returns
        -------
        ndarray, shape (L,), or (L, B) where a number for each band is asked for
            NaN where it is not known. In SI units; see `ask` for the unit.

        Raises
        ------
        SweepError
            If nothing is called that, its figure was not kept, or it is no number.
        """
        asked = self.ask(name)
        if band is not None:
            if asked.is_parameter:
                raise SweepError(
                    f"{asked.name!r} is the same on all bands; leave out band={band!r}."
                )
            asked = self.ask(f"{asked.quantity.name} on {band}")
        if asked.is_by_band:
            return self._quantities.by_band([asked.quantity.name])[asked.quantity.name]
        return self.one_a_layout([asked])[0]

    def told(self, name: str) -> Asked:
        """What a name means as one number a layout.

        Of bands left apart the worst counts, or the mean where neither side is worse.

        Raises
        ------
        SweepError
            If a name means nothing here.
        """
        asked = self.ask(name)
        if not asked.is_by_band:
            return asked
        return self.ask(f"{'worst' if asked.quantity.nature else 'mean'} {asked.quantity.name}")

    def numbers(self, name: str, *, bands: Sequence[str] | None = None) -> tuple[Asked, FloatArray]:
        """A quantity as one number a layout, (L,), and what it then is.

        Of one that has a number on each band the worst counts, or the mean where neither side is
        worse.

        Raises
        ------
        SweepError
            If a name means nothing here.
        """
        asked = self.told(name)
        return asked, self.one_a_layout([asked], bands)[0]

    def band_places(self, bands: Sequence[str] | None) -> list[int]:
        """Places of the bands that count, rising; None is all.

        Raises
        ------
        SweepError
            If the sweep has no such band, or none is named.
        """
        if bands is None:
            return list(range(len(self.plan.bands)))
        places = [self._quantities.words.band(one) for one in _listed(bands)]
        if not places:
            raise SweepError("bands is empty; name at least one, or leave it out for all.")
        return sorted(set(places))

    def one_a_layout(
        self, asked: Sequence[Asked], bands: Sequence[str] | None = None
    ) -> list[FloatArray]:
        """One number a layout for each of what was asked, (L,); see `told`."""
        names = [one.quantity.name for one in asked if not one.is_parameter]
        by_band = self._quantities.by_band(names) if names else {}
        places = self.band_places(bands)
        found: list[FloatArray] = []
        for one in asked:
            if one.is_parameter:
                found.append(self._number_column(one.quantity.name))
            elif one.band:
                place = self._quantities.words.band(one.band)
                found.append(by_band[one.quantity.name][:, place])
            else:
                found.append(one.over_bands(by_band[one.quantity.name][:, places]))
        return found

    def _columns(self) -> Iterator[tuple[Parameter, NDArray[Any]]]:
        design = self.plan.design
        return zip(design.parameters, design.columns, strict=True)

    def _number_column(self, name: str) -> FloatArray:
        place = self._quantities.words.parameter(name)
        if is_choice(self.plan.design.parameters[place]):
            raise SweepError(
                f"{name!r} takes texts or routes, not numbers: filter by it with == and one of "
                "them in quotes."
            )
        return np.asarray(self.plan.design.columns[place], dtype=np.float64)

    # ---- choosing ------------------------------------------------------------------------

    def filter(self, condition: str | Mask, *, bands: Sequence[str] | None = None) -> SweepResult:
        """The same sweep with fewer layouts to choose from.

        Parameters
        ----------
        condition : str or ndarray of bool, shape (L,)
            "worst swr < 3 and efficiency on 40 m > 20 %": comparisons of quantities, parameters,
            numbers with or without units and their sums; see
            `sweep_conditions.parse_condition`. A quantity that has a number on each band must
            meet it on every band. Layouts that are not done meet no condition in words.
        bands : sequence of str, optional
            The bands that count in words.

        Raises
        ------
        SweepError
            If it cannot be read, or a name in it means nothing here.
        """
        found = SweepResult(self.store, holding=self._holding)
        found._quantities = self._quantities
        found._passed = self.passed & self._mask(condition, bands)
        told = condition if isinstance(condition, str) else "a choice of one's own"
        found._where = (*self._where, told)
        return found

    def _mask(self, condition: str | Mask, bands: Sequence[str] | None) -> Mask:
        if not isinstance(condition, str):
            mask = np.asarray(condition)
            if mask.dtype != np.bool_ or mask.shape != (len(self),):
                raise SweepError(
                    f"A mask has one truth for each of the {len(self)} layouts; this one has "
                    f"shape {mask.shape} of {mask.dtype}."
                )
            return mask
        parsed = parse_condition(condition)
        places = self.band_places(bands)

        def column(name: str) -> Column:
            asked = self.ask(name)
            unit = "1" if asked.quantity.style == "part" else asked.quantity.unit
            if asked.is_by_band:
                values = self._quantities.by_band([asked.quantity.name])[asked.quantity.name]
                return Column(values[:, places], unit)
            if asked.is_parameter:
                place = self._quantities.words.parameter(asked.quantity.name)
                parameter = self.plan.design.parameters[place]
                values = np.asarray(self.plan.design.columns[place], dtype=np.float64)
                texts = map(axis_label, parameter.choices) if is_choice(parameter) else ()
                return Column(values[:, None], unit, tuple(texts))
            return Column(self.one_a_layout([asked], bands)[0][:, None], unit)

        return parsed.holds(column, len(self)) & self.done

    def rank(
        self,
        by: str | None = None,
        *,
        best: Best | None = None,
        bands: Sequence[str] | None = None,
        where: str | Mask | Sequence[str | Mask] = (),
        show: Sequence[str] = (),
        count: int = 10,
    ) -> Ranking:
        """The best layouts.

        Parameters
        ----------
        by : str, optional
            A quantity; of one that has a number on each band the worst counts. Left out, the worst
            efficiency, or the worst SWR where no budget was kept.
        best : "high" or "low", optional
            Which is better, where the quantity does not say.
        bands : sequence of str, optional
            The bands that count.
        where : str, mask, or several of them
            Conditions, as `filter` takes them.
        show : sequence of str
            Quantities to tell besides; efficiency and SWR always are.
        count : int
            How many places to tell.

        Returns
        -------
        Ranking
            Ties go to the lower number. Layouts that are not done, ruled out or without the
            number have no place and are counted.

        Raises
        ------
        SweepError
            If a name means nothing, or which is better is not known.
        """
        return rank_layouts(self, by, best=best, bands=bands, where=where, show=show, count=count)

    @property
    def natural(self) -> str:
        """What layouts are ranked by where nobody says: efficiency, or SWR without a budget."""
        return "worst efficiency" if self.has("efficiency") else "worst swr"

    def judged(self, name: str, best: str | None = None) -> tuple[Asked, Best]:
        """What a name means as one number a layout, and which side is better.

        Raises
        ------
        SweepError
            If which is better is neither said nor in the quantity's nature.
        """
        if best not in (None, "high", "low"):
            raise SweepError(f"best is {best!r}; it must be 'high' or 'low'.")
        asked = self.ask(name)
        nature: Nature | str = best or asked.quantity.nature
        if not nature:
            raise SweepError(
                f"Whether a high or a low {asked.name} is better is up to you: say best='high' or "
                "best='low'."
            )
        if asked.is_by_band:
            worst = "greatest" if nature == "low" else "least"
            is_natural = nature == asked.quantity.nature
            asked = self.ask(f"{'worst' if is_natural else worst} {asked.quantity.name}")
        return asked, "high" if nature == "high" else "low"

    def best(self, count: int = 5, *, bands: Sequence[str] | None = None) -> Ranking:
        """The best layouts by what is natural; see `rank`."""
        return self.rank(bands=bands, count=count)

    def pareto(
        self,
        criteria: Sequence[tuple[str, str]] = (("worst efficiency", "high"), ("worst swr", "low")),
        *,
        bands: Sequence[str] | None = None,
    ) -> NDArray[np.int64]:
        """Layouts that no other one beats in all criteria at once.

        Parameters
        ----------
        criteria : sequence of (name, "high" or "low")
            A quantity and which is better.
        bands : sequence of str, optional
            The bands that count.

        Returns
        -------
        ndarray of int64
            Numbers of the layouts, the best by the first criterion first.

        Raises
        ------
        SweepError
            If there is no criterion, or a name means nothing.
        """
        values = self.criteria_values(criteria, bands=bands)
        numbers = np.flatnonzero(self.done & self.passed & ~np.isnan(values).any(axis=1))
        signs = np.array([1.0 if best == "low" else -1.0 for _, best in criteria])
        among = values[numbers] * signs
        front = pareto_front(among)
        return numbers[front[np.argsort(among[front, 0], kind="stable")]]

    def criteria_values(
        self, criteria: Sequence[tuple[str, str]], *, bands: Sequence[str] | None = None
    ) -> FloatArray:
        """One number a layout and criterion, (L, C)."""
        if isinstance(criteria, str) or not all(
            isinstance(one, tuple | list) and len(one) == 2 for one in criteria
        ):
            raise SweepError(
                "criteria are pairs of a quantity and which is better, as "
                f"[('worst efficiency', 'high'), ('worst swr', 'low')]; got {criteria!r}."
            )
        if not criteria:
            raise SweepError("A front needs at least one criterion, and there is none.")
        asked = [self.judged(name, best)[0] for name, best in criteria]
        return np.stack(self.one_a_layout(asked, bands), axis=1)

    # ---- cuts ----------------------------------------------------------------------------

    def length_map(self, parameter: str, quantity: str, *, at: int | None = None) -> LengthMap:
        """A quantity over one parameter and the bands, all other parameters held.

        Parameters
        ----------
        parameter : str
            Its name, or a part of it that no other has.
        quantity : str
            With a number for each band.
        at : int, optional
            The layout whose other parameters are held; where left out, the best that shares them
            with others.

        Raises
        ------
        SweepError
            If fewer than two layouts share the other parameters.
        """
        from .sweep_cuts import length_map

        return length_map(self, parameter, quantity, at=at)

    def against(
        self, parameter: str, quantity: str, *, bands: Sequence[str] | None = None
    ) -> Spread:
        """A quantity against one parameter, whatever the others are: median and range.

        Raises
        ------
        SweepError
            If a name means nothing, or no layout is left.
        """
        from .sweep_cuts import spread

        return spread(self, parameter, quantity, bands=bands)

    def trim_table(self, element: str, *, around: int | None = None) -> TrimTable:
        """What a centimetre of one element does on each band, from neighbours in the sweep.

        Parameters
        ----------
        element : str
            Name of the element, or of any parameter that is a length.
        around : int, optional
            The layout to trim; where left out, the best that has neighbours.

        Raises
        ------
        SweepError
            If no other layout differs from it in that length alone.
        """
        from .sweep_cuts import trim_table

        return trim_table(self, element, around=around)

    def chosen(self, layout: int | None) -> int:
        """A layout's number as asked for, or the best.

        Raises
        ------
        SweepError
            If there is none.
        """
        if layout is None:
            best = self.rank(count=1)
            if not best.rows:
                raise SweepError(f"No layout of {self.name!r} is done and left to choose from.")
            return best.rows[0].layout
        is_number = isinstance(layout, int | np.integer) and not isinstance(layout, bool)
        if not is_number or not 0 <= layout < len(self):
            raise SweepError(
                f"There is no layout {layout!r}; layouts are numbered 0 to {len(self) - 1}."
            )
        return int(layout)

    def sharing(self, parameter: str, layout: int) -> NDArray[np.int64]:
        """Layouts, done and left, that differ from one in a single parameter at most, (n,).

        By rising value of that parameter.
        """
        place = self._quantities.words.parameter(parameter)
        same = self.done & self.passed
        for k, (_, column) in enumerate(self._columns()):
            if k != place:
                same &= np.isclose(column, column[layout], rtol=1e-9, atol=1e-12)
        numbers = np.flatnonzero(same)
        return numbers[np.argsort(self.plan.design.columns[place][numbers], kind="stable")]

    # ---- one layout, all of them ---------------------------------------------------------

    def layout(self, number: int) -> dict[str, Any]:
        """All that is known of one layout.

        Returns
        -------
        dict
            "layout", "state", "reason" ("" if done), "parameters" (as `Design.layout`, SI units)
            and "quantities": by name, a number for each band by the band's name.

        Raises
        ------
        SweepError
            If there is no such layout.
        """
        number = self.chosen(number)
        words = self._quantities.words
        names = [band.name for band in self.plan.bands]
        found = self._quantities.of(list(words.kept), slice(number, number + 1))
        return {
            "layout": number,
            "state": STATES[int(self.states[number])],
            "reason": self.reasons.get(number, ""),
            "parameters": self.plan.design.layout(number),
            "quantities": {
                name: dict(zip(names, values[0].tolist(), strict=True))
                for name, values in found.items()
            },
        }

    def plan_of(self, number: int) -> AtticPlan:
        """The attic with a layout in it: to draw, to answer, to save (its `text` is the file).

        Raises
        ------
        SweepError
            If there is no such layout.
        AtticFileError
            If the layout does not fit.
        """
        return self._layout_plans.plan_of(self.chosen(number))

    @cached_property
    def _layout_plans(self) -> LayoutPlans:
        from ...geometry.attic_file import read_attic_text
        from ..settings import TABLES
        from .sweep_layouts import LayoutPlans

        attic = read_attic_text(self.plan.text, name=self.plan.name, other_tables=TABLES)
        return LayoutPlans(attic, self.plan.design)

    def to_dataframe(self) -> Any:
        """One row a layout and band with parameters and all quantities; needs pandas."""
        from .sweep_export import sweep_frame

        return sweep_frame(self)

    def to_xarray(self, figures: Sequence[str] | None = None) -> Any:
        """Figures as an xarray Dataset over layout and band, parameters as coordinates.

        Parameters
        ----------
        figures : sequence of str, optional
            Which to read, whole; all that are kept where left out.

        Raises
        ------
        ImportError
            If xarray is not installed.
        SweepError
            If a figure was not kept.
        """
        from .sweep_export import sweep_dataset

        return sweep_dataset(self, figures)

    # ---- showing -------------------------------------------------------------------------

    def plot(self, kind: str = "front", **options: Any) -> Figure:
        """A picture.

        Parameters
        ----------
        kind : "front", "parallel", "length map", "against" or "trim"
            The layouts no other beats; all layouts over parameters and quantities; impedance,
            volts and efficiency over a length; a quantity against a parameter; what a centimetre
            does.
        **options
            What the function of `views.sweep_figures` takes.

        Raises
        ------
        SweepError
            If there is no such kind.
        """
        from ..views import sweep_figures as views

        kinds: Mapping[str, Callable[..., Figure]] = views.PICTURES
        if kind not in kinds:
            raise SweepError(f"There is no picture {kind!r}; there are: {', '.join(kinds)}.")
        return kinds[kind](self, **options)

    def to_text(self, *, width: int = 100) -> str:
        """State, best layouts, and what cannot be promised."""
        from ..views.sweep_page import sweep_summary

        return "\n".join(sweep_summary(self, width=width))

    def __repr__(self) -> str:
        from ..views.sweep_page import state_sentence

        return state_sentence(self)

    def __str__(self) -> str:
        return self.to_text()

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(repr(self))}</p>"


def _listed(names: Sequence[str]) -> Sequence[str]:
    return [names] if isinstance(names, str) else names
