"""What was heard and measured at a demo job: distances, responses, factory outputs, levels.

The responses are made up from smooth bumps and a ripple that is the same at every loading.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from math import cos, exp, log2, log10, pi, sin
from typing import TYPE_CHECKING, Final

from jobs.models import MeasuredPhase, ReadingKind
from jobs.plan.document import plan_of
from jobs.plan.tuning import guide
from jobs.services.tuning import capture, facts, levels, measured, seats

if TYPE_CHECKING:
    from deploy.demo.bay_sheet import Filler

Bump = tuple[float, float, float]
"""Centre [Hz], height [dB], width [octaves]."""

_PLACES: Final = ("head, centre", "head, left", "head, right")
_POINTS_PER_OCTAVE: Final = 24
_METER: Final = "True-RMS meter, bay 1"


@dataclass(frozen=True)
class Heard:
    """Bumps of a measured response, and the band it reaches [Hz] with the slope outside it."""

    bumps: tuple[Bump, ...]
    low_hz: float = 20.0
    high_hz: float = 20_000.0
    slope_db: float = 24.0
    level_db: float = 78.0

    def at(self, hz: float, turn: float) -> float:
        """Level [dB]; `turn` makes another place of it."""
        octave = log2(hz / 1000)
        level = self.level_db + sum(
            height * exp(-((log2(hz / centre) / width) ** 2))
            for centre, height, width in self.bumps
        )
        level -= self.slope_db * max(0.0, log2(self.low_hz / hz))
        level -= self.slope_db * max(0.0, log2(hz / self.high_hz))
        ripple = sin(9.1 * octave + turn) + 0.6 * sin(23.7 * octave + 2.3 * turn)
        return level + 0.9 * ripple + 0.4 * cos(3.1 * octave + turn)

    def text(self, title: str, turn: float) -> str:
        """The response as a text file of two columns."""
        count = int(_POINTS_PER_OCTAVE * log2(20_000 / 20))
        rows = (20.0 * 2 ** (step / _POINTS_PER_OCTAVE) for step in range(count + 1))
        lines = [f"{hz:.2f}\t{self.at(hz, turn):.2f}" for hz in rows]
        return "\n".join([f"* {title}", "* Hz\tdB", *lines, ""])


@dataclass(frozen=True)
class Output:
    """A factory output that carries one side of a crossover at `corner_hz`, from `low_hz` up.

    `late_ms` is how much later it is than the other of its side.
    """

    name: str
    side: str
    plug: str
    corner_hz: float
    upper: bool
    low_hz: float = 42.0
    late_ms: float = 0.0

    def level(self, hz: float) -> float:
        """Level [V]: a slope of 24 dB per octave at the corner."""
        ratio = (hz / self.corner_hz) ** 4
        passed = ratio / (1 + ratio) if self.upper else 1 / (1 + ratio)
        bottom = (hz / self.low_hz) ** 4
        return 8.0 * passed * (1.0 if self.upper else bottom / (1 + bottom))


def _with(first: Output, second: Output, hz: float) -> float:
    """Level of the two summed [V], from their levels and the phase between them."""
    a, b = first.level(hz), second.level(hz)
    turn = 2 * pi * hz * (second.late_ms - first.late_ms) / 1000
    return float((a * a + b * b + 2 * a * b * cos(turn)) ** 0.5)


@dataclass(frozen=True)
class Tuned:
    """All of it for one job. `distances_m` by the key of the speaker, to the front left seat."""

    distances_m: dict[str, float]
    target: str
    before: Heard
    after: Heard
    alone: dict[str, Heard]
    outputs: tuple[Output, ...] = ()
    sums: tuple[tuple[int, int], ...] = ()
    """Outputs measured together, by their place in `outputs`."""
    source_v: float = 1.27


_THIRDS: Final = tuple(round(1000 * 10 ** (step / 10), 1) for step in range(-16, 14))


def _points(level: Callable[[float], float]) -> list[list[float]]:
    """Third octaves from 25 Hz to 20 kHz, dB over 1 mV."""
    return [[hz, round(20 * log10(1000 * level(hz)), 1)] for hz in _THIRDS]


SIX_CHANNELS: Final = Tuned(
    distances_m={
        "tweeter_left": 0.96,
        "tweeter_right": 1.38,
        "mid_left": 1.04,
        "mid_right": 1.46,
        "rear_left": 0.92,
        "rear_right": 1.28,
        "sub": 1.88,
    },
    target="Warm",
    before=Heard(
        ((75, 5.5, 0.5), (150, -6.0, 0.55), (420, 3.5, 0.6), (1600, -4.0, 0.5), (3200, 4.5, 0.45)),
        low_hz=58.0,
        high_hz=11_500.0,
        level_db=72.0,
    ),
    after=Heard(
        (
            (45, 8.5, 1.1),
            (110, 2.0, 0.7),
            (160, 1.2, 0.3),
            (520, -0.8, 0.5),
            (2600, -1.4, 0.4),
            (9000, -2.6, 1.0),
            (16_000, -3.5, 0.9),
        ),
        low_hz=24.0,
    ),
    alone={
        "A1.1": Heard(((3400, -2.0, 0.4), (6300, 3.2, 0.4), (12_000, -2.5, 0.6)), low_hz=2500.0),
        "A1.2": Heard(((3600, -1.5, 0.4), (5900, 2.6, 0.45), (12_500, -3.0, 0.6)), low_hz=2500.0),
        "A1.3": Heard(
            ((160, 4.6, 0.35), (330, -2.4, 0.5), (720, 2.8, 0.5), (1250, -2.2, 0.45)),
            low_hz=82.0,
            high_hz=2450.0,
        ),
        "A1.4": Heard(
            ((150, 4.0, 0.4), (300, -2.0, 0.5), (800, 2.4, 0.5), (1300, -2.0, 0.45)),
            low_hz=82.0,
            high_hz=2450.0,
        ),
        "A2.1": Heard(((43, 6.2, 0.3), (66, -2.6, 0.35)), low_hz=26.0, high_hz=78.0),
    },
    outputs=(
        Output("Front left, woofer", "left", "Grey plug, 12 and 13", 1600, False),
        Output("Front left, tweeter", "left", "Grey plug, 4 and 5", 1600, True, late_ms=0.42),
        Output("Front right, woofer", "right", "Grey plug, 14 and 15", 1600, False),
        Output("Front right, tweeter", "right", "Grey plug, 6 and 7", 1600, True),
    ),
    sums=((0, 1), (2, 3)),
)


def _import(sheet: "Filler", phase: str, playing: str, heard: Heard, places: Iterable[str]) -> None:
    for turn, place in enumerate(places):
        name = f"{phase} {playing} {turn + 1}.txt".replace("all", "everything")
        measured.import_response(
            sheet.number,
            phase=phase,
            playing=playing,
            place=place,
            file_name=name,
            content=heard.text(f"{place}, 1/24 octave", 0.7 * turn + len(playing)).encode(),
            actor=sheet.by,
        )


def as_found(sheet: "Filler", tuned: Tuned) -> None:
    """Measured before the work, and the factory's outputs at the plug."""
    facts.save_facts(sheet.number, {"target": tuned.target}, actor=sheet.by, version=1)
    _import(sheet, MeasuredPhase.BEFORE, "all", tuned.before, _PLACES)
    rows = []
    for one in tuned.outputs:
        row = capture.save_output(
            sheet.number,
            None,
            {
                "name": one.name,
                "side": one.side,
                "plug": one.plug,
                "points": _points(one.level),
                "file_name": f"{one.name.lower().replace(', ', ' ')}.txt",
            },
            actor=sheet.by,
        )
        rows.append(row)
    for first, second in tuned.sums:
        both = partial(_with, tuned.outputs[first], tuned.outputs[second])
        capture.save_sum(
            sheet.number,
            None,
            {
                "first": rows[first],
                "second": rows[second],
                "points": _points(both),
                "file_name": f"{tuned.outputs[first].side} summed.txt",
            },
            actor=sheet.by,
        )


