"""For real use. Refuses to start with the development secret or with DEBUG."""

from __future__ import annotations

from django.core.exceptions import ImproperlyConfigured

from opticshop.config import env

from .base import *  # noqa: F403
from .base import DEBUG, INSECURE_SECRET, OAUTH2_PROVIDER, SECRET_KEY

if DEBUG:
    raise ImproperlyConfigured("OPTICSHOP_DEBUG must be off in production")
if SECRET_KEY == INSECURE_SECRET or len(SECRET_KEY) < 40:
    raise ImproperlyConfigured("OPTICSHOP_SECRET_KEY must be set to a secret of at least 40 characters")

#: Off only where a proxy on the same machine, or nobody but this machine, speaks to the service.
HTTPS = env.flag("OPTICSHOP_HTTPS", True)
ALLOWED_HOSTS = env.words("OPTICSHOP_ALLOWED_HOSTS", "localhost,127.0.0.1,[::1]")
SECURE_SSL_REDIRECT = HTTPS
SESSION_COOKIE_SECURE = HTTPS
CSRF_COOKIE_SECURE = HTTPS
if HTTPS:
    # A browser takes these from this host only, over https, for all its paths (RFC 6265bis, 4.1.3.2).
    SESSION_COOKIE_NAME = "__Host-session"
    CSRF_COOKIE_NAME = "__Host-csrf"
SECURE_HSTS_SECONDS = 31536000 if HTTPS else 0
SECURE_HSTS_INCLUDE_SUBDOMAINS = HTTPS
SECURE_HSTS_PRELOAD = HTTPS
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https") if env.flag("OPTICSHOP_BEHIND_PROXY", False) else None
OAUTH2_PROVIDER = {
    **OAUTH2_PROVIDER,
    "ALLOWED_REDIRECT_URI_SCHEMES": ["https", "http"]
    if env.flag("OPTICSHOP_ALLOW_HTTP_REDIRECT", not HTTPS)
    else ["https"],
}
CSRF_TRUSTED_ORIGINS = env.words("OPTICSHOP_TRUSTED_ORIGINS")
WHITENOISE_USE_FINDERS = False
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
