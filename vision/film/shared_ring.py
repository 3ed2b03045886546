"""Memory that two processes share, cut into slots of one frame each (``vision.film.slots``).

It has no name in the system where that can be had, so nothing is left behind however the processes end. The reading
process hands views of slots out; a slot is free again when the last view of it is gone.
"""

import os
import sys
import tempfile
from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import InputError
from vision.film.slots import mapped, slot_count

_NAMED = sys.platform == "win32"


class _Slot:
    """Owner of an array on a slot: arrays made from that one keep it, and with it the memory, alive."""

    def __init__(self, memory: NDArray[np.uint8], address: int, slot: int, ring: "Ring") -> None:
        self._memory = memory
        self._slot = slot
        self._ring = ring
        self.__array_interface__: dict[str, Any] = {
            "version": 3,
            "typestr": "|u1",
            "shape": (ring.slot_bytes,),
            # Written by another process and read here: nobody writes to it on this side.
            "data": (address, True),
        }

    def __del__(self) -> None:
        self._ring.out -= 1
        self._ring.freed.append(self._slot)


class Ring:
    """The side that made the memory. ``handle`` is what the other process gets: a file number, or a name on Windows."""

    def __init__(self) -> None:
        self.slots = 0
        self.slot_bytes = 0
        self.freed: deque[int] = deque()
        self.out = 0
        self._memory: NDArray[np.uint8] | None = None
        self._address = 0
        self._file = -1
        if _NAMED:
            self.handle = f"railpoint-{os.getpid()}-{id(self):x}"
            return
        try:
            if hasattr(os, "memfd_create"):
                self._file = os.memfd_create("frames", os.MFD_CLOEXEC)
            else:
                with tempfile.TemporaryFile() as unlinked:
                    self._file = os.dup(unlinked.fileno())
        except OSError as error:
            raise InputError(f"No memory can be shared between processes here ({error.strerror}).") from error
        self.handle = str(self._file)

    @property
    def inherited(self) -> tuple[int, ...]:
        """File numbers that the other process must inherit."""
        return () if _NAMED else (self._file,)

    def size(self, slot_bytes: int) -> None:
        """Set how large a slot is; before that there is none."""
        self.slot_bytes, self.slots = slot_bytes, slot_count(slot_bytes)
        total = self.slots * slot_bytes
        try:
            if not _NAMED:
                os.ftruncate(self._file, total)
            self._memory = np.frombuffer(mapped(self.handle, total), np.uint8)
            self._address = self._memory.ctypes.data
        except OSError as error:
            raise InputError(
                f"{total / 1e6:.0f} MB of memory cannot be shared between processes ({error.strerror})."
            ) from error

    def view(self, slot: int) -> NDArray[np.uint8]:
        """A slot's memory. When this array and all views of it are gone the slot's number is put into ``freed``."""
        assert self._memory is not None
        owner = _Slot(self._memory, self._address + slot * self.slot_bytes, slot, self)
        self.out += 1
        return np.asarray(owner)

    def close(self) -> None:
        """Let go of the memory; views that are still about keep what they need of it."""
        self._memory = None
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
