"""Sweeps that are killed, run out of disk or may not write: nothing finished is ever lost."""

import logging
import multiprocessing
import os
import random
import shutil
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
import sweep_fault_worker
from sweep_fault_worker import (
    MOMENTS,
    ToyWork,
    begin_or_resume,
    complete,
    datasets,
    hold,
    run_and_die,
    run_out_of_disk,
    toy_batches,
    toy_plan,
)

from ridgepole.solver.errors import StoreError
from ridgepole.solver.study.sweep_records import Batch
from ridgepole.solver.study.sweep_running import run_batches
from ridgepole.solver.study.sweep_store import SweepStore, open_store, parts_folder

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills by signals of POSIX")


@pytest.fixture(scope="module")
def nursery() -> Any:
    """Processes that start fast: the server they are forked from has imported all, run nothing."""
    context = multiprocessing.get_context("forkserver")
    # Not all versions of Python let it see the folder of the tests.
    context.set_forkserver_preload(
        ["ridgepole.solver.study.sweep_running", "h5py", "filelock", "pytest"]
    )
    return context


@pytest.fixture(scope="module")
def whole(tmp_path_factory: Any) -> dict[str, Any]:
    """What a sweep without interruption holds."""
    return datasets(complete(tmp_path_factory.mktemp("whole") / "whole.h5", toy_plan()))


# --- kills ------------------------------------------------------------------------------------


class Campaign:
    """Kills a sweep again and again, and then another one when that is through."""

    def __init__(self, nursery: Any, folder: Path, whole: dict[str, Any], seed: int) -> None:
        self.nursery = nursery
        self.folder = folder
        self.whole = whole
        self.random = random.Random(seed)
        self.finished = 0
        self.struck: list[str] = []
        self.strikes_here = 0
        self.done = 0
        self.path = folder / "0.h5"

    def strike(self, moment: str) -> None:
        """One kill; once more where the sweep came through before it."""
        for _ in range(20):
            if moment == "planning" and parts_folder(self.path).exists():
                self.finish()
            if self.once(moment):
                self.struck.append(moment)
                self.strikes_here += 1
                self.nothing_lost(moment)
                return
            self.check()
        pytest.fail(f"no kill came {moment}")

    def once(self, moment: str) -> bool:
        number = 1 if moment in ("planning", "gathered", "gathering") else self.random.randint(1, 4)
        size = self.random.choice([2, 3, 3, 5])
        ours, theirs = self.nursery.Pipe()
        target = (self.path, size, moment, number, theirs)
        child = self.nursery.Process(target=run_and_die, args=target)
        child.start()
        theirs.close()
        if moment == "open":
            try:
                assert ours.recv() == "open"
                time.sleep(self.random.uniform(0.0, 0.02))
                assert child.is_alive()
                child.kill()
            except EOFError:  # fewer batches were left
                pass
        child.join(60.0)
        code = child.exitcode
        child.close()
        ours.close()
        assert code in (0, -signal.SIGKILL), code
        return code != 0

    def nothing_lost(self, moment: str) -> None:
        """Whatever has its final name is whole, and what was done before the kill still is."""
        if self.path.exists():
            assert datasets(self.path) == self.whole
            return
        assert moment not in ("gathered", "removing")
        if (parts_folder(self.path) / "plan.h5").exists():
            # The test sees the warning of a part that does not open.
            done = int((open_store(self.path).states_by_band > 0).sum())
            assert done >= self.done
            self.done = done
        else:
            assert moment == "planning" or not self.done

    def finish(self) -> None:
        """To the end, here."""
        plan = toy_plan()
        with begin_or_resume(self.path, plan) as store:
            run_batches(ToyWork(plan), toy_batches(plan, 4), store, executor="in-process")
            store.gather()
        self.check()

    def check(self) -> None:
        """The gathered file equals that without interruption; then another one is begun."""
        assert datasets(self.path) == self.whole
        log = Path(f"{self.path}.log")
        names = {path.name for path in self.folder.iterdir()}
        assert names <= {self.path.name, log.name}
        if log.exists():
            self.nothing_twice(log.read_text().splitlines())
            log.unlink()
        self.path.unlink()
        self.finished += 1
        self.strikes_here = self.done = 0
        self.path = self.folder / f"{self.finished}.h5"

    def nothing_twice(self, begun: list[str]) -> None:
        """Of what was begun, not more was done again than one batch a kill."""
        largest = 5 * 2
        pairs = sum(int(line) for line in begun)
        assert pairs <= 72 + self.strikes_here * largest


def run_campaign(nursery: Any, folder: Path, whole: Any, kills: int, aimed: int, seed: int) -> Any:
    campaign = Campaign(nursery, folder, whole, seed)
    moments = ["open"] * (kills - aimed) + [MOMENTS[n % len(MOMENTS)] for n in range(aimed)]
    campaign.random.shuffle(moments)
    for moment in moments:
        campaign.strike(moment)
    if campaign.strikes_here:
        campaign.finish()
    assert len(campaign.struck) == kills
    assert campaign.struck.count("open") >= 0.75 * kills
    assert campaign.finished >= kills / 20
    return campaign


