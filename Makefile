# Each target sets up what it needs first: system packages, .venv, locked Python packages.
PYTHON ?= python3
PY := .venv/bin/python
LOCAL := $(PY) -m config.local
NO_SERVERS := DEBUG=1
export PYTHON

.PHONY: help demo serve test lint figures schemas schemas-check lock setup setup-dev clean

help:
	@echo 'make demo      a job from schedule to issued report, through the public doors'
	@echo 'make serve     the service on this machine with the demo world; Ctrl-C ends it'
	@echo 'make test      all tests on an own PostgreSQL and Valkey (ARGS="-k name" picks some)'
	@echo 'make lint      style, types, walls between the rooms, migrations, schemas'
	@echo 'make figures   benchmarks, each a line "figure: NAME = VALUE UNIT"'
	@echo 'make schemas   writes openapi.yaml and schema.graphql anew'
	@echo 'make lock      locks the requirement files (ARGS=--upgrade renews all)'
	@echo 'make clean     removes .venv and all data of this checkout'

setup:
	@config/local/setup.sh run

setup-dev:
	@config/local/setup.sh dev

demo: setup
	@$(LOCAL) run --world demo --fresh -- $(PY) -m config.local.demo

serve: setup
	@$(LOCAL) serve --seed "$(PY) -m config.local.demo"

test: setup-dev
	@$(LOCAL) exec --test -- $(PY) -m pytest $(ARGS)

figures: setup-dev
	@$(LOCAL) run --world figures --fresh -- sh -c 'set -e; for file in tests/benchmarks/*_figures.py; do \
	  $(PY) -m tests.benchmarks.$$(basename $$file .py); done'

lint: setup-dev
	@$(PY) -m ruff check --quiet .
	@$(PY) -m ruff format --check --quiet .
	@$(NO_SERVERS) $(PY) -m mypy
	@.venv/bin/lint-imports --no-logo
	@$(LOCAL) exec --test --owner -- $(PY) manage.py makemigrations --check --dry-run
	@$(MAKE) --no-print-directory schemas-check
	@$(PY) -m pip --disable-pip-version-check check

schemas: setup-dev
	@config/local/schemas.sh .

schemas-check: setup-dev
	@config/local/schemas.sh var/schemas
	@diff -u openapi.yaml var/schemas/openapi.yaml && diff -u schema.graphql var/schemas/schema.graphql || \
	  { echo 'The committed schemas differ from the code (above): run `make schemas` and commit them.' >&2; exit 1; }

lock:
	@config/local/lock.sh $(ARGS)

clean:
	@config/local/clean.sh