def as_left(sheet: "Filler", tuned: Tuned) -> None:
    """Distances, levels, and what was measured once the settings stood."""
    seat = seats.tap_seat(sheet.number, "front_left", actor=sheet.by)
    keys = {one.key: place for place, one in enumerate(sheet.work.speakers)}
    speakers = list(sheet.job.speakers.order_by("pk"))
    for key, distance_m in tuned.distances_m.items():
        speaker = speakers[keys[key]]
        changes = {"distance_m": distance_m}
        seats.save_distance(sheet.number, seat.pk, speaker.pk, changes, actor=sheet.by, version=0)
    _read_levels(sheet, tuned)
    _import(sheet, MeasuredPhase.AFTER, "all", tuned.after, _PLACES)
    for playing, heard in tuned.alone.items():
        _import(sheet, MeasuredPhase.AFTER, playing, heard, _PLACES[:1])


def _read_levels(sheet: "Filler", tuned: Tuned) -> None:
    def read(kind: str, about: str, value: float) -> None:
        changes = {"after_value": value, "after_instrument": _METER}
        levels.save_level(sheet.number, kind, about, changes, actor=sheet.by, version=0)

    read(ReadingKind.SIGNAL, "A1", tuned.source_v)
    read(ReadingKind.SIGNAL, "A2", tuned.source_v)
    for place, row in enumerate(guide(plan_of(sheet.job)).channels):
        off = 1 + 0.01 * (place % 3 - 1)
        read(ReadingKind.OUTPUT, row.channel_id, round(row.tone_v * off, 1))
