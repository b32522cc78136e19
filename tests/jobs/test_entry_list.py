"""Settings typed into a processor: the list, its ticks, what is read back, and what was stored."""

import html
import re
from functools import partial
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from jobs.errors import Refused
from jobs.models import (
    Channel,
    ChannelSetting,
    EnteredSetting,
    Gate,
    Job,
    JobEvent,
    JobPart,
    TuningKind,
)
from jobs.plan.document import findings_of, plan_of
from jobs.plan.entered import EntryList
from jobs.reads.history import history_of
from jobs.services.gates import GateFacts
from jobs.services.parts import put_in
from jobs.services.tuning import entered
from jobs.services.tuning.beyond import say_beyond
from jobs.services.tuning.records import save_setting
from jobs.sheet.document import draft, load
from jobs.sheet.record_check import check_job
from jobs.undo import undo
from shop.models import Product
from shop.roles import Role
from tests.factories import make_staff
from tests.jobs.test_typed_in import LIMITS
from tests.jobs.workshop import Workshop
from tests.racing import at_once

pytestmark = pytest.mark.django_db


@pytest.fixture
def shop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(shop: Workshop) -> Job:
    Product.objects.filter(pk=shop.amplifier.pk).update(**LIMITS, typed_by="setting")
    shop.amplifier.refresh_from_db()
    made = shop.job()
    shop.wire(made)
    return made


@pytest.fixture
def bench(shop: Workshop, client: Client) -> Client:
    client.force_login(shop.technician)
    return client


def _list(job: Job) -> EntryList:
    (one,) = entered.entry_lists(job)
    return one


def _channel(job: Job, number: int) -> Channel:
    return job.channels.get(number=number, kind="amplifier")


def _rules(job: Job) -> list[tuple[str, str]]:
    rules = ("read-back-differs", "entered-then-changed")
    return [(one.rule, one.severity) for one in findings_of(job) if one.rule in rules]


def _tap(client: Client, job: Job, number: int, what: str, key: str = "", **fields: str) -> Any:
    """Post a line as its row does: what it shows, with the version it has."""
    do = "" if "typed" in fields else "read"
    page = client.get(reverse("bay_entry", args=[job.number]) + f"?do={do}").content.decode()
    row = page.split(f'id="entry-A1-{number}-{what}"')[1].split("</li>")[0]
    (address,) = map(html.unescape, re.findall(r'hx-post="([^"]+)"', row))
    hidden = {
        name: html.unescape(value)
        for name, value in re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', row)
    }
    return client.post(address, {**hidden, **fields, "key": key})


def _set(job: Job, shop: Workshop, number: int, **values: Any) -> None:
    save_setting(
        job.number,
        TuningKind.AFTER,
        _channel(job, number).pk,
        values,
        actor=shop.technician,
        version=0,
        force=True,
    )


def test_a_tick_counts_until_the_setting_changes_and_again_once_it_is_back(
    shop: Workshop, bench: Client, job: Job
) -> None:
    one = _list(job)
    assert (one.total, one.ticked, one.typed_by) == (20, 0, "setting")
    assert [name for name, _ in one.groups] == ["high_pass", "low_pass", "level", "delay", "output"]
    answer = _tap(bench, job, 2, "delay", "dev_1", typed="true")
    assert answer.status_code == 200 and "1 of 20 entered" in answer.content.decode()
    row = EnteredSetting.objects.get()
    assert (row.typed, row.typed_by, row.version) == (["60"], shop.technician, 1)
    _set(job, shop, 2, delay_ms=1.5)
    assert _list(job).ticked == 0 and _rules(job) == [("entered-then-changed", "caution")]
    page = bench.get(reverse("bay_entry", args=[job.number])).content.decode()
    assert "entered 60 samples on" in page.replace("\n", " ")
    _set(job, shop, 2, delay_ms=1.25 + 1e-9)
    assert _list(job).ticked == 1 and not _rules(job)
    _tap(bench, job, 2, "delay", "dev_2", typed="false")
    assert _list(job).ticked == 0 and EnteredSetting.objects.get().typed == []


