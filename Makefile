# Everything a newcomer needs:  make demo  and  make test  do all set-up themselves.
# They need Python 3.11 or later with venv, and make.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# Small arrays are slower on two threads, and tests run beside each other.
export OPENBLAS_NUM_THREADS := 1
# Without bytecode each process would compile the program again.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help demo fleet test coverage lint style types format study soak bench pictures manual install install-program install-system lock sbom clean

help:  ## Show the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## (.*)/  make \1\t\2/' | expand -t 18

# The virtual environment: versions and hashes from requirements.lock, so that neither a new release
# elsewhere nor an exchanged file can break a fresh clone. A stamp says that it is up to date, so a
# second call is quick.
PIP := -m pip --quiet --disable-pip-version-check
LOCKED := install --require-hashes --requirement
# Python compiles a module when it first loads it. To compile them all takes as long as to install them.
LATER := --no-compile
$(VENV)/run.stamp: pyproject.toml requirements.lock
	$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Ebbwatt needs Python 3.11 or later; name one: make PYTHON=python3.12")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python $(PIP) $(LOCKED) requirements.lock $(LATER)
	$(BIN)/python $(PIP) install --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/dev.stamp: $(VENV)/run.stamp tests/requirements.lock
	$(BIN)/python $(PIP) $(LOCKED) tests/requirements.lock $(LATER)
	@touch $@

demo: $(VENV)/run.stamp  ## Simulate a boat for years, log it, analyse it, show it
	$(BIN)/ebbwatt demo

# The tests' set-up brings the extra ebbwatt[fleet], with hashes.
fleet: $(VENV)/dev.stamp  ## Let 24 invented boats of one fitter live, rank them, show the page
	$(BIN)/ebbwatt fleet demo

# Eight on two cores: many tests wait for a device, and others use the cores meanwhile.
PYTEST := $(BIN)/python -m pytest -n 8 --dist loadfile --no-loadscope-reorder
# What each process of the tests would compile is compiled once before them.
COMPILE := $(BIN)/python -m tests.compiled
# The types are checked beside the tests. What is wrong with them is said at once and at the end.
test: style  ## Lint, types, and every test
	@mkdir -p build
	@{ $(BIN)/mypy > build/types.txt 2>&1 || { cat build/types.txt; false; }; } & types=$$!; \
	echo '$(COMPILE) && $(PYTEST)'; $(COMPILE) && $(PYTEST); status=$$?; \
	wait $$types || status=1; cat build/types.txt; exit $$status

# Measuring doubles what the tests take, so it has a target of its own. The limit is in pyproject.toml.
coverage: $(VENV)/dev.stamp  ## Every test with branch coverage, at least 90 % of it
	$(COMPILE)
	$(PYTEST) --cov

lint: style types  ## Style rules, formatting and strict types

style: $(VENV)/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/dev.stamp
	$(BIN)/mypy

format: $(VENV)/dev.stamp  ## Put the code into the house style
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

study: $(VENV)/run.stamp  ## Simulate hundreds of boats and measure what can be believed
	$(BIN)/python -m analysis.study
	$(BIN)/python -m analysis.study --load
	$(BIN)/python -m analysis.study --inputs --boats 200 --seed 77
	$(BIN)/python -m analysis.study --fuel --boats 200 --seed 5150

soak: $(VENV)/dev.stamp  ## Three years of power cuts, wrong clocks and full disks
	$(BIN)/python -m tests.endurance.soak
	EBBWATT_DAMAGES=600 EBBWATT_FAULTS=100 $(BIN)/python -m pytest --timeout=3600 tests/endurance/test_random_damage.py tests/endurance/test_faults.py
	EBBWATT_LONG=1 $(BIN)/python -m pytest tests/commands/test_demo.py tests/commands/test_doubtful_inputs.py tests/commands/every/test_interrupts.py
	EBBWATT_LONG=1 $(BIN)/python -m pytest --timeout=3600 -m hypothesis
	EBBWATT_READINGS=500000,5000000 $(BIN)/python -m pytest --timeout=3600 tests/endurance/test_memory.py
	EBBWATT_ROWS=1 $(BIN)/python -m pytest --timeout=900 tests/commands/test_bad_imports.py
	EBBWATT_CUTS=200 $(BIN)/python -m pytest --timeout=900 tests/endurance/test_power_cuts.py

bench: $(VENV)/dev.stamp  ## Measure speed, size and wear against the plain ways (a quarter of an hour, 4 GB free)
	$(BIN)/python -m tests.bench
	$(BIN)/python -m tests.bench.fleet

pictures: $(VENV)/dev.stamp  ## Make the pictures of the README from the demonstration (needs chromium)
	$(BIN)/python -m tests.support.screens.pictures

