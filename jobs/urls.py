"""URLs of a job's life."""

from django.urls import URLPattern, URLResolver, include, path

from jobs.views import (
    api,
    board,
    booking,
    booking_choices,
    check_in,
    clock,
    collect,
    comebacks,
    customers,
    desk,
    estimates,
    find,
    hooks,
    job,
    labels,
    messages,
    numbers,
    offline_jobs,
    photos,
    plan,
    plugs,
    products,
    review,
    sheets,
    staff,
    steps,
    supply,
    vehicles,
    verify,
    wire_book,
)
from jobs.views.setups import apply, exchange, learning, library
from jobs.views.tuning import microphones, targets

# The bay: the technician's sheet of a job. It stands first, since patterns are tried one after the
# other and its saves are what is asked most.
urlpatterns: list[URLPattern | URLResolver] = [
    path("jobs/<int:number>/bay/", include("jobs.views.bay.urls")),
]

# Neighbouring programs.
urlpatterns += [
    path("api/v1/<path:rest>", api.api, name="api"),
    path("settings/programs/asked/", api.api_reference, name="api_reference"),
    path("settings/programs/told/", hooks.hook_list, name="hook_list"),
    path("settings/programs/told/new/", hooks.hook_create, name="hook_create"),
    path("settings/programs/told/<int:pk>/", hooks.hook, name="hook"),
    path("settings/programs/told/<int:pk>/end/", hooks.hook_end, name="hook_end"),
    path("settings/programs/told/<int:pk>/test/", hooks.hook_test, name="hook_test"),
    path(
        "settings/programs/told/<int:pk>/again/<int:delivery>/",
        hooks.hook_again,
        name="hook_again",
    ),
]

