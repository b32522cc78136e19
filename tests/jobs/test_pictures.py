"""Labels of the car picture never overlap and keep the order of what they name."""

from itertools import pairwise

from hypothesis import given, strategies as st

from jobs.plan.car_drawing import car_with_channels, spaced
from wiring.findings import Finding
from wiring.plan import Channel, Plan, Speaker
from wiring.positions import POSITIONS


@given(st.lists(st.floats(0, 400), min_size=1, max_size=10).map(sorted))
def test_spaced(wanted: list[float]) -> None:
    gap, low, high = 34.0, 17.0, 383.0
    got = spaced(wanted, gap, low, high)
    assert all(after - before >= gap - 1e-6 for before, after in pairwise(got))
    assert got[0] >= low - 1e-6
    assert got[-1] <= high + 1e-6


def test_spaced_leaves_alone_what_has_room() -> None:
    assert spaced([50, 120, 300], 34, 17, 383) == [50, 120, 300]


def test_each_speaker_is_named_with_its_state_in_words() -> None:
    speakers = tuple(
        Speaker(f"SP{index}", "Finch", "tweeter", position, 4.0)
        for index, position in enumerate(POSITIONS, 1)
    )
    channels = (
        Channel("A1.1", "A1", "amplifier", 1, speakers=("SP1",)),
        Channel("A1.2", "A1", "amplifier", 2, speakers=("SP2",), bridged_with=3),
    )
    stop = Finding("r", "stop", "t", ("A1.1",), "", "")
    svg = str(car_with_channels(Plan(speakers=speakers, channels=channels), "saloon", [stop]))
    for speaker in speakers:
        assert f">{speaker.id} Tweeter," in svg
    assert ">A1.1 · stop<" in svg
    assert ">A1.2+3 bridged<" in svg
    assert svg.count(">no channel<") == len(speakers) - 2
