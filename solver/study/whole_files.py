"""Files that are either there in full or not at all: written aside, synchronised, put in place."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from ..errors import StoreError

ASIDE = ".tmp"
"""Ends the name of a file that is still being written."""

_CURES = {
    errno.ENOSPC: "The disk is full: free some space, then go on.",
    errno.EDQUOT: "Your share of the disk is used up: free some space, then go on.",
    errno.EFBIG: "The file would be larger than is allowed here: raise the limit, then go on.",
    errno.EROFS: "It lies on a disk that may only be read: choose another place.",
    errno.EACCES: "You may not write there: change the permissions or choose another place.",
    errno.EPERM: "You may not write there: change the permissions or choose another place.",
    errno.ENOENT: "Its folder is not there: make it, or check the path.",
    errno.ENOTDIR: "A part of its path is a file, not a folder: check the path.",
    errno.EIO: "The disk reports a fault: check it, then go on elsewhere.",
}


def cannot_write(path: Path, error: OSError, kept: str = "") -> StoreError:
    """What to raise where the system refuses to write: path, reason, cure, and what is kept."""
    reason = os.strerror(error.errno) if error.errno else str(error)
    cure = _CURES.get(error.errno or 0, "Check the disk and the path.")
    fault = StoreError(f"{path}: cannot be written ({reason}). {cure}{' ' if kept else ''}{kept}")
    fault.errno = error.errno
    return fault


def synchronise_folder(folder: Path) -> None:
    """Have the names in a folder survive a loss of power (where the system can do that)."""
    if os.name == "nt":  # folders cannot be opened there
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # not all network disks can
            raise
    finally:
        os.close(handle)


def put_in_place(aside: Path, target: Path) -> None:
    """Give a file that is written and synchronised its name, for good."""
    os.replace(aside, target)
    synchronise_folder(target.parent)


def write_whole(target: Path, content: bytes | memoryview) -> None:
    """Write a file so that it is there in full or not at all, whatever happens in between.

    Raises
    ------
    OSError
        As the system raises it; nothing is left behind.
    """
    aside = target.with_name(target.name + ASIDE)
    sink = WholeFile(aside)
    try:
        sink.write(content)
        sink.finish()
        put_in_place(aside, target)
    except BaseException:
        sink.discard()
        raise


class WholeFile:
    """A file that HDF5 writes into (h5py's `fileobj` driver), to be put in place when finished.

    The HDF5 library crashes at exit when a write has failed on it and it cannot close its file.
    So from the first refused write on, what it writes is held in memory, it may read that back
    and close in peace, and `finish` raises what the system said.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.fault: OSError | None = None
        self._held: list[tuple[int, bytes]] = []
        self._at = 0
        flags = os.O_RDWR | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0)
        self._handle: int | None = os.open(path, flags, 0o666)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """As for files."""
        if whence == os.SEEK_CUR:
            offset += self._at
        elif whence == os.SEEK_END:
            offset += self._size()
        self._at = offset
        return offset

    def tell(self) -> int:
        """As for files."""
        return self._at

    def truncate(self, size: int | None = None) -> int:
        """As for files."""
        size = self._at if size is None else size
        if self.fault is None:
            self._attempt(lambda handle: os.ftruncate(handle, size))
        return size

    def flush(self) -> None:
        """Nothing is buffered here."""

    def readinto(self, buffer: memoryview) -> int:
        """As for files."""
        view = memoryview(buffer).cast("B")
        view[:] = bytes(len(view))
        if self._handle is not None:
            os.lseek(self._handle, self._at, os.SEEK_SET)
            done = 0
            while done < len(view) and (some := os.read(self._handle, len(view) - done)):
                view[done : done + len(some)] = some
                done += len(some)
        for start, held in self._held:
            low, high = max(start, self._at), min(start + len(held), self._at + len(view))
            if low < high:
                view[low - self._at : high - self._at] = held[low - start : high - start]
        self._at += len(view)
        return len(view)

    def read(self, size: int) -> bytes:
        """As for files."""
        buffer = bytearray(size)
        self.readinto(memoryview(buffer))
        return bytes(buffer)

    def write(self, content: bytes | memoryview) -> int:
        """As for files, but never fails: see `fault`."""
        view = memoryview(content).cast("B")
        if self.fault is None:
            self._attempt(lambda handle: self._write_all(handle, view))
        if self.fault is not None:
            self._held.append((self._at, bytes(view)))
        self._at += len(view)
        return len(view)

    def finish(self) -> None:
        """Synchronise and close.

        Raises
        ------
        OSError
            If it, or a write before, was refused.
        """
        if self.fault is None:
            self._attempt(os.fsync)
        self._close()
        if self.fault is not None:
            raise self.fault

    def discard(self) -> None:
        """Close, and remove what was written."""
        self._close()
        with suppress(OSError):
            os.unlink(self.path)

    def _write_all(self, handle: int, view: memoryview) -> None:
        os.lseek(handle, self._at, os.SEEK_SET)
        done = 0
        while done < len(view):
            done += os.write(handle, view[done:])

    def _attempt(self, action: Callable[[int], object]) -> None:
        if self._handle is None:
            raise ValueError(f"{self.path}: is closed.")
        try:
            action(self._handle)
        except OSError as error:
            self.fault = error

    def _size(self) -> int:
        size = 0 if self._handle is None else os.fstat(self._handle).st_size
        return max([size, *(start + len(held) for start, held in self._held)])

    def _close(self) -> None:
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
