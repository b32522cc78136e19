"""What two tuning records hold differently."""

from tests.wiring.plans import changed, good_plan, low, without
from wiring.plan import Section, Setting
from wiring.tuning.compare import differences


def test_a_record_does_not_differ_from_itself() -> None:
    assert differences(good_plan(), good_plan()) == ()


def test_every_changed_setting_is_one_line() -> None:
    old = Setting(
        high_pass=low(80.0),
        delay_ms=1.0,
        sections=(Section("peaking", 160.0, -5.0, 1.4), Section("low_shelf", 80.0, 2.0)),
    )
    new = Setting(
        high_pass=low(100.0),
        level_db=-2.0,
        delay_ms=1.5,
        inverted=True,
        sections=(Section("peaking", 170.0, -4.0, 1.4), Section("peaking", 4_000.0, 1.0)),
    )
    before = changed(good_plan(), "channels", "amp6.5", setting=old)
    after = changed(good_plan(), "channels", "amp6.5", setting=new)
    got = [(d.setting, d.before, d.after) for d in differences(before, after)]
    assert got == [
        ("high-pass", "80 Hz Linkwitz-Riley 24 dB/oct", "100 Hz Linkwitz-Riley 24 dB/oct"),
        ("level", "+0.0 dB", "-2.0 dB"),
        ("delay", "1 ms", "1.5 ms"),
        ("polarity", "normal", "inverted"),
        ("section", "peaking 160 Hz -5.0 dB q 1.4", "peaking 170 Hz -4.0 dB q 1.4"),
        ("section", "low shelf 80 Hz +2.0 dB q 0.707", "none"),
        ("section", "none", "peaking 4000 Hz +1.0 dB q 0.707"),
    ]


def test_a_channel_only_one_record_has() -> None:
    found = differences(good_plan(), without(good_plan(), "channels", "mono.1"))
    assert [(d.channel_id, d.before) for d in found] == [("mono.1", "present")]
    assert found[0].feeds == "subwoofer, boot"
