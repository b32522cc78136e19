"""Several people at once, each with a connection of their own."""

import threading
from collections.abc import Callable

from django.db import connections

from jobs.errors import Refused


def at_once(*calls: Callable[[], object]) -> list[object]:
    """Run the calls in threads that begin together; the answer or the refusal of each."""
    answers: list[object] = ["no answer"] * len(calls)
    together = threading.Barrier(len(calls))

    def run(place: int, call: Callable[[], object]) -> None:
        together.wait(30)
        try:
            answers[place] = call()
        except Refused as refused:
            answers[place] = refused
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=pair) for pair in enumerate(calls)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert "no answer" not in answers
    return answers