def test_a_tick_is_made_once_whoever_sends_it_again(
    shop: Workshop, bench: Client, job: Job
) -> None:
    channel, by = _channel(job, 1), {"actor": shop.technician, "version": 0}
    for key in ("dev_a", "dev_a", "dev_b"):
        entered.save_entry(
            job.number, channel.pk, "level", {"typed": True}, wanted=["-4.5"], key=key, **by
        )
    assert JobEvent.objects.filter(job=job, code="entry.typed").count() == 1
    with pytest.raises(Refused, match="load the page again"):
        entered.save_entry(job.number, channel.pk, "level", {"typed": True}, wanted=None, **by)
    Job.objects.filter(pk=job.pk).update(stage="ready_for_review")
    assert _tap(bench, job, 1, "level", "dev_c", typed="false").status_code == 403
    assert EnteredSetting.objects.get().typed == ["-4.5"]


@pytest.mark.parametrize(
    ("number", "what", "shown", "severity"),
    [
        (1, "level", {"f0": "-4"}, "caution"),
        (1, "level", {"f0": "-4,50"}, ""),
        (1, "high_pass", {"f2": "2500"}, "stop"),
        (1, "high_pass", {"f2": "4000"}, "caution"),
        (1, "high_pass", {"f1": "12"}, "stop"),
        (1, "high_pass", {"f0": "off"}, "stop"),
        (1, "high_pass", {"f0": "butterworth"}, "caution"),
        (3, "high_pass", {"f2": "60"}, "caution"),
        (3, "output", {"f0": "inverted"}, "stop"),
        (3, "output", {"f1": "muted"}, "stop"),
        (3, "low_pass", {"f0": "off"}, ""),
    ],
)
def test_what_the_program_shows_otherwise_is_a_finding_until_it_is_put_right(
    bench: Client, job: Job, number: int, what: str, shown: dict[str, str], severity: str
) -> None:
    assert _tap(bench, job, number, what, "dev_1", **shown).status_code == 200
    assert _rules(job) == ([("read-back-differs", severity)] if severity else [])
    assert _tap(bench, job, number, what, "dev_2", same="true").status_code == 200
    assert not _rules(job) and _list(job).proved == 1


def test_what_is_no_figure_is_said_beside_its_cell_and_typing_anew_asks_to_read_anew(
    shop: Workshop, bench: Client, job: Job
) -> None:
    answer = _tap(bench, job, 1, "level", f0="minus four")
    assert answer.status_code == 422 and "minus four" in answer.content.decode()
    assert not EnteredSetting.objects.exists()
    _tap(bench, job, 1, "level", "dev_1", same="true")
    _set(job, shop, 1, level_db=-6.0)
    assert _rules(job) == [("read-back-differs", "caution")]
    _tap(bench, job, 1, "level", "dev_2", typed="true")
    assert not _rules(job) and _list(job).proved == 0
    gone = reverse("bay_entry_save", args=[job.number, _channel(job, 1).pk, "eq_9"])
    assert bench.post(gone, {"typed": "true", "wanted": "[]"}).status_code == 404


