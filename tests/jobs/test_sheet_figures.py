"""What the sheet says of an amplifier, a speaker or a cable is what the screen says of it.

Equal products in one car are told apart by their mark alone: A1 and A2, S1 and S2, R1 and R2.
"""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from django.template.loader import render_to_string
from django.test import Client
from hypothesis import given, strategies as st
from lxml import html

from jobs.models import Job
from jobs.plan.document import plan_of, results_of
from jobs.plan.power import ampacity_sources
from jobs.sheet import document as sheet_document
from jobs.sheet.power_values import power_values
from jobs.sheet.values import _channel, sheet_values
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.channel_rows import speaker_words, speakers_on
from jobs.views.bay.power_rows import draws_html, run_figures_html
from jobs.wording import Local
from shop.models import Shop, StaffMember
from tests.jobs.workshop import Workshop
from wiring.plan import (
    Channel,
    Conductor,
    Device,
    Fuse,
    Plan,
    Rating,
    Run,
    Speaker,
    Supply,
    from_builtins,
    to_builtins,
)
from wiring.power.solution import solve

SIGNED_1 = Path(__file__).parent / "documents" / "sheet-1.json"
PLACES = ("front_door_left", "front_door_right", "rear_door_left", "rear_door_right")
OHM = (2.0, 3.2, 4.0, 8.0)
SIZES = ("6 mm2", "16 mm2", "25 mm2")

Cells = dict[str, list[str]]


def rows_of(markup: str) -> Cells:
    """The cells of the table of devices, on screen or sheet, by the device's mark."""
    found = {}
    for row in html.fromstring(markup).xpath("//table[thead//th[1]='Device']/tbody/tr"):
        mark = row.xpath("./th")[0].text_content().split()[0]
        found[mark] = [" ".join(cell.text_content().split()) for cell in row.xpath("./td")]
    return found


def number_in(text: str) -> float | None:
    found = re.search(r"-?\d+(?:\.\d+)?", text)
    return float(found[0]) if found else None


@st.composite
def twin_plans(draw: st.DrawFn) -> Plan:
    """Two or three equal amplifiers with equal speakers, unlike in what they carry."""
    count = draw(st.integers(2, 3))
    regulated = draw(st.sampled_from([True, False, None]))
    devices, speakers, channels, runs = [], [], [], []
    for at in range(1, count + 1):
        amplifier = f"A{at}"
        devices.append(
            Device(
                id=amplifier,
                name="Tarnholt Twin",
                kind="amplifier",
                amplifier_channels=2,
                ratings=(Rating(4.0, 60.0), Rating(2.0, 100.0)),
                amplifier_class="D",
                regulated=regulated,
                idle_current_a=draw(st.sampled_from([0.0, 0.8])),
            )
        )
        for number in (1, 2):
            on = []
            for _ in range(draw(st.integers(0, 2))):
                speaker = Speaker(
                    id=f"S{len(speakers) + 1}",
                    name="Dunnock 130",
                    kind="coaxial",
                    position=draw(st.sampled_from(PLACES)),
                    impedance_ohm=draw(st.sampled_from(OHM)),
                )
                speakers.append(speaker)
                on.append(speaker.id)
            channels.append(
                Channel(
                    id=f"{amplifier}.{number}",
                    device=amplifier,
                    kind="amplifier",
                    number=number,
                    speakers=tuple(on),
                    joining="parallel" if len(on) > 1 else "single",
                )
            )
        if draw(st.integers(0, 5)):
            size, length_m = draw(st.sampled_from(SIZES)), draw(st.sampled_from([0.5, 2.0, 6.0]))
            cable = {"conductor": Conductor(size), "length_m": length_m}
            fuse = Fuse(40.0, "strip", 0.2)
            first, back = f"R{2 * at - 1}", f"R{2 * at}"
            runs.append(Run(first, "feed", "battery", amplifier, **cable, fuse=fuse))
            runs.append(Run(back, "return", amplifier, "battery", **cable))
    supply = Supply(
        charging_v=draw(st.sampled_from([12.8, 14.4])),
        alternator_a=draw(st.sampled_from([None, 30.0, 150.0])),
    )
    return Plan(
        devices=tuple(devices),
        speakers=tuple(speakers),
        channels=tuple(channels),
        runs=tuple(runs),
        supply=supply,
    )


def screen_of(plan: Plan) -> BaySheet:
    """The bay sheet of a job that has this plan and nothing open."""
    sheet = BaySheet(Job(number=7), StaffMember(), Shop())
    sheet.__dict__.update(plan=plan, open_findings=[])
    return sheet


def document_of(plan: Plan) -> dict[str, Any]:
    """The part of a frozen document that the power tables are made of, through JSON."""
    made = {"plan": to_builtins(plan), "results": results_of(plan), "parts": [], "findings": []}
    return json.loads(json.dumps(made))


def compare_devices(screen: BaySheet, power: dict[str, Any]) -> None:
    shown = rows_of(draws_html(screen)) if screen.draws else {}
    printed = {row["id"]: row for row in power["devices"]}
    assert set(shown) <= set(printed)
    for label, cells in shown.items():
        row = printed[label]
        names = ("full_current", "music_current", "idle_current", "full_voltage", "speaker_power")
        for name, cell, last_place in zip(names, cells, (0.1, 0.1, 0.1, 0.01, 1), strict=True):
            said, seen = number_in(row[name]), number_in(cell)
            assert (said is None) == (seen is None), (label, name, row[name], cell)
            if said is not None and seen is not None:
                assert said == pytest.approx(seen, abs=1.001 * last_place), (label, name)


