"""Every write and every sync that SQLite makes, seen from below, and what a power cut would leave of them.

SQLite reaches the disk through a table of functions, its VFS (https://www.sqlite.org/vfs.html). While
`recorded` is open, the functions that change files note what they are asked for and then do it.

A power cut may come before or after any of these. What was synced is on the disk. Of what was written
since, all may be there, or nothing, or any sectors of it and not others: a disk may write in any
order (https://www.sqlite.org/atomiccommit.html, section 2).
"""

from __future__ import annotations

import ctypes
import ctypes.util
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

SECTOR_BYTES = 512
_P, _I, _L = ctypes.c_void_p, ctypes.c_int, ctypes.c_int64
# The name stays a pointer: SQLite keeps the very one it is given for as long as the file is open.
_OPEN = ctypes.CFUNCTYPE(_I, _P, _P, _P, _I, _P)
_DELETE = ctypes.CFUNCTYPE(_I, _P, ctypes.c_char_p, _I)
_WRITE = ctypes.CFUNCTYPE(_I, _P, _P, _I, _L)
_TRUNCATE = ctypes.CFUNCTYPE(_I, _P, _L)
_SYNC = ctypes.CFUNCTYPE(_I, _P, _I)
# sqlite3_io_methods, version 3: an int, then 18 functions in this order.
_METHODS, _AT_WRITE, _AT_TRUNCATE, _AT_SYNC = 18, 2, 3, 4


class _Vfs(ctypes.Structure):
    _fields_ = (
        ("version", _I), ("file_bytes", _I), ("longest_path", _I), ("next", _P),
        ("name", ctypes.c_char_p), ("data", _P), ("open", _P), ("delete", _P),
    )  # fmt: skip


class _Methods(ctypes.Structure):
    _fields_ = (("version", _I), ("functions", _P * _METHODS))


class Op(NamedTuple):
    """One thing that was asked of the disk, or what was acknowledged at this point (`told`)."""

    kind: str
    file: str = ""
    at: int = 0
    data: bytes = b""
    told: Any = None


class NotReached(RuntimeError):
    """Nothing of what SQLite does can be seen."""


_kept: list[Any] = []  # C code may call these for as long as the process lives


@contextmanager
def recorded(folder: Path) -> Iterator[list[Op]]:
    """Note what SQLite does to files in this folder.

    Raises:
        NotReached: this Python's SQLite is not the one that can be reached.
    """
    library = ctypes.CDLL(ctypes.util.find_library("sqlite3") or "libsqlite3.so.0")
    library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
    vfs = library.sqlite3_vfs_find(None).contents
    ops: list[Op] = []
    really_open, really_delete = _OPEN(vfs.open), _DELETE(vfs.delete)

    @_OPEN
    def opened(of: Any, name: int | None, file: Any, flags: int, out: Any) -> int:
        code = int(really_open(of, name, file, flags, out))
        if code == 0 and name:
            path = Path(ctypes.string_at(name).decode())
            if path.parent == folder:
                _watch(file, path.name, ops)
        return code

    @_DELETE
    def deleted(of: Any, name: bytes, sync: int) -> int:
        path = Path(name.decode())
        code = int(really_delete(of, name, sync))
        if code == 0 and path.parent == folder:
            ops.append(Op("delete", path.name))
        return code

    _kept.extend((opened, deleted, really_open, really_delete))
    before = vfs.open, vfs.delete
    vfs.open = ctypes.cast(opened, _P).value
    vfs.delete = ctypes.cast(deleted, _P).value
    try:
        yield ops
    finally:
        vfs.open, vfs.delete = before
    if not any(op.kind == "write" for op in ops):
        raise NotReached("nothing seen: this Python has an SQLite of its own inside")


