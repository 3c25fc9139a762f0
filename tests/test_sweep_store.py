"""The store of a sweep: what comes back, what is refused, what is said of damage."""

import json
import logging
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from sweep_fault_worker import ToyWork, complete, datasets, toy_batches, toy_plan

from ridgepole.solver.errors import StoreError, SweepError
from ridgepole.solver.study import sweep_format
from ridgepole.solver.study.sweep_records import (
    DONE,
    FAILED,
    UNFIT,
    WAITING,
    Axis,
    Batch,
    BatchResult,
    Figure,
)
from ridgepole.solver.study.sweep_running import run_batches
from ridgepole.solver.study.sweep_store import (
    SCHEMA,
    SweepStore,
    open_store,
    parts_folder,
    read_plan,
)


def begun(path: Path, *, done: int = 4, size: int = 5) -> None:
    """A sweep with some batches finished."""
    plan = toy_plan()
    with SweepStore.create(path, plan) as store:
        for batch in toy_batches(plan, size)[:done]:
            store.put(ToyWork(plan).compute(batch))


@pytest.fixture(scope="module")
def whole(tmp_path_factory: Any) -> Path:
    """A sweep without interruption, gathered; not to be changed."""
    return complete(tmp_path_factory.mktemp("whole") / "whole.h5", toy_plan())


@pytest.fixture
def copy(whole: Path, tmp_path: Path) -> Path:
    """The same, to be damaged."""
    return Path(shutil.copy(whole, tmp_path / "a.h5"))


def parts(path: Path) -> list[Path]:
    return sorted(parts_folder(path).glob("part-*.h5"))


# --- what comes back --------------------------------------------------------------------------


@pytest.mark.parametrize("gathered", [False, True])
def test_a_plan_comes_back_equal(tmp_path: Path, whole: Path, gathered: bool):
    plan = toy_plan()
    if gathered:
        shutil.copy(whole, tmp_path / "a.h5")
    else:
        begun(tmp_path / "a.h5")
    found = read_plan(tmp_path / "a.h5")
    assert sweep_format.differences(plan, found) == []
    for name in ("text", "name", "bands", "figures", "version"):
        assert getattr(found, name) == getattr(plan, name)
    assert found.settings == plan.settings
    assert [type(v) for v in found.settings.values()] == [type(v) for v in plan.settings.values()]
    assert np.array_equal(found.frequencies, plan.frequencies)
    assert found.design.method == "latin hypercube"
    assert found.design.seed == 11
    assert repr(found.design.parameters) == repr(plan.design.parameters)  # NaN is not itself
    for row in range(len(plan.design)):
        assert found.design.layout(row) == plan.design.layout(row)
    for old, new in zip(plan.design.columns, found.design.columns, strict=True):
        assert old.dtype == new.dtype
        assert not new.flags.writeable


def test_figures_come_back_equal_and_in_place(whole: Path):
    plan = toy_plan()
    stored = open_store(whole)
    direct = ToyWork(plan).compute(Batch(0, tuple(range(24)), (0, 1, 2)))
    for figure in plan.figures:
        found = stored.read(figure.name)
        assert found.dtype == figure.dtype
        assert np.array_equal(found, direct.values[figure.name], equal_nan=True)
    assert np.array_equal(stored.states, direct.states)
    assert stored.reasons == direct.reasons
    assert stored.is_complete
    assert stored.is_gathered
    assert set(stored.states.tolist()) == {DONE, UNFIT, FAILED}  # the case has all of them


@pytest.mark.parametrize("gathered", [False, True])
def test_some_layouts_are_read_as_asked(tmp_path: Path, whole: Path, gathered: bool):
    path = tmp_path / "a.h5"
    if gathered:
        shutil.copy(whole, path)
    else:
        begun(path)
    stored = open_store(path)
    everything = stored.read("impedance")
    for some in (slice(3, 9), slice(None, None, 5), slice(20, 2, -4), slice(8, 3), [7, 2, 2, 23],
                 np.array([], dtype=np.int64)):  # fmt: skip
        found = stored.read("impedance", layouts=some)
        assert np.array_equal(found, everything[some], equal_nan=True)
    with pytest.raises(SweepError, match="layouts 0 to 23"):
        stored.read("impedance", layouts=[3, 24])
    with pytest.raises(SweepError, match=r"no figure 'swr' is kept; there are impedance, budget"):
        stored.read("swr")


