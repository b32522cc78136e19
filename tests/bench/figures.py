"""What is measured, and against which floor."""

import io
import re
from collections.abc import Callable, Collection
from itertools import count
from statistics import median
from time import process_time
from urllib.parse import quote
from uuid import uuid4

from django.db import connection
from django.urls import reverse
from pypdf import PdfReader

from jobs.models import ChannelSetting, InstallSheet, Job, SavedSetup
from jobs.sheet import render
from shop.models import Customer, StaffMember
from tests.bench.caller import Answer, Caller, queries, seconds, side_by_side
from tests.bench.measuring import measuring_time
from tests.bench.tuning import first_proposal_times, proposal_time, response_times
from tests.bench.weight import compressed, first_load
from tests.wiring.plans import large_plan
from wiring.check import check

SAVES = 150
PAGES = 60
SHEETS = 3
CHECKS = 300
GROUPS = ("save", "board", "find", "setups", "check", "tuning", "measuring", "pdf", "bytes")
GROWTH = "growth"
"""Asked for by name alone: it needs a shop of its own (`tests.bench.growth`)."""
LINE = "  {:34} {:>12} {:>12} {:>8}   {}"


def _ms(value_s: float) -> str:
    return f"{value_s * 1000:.2f} ms"


def _with_a_slip(word: str) -> str:
    return f"{word[:3]}{word[4:]}"