# The front desk: board, find, book, check in, the job's page.
urlpatterns += [
    path("board/", board.board, name="board"),
    path("plan/", plan.plan, name="plan"),
    path("plan/free/", plan.free_times, name="free_times"),
    path("jobs/<int:number>/shift/", plan.job_shift, name="job_shift"),
    path("find/", find.find, name="find"),
    path("book/", booking.book_job, name="book"),
    path("book/customers/", booking_choices.customer_options, name="customer_options"),
    path("book/customer/", booking_choices.customer_pick, name="customer_pick"),
    path("book/vehicles/", booking_choices.vehicle_options, name="vehicle_options"),
    path("book/vehicle/", booking_choices.vehicle_pick, name="vehicle_pick"),
    path("book/models/", booking_choices.model_options, name="model_options"),
    path("book/model/", booking_choices.model_pick, name="model_pick"),
    path("book/parts/", booking_choices.part_options, name="part_options"),
    path("book/parts/<int:pk>/", booking_choices.part_line, name="part_line"),
    path("book/day/", booking_choices.day, name="bay_day"),
    path("book/vin/", booking_choices.vin, name="vin_report"),
    path("jobs/<int:number>/", job.job, name="job"),
    path("jobs/<int:number>/edit/", booking.job_edit, name="job_edit"),
    path("jobs/<int:number>/comeback/", comebacks.comeback, name="comeback"),
    path("book/comeback/", comebacks.earlier_job, name="earlier_job"),
    path("settings/causes/", comebacks.cause_list, name="cause_list"),
    path("settings/causes/usual/", comebacks.cause_usual, name="cause_usual"),
    path("settings/causes/new/", comebacks.cause_create, name="cause_create"),
    path("settings/causes/<int:pk>/", comebacks.cause_edit, name="cause_edit"),
    path("jobs/<int:number>/move/<slug:name>/", job.job_move, name="job_move"),
    path("jobs/<int:number>/parts/", job.job_parts, name="job_parts"),
    path("jobs/<int:number>/parts/add/", job.part_add, name="part_add"),
    path("jobs/<int:number>/parts/<int:pk>/", job.part_quantity, name="part_quantity"),
    path("jobs/<int:number>/parts/<int:pk>/remove/", job.part_remove, name="part_remove"),
    path("plan/parts/", supply.parts_to_come, name="parts_to_come"),
    path("jobs/<int:number>/supply/", supply.supply_all, name="supply_all"),
    path("jobs/<int:number>/supply/<int:pk>/", supply.supply_save, name="supply_save"),
    path("jobs/<int:number>/paper/<slug:name>/", supply.paper_file, name="paper_file"),
    path("jobs/<int:number>/desk/", desk.desk_strip, name="desk_strip"),
    path("jobs/<int:number>/message/", messages.message, name="message"),
    path(
        "jobs/<int:number>/mail/<int:pk>/call-back/", messages.mail_call_back, name="mail_call_back"
    ),
    path("jobs/<int:number>/mail/<int:pk>/arrived/", messages.mail_settle, name="mail_settle"),
    path("jobs/<int:number>/said/", desk.said_add, name="said_add"),
    path("jobs/<int:number>/said/<int:pk>/withdraw/", desk.said_withdraw, name="said_withdraw"),
    path("jobs/<int:number>/check-in/", check_in.check_in, name="check_in"),
    path("customers/<int:pk>/", vehicles.customer, name="customer"),
    path("customers/known/", customers.customers_known, name="customers_known"),
    path("customers/<int:pk>/merge/", customers.customer_merge, name="customer_merge"),
    path("customers/<int:pk>/unmerge/", customers.customer_unmerge, name="customer_unmerge"),
    path("customers/<int:pk>/data/", customers.customer_data, name="customer_data"),
    path("customers/<int:pk>/erase/", customers.customer_erase, name="customer_erase"),
    path("jobs/<int:number>/people/", booking.job_people, name="job_people"),
    path("settings/staff/<int:pk>/hand-over/", staff.staff_hand_over, name="staff_hand_over"),
    path("catalogue/<int:pk>/remove/", products.product_remove, name="product_remove"),
    path("vehicle-models/<int:pk>/plugs/", plugs.model_plugs, name="model_plugs"),
    path("vehicle-models/<int:pk>/plugs/new/", plugs.model_plug_create, name="model_plug_create"),
    path("catalogue/<int:pk>/plugs/", plugs.product_plugs, name="product_plugs"),
    path("catalogue/<int:pk>/plugs/new/", plugs.product_plug_create, name="product_plug_create"),
    path("plugs/<int:pk>/", plugs.plug, name="plug"),
    path("plugs/<int:pk>/edit/", plugs.plug_edit, name="plug_edit"),
    path("plugs/<int:pk>/cavity/", plugs.plug_cavity, name="plug_cavity"),
    path("plugs/<int:pk>/paste/", plugs.plug_paste, name="plug_paste"),
    path("plugs/<int:pk>/remove/", plugs.plug_remove, name="plug_remove"),
    path("vehicles/", vehicles.vehicle_list, name="vehicle_list"),
    path("vehicles/new/", vehicles.vehicle_create, name="vehicle_create"),
    path("vehicles/<int:pk>/", vehicles.vehicle, name="vehicle"),
    path("vehicles/<int:pk>/edit/", vehicles.vehicle_edit, name="vehicle_edit"),
]

# What it costs.
urlpatterns += [
    path("jobs/<int:number>/estimate/", estimates.estimate, name="estimate"),
    path("jobs/<int:number>/estimate/pdf/", estimates.estimate_file, name="estimate_file"),
    path("jobs/<int:number>/estimate/fill/", estimates.estimate_fill, name="estimate_fill"),
    path("jobs/<int:number>/estimate/add/", estimates.line_add, name="estimate_line_add"),
    path("jobs/<int:number>/estimate/<int:pk>/", estimates.line_save, name="estimate_line_save"),
    path(
        "jobs/<int:number>/estimate/<int:pk>/take/", estimates.line_take, name="estimate_line_take"
    ),
    path(
        "jobs/<int:number>/estimate/<int:pk>/remove/",
        estimates.line_remove,
        name="estimate_line_remove",
    ),
    path(
        "jobs/<int:number>/estimate/approve/", estimates.estimate_approve, name="estimate_approve"
    ),
    path("jobs/<int:number>/payments/", estimates.payment_add, name="payment_add"),
]

