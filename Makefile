# What a fresh machine needs is Python 3.11 or newer with pip, and make. `make help` lists the targets.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

# A stamp is named after what it stands for, so that an unchanged lock file costs nothing the second time
# and a changed one is installed whichever branch it came from.
stamp = $(VENV)/.installed-$(1)-$(shell cat $(1) pyproject.toml | cksum | cut -d ' ' -f 1)
RUN_STAMP := $(call stamp,requirements.lock)
DEV_STAMP := $(call stamp,requirements-dev.lock)

# Only ready-made packages: building OpenCV or SciPy from source would take hours and a compiler.
PIP_INSTALL := $(BIN)/python -m pip install --disable-pip-version-check --no-input

# The browser of the tests: Debian's own, or another Chromium by its name or path.
CHROMIUM ?= chromium
export CHROMIUM

# Tests start Python many times over; whoever set this would have each compile the program anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help demo test lint browser server bench audit lock clean
.DEFAULT_GOAL := help

help:
	@echo "make demo    set up, inspect the sample photos, and serve the review page on this machine"
	@echo "make test    set up, check the code, and run the tests"
	@echo "make lint    check the code only"
	@echo "make browser install the browser that the tests drive, where it is missing"
	@echo "make server  install the PostgreSQL that the tests start, where it is missing"
	@echo "make bench   measure speed and detection rates (slow)"
	@echo "make audit   ask the network for known weaknesses of the locked packages"
	@echo "make lock    choose the newest packages and write the lock files anew"
	@echo "make clean   remove the environment and what the tools leave behind"
	@echo
	@echo "Another Python: make demo PYTHON=python3.13"

demo: $(RUN_STAMP)
	@echo "==> Building the demo workshop"
	@$(BIN)/inspector demo

test: lint browser server
	@echo "==> Running the tests"
	@COUNT_LINES=1 $(BIN)/python -m pytest --numprocesses auto --dist loadfile --no-loadscope-reorder

lint: $(DEV_STAMP)
	@echo "==> Checking the code"
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy

browser:
	@command -v "$(CHROMIUM)" > /dev/null || { \
	  echo "==> Installing Chromium, which the browser tests drive"; \
	  apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends chromium > /dev/null && \
	  command -v "$(CHROMIUM)" > /dev/null; \
	} || { \
	  echo "The browser tests need Chromium, and '$(CHROMIUM)' is neither here nor could it be installed: install it (on Debian, as root: apt-get install chromium), or name another one, as in: make test CHROMIUM=/path/to/chromium" >&2; exit 1; }

server:
	@ls /usr/lib/postgresql/*/bin/initdb > /dev/null 2>&1 || command -v initdb > /dev/null || { \
	  echo "==> Installing PostgreSQL, which the tests start a server of their own of"; \
	  apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -qq -y --no-install-recommends postgresql > /dev/null && \
	  ls /usr/lib/postgresql/*/bin/initdb > /dev/null 2>&1; \
	} || { \
	  echo "The tests of a log that a server keeps need PostgreSQL, and there is none to start, nor could it be installed: install it (on Debian, as root: apt-get install postgresql), or leave those tests out: $(BIN)/python -m pytest -m 'not postgresql'" >&2; exit 1; }

bench: $(DEV_STAMP)
	@echo "==> Measuring (this takes a while)"
	@$(BIN)/python -m pytest tests/benchmarks -s

$(RUN_STAMP): LOCK := requirements.lock
$(DEV_STAMP): LOCK := requirements-dev.lock

$(RUN_STAMP) $(DEV_STAMP):
	@command -v $(PYTHON) > /dev/null || { \
	  echo "Inspector needs Python 3.11 or newer, and there is no '$(PYTHON)' here: install Python, or name one with PYTHON=..., as in: make demo PYTHON=python3.13" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	  echo "Inspector needs Python 3.11 or newer, but '$(PYTHON)' is $$($(PYTHON) --version 2>&1): install a newer Python, or name one with PYTHON=..., as in: make demo PYTHON=python3.13" >&2; exit 1; }
	@if ! $(BIN)/python -c 'import pip, sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then \
	  echo "==> Making an environment of its own in $(VENV)"; \
	  if $(PYTHON) -c 'import ensurepip' 2>/dev/null; then \
	    $(PYTHON) -m venv --clear $(VENV); \
	  else \
	    $(PYTHON) -m venv --clear --without-pip $(VENV) && \
	    $(PYTHON) -m pip --python $(BIN)/python install --disable-pip-version-check --no-input --quiet pip; \
	  fi || { echo "Could not make an environment in $(VENV): install your system's package for Python environments (on Debian and Ubuntu: apt install python3-venv) and run make again." >&2; exit 1; }; \
	fi
	@# The lock names all there is to install: left to look for more, older pips take a newer release than it names.
	@echo "==> Installing the packages named in $(LOCK) (about 150 MB the first time)"
	@$(PIP_INSTALL) --only-binary :all: --no-deps --require-hashes -r $(LOCK) || { \
	  echo "Could not install the packages of $(LOCK): see the lines above; check the network, and that $$($(BIN)/python --version) is one that OpenCV and SciPy have ready-made packages for (3.11 to 3.14)." >&2; exit 1; }
	@echo "==> Installing Inspector itself"
	@$(PIP_INSTALL) --quiet --no-deps --no-build-isolation --editable . || { \
	  echo "Could not install Inspector itself: see the lines above." >&2; exit 1; }
	@rm -f $(VENV)/.installed-$(LOCK)-*
	@touch $@

# Fetched when it is asked for, like uv below; --strict: a package that cannot be looked up is no clean bill.
audit: $(DEV_STAMP)
	@echo "==> Looking for known weaknesses of the locked packages"
	@$(PIP_INSTALL) --quiet pip-audit
	@$(BIN)/python -m pip_audit --strict --require-hashes --disable-pip --progress-spinner off -r requirements.lock

# What users may ask for beside the program itself; PyTorch (`train`) is no part of any lock.
LOCKED_EXTRAS := postgresql objects cluster

# Resolved for every Python from 3.11 and every system at once; hashes, and no address of any index.
UV_COMPILE := $(BIN)/python -m uv pip compile --quiet --upgrade --universal --python-version 3.11 \
  --generate-hashes --no-emit-index-url --no-header pyproject.toml

lock: $(DEV_STAMP)
	@echo "==> Choosing the newest packages"
	@$(PIP_INSTALL) --quiet uv
	@$(UV_COMPILE) --group build --output-file requirements.lock > /dev/null
	@$(UV_COMPILE) --group dev $(addprefix --extra=,$(LOCKED_EXTRAS)) --constraints requirements.lock --output-file requirements-dev.lock > /dev/null

clean:
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
