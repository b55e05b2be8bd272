"""Every example in a docstring runs and gives what it says."""

import doctest
import importlib
import pkgutil

import matplotlib.pyplot as plt
import pytest

import filmdose

MODULES = sorted(module.name for module in pkgutil.walk_packages(filmdose.__path__, "filmdose."))


@pytest.mark.few(12)
@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name):
    failed, _ = doctest.testmod(importlib.import_module(name), optionflags=doctest.NORMALIZE_WHITESPACE)
    plt.close("all")
    assert failed == 0


def test_the_main_functions_have_examples():
    finder = doctest.DocTestFinder(exclude_empty=True)
    examples = [t for name in MODULES for t in finder.find(importlib.import_module(name)) if t.examples]
    assert len(examples) >= 20
