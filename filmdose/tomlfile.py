"""The project's own files, declared: a table of fields from which reader, messages and reference page all come.

A file kind is a tuple of :class:`Table`.  :func:`read_rows` checks a parsed file against it and gives back its rows;
:func:`reference` prints the same declaration as a page for people.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NoReturn, TypeVar

from filmdose.arrays import check_count, check_number, range_allowed
from filmdose.errors import (
    ArgumentError,
    FilmdoseError,
    InputFileError,
    did_you_mean,
    each_part,
    go_on_or_raise,
    name_list,
    shown,
    stop_at_faults,
)
from filmdose.everyday import meant

__all__ = ["Field", "Row", "Table", "read_rows", "reference"]

T = TypeVar("T")


@dataclass(frozen=True, kw_only=True)
class Field:
    """One field of a table.

    Parameters
    ----------
    name
        As it stands in the file.
    type
        What may stand there; "amount" is a number or a text with a unit, "inline" a table in one line.
    help
        What it means, one sentence.
    unit, low, high, low_open
        Of a number.
    choices
        Texts that are allowed, when not every one is.
    words
        Everyday words for some of them, in small letters.
    allowed
        What is allowed in words, where the type does not say it.
    default
        In words, what holds when it is left out.
    required
        True when it must be there.
    fields
        Of an inline table.
    arguments
        What Python calls it, and other arguments that an error about it may name; ``name`` alone, when empty.
    """

    name: str
    type: Literal["text", "number", "whole", "truth", "date", "texts", "numbers", "amount", "inline", "list"] = "text"
    help: str = ""
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    low_open: bool = False
    choices: tuple[str, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    allowed: str = ""
    default: str = ""
    required: bool = False
    fields: tuple[Field, ...] = ()
    arguments: tuple[str, ...] = ()

    @property
    def what(self) -> str:
        """What is allowed, in words."""
        if self.allowed:
            return self.allowed
        if self.choices:
            return f"one of {name_list(self.choices)}"
        if self.type == "number":
            return range_allowed(self.low, self.high, self.low_open, self.unit)
        if self.type == "numbers" and not math.isinf(self.low):
            each = range_allowed(self.low, self.high, self.low_open, self.unit).removeprefix("a number ")
            return f"a list of numbers, each {each}"
        if self.type == "whole":
            ends = "" if math.isinf(self.low) else f" of at least {self.low:.0f}"
            return "a whole number" + (ends if math.isinf(self.high) else f" from {self.low:.0f} to {self.high:.0f}")
        return _WORDS[self.type]

    def checked(self, value: Any) -> Any:
        """The value as Python has it, or ArgumentError."""
        if self.words and isinstance(value, str):
            value = meant(value, self.words)
        if not _TYPES[self.type](value) or (self.choices and value not in self.choices):
            raise ArgumentError(self.name, value, self.what, did_you_mean(value, self.choices))
        try:
            if self.type == "number":
                return check_number(self.name, value, low=self.low, high=self.high, low_open=self.low_open)
            if self.type == "whole":
                high = None if math.isinf(self.high) else int(self.high)
                return check_count(self.name, value, low=int(max(self.low, -1e15)), high=high)
            if self.type == "amount" and not isinstance(value, str):
                return check_number(self.name, value)
            if self.type == "numbers":
                return [check_number(self.name, item, low=self.low, high=self.high) for item in value]
        except ArgumentError as error:
            raise ArgumentError(self.name, error.value, self.what) from error
        return value


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of a file kind.

    Parameters
    ----------
    name
        As it stands in the file; empty for the fields at its top.
    fields
        What may stand in it.
    shape
        "one" is written ``[name]``, "many" ``[[name]]`` once for each, "named" ``[name.NAME]``.
    help
        What it is for.
    label
        Field that names a row in messages; its number, when empty.
    """

    name: str
    fields: tuple[Field, ...]
    shape: Literal["one", "many", "named"] = "one"
    help: str = ""
    label: str = ""

    @property
    def heading(self) -> str:
        """How it is written."""
        return {"one": f"[{self.name}]", "many": f"[[{self.name}]]", "named": f"[{self.name}.NAME]"}[self.shape]