def test_an_unfinished_sweep_shows_what_is_there(tmp_path: Path):
    begun(tmp_path / "a.h5", done=3)  # five layouts on all bands, five on the first
    for where in (tmp_path / "a.h5", parts_folder(tmp_path / "a.h5")):
        stored = open_store(where)
        batches = toy_batches(toy_plan())
        rows = list(batches[0].layouts)
        there = np.zeros((24, 3), dtype=bool)
        there[rows] = True
        there[list(batches[2].layouts), 0] = True
        assert np.array_equal(stored.states_by_band != WAITING, there)
        assert np.array_equal(stored.states != WAITING, there.all(axis=1))
        assert not stored.is_complete
        verdict = stored.read("verdict")  # whole numbers have no NaN
        assert (verdict[~there] == -1).all()
        whole = ToyWork(toy_plan()).compute(Batch(0, tuple(range(24)), (0, 1, 2)))
        expected = np.where(there[:, :, None], whole.values["budget"], np.nan)
        assert np.array_equal(stored.read("budget"), expected, equal_nan=True)


def test_reading_goes_on_when_the_sweep_is_gathered_meanwhile(tmp_path: Path):
    plan = toy_plan()
    path = tmp_path / "a.h5"
    begun(path, done=10)
    early = open_store(path)
    with SweepStore.resume(path, plan) as store:
        assert store.is_complete
        store.gather()
    assert np.array_equal(
        early.read("impedance"), open_store(path).read("impedance"), equal_nan=True
    )


def test_gathering_in_many_slices_changes_nothing(tmp_path: Path, whole: Path, monkeypatch: Any):
    # Below the size of a layout: one at a time; chunks of one layout too.
    monkeypatch.setattr("ridgepole.solver.study.sweep_store.SLICE_BYTES", 600)
    many = complete(tmp_path / "many.h5", toy_plan())
    with h5py.File(whole) as a, h5py.File(many) as b:
        assert a["impedance"].chunks != b["impedance"].chunks  # pyright: ignore[reportAttributeAccessIssue]
    assert datasets(whole) == datasets(many)


def test_the_same_sweep_twice_gives_the_same_bytes(tmp_path: Path):
    one = datasets(complete(tmp_path / "one.h5", toy_plan()))
    two = datasets(complete(tmp_path / "two.h5", toy_plan(), size=7, by_band=False))
    assert len(one) > 20
    assert one == two
    other = datasets(complete(tmp_path / "other.h5", toy_plan(settings={"power": 5.0})))
    assert one != other


def test_plain_hdf5_tells_units_and_dimensions(whole: Path):
    plan = toy_plan()
    with h5py.File(whole) as file:
        assert file.attrs["schema"] == SCHEMA
        assert file.attrs["library_version"] == plan.version
        assert file.attrs["method"] == "latin hypercube"
        assert file.attrs["seed"] == 11
        assert str(file.attrs["created"]).startswith("20")
        found: Any = file
        assert found["attic_file"].asstr()[()] == plan.text
        assert json.loads(found["plan"].asstr()[()])["name"] == "toy"
        for figure in plan.figures:
            data = found[figure.name]
            assert data.shape == (24, 3, *figure.shape)
            assert data.attrs.get("unit", "") == figure.unit
            assert data.attrs.get("about", "") == figure.about
            names = [data.dims[n][0].name.strip("/") for n in range(data.ndim)]
            assert names == ["layout", "band", *(axis.name for axis in figure.axes)]
        assert found["gain"].dims[2][0].attrs["unit"] == "degree"
        assert found["element.long.length"].attrs["unit"] == "m"
        assert found["element.long.length"].dims[0][0] == found["layout"]
        assert found["frequency"].attrs["unit"] == "Hz"
        assert np.array_equal(found["frequency"][()], plan.frequencies)
        assert found["band"].asstr()[()].tolist() == ["40 m", "20 m", "10 m"]
        assert found["state"].attrs["about"].endswith("0 waiting, 1 done, 2 unfit, 3 failed")


def test_xarray_makes_sense_of_it(copy: Path):
    reason = "xarray and h5netcdf are not installed: pip install xarray h5netcdf"
    xarray = pytest.importorskip("xarray", reason=reason)
    pytest.importorskip("h5netcdf", reason=reason)
    with xarray.open_dataset(copy, engine="h5netcdf") as found:
        assert dict(found.sizes) == {"layout": 24, "band": 3, "point": 3, "part": 3, "elevation": 2}
        assert found.impedance.dims == ("layout", "band", "point")
        own = open_store(copy).read("budget")[6, 1, 2]
        assert float(found.budget.sel(layout=6, band="20 m", part="copper")) == own
        assert found.impedance.dtype == np.complex128