# Review, signed sheets, hand-over.
urlpatterns += [
    path("review/", review.review_queue, name="review_queue"),
    path("jobs/<int:number>/review/", review.review, name="review"),
    path("jobs/<int:number>/review/open/", review.review_open, name="review_open"),
    path("jobs/<int:number>/review/sign/", review.review_sign, name="review_sign"),
    path("jobs/<int:number>/review/send-back/", review.review_send_back, name="review_send_back"),
    path(
        "jobs/<int:number>/review/reasons/<slug:key>/",
        review.finding_reason,
        name="finding_reason",
    ),
    path("verify/", verify.verify, name="verify"),
    path("verify/certificate/", verify.verify_certificate, name="verify_certificate"),
    path("jobs/<int:number>/sheet-preview/", sheets.sheet_preview, name="sheet_preview"),
    path("jobs/<int:number>/wiring-sheet/", sheets.wiring_preview, name="wiring_preview"),
    path("sheets/<int:number>-<int:revision>/", sheets.sheet, name="sheet"),
    path("sheets/<int:number>-<int:revision>/pdf/", sheets.sheet_pdf, name="sheet_pdf"),
    path(
        "sheets/<int:number>-<int:revision>/customer/",
        sheets.customer_sheet_pdf,
        name="customer_sheet_pdf",
    ),
    path(
        "sheets/<int:number>-<int:revision>/wiring/",
        sheets.wiring_sheet_pdf,
        name="wiring_sheet_pdf",
    ),
    path(
        "sheets/<int:number>-<int:revision>/photos/<str:digest>/",
        sheets.sheet_photo,
        name="sheet_photo",
    ),
    path("sheets/<int:number>-<int:revision>/correct/", sheets.sheet_correct, name="sheet_correct"),
    path("jobs/<int:number>/collect/", collect.collect, name="collect"),
]

# The manager's numbers.
urlpatterns += [
    path("numbers/", numbers.numbers_page, name="numbers"),
    path("numbers/csv/", numbers.numbers_csv, name="numbers_csv"),
    path("numbers/jobs/<slug:key>/", numbers.numbers_jobs, name="numbers_jobs"),
]

# Labels.
urlpatterns += [
    path("jobs/<int:number>/labels/", labels.labels, name="labels"),
    path("jobs/<int:number>/labels/pdf/", labels.labels_file, name="labels_pdf"),
]

# Photos.
urlpatterns += [
    path("jobs/<int:number>/photos/", photos.photo_list, name="photo_list"),
    path("jobs/<int:number>/photos/<int:pk>/", photos.photo, name="photo"),
    path("jobs/<int:number>/photos/<int:pk>/file/", photos.photo_file, name="photo_file"),
    path(
        "jobs/<int:number>/photos/<int:pk>/small/", photos.photo_thumbnail, name="photo_thumbnail"
    ),
    path("jobs/<int:number>/photos/<int:pk>/printed/", photos.photo_printed, name="photo_printed"),
    path("jobs/<int:number>/photos/<int:pk>/remove/", photos.photo_remove, name="photo_remove"),
    path(
        "jobs/<int:number>/photos/<int:pk>/put-back/", photos.photo_put_back, name="photo_put_back"
    ),
]

# What a device keeps for working without a network.
urlpatterns += [path("kept-jobs/", offline_jobs.kept_jobs, name="kept_jobs")]

