# Everything starts here; nothing needs to be installed before but Python 3.11+, pip and make.
#   make demo    one pair of spectacles through the whole job, over HTTP, with its figures checked
#   make tour    the service with invented data on port 8000, for the README's curl tour
#   make test    the test suite (SQLite; on PostgreSQL with DATABASE_URL set)
#   make serve   the API and the job runner for real use, on http://127.0.0.1:8000/
#   make check   lint, types, import contracts, migrations, OpenAPI document
SHELL := /bin/sh
VENV := .venv
BIN := $(VENV)/bin
PYTHON ?= $(shell for p in python3.13 python3.12 python3.11 python3 python; do \
	$$p -c 'import sys; raise SystemExit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$p; break; }; done)
PIP := $(BIN)/python -m pip --disable-pip-version-check -q
PLUGINS := $(sort $(wildcard plugins/*/pyproject.toml))
PORT ?= 8000
WORKERS ?= 2
TEST_WORKERS ?= 2



.PHONY: setup setup-dev demo tour test serve manage check check-types check-rest audit sbom lint format migrate schema lock clean browser-tests backup restore soak benchmarks-api

setup: $(VENV)/.ready
setup-dev: $(VENV)/.ready-dev

$(VENV)/bin/python:
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed; set PYTHON=/path/to/python3"; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.ready: requirements/base.txt $(PLUGINS) | $(VENV)/bin/python
	$(PIP) install --no-deps --require-hashes -r requirements/base.txt
	$(PIP) install --no-deps --no-build-isolation $(patsubst %/pyproject.toml,-e %,$(PLUGINS))
	@touch $@

# requirements/dev.txt holds all of requirements/base.txt; both name every package, so there is nothing to resolve.
$(VENV)/.ready-dev: requirements/base.txt requirements/dev.txt $(PLUGINS) | $(VENV)/bin/python
	$(PIP) install --no-deps --no-compile --require-hashes -r requirements/dev.txt
	$(PIP) install --no-deps --no-build-isolation $(patsubst %/pyproject.toml,-e %,$(PLUGINS))
	@touch $(VENV)/.ready $@

demo: setup
	$(BIN)/python -m fixtures_demo.story

tour: setup
	PORT=$(PORT) $(BIN)/python -m fixtures_demo.tour

test: setup-dev
	$(BIN)/python -m pytest -n $(TEST_WORKERS) -m "not browser" $(ARGS)

# Settings for real use: production settings, with a secret kept in var/secret.key (made once, readable by you only).
# Plain HTTP on this machine only; put a TLS proxy in front for anything else (DEVELOPERS.md, "Running it").
var/secret.key: | setup
	@mkdir -p var && umask 077 && $(BIN)/python -c 'import secrets; print(secrets.token_urlsafe(64))' > $@

SERVE_ENV = DJANGO_SETTINGS_MODULE=opticshop.config.settings.production \
	OPTICSHOP_SECRET_KEY="$${OPTICSHOP_SECRET_KEY:-$$(cat var/secret.key)}" OPTICSHOP_HTTPS="$${OPTICSHOP_HTTPS:-0}" \
	OPTICSHOP_MESSAGES_DIR="$${OPTICSHOP_MESSAGES_DIR:-var/messages}"

serve: setup var/secret.key
	@$(SERVE_ENV) $(BIN)/python manage.py migrate -v 0
	@$(SERVE_ENV) $(BIN)/python manage.py collectstatic --no-input -v 0
	@$(SERVE_ENV) BIN=$(BIN) PORT=$(PORT) WORKERS=$(WORKERS) sh .ci/serve

# A command of the served installation, for instance: make manage ARGS="client_new till --role counter --branch MILL"
manage: setup var/secret.key
	@$(SERVE_ENV) $(BIN)/python manage.py $(ARGS)

# Of the served installation, for instance: make backup ARGS="--key-file FILE --keep 30"; make restore ARGS="FILE --rehearse"
backup restore: setup var/secret.key
	@$(SERVE_ENV) $(BIN)/python manage.py $@ $(ARGS)

# Mixed load on a PostgreSQL of its own, watched for errors and leaks: make soak ARGS="--minutes 15 --clients 16"
soak: setup-dev
	$(BIN)/python -m tests.soak.run $(ARGS)

# Our hottest endpoints beside other ways to write them (docs/benchmarks.md); DATABASE_URL names a PostgreSQL database
# with generated data: make benchmarks-api ARGS="--seconds 3 --only orders"
benchmarks-api: setup-dev
	$(PIP) install --no-deps --require-hashes -r requirements/benchmarks.txt
	$(BIN)/python -m tests.benchmarks.api.run $(ARGS)

migrate: setup
	$(BIN)/python manage.py migrate

# All but the document of the API, which check-rest makes and judges by itself.
DEPLOY_TAGS = $(foreach tag,admin caches commands compatibility database files models plugins security staticfiles templates urls,--tag $(tag))

# Two parts, of which `make -j2 check` does one beside the other.
check: check-types check-rest

check-types: setup-dev
	$(BIN)/mypy opticshop plugins

check-rest: setup-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports
	$(BIN)/python manage.py makemigrations --check --dry-run
	$(BIN)/python manage.py plugins check
	@DJANGO_SETTINGS_MODULE=opticshop.config.settings.production \
		OPTICSHOP_SECRET_KEY=$$($(BIN)/python -c 'import secrets; print(secrets.token_urlsafe(64))') \
		$(BIN)/python manage.py check --deploy --fail-level WARNING $(DEPLOY_TAGS)
	$(BIN)/python manage.py spectacular --validate --fail-on-warn --file var/openapi.yaml
	$(BIN)/python -m openapi_spec_validator var/openapi.yaml
	cmp var/openapi.yaml docs/openapi.yaml

# Known weaknesses of what we depend on (.ci/audit-allowed.toml excuses until a day), and the list of all of it.
audit: setup-dev
	$(BIN)/python .ci/audit.py

sbom: setup-dev
	$(BIN)/python .ci/sbom.py

format: setup-dev
	$(BIN)/ruff check --fix . && $(BIN)/ruff format .

schema: setup
	@mkdir -p docs && $(BIN)/python manage.py spectacular --file docs/openapi.yaml

# Pin everything anew (needs uv on the PATH); review the difference before committing it.
lock:
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url -q pyproject.toml -o requirements/base.txt
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url -q --extra tracing -c requirements/base.txt pyproject.toml -o requirements/tracing.txt
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url -q --extra dev --extra tracing -c requirements/base.txt pyproject.toml -o requirements/dev.txt
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url -q --extra browser -c requirements/dev.txt pyproject.toml -o requirements/browser.txt
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url -q -c requirements/dev.txt requirements/benchmarks.in -o requirements/benchmarks.txt

# In a real browser: a Chromium has to stand on the machine (or OPTICSHOP_CHROMIUM names one).
browser-tests: setup-dev
	$(PIP) install --no-deps --require-hashes -r requirements/browser.txt
	$(BIN)/python -m pytest tests/pages -m browser -n 0 $(ARGS)

clean:
	rm -rf $(VENV) var .pytest_cache .mypy_cache .ruff_cache .hypothesis