def compare_runs(screen: BaySheet, power: dict[str, Any], local: Local) -> None:
    printed = {row["id"]: row for row in power["runs"]}
    assert set(printed) == {run.id for run in screen.plan.runs}
    for run in screen.plan.runs:
        cell = html.fromstring(run_figures_html(screen, run.id, 1))
        seen = [number_in(one) for one in cell.xpath(".//b/text()|.//small/text()")]
        allowed = re.search(r"of ([\d.]+)\sA", cell.text_content())
        row = printed[run.id]
        assert row["length"] == local.length(run.length_m)
        assert run.conductor.size.replace("mm2", "mm²") in row["cable"]
        if seen and seen[0] is not None:
            said = [number_in(row[name]) for name in ("full_current", "drop")]
            assert said == pytest.approx(seen, rel=0.005, abs=0.051)
            assert allowed
            assert number_in(row["allowed"]) == pytest.approx(float(allowed[1]), rel=0.005, abs=0.5)
    wanted = ampacity_sources(screen.plan)
    assert power["ampacity_sources"] == "; ".join(wanted)


def compare_channels(screen: BaySheet, document: dict[str, Any]) -> None:
    speakers = {one["id"]: one for one in document["plan"].get("speakers", ())}
    for channel in document["plan"].get("channels", ()):
        row = _channel(
            channel, speakers, document["results"]["channels"], Local("metric", "UTC"), ""
        )
        on = speakers_on(screen.plan, channel["id"])
        assert [one["id"] for one in row["feeds"]] == [one.id for one in on]
        for fed, speaker in zip(row["feeds"], on, strict=True):
            assert fed["words"].lower() == speaker_words(speaker).lower()
        load = screen.loads.get(channel["id"])
        said = number_in(row["load"])
        assert said == (None if load is None else pytest.approx(load.value, rel=1e-3))
        measured = channel.get("measured_load_ohm")
        if load is None or not measured:
            assert row["apart"] == ""
        elif abs(measured / load.value - 1) > 0.006:
            word = "higher" if measured > load.value else "lower"
            assert row["apart"].endswith(word)
            off = number_in(row["apart"])
            assert off == pytest.approx(100 * abs(measured / load.value - 1), abs=0.51, rel=1e-3)
        watts = re.match(r"(\d+)\sW", load.assumed[-1]) if load else None
        assert number_in(row["power"]) == (
            pytest.approx(float(watts[1]), abs=0.51) if watts else None
        )


@given(twin_plans())
def test_every_figure_of_the_screen_is_that_of_the_sheet(plan: Plan) -> None:
    local = Local("metric", "UTC")
    screen, document = screen_of(plan), document_of(plan)
    power = power_values(document, from_builtins(document["plan"]), local)
    compare_devices(screen, power)
    compare_runs(screen, power, local)
    compare_channels(screen, document)


@pytest.mark.once
@pytest.mark.django_db
def test_two_equal_amplifiers_show_each_its_own_power(client: Client) -> None:
    workshop = Workshop()
    job = workshop.twins()
    client.force_login(workshop.manager)
    shown = rows_of(client.get(f"/jobs/{job.number}/bay/power/").content.decode())
    sheet = workshop.sign(job)
    printed = rows_of(render_to_string("sheets/body.html", sheet_values(sheet.document)))
    assert list(printed) == ["A1", "A2"] == list(shown)
    assert [cells[1:] for cells in printed.values()] == list(shown.values())
    assert printed["A1"][-1] != printed["A2"][-1]
    assert number_in(printed["A1"][-1]) == pytest.approx(75, abs=1)
    assert number_in(printed["A2"][-1]) == pytest.approx(117, abs=1)


def test_a_sheet_signed_under_the_first_version_still_renders() -> None:
    """Signed with two equal amplifiers when figures were found by product: each has its own."""
    document = json.loads(SIGNED_1.read_text(encoding="utf-8"))
    assert document["document_version"] == 1
    before = json.dumps(document, sort_keys=True)
    values = sheet_values(document)
    assert json.dumps(document, sort_keys=True) == before
    devices = {row["id"]: row for row in values["power"]["devices"]}
    assert devices["A1"]["speaker_power"] == "75\xa0W"
    assert devices["A2"]["speaker_power"] == "117\xa0W"
    assert devices["A2"]["full_current"] == "19.4\xa0A"
    assert "33 CFR 183.425 Table 5" in values["power"]["ampacity_sources"]
    body = render_to_string("sheets/body.html", values)
    assert "sheet document version 1." in body
    assert sheet_document.sha256_of(document) == sheet_document.sha256_of(json.loads(before))


@pytest.mark.django_db
def test_equal_speakers_and_runs_keep_their_own_rows() -> None:
    workshop = Workshop()
    job = workshop.twins()
    plan = plan_of(job)
    values = sheet_values(sheet_document.draft(sheet_document.load(pk=job.pk)))
    fed = {one["id"]: one["words"] for row in values["channels"] for one in row["feeds"]}
    assert fed == {
        "SP1": "Tweeter, dash left",
        "SP2": "Tweeter, dash right",
        "SP3": "Coaxial, front door left",
        "SP4": "Coaxial, rear door left",
        "SP5": "Coaxial, front door right",
        "SP6": "Coaxial, rear door right",
    }
    lengths = {row["id"]: row["length"] for row in values["power"]["runs"]}
    assert lengths == {run.id: f"{run.length_m:.2f}\xa0m" for run in plan.runs}
    states = solve(plan, "full").runs
    drops = {row["id"]: row["drop"] for row in values["power"]["runs"]}
    assert drops == {label: f"{abs(one.drop_v):.2f}\xa0V" for label, one in states.items()}
    assert drops["R2"] != drops["R4"]
