"""Shared by all rooms."""

from __future__ import annotations

import hashlib
import importlib
import os
import pkgutil
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

import filmdose

# helpers that several rooms import stand beside this file
for folder in (Path(__file__).parent, Path(__file__).parent / "bench"):
    sys.path.insert(0, str(folder))

settings.register_profile("filmdose", deadline=None, max_examples=20, derandomize=True)
#: Other examples, and many: HYPOTHESIS_PROFILE=random pytest -m hypothesis; CI has a seed of its own
settings.register_profile(
    "random", deadline=None, max_examples=2000, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
_PROFILE = os.environ.get("HYPOTHESIS_PROFILE", "filmdose")
settings.load_profile(_PROFILE)
if _PROFILE == "random":
    # Constants of imported modules are among the examples.  With all of them imported a seed stands for the same
    # examples on every machine, whichever tests ran before in the same process.
    for module in pkgutil.walk_packages(filmdose.__path__, "filmdose."):
        importlib.import_module(module.name)


@pytest.fixture
def run(capsys, monkeypatch):
    """Run the command line in this process: (exit code, standard output, standard error)."""
    from filmdose.cli import main

    monkeypatch.setenv("COLUMNS", "120")

    def call(*words: object) -> tuple[int, str, str]:
        code = main([str(word) for word in words])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return call


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Of a sweep over cases with the marker ``few(n)`` n cases are quick, drawn by their names; the others are long."""
    sweeps: dict[str, list[pytest.Item]] = {}
    for item in items:
        if item.get_closest_marker("few"):
            sweeps.setdefault(item.nodeid.partition("[")[0], []).append(item)
    for cases in sweeps.values():
        (quick,) = cases[0].get_closest_marker("few").args
        cases.sort(key=lambda case: hashlib.sha256(case.nodeid.encode()).digest())
        for case in cases[quick:]:
            case.add_marker("long")


def pytest_runtest_teardown(item):
    """What a test registered by name is not known to the next."""
    for name in ("sources", "materials"):
        module = sys.modules.get(f"filmdose.radiation.{name}")
        if module is not None:
            module._REGISTERED.clear()


def pytest_addoption(parser):
    parser.addoption("--forbid-skips", action="store_true", help="A skipped test fails the run.")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session, exitstatus):
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if session.config.getoption("--forbid-skips") and reporter.stats.get("skipped") and exitstatus == 0:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
