"""The queue of those who write to one SQLite file: one at a time, whichever process.

The database's own busy handler sleeps and retries, which starves the unlucky; a file lock is
fair and quick. One that is given back wakes everybody who waits for it, so the threads of a
process queue among themselves first, and one of them waits for the file.

Promises that nobody waits for ever: a process that was stopped, or hangs, while it writes keeps
its turn, and the others are told so with `NoTurn` after `PATIENCE`. As long as the turn has not
moved since, whoever comes next waits `SHORT_PATIENCE` only: threads that wait cannot read either.
Whoever waits next in the same process may be handed the turn with what was begun in it (`together`).
A stop typed at a terminal (Ctrl-Z) waits for the end of the turn.
"""

from __future__ import annotations

import fcntl
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from sqlalchemy.exc import TimeoutError as WaitedInVain

PATIENCE = 15.0  # seconds: far longer than any transaction of ours
SHORT_PATIENCE = 1.0
STOPPED = {"T": ", which is stopped,", "t": ", which is being debugged,"}  # proc(5): states of a process


class NoTurn(WaitedInVain):
    """Somebody else has had the turn for too long; or, with the machine's `errno`, there is no place to queue."""

    def __init__(self, why: str, errno: int = 0) -> None:
        self.errno = errno
        super().__init__(why)


class Unended(Protocol):
    """What was begun in a turn and is to be ended in it."""

    def end(self) -> None: ...


@dataclass
class Turn:
    """A turn to write, and what the thread that had it before has left in it to be ended."""

    queue: _Queue
    left: Unended | None
    is_over: bool = False

    def hand_over(self, begun: Unended) -> bool:
        """Leave the turn, and what was begun in it, to the next thread of this process; False where none waits."""
        self.is_over = self.queue.hand_over(begun)
        return self.is_over


@contextmanager
def turn(database: str, patience: float | None = None) -> Iterator[Turn]:
    """A turn to write to the file `database`. Raises NoTurn after `patience` seconds (`PATIENCE`).

    Raises RuntimeError for a turn inside another on the same thread, which would wait for itself.
    """
    mine: set[str] = _held.__dict__.setdefault("databases", set())
    if database in mine:
        raise RuntimeError("a writing transaction inside another on the same thread would wait for itself for ever")
    queue = _queues.setdefault(database, _Queue(database))
    with _no_stop():
        now = Turn(queue, queue.enter(PATIENCE if patience is None else patience))
        mine.add(database)
        try:
            yield now
        finally:
            mine.discard(database)
            if not now.is_over:
                queue.leave()


def holder(database: str) -> str:
    """Who has the turn, or the database's own lock, for people: "process 4711, which is stopped,"; else "somebody".

    As the machine's table of locks says (Linux, proc_locks(5)); a container sees its own processes only.
    """
    for name in (f"{database}.writers", f"{database}-shm", database):
        with suppress(OSError):
            node = Path(name).stat().st_ino
            for line in Path("/proc/locks").read_text(encoding="ascii").splitlines():
                _, *parts = line.split()
                if "->" in parts or "WRITE" not in parts or not parts[-3].endswith(f":{node}"):
                    continue
                if (pid := int(parts[-4])) > 0:
                    return f"process {pid}{_state(pid)}"
    return "somebody"


def _state(pid: int) -> str:
    with suppress(OSError):
        # The name of the program, in brackets, may hold anything.
        state = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()[0]
        return STOPPED.get(state, "")
    return ""


_held = threading.local()  # the databases this thread is writing to


@contextmanager
def _no_stop() -> Iterator[None]:
    """Keep a stop typed at the terminal until the end. Signals are the first thread's to take."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    typed: list[int] = []
    before = signal.signal(signal.SIGTSTP, lambda number, _frame: typed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGTSTP, signal.SIG_DFL if before is None else before)
        if typed:
            os.kill(os.getpid(), signal.SIGTSTP)


class _Queue:
    """This process's place in the queue of one file."""

    def __init__(self, database: str) -> None:
        self._file = f"{database}.writers"
        self._threads = threading.Lock()
        self._line = threading.Lock()
        self._in_line = 0  # threads of ours
        self._left: Unended | None = None  # by the last of them, whose turn goes on
        self._changed = threading.Condition()
        self._lock: int | None = None  # the locked file, where we have the turn
        self._somebody_waits = False
        self._waiter: threading.Thread | None = None  # waits for the file, longer than whoever sent it may

    def enter(self, patience: float) -> Unended | None:
        end = time.monotonic() + patience
        with self._line:
            self._in_line += 1
        came = self._threads.acquire(timeout=patience)
        with self._line:
            self._in_line -= 1
            came = came or self._threads.acquire(blocking=False)  # handed over to us at the last moment, perhaps
        if not came:
            raise NoTurn(f"{holder(self._file.removesuffix('.writers'))} keeps the turn to write")
        left, self._left = self._left, None
        if self._lock is None:
            try:
                self._take(end)
            except BaseException:
                self.leave()
                raise
        return left

    def hand_over(self, begun: Unended) -> bool:
        with self._line:
            if not self._in_line:
                return False
            self._left = begun
            self._threads.release()
            return True

    def leave(self) -> None:
        lock, self._lock = self._lock, None
        if lock is not None:
            os.close(lock)
        self._threads.release()

    def _take(self, end: float) -> None:
        with self._changed:
            if self._waiter is None:
                lock = self._opened()
                try:
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    self._lock = lock
                    return
                except BlockingIOError:
                    # A lock of a file cannot be waited for with an end, other than beside oneself.
                    self._waiter = threading.Thread(target=self._wait, args=(lock,), daemon=True)
                    self._waiter.start()
            else:
                end = min(end, time.monotonic() + SHORT_PATIENCE)
            self._somebody_waits = True
            try:
                came = self._changed.wait_for(lambda: self._lock is not None, max(end - time.monotonic(), 0))
            finally:
                self._somebody_waits = False
        if not came:
            raise NoTurn(f"{holder(self._file.removesuffix('.writers'))} keeps the turn to write")

    def _opened(self) -> int:
        try:
            return os.open(self._file, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise NoTurn(f"{self._file} cannot be opened: {error.strerror}", error.errno or 0) from None

    def _wait(self, lock: int) -> None:
        fcntl.flock(lock, fcntl.LOCK_EX)
        with self._changed:
            self._waiter = None
            if self._somebody_waits:
                self._lock = lock
                self._changed.notify()
            else:
                os.close(lock)


_queues: dict[str, _Queue] = {}
