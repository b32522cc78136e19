"""URLs of people, vehicle models, catalogue and settings."""

from django.conf import settings as project
from django.urls import URLPattern, path

from shop.views import (
    accounts,
    catalogue,
    catalogue_files,
    customers,
    events,
    gallery,
    health,
    hours,
    labels,
    offline,
    settings,
    tablets,
    trust,
    vehicle_models,
)

urlpatterns: list[URLPattern] = [
    path("", accounts.home, name="home"),
    path("healthz", health.healthz, name="healthz"),
    path("sw.js", offline.service_worker, name="service_worker"),
    path("app.webmanifest", offline.manifest, name="manifest"),
    path("offline/", offline.offline, name="offline"),
    path("sign-in/", accounts.login, name="login"),
    path("sign-out/", accounts.logout, name="logout"),
    path("sign-in/locked/", accounts.locked_out, name="locked_out"),
    path("tablet/set-up/", trust.trust, name="trust"),
    path("tablet/set-up/certificate/", trust.trust_certificate, name="trust_certificate"),
    path("password/", accounts.password_change, name="password_change"),
    path("password/confirm/", tablets.password_confirm, name="password_confirm"),
    path("my-pin/", tablets.my_pin, name="my_pin"),
    path("tablet/", tablets.tablet_switch, name="tablet_switch"),
    path("tablet/lock/", tablets.tablet_lock, name="tablet_lock"),
    path("settings/tablets/", tablets.tablet_list, name="tablet_list"),
    path("settings/tablets/register/", tablets.tablet_register, name="tablet_register"),
    path("settings/tablets/<int:pk>/revoke/", tablets.tablet_revoke, name="tablet_revoke"),
    path("customers/", customers.customer_list, name="customer_list"),
    path("customers/new/", customers.customer_create, name="customer_create"),
    path("customers/<int:pk>/edit/", customers.customer_edit, name="customer_edit"),
    path("vehicle-models/", vehicle_models.vehicle_model_list, name="vehicle_model_list"),
    path("vehicle-models/new/", vehicle_models.vehicle_model_create, name="vehicle_model_create"),
    path(
        "vehicle-models/<int:pk>/edit/",
        vehicle_models.vehicle_model_edit,
        name="vehicle_model_edit",
    ),
    path("catalogue/", catalogue.product_list, name="product_list"),
    path("catalogue/new/", catalogue.product_create, name="product_create"),
    path("catalogue/import/", catalogue_files.product_import, name="product_import"),
    path(
        "catalogue/import/<int:pk>/columns/",
        catalogue_files.product_import_map,
        name="product_import_map",
    ),
    path(
        "catalogue/import/<int:pk>/",
        catalogue_files.product_import_preview,
        name="product_import_preview",
    ),
    path(
        "catalogue/import/<int:pk>/apply/",
        catalogue_files.product_import_apply,
        name="product_import_apply",
    ),
    path("catalogue/export/", catalogue_files.product_export, name="product_export"),
    path(
        "catalogue/template/<slug:kind>/", catalogue_files.product_template, name="product_template"
    ),
    path("catalogue/<int:pk>/", catalogue.product, name="product"),
    path("catalogue/<int:pk>/edit/", catalogue.product_edit, name="product_edit"),
    path("settings/", settings.settings, name="settings"),
    path("settings/log/", events.shop_log, name="shop_log"),
    path("settings/staff/", settings.staff_list, name="staff_list"),
    path("settings/staff/new/", settings.staff_create, name="staff_create"),
    path("settings/staff/<int:pk>/", settings.staff_edit, name="staff_edit"),
    path("settings/hours/", hours.hours, name="hours"),
    path("settings/hours/holidays/", hours.holidays_save, name="holidays_save"),
    path("settings/hours/holidays/work/", hours.holiday_work, name="holiday_work"),
    path("settings/hours/closed/", hours.closed_add, name="closed_add"),
    path("settings/hours/closed/<int:pk>/remove/", hours.closed_remove, name="closed_remove"),
    path("settings/hours/away/", hours.absence_add, name="absence_add"),
    path("settings/hours/away/<int:pk>/remove/", hours.absence_remove, name="absence_remove"),
    path("settings/label-sheets/", labels.label_sheet_list, name="label_sheet_list"),
    path("settings/label-sheets/new/", labels.label_sheet_create, name="label_sheet_create"),
    path("settings/label-sheets/<int:pk>/", labels.label_sheet_edit, name="label_sheet_edit"),
    path("settings/bays/", settings.bay_list, name="bay_list"),
    path("settings/bays/new/", settings.bay_create, name="bay_create"),
    path("settings/bays/<int:pk>/", settings.bay_edit, name="bay_edit"),
]

if project.DEBUG or project.TESTING:
    urlpatterns.append(path("gallery/", gallery.gallery, name="gallery"))
