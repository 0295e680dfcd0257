"""The paths of scheduling: pages, acts, feeds and files."""

from __future__ import annotations

from django.urls import URLPattern, path, re_path

from scheduling.acts.base import Subject
from scheduling.views import (
    acts,
    crews,
    feeds,
    files,
    home,
    ingest,
    jobs,
    logger_files,
    loggers,
    morning,
    orders,
    rooms,
    rules,
    today,
    zones,
)

app_name = "scheduling"

_SUBJECTS = "|".join(Subject)

urlpatterns: list[URLPattern] = [
    path("", home.home, name="home"),
    path("morning/", morning.morning, name="morning"),
    path("today/", today.today, name="today"),
    path("jobs/", jobs.jobs, name="jobs"),
    path("jobs/<int:pk>/", jobs.job, name="job"),
    path("jobs/<int:pk>/stock/", jobs.stock, name="stock"),
    path("rooms/<int:pk>/", rooms.room, name="room"),
    path("products/", rules.products, name="products"),
    path("products/<int:pk>/", rules.product, name="product"),
    path("products/<int:pk>/rule/", rules.product_rule, name="product_rule"),
    path("jobs/<int:pk>/rules/", rules.job_rules, name="job_rules"),
    path("jobs/<int:pk>/rules/all/", rules.job_rule, name="job_rule"),
    path("jobs/<int:pk>/rules/products/<int:product>/", rules.job_product_rule, name="job_product_rule"),
    path("jobs/<int:pk>/rules/statements/", rules.job_statements, name="job_statements"),
    path("zones/<int:pk>/", zones.zone, name="zone"),
    path("zones/<int:pk>/band/", rules.zone_band, name="zone_band"),
    path("orders/", orders.orders, name="orders"),
    path("orders/<int:pk>/", orders.order, name="order"),
    path("crews/", crews.crews, name="crews"),
    path("crews/<int:pk>/calendar/", crews.calendar, name="crew_calendar"),
    path("crews/<int:pk>/calendar/<int:secret>/end/", crews.end_calendar, name="end_calendar"),
    path("loggers/", loggers.loggers, name="loggers"),
    path("loggers/<int:pk>/", loggers.logger, name="logger"),
    path("loggers/<int:pk>/token/", loggers.renew_token, name="renew_token"),
    path("loggers/<int:pk>/end/", loggers.end_logger, name="end_logger"),
    path("workbook/", files.workbook, name="workbook"),
    path("workbook/template.xlsx", files.workbook_template, name="workbook_template"),
    path("workbook/sample.xlsx", files.workbook_sample, name="workbook_sample"),
    path("zones/<int:pk>/logger-file/", logger_files.logger_file, name="logger_file"),
    path("zones/<int:pk>/sample-logger.csv", logger_files.logger_sample, name="logger_sample"),
    path("reading-files/<uuid:pk>/original", logger_files.logger_original, name="logger_original"),
    path("logger-mappings/<int:pk>/forget/", logger_files.forget_mapping, name="forget_mapping"),
    path("ingest/readings", ingest.readings, name="ingest"),
    path("feeds/<str:secret>.ics", feeds.feed, name="feed"),
    path("facts/<uuid:fact>/correct/", acts.correct, name="correct"),
    path("facts/<uuid:fact>/withdraw/", acts.withdraw, name="withdraw"),
    re_path(rf"^(?P<subject>{_SUBJECTS})/(?P<key>[0-9a-f-]+)/(?P<name>[a-z-]+)/$", acts.act, name="act"),
]
