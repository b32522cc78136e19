"""Several processes serve one socket: started, watched, replaced, stopped together."""

import fcntl
import mmap
import os
import signal
import socket
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

WATCHED: Final = {signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGCHLD}
LOOK_S: Final = 10
MOST_SILENT_LOOKS: Final = 6
PAUSE_S: Final = 1
"""Before another takes the place of a worker that died while it was starting."""
NOT_SERVING: Final = 2**32 - 1
KILL_S: Final = 15
"""Later than a worker gives its requests to finish."""


class Pulse:
    """A worker's side of its pipes and of the shared table of how many connections each holds."""

    def __init__(self, beats: int, parent: int, loads: memoryview, place: int) -> None:
        self.beats = beats
        self.parent = parent
        self.loads = loads
        self.place = place

    def beat(self, connections: int) -> None:
        """Say that this worker serves, and how much."""
        self.loads[self.place] = connections
        try:
            os.write(self.beats, b".")
        except BlockingIOError:
            pass

    def another_holds_less(self, connections: int) -> bool:
        """Whether a new connection had better be another's: a browser keeps it for long."""
        self.loads[self.place] = connections
        return min(self.loads) < connections


@dataclass
class Worker:
    """A worker as its parent knows it."""

    pid: int
    place: int
    beats: int
    serves: bool = False
    silent_looks: int = 0

    def listen(self) -> None:
        """Take note of what it said since the last time."""
        try:
            beats = os.read(self.beats, 1 << 16)
        except BlockingIOError:
            return
        if beats:
            self.serves = True
            self.silent_looks = 0


class Workers:
    """The parent of the processes that run `work`.

    They share the listening socket. A worker that dies or falls silent is replaced. When one dies
    and none has ever served, all are stopped: the next would fare no better.
    """

    def __init__(
        self,
        listener: socket.socket,
        count: int,
        work: Callable[[Pulse], None],
        look_s: float = LOOK_S,
    ) -> None:
        self.listener = listener
        self.count = count
        self.work = work
        self.look_s = look_s
        self.workers: dict[int, Worker] = {}
        self.served = False
        self.parent, self.held = os.pipe()
        self.loads = memoryview(mmap.mmap(-1, 4 * count)).cast("I")

    def run(self) -> int:
        """Until told to stop; gives the exit status."""
        signal.pthread_sigmask(signal.SIG_BLOCK, WATCHED)
        for place in range(self.count):
            self._start(place)
        status = 0
        looked = time.monotonic()
        while status == 0:
            heard = signal.sigtimedwait(WATCHED, self.look_s)
            if heard is not None and heard.si_signo != signal.SIGCHLD:
                break
            status = self._replace_dead()
            if time.monotonic() - looked >= self.look_s:
                looked = time.monotonic()
                self._look()
        self._stop()
        return status

    def _start(self, place: int) -> None:
        self.loads[place] = NOT_SERVING
        beats, told = os.pipe()
        for end in (beats, told):
            fcntl.fcntl(end, fcntl.F_SETFL, fcntl.fcntl(end, fcntl.F_GETFL) | os.O_NONBLOCK)
        pid = os.fork()
        if pid:
            os.close(told)
            self.workers[pid] = Worker(pid, place, beats)
            return
        status = 1
        try:
            os.close(self.held)
            os.close(beats)
            for other in self.workers.values():
                os.close(other.beats)
            self.work(Pulse(told, self.parent, self.loads, place))
            status = 0
        except BaseException:
            sys.excepthook(*sys.exc_info())
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status)

    def _dead(self) -> list[Worker]:
        gone = []
        while self.workers:
            pid, _ = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                break
            if worker := self.workers.pop(pid, None):
                self.loads[worker.place] = NOT_SERVING
                worker.listen()
                os.close(worker.beats)
                gone.append(worker)
        return gone

    def _replace_dead(self) -> int:
        gone = self._dead()
        for worker in self.workers.values():
            worker.listen()
        self.served |= any(worker.serves for worker in (*gone, *self.workers.values()))
        for worker in gone:
            if not self.served:
                return 1
            print(f"Worker {worker.pid} ended; another takes its place.", file=sys.stderr)
            if not worker.serves:
                time.sleep(PAUSE_S)
            self._start(worker.place)
        return 0

    def _look(self) -> None:
        for worker in self.workers.values():
            worker.silent_looks += 1
            worker.listen()
            if worker.silent_looks > MOST_SILENT_LOOKS:
                print(f"Worker {worker.pid} does not answer any more.", file=sys.stderr)
                os.kill(worker.pid, signal.SIGKILL)

    def _stop(self) -> None:
        self.listener.close()
        self._signal(signal.SIGTERM)
        until = time.monotonic() + KILL_S
        while self.workers and time.monotonic() < until:
            signal.sigtimedwait({signal.SIGCHLD}, 0.5)
            self._dead()
        self._signal(signal.SIGKILL)
        for pid in self.workers:
            os.waitpid(pid, 0)

    def _signal(self, number: int) -> None:
        for pid in self.workers:
            os.kill(pid, number)


def obey(stop: Callable[[], Any]) -> None:
    """In a worker: stop when told to, and leave Ctrl-C to the parent."""
    signal.signal(signal.SIGTERM, lambda number, frame: stop())
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, WATCHED)
