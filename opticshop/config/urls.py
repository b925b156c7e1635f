from __future__ import annotations

from django.contrib import admin
from django.contrib.auth.views import LogoutView
from django.urls import include, path
from django.views.generic import RedirectView
from drf_spectacular.views import SpectacularAPIView, SpectacularRedocView, SpectacularSwaggerView
from oauth2_provider import views as oauth

from opticshop.accounts import pages as people
from opticshop.accounts.oauth import Introspection
from opticshop.appointments.api import CalendarView
from opticshop.correspondence.pages import unsubscribe
from opticshop.office.urls import bench_routes, office_routes

from . import api_root, metrics, pages
from .limits import limited

#: Only what a client needs to sign in; clients themselves are registered by head office (``manage.py client_new``).
oauth_routes = [
    path("authorize/", oauth.AuthorizationView.as_view(), name="authorize"),
    path("token/", limited("token", oauth.TokenView.as_view()), name="token"),
    path("revoke_token/", limited("token", oauth.RevokeTokenView.as_view()), name="revoke-token"),
    path("introspect/", limited("token", Introspection.as_view()), name="introspect"),
]

urlpatterns = [
    path("", pages.front, name="front"),
    api_root.below("api/v1/"),
    path("fhir/", include("opticshop.exchange.urls")),
    path("calendars/<str:token>.ics", CalendarView.as_view(), name="calendar"),
    path("api/schema/", SpectacularAPIView.as_view(), name="schema"),
    path(
        "docs/",
        SpectacularSwaggerView.as_view(url_name="schema", template_name="interactive.html"),
        name="docs",
    ),
    path(
        "docs/reference/",
        SpectacularRedocView.as_view(url_name="schema", template_name="reference.html"),
        name="reference",
    ),
    path("problems/", pages.problems, name="problems"),
    path("problems/<str:code>", pages.problems, name="problem"),
    path("unsubscribe/<str:token>", unsubscribe, name="unsubscribe"),
    path("favicon.ico", pages.no_icon),
    path("health/live", pages.live, name="live"),
    path("health/ready", pages.ready, name="ready"),
    path("metrics", metrics.metrics, name="metrics"),
    path("oauth/", include((oauth_routes, "oauth2_provider"))),
    path("office/", include(office_routes)),
    path("bench/", include(bench_routes)),
    path("sign-in/", limited("sign-in", people.sign_in), name="sign-in"),
    path("sign-in/code/", limited("sign-in", people.sign_in_code), name="sign-in-code"),
    path("second-factor/", limited("sign-in", people.second_factor), name="second-factor"),
    path("second-factor/new/", limited("sign-in", people.second_factor_new), name="second-factor-new"),
    path("password/", limited("sign-in", people.password), name="password"),
    path("welcome/<str:token>/", limited("sign-in", people.welcome), name="welcome"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("admin/login/", RedirectView.as_view(pattern_name="sign-in", query_string=True)),
    path("admin/password_change/", RedirectView.as_view(pattern_name="password")),
    path("admin/", admin.site.urls),
]

handler404 = "opticshop.config.problems.not_found"
handler500 = "opticshop.config.problems.server_error"