def test_thirty_two_kills(tmp_path: Path, nursery: Any, whole: Any, caplog: Any):
    with caplog.at_level(logging.WARNING):
        found = run_campaign(nursery, tmp_path, whole, 32, 8, seed=20)
    assert set(found.struck) == {"open", *MOMENTS}
    assert "will not open" not in caplog.text


@pytest.mark.long
def test_two_hundred_kills(tmp_path: Path, nursery: Any, whole: Any, caplog: Any):
    with caplog.at_level(logging.WARNING):
        found = run_campaign(nursery, tmp_path, whole, 200, 48, seed=200)
    assert set(found.struck) == {"open", *MOMENTS}
    assert "will not open" not in caplog.text


def members(session: int) -> list[psutil.Process]:
    """Living processes of a session."""
    found = []
    for process in psutil.process_iter():
        try:
            if os.getsid(process.pid) == session and process.status() != psutil.STATUS_ZOMBIE:
                found.append(process)
        except (ProcessLookupError, psutil.NoSuchProcess):
            pass
    return found


def sweeping(path: Path) -> subprocess.Popen[str]:
    """A sweep with two workers, in a session of its own, with some of it done."""
    script = sweep_fault_worker.__file__
    assert script is not None
    process = subprocess.Popen(
        [sys.executable, script, str(path)],
        start_new_session=True,
        stderr=subprocess.PIPE,
        text=True,
    )
    until = time.monotonic() + 60.0
    while not list(parts_folder(path).glob("part-*.h5")):
        assert process.poll() is None
        assert time.monotonic() < until
        time.sleep(0.02)
    assert len(members(process.pid)) >= 3
    return process


@pytest.mark.parametrize("how", ["Ctrl-C", "kill"])
def test_workers_end_with_the_sweep(tmp_path: Path, whole: Any, how: str):
    path = tmp_path / "a.h5"
    process = sweeping(path)
    if how == "Ctrl-C":  # as a terminal sends it, to all
        os.killpg(process.pid, signal.SIGINT)
    else:
        process.kill()
    _, said = process.communicate(timeout=20.0)
    until = time.monotonic() + 10.0
    while (left := members(process.pid)) and time.monotonic() < until:
        time.sleep(0.05)
    assert left == []
    assert process.returncode == -(signal.SIGINT if how == "Ctrl-C" else signal.SIGKILL)
    if how == "Ctrl-C":
        assert said.count("Traceback") <= 1, said
        assert "SpawnProcess" not in said
    assert open_store(path).states_by_band.any()
    plan = toy_plan()
    with SweepStore.resume(path, plan) as store:
        done = int(store.finished().sum())
        assert 0 < done < 72
        batches = toy_batches(plan, 4)
        run = run_batches(ToyWork(plan), batches, store, executor="in-process")
        assert run.pairs >= 72 - done
        store.gather()
    assert datasets(path) == whole


@pytest.fixture
def calls(monkeypatch: Any) -> list[str]:
    """What the system is asked for, in order."""
    made: list[str] = []
    write, fsync, rename, unlink = os.write, os.fsync, os.replace, os.unlink

    def told(name: str, action: Any, tell: Any) -> None:
        def wrapped(*arguments: Any, **options: Any) -> Any:
            what = f"{name} {tell(*arguments)}"
            if made[-1:] != [what]:
                made.append(what)
            return action(*arguments, **options)

        monkeypatch.setattr(os, name, wrapped)

    def kind(handle: int, *_: Any) -> str:
        return "folder" if stat.S_ISDIR(os.fstat(handle).st_mode) else "file"

    told("write", write, kind)
    told("fsync", fsync, kind)
    told("replace", rename, lambda _, target: Path(target).name)
    told("unlink", unlink, lambda target: Path(target).name.split("-")[0])
    return made


def test_all_is_synchronised_before_and_after_it_gets_its_name(tmp_path: Path, calls: list[str]):
    plan = toy_plan()
    with SweepStore.create(tmp_path / "a.h5", plan) as store:
        assert calls == ["write file", "fsync file", "replace plan.h5", "fsync folder"]
        calls.clear()
        store.put(ToyWork(plan).compute(Batch(0, tuple(range(24)), (0, 1, 2))))
        assert calls == ["write file", "fsync file", "replace part-000001.h5", "fsync folder"]
        calls.clear()
        store.gather()
    assert calls[:5] == [
        "write file", "fsync file", "replace a.h5", "fsync folder", "unlink part"
    ]  # fmt: skip


# --- two at once ------------------------------------------------------------------------------


