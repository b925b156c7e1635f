"""For the test suite: quick hashing, memory cache, no throttling, jobs run when a test says so."""

from __future__ import annotations

import copy

from opticshop.config import env

from .base import *  # noqa: F403
from .base import DATABASES, INSTALLED_APPS, REST_FRAMEWORK

INSTALLED_APPS = [*INSTALLED_APPS, "django_migration_linter"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
CACHES = {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
REST_FRAMEWORK = copy.deepcopy(REST_FRAMEWORK)
REST_FRAMEWORK["DEFAULT_THROTTLE_RATES"] = dict.fromkeys(dict(REST_FRAMEWORK["DEFAULT_THROTTLE_RATES"]))  # type: ignore[call-overload]
OPTICSHOP_JOBS = "embedded"
SECRET_KEY = "a-key-for-tests-only-and-nothing-else-0000"
if not DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # What is lost when the machine stops is of no worth; plans for ten rows are not worth compiling.
    DATABASES["default"]["OPTIONS"] = {"options": "-c synchronous_commit=off -c jit=off"}
#: A file for the SQLite database of the tests, to be kept between runs with ``--reuse-db``.
if _file := env.text("OPTICSHOP_TEST_DB", ""):
    DATABASES["default"]["TEST"] = {"NAME": _file}
