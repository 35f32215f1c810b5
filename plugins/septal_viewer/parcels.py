"""Objects on their way between two processes: pickled, with large arrays beside in shared memory.

What the other side holds already (the CT, the anatomy found in it and its parts) goes as a name alone, so that what
is worked out of an anatomy comes back resting on the very anatomy there is.
"""

from __future__ import annotations

import io
import mmap
import os
import pickle
import struct
import sys
import traceback
from collections.abc import Sequence
from dataclasses import dataclass, field
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path
from typing import IO, Any

import numpy as np

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.errors import AnatomyNotFound, CallIsOff, InputRefused
from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy
from septal_planner.puncture.procedures import UnknownProcedure

LARGE_BYTES = 1 << 18  # smaller buffers travel in the pickle itself
ALIGN = 64
SHARED = Path("/dev/shm")  # where Linux shows shared memory
SPARE_BYTES = 1 << 23
_LENGTH = struct.Struct(">Q")
_PARTS = {"chambers": Chambers, "fossa": Fossa, "mitral": Annulus, "tricuspid": Annulus}  # of the anatomy found


@dataclass
class Held:
    """What both sides hold: one CT and what was found in it, by kind."""

    kept: dict[str, object] = field(default_factory=dict)

    def name_of(self, thing: object) -> str | None:
        """The name that stands for `thing`, or None where the other side does not hold it."""
        if isinstance(thing, (Volume, FoundAnatomy)):
            kind = type(thing).__name__
            return kind if self.kept.get(kind) is thing else None
        if isinstance(thing, (Chambers, Fossa, Annulus)):
            found = self.kept.get(FoundAnatomy.__name__)
            for part, kind_of_part in _PARTS.items() if found is not None else ():
                if isinstance(thing, kind_of_part) and getattr(found, part) is thing:
                    return f"{FoundAnatomy.__name__}.{part}"
        return None

    def named(self, name: str) -> object:
        """What `name_of` gave a name."""
        kind, _, part = name.partition(".")
        return getattr(self.kept[kind], part) if part else self.kept[kind]

    def keep(self, things: Any) -> None:
        """Keep the first CT and the first anatomy of `things` (one, or a sequence), or those that a thing has."""
        found: dict[str, object] = {}
        every = things
        if not isinstance(things, (list, tuple)):
            every = (things, getattr(things, "volume", None), getattr(things, "found", None))
        for thing in every:
            if isinstance(thing, (Volume, FoundAnatomy)):
                found.setdefault(type(thing).__name__, thing)
        self.kept.update(found)


class _Pickler(pickle.Pickler):
    def __init__(self, stream: IO[bytes], held: Held, large: list[pickle.PickleBuffer], beside: bool) -> None:
        super().__init__(
            stream, protocol=5, buffer_callback=(lambda b: self._stays(b, large)) if beside else None
        )
        self._held = held

    @staticmethod
    def _stays(buffer: pickle.PickleBuffer, large: list[pickle.PickleBuffer]) -> bool:
        if buffer.raw().nbytes < LARGE_BYTES:
            return True
        large.append(buffer)
        return False

    def persistent_id(self, obj: Any) -> str | None:
        return self._held.name_of(obj)


class _Unpickler(pickle.Unpickler):
    def __init__(self, stream: IO[bytes], held: Held, buffers: Sequence[Any]) -> None:
        super().__init__(stream, buffers=buffers)
        self._held = held

    def persistent_load(self, pid: Any) -> object:
        return self._held.named(pid)


@dataclass(frozen=True)
class Packed:
    """A pickle, and the buffers that belong beside it."""

    text: bytes
    large: tuple[memoryview, ...]

    @property
    def sizes(self) -> tuple[int, ...]:
        return tuple(b.nbytes for b in self.large)

    @property
    def room(self) -> int:
        """Bytes of shared memory needed; 0 for none."""
        return _places(self.sizes)[1]


def pack(thing: object, held: Held, *, beside: bool = True) -> Packed:
    """`thing` without what the other side holds; large arrays `beside` it, or in the pickle like all else."""
    stream, large = io.BytesIO(), list[pickle.PickleBuffer]()
    _Pickler(stream, held, large, beside).dump(thing)
    return Packed(stream.getvalue(), tuple(b.raw() for b in large))