def test_axes_of_one_name_that_differ_get_scales_of_their_own(tmp_path: Path):
    figures = (
        Figure("impedance", (Axis("point", (0, 1, 2)),), "complex128", "ohm"),
        Figure("volts", (Axis("point", ("feed", "end")),), "float64", "V"),
        Figure("swr", (Axis("swr", (1.0, 2.0, 3.0)),), "float64"),
        Figure("rooms", (Axis("room", ()),), "float64"),  # none
    )
    plan = toy_plan(figures=figures)
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        shapes = {"impedance": (24, 3, 3), "volts": (24, 3, 2), "swr": (24, 3, 3)}
        values = {name: np.full(shape, 1.5) for name, shape in shapes.items()}
        values["rooms"] = np.zeros((24, 3, 0))
        batch = Batch(0, tuple(range(24)), (0, 1, 2))
        store.put(BatchResult(batch, values, np.full(24, DONE, dtype=np.int8)))
        path = store.gather()
    assert open_store(path).read("rooms").shape == (24, 3, 0)
    with h5py.File(path) as file:
        found: Any = file
        assert found["volts"].dims[2][0].asstr()[()].tolist() == ["feed", "end"]
        assert found["impedance"].dims[2][0][()].tolist() == [0, 1, 2]
        assert found["swr"].dims[2][0][()].tolist() == [1.0, 2.0, 3.0]
    assert read_plan(path).figures == figures


# --- what is done -----------------------------------------------------------------------------


def test_batches_may_be_cut_otherwise_after_a_resume(tmp_path: Path, whole: Path):
    plan = toy_plan()
    begun(tmp_path / "a.h5", done=5, size=4)
    with SweepStore.resume(tmp_path / "a.h5", plan) as store:
        missing = store.missing()
        assert np.array_equal(missing, ~store.finished())
        batches = toy_batches(plan, 9, by_band=False)
        rest = [store.rest_of(batch) for batch in batches]
        assert rest[0] is not None
        covered = np.zeros_like(missing)
        for batch in rest:
            if batch is not None:
                assert missing[np.ix_(batch.layouts, batch.bands)].any()
                covered[np.ix_(batch.layouts, batch.bands)] = True
        assert (covered >= missing).all()
        assert not covered.all()  # some was done and is not told again
        run_batches(ToyWork(plan), batches, store, executor="in-process")
        store.gather()
    assert datasets(tmp_path / "a.h5") == datasets(whole)


def test_a_layout_that_failed_on_one_band_is_failed(tmp_path: Path):
    plan = toy_plan()
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        for batch in [Batch(0, tuple(range(24)), (1, 2)), Batch(1, tuple(range(24)), (0,))]:
            result = ToyWork(plan).compute(batch)
            states, reasons = result.states.copy(), dict(result.reasons)
            states[3] = FAILED if batch.number else DONE
            reasons[3] = "late" if batch.number else ""
            reasons[18] = f"on bands {batch.bands}"
            store.put(replace(result, states=states, reasons=reasons))
        store.gather()
    found = open_store(tmp_path / "a.h5")
    assert found.states[3] == FAILED
    assert found.states_by_band[3].tolist() == [FAILED, DONE, DONE]
    assert found.reasons[3] == "late"
    assert found.reasons[18] == "on bands (0,); on bands (1, 2)"


def test_gathering_wants_everything(tmp_path: Path):
    begun(tmp_path / "a.h5", done=4)
    with SweepStore.resume(tmp_path / "a.h5") as store:
        with pytest.raises(StoreError, match="42 of 72 layouts and bands are still to be computed"):
            store.gather()
        assert not store.is_complete
    assert not (tmp_path / "a.h5").exists()


def test_nothing_is_left_beside_the_file(tmp_path: Path, copy: Path):
    path = copy
    assert os.listdir(tmp_path) == ["a.h5"]
    with SweepStore.resume(path, toy_plan()) as store:
        assert store.is_complete
        assert store.is_gathered
        assert store.gather() == path
        with pytest.raises(StoreError, match="is gathered and complete"):
            store.put(ToyWork(toy_plan()).compute(Batch(0, (0,), (0,))))
    assert os.listdir(tmp_path) == ["a.h5"]


