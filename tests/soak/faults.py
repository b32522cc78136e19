"""What is taken away in the middle of a shift, one thing after another; each says what it saw."""

import os
import signal
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass

from tests.soak.world import FAKETIME, Database, Node, Store, until

BACK_S = 90.0
"""How long anything may take to come back by itself."""


@dataclass
class World:
    """Everything that can be taken away, and the moment at which the shift ends."""

    database: Database
    store: Store
    nodes: list[Node]
    stop: threading.Event

    def pause(self, seconds: float) -> None:
        self.stop.wait(seconds)

    def back(self) -> str:
        took = max(until(node.answers, BACK_S) for node in self.nodes)
        return f"all nodes ready again after {took:.1f} s"


def worker_killed(world: World) -> str:
    world.nodes[0].kill_worker()
    return world.back()


def node_killed(world: World) -> str:
    node = world.nodes[1]
    node.kill()
    world.pause(8)
    node.start()
    return world.back()


def database_killed(world: World) -> str:
    world.database.kill()
    world.pause(5)
    alive = all(node.answers("/healthz") for node in world.nodes)
    ready = any(node.answers() for node in world.nodes)
    world.database.start()
    told = "healthz ok and readyz 503 meanwhile" if alive and not ready else "WRONG HEALTH"
    return f"{told}; {world.back()}"


def disk_full(world: World) -> str:
    if not world.database.small:
        return "not tried: no small disk could be made here (mount needs root)"
    filler = world.database.fill()
    world.pause(8)
    filler.unlink()
    ended = not world.database.serves()
    if ended:
        world.database.start()
    how = "the database had stopped and was started again" if ended else "the database stayed"
    return f"{how}; {world.back()}"


def clock_jumps(world: World) -> str:
    node = world.nodes[1]
    if not FAKETIME.exists():
        return "not tried: libfaketime is not installed (Debian: faketime)"
    # Under its control for this alone: it also disturbs the sleeping of a process.
    node.close()
    node.start(faked=True)
    until(node.answers, BACK_S)
    for off in ("+1200", "-1200", "+0"):
        node.set_clock(off)
        world.pause(5)
    node.close()
    node.start()
    return f"20 minutes forwards and back; {world.back()}"


def store_stopped(world: World) -> str:
    os.kill(world.store.process.pid, signal.SIGSTOP)
    world.pause(12)
    os.kill(world.store.process.pid, signal.SIGCONT)
    return "it took connections and answered nothing for 12 s"


def slow_clients(world: World) -> str:
    """A hundred strangers who begin a request and never end it."""
    held = []
    for place in range(100):
        port = world.nodes[place % len(world.nodes)].port
        one = socket.create_connection(("127.0.0.1", port), timeout=5)
        one.sendall(b"POST /login/ HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Le")
        held.append(one)
    world.pause(12)
    for one in held:
        one.close()
    return f"100 held for 12 s; {world.back()}"


FAULTS: list[Callable[[World], str]] = [
    worker_killed,
    node_killed,
    slow_clients,
    database_killed,
    clock_jumps,
    store_stopped,
    disk_full,
]