def test_one_tap_says_all_is_the_same_of_what_was_looked_at_and_can_be_undone(
    shop: Workshop, bench: Client, job: Job
) -> None:
    part, one = job.parts.get(label="A1"), _list(job)
    shown, by = entered.seen(one.entries), {"actor": shop.technician}
    _tap(bench, job, 1, "level", "dev_1", f0="-3")
    event = entered.enter_all(job.number, part.pk, entered.SAME, shown=shown, key="k1", **by)
    again = entered.enter_all(job.number, part.pk, entered.SAME, shown=shown, key="k1", **by)
    assert event == again and _list(job).proved == 20 and not _rules(job)
    with pytest.raises(Refused, match="already"):
        entered.enter_all(job.number, part.pk, entered.SAME, shown=shown, **by)
    assert event.after["count"] == 20
    undo(job.number, event.pk, shop.technician)
    assert _list(job).proved == 0 and _rules(job) == [("read-back-differs", "caution")]
    entered.enter_all(job.number, part.pk, entered.LOADED, shown=shown, **by)
    assert _list(job).ticked == 20
    _set(job, shop, 2, delay_ms=1.5)
    with pytest.raises(Refused, match="changed meanwhile"):
        entered.enter_all(job.number, part.pk, entered.LOADED, shown=shown, **by)
    assert _list(job).ticked == 19


def test_a_tap_that_breaks_off_leaves_the_list_as_it_was(
    shop: Workshop, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*args: Any, **more: Any) -> None:
        raise OSError("the disk is full")

    part, one = job.parts.get(label="A1"), _list(job)
    monkeypatch.setattr(entered, "log", broken)
    with pytest.raises(OSError):
        entered.enter_all(
            job.number, part.pk, entered.SAME, shown=entered.seen(one.entries),
            actor=shop.technician,
        )  # fmt: skip
    with pytest.raises(OSError):
        entered.store_state(
            job.number, part.pk, "Front", "", device="", actor=shop.technician, version=1
        )
    part.refresh_from_db()
    assert not EnteredSetting.objects.exists() and part.state_name == ""


def test_what_is_set_beyond_the_list_is_a_finding_until_nothing_is(
    shop: Workshop, bench: Client, job: Job
) -> None:
    """Two processors of one product: only the one of which something is said has a finding, and
    one tap says that all is the same and nothing else is set."""
    put_in(job, shop.amplifier, 1, shop.technician)
    _set_on(job, shop, "A2")

    def found() -> list[str]:
        return [one.where[0] for one in findings_of(job) if one.rule == "set-beyond-list"]

    def open_() -> list[str]:
        return [one for one in GateFacts(job).against(Gate.ENTERED) if "anything else" in one]

    first, second = (job.parts.get(label=label) for label in ("A1", "A2"))
    one, other = entered.entry_lists(job)
    for part, own in ((first, one), (second, other)):
        entered.enter_all(
            job.number, part.pk, entered.LOADED, shown=entered.seen(own.entries),
            actor=shop.technician,
        )  # fmt: skip
    url = reverse("bay_entry_beyond", args=[job.number, second.pk])
    assert "tap that there is nothing" in bench.post(url, follow=True).content.decode()
    for key in ("say-1", "say-1"):
        bench.post(url, {"beyond": "Output 3: notch at 4 kHz", "key": key})
    assert found() == ["A2"] and job.events.filter(code="entry.beyond").count() == 1
    page = bench.get(reverse("bay_entry", args=[job.number]) + "?do=read").content.decode()
    assert "Set beyond the list: Output 3: notch at 4 kHz" in page
    assert "Output 3: notch" in draft(load(pk=job.pk))["parts"][-1]["program"]["beyond"]
    stale = bench.post(url, {"nothing": "1", "key": "say-2"}, follow=True).content.decode()
    assert "meanwhile" in stale and found() == ["A2"]

    def same(part: JobPart, own: EntryList, channel: str = "") -> JobEvent:
        return entered.enter_all(
            job.number, part.pk, entered.SAME, shown=entered.seen(
                [each for each in own.entries if channel in ("", each.line.channel_id)]
            ), actor=shop.technician, channel_id=channel,
        )  # fmt: skip

    for channel in dict.fromkeys(each.line.channel_id for each in one.entries):
        same(first, one, channel)
    assert len(open_()) == 1
    said = same(second, other)
    assert found() == [] and "nothing else" not in " ".join(open_())
    undo(job.number, said.pk, shop.technician)
    assert found() == ["A2"]
    nothing = bench.post(
        url, {"nothing": "1", "said": "1", "was": "Output 3: notch at 4 kHz", "key": "say-3"}
    )
    assert nothing.status_code == 302 and found() == []
    assert same(first, one).after["count"] == 0 and open_() == []