def test_a_store_that_was_closed_takes_nothing(tmp_path: Path):
    begun(tmp_path / "a.h5")
    store = SweepStore.resume(tmp_path / "a.h5")
    store.close()
    with pytest.raises(StoreError, match="is closed"):
        store.put(ToyWork(toy_plan()).compute(Batch(0, (0,), (0,))))


# --- what is refused --------------------------------------------------------------------------


def changed_columns() -> Any:
    design = toy_plan().design
    lengths = design.columns[0].copy()
    lengths[17] += 1e-9
    return replace(design, columns=(lengths, *design.columns[1:]))


CHANGES = [
    ({"text": "[attic]\n"}, r"the attic file's text \(from line 2 on\)"),
    ({"settings": {"power": 5.0}}, r"the setting 'power' \(100.0, now 5.0\)"),
    ({"settings": {"power": 5.0}}, r"the setting 'tuner' \('made up', now not there\)"),
    ({"bands": toy_plan().bands[:2], "frequencies": toy_plan().frequencies[:2]},
     r"the bands \(40 m, 20 m, 10 m, now 40 m, 20 m\)"),
    ({"figures": toy_plan().figures[:3]}, r"the figures \(impedance, budget, gain, verdict, now"),
    ({"frequencies": toy_plan().frequencies + 1.0}, "the frequencies"),
    ({"design": changed_columns()}, "the values of 'element.long.length'"),
    ({"design": replace(toy_plan().design, seed=12)},
     r"the method \(latin hypercube, seed 11, now latin hypercube, seed 12\)"),
    ({"design": toy_plan(23).design}, r"the number of layouts \(24, now 23\)"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "said"), CHANGES)
@pytest.mark.parametrize("gathered", [False, True])
def test_another_sweep_is_refused(
    tmp_path: Path, whole: Path, changes: Any, said: str, gathered: bool
):
    path = tmp_path / "a.h5"
    if gathered:
        shutil.copy(whole, path)
    else:
        begun(path)
    before = sorted(tmp_path.rglob("*"))
    for opener in (SweepStore.resume, SweepStore.create):
        with pytest.raises(StoreError, match=said) as raised:
            opener(path, toy_plan(**changes))
        assert str(path) in str(raised.value)
    assert set(before) - {parts_folder(path) / "owner"} <= set(tmp_path.rglob("*"))
    SweepStore.resume(path, toy_plan()).close()  # the lock is free again


def test_the_same_sweep_is_not_begun_twice(tmp_path: Path):
    begun(tmp_path / "a.h5")
    with pytest.raises(StoreError, match="this very sweep is there already; resume it"):
        SweepStore.create(tmp_path / "a.h5", toy_plan())
    complete(tmp_path / "b.h5", toy_plan())
    with pytest.raises(StoreError, match="this very sweep is there already; open it"):
        SweepStore.create(tmp_path / "b.h5", toy_plan())


def test_nothing_to_resume(tmp_path: Path):
    with pytest.raises(StoreError, match="no sweep was begun here"):
        SweepStore.resume(tmp_path / "a.h5", toy_plan())
    parts_folder(tmp_path / "a.h5").mkdir()  # killed before the plan was there
    with pytest.raises(StoreError, match="no sweep was begun here"):
        SweepStore.resume(tmp_path / "a.h5", toy_plan())
    for opener in (open_store, read_plan):
        with pytest.raises(StoreError, match="there is no sweep here"):
            opener(tmp_path / "a.h5")
    SweepStore.create(tmp_path / "a.h5", toy_plan()).close()


