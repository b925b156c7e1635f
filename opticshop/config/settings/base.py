"""All settings, complete and safe; production and test change only what must differ."""

from __future__ import annotations

from typing import Any

import dj_database_url

from opticshop.config import env, postgresql
from opticshop.config.access import OAUTH_SCOPES
from opticshop.config.openapi import SPECTACULAR

ROOT = env.ROOT
VAR = env.ROOT / env.text("OPTICSHOP_VAR", "var")
VAR.mkdir(parents=True, exist_ok=True)

INSECURE_SECRET = "insecure-key-for-development-only"
SECRET_KEY = env.text("OPTICSHOP_SECRET_KEY", INSECURE_SECRET)
#: Earlier ones, which still open what they sealed and signed.
SECRET_KEY_FALLBACKS = env.words("OPTICSHOP_SECRET_KEY_FALLBACKS")
DEBUG = env.flag("OPTICSHOP_DEBUG", False)
ALLOWED_HOSTS = env.words("OPTICSHOP_ALLOWED_HOSTS", "localhost,127.0.0.1,[::1],testserver")

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "rest_framework",
    "django_filters",
    "oauth2_provider",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "django_linear_migrations",
    "opticshop.core",
    "opticshop.audit",
    "opticshop.branches",
    "opticshop.accounts",
    "opticshop.pluginhost",
    "opticshop.customers",
    "opticshop.catalogue",
    "opticshop.ledger",
    "opticshop.prescriptions",
    "opticshop.prices",
    "opticshop.stock",
    "opticshop.instruments",
    "opticshop.orders",
    "opticshop.workshop",
    "opticshop.billing",
    "opticshop.purchasing",
    "opticshop.quality",
    "opticshop.replenishment",
    "opticshop.correspondence",
    "opticshop.appointments",
    "opticshop.reminders",
    "opticshop.alerts",
    "opticshop.integrations",
    "opticshop.exchange",
    "opticshop.imports",
    "opticshop.privacy",
    "opticshop.reports",
    "opticshop.office",
    "opticshop.config",
]

MIDDLEWARE = [
    "opticshop.config.middleware.RequestIdMiddleware",
    "opticshop.config.telemetry.SpanMiddleware",
    "opticshop.config.middleware.PoliciesMiddleware",
    "opticshop.audit.middleware.TraceMiddleware",
    "opticshop.config.metrics.MetricsMiddleware",
    "opticshop.config.middleware.ProblemPagesMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "opticshop.config.middleware.BodyMiddleware",
    "opticshop.config.middleware.FilesMiddleware",
    "opticshop.config.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "opticshop.config.middleware.VerifiedUserMiddleware",
    "opticshop.config.middleware.MessagesMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
]

ROOT_URLCONF = "opticshop.config.urls"
WSGI_APPLICATION = "opticshop.config.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [ROOT / "opticshop" / "config" / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ]
        },
    }
]

# --- data ---------------------------------------------------------------------------------------------------------
DATABASES: dict[str, Any] = {
    "default": dj_database_url.parse(env.text("DATABASE_URL") or f"sqlite:///{VAR / 'opticshop.sqlite3'}")
}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL; PRAGMA foreign_keys=ON;",
    }
else:
    DATABASES["default"] |= postgresql.connection(writes=True)
#: A copy of the database for the reads of reports; see opticshop.core.replica.
if _replica := env.text("DATABASE_REPLICA_URL"):
    DATABASES["replica"] = dj_database_url.parse(_replica)
    if not _replica.startswith("sqlite"):
        DATABASES["replica"] |= postgresql.connection(writes=False)
    DATABASE_ROUTERS = ["opticshop.core.replica.ReplicaRouter"]
#: A copy that is further behind is not read from.
OPTICSHOP_REPLICA_LAG_SECONDS = env.number("OPTICSHOP_REPLICA_LAG_SECONDS", 30)
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

REDIS_URL = env.text("REDIS_URL")
CACHES: dict[str, Any] = {
    "default": {"BACKEND": "opticshop.core.caching.RedisOrHereCache", "LOCATION": REDIS_URL}
    if REDIS_URL
    else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
}