def test_two_processors_of_one_product_have_a_list_each(shop: Workshop, job: Job) -> None:
    put_in(job, shop.amplifier, 1, shop.technician)
    first, second = entered.entry_lists(job)
    assert (first.device.id, second.device.id) == ("A1", "A2") and second.total == 0
    _set_on(job, shop, "A2")
    first, second = entered.entry_lists(job)
    assert (first.total, second.total) == (20, 5)
    entered.enter_all(
        job.number, job.parts.get(label="A2").pk, entered.LOADED,
        shown=entered.seen(second.entries), actor=shop.technician,
    )  # fmt: skip
    first, second = entered.entry_lists(job)
    assert (first.ticked, second.ticked) == (0, 5)


def _set_on(job: Job, shop: Workshop, label: str) -> None:
    channel = job.channels.get(part__label=label, number=1, kind="amplifier")
    save_setting(
        job.number, TuningKind.AFTER, channel.pk, {"level_db": -4.5}, actor=shop.technician,
        version=0,
    )  # fmt: skip


def test_the_sheet_tells_what_was_entered_and_a_setup_takes_the_name_alone(
    shop: Workshop, job: Job
) -> None:
    from jobs.setups.document import _part_facts

    assert "program" not in draft(load(pk=job.pk))["parts"][0]
    part, one = job.parts.get(label="A1"), _list(job)
    by = {"actor": shop.technician}
    entered.enter_all(job.number, part.pk, entered.LOADED, shown=entered.seen(one.entries), **by)
    entered.store_state(
        job.number, part.pk, "Front stage", "2", device="Bay tablet", version=part.version, **by
    )
    document = draft(load(pk=job.pk))
    told = document["parts"][0]["program"]
    assert (told["entered"], told["total"], told["read_back"]) == (20, 20, 0)
    assert (told["state_name"], told["state_device"]) == ("Front stage", "Bay tablet")
    assert told["entered_by"] == [str(shop.technician)]
    facts = _part_facts(document)["A1"]
    assert (facts["state_name"], facts["state_slot"]) == ("Front stage", "2")
    assert not {"state_by", "entered", "entered_by"} & set(facts)


def test_a_step_ticks_itself_once_all_is_entered_and_read(shop: Workshop, job: Job) -> None:
    job.steps.create(order=1, text="Mount it")
    put_in(job, shop.tweeter, 1, shop.technician)
    assert not job.steps.filter(gate=Gate.ENTERED).exists()
    (second,) = put_in(job, shop.amplifier, 1, shop.technician)
    assert job.steps.get(gate=Gate.ENTERED).outcome == ""
    one, part = entered.entry_lists(job)[0], job.parts.get(label="A1")
    assert second.label == "A2"
    for code in (entered.LOADED, entered.SAME):
        assert GateFacts(job).against(Gate.ENTERED)
        entered.enter_all(
            job.number, part.pk, code, shown=entered.seen(one.entries), actor=shop.technician
        )
    step = job.steps.get(gate=Gate.ENTERED)
    assert step.outcome == "done" and step.by_itself and step.order == 2
    assert not GateFacts(job).against(Gate.ENTERED)
    other = Workshop().job()
    assert not GateFacts(other).against(Gate.ENTERED)