def test_another_version_goes_on_and_says_so(tmp_path: Path, caplog: Any):
    begun(tmp_path / "a.h5")
    SweepStore.resume(tmp_path / "a.h5", toy_plan(version="0.2.0")).close()
    assert "begun with version 0.1.0 of the library, goes on with 0.2.0" in caplog.text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"figures": (Figure("state"),)}, "cannot be kept under the name 'state'"),
        ({"figures": (Figure("a/b"),)}, "cannot be kept under the name 'a/b'"),
        ({"figures": (Figure("a"), Figure("a"))}, "cannot be kept under the name 'a'"),
        ({"figures": (Figure("a", dtype="U3"),)}, "is of dtype 'U3'"),
        ({"frequencies": np.ones((2, 3))}, r"of shape \(2, 3\); 3 bands need one row each"),
        ({"settings": {"plan": Path("x")}}, "cannot be kept in the store of a sweep"),
    ],
)
def test_a_plan_that_cannot_be_kept(tmp_path: Path, change: Any, said: str):
    with pytest.raises(SweepError, match=said):
        SweepStore.create(tmp_path / "a.h5", toy_plan(**change))
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"batch": Batch(3, (2, 1), (0,))}, "must rise and lie within 24 layouts and 3 bands"),
        ({"batch": Batch(3, (2, 24), (0,))}, "must rise and lie within"),
        ({"batch": Batch(3, (2, 3), ())}, "must rise and lie within"),
        ({"states": np.zeros(2, dtype=np.int8)}, "each of its 2 layouts must be done"),
        ({"states": np.ones(3, dtype=np.int8)}, "each of its 2 layouts must be done"),
        ({"reasons": {9: "x"}}, r"gives reasons for \[9\], not its own"),
        ({"values": {}}, "'impedance' of shape None; it must be"),
    ],
)
def test_a_result_that_does_not_fit(tmp_path: Path, change: Any, said: str):
    plan = toy_plan()
    good = ToyWork(plan).compute(Batch(3, (2, 3), (0,)))
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        with pytest.raises(SweepError, match=said):
            store.put(replace(good, **change))
        shape = {**good.values, "budget": good.values["budget"][:, :, :2]}
        with pytest.raises(SweepError, match=r"'budget' of shape \(2, 1, 2\); it must be"):
            store.put(replace(good, values=shape))
        kind = {**good.values, "budget": good.values["budget"] + 1j}
        with pytest.raises(SweepError, match="'budget' of dtype complex128; the plan says float64"):
            store.put(replace(good, values=kind))
        assert parts(tmp_path / "a.h5") == []
        store.put(good)
    assert len(parts(tmp_path / "a.h5")) == 1


# --- damage -----------------------------------------------------------------------------------


def cut(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) * 2 // 3])


def overwrite_data(path: Path, name: str) -> None:
    """One byte of the first chunk of a dataset."""
    with h5py.File(path) as file:
        data: Any = file[name]
        at = data.id.get_chunk_info(0).byte_offset + 9
    content = bytearray(path.read_bytes())
    content[at] ^= 0x10
    path.write_bytes(content)


def not_hdf5(path: Path) -> None:
    path.write_bytes(b"night")


def of_another_sweep(path: Path) -> None:
    with h5py.File(path, "r+") as file:
        file.attrs["fingerprint"] = "0" * 64


@pytest.mark.parametrize(
    "damage",
    [cut, not_hdf5, of_another_sweep, lambda path: overwrite_data(path, "figures/budget")],
)
def test_a_damaged_part_is_set_aside_and_computed_again(
    tmp_path: Path, whole: Path, damage: Any, caplog: Any
):
    plan = toy_plan()
    path = tmp_path / "a.h5"
    begun(path, done=10)
    bad = parts(path)[3]
    damage(bad)
    with caplog.at_level(logging.WARNING), SweepStore.resume(path, plan) as store:
        aside = bad.with_name(bad.name + ".damaged")
        assert f"{bad}: will not open" in caplog.text
        assert aside.name in caplog.text
        assert aside.exists()
        assert not bad.exists()
        batch = toy_batches(plan)[3]
        assert store.missing().sum() == len(batch.layouts) * len(batch.bands)
        assert store.missing()[np.ix_(batch.layouts, batch.bands)].all()
        run_batches(ToyWork(plan), toy_batches(plan), store, executor="in-process")
        store.gather()
    assert datasets(path) == datasets(whole)
    assert aside.exists()  # what was set aside stays


def test_a_part_that_is_damaged_while_gathering(tmp_path: Path, whole: Path, caplog: Any):
    plan = toy_plan()
    path = tmp_path / "a.h5"
    with SweepStore.create(path, plan) as store:
        run_batches(ToyWork(plan), toy_batches(plan), store, executor="in-process")
        overwrite_data(parts(path)[2], "figures/gain")
        with pytest.raises(StoreError, match=r"part-000003.h5: would not open while gathering"):
            store.gather()
        assert not path.exists()
        assert (parts_folder(path) / "part-000003.h5.damaged").exists()
        assert not store.is_complete
        run_batches(ToyWork(plan), toy_batches(plan), store, executor="in-process")
        store.gather()
    assert datasets(path) == datasets(whole)


