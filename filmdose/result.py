"""What every result has in common: a short repr, HTML, equality that holds for arrays, copies, pickles and a table."""

from __future__ import annotations

import html
import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from filmdose.arguments import hold_fields
from filmdose.errors import shown

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["REPR_CHARACTERS", "Result", "same"]

#: No result's repr is longer.
REPR_CHARACTERS = 240

#: One value takes no more characters than this in it.
_BRIEF = 70

#: Sequences of more values, and tables of more rows, are counted or cut.
_FEW, _ROWS = 4, 20

_SCALARS = (str, int, float, bool, type(None))


class Result:
    """Base of the frozen dataclasses that users meet.

    Has a repr of at most ``REPR_CHARACTERS`` that leaves out what is as by default, HTML for notebooks with everything
    escaped, an ``==`` that compares arrays and tables by value (NaN equals NaN), arrays that cannot be written to, also
    after a copy or a pickle, and a table.  A class that says its own ``__repr__``, ``__eq__``, ``_repr_html_`` or
    ``to_dataframe`` keeps it.

    Examples
    --------
    >>> from filmdose.history import Pass
    >>> Pass(source="cabin-ct", count=2)
    Pass(source='cabin-ct', count=2)
    """

    def __init_subclass__(cls, **options: Any) -> None:
        super().__init_subclass__(**options)
        if "__post_init__" in cls.__dict__:  # what users make themselves: held to its annotations before it checks more
            setattr(cls, "__post_init__", _held_first(cls.__dict__["__post_init__"]))  # noqa: B010
        for name in ("__repr__", "__eq__"):  # what stands in a class its dataclass decorator leaves alone
            if name not in cls.__dict__:
                setattr(cls, name, getattr(cls, name))

    def __post_init__(self) -> None:
        self._read_only()

    def _read_only(self) -> None:
        """Let nobody write into the arrays that this holds."""
        for name, value in list(vars(self).items()):
            if (frozen := _frozen(value)) is not value:
                object.__setattr__(self, name, frozen)

    #: Fields that a repr says first.
    _told_first: ClassVar[tuple[str, ...]] = ()

    def __repr__(self) -> str:
        name, parts, length = type(self).__name__, [], 0
        # every subclass is a dataclass
        order = dict.fromkeys((*self._told_first, *(field.name for field in fields(self))))  # type: ignore[arg-type]
        by_name = {field.name: field for field in fields(self)}  # type: ignore[arg-type]
        for field in (by_name[each] for each in order):
            value = getattr(self, field.name)
            if not field.repr or _is_default(field, value):
                continue
            part = f"{field.name}={brief(value)}"
            length += len(part) + 2
            if length + len(name) > REPR_CHARACTERS - 7:
                parts.append("...")
                break
            parts.append(part)
        return f"{name}({', '.join(parts)})"

    def __eq__(self, other: object) -> bool:
        if type(other) is not type(self):
            return NotImplemented
        names = [field.name for field in fields(self) if field.compare]  # type: ignore[arg-type]
        return all(same(getattr(self, name), getattr(other, name)) for name in names)

    def __hash__(self) -> int:
        """Of the fields; a result that holds arrays or dictionaries has none."""
        values = (getattr(self, field.name) for field in fields(self) if field.compare)  # type: ignore[arg-type]
        return hash(tuple(None if isinstance(value, float) and math.isnan(value) else value for value in values))

    def __getstate__(self) -> dict[str, Any]:
        """The fields, without what was only kept to be quick."""
        return {field.name: getattr(self, field.name) for field in fields(self)}  # type: ignore[arg-type]

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self._read_only()

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th>{html.escape(field.name)}</th><td>{html.escape(_told(getattr(self, field.name)))}</td></tr>"
            for field in fields(self)  # type: ignore[arg-type]
            if field.repr and not _is_default(field, getattr(self, field.name))
        )
        own = type(self).to_dataframe is not Result.to_dataframe
        table = self.to_dataframe().to_html(max_rows=_ROWS, float_format="{:.4g}".format) if own else ""
        return f"<table><caption>{html.escape(type(self).__name__)}</caption>{rows}</table>{table}"

    def to_dataframe(self) -> pd.DataFrame:
        """One row of its numbers and texts; what stands in a dictionary of numbers is called ``field_key``."""
        import pandas as pd

        row: dict[str, Any] = {}
        for field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, field.name)
            if isinstance(value, Mapping):
                row |= {f"{field.name}_{key}": item for key, item in value.items() if _is_plain(item)}
            elif _is_plain(value):
                row[field.name] = value
        return pd.DataFrame([row])