# --- people -------------------------------------------------------------------------------------------------------
AUTH_USER_MODEL = "accounts.User"
AUTHENTICATION_BACKENDS = ["opticshop.accounts.backends.PasswordBackend"]
PASSWORD_HASHERS = [
    "opticshop.accounts.passwords.Argon2idHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS: list[dict[str, Any]] = [
    {"NAME": "opticshop.accounts.passwords.LengthValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator",
        "OPTIONS": {"user_attributes": ("username", "display_name", "email")},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "opticshop.accounts.passwords.TooSimpleValidator"},
]
LOGIN_URL = "/sign-in/"
LOGIN_REDIRECT_URL = "/"
LOGOUT_REDIRECT_URL = "/"
SESSION_ENGINE = "opticshop.accounts.session_store"
#: How long a session stands in all, and without a request; where the figures come from is said in that module.
OPTICSHOP_SESSION_SECONDS = env.number("OPTICSHOP_SESSION_SECONDS", 10 * 3600)
OPTICSHOP_SESSION_IDLE_SECONDS = env.number("OPTICSHOP_SESSION_IDLE_SECONDS", 30 * 60)
SESSION_COOKIE_AGE = OPTICSHOP_SESSION_SECONDS
#: The same for an operator who took over a till by PIN.
OPTICSHOP_OPERATOR_SECONDS = env.number("OPTICSHOP_OPERATOR_SECONDS", 4 * 3600)
OPTICSHOP_OPERATOR_IDLE_SECONDS = env.number("OPTICSHOP_OPERATOR_IDLE_SECONDS", 5 * 60)
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_SAMESITE = "Lax"
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
SESSION_COOKIE_NAME = "session"
CSRF_COOKIE_NAME = "csrf"

# The library's own tables, named because ours point at them.
OAUTH2_PROVIDER_APPLICATION_MODEL = "oauth2_provider.Application"
OAUTH2_PROVIDER_ACCESS_TOKEN_MODEL = "oauth2_provider.AccessToken"
OAUTH2_PROVIDER = {
    "SCOPES": OAUTH_SCOPES,
    "DEFAULT_SCOPES": [],
    "PKCE_REQUIRED": True,
    "ACCESS_TOKEN_EXPIRE_SECONDS": env.number("OPTICSHOP_TOKEN_SECONDS", 900),
    "REFRESH_TOKEN_EXPIRE_SECONDS": 12 * 3600,
    "ROTATE_REFRESH_TOKEN": True,
    "REFRESH_TOKEN_REUSE_PROTECTION": True,
    "OAUTH2_VALIDATOR_CLASS": "opticshop.accounts.oauth.Validator",
    "SCOPES_BACKEND_CLASS": "opticshop.accounts.oauth.Scopes",
    # RFC 9700 (OAuth 2.0 Security Best Current Practice): tokens are kept as digests, weak flows are off.
    "COMPLIANT_BCP_RFC9700_TOKEN_STORAGE": True,
    "COMPLIANT_BCP_RFC9700_IMPLICIT_GRANT": True,
    "COMPLIANT_BCP_RFC9700_PASSWORD_GRANT": True,
    "COMPLIANT_BCP_RFC9700_PKCE_METHOD": True,
    "COMPLIANT_BCP_RFC9700_ACCESS_TOKEN_TRANSPORT": True,
    "COMPLIANT_BCP_RFC9700_AUTHZ_RESPONSE_ISS": True,
    "OIDC_ISS_ENDPOINT": env.text("OPTICSHOP_PUBLIC_URL", "http://localhost:8000"),
    "ALLOWED_REDIRECT_URI_SCHEMES": ["https", "http"] if env.flag("OPTICSHOP_ALLOW_HTTP_REDIRECT", True) else ["https"],
}

# --- language, time, files ----------------------------------------------------------------------------------------
LANGUAGE_CODE = "en-gb"
TIME_ZONE = "UTC"
USE_TZ = True
STATIC_URL = "/static/"
STATIC_ROOT = VAR / "static"
WHITENOISE_USE_FINDERS = True
MEDIA_ROOT = VAR / "media"

