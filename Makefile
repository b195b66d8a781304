# Two commands do everything: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: setup demo test test-long lint lock sbom proto clean

setup: $(STAMP)

$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "asleft needs Python 3.11 or newer, this is " + sys.version.split()[0] + "; name another with: make PYTHON=/path/to/python3 ...")'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --require-hashes -r requirements.lock
	@# pip would compile on one core, and the packages' own tests too.
	@$(BIN)/python -m compileall -qq -j 0 -x /tests/ $(CURDIR)/$(VENV)/lib || true
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(STAMP)

demo: setup
	@exec $(BIN)/asleft demo $(DEMO_ARGS)

lint: setup
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# Files in their order, the many small ones last, so that two workers end together. Byte code is kept whatever the shell
# says: compiling the code anew in every worker and every process that a test starts takes minutes.
IN_TWO := -n 2 --dist loadfile --no-loadscope-reorder
test: export OPENBLAS_NUM_THREADS := 1
test: export PYTHONDONTWRITEBYTECODE :=
test: setup
	@sh tests/install_services.sh
	$(MAKE) lint
	$(BIN)/python -m pytest $(or $(TEST_ARGS),$(IN_TWO) --ignore=tests/browser --ignore=tests/end_to_end)
	@# Each by itself: the browser's driver switches stacks under the interpreter's feet, and a starved plant loses readings.
	@# Plants mostly wait, each takes a third of a core: the demo's runs beside those that faults are done to.
	$(if $(TEST_ARGS),,$(BIN)/python -m pytest $(IN_TWO) tests/end_to_end)
	$(if $(TEST_ARGS),,$(BIN)/python -m pytest $(IN_TWO) tests/browser)

# What takes too long for every commit: the judge against theory, other detectors and unknown machines, in full.
test-long: setup
	$(BIN)/python tests/bench/bench_judge.py --full $(BENCH_ARGS)
	$(BIN)/python tests/bench/bench_strangers.py --full --jobs 2
	$(BIN)/python tests/delivery/simulate.py --seeds 20000
	$(BIN)/python tests/bench/bench_faults.py --kills 300

# Needs uv (any recent one); run after changing the dependencies in pyproject.toml, then read the diff.
lock:
	uv pip compile --universal --generate-hashes --python-version 3.11 --no-emit-index-url --no-header \
	  --all-extras --quiet -o requirements.lock pyproject.toml .build-requirements.in

# What a release is made of, with the lock's hashes.
sbom: setup
	$(BIN)/asleft sbom --lock requirements.lock --out build/asleft.cdx.json

# Needs protoc 3.21, whose output runs on every later protobuf runtime.
proto:
	protoc -I agent --python_out=agent --pyi_out=agent agent/asleft/wire/block.proto

clean:
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