@dataclass(frozen=True, kw_only=True)
class Row:
    """Checked fields of one table of a file, and where they stand."""

    path: str
    place: str
    fields: tuple[Field, ...] = ()
    name: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)
    faulty: bool = False  # only when all faults are collected

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def __getitem__(self, key: str) -> Any:
        return self.values[key]

    def arguments(self, *left_out: str) -> dict[str, Any]:
        """The fields that are in the file, under the names that Python has for them, but for some."""
        called = {item.name: item.arguments[0] for item in self.fields if item.arguments}
        return {called.get(key, key): value for key, value in self.values.items() if key not in left_out}

    def where(self, key: str) -> str:
        """Place of a field, for messages; of the row itself for no field."""
        if not key:
            return self.place
        return f"{self.place}, field {shown(key)}" if self.place else f"field {shown(key)}"

    def refuse(self, key: str, problem: str, action: str = "") -> NoReturn:
        """Raise with the place of a field, or of the row itself when ``key`` is empty."""
        raise self.fault(key, problem, action)

    def fault(self, key: str, problem: str, action: str = "") -> InputFileError:
        """What is wrong with a field, or with the row itself when ``key`` is empty."""
        return InputFileError(self.path, self.where(key), problem, action)

    def build(self, make: Callable[..., T], /, *arguments: Any, **values: Any) -> T:
        """Make an object from fields of this row; what it refuses is said with the place in the file."""
        try:
            return make(*arguments, **values)
        except InputFileError:
            raise
        except FilmdoseError as error:
            said = getattr(error, "argument", "")
            key = next((item.name for item in self.fields if said in (item.name, *item.arguments)), "")
            text = str(error)
            self.refuse(key, text.removeprefix(f"{said}: ") if key == said else text)


def read_rows(
    tables: tuple[Table, ...], data: Mapping[str, Any], path: str | Path, *, go_on: bool = False
) -> dict[str, list[Row]]:
    """Rows of every table of a parsed file, checked field by field.

    Parameters
    ----------
    tables
        What the file kind may hold.
    data
        Its content, as the parser of TOML or JSON gives it.
    path
        For messages.
    go_on
        True for a reader that can do without the rows that are ``faulty``, when all faults are collected.

    Returns
    -------
    The rows by name of the table; the fields at the top of the file are one row of the table "".

    Raises
    ------
    InputFileError
        A table or field that is not known, a field that is missing or has an impossible value.
    """
    named = {table.name: table for table in tables}
    top = named.get("", Table(name="", fields=()))
    own = {item.name for item in top.fields}
    for key in data:
        if key not in own and (key not in named or not key):
            known = [*own, *(name for name in named if name)]
            what = "field" if own and not isinstance(data[key], dict) else "table"
            problem = f"is not known; allowed are {name_list(known)}."
            go_on_or_raise(InputFileError(path, f"{what} {shown(key)}", problem, did_you_mean(key, known)))
    rows = {"": [_row(path, "", top.fields, {key: value for key, value in data.items() if key in own})]}
    for name, table in named.items():
        if name:
            rows[name] = []
            with each_part():
                found = _found(path, table, data.get(name))
                rows[name] = [_row(path, place, table.fields, content, key) for place, key, content in found]
    if not go_on:
        stop_at_faults()
    return rows


def _found(path: str | Path, table: Table, content: Any) -> list[tuple[str, str, dict[str, Any]]]:
    """Place, name and content of every row of one table."""
    name = table.name
    if content is None:
        return []
    keyed = list(content.items()) if table.shape == "named" and isinstance(content, dict) else []
    items = [content] if table.shape == "one" else [item for _, item in keyed] if table.shape == "named" else content
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items) or (not keyed and items == []):
        each = "" if table.shape == "one" else f", once for each {name}"
        raise InputFileError(path, f"table {name!r}", f"must be written {table.heading}{each}.")
    if table.shape == "one":
        return [(f"table {name!r}", "", content)]
    if table.shape == "named":
        return [(f"{name} {shown(key)}", key, item) for key, item in keyed]
    called = [item.get(table.label) for item in items]
    return [
        (f"{name} {shown(label)}" if isinstance(label, str) else f"{name} number {number}", "", item)
        for number, (label, item) in enumerate(zip(called, items, strict=True), 1)
    ]