manual: $(VENV)/run.stamp  ## Write build/ebbwatt.1 (manual page) and analysis/REFERENCE.md
	mkdir -p build
	$(BIN)/ebbwatt --man > build/ebbwatt.1
	$(BIN)/python -m analysis.manual > analysis/REFERENCE.md

# On the board itself: sudo make install. Packagers set DESTDIR; nothing outside it is touched then.
DESTDIR ?=
PREFIX ?= /opt/ebbwatt
ROOT := $(DESTDIR)$(PREFIX)
UNITS := $(DESTDIR)/etc/systemd/system
SHARE := $(ROOT)/share

install: install-program install-system  ## Install on a board: program, user, service (sudo make install)

# Systems that build packages of their own (32-bit boards do) have other files of the same versions:
# make install HASHES=no
HASHES ?= yes
ifeq ($(HASHES),no)
install-program: LOCKED := install --requirement
install-program: LOCK := build/versions.txt
else
install-program: LOCK := requirements.lock
endif

build/versions.txt: requirements.lock
	mkdir -p build
	sed -n 's/ *\\$$//; /--hash/!p' $< > $@

install-program: $(if $(filter no,$(HASHES)),build/versions.txt)
	$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Ebbwatt needs Python 3.11 or later; name one: make install PYTHON=python3.12")'
	$(PYTHON) -m venv --clear $(ROOT)
	$(ROOT)/bin/python $(PIP) $(LOCKED) $(LOCK)
	$(ROOT)/bin/python $(PIP) install --no-deps --no-build-isolation .
	@# Scripts name their interpreter in full: it lies in PREFIX where they run.
	for file in $(ROOT)/bin/*; do if [ -f "$$file" ] && [ ! -L "$$file" ]; then sed -i 's|$(ROOT)|$(PREFIX)|g' "$$file"; fi; done

install-system:
	install -d $(UNITS) $(SHARE) $(DESTDIR)/etc/ebbwatt $(DESTDIR)/etc/sysusers.d $(DESTDIR)/etc/tmpfiles.d
	for unit in ebbwatt.service ebbwatt-publish.service ebbwatt-report.service ebbwatt-report.timer; do sed 's|/opt/ebbwatt/|$(PREFIX)/|g' systemd/$$unit > $(UNITS)/$$unit; chmod 644 $(UNITS)/$$unit; done
	install -m 644 systemd/ebbwatt.sysusers $(DESTDIR)/etc/sysusers.d/ebbwatt.conf
	install -m 644 systemd/ebbwatt.tmpfiles $(DESTDIR)/etc/tmpfiles.d/ebbwatt.conf
	install -m 644 systemd/ebbwatt.rules systemd/kernel-clock.conf systemd/modbus-tcp.conf systemd/can.conf $(SHARE)
	@# A configuration that is there already is somebody's work.
	[ -e $(DESTDIR)/etc/ebbwatt/ebbwatt.toml ] || install -m 644 systemd/ebbwatt.toml $(DESTDIR)/etc/ebbwatt
ifeq ($(DESTDIR),)
	systemd-sysusers ebbwatt.conf
	systemd-tmpfiles --create ebbwatt.conf
	systemctl daemon-reload
	@echo "Describe the charger in /etc/ebbwatt/ebbwatt.toml, then: systemctl enable --now ebbwatt"
endif

# Tools that only these two need, in a place of their own.
build/tools.stamp: tests/tools.lock
	mkdir -p build
	$(PYTHON) -m venv --clear build/tools
	build/tools/bin/python $(PIP) $(LOCKED) tests/tools.lock
	@touch $@

# All files of each version have their hash, whatever machine they are for.
RESOLVE := build/tools/bin/uv pip compile --quiet --upgrade --universal --python-version 3.11 --generate-hashes --no-annotate --no-header
lock: build/tools.stamp  ## Resolve the newest versions and write the three lock files
	printf 'hatchling\neditables\n' > build/build.in
	printf 'cyclonedx-bom\nuv\n' > build/tools.in
	$(RESOLVE) pyproject.toml build/build.in --output-file requirements.lock
	$(RESOLVE) --group dev pyproject.toml build/build.in --constraint requirements.lock --output-file tests/requirements.lock
	$(RESOLVE) build/tools.in --output-file tests/tools.lock

sbom: build/tools.stamp  ## Write build/ebbwatt.cdx.json: what the program consists of (CycloneDX)
	build/tools/bin/cyclonedx-py requirements --pyproject pyproject.toml --output-reproducible --of JSON --output-file build/ebbwatt.cdx.json requirements.lock

clean:  ## Remove everything that make has made
	rm -rf $(VENV) build ebbwatt-demo .coverage* .mypy_cache .pytest_cache .ruff_cache .hypothesis
