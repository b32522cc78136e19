"""What is measured, and against which floor."""

import re
from collections.abc import Callable
from statistics import median
from typing import Any
from uuid import uuid4

from django.db import connection
from django.urls import reverse

from jobs.models import InstallSheet, Job
from jobs.pdf import render
from shop.models import StaffMember
from tests.bench.acoustics import proposal_time, response_times
from tests.bench.caller import Answer, Caller, queries, seconds, side_by_side
from tests.bench.weight import compressed, first_load
from tests.wiring.plans import large_plan
from wiring.check import check

SAVES = 150
PAGES = 60
SHEETS = 3
CHECKS = 300
LINE = "  {:34} {:>12} {:>12} {:>8}   {}"


def _ms(value_s: float) -> str:
    return f"{value_s * 1000:.2f} ms"


def _ok(answer: Answer) -> Answer:
    if answer.status != 200:
        raise SystemExit(f"The bench got {answer.status}: {answer.body[:300]!r}")
    return answer


class Bench:
    """The figures of one run. `job` is the six-channel job with its bay sheet open."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.caller = Caller(StaffMember.objects.get(username="idris"))
        self.row = reverse("one_row", args=[job.number])

    def floor(self) -> Answer:
        """One row by its number."""
        return _ok(self.caller.get(self.row))

    def report(self) -> None:
        """Measure and print."""
        print(f"\n{connection.vendor}: measured and floor are of this run; ratios travel")
        print(LINE.format("what", "measured", "floor", "ratio", "target"))
        self._save()
        self._board()
        self._check()
        self._acoustics()
        self._pdf()
        self._bytes()

    def _line(self, what: str, measured: float, floor: float, target: str) -> None:
        ratio = measured / floor
        print(LINE.format(what, _ms(measured), _ms(floor), f"{ratio:.2f}", target), flush=True)

    def _cell(self) -> Callable[[], Answer]:
        """A save of one channel's level, another value each time."""
        channel = self.job.channels.filter(kind="amplifier", number=3)[0]
        url = reverse("bay_setting_save", args=[self.job.number, "after", channel.pk])
        state: dict[str, Any] = {"turn": 0, "version": 1}

        def save() -> Answer:
            state["turn"] += 1
            level = -1.5 - 0.5 * (state["turn"] % 2)
            fields = {"level_db": level, "version": state["version"], "key": uuid4().hex}
            answer = _ok(self.caller.save(url, fields))
            found = re.search(rb'name="version" value="(\d+)"', answer.body)
            assert found, "the answer holds no version"
            state["version"] = int(found[1])
            return answer

        save()
        return save

    def _save(self) -> None:
        save = self._cell()
        measured, floor = side_by_side(save, self.floor, SAVES)
        self._line("save a channel cell, p95", measured, floor, "at most 3 x")
        print(f"{'':4}queries: {queries(save)}; the floor's: {queries(self.floor)}")

    def _board(self) -> None:
        url = reverse("board")

        def board() -> Answer:
            return _ok(self.caller.get(url))

        measured, floor = side_by_side(board, self.floor, PAGES)
        past = Job.objects.count()
        self._line(f"board, 60 live of {past:,} jobs, p95", measured, floor, "at most 4 x")
        print(f"{'':4}queries: {queries(board)}")

    def _check(self) -> None:
        plan = large_plan()
        check(plan)
        times = [(seconds(lambda: check(plan)), seconds(self.floor)) for _ in range(CHECKS)]
        measured, floor = (median(column) for column in zip(*times, strict=True))
        self._line("check 12 channels, 3 amplifiers", measured, floor, "under 0.05 x (medians)")

    def _acoustics(self) -> None:
        ours, scipy = response_times()
        self._line("response, 12 x 12 x 512", ours, scipy, "at most 0.2 x scipy's")
        taken = proposal_time()
        print(f"  proposal, 6 channels x 10 sections: {taken:.2f} s (at most 2 s)")

    def _pdf(self) -> None:
        sheet = InstallSheet.objects.filter(job__vehicle__plate="HRN 1093")[0]
        document = sheet.document
        html = render.sheet_html(document)
        attached = render.attachments(document)
        render.write_pdf(html, attached)
        times = [
            (
                seconds(lambda: render.signed_pdf(document)),
                seconds(lambda: render.write_pdf(html, attached)),
            )
            for _ in range(SHEETS)
        ]
        measured, floor = (min(column) for column in zip(*times, strict=True))
        self._line("install sheet, signed PDF", measured, floor, "at most 1.15 x the renderer")

    def _bytes(self) -> None:
        page = _ok(self.caller.get(reverse("bay_channels", args=[self.job.number]))).body
        total, parts = first_load(page)
        print(f"  bay sheet, first load: {total / 1000:.1f} kB compressed (at most 120 kB)")
        for name, size in parts[:6]:
            print(f"{'':4}{size / 1000:7.1f} kB  {name}")
        answer = self._cell()()
        print(
            f"  one edit: {compressed(answer.body) / 1000:.1f} kB compressed, "
            f"{len(answer.body) / 1000:.1f} kB plain (at most 4 kB)"
        )