def fill(packed: Packed, memory: SharedMemory) -> None:
    """Copy the large buffers into shared memory of `packed.room` bytes."""
    places, _ = _places(packed.sizes)
    for start, source in zip(places, packed.large, strict=True):
        # by numpy, which lets other threads run meanwhile
        assert memory.buf is not None
        to = np.frombuffer(memory.buf, dtype=np.uint8, count=source.nbytes, offset=start)
        to[:] = np.frombuffer(source, dtype=np.uint8)
        del to


def unpack(text: bytes, sizes: Sequence[int], memory: SharedMemory | None, held: Held, *, keep: bool) -> Any:
    """The object again. With `keep` its arrays are its own for good; without, its large ones lie in the shared memory,
    which must stay open as long."""
    buffers: list[Any] = []
    if memory is not None:
        mapped = _map_of(memory) if keep else None
        for start, size in zip(_places(sizes)[0], sizes, strict=True):
            source = memory.buf if mapped is None else mapped
            assert source is not None
            place = np.frombuffer(source, dtype=np.uint8, count=size, offset=start)
            buffers.append(place.copy() if keep and mapped is None else place)
            del place
    return _Unpickler(io.BytesIO(text), held, buffers).load()


def make_room(count: int) -> SharedMemory | None:
    """Shared memory of so many bytes, or None where there is not enough: containers often have 64 MB, and writing
    beyond that ends the process."""
    if SHARED.is_dir():
        there = os.statvfs(SHARED)
        if there.f_bavail * there.f_frsize < count + SPARE_BYTES:
            return None
    try:
        return SharedMemory(create=True, size=count)
    except OSError:
        return None


def _map_of(memory: SharedMemory) -> mmap.mmap | None:
    """The same memory, mapped once more: it lasts as long as an array looks at it, without a copy. None where the
    system does not show shared memory as files."""
    place = SHARED / memory.name
    if not place.is_file():
        return None
    with place.open("r+b") as stream:
        return mmap.mmap(stream.fileno(), 0)


def _places(sizes: Sequence[int]) -> tuple[list[int], int]:
    starts, at = [], 0
    for size in sizes:
        starts.append(at)
        at += -(-size // ALIGN) * ALIGN
    return starts, at


def send(stream: IO[bytes], message: tuple[Any, ...]) -> None:
    """Write one message with its length before it."""
    text = pickle.dumps(message, protocol=5)
    stream.write(_LENGTH.pack(len(text)) + text)
    stream.flush()


def receive(stream: IO[bytes]) -> tuple[Any, ...]:
    """Read one message. Raises EOFError where the other side is gone."""
    text = _exactly(stream, _LENGTH.unpack(_exactly(stream, _LENGTH.size))[0])
    message: tuple[Any, ...] = pickle.loads(text)
    return message


def _exactly(stream: IO[bytes], count: int) -> bytes:
    got = stream.read(count)
    if got is None or len(got) < count:
        raise EOFError
    return got


def open_as_guest(name: str) -> SharedMemory:
    """Shared memory that another process answers for."""
    if sys.version_info >= (3, 13):
        return SharedMemory(name, track=False)
    return SharedMemory(name)


def answer_for_nothing() -> None:
    """Keep Python before 3.13 from ending, with this process, shared memory that it only opened
    (github.com/python/cpython/issues/82300)."""
    if sys.version_info < (3, 13):
        from multiprocessing import resource_tracker

        resource_tracker.register = lambda name, rtype: None


def as_sentence(problem: BaseException) -> tuple[str, str]:
    """What to tell the person, and what only the log needs."""
    if isinstance(problem, (InputRefused, AnatomyNotFound, CallIsOff, UnknownProcedure)):
        return str(problem), ""
    details = "".join(traceback.format_exception(problem))
    if isinstance(problem, MemoryError):
        return (
            "The memory of this machine does not suffice for this CT; close other programs, or use a CT of fewer "
            "voxels.",
            details,
        )
    said = " ".join(str(problem).split()) or type(problem).__name__
    said = said if len(said) <= 200 else said[:200] + "..."
    return (
        f"An unexpected fault ended this step ({type(problem).__name__}: {said.rstrip('.')}); nothing you marked is "
        "lost, so save the landmarks and try again, or report it with the log.",
        details,
    )