def _held_first(own: Callable[[Any], None]) -> Callable[[Any], None]:
    def checked(self: Any) -> None:
        hold_fields(self, own)

    return checked


def _is_array(value: object) -> Any:
    numpy = sys.modules.get("numpy")
    return numpy is not None and isinstance(value, numpy.ndarray)


def _frozen(value: Any) -> Any:
    """An array as one that cannot be written to, a dictionary with such arrays in it; anything else itself."""
    if _is_array(value) and value.flags.writeable:
        value = value.view()
        value.setflags(write=False)
    elif type(value) is dict:
        frozen = {key: _frozen(item) for key, item in value.items()}
        value = frozen if any(frozen[key] is not item for key, item in value.items()) else value
    return value


def _is_table(value: object) -> Any:
    """Whether a value has ``equals``: tables of pandas, arrays of xarray."""
    packages = [module for name in ("pandas", "xarray") if (module := sys.modules.get(name)) is not None]
    names = ("DataFrame", "Series", "DataArray", "Dataset")
    return any(
        isinstance(value, getattr(module, name)) for module in packages for name in names if hasattr(module, name)
    )


def _is_plain(value: object) -> bool:
    return isinstance(value, _SCALARS) or hasattr(value, "isoformat")


def _is_default(field: Any, value: object) -> bool:
    if field.default is not MISSING:
        return same(value, field.default) or (field.default is None and isinstance(value, tuple) and not value)
    return field.default_factory is not MISSING and same(value, field.default_factory())


def same(first: object, second: object) -> bool:
    """Whether two values are equal, arrays and tables by their content, NaN as equal to NaN.

    Examples
    --------
    >>> import numpy as np
    >>> same({"a": np.array([1.0, np.nan])}, {"a": np.array([1.0, np.nan])}), same((1.0,), (2.0,))
    (True, False)
    """
    if first is second:
        return True
    if _is_array(first) or _is_array(second):
        import numpy as np

        if not (_is_array(first) and _is_array(second)):
            return False
        a, b = np.asarray(first), np.asarray(second)
        return bool(np.array_equal(a, b, equal_nan=a.dtype.kind in "fc" and b.dtype.kind in "fc"))
    if _is_table(first) or _is_table(second):
        return type(first) is type(second) and bool(first.equals(second))  # type: ignore[attr-defined]
    if isinstance(first, Mapping) and isinstance(second, Mapping) and not is_dataclass(first):
        return first.keys() == second.keys() and all(same(first[key], second[key]) for key in first)
    if isinstance(first, (tuple, list)):
        if not isinstance(second, type(first)) or len(first) != len(second):
            return False
        return all(same(one, other) for one, other in zip(first, second, strict=True))
    if isinstance(first, float) and isinstance(second, float) and math.isnan(first):
        return math.isnan(second)
    return bool(first == second)


def _told(value: object) -> str:
    """A value as people read it: texts without quotes, days as days."""
    if isinstance(value, str):
        return value if len(value) <= REPR_CHARACTERS else value[: REPR_CHARACTERS - 3] + "..."
    return str(value) if hasattr(value, "isoformat") else brief(value)


def brief(value: object) -> str:
    """A value in at most some seventy characters: long ones are counted, not shown.

    Examples
    --------
    >>> brief(tuple(range(100))), brief(0.123456789)
    ('<100 values>', '0.123457')
    """
    text = _brief(value)
    return text if len(text) <= _BRIEF else text[: _BRIEF - 3] + "..."


def _brief(value: object) -> str:
    if isinstance(value, float):
        return f"{float(value):.6g}"
    if _is_array(value):
        return f"<array of {' x '.join(map(str, value.shape))}>"  # type: ignore[attr-defined]
    if _is_table(value):
        return f"<{type(value).__name__} of {' x '.join(map(str, getattr(value, 'shape', ())))}>"
    if isinstance(value, (tuple, list, frozenset, set)):
        kinds = {type(item).__name__ for item in value}
        few = f"({', '.join(map(_brief, value))}{',' if len(value) == 1 else ''})" if len(value) <= _FEW else ""
        if few and len(few) <= _BRIEF:
            return few
        plain = all(isinstance(item, _SCALARS) for item in value) or len(kinds) > 1
        return f"<{len(value)} {'values' if plain else kinds.pop()}>"
    if isinstance(value, Mapping):
        return f"<{type(value).__name__} of {len(value)}>"
    if is_dataclass(value) and not isinstance(value, type):
        text = repr(value)
        return text if len(text) <= _BRIEF else f"{type(value).__name__}({getattr(value, '_brief', '') or '...'})"
    if callable(value):
        return f"<function {getattr(value, '__qualname__', type(value).__name__)}>"
    return shown(value, _BRIEF)
