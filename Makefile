# Two commands do everything: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
NOT_LOADED := '/(tests|mypyc?|plotly/graph_objs|apprise/plugins|pygments/lexers)/'

.PHONY: setup demo test suite plants pages test-long lint style types services lock deb sbom proto clean

setup: $(STAMP)

$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "asleft needs Python 3.11 or newer, this is " + sys.version.split()[0] + "; name another with: make PYTHON=/path/to/python3 ...")'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --require-hashes -r requirements.lock
	@# pip would compile on one core, and a third more than is ever loaded.
	@$(BIN)/python -m compileall -qq -j 0 -x $(NOT_LOADED) $(CURDIR)/$(VENV)/lib || true
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(STAMP)

demo: setup
	@exec $(BIN)/asleft demo $(DEMO_ARGS)

lint: style types

style: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports

types: setup
	$(BIN)/mypy

services:
	@sh tests/install_services.sh

# More at a time than there are cores: workers wait for processes and servers of theirs for half the time. Files in their
# order, the many small ones last, so that workers end together. Byte code is kept whatever the shell says: compiling the
# code anew in every worker and every process that a test starts takes minutes.
BY_FILE := --dist loadfile --no-loadscope-reorder
# Pages wait for their next renewal for three quarters of the time; all they share is the plant they look at.
BY_TEST := --dist load
test suite plants pages: export OPENBLAS_NUM_THREADS := 1
test suite plants pages: export PYTHONDONTWRITEBYTECODE :=
test:
	@# What is loaded from two places comes at once, and types are checked on what the suite leaves of the cores.
	$(MAKE) --jobs=2 setup services
	$(MAKE) style
	$(MAKE) --jobs=2 types suite
	$(if $(TEST_ARGS),,$(MAKE) --jobs=2 plants pages)

suite: setup
	$(BIN)/python -m pytest $(or $(TEST_ARGS),-n 4 $(BY_FILE) --ignore=tests/browser --ignore=tests/end_to_end)

# In processes of their own: the browser's driver switches stacks under the interpreter's feet. Side by side, as both
# wait for most of the time; what a starved plant cannot read it tells, and no test takes that for a fault.
plants: setup
	$(BIN)/python -m pytest -n 3 $(BY_FILE) tests/end_to_end

pages: setup
	$(BIN)/python -m pytest -n 4 $(BY_TEST) tests/browser

# What takes too long for every commit: the judge against theory, other detectors and unknown machines, in full.
test-long: setup
	$(BIN)/python tests/bench/bench_judge.py --full $(BENCH_ARGS)
	$(BIN)/python tests/bench/bench_strangers.py --full --jobs 2
	$(BIN)/python tests/delivery/simulate.py --seeds 20000
	$(BIN)/python tests/bench/bench_faults.py --kills 300
	ASLEFT_BROKERS=all sh tests/install_services.sh
	ASLEFT_BROKERS=all $(BIN)/python -m pytest tests/brokers
	ASLEFT_LONG=1 $(BIN)/python -m pytest tests/compose/test_deb.py

# Needs uv (any recent one); run after changing the dependencies in pyproject.toml, then read the diff.
lock:
	uv pip compile --universal --generate-hashes --python-version 3.11 --no-emit-index-url --no-header \
	  --all-extras --quiet -o requirements.lock pyproject.toml .build-requirements.in
	@# The same versions without what only developers need: what is installed at a plant.
	uv pip compile --universal --generate-hashes --python-version 3.11 --no-emit-index-url --no-header --no-annotate \
	  --extra plant --extra export --constraints requirements.lock --quiet -o requirements-plant.lock \
	  pyproject.toml .build-requirements.in

# A Debian package of the agent, for edge boxes of this machine's Debian and architecture.
deb: setup
	$(BIN)/python .ci/deb.py build

# What a release is made of; the hashes of its files are in requirements.lock.
sbom: setup
	$(BIN)/python .ci/sbom.py build/asleft.cdx.json

# Needs protoc 3.21, whose output runs on every later protobuf runtime.
proto:
	protoc -I agent --python_out=agent --pyi_out=agent agent/asleft/wire/block.proto
	protoc -I dashboard --python_out=dashboard --pyi_out=dashboard dashboard/asleft/outlets/sparkplug/payload.proto

clean:
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