def _watch(file: int, name: str, ops: list[Op]) -> None:
    """Give one open file functions that note what they do."""
    slot = ctypes.cast(file, ctypes.POINTER(_P))
    old = ctypes.cast(slot[0], ctypes.POINTER(_Methods)).contents
    new = _Methods()
    ctypes.memmove(ctypes.byref(new), ctypes.byref(old), ctypes.sizeof(_Methods))
    really_write = _WRITE(old.functions[_AT_WRITE])
    really_truncate = _TRUNCATE(old.functions[_AT_TRUNCATE])
    really_sync = _SYNC(old.functions[_AT_SYNC])

    @_WRITE
    def write(of: Any, data: Any, count: int, at: int) -> int:
        ops.append(Op("write", name, at, ctypes.string_at(data, count)))
        return int(really_write(of, data, count, at))

    @_TRUNCATE
    def truncate(of: Any, size: int) -> int:
        ops.append(Op("truncate", name, size))
        return int(really_truncate(of, size))

    @_SYNC
    def sync(of: Any, flags: int) -> int:
        code = int(really_sync(of, flags))
        ops.append(Op("sync", name))
        return code

    for at, function in ((_AT_WRITE, write), (_AT_TRUNCATE, truncate), (_AT_SYNC, sync)):
        new.functions[at] = ctypes.cast(function, _P).value
    _kept.extend((new, write, truncate, sync, really_write, really_truncate, really_sync))
    slot[0] = ctypes.addressof(new)


class Cut(NamedTuple):
    """What is on the disk when the power comes back, and what had been acknowledged before it went."""

    number: int
    fate: str
    files: dict[str, bytes]
    told: Sequence[Any]


Chooses = Callable[[], bool]
_FATES = ("nothing unsynced", "all unsynced", "some sectors", "other sectors")


def cuts(ops: Sequence[Op], seed: int = 1, every: int = 1) -> Iterator[Cut]:
    """Cut the power before the first and after every operation; yield each fate of what was not synced."""
    draw = random.Random(seed)
    durable: dict[str, bytearray] = {}
    pending: dict[str, list[Op]] = {}
    told: list[Any] = []
    for number, op in enumerate((Op("nothing"), *ops)):
        if op.kind == "told":
            told.append(op.told)
        elif op.kind == "sync":
            durable[op.file] = _after(durable.get(op.file), pending.pop(op.file, []), lambda: True)
        elif op.kind == "delete":
            # SQLite does not depend on a deletion being on the disk; here it is at once.
            durable.pop(op.file, None)
            pending.pop(op.file, None)
        elif op.kind != "nothing":
            pending.setdefault(op.file, []).append(op)
        if number % every == 0:
            yield from _fates(number, durable, pending, told, draw)


def _fates(
    number: int,
    durable: dict[str, bytearray],
    pending: dict[str, list[Op]],
    told: list[Any],
    draw: random.Random,
) -> Iterator[Cut]:
    choices: tuple[Chooses, ...] = (
        lambda: False, lambda: True, lambda: draw.random() < 0.5, lambda: draw.random() < 0.9,
    )  # fmt: skip
    for fate, chosen in zip(_FATES, choices, strict=True):
        files = {n: bytes(b) for n, b in durable.items()}
        for name, waiting in pending.items():
            whole = _after(durable.get(name), waiting, chosen)
            if name in durable or whole:
                files[name] = bytes(whole)
        yield Cut(number, fate, files, tuple(told))
        if not any(pending.values()):
            return  # all fates are the same


def _after(before: bytearray | None, ops: Sequence[Op], chosen: Chooses) -> bytearray:
    """A file after those of the operations, sector by sector, that fate has chosen."""
    content = bytearray(before or b"")
    for op in ops:
        if op.kind == "truncate":
            if chosen():
                del content[op.at :]
            continue
        at, end = op.at, op.at + len(op.data)
        while at < end:
            upto = min(end, (at // SECTOR_BYTES + 1) * SECTOR_BYTES)
            if chosen():
                if len(content) < at:
                    content.extend(bytes(at - len(content)))
                content[at:upto] = op.data[at - op.at : upto - op.at]
            at = upto
    return content
