from __future__ import annotations

from django.urls import path

from . import bench, screens, views

office_routes = [
    path("", views.day, name="office"),
    path("alerts/", views.alerts, name="office-alerts"),
    path("reports/", views.reports, name="office-reports"),
    path("reports/<slug:key>/", views.report, name="office-report"),
    path("reports/<slug:key>.csv", views.report_csv, name="office-report-csv"),
]
bench_routes = [
    path("", bench.choose, name="benches"),
    path("<str:code>/", bench.board, name="bench"),
    path("<str:code>/columns", bench.columns, name="bench-columns"),
    path("<str:code>/tray", bench.tray, name="bench-tray"),
    path("<str:code>/screen/", bench.screen, name="bench-screen"),
    path("<str:code>/operator/", screens.operator, name="bench-operator"),
    path("<str:code>/operator/leave/", screens.leave, name="bench-leave"),
    path("<str:code>/jobs/<str:number>/", bench.job, name="bench-job"),
    path("<str:code>/jobs/<str:number>/take-over/", bench.take_over, name="bench-take-over"),
    path("<str:code>/jobs/<str:number>/reading/", bench.reading, name="bench-reading"),
    path("<str:code>/jobs/<str:number>/inspection/", bench.inspection, name="bench-inspection"),
    path("<str:code>/jobs/<str:number>/second/", bench.second, name="bench-second"),
    path("<str:code>/jobs/<str:number>/resume/", bench.resume, name="bench-resume"),
    path("<str:code>/jobs/<str:number>/<str:kind>/<str:act>/", bench.step, name="bench-step"),
]
