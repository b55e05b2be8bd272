"""Arguments held to their annotations at the door: a wrong type is an error that says what is allowed, before any work.

:func:`hold_to_annotations` stands at the end of every public module.  It puts a check before each public function and
method; ranges and names are checked where they are used.  What an annotation names and nobody imported (Axes,
pd.Series) is known by the name of its class.
"""

from __future__ import annotations

import datetime
import functools
import inspect
import os
import sys
import types
import typing
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin

from filmdose.errors import ArgumentError, FilmdoseError, shown

__all__ = ["Check", "check_of", "hold_fields", "hold_to_annotations", "is_held"]

#: Of a long sequence so many items are looked at here; the rest where it is used.
_LOOKED_AT = 50

#: What to do instead, by what was wanted.
_REMEDIES = {
    "Film": "Make one with generic_film(speed), read_film(path), fit_film(readings).film or fit_curve(curve).film.",
    "Question": "Write Question(...) with what is asked.",
    "Priors": "Take default_priors() or read_priors(path), and .replaced(...) for changes.",
    "Prior": "Write Prior(low=..., typical=..., high=...).",
    "Learned": "Take what learn(...) or read_learned(path) gives.",
    "Trip": "Read one with read_trip(path), or write Trip(rolls=[...]).",
    "TripModel": "Make one with trip_model(trip).",
    "Roll": "Write Roll(id=..., film=..., history=...).",
    "History": "Write History(passes=[...]).",
    "Pass": "Write Pass(source=...).",
    "Source": "Take get_source(name), or write Source(name=..., air_kerma_typical_ugy=...).",
    "Shield": 'Write Shield(material=..., thickness_mm=...), or a text such as "lead=0.25".',
    "Beam": 'Write Beam.parse("140kVp, al=3").',
    "Emulsion": "Take a record of a film, such as film.records[0]; of a curve fit_curve(curve).film.records[0].",
    "Curve": "Take emulsion.curve(), or write MeasuredCurve(...) from points.",
    "StepReadings": "Read them with read_steps(path).",
    "Scan": "Read one with read_scan(path).",
    "Axes": "Take one from matplotlib.pyplot.subplots(), or None for a new figure.",
}


class Check(typing.NamedTuple):
    """Whether a value may be, and what is allowed in words."""

    good: Callable[[Any], bool]
    allowed: str
    names: tuple[str, ...] = ()
    soft: bool = False  # a number or a text: the function itself knows better what is allowed, and says it first

    def require(self, argument: str, value: object) -> None:
        """Raise ArgumentError when the value may not be."""
        if not self.good(value):
            raise ArgumentError(argument, value, self.allowed, _action(self))


def _action(check: Check) -> str:
    return next((_REMEDIES[name] for name in check.names if name in _REMEDIES), "")


# -- what an annotation allows -----------------------------------------------------------------------------------------