def ok(answer: Answer, status: int = 200) -> Answer:
    """The answer, where it is the one that was wanted."""
    if answer.status != status:
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
        return ok(self.caller.get(self.row))

    def report(self, only: Collection[str] = ()) -> None:
        """Measure and print: everything, or the groups of figures that are named."""
        print(f"\n{connection.vendor}: measured and floor are of this run; ratios travel")
        print(LINE.format("what", "measured", "floor", "ratio", "target"))
        for name in only or GROUPS:
            getattr(self, f"_{name}")()

    def _line(self, what: str, measured: float, floor: float, target: str) -> None:
        ratio = measured / floor
        print(LINE.format(what, _ms(measured), _ms(floor), f"{ratio:.2f}", target), flush=True)

    def cell(self) -> Callable[[], Answer]:
        """A save of one channel's measured load, a value that was never saved before each time."""
        channel = self.job.channels.get(part__label="A1", kind="amplifier", number=3)
        url = reverse("bay_channel_save", args=[self.job.number, channel.pk])
        loads = (f"{3.4 + place / 10_000:.4f}" for place in count())
        return self._saver(url, channel.version, lambda: {"measured_load_ohm": next(loads)})

    def setting(self) -> Callable[[], Answer]:
        """A save of one channel's level as left, a value never saved before each time."""
        setting = ChannelSetting.objects.get(
            record__job=self.job,
            record__kind="after",
            channel__part__label="A1",
            channel__kind="amplifier",
            channel__number=3,
        )
        url = reverse("bay_setting_save", args=[self.job.number, "after", setting.channel_id])
        levels = (f"{-1.5 - place / 1000:.3f}" for place in count())
        return self._saver(url, setting.version, lambda: {"level_db": next(levels)})

    def _saver(
        self, url: str, version: int, change: Callable[[], dict[str, str]]
    ) -> Callable[[], Answer]:
        """Saves one row again and again, each time on the version the last answer gave."""
        known = [version]

        def save() -> Answer:
            fields = {**change(), "version": known[0], "key": uuid4().hex}
            answer = ok(self.caller.save(url, fields))
            found = re.search(rb'name="version" value="(\d+)"', answer.body)
            assert found, "the answer holds no version"
            known[0] = int(found[1])
            return answer

        save()
        return save

    def _save(self) -> None:
        for what, save in (
            ("save a channel cell, p95", self.cell()),
            ("save a level, p95", self.setting()),
        ):
            measured, floor = side_by_side(save, self.floor, SAVES)
            self._line(what, measured, floor, "at most 3 x")
            print(f"{'':4}queries: {queries(save)}; the floor's: {queries(self.floor)}")

        if connection.vendor == "sqlite":
            self._disk()

    def _disk(self) -> None:
        """What it costs that a save waits for the disk: the floor does not wait."""
        save = self.cell()

        def at(level: str) -> Callable[[], Answer]:
            def saved() -> Answer:
                connection.cursor().execute(f"PRAGMA synchronous={level}")
                return save()

            return saved

        measured, floor = side_by_side(at("FULL"), at("NORMAL"), SAVES)
        self._line("the save on the disk, p95", measured, floor, "at most 2 x")

    def _board(self) -> None:
        url = reverse("board")

        def board() -> Answer:
            return ok(self.caller.get(url))

        measured, floor = side_by_side(board, self.floor, PAGES)
        past = Job.objects.count()
        self._line(f"board, 60 live of {past:,} jobs, p95", measured, floor, "at most 4 x")
        print(f"{'':4}queries: {queries(board)}")

    def _find(self) -> None:
        known = Customer.objects.filter(vehicles__plate="BN 000777").get()
        first, last = known.name.split()
        asked = {
            "a plate": "BN 000777",
            "a name": known.name,
            "a name with a slip": f"{_with_a_slip(first)} {last}",
            "digits of a phone": "5000777",
            "what is not there": "zzyzx",
            "a model": known.vehicles.get().vehicle_model.model,
            "a model with a slip": _with_a_slip(known.vehicles.get().vehicle_model.model),
        }
        for what, text in asked.items():
            url = f"{reverse('find')}?q={quote(text)}"

            def find(url: str = url) -> Answer:
                return ok(self.caller.get(url))

            measured, floor = side_by_side(find, self.floor, PAGES)
            self._line(f"find {what}, p95", measured, floor, "at most 10 x")

    def _setups(self) -> None:
        url = reverse("setups_found", args=[self.job.number])

        def offer() -> Answer:
            return ok(self.caller.get(url))

        measured, floor = side_by_side(offer, self.floor, PAGES)
        count = SavedSetup.objects.count()
        self._line(f"best of {count:,} setups, p95", measured, floor, "at most 5 x")
        print(f"{'':4}queries: {queries(offer)}")

    def _check(self) -> None:
        plan = large_plan()
        check(plan)
        times = [(seconds(lambda: check(plan)), seconds(self.floor)) for _ in range(CHECKS)]
        measured, floor = (median(column) for column in zip(*times, strict=True))
        self._line("check 12 channels, 3 amplifiers", measured, floor, "under 0.05 x (medians)")

    def _tuning(self) -> None:
        ours, scipy = response_times()
        self._line("response, 12 x 12 x 512", ours, scipy, "at most 0.2 x scipy's")
        first, floor = first_proposal_times()
        self._line("first proposal of a process", first, floor, "under 0.5 s (floor: numpy loaded)")
        taken = proposal_time()
        print(f"  proposal, 6 channels x 10 sections: {taken:.2f} s (at most 2 s)")

    def _measuring(self) -> None:
        taken, size = measuring_time()
        print(f"  measuring, 12 channels: {taken:.2f} s (at most 2 s)")
        print(f"{'':4}a channel's recording as FLAC: {size / 1e6:.2f} MB (at most 3 MB)")

    def _pdf(self) -> None:
        sheet = InstallSheet.objects.filter(job__vehicle__plate="HRN 1093")[0]
        document = sheet.document
        html = render.sheet_html(document)

        def renderer() -> bytes:
            return render.write_pdf(html, render.attachments(document))

        renderer()
        times = [
            (seconds(lambda: render.signed_pdf(document)), seconds(renderer)) for _ in range(SHEETS)
        ]
        measured, floor = (min(column) for column in zip(*times, strict=True))
        self._line("install sheet, signed PDF", measured, floor, "at most 1.15 x the renderer")
        pages = len(PdfReader(io.BytesIO(render.signed_pdf(document))).pages)
        begun = process_time()
        render.signed_pdf(document)
        print(
            f"{'':4}of {pages} pages, warm: {process_time() - begun:.2f} s of processor (aim: 1 s)"
        )

    def _bytes(self) -> None:
        page = ok(self.caller.get(reverse("bay_channels", args=[self.job.number]))).body
        total, parts = first_load(page)
        print(f"  bay sheet, first load: {total / 1000:.1f} kB compressed (at most 120 kB)")
        for name, size in parts[:6]:
            print(f"{'':4}{size / 1000:7.1f} kB  {name}")
        self.job.refresh_from_db()
        answer = self.cell()()
        print(
            f"  one edit: {compressed(answer.body) / 1000:.1f} kB compressed, "
            f"{len(answer.body) / 1000:.1f} kB plain (at most 4 kB)"
        )