# The shop's step lists.
urlpatterns += [
    path("settings/steps/", steps.step_kinds, name="step_kinds"),
    path("settings/steps/usual/", steps.step_kind_usual, name="step_kind_usual"),
    path("settings/steps/new/", steps.step_kind_create, name="step_kind_create"),
    path("settings/steps/<int:pk>/", steps.step_kind, name="step_kind"),
    path("settings/steps/<int:pk>/edit/", steps.step_kind_edit, name="step_kind_edit"),
    path("settings/steps/<int:pk>/remove/", steps.step_kind_remove, name="step_kind_remove"),
    path("settings/steps/<int:pk>/copy/", steps.step_kind_copy, name="step_kind_copy"),
    path("settings/steps/<int:pk>/order/", steps.step_kind_order, name="step_kind_order"),
    path("settings/steps/<int:pk>/add/", steps.step_kind_add, name="step_kind_add"),
    path("settings/step/<int:pk>/", steps.step_template_edit, name="step_template_edit"),
    path("settings/step/<int:pk>/move/", steps.step_template_move, name="step_template_move"),
    path("settings/step/<int:pk>/remove/", steps.step_template_remove, name="step_template_remove"),
]

# Saved setups.
urlpatterns += [
    path("setups/", library.setup_list, name="setup_list"),
    path("setups/import/", exchange.setup_import, name="setup_import"),
    path("setups/<int:pk>/", library.setup, name="setup"),
    path("setups/<int:pk>/edit/", library.setup_edit, name="setup_edit"),
    path("setups/<int:pk>/approve/", library.setup_approve, name="setup_approve"),
    path("setups/<int:pk>/withdraw/", library.setup_withdraw, name="setup_withdraw"),
    path("setups/<int:pk>/bring-back/", library.setup_bring_back, name="setup_bring_back"),
    path("setups/<int:pk>/versions/", library.setup_versions, name="setup_versions"),
    path("setups/<int:pk>/export/", exchange.setup_export, name="setup_export"),
    path("setups/<int:pk>/several-jobs/", apply.setup_several, name="setup_several"),
    path(
        "sheets/<int:number>-<int:revision>/save-setup/", library.setup_create, name="setup_create"
    ),
    path("jobs/<int:number>/apply-setup/<int:pk>/", apply.setup_apply, name="setup_apply"),
    path("jobs/<int:number>/take-setup/<int:pk>/", apply.setup_take, name="setup_take"),
    path("jobs/<int:number>/setup-parts/<int:pk>/", apply.setup_parts, name="setup_parts"),
    path("setups/<int:pk>/part-lines/", apply.setup_part_lines, name="setup_part_lines"),
    path(
        "jobs/<int:number>/setup-applied/<int:pk>/",
        apply.setup_applied,
        name="setup_applied",
    ),
    path(
        "jobs/<int:number>/setup-applied/<int:pk>/undo/",
        apply.setup_undo,
        name="setup_undo",
    ),
    path("jobs/<int:number>/setup-learned/<int:pk>/", learning.setup_learn, name="setup_learn"),
]

# The wire book.
urlpatterns += [
    path("wire-book/", wire_book.wire_book, name="wire_book"),
    path("wire-book/<int:pk>/", wire_book.wire_book_model, name="wire_book_model"),
]

# Clocks.
urlpatterns += [
    path("jobs/<int:number>/clock/start/", clock.clock_start, name="clock_start"),
    path("jobs/<int:number>/clock/pause/", clock.clock_pause, name="clock_pause"),
    path("jobs/<int:number>/clock/stop/", clock.clock_stop, name="clock_stop"),
    path("time/", clock.clock_list, name="clock_list"),
    path("time/<int:pk>/", clock.clock_correct, name="clock_correct"),
    path("time/<int:pk>/still/", clock.clock_still, name="clock_still"),
]

# What the shop keeps for tuning.
urlpatterns += [
    path("settings/tuning/", targets.target_list, name="target_list"),
    path("settings/microphones/new/", microphones.microphone_create, name="microphone_create"),
    path("settings/microphones/<int:pk>/", microphones.microphone_edit, name="microphone_edit"),
    path("settings/tuning/new/", targets.target_create, name="target_create"),
    path("settings/tuning/<int:pk>/", targets.target_edit, name="target_edit"),
    path("settings/tuning/<int:pk>/remove/", targets.target_remove, name="target_remove"),
]