def test_the_name_of_what_was_stored_says_who_and_when(
    shop: Workshop, bench: Client, job: Job
) -> None:
    part = job.parts.get(label="A1")
    url = reverse("bay_entry_store", args=[job.number, part.pk])
    data = {"A1-state_name": "Front stage", "A1-state_slot": "2", "version": part.version}
    assert bench.post(url, {**data, "A1-state_name": ""}).status_code == 422
    assert bench.post(url, data).status_code == 302
    part.refresh_from_db()
    assert (part.state_name, part.state_slot, part.state_by) == (
        "Front stage",
        "2",
        shop.technician,
    )
    bench.force_login(make_staff(Role.TECHNICIAN))
    answer = bench.post(url, {**data, "A1-state_name": "Mine"})
    assert answer.status_code == 422 and "Front stage" in answer.content.decode()
    part.refresh_from_db()
    assert part.state_name == "Front stage"
    told = history_of(job)[0].sentence
    assert "State stored in the processor" in told and "Front stage" in told


def test_settings_that_cannot_be_typed_are_set_to_the_nearest_by_one_tap(
    shop: Workshop, bench: Client, job: Job
) -> None:
    _set(job, shop, 1, level_db=-4.7, sections=[
        {"kind": "peaking", "frequency_hz": 400.0, "gain_db": -2.2, "q": 1.0}
    ])  # fmt: skip
    url = reverse("bay_entry", args=[job.number])
    assert "Set the nearest" in bench.get(url).content.decode()
    bench.post(reverse("bay_entry_round", args=[job.number]), {"key": "k9"})
    row = ChannelSetting.objects.get(record__job=job, record__kind="after", channel__number=1)
    assert row.level_db == -4.5 and row.sections[0]["gain_db"] == -2.0
    assert "Set the nearest" not in bench.get(url).content.decode()
    assert not [one for one in findings_of(job) if one.rule == "setting-not-typed"]
    undo(job.number, JobEvent.objects.get(code="settings.rounded").pk, shop.technician)
    row.refresh_from_db()
    assert row.level_db == -4.7 and plan_of(job).channels[0].setting.level_db == -4.7


def test_a_job_without_limits_has_no_list(bench: Client, shop: Workshop) -> None:
    job = shop.job()
    page = bench.get(reverse("bay_tuning", args=[job.number])).content.decode()
    assert reverse("bay_entry", args=[job.number]) not in page
    assert "No program" in bench.get(reverse("bay_entry", args=[job.number])).content.decode()


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_ticks_of_two_people_at_once_are_one_row_and_one_change(shop: Workshop) -> None:
    Product.objects.filter(pk=shop.amplifier.pk).update(**LIMITS)
    job = shop.job()
    shop.wire(job)
    job.steps.create(order=1, text="Mount it")
    channel, part = _channel(job, 1), job.parts.get(label="A1")
    shown = entered.seen(_list(job).entries)

    def tick(turn: int) -> object:
        who = (shop.technician, shop.manager)[turn % 2]
        return entered.save_entry(
            job.number, channel.pk, "level", {"typed": True}, wanted=["-4.5"],
            actor=who, version=0, key=f"dev{turn % 2}_{turn // 2 % 2}",
        )  # fmt: skip

    def same(who: Any) -> object:
        return entered.enter_all(job.number, part.pk, entered.SAME, shown=shown, actor=who)

    at_once(*(partial(tick, turn) for turn in range(8)))
    assert EnteredSetting.objects.get().version == 1
    assert JobEvent.objects.filter(job=job, code="entry.typed").count() == 1
    assert job.steps.filter(gate=Gate.ENTERED).count() == 1
    answers = at_once(partial(same, shop.technician), partial(same, shop.manager))
    assert sum(isinstance(one, Refused) for one in answers) == 1
    assert _list(job).proved == 20

    def beyond(turn: int) -> object:
        text, who = (("A notch", shop.technician), ("A shelf", shop.manager))[turn % 2]
        return say_beyond(job.number, part.pk, text, was="", actor=who, key=f"say-{turn % 2}")

    said = at_once(*(partial(beyond, turn) for turn in range(4)))
    assert sum(isinstance(one, Refused) for one in said) == 2
    assert JobEvent.objects.filter(job=job, code="entry.beyond").count() == 1
    assert not [one for one in check_job(job) if "check-in has no seal" not in one]
