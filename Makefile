# `make demo` and `make test` do everything on a fresh machine; DEVELOPERS.md explains the rest.
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
PHOTOS := sample_images/photos
DEMO := out/demo
REPORT_FOLDERS ?= $(PHOTOS) sample_images/run

export OMP_NUM_THREADS ?= 1
export OPENBLAS_NUM_THREADS ?= 1
# Containers often forbid to keep compiled modules: every process that tests start would compile all.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help environment demo room test check unit accuracy benchmark lock clean

help:
	@echo "make demo       measure the sample photos; overlays and a table in $(DEMO)"
	@echo "make room       play the sample run into an invented room, then serve it on this machine"
	@echo "make test       lint, type check and all tests"
	@echo "make accuracy   accuracy report over REPORT_FOLDERS (now: $(REPORT_FOLDERS)) in out/accuracy"
	@echo "make benchmark  speed and memory against plain decoding and plain scikit-image"
	@echo "make lock       renew requirements.lock from pyproject.toml"
	@echo "make clean      remove the environment and everything written to out/"

environment: $(STAMP)

$(STAMP): requirements.lock pyproject.toml .ci/environment
	@sh .ci/environment $(VENV)
	@touch $@

demo: $(STAMP)
	@mkdir -p $(DEMO)
	@$(BIN)/trayvision inspect $(PHOTOS) --overlay $(DEMO)/overlays > $(DEMO)/table.txt; \
	  status=$$?; cat $(DEMO)/table.txt; \
	  if [ $$status -ne 0 ] && [ $$status -ne 3 ]; then exit $$status; fi; \
	  echo; \
	  echo "Overlays: $(CURDIR)/$(DEMO)/overlays"; \
	  echo "Table:    $(CURDIR)/$(DEMO)/table.txt"

room: $(STAMP)
	@$(BIN)/trayvision demo --data $(DEMO)/room

# Side by side, since the tests leave cores idle while they wait for browsers and databases.
test: $(STAMP)
	@$(MAKE) --no-print-directory --jobs=2 check unit

check: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

# Each core begins with a stretch of its own, so that few modules make their rooms on two.
unit: $(STAMP)
	@sh .ci/browser $(VENV)
	$(BIN)/pytest -n auto --dist worksteal

accuracy: $(STAMP)
	$(BIN)/python -m trayvision.accuracy_report $(REPORT_FOLDERS) --out out/accuracy

benchmark: $(STAMP)
	$(BIN)/python tests/benchmarks/benchmark_inspection.py

# One version of each package for all supported Pythons, so that all of them compute the same.
lock: $(STAMP)
	$(BIN)/python -m venv build/lock
	build/lock/bin/python -m pip install --quiet uv
	build/lock/bin/uv pip compile --quiet --universal --python-version 3.11 \
	  --fork-strategy fewest --generate-hashes --no-emit-index-url --no-emit-find-links \
	  --all-extras --group dev --custom-compile-command "make lock" $(LOCK_FLAGS) \
	  --output-file requirements.lock pyproject.toml

clean:
	rm -rf $(VENV) out build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
