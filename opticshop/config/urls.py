from __future__ import annotations

from django.contrib import admin
from django.contrib.auth.views import LoginView, LogoutView
from django.urls import include, path
from drf_spectacular.views import SpectacularAPIView, SpectacularRedocView, SpectacularSwaggerView
from oauth2_provider import views as oauth

from opticshop.appointments.api import CalendarView
from opticshop.correspondence.pages import unsubscribe

from . import metrics, pages

#: Only what a client needs to sign in; clients themselves are registered by head office (``manage.py client_new``).
oauth_routes = [
    path("authorize/", oauth.AuthorizationView.as_view(), name="authorize"),
    path("token/", oauth.TokenView.as_view(), name="token"),
    path("revoke_token/", oauth.RevokeTokenView.as_view(), name="revoke-token"),
    path("introspect/", oauth.IntrospectTokenView.as_view(), name="introspect"),
]

urlpatterns = [
    path("", pages.front, name="front"),
    path("api/v1/", include("opticshop.config.api_root")),
    path("fhir/", include("opticshop.exchange.urls")),
    path("calendars/<str:token>.ics", CalendarView.as_view(), name="calendar"),
    path("api/schema/", SpectacularAPIView.as_view(), name="schema"),
    path("docs/", SpectacularSwaggerView.as_view(url_name="schema"), name="docs"),
    path(
        "docs/reference/",
        SpectacularRedocView.as_view(url_name="schema", template_name="reference.html"),
        name="reference",
    ),
    path("problems/", pages.problems, name="problems"),
    path("problems/<str:code>", pages.problems, name="problem"),
    path("unsubscribe/<str:token>", unsubscribe, name="unsubscribe"),
    path("health/live", pages.live, name="live"),
    path("health/ready", pages.ready, name="ready"),
    path("metrics", metrics.metrics, name="metrics"),
    path("oauth/", include((oauth_routes, "oauth2_provider"))),
    path("sign-in/", LoginView.as_view(template_name="sign_in.html"), name="sign-in"),
    path("sign-out/", LogoutView.as_view(), name="sign-out"),
    path("admin/", admin.site.urls),
]

handler404 = "opticshop.config.problems.not_found"
handler500 = "opticshop.config.problems.server_error"
