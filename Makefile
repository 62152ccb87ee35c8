# Each target sets up what it needs first: system packages, .venv, locked Python packages.
PYTHON ?= python3
PY := .venv/bin/python
LOCAL := $(PY) -m config.local
export PYTHON
PROCESSES ?= 2
ROUNDS ?= 3
COMPANIES ?= 1000
READINGS ?= 3450000

SEED ?= 1

.PHONY: help demo serve test soak lint figures scale coverage checks mutation branches faults schemas schemas-check lock setup setup-dev clean drill freeze

help:
	@echo 'make demo      a job from schedule to issued report, through the public doors'
	@echo 'make serve     the service on this machine with the demo world; Ctrl-C ends it'
	@echo 'make test      all tests on an own PostgreSQL and Valkey (ARGS="-k name" picks some, PROCESSES=0 for one)'
	@echo 'make soak      generated cases by the ten thousand at every door (SEED=7, SHARE=0.1 for a tenth)'
	@echo 'make lint      style, types, walls between the rooms, migrations, schemas'
	@echo 'make figures   benchmarks, each a line "figure: NAME = VALUE UNIT"'
	@echo 'make scale     many companies on one instance beside one alone (COMPANIES=1000 READINGS=3450000)'
	@echo 'make drill     backs up under load, loses the server, restores to a moment, proves what came back'
	@echo 'make freeze    freezes a small company as this release stores it, for the upgrade test (RELEASE=0.2.0)'
	@echo 'make coverage  how often the intervals hold a known flow, in simulation; writes tests/benchmarks/COVERAGE.md'
	@echo 'make checks    every check against a published value; writes tests/standards/CHECKS.md'
	@echo 'make mutation  changes to the arithmetic that the tests notice (ARGS="traverse --sample 50"),'
	@echo '               or to tenancy and state machines (ARGS="--of states --sample 200 --seed 3")'
	@echo 'make branches  which branches of the core the tests come by (a quarter of an hour)'
	@echo 'make faults    kills, freezes and starves the running service (SEED=7 FAULTS="F1 F3" ROUNDS=10, or full)'
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
	@$(LOCAL) serve --seed "$(PY) -m config.local.demo --seed --out var/local/demo"

test: setup-dev
	@$(LOCAL) exec --test -- $(PY) -m pytest -n $(PROCESSES) --dist loadfile --no-loadscope-reorder $(ARGS)

soak: setup-dev
	@SOAK=1 SOAK_SEED=$(SEED) SOAK_SHARE=$(or $(SHARE),1) $(LOCAL) exec --test -- \
	  $(PY) -m pytest -q -s -p no:logging -p no:cacheprovider tests/soak $(ARGS)

figures: setup-dev
	@$(LOCAL) run --world figures --fresh -- \
	  $(PY) -m tests.benchmarks.goals --out tests/benchmarks/FIGURES.md $(ARGS)

scale: setup-dev
	@$(PY) -m tests.benchmarks.scale --companies $(COMPANIES) --readings $(READINGS) \
	  --out tests/benchmarks/SCALE.md $(ARGS)

drill: setup-dev
	@$(PY) -m tests.benchmarks.restore_figures

freeze: setup-dev
	@test -n "$(RELEASE)" || { echo 'name the release: make freeze RELEASE=0.2.0' >&2; exit 2; }
	@$(PY) -m tests.upgrade.freeze $(RELEASE)

coverage: setup-dev
	@$(PY) -m tests.benchmarks.coverage --processes $(PROCESSES) --out tests/benchmarks/COVERAGE.md $(ARGS)

checks: setup-dev
	@$(PY) -m tests.standards.page --out tests/standards/CHECKS.md

branches: setup-dev
	@$(LOCAL) exec --test -- $(PY) -m tests.mutation.branches --processes $(PROCESSES) $(ARGS)

mutation: setup-dev
	@$(PY) -m tests.mutation --processes $(PROCESSES) $(ARGS)

faults: setup-dev
	@$(PY) -m tests.faults --seed $(SEED) --rounds $(ROUNDS) --faults "$(FAULTS)" $(ARGS)

lint: setup-dev
	@config/local/lint.sh

schemas: setup-dev
	@config/local/schemas.sh .

schemas-check: setup-dev
	@config/local/lint.sh schemas

lock:
	@config/local/lock.sh $(ARGS)

clean:
	@config/local/clean.sh