def test_a_second_process_is_refused_until_the_first_is_gone(tmp_path: Path, nursery: Any):
    path = tmp_path / "night.h5"
    ours, theirs = nursery.Pipe()
    child = nursery.Process(target=hold, args=(path, theirs))
    child.start()
    theirs.close()
    assert ours.recv() == "held"
    for opener in (SweepStore.create, SweepStore.resume):
        with pytest.raises(StoreError, match="another process works on this sweep") as raised:
            opener(path, toy_plan())
        assert str(path) in str(raised.value)
        assert f"process {child.pid} on" in str(raised.value)
        assert "Wait for it, stop it, or give this sweep another file" in str(raised.value)
    assert open_store(path).states.sum() == 0  # looking is allowed
    child.kill()
    child.join()
    with SweepStore.resume(path, toy_plan()) as store:  # nothing to clean up by hand
        with pytest.raises(StoreError, match=f"process {os.getpid()} on"):
            SweepStore.resume(path)  # nor twice in one process
        assert store.missing().all()
    child.close()
    ours.close()


# --- disks ------------------------------------------------------------------------------------


def check_out_of_disk(nursery: Any, path: Path, whole: Any, limits: Any, reason: str) -> None:
    ours, theirs = nursery.Pipe()
    child = nursery.Process(target=run_out_of_disk, args=(path, theirs, limits))
    child.start()
    theirs.close()
    said, there = ours.recv()
    assert f"{parts_folder(path) / 'part-00000'}" in said
    assert reason in said
    assert "What was finished is kept: resume the sweep to go on." in said
    assert "part-000001.h5" in there
    assert not [name for name in there if name.endswith(".tmp")]
    said, there = ours.recv()
    assert said.startswith(f"{path}: cannot be written ({reason}")
    assert len([name for name in there if name.startswith("part-")]) == 10
    assert not [name for name in there if name.endswith(".tmp")]
    assert ours.recv() == "gathered"
    child.join(30.0)
    assert child.exitcode == 0  # HDF5 did not crash at the end
    child.close()
    ours.close()
    assert datasets(path) == whole


def test_files_that_may_not_grow(tmp_path: Path, nursery: Any, whole: Any):
    check_out_of_disk(nursery, tmp_path / "a.h5", whole, (1500, 20_000), "File too large")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    mount = shutil.which("mount")
    command = [str(mount), "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(folder)]
    if mount is None or subprocess.run(command, capture_output=True).returncode:
        pytest.skip("a small disk cannot be mounted here; a limit of file size is tested instead")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk(small_disk: Path, nursery: Any, whole: Any):
    check_out_of_disk(nursery, small_disk / "a.h5", whole, None, "No space left on device")


@pytest.fixture
def lockable(tmp_path: Path) -> Iterator[Any]:
    """Closes folders so that nobody may write there, not even root; opens them again."""
    closed: list[Path] = []

    def close(folder: Path) -> None:
        folder.chmod(0o555)
        closed.append(folder)
        if os.geteuid() == 0:
            tool = shutil.which("chattr")
            if tool is None or subprocess.run([tool, "+i", folder], capture_output=True).returncode:
                pytest.skip("root may write everywhere, and chattr +i does not work here")

    def open_again() -> None:
        for folder in closed:
            if os.geteuid() == 0:
                subprocess.run(["chattr", "-i", folder], capture_output=True)
            folder.chmod(0o755)
        closed.clear()

    yield close, open_again
    open_again()


def test_a_folder_that_may_only_be_read(tmp_path: Path, lockable: Any, whole: Any):
    folder = tmp_path / "a"
    folder.mkdir()
    lockable[0](folder)
    with pytest.raises(StoreError, match=r"a\.h5.parts: cannot be written .*another place"):
        SweepStore.create(folder / "a.h5", toy_plan())
    assert os.listdir(folder) == []


def test_a_folder_that_is_closed_while_the_sweep_runs(tmp_path: Path, lockable: Any, whole: Any):
    plan = toy_plan()
    path = tmp_path / "a" / "a.h5"
    path.parent.mkdir()
    batches = toy_batches(plan)
    with SweepStore.create(path, plan) as store:
        for batch in batches[:-1]:
            store.put(ToyWork(plan).compute(batch))
        lockable[0](parts_folder(path))
        with pytest.raises(StoreError, match=r"part-000010.h5: cannot be written") as raised:
            run_batches(ToyWork(plan), batches, store, executor="in-process")
        assert "You may not write there: change the permissions" in str(raised.value)
        assert len(list(parts_folder(path).glob("part-*.h5"))) == 9
        lockable[1]()
        run_batches(ToyWork(plan), batches, store, executor="in-process")
        store.gather()
    assert datasets(path) == whole


@pytest.mark.parametrize("below", ["file/a.h5", "no/such/a.h5"])
def test_a_place_that_is_none(tmp_path: Path, below: str):
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match=r"a\.h5.parts: cannot be written .*check the path"):
        SweepStore.create(tmp_path / below, toy_plan())