class _NotImported(type):
    """A class that an annotation names and this process may not have: known by its name alone."""

    def __getattr__(cls, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        return _named(name)

    def __getitem__(cls, item: object) -> Any:
        return cls


@functools.cache
def _named(name: str) -> Any:
    return _NotImported(name, (), {})


#: Classes of other packages that are known by their name when they were not imported.
_FOREIGN = {"Axes", "DataFrame", "Dataset", "Figure", "Series", "DataArray", "Colormap", "pd", "xr", "np"}


def _elsewhere(name: str) -> Any:
    """What a name stands for that a module imports for type checkers only: of this package, or known by its name."""
    if name in _FOREIGN:
        return _named(name)
    package = __name__.partition(".")[0]
    for key, module in list(sys.modules.items()):
        if key.startswith(package) and name in vars(module):
            return vars(module)[name]
    return Any


def _evaluated(annotation: Any, module: dict[str, Any]) -> Any:
    """An annotation as an object, its unknown names as classes of that name."""
    names: dict[str, Any] = {"Any": Any, "Iterable": Iterable, "Mapping": Mapping}
    for _ in range(20):
        if not isinstance(annotation, str):
            return annotation
        try:
            annotation = eval(annotation, module, names)
        except NameError as error:
            names[str(error.name)] = _elsewhere(str(error.name))
        except (TypeError, AttributeError):
            return Any
    return Any


def _is_number(value: Any) -> bool:
    if isinstance(value, (str, bytes, bool)) or not hasattr(value, "__float__"):
        return False
    try:
        float(value)
    except (TypeError, ValueError, OverflowError):
        return False
    return True


def _is_numeric(value: Any) -> bool:
    if isinstance(value, (str, bytes, bool, Mapping, set, frozenset)) or value is None:
        return False
    import numpy as np

    try:
        np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        return False
    return True


def _is_counted(value: Any) -> bool:
    """Whether the items of a sequence can be looked at without using them up."""
    return isinstance(value, (list, tuple)) or (hasattr(value, "dtype") and hasattr(value, "__getitem__"))


def _is_several(value: Any) -> bool:
    iterable = isinstance(value, Iterable) and not isinstance(value, (str, bytes, Mapping))
    return iterable and getattr(value, "ndim", 1) != 0  # an array of one number without a dimension is none


NUMBER = Check(_is_number, "a number", soft=True)
NUMBERS = Check(_is_numeric, "a number, or numbers in a list, array, Series, DataFrame or DataArray", soft=True)

_PLAIN: dict[Any, Check] = {
    type(None): Check(lambda value: value is None, "None", soft=True),
    bool: Check(lambda value: isinstance(value, bool) or type(value).__name__ in ("bool", "bool_"), "True or False"),
    int: Check(_is_number, "a whole number", soft=True),
    float: NUMBER,
    str: Check(lambda value: isinstance(value, str), "a text", soft=True),
    bytes: Check(lambda value: isinstance(value, bytes), "bytes"),
    datetime.date: Check(lambda value: isinstance(value, datetime.date), "a date"),
}

#: Where the types of containers come from; a class of our own that is one is wanted itself.
_CONTAINERS = ("collections.abc", "builtins")

#: Names of types that stand for numbers in any container.
_ARRAYS = ("ArrayLike", "NDArray", "ndarray", "Series", "DataArray")


def _anything(value: Any) -> bool:
    return True


ANYTHING = Check(_anything, "anything", soft=True)


def check_of(annotation: Any, module: dict[str, Any]) -> Check:
    """What an annotation of a module allows.

    Examples
    --------
    >>> check_of("float | None", {}).allowed
    'a number or None'
    """
    hint = _evaluated(annotation, module)
    text = annotation if isinstance(annotation, str) else ""
    if text == "Numeric" or hint is Any or hint is object or isinstance(hint, TypeVar):
        return NUMBERS if text == "Numeric" else ANYTHING
    if hint in _PLAIN:
        return _PLAIN[hint]
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return _either([check_of(each, module) for each in arguments])
    if origin is Literal:
        return Check(lambda value: isinstance(value, str), f"one of {_quoted(arguments)}", soft=True)
    if getattr(hint, "__supertype__", None) is not None:
        return check_of(hint.__supertype__, module)
    kind = origin if isinstance(origin, type) else hint
    if not isinstance(kind, type):
        return ANYTHING
    if kind.__name__ in _ARRAYS:
        return NUMBERS
    return _of_class(kind, arguments, module)


def _of_class(kind: type, arguments: tuple[Any, ...], module: dict[str, Any]) -> Check:
    if issubclass(kind, Mapping) and kind.__module__ in _CONTAINERS:
        values = check_of(arguments[1], module) if len(arguments) == 2 else ANYTHING
        return Check(
            lambda value: isinstance(value, Mapping) and all(map(values.good, list(value.values())[:_LOOKED_AT])),
            "a mapping" + ("" if values is ANYTHING else f", each value {values.allowed}"),
        )
    if kind.__name__ == "Callable":
        return Check(callable, "a function")
    if issubclass(kind, float):  # air and effective kerma
        return NUMBER
    if issubclass(kind, os.PathLike):
        return Check(lambda value: isinstance(value, os.PathLike), "a path", soft=True)
    if arguments and issubclass(kind, Iterable) and kind.__module__ in _CONTAINERS:
        each = _either([check_of(one, module) for one in arguments if one is not Ellipsis])
        return Check(
            lambda value: _is_several(value) and (not _is_counted(value) or all(map(each.good, value[:_LOOKED_AT]))),
            "a sequence" if each is ANYTHING else f"a sequence, each {each.allowed}",
            each.names,
            each.soft,
        )
    if isinstance(kind, _NotImported):
        return Check(
            lambda value: any(each.__name__ == kind.__name__ for each in type(value).__mro__),
            _a(kind),
            (kind.__name__,),
        )
    if getattr(kind, "_is_protocol", False) and not getattr(kind, "_is_runtime_protocol", False):
        return ANYTHING
    return Check(lambda value: isinstance(value, kind), _a(kind), (kind.__name__,))


def _either(checks: list[Check]) -> Check:
    if any(check is ANYTHING for check in checks):
        return ANYTHING
    goods = [check.good for check in checks]
    words = list(dict.fromkeys(check.allowed for check in checks))
    if "a text" in words and "a path" in words:
        words = ["a path", *(word for word in words if word not in ("a text", "a path"))]
    allowed = words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
    names = sum((check.names for check in checks), ())
    # what takes texts as well as objects must tell them apart itself
    soft = all(check.soft for check in checks) or "a text" in words
    return Check(lambda value: any(good(value) for good in goods), allowed, names, soft)


def _a(kind: type) -> str:
    name = kind.__name__
    if name == "Axes":
        return "Matplotlib Axes"
    return f"{'an' if name[0] in 'AEIOU' else 'a'} {name}"


def _quoted(values: Collection[Any]) -> str:
    return ", ".join(map(shown, values))


# -- before every public function --------------------------------------------------------------------------------------


def _checks(function: Callable[..., Any], module: dict[str, Any]) -> dict[str, Check]:
    code = inspect.unwrap(function).__code__  # the names alone; a signature takes long to make
    names = code.co_varnames[: code.co_argcount + code.co_kwonlyargcount]
    annotations = {name: function.__annotations__[name] for name in names if name in function.__annotations__}
    checks = {name: check_of(annotation, module) for name, annotation in annotations.items()}
    return {name: check for name, check in checks.items() if check is not ANYTHING}


#: What escapes from a function that met a wrong type.
_RAW = (TypeError, AttributeError, LookupError, ValueError, ArithmeticError)


def _explained(checks: Mapping[str, Check], values: Iterable[tuple[str, Any]], error: Exception) -> None:
    """Say which argument made a raw error, if one did."""
    given = [(name, value) for name, value in values if name in checks]
    for name, value in given:
        if not checks[name].good(value):
            raise ArgumentError(name, value, checks[name].allowed, _action(checks[name])) from error
    if "broadcast" in str(error) or "shape" in str(error):
        import numpy as np

        shapes = {name: np.shape(value) for name, value in given if checks[name] is NUMBERS}
        if len(set(shapes.values())) > 1:
            allowed = "numbers whose shapes fit one another"
            raise ArgumentError(" and ".join(shapes), tuple(shapes.values()), allowed) from error


def _held(function: types.FunctionType, module: dict[str, Any]) -> types.FunctionType:
    """The function with a check of its arguments in front; made when it is first called, since it needs all classes."""
    places: list[str] = []
    hard: dict[str, Check] = {}
    soft: dict[str, Check] = {}
    made = [False]

    def first(find: Any = _checks) -> None:
        code = inspect.unwrap(function).__code__
        places.extend(code.co_varnames[: code.co_argcount])
        for name, check in find(function, module).items():
            (soft if check.soft else hard)[name] = check
            if check is numbers:  # an array makes a number of these
                hard[name] = check._replace(good=lambda value: value is not None and not isinstance(value, bool))
        made[0] = True

    def outer(*arguments: Any, **named: Any) -> Any:
        if not made[0]:
            first()
        for name, value in zip(places, arguments):  # noqa: B905 - too many arguments are the function's own error
            if name in hard:
                hard[name].require(name, value)
        for name, value in named.items():
            if name in hard:
                hard[name].require(name, value)
        try:
            return function(*arguments, **named)
        except raw as error:
            if not isinstance(error, ours):
                explain(soft, (*zip(places, arguments), *named.items()), error)  # noqa: B905
            raise

    raw, ours, explain, numbers = _RAW, FilmdoseError, _explained, NUMBERS
    # with the globals of its module: it then counts as written there, for doctest too
    held = types.FunctionType(outer.__code__, module, function.__name__, None, outer.__closure__)
    functools.update_wrapper(held, function)
    held.__held__ = True  # type: ignore[attr-defined]
    return held


def is_held(function: object) -> bool:
    """Whether a function checks its arguments first."""
    return bool(getattr(function, "__held__", False))


def hold_to_annotations(module: dict[str, Any]) -> None:
    """Put a check of the arguments before every public function and method of a module.

    Parameters
    ----------
    module
        Its ``globals()``, at its end.
    """
    for name in module["__all__"]:
        value = module.get(name)
        if getattr(value, "__module__", None) != module["__name__"]:
            continue
        if isinstance(value, types.FunctionType):
            module[name] = _held(value, module)
        elif isinstance(value, type) and not issubclass(value, BaseException):
            for each, method in list(vars(value).items()):
                if each.startswith("_"):
                    continue
                if isinstance(method, types.FunctionType):
                    setattr(value, each, _held(method, module))
                elif isinstance(method, classmethod) and isinstance(method.__func__, types.FunctionType):
                    setattr(value, each, classmethod(_held(method.__func__, module)))


@functools.cache
def _field_checks(kind: Hashable) -> dict[str, Check]:
    found: dict[str, Check] = {}
    assert isinstance(kind, type)
    for base in reversed(kind.__mro__):
        module = vars(sys.modules[base.__module__])
        for name, annotation in vars(base).get("__annotations__", {}).items():
            if "ClassVar" not in str(annotation):
                found[name] = check_of(dict(vars(base).get("_accepts", ())).get(name, annotation), module)
    return {name: check for name, check in found.items() if check is not ANYTHING}


def hold_fields(value: object, own: Callable[[Any], None]) -> None:
    """Hold the fields of a dataclass that are set to their annotations, before and after its own checks.

    A class attribute ``_accepts`` has pairs of a field and the annotation of what it takes, where it keeps less.
    """
    checks = _field_checks(cast("Hashable", type(value)))
    given = dict(vars(value))
    for name, check in checks.items():
        if not check.soft and name in given:
            check.require(name, given[name])
    try:
        own(value)
    except _RAW as error:
        if not isinstance(error, FilmdoseError):
            _explained(checks, given.items(), error)
        raise
    for name, check in checks.items():
        if name in given:
            check.require(name, given[name])