def _row(path: str | Path, place: str, fields: tuple[Field, ...], content: Mapping[str, Any], name: str = "") -> Row:
    row = Row(path=str(path), place=place, fields=fields, name=name)
    known = {item.name: item for item in fields}
    values: dict[str, Any] = {}
    given = {key: value for key, value in content.items() if value is not None}  # null of JSON: left out
    faults: list[InputFileError] = []
    for key, value in given.items():
        if key not in known:
            said = f"is not known; allowed are {name_list(known)}."
            faults.append(row.fault(key, said, did_you_mean(key, known)))
            go_on_or_raise(faults[-1])
            continue
        try:
            values[key] = known[key].checked(value)
        except ArgumentError as error:
            faults.append(row.fault(key, f"got {shown(error.value)}; allowed is {error.allowed}.", error.action))
            go_on_or_raise(faults[-1])
            continue
        if known[key].type == "inline":
            values[key] = _row(path, row.where(key), known[key].fields, value)
    for item in fields:
        if item.required and item.name not in given:
            faults.append(row.fault(item.name, "is missing.", f"Write {item.name} = ...: {item.what}."))
            go_on_or_raise(faults[-1])
    inside = any(isinstance(value, Row) and value.faulty for value in values.values())
    return replace(row, values=values, faulty=bool(faults) or inside)


def reference(tables: tuple[Table, ...]) -> str:
    """The declaration of a file kind as a page in Markdown: every table and field, unit, range, default and meaning."""
    parts = []
    for table in tables:
        heading = f"`{table.heading}`" if table.name else "At the top"
        rows = [
            (
                f"`{prefix}{item.name}`" + (" (required)" if item.required else ""),
                item.what,
                item.default or ("" if item.required else "none"),
                item.help,
            )
            for prefix, item in _flat(table.fields)
        ]
        parts += [f"### {heading}", table.help, _aligned([("field", "allowed", "when left out", "meaning"), *rows])]
    return "\n\n".join(part for part in parts if part) + "\n"


def _aligned(rows: list[tuple[str, ...]]) -> str:
    """A Markdown table whose columns stand below each other in the text as well."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    head, *rest = ["| " + " | ".join(map(str.ljust, row, widths)) + " |" for row in rows]
    return "\n".join([head, "|" + "|".join(":" + "-" * (width + 1) for width in widths) + "|", *rest])


def _flat(fields: tuple[Field, ...], prefix: str = "") -> list[tuple[str, Field]]:
    found: list[tuple[str, Field]] = []
    for item in fields:
        found += [(prefix, item), *_flat(item.fields, f"{prefix}{item.name}.")]
    return found


_WORDS: dict[str, str] = {
    "text": "a text in quotes",
    "truth": "true or false",
    "date": "a date such as 2026-05-01, without quotes",
    "texts": "a list of texts in quotes",
    "numbers": "a list of finite numbers",
    "amount": "a number, or a text with a unit",
    "inline": "a table in one line, { ... }",
    "list": "a list",
}


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


_TYPES: dict[str, Callable[[Any], bool]] = {
    "text": lambda value: isinstance(value, str),
    "number": _is_number,
    "whole": lambda value: isinstance(value, int) and not isinstance(value, bool),
    "truth": lambda value: isinstance(value, bool),
    "date": lambda value: isinstance(value, datetime.date) and not isinstance(value, datetime.datetime),
    "texts": lambda value: isinstance(value, list) and all(isinstance(item, str) for item in value),
    "numbers": lambda value: isinstance(value, list) and all(_is_number(item) for item in value),
    "amount": lambda value: _is_number(value) or isinstance(value, str),
    "inline": lambda value: isinstance(value, dict),
    "list": lambda value: isinstance(value, list),
}