# --- API ----------------------------------------------------------------------------------------------------------
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": [
        "opticshop.accounts.authentication.BearerTokenAuthentication",
        "rest_framework.authentication.SessionAuthentication",
    ],
    "DEFAULT_PERMISSION_CLASSES": ["opticshop.core.requests.HoldsDeclaredPermission"],
    "DEFAULT_RENDERER_CLASSES": ["opticshop.core.renderers.JsonRenderer"],
    "DEFAULT_PARSER_CLASSES": ["opticshop.core.parsers.BoundedJSONParser"],
    "DEFAULT_PAGINATION_CLASS": "opticshop.core.pagination.KeyCursorPagination",
    "DEFAULT_FILTER_BACKENDS": ["opticshop.core.filters.KnownFilters"],
    "DEFAULT_SCHEMA_CLASS": "opticshop.core.openapi.ShapesPerAction",
    "DEFAULT_THROTTLE_CLASSES": [
        "opticshop.core.throttling.AnonymousThrottle",
        "opticshop.core.throttling.SignedInThrottle",
        "opticshop.core.throttling.CostlyThrottle",
    ],
    "DEFAULT_THROTTLE_RATES": {
        "anon": env.text("OPTICSHOP_RATE_ANON", "120/min"),
        "user": env.text("OPTICSHOP_RATE_USER", "3000/min"),
        "search": env.text("OPTICSHOP_RATE_SEARCH", "600/min"),
        "exports": env.text("OPTICSHOP_RATE_EXPORTS", "60/min"),
        "sign-in": env.text("OPTICSHOP_RATE_SIGN_IN", "30/min"),
        "token": env.text("OPTICSHOP_RATE_TOKEN", "120/min"),
    },
    "EXCEPTION_HANDLER": "opticshop.config.problems.problem_for",
    "COERCE_DECIMAL_TO_STRING": True,
    "TEST_REQUEST_DEFAULT_FORMAT": "json",
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
}
SPECTACULAR_SETTINGS = SPECTACULAR
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FILES = 1

# --- this service -------------------------------------------------------------------------------------------------
OPTICSHOP_VERSION = "0.1.0"
OPTICSHOP_ACTOR_FACTORY = "opticshop.accounts.access.actor_from_request"
OPTICSHOP_AUDIT_POLICY = "opticshop.config.audited.POLICY"
#: What becomes of each table when a person is erased, and how long what must stay is kept.
OPTICSHOP_RETENTION = "opticshop.config.retention.POLICY"
OPTICSHOP_BEHIND_PROXY = env.flag("OPTICSHOP_BEHIND_PROXY", False)
OPTICSHOP_ROLE_TABLE = "opticshop.config.access.ROLE_TABLE"
OPTICSHOP_SECOND_FACTOR = "opticshop.config.access.SECOND_FACTOR"
OPTICSHOP_SENSITIVE = "opticshop.config.access.SENSITIVE"
# Whether an answer waits until the note of who read what is on the disk (PostgreSQL; docs/audit.md).
OPTICSHOP_READS_WAIT_FOR_DISK = env.flag("OPTICSHOP_READS_WAIT_FOR_DISK", False)
OPTICSHOP_LOCK_TIMEOUT_MS = env.number("OPTICSHOP_LOCK_TIMEOUT_MS", 5000)
OPTICSHOP_JOBS = env.text("OPTICSHOP_JOBS", "celery" if REDIS_URL else "embedded")
OPTICSHOP_PLUGINS_STRICT = env.flag("OPTICSHOP_PLUGINS_STRICT", False)
#: Names of the entry points to load; None loads every plugin that is installed.
OPTICSHOP_PLUGINS_ONLY = env.words("OPTICSHOP_PLUGINS_ONLY") or None
OPTICSHOP_BATCH_SECONDS = float(env.text("OPTICSHOP_BATCH_SECONDS", "20.0"))
OPTICSHOP_PLUGIN_DECIDE_SECONDS = float(env.text("OPTICSHOP_PLUGIN_DECIDE_SECONDS", "2.0"))
#: Lets webhooks go to receivers in the own network, also by plain HTTP.
OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE = env.flag("OPTICSHOP_WEBHOOKS_ALLOW_PRIVATE", False)
#: How stock is valued for the whole company: fifo or average (IAS 2, paragraph 25).
OPTICSHOP_STOCK_VALUATION = env.text("OPTICSHOP_STOCK_VALUATION", "fifo")
#: The largest file that an import takes, in bytes and in rows.
OPTICSHOP_IMPORT_BYTES = env.number("OPTICSHOP_IMPORT_BYTES", 10 * 1024 * 1024)
OPTICSHOP_IMPORT_ROWS = env.number("OPTICSHOP_IMPORT_ROWS", 20_000)
#: The largest file of a report that is attached to a mail, in bytes; of a larger one the address is sent.
OPTICSHOP_REPORT_MAIL_BYTES = env.number("OPTICSHOP_REPORT_MAIL_BYTES", 2 * 1024 * 1024)
#: The largest body of any request: a photograph or an import with the form around it.
OPTICSHOP_BODY_BYTES = max(DATA_UPLOAD_MAX_MEMORY_SIZE, 8 * 1024 * 1024, OPTICSHOP_IMPORT_BYTES) + 64 * 1024
#: A statement that takes so long, in ms, is told to the log without its values; 0 for none.
OPTICSHOP_SLOW_QUERY_MS = env.number("OPTICSHOP_SLOW_QUERY_MS", 500)
#: How many days events, and finished deliveries of them, are kept; 0: for good (docs/running.md, "Keeping events").
OPTICSHOP_EVENTS_DAYS = env.number("OPTICSHOP_EVENTS_DAYS", 400)
OPTICSHOP_DELIVERIES_DAYS = env.number("OPTICSHOP_DELIVERIES_DAYS", 90)
#: Who may read /metrics: whoever shows this token; without one, this machine only.
OPTICSHOP_METRICS_TOKEN = env.text("OPTICSHOP_METRICS_TOKEN")
#: Where people reach this service from outside: the address that unsubscribing begins with.
OPTICSHOP_PUBLIC_URL = env.text("OPTICSHOP_PUBLIC_URL", "http://localhost:8000")
#: Prints a mark on every document: this shop and these people are invented.
OPTICSHOP_INVENTED_DATA = env.flag("OPTICSHOP_INVENTED_DATA", False)

