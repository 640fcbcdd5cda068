PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: validation demo test setup dev check docs lint types bench clean serve

setup: $(VENV)/.core
dev: $(VENV)/.dev

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if (3, 11) <= sys.version_info[:2] else "pipemetal needs Python 3.11 or newer; this is " + sys.version.split()[0])'
	@$(PYTHON) -m venv $(VENV) || { echo 'If this says "ensurepip is not available": apt install python3-venv, then again.'; rm -rf $(VENV); exit 1; }

# LOCKED=1 installs the very versions of release/lock.txt, each file held against its hash.
$(VENV)/.core: pyproject.toml $(VENV)/bin/python
ifdef LOCKED
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r release/lock.txt
	$(BIN)/pip install --quiet --disable-pip-version-check 'hatchling>=1.25' editables
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
else
	$(BIN)/pip install --quiet --disable-pip-version-check -e .
endif
	@touch $@

$(VENV)/.dev: pyproject.toml $(VENV)/bin/python
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[dev]'
	@touch $@ $(VENV)/.core

# Sets up everything and runs the main job on the invented shop.
demo: $(VENV)/.core
	$(BIN)/pipemetal demo demo-shop

serve: $(VENV)/.core
	$(BIN)/pipemetal serve --demo

# Sets up everything and passes the tests, two files at a time. PIPEMETAL_TEST_LONG=1 runs the long ones too, as .ci/run does.
test: $(VENV)/.dev
	$(BIN)/ruff format --check src tests bench examples
	$(BIN)/python bench/format_pages.py --check
	$(BIN)/ruff check src tests bench examples
	$(BIN)/mypy
	$(BIN)/pytest -rs -n 2 --no-loadscope-reorder

lint: $(VENV)/.dev
	$(BIN)/ruff format src tests bench examples
	$(BIN)/python bench/format_pages.py
	$(BIN)/ruff check --fix src tests bench examples

types: $(VENV)/.dev
	$(BIN)/mypy

# Writes docs/validation.md from the tests' own tables.
validation: $(VENV)/.dev
	$(BIN)/python bench/validation.py

# Prints every figure that the project names on this machine, and writes docs/benchmarks.md.
bench: $(VENV)/.dev
	$(BIN)/python bench/page.py

# Writes docs/commands.md, docs/json.md with its schemas and docs/quantities.md, and builds the documents as a site, without the internet; the API's own pages beside them.
docs: $(VENV)/.dev
	$(BIN)/python bench/commands.py
	$(BIN)/python bench/json_forms.py
	$(BIN)/python bench/quantities_page.py
	$(BIN)/python bench/interface.py
	$(BIN)/python bench/licences.py
	$(BIN)/mkdocs build --quiet --clean
	$(BIN)/pdoc --docformat markdown -o site/api pipemetal '!pipemetal.shop.migrations'

# What must hold before anything is handed in.
check: test docs

clean:
	rm -rf $(VENV) .venv-packing demo-shop
