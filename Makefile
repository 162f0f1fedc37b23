# The only interface to the project: every target sets up what it needs.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.tankdrift-ready
OUT ?= out
WORKERS ?= 2

# Images often ask Python to keep nothing that it compiled: each process would then compile every library again, which
# for one that imports Prefect is most of its time.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help setup chromium postgresql run test bench pictures check format docs sample lock clean

help: ## show this list
	@awk -F':.*## ' '/^[a-z]+:.*## /{printf "  make %-9s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "tankdrift needs Python 3.11 or newer; say which with: make PYTHON=python3.12 ..." >&2; exit 2; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
	  || { echo "this Python cannot make environments; on Debian: apt-get install python3-venv" >&2; exit 2; }
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --no-compile --no-deps --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

setup: $(STAMP) ## make the environment in .venv (once; a second call does nothing)

chromium: ## make sure that a browser is there for the tests of the report
	@bash .ci/chromium

# After chromium where both are wanted at once: apt bears no company.
postgresql: | chromium ## make sure that PostgreSQL is there for the tests of sources
	@bash .ci/postgresql

run: setup ## look at the sample lake; the report is then in out/report/index.html
	$(BIN)/tankdrift run sample_lake --out $(OUT)

test: setup chromium postgresql ## run every test
	$(BIN)/python -m pytest -n $(WORKERS) --dist loadfile --no-loadscope-reorder

bench: setup ## measure what is found on the sample and on fleets from other seeds (some ten minutes)
	$(BIN)/python -m tests.benchmarks.detection

pictures: run chromium ## take the README's pictures again
	$(BIN)/python -m tests.support.pictures $(OUT)

check: setup ## lint, types, floors, formats
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m pipeline.contract.dictionary | diff - shared/data_dictionary.md
	$(BIN)/python -m pipeline.settings_reference | diff - docs/settings.md
	$(BIN)/python -m pipeline.settings_reference schema | diff - docs/settings.schema.json
	$(BIN)/python -m tests.support.constants | diff - docs/constants.md

format: setup ## let ruff lay the code out
	$(BIN)/ruff check --fix --exit-zero .
	$(BIN)/ruff format .

docs: setup ## write the data dictionary, the reference of settings and the page of constants again from the code
	$(BIN)/python -m pipeline.contract.dictionary > shared/data_dictionary.md.new
	mv shared/data_dictionary.md.new shared/data_dictionary.md
	$(BIN)/python -m pipeline.settings_reference > docs/settings.md.new
	mv docs/settings.md.new docs/settings.md
	$(BIN)/python -m pipeline.settings_reference schema > docs/settings.schema.json.new
	mv docs/settings.schema.json.new docs/settings.schema.json
	$(BIN)/python -m tests.support.constants > docs/constants.md.new
	mv docs/constants.md.new docs/constants.md

sample: setup ## write the sample lake again (always the same bytes of data)
	rm -rf sample_lake.new
	$(BIN)/tankdrift simulate --sample --out sample_lake.new
	cp sample_lake/README.md sample_lake.new/
	rm -rf sample_lake
	mv sample_lake.new sample_lake

lock: setup ## pin every dependency again, with hashes and without a host
	$(BIN)/uv pip compile pyproject.toml --extra dev --universal --python-version 3.11 --upgrade --quiet \
	  --generate-hashes --no-emit-index-url --no-annotate --no-header --output-file requirements.lock

clean: ## remove the environment, caches and what a run left
	rm -rf $(VENV) $(OUT) .pytest_cache .mypy_cache .ruff_cache .import_linter_cache dist