# --- Celery -------------------------------------------------------------------------------------------------------
# Messages carry the name of a duty and nothing else: losing one, or having it twice, costs nothing but a moment.
CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_TASK_IGNORE_RESULT = True
CELERY_RESULT_BACKEND = None
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True  # a message that kills its worker ends when it expires
CELERY_TASK_TIME_LIMIT = 180
CELERY_TASK_SOFT_TIME_LIMIT = 120
CELERY_TASK_PUBLISH_RETRY = False
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_CONNECTION_MAX_RETRIES = None
CELERY_BROKER_TRANSPORT_OPTIONS = {
    # Above the longest hard limit of a duty, else Redis hands a message out while it is being worked on.
    "visibility_timeout": 7200,
    "socket_timeout": 3,  # longer than the second for which a worker waits for a message
    "socket_connect_timeout": 2,
    "health_check_interval": 10,
    "max_retries": 1,
    "interval_start": 0,
    "interval_step": 0.2,
    "interval_max": 0.5,
}
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_WORKER_MAX_TASKS_PER_CHILD = 2000
CELERY_WORKER_MAX_MEMORY_PER_CHILD = 512 * 1024  # KiB
CELERY_WORKER_CANCEL_LONG_RUNNING_TASKS_ON_CONNECTION_LOSS = False
CELERY_WORKER_SEND_TASK_EVENTS = False
#: The schedule is made anew at each start: what is due is said by rows, so beat has nothing to remember.
CELERY_BEAT_SCHEDULER = "celery.beat:Scheduler"
CELERY_BEAT_MAX_LOOP_INTERVAL = 5
CELERY_BEAT_ENABLE_REMOTE_CONTROL = True
CELERY_TIMEZONE = "UTC"

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"()": "opticshop.config.logs.line_formatter"}},
    "filters": {"short": {"()": "opticshop.config.logs.ShortOnBeat"}},
    "loggers": {
        "celery.beat": {"filters": ["short"]},
        # Django would send errors by e-mail, with what was posted.
        "django": {"handlers": [], "level": "NOTSET"},
        # Whatever level is asked for: statements with their parameters, grants with their secrets.
        "django.db.backends": {"level": "WARNING"},
        "oauthlib": {"level": "WARNING"},
        "oauth2_provider": {"level": "WARNING"},
    },
    "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["stderr"], "level": env.text("OPTICSHOP_LOG_LEVEL", "WARNING")},
}
