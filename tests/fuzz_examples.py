"""Calls of the documented examples, each argument in its turn replaced by something odd."""

import ast
import contextlib
import doctest
import inspect
import io
import sys
import warnings

import face
import numpy as np

#: What no physics has, or what has another shape, size or sense.
ODD = [
    *(float("nan"), float("inf"), -1.0, 0, 1e300, -1e300, 10**400, True, None),
    *("", "x", "x" * 5000, "1e999", "\0"),
    *([], (), {}, set(), [1, "a"], [[1.0], [2.0, 3.0]], np.array([]), np.array([np.nan]), np.zeros((2, 2))),
    *(object(), {"a": 1}, [None], b"1"),
]


#: What makes words and messages, for other modules alone.
BELOW = {"errors", "words", "everyday", "result", "version"}
#: A plot takes a tenth of a second, and hands its numbers to what is tried here.
SLOW = "plotting"


def examples():
    """(function, its positional and named arguments) of every call of a public function in a docstring."""
    finder = doctest.DocTestFinder(exclude_empty=True)
    for name, module in face.modules().items():
        if name in BELOW or name.startswith(SLOW):
            continue
        for test in finder.find(module):
            names = dict(test.globs)
            for example in test.examples:
                with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()):
                    warnings.simplefilter("ignore")
                    yield from _calls(example.source, names)
                    exec(compile(example.source, test.name, "single"), names)


def _calls(source, names):
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        try:
            function = eval(compile(ast.Expression(node.func), "example", "eval"), names)
            home = sys.modules.get(getattr(function, "__module__", None) or "")
            root = getattr(function, "__qualname__", "").split(".")[0]
            if home is None or not home.__name__.startswith("filmdose") or root not in vars(home):
                continue  # of another package, or written in the example itself
            given = [eval(compile(ast.Expression(each), "example", "eval"), names) for each in node.args]
            named = {
                each.arg: eval(compile(ast.Expression(each.value), "example", "eval"), names) for each in node.keywords
            }
        except (NameError, TypeError, SyntaxError):
            continue  # inside a comprehension, or with *arguments
        if inspect.isfunction(function) or inspect.ismethod(function) or inspect.isclass(function):
            yield function, given, named


def odd_calls(function, given, named):
    """(what was changed, the call) for every argument and every odd value."""
    for value in ODD:
        for place in range(len(given)):
            changed = [*given[:place], value, *given[place + 1 :]]
            yield f"{function.__qualname__}, argument {place} = {value!r:.30}", lambda g=changed: function(*g, **named)
        for name in named:
            changed = {**named, name: value}
            yield f"{function.__qualname__}({name}={value!r:.30})", lambda n=changed: function(*given, **n)
