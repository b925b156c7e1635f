"""Production settings refuse what must not go live."""

from __future__ import annotations

import ast
import os
import subprocess
import sys

import pytest


def start(**environment):
    base = {k: v for k, v in os.environ.items() if not k.startswith(("OPTICSHOP", "DATABASE", "REDIS", "DJANGO"))}
    return subprocess.run(
        [sys.executable, "-c", "import django; django.setup(); print('started')"],
        env={**base, "DJANGO_SETTINGS_MODULE": "opticshop.config.settings.production", **environment},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("environment", "words"),
    [
        ({}, "OPTICSHOP_SECRET_KEY"),
        ({"OPTICSHOP_SECRET_KEY": "insecure-key-for-development-only"}, "OPTICSHOP_SECRET_KEY"),
        ({"OPTICSHOP_SECRET_KEY": "k" * 50, "OPTICSHOP_DEBUG": "1"}, "OPTICSHOP_DEBUG"),
        ({"OPTICSHOP_SECRET_KEY": "k" * 50, "OPTICSHOP_DEBUG": "perhaps"}, "OPTICSHOP_DEBUG"),
    ],
)
def test_production_refuses_to_start(environment, words):
    outcome = start(**environment)
    assert outcome.returncode != 0
    assert words in outcome.stderr


def test_production_starts_with_a_secret():
    assert "started" in start(OPTICSHOP_SECRET_KEY="k" * 50).stdout


def test_the_pool_does_not_wait_longer_for_a_database_that_is_back_than_a_request_does():
    """psycopg_pool doubles its pauses until ``reconnect_timeout``, 5 minutes by default (its documentation)."""
    code = "from opticshop.config.settings.base import DATABASES; pool = DATABASES['default']['OPTIONS']['pool'];"
    code += "print({name: pool[name] for name in ('timeout', 'reconnect_timeout')})"
    environment = {**os.environ, "DATABASE_URL": "postgresql://a:b@127.0.0.1/c"}
    environment |= {"DJANGO_SETTINGS_MODULE": "opticshop.config.settings.base"}
    told = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    pool = ast.literal_eval(told.stdout)
    assert pool["reconnect_timeout"] <= pool["timeout"]