def test_a_damaged_plan_is_replaced_by_that_of_the_parts(tmp_path: Path, caplog: Any):
    plan = toy_plan()
    path = tmp_path / "a.h5"
    begun(path)
    cut(parts_folder(path) / "plan.h5")
    with pytest.raises(StoreError, match=r"plan.h5: is damaged"):
        SweepStore.resume(path)
    with pytest.raises(StoreError, match=r"plan.h5: is damaged"):
        SweepStore.create(path, plan)
    with SweepStore.resume(path, plan) as store:
        assert store.finished().sum() == 30
    assert "plan.h5: will not open" in caplog.text
    assert sweep_format.differences(read_plan(path), plan) == []


def test_parts_of_another_sweep_are_not_taken_without_a_plan(tmp_path: Path):
    path = tmp_path / "a.h5"
    begun(path)
    (parts_folder(path) / "plan.h5").unlink()
    with pytest.raises(StoreError, match="holds 4 finished batches, but no plan"):
        SweepStore.create(path, toy_plan())
    with pytest.raises(StoreError, match="no part in it belongs to this sweep"):
        SweepStore.resume(path, toy_plan(settings={}))


def test_a_watcher_leaves_out_what_does_not_open(tmp_path: Path, caplog: Any):
    path = tmp_path / "a.h5"
    begun(path)
    cut(parts(path)[1])
    found = open_store(path)
    assert "left out, it will not open" in caplog.text
    assert (found.states_by_band != WAITING).sum() == 20
    assert len(parts(path)) == 4  # it is not the watcher's to set aside


def test_a_gathered_file_that_was_cut_off(tmp_path: Path, copy: Path):
    path = copy
    cut(path)
    for opener in (open_store, read_plan, SweepStore.resume):
        with pytest.raises(StoreError, match=r"a\.h5: is damaged .*nothing can be read of it"):
            opener(path)


def test_a_gathered_file_with_one_bad_figure(copy: Path):
    overwrite_data(copy, "budget")
    found = open_store(copy)
    assert found.read("impedance").shape == (24, 3, 3)
    with pytest.raises(StoreError, match="'budget' is damaged") as raised:
        found.read("budget")
    good, bad = str(raised.value).split("What can still be read: ")[1].split(" (not ")
    assert bad == "budget)."
    assert {"impedance", "gain", "verdict", "attic_file", "element.long.length"} <= set(
        good.split(", ")
    )


def test_a_gathered_file_without_its_plan(tmp_path: Path, copy: Path):
    path = copy
    with h5py.File(path, "r+") as file:
        del file["plan"]
    with pytest.raises(StoreError, match=r"is damaged .*still reads: .*impedance"):
        open_store(path)


def test_a_damaged_file_while_its_parts_are_there(tmp_path: Path):
    path = tmp_path / "a.h5"
    begun(path)
    not_hdf5(path)
    with pytest.raises(StoreError, match=r"parts are still in .*: move the file away and resume"):
        SweepStore.resume(path, toy_plan())


def test_a_newer_schema(tmp_path: Path, copy: Path):
    path = copy
    begun(tmp_path / "b.h5")
    for file_path in (path, parts_folder(tmp_path / "b.h5") / "plan.h5"):
        with h5py.File(file_path, "r+") as file:
            file.attrs["schema"] = SCHEMA + 1
            file.attrs["library_version"] = "9.1"
    for where in (path, tmp_path / "b.h5"):
        for opener in (open_store, read_plan, SweepStore.resume):
            with pytest.raises(
                StoreError, match=rf"in schema {SCHEMA + 1} by version 9\.1"
            ) as raised:
                opener(where)
            assert "attic_file" in str(raised.value)
    with pytest.raises(StoreError, match=r"still reads: .*impedance"):
        open_store(path)


def test_a_file_of_something_else(tmp_path: Path):
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        file["x"] = 1.0
    for opener in (open_store, read_plan, SweepStore.resume):
        with pytest.raises(StoreError, match="is an HDF5 file, but no 'ridgepole sweep'"):
            opener(path)
    with pytest.raises(StoreError, match="is an HDF5 file, but no"):
        SweepStore.create(path, toy_plan())
    (tmp_path / "folder").mkdir()
    with pytest.raises(StoreError, match="is a folder"):
        SweepStore.create(tmp_path / "folder", toy_plan())


