"""The sheet's part on the sound: from the frozen record to strings and pictures."""

from collections.abc import Mapping
from typing import Any

from django.utils.safestring import mark_safe
from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.plan.spoken import spoken
from jobs.symbols import with_symbols
from jobs.wording import Local
from shop.kept_words import told
from shop.wording import figures_said, inner


def _curve(one: Mapping[str, str]) -> dict[str, Any]:
    return {"title": one["title"], "svg": mark_safe(spoken(one["svg"]))}


def _measured(one: Mapping[str, Any]) -> dict[str, Any]:
    before, after = (wording.quantity(value, "dB", 1) for value in one["rms_db"])
    places = ["; ".join(map(told, names)) or wording.NOTHING for names in one["places"]]
    gained = None
    if None not in one["rms_db"]:
        gained = one["rms_db"][0] - one["rms_db"][1]
    return {
        **one,
        "svg": mark_safe(spoken(one["svg"])),
        "before": before,
        "after": after,
        "nearer": wording.quantity(gained, "dB", 1) if gained is not None and gained > 0 else "",
        "spreads": [
            {
                "before": number == 0,
                "worst": wording.quantity(apart["worst_db"], "dB", 1),
                "at": wording.hertz(apart["at_hz"]),
                "mean": wording.quantity(apart["mean_db"], "dB", 1),
            }
            for number, apart in enumerate(one.get("spread", ()))
            if apart
        ],
        "places_before": places[0],
        "places_after": places[1],
    }


_KINDS = {
    "sweep": kept("sweep"),
    "pulse": kept("polarity pulses"),
    "pink": kept("pink noise"),
    "tone": kept("tone"),
    "channels": kept("channels named one by one"),
}

_GROUPS = frozenset({"all", "left", "right"})
"""What plays more than one channel, and has no mark of its own."""

_VERDICTS = {
    "proved": kept("as set"),
    "contradicted": kept("not as set"),
    "unclear": kept("not clear"),
    "": wording.NOTHING,
}


def _recording(one: Mapping[str, Any], local: Local) -> dict[str, Any]:
    signal = one["signal"]
    return {
        **one,
        "when": local.moment(one["at"]),
        "before": one["phase"] == "before",
        "kind": _KINDS[signal["kind"]],
        "seconds": wording.quantity(signal["seconds"], "s"),
        "level": wording.level(signal["level_dbfs"]),
        "heard": [
            {
                **heard,
                "mark": "" if heard["id"] in _GROUPS else heard["id"],
                "arrives": _with_doubt(heard["after_first_ms"], heard["uncertain_ms"]),
                "polarity": _VERDICTS[heard["verdict"]],
                "level": wording.level(round(heard["level_db"], 1) + 0.0),
            }
            for heard in one["heard"]
        ],
    }


def _with_doubt(value_ms: float | None, doubt_ms: float) -> str:
    if value_ms is None:
        return wording.NOTHING
    said = f"{wording.number(value_ms, 2)} ± {wording.quantity(doubt_ms, 'ms', 2)}"
    return said.replace(" ± ", "\u00a0±\u00a0")


def _delays(delays: Mapping[str, Any], local: Local) -> dict[str, Any]:
    return {
        "lines": [
            {
                "channels": ", ".join(line["channels"]),
                "label": line["label"],
                "distance": local.distance(line["distance_m"]),
                "asked": wording.quantity(line["asked_ms"], "ms", 2),
                "set": wording.quantity(line["set_ms"], "ms", 2),
            }
            for line in delays["lines"]
        ],
        "seats": ", ".join(inner(told(one["name"])) for one in delays["seats"]),
        "air": wording.quantity(delays["air_c"], "°C"),
        "speed": wording.quantity(delays["speed_m_s"], "m/s"),
        "spread": wording.quantity(delays["spread_ms"], "ms", 2),
        "source": with_symbols(delays["source"]),
    }


def _levels(levels: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "tone": wording.quantity(levels["tone_dbfs"], "dBFS", 1),
        "overlap": wording.quantity(levels["overlap_db"], "dB"),
        "channels": [
            {
                "id": one["id"],
                "tone": wording.hertz(one["tone_hz"]),
                "wanted": wording.quantity(one["tone_v"], "V", 1),
                "measured": wording.quantity(one["measured_v"], "V", 1),
                "off": wording.level(round(one["measured_db"], 1) + 0.0),
                "instrument": one["instrument"] or wording.NOTHING,
                "means": gettext("%(power)s into %(load)s")
                % {
                    "power": wording.quantity(one["power_w"], "W"),
                    "load": wording.quantity(one["load_ohm"], "Ω"),
                },
            }
            for one in levels["channels"]
        ],
    }


def _capture(capture: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "svg": mark_safe(spoken(capture["svg"])),
        "outputs": [
            {
                **one,
                "side": told(one["side"]),
                "carries": told(one["carries"]),
                "band": gettext("%(start)s to %(end)s")
                % {"start": figures_said(one["low"]), "end": figures_said(one["high"])},
                "plug": one["plug"] or wording.NOTHING,
            }
            for one in capture["outputs"]
        ],
        "said": [
            *capture["covers"],
            *(
                one
                for one in capture["pairs"]
                if not any(cover.endswith(one) for cover in capture["covers"])
            ),
        ],
        "source": with_symbols(capture["source"]),
    }


def without_levels(
    readings: list[Mapping[str, Any]], document: Mapping[str, Any]
) -> list[Mapping[str, Any]]:
    """Readings less those that stand in the table of levels."""
    levels = (document.get("sound") or {}).get("levels") or {}
    shown = {one["id"] for one in levels.get("channels", ())}
    return [row for row in readings if row["kind"] != "output" or row.get("about") not in shown]


def tuned_values(document: Mapping[str, Any], local: Local) -> dict[str, Any] | None:
    """What the templates show of the sound; None on a sheet from before it was recorded."""
    tuning = document.get("sound")
    if not tuning:
        return None
    return {
        "curves": [_curve(one) for one in tuning["curves"]],
        "beside": all('class="plot narrow"' in one["svg"] for one in tuning["curves"]),
        "assumed": with_symbols(tuning["assumed"]),
        "measured": [_measured(one) for one in tuning["measured"]],
        "recordings": [_recording(one, local) for one in tuning.get("recordings", ())],
        "delays": _delays(tuning["delays"], local) if tuning["delays"] else None,
        "levels": _levels(tuning["levels"]) if tuning["levels"] else None,
        "capture": _capture(tuning["capture"]) if tuning["capture"] else None,
    }
