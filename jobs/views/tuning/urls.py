"""URLs of the tuning section beyond its settings, below jobs/<number>/bay/tuning/."""

from django.urls import URLPattern, path

from jobs.views.tuning import (
    capture,
    curves,
    delays,
    equaliser,
    facts,
    levels,
    measured,
    proposal,
    record,
)

urlpatterns: list[URLPattern] = [
    path("curves/", curves.curves, name="bay_curves"),
    path("setting/<str:kind>/<int:pk>/sections/", equaliser.sections, name="bay_sections"),
    path("setting/<str:kind>/<int:pk>/try/", equaliser.try_sections, name="bay_sections_try"),
    path(
        "setting/<str:kind>/<int:pk>/sections/save/",
        equaliser.save_sections,
        name="bay_sections_save",
    ),
    path("facts/<slug:group>/", facts.save_facts, name="bay_tuning_facts"),
    path("delays/", delays.delays, name="bay_delays"),
    path("delays/results/", delays.results, name="bay_delay_results"),
    path("delays/put-in/", delays.put_in, name="bay_delays_put_in"),
    path("delays/tap/<slug:place>/", delays.tap_seat, name="bay_seat_tap"),
    path("delays/seat/<int:pk>/", delays.save_seat, name="bay_seat_save"),
    path("delays/seat/<int:pk>/<int:speaker>/", delays.save_distance, name="bay_distance_save"),
    path("levels/", levels.levels, name="bay_levels"),
    path("levels/<slug:kind>/<str:about>/", levels.save_level, name="bay_level_save"),
    path("measured/", measured.measured, name="bay_measured"),
    path("measured/shown/", measured.compared, name="bay_measured_shown"),
    path("measured/import/", measured.import_responses, name="bay_measured_import"),
    path("measured/<int:pk>/", measured.save_measured, name="bay_measured_save"),
    path("measured/<int:pk>/text/", measured.text, name="bay_measured_text"),
    path("measured/<int:pk>/correct/", measured.correct, name="bay_measured_correct"),
    path("measured/<int:pk>/remove/", measured.remove, name="bay_measured_remove"),
    path("record/", record.record, name="bay_record"),
    path("record/add/", record.recording_add, name="bay_recording_add"),
    path("record/signal/", record.signal, name="bay_signal"),
    path("record/<int:pk>/", record.recording_file, name="bay_recording_file"),
    path("record/<int:pk>/remove/", record.recording_remove, name="bay_recording_remove"),
    path("proposal/", proposal.proposal, name="bay_proposal"),
    path("proposal/apply/", proposal.apply, name="bay_proposal_apply"),
    path("proposal/applied/<int:pk>/", proposal.applied, name="bay_proposal_applied"),
    path("capture/", capture.capture, name="bay_capture"),
    path("capture/<slug:kind>/<int:pk>/", capture.edit, name="bay_capture_edit"),
    path("capture/<slug:kind>/<int:pk>/save/", capture.save, name="bay_capture_save"),
    path("capture/<slug:kind>/<int:pk>/remove/", capture.remove, name="bay_capture_remove"),
]