def test_values_come_back_from_json_as_they_were():
    values = (1, 2.5, True, None, "x", float("inf"), 1 - 2j, (1, (2.0, "a")), [1, (2,)],
              {"a": [1], "b": {"c": ()}})  # fmt: skip
    found = sweep_format.decode(json.loads(json.dumps(sweep_format.encode(values))))
    assert found == values
    assert repr(found) == repr(values)
    assert np.isnan(sweep_format.decode(sweep_format.encode(np.float64("nan"))))
    assert type(sweep_format.encode(np.int64(3))) is int


def replaced(path: Path, name: str, content: Any) -> None:
    with h5py.File(path, "r+") as file:
        del file[name]
        file[name] = content


@pytest.mark.parametrize("gathered", [True, False])
@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("impedance", lambda old: old[:1], r"'impedance' is \(1, \d, 3\) of complex128, not"),
        ("impedance", lambda old: np.full(old.shape, b"x"), r"'impedance' is .* of \|S1, not"),
        ("verdict", lambda old: old.astype(float), "'verdict' is .* of float64, not .* of int16"),
        ("state", lambda old: np.full_like(old, 77), "'state' has 77 to 77, not 0 to 3"),
        ("state", lambda old: old[:2], r"'state' is \(2,.* of int8, not"),
        ("reason", lambda old: old[:2], r"'reason' is \(2,\), not"),
    ],
)
def test_arrays_unlike_the_plan_are_damage(
    tmp_path: Path, whole: Path, caplog: Any, gathered: bool, name: str, content: Any, told: str
):
    path = tmp_path / "a.h5"
    if gathered:
        damaged, where = Path(shutil.copy(whole, path)), name
    else:
        begun(path)
        damaged = parts(path)[0]
        where = name if name in ("state", "reason") else f"figures/{name}"
    with h5py.File(damaged) as file:
        changed = content(file[where][()])  # pyright: ignore[reportIndexIssue]
    replaced(damaged, where, changed)
    if gathered:
        for read in (open_store, read_plan, SweepStore.resume):
            with pytest.raises(StoreError, match=f"is damaged.*{told}"):
                read(path)
        return
    whole_states = open_store(path).states_by_band
    assert "left out, it will not open" in caplog.text
    with SweepStore.resume(path) as store:
        assert np.array_equal(store.finished(), whole_states != WAITING)
    assert "set aside as" in caplog.text
    assert parts(path)[0] != damaged


def test_a_column_of_another_kind_is_damage(copy: Path):
    replaced(copy, "element.long.route", np.full(24, 9))
    with pytest.raises(StoreError, match=r"is damaged.*values beyond its 3 choices"):
        open_store(copy)
    replaced(copy, "element.long.length", np.full(24, b"x"))
    with pytest.raises(StoreError, match=r"is damaged.*of dtype \|S1"):
        read_plan(copy)


def test_bytes_lost_anywhere_are_a_named_error_or_nothing(copy: Path):
    sound = copy.read_bytes()
    complaints = 0
    for start in range(0, len(sound), max(1, len(sound) // 20)):
        copy.write_bytes(sound[:start] + b"\xff" * 3000 + sound[start + 3000 :])
        try:
            found = open_store(copy)
            for figure in found.plan.figures:
                found.read(figure.name)
        except StoreError as error:
            complaints += 1
            str(error).encode()
    assert complaints > 7


def test_batches_without_a_sound_plan_are_told(tmp_path: Path):
    path = tmp_path / "a.h5"
    begun(path)
    plan = parts_folder(path) / "plan.h5"
    plan.write_bytes(plan.read_bytes()[:300])
    for read in (open_store, read_plan):
        with pytest.raises(StoreError, match=r"damaged.* 4 finished batches .*takes them over"):
            read(path)
    plan.unlink()
    for read in (open_store, read_plan):
        with pytest.raises(StoreError, match=r"4 finished batches.*plan.*missing.*takes them over"):
            read(path)
    with SweepStore.resume(path, toy_plan()) as store:
        assert store.finished().any()


def test_what_is_no_path_is_told():
    for wrong in (None, 3):
        with pytest.raises(StoreError, match="is no path of a sweep"):
            open_store(wrong)  # pyright: ignore[reportArgumentType]
