"""What is not known exactly: distributions from three points, shipped as data, replaceable one by one.

Every uncertain input is a function of a standard normal *score*: 0 is the typical
value, -1.645 the 5 % and +1.645 the 95 % point.  Two halves of a (log-)normal meet
at the typical value, so that all three points come back exactly.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache, cached_property
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, overload

import numpy as np
from scipy.special import ndtr, ndtri

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError, each_part, stop_at_faults
from filmdose.files import load_data_toml, parse_toml, read_text
from filmdose.names import PriorKind
from filmdose.radiation.sources import Source, get_source
from filmdose.result import Result
from filmdose.standards import KINDS
from filmdose.tomlfile import Field, Table, read_rows

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "PRIORS_FILE",
    "PRIOR_KINDS",
    "SCORE_95",
    "MixturePrior",
    "Prior",
    "Priors",
    "SamplePrior",
    "default_priors",
    "list_priors",
    "read_priors",
    "source_prior",
]

#: 95 % point of the standard normal distribution.
SCORE_95 = float(ndtri(0.95))

PRIOR_KINDS = ("log_normal", "normal", "logit_normal", "uniform")

#: Scores beyond this stand for one draw in three million on either side; they keep every value finite.
_GREATEST_SCORE = 5.0


def _logit(value: float) -> float:
    return math.log(value / (1.0 - value))


@dataclass(frozen=True, kw_only=True)
class Prior(Result):
    """Distribution of one uncertain input, from its 5, 50 and 95 % points.

    ``log_normal``: ln x = ln typical + s z, with s = ln(high/typical)/1.645 for z > 0 and
    ln(typical/low)/1.645 for z < 0; ``normal`` and ``logit_normal`` alike for x and ln(x/(1-x));
    ``uniform`` is even between two ends.

    Parameters
    ----------
    low, typical, high
        5, 50 and 95 % points. All three equal: the value is known.
    kind
        One of ``PRIOR_KINDS``.
    label, unit
        In words.
    scope
        What one unknown value is shared by.
    evidence, flag, references, note
        Where the points come from.

    Raises
    ------
    ArgumentError
        Points out of order or outside what the kind allows.

    Examples
    --------
    >>> dose = Prior(low=20, typical=100, high=1000, unit="uGy")
    >>> dose.quantile([0.05, 0.5, 0.95]).round(6).tolist()
    [20.0, 100.0, 1000.0]
    """

    low: float
    typical: float
    high: float
    kind: PriorKind = "log_normal"
    label: str = ""
    unit: str = "1"
    scope: str = ""
    evidence: str = "inference"
    flag: str = "I"
    references: tuple[str, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if self.kind not in PRIOR_KINDS:
            raise UnknownNameError("kind", self.kind, PRIOR_KINDS)
        bounds: dict[str, Any] = {}
        if self.kind == "log_normal":
            bounds = {"low": 0.0, "low_open": True}
        elif self.kind == "logit_normal":
            bounds = {"low": 0.0, "low_open": True, "high": 1.0 - 1e-12}
        for name in ("low", "typical", "high"):
            object.__setattr__(self, name, check_number(name, getattr(self, name), unit=self.unit, **bounds))
        points = (self.low, self.typical, self.high)
        if not self.low <= self.typical <= self.high:
            raise ArgumentError("prior", points, "low <= typical <= high: the 5, 50 and 95 % points in this order")
        middle = 0.5 * (self.low + self.high)
        if self.kind == "uniform" and not math.isclose(self.typical, middle, rel_tol=1e-6, abs_tol=1e-12):
            raise ArgumentError("typical", self.typical, f"{middle:g}, the middle of an even distribution")
        object.__setattr__(self, "references", tuple(self.references))

    @classmethod
    def known(cls, value: float, **options: Any) -> Prior:
        """A value without uncertainty.

        Examples
        --------
        >>> Prior.known(25.0).is_known
        True
        """
        kind = options.pop("kind", "normal")
        return cls(low=value, typical=value, high=value, kind=kind, **options)

    @property
    def is_known(self) -> bool:
        """True when all three points are the same."""
        return self.low == self.high

    @overload
    def value(self, score: Labelled) -> Labelled: ...
    @overload
    def value(self, score: Numbers) -> FloatArray: ...
    def value(self, score: Numeric) -> Any:
        """Value at a standard normal score: 0 gives the typical value.

        Scores beyond 5 count as 5, so that no draw is endless.
        """

        return elementwise(self.values, score)

    def values(self, scores: FloatArray) -> FloatArray:
        """The same for an array, without looking after containers."""
        z = np.clip(scores, -_GREATEST_SCORE, _GREATEST_SCORE)
        if self.kind == "uniform":
            width = (self.high - self.low) / 0.9
            return np.asarray(self.typical + width * (ndtr(z) - 0.5))
        typical, below, above = self._line
        return self._from_line(typical + np.where(z < 0.0, below, above) * z)

    @cached_property
    def _line(self) -> tuple[float, float, float]:
        """Typical value where the two halves are straight, and their slopes per score."""
        low, typical, high = (self._to_line(point) for point in (self.low, self.typical, self.high))
        return typical, (typical - low) / SCORE_95, (high - typical) / SCORE_95

    @overload
    def quantile(self, probability: Labelled) -> Labelled: ...
    @overload
    def quantile(self, probability: Numbers) -> FloatArray: ...
    def quantile(self, probability: Numeric) -> Any:
        """Value below which the given share of the distribution lies."""

        def kernel(p: FloatArray) -> FloatArray:
            return np.asarray(ndtri(check_array("probability", p, low=0.0, high=1.0)))

        return self.value(elementwise(kernel, probability))

    def _to_line(self, point: float) -> float:
        if self.kind == "log_normal":
            return math.log(point)
        return _logit(point) if self.kind == "logit_normal" else point

    def _from_line(self, line: FloatArray) -> FloatArray:
        if self.kind == "log_normal":
            return np.asarray(np.exp(line))
        return np.asarray(1.0 / (1.0 + np.exp(-line)) if self.kind == "logit_normal" else line)


@dataclass(frozen=True, kw_only=True)
class MixturePrior(Prior):
    """One of several things above 0, not known which: a share of the draws is distributed as each of them.

    A score z gives the value below which the mixture has the share Phi(z), so that a greater score is a greater
    value and all else that is done with scores holds.  Made by :meth:`of`.

    Parameters
    ----------
    parts
        What it may be.
    shares
        How likely each of them is [1; they sum to 1].
    low, typical, high, kind, label, unit, scope, evidence, flag
        As of :class:`Prior`; its points are those of the mixture.
    references, note
        As of :class:`Prior`.

    Examples
    --------
    >>> small, great = Prior(low=1, typical=2, high=4), Prior(low=50, typical=100, high=200)
    >>> mixture = MixturePrior.of([(small, 0.5), (great, 0.5)])
    >>> mixture.quantile([0.25, 0.75]).round(2).tolist()
    [2.0, 100.0]
    """

    parts: tuple[Prior, ...] = ()
    shares: tuple[float, ...] = ()

    @classmethod
    def of(cls, shares: Iterable[tuple[Prior, float]], **options: Any) -> MixturePrior:
        """The mixture of some priors, each with its share."""
        pairs = list(shares)
        if not pairs or not all(isinstance(each, tuple) and len(each) == 2 for each in pairs):
            raise ArgumentError("shares", pairs, "pairs of a Prior and its share, at least one")
        may_be, how_likely = zip(*pairs, strict=True)
        parts = cls(low=1.0, typical=1.0, high=1.0, parts=may_be, shares=how_likely, **options)
        low, typical, high = (float(value) for value in parts.values(np.array([-SCORE_95, 0.0, SCORE_95])))
        return replace(parts, low=low, typical=typical, high=high)

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        """Scores and the logarithms of the values at them."""
        z = np.linspace(-_GREATEST_SCORE, _GREATEST_SCORE, 2001)
        # a part that is known gets a breadth that nobody sees, so that its step has a slope
        reach = [np.log(part.values(z)) + 1e-7 * z for part in self.parts]
        line = np.unique(np.concatenate([*reach, np.linspace(np.min(reach), np.max(reach), 4001)]))
        below = np.zeros(line.size)
        for curve, share in zip(reach, self.shares, strict=True):
            below += share * ndtr(np.interp(line, curve, z))
        scores = ndtri(np.clip(below, 1e-15, 1.0 - 1e-15))
        keep = np.concatenate([[True], np.diff(scores) > 1e-12])
        return scores[keep], line[keep]

    def values(self, scores: FloatArray) -> FloatArray:
        """Values at scores."""
        return np.asarray(np.exp(np.interp(np.clip(scores, -_GREATEST_SCORE, _GREATEST_SCORE), *self._table)))


@dataclass(frozen=True, kw_only=True)
class SamplePrior(Prior):
    """Values that were measured, or drawn by another program, as a distribution; made by :meth:`of`.

    A score z gives the value below which the share Phi(z) of the values lies, on straight lines between them.

    Parameters
    ----------
    values_sorted
        The values, rising.
    low, typical, high, kind, label, unit, scope, evidence, flag
        As of :class:`Prior`; its points are those of the values.
    references, note
        As of :class:`Prior`.

    Examples
    --------
    >>> badges = SamplePrior.of([150, 200, 300, 370, 420, 600, 900], unit="uGy")
    >>> badges.typical, round(badges.quantile(0.0))
    (370.0, 150)
    """

    values_sorted: tuple[float, ...] = ()

    @classmethod
    def of(cls, values: Iterable[float], **options: Any) -> SamplePrior:
        """The distribution of some values; at least three, not all alike.

        Parameters
        ----------
        values
            The values.
        options
            As of :class:`Prior`: unit, label, note, kind; the kind is "log_normal" where all values are above 0.
        """
        found = np.sort(check_array("values", list(values), nan_allowed=False))
        if found.ndim != 1 or found.size < 3:
            raise ArgumentError("values", found.tolist(), "at least three values")
        low, typical, high = (float(value) for value in np.quantile(found, (0.05, 0.5, 0.95)))
        if low == high:
            raise ArgumentError("values", found.tolist(), "values that differ", "A known value: Prior.known(value).")
        options.setdefault("kind", "log_normal" if found[0] > 0.0 else "normal")
        return cls(low=low, typical=typical, high=high, values_sorted=tuple(found.tolist()), **options)

    def values(self, scores: FloatArray) -> FloatArray:
        """Values at scores."""
        share = ndtr(np.clip(scores, -_GREATEST_SCORE, _GREATEST_SCORE))
        places = np.linspace(0.0, 1.0, len(self.values_sorted))
        return np.asarray(np.interp(share, places, np.asarray(self.values_sorted)))


def source_prior(source: Source, given: Callable[[str], Prior | None]) -> Prior:
    """Dose per pass of a source [uGy]: log-normal through its points, or the mixture of what it may be.

    ``given`` says which prior replaces that of a source, by name; None for none.
    """
    if (prior := given(source.name)) is not None:
        return prior
    if source.mixture:
        parts = [(source_prior(get_source(name), given), share) for name, share in source.mixture]
        return MixturePrior.of(parts, unit="uGy", evidence=source.evidence)
    low, typical, high = source.air_kerma_points_ugy
    if low <= 0.0:
        action = "A log-normal has no zero in it."
        raise ArgumentError(f"low dose of {source.name}", low, "a number above 0 [uGy]", action)
    return Prior(low=low, typical=typical, high=high, unit="uGy", evidence=source.evidence)


@dataclass(frozen=True, eq=False)
class Priors(Result, Mapping[str, Prior]):
    """All priors of a calculation, by name; immutable, ``replaced`` gives a changed copy.

    The dose per pass of a source is that of the source itself, unless an entry
    ``dose:SOURCE`` or ``dose:SOURCE@SCANNER`` [uGy per pass] replaces it.

    Parameters
    ----------
    entries
        Prior by name.
    scanner_class_share
        Share of the variance of ln(dose per pass) that all scanners of one class have in common [0 to 1]; None takes
        that of each source.
    """

    entries: Mapping[str, Prior]
    scanner_class_share: float | None = None

    def __post_init__(self) -> None:
        known = set(load_data_toml("priors.toml")["priors"])
        for name, prior in self.entries.items():
            if name not in known and not (name.startswith("dose:") and len(name) > len("dose:")):
                raise UnknownNameError("prior", name, sorted(known), "Doses are called dose:SOURCE.")
            if not isinstance(prior, Prior):
                raise ArgumentError(name, prior, "a Prior with low, typical and high")
        missing = known - set(self.entries)
        if missing:
            raise ArgumentError("priors", sorted(missing)[0], "an entry for every uncertain input", "It is missing.")
        if self.scanner_class_share is not None:
            share = check_number("scanner_class_share", self.scanner_class_share, low=0.0, high=1.0)
            object.__setattr__(self, "scanner_class_share", share)
        object.__setattr__(self, "entries", MappingProxyType(dict(self.entries)))
        _check_domains(self.entries)

    def __getstate__(self) -> dict[str, Any]:
        return super().__getstate__() | {"entries": dict(self.entries)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        super().__setstate__(state | {"entries": MappingProxyType(dict(state["entries"]))})

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each prior, as of :func:`list_priors`."""
        return list_priors(self)

    def __getitem__(self, name: str) -> Prior:
        return self.entries[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self.entries)

    def replaced(self, changes: Mapping[str, Prior | float] | None = None, **named: Prior | float) -> Priors:
        """A copy with other priors; a plain number stands for a known value.

        Examples
        --------
        >>> priors = default_priors().replaced(hit_exponent=0.8)
        >>> priors["hit_exponent"].is_known, default_priors()["hit_exponent"].is_known
        (True, False)
        """
        entries = dict(self.entries)
        for name, prior in {**(changes or {}), **named}.items():
            old = entries.get(name)
            if isinstance(prior, Prior):
                entries[name] = prior
            else:
                value = check_number(name, prior)
                label, unit = ("", "uGy") if old is None else (old.label, old.unit)
                entries[name] = Prior.known(value, label=label, unit=unit, note="given by the user")
        return replace(self, entries=entries)

    def all_known(self) -> Priors:
        """Every input at its typical value: the answer without uncertainty."""
        return self.replaced({name: replace(p, low=p.typical, high=p.typical) for name, p in self.entries.items()})

    def dose(self, source: str, scanner: str) -> Prior | None:
        """The entry that replaces a source's own dose per pass, if any."""
        return self.entries.get(f"dose:{source}@{scanner}", self.entries.get(f"dose:{source}"))


def _check_domains(entries: Mapping[str, Prior]) -> None:
    """Limits that the physics sets, beyond those of the kind of distribution."""
    limits: dict[str, tuple[float, float]] = {
        "hit_exponent": (0.0, 2.0),
        **{f"{kind}.area_exponent": (-1.0, 2.0) for kind in KINDS},
        **{f"{kind}.dye_saturation": (0.0, 1.0) for kind in KINDS},
        "cluster_grains": (1.0, 1000.0),
        "shield_scatter": (0.0, 3.0),
        "eta_low": (0.0, 1.0),
        "unevenness": (0.0, 1000.0),
    }
    above_zero = (
        "calibration_kerma",
        "film_factor",
        "true_speed",
        "record_factor",
        "film_contrast",
        "shield_thickness",
        "background",
    )
    for name, prior in entries.items():
        low, high = limits.get(name, (-math.inf, math.inf))
        strict = name in above_zero or name.startswith("dose:")
        for point in ("low", "high"):
            check_number(
                f"prior {name}, {point}",
                getattr(prior, point),
                low=0.0 if strict else low,
                high=high,
                low_open=strict,
                unit=prior.unit,
            )


def _points(row: Mapping[str, Any]) -> dict[str, Any]:
    """low, typical, high and unit of an entry, looked up where another data file holds them."""
    if "taken_from" not in row:
        return {key: row[key] for key in ("low", "typical", "high", "unit") if key in row}
    file, _, place = row["taken_from"].partition(": ")
    entry: Any = load_data_toml(file)
    for key in place.split("."):
        entry = entry[key]
    return {"low": entry["low"], "typical": entry["value"], "high": entry["high"], "unit": entry["unit"]}


@cache
def default_priors() -> Priors:
    """The shipped priors (data/priors.toml).

    Examples
    --------
    >>> p = default_priors()["calibration_kerma"]
    >>> p.low, p.typical, p.high, p.unit
    (14.0, 25.0, 45.0, 'uGy')
    """
    data = load_data_toml("priors.toml")
    words = ("kind", "label", "scope", "evidence", "flag", "references", "note")
    entries = {
        name: Prior(**_points(row), **{key: row[key] for key in words if key in row})
        for name, row in data["priors"].items()
    }
    return Priors(entries)


def list_priors(priors: Priors | None = None) -> pd.DataFrame:
    """All priors as a table, one row each, index ``name``, with unit, evidence, flag and references.

    Parameters
    ----------
    priors
        The priors; the shipped ones when None.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> list_priors()[["low", "typical", "high"]].loc[["calibration_kerma"]].values.tolist()
    [[14.0, 25.0, 45.0]]
    """
    import pandas as pd

    rows = [
        {
            "name": name,
            "label": prior.label or name,
            "low": prior.low,
            "typical": prior.typical,
            "high": prior.high,
            "unit": prior.unit,
            "kind": prior.kind,
            "scope": prior.scope,
            "evidence": prior.evidence,
            "flag": prior.flag,
            "references": ", ".join(prior.references),
            "note": prior.note,
        }
        for name, prior in (priors or default_priors()).items()
    ]
    return pd.DataFrame(rows).set_index("name")


#: Everything that a file of priors may hold.
PRIORS_FILE = (
    Table(
        name="",
        fields=(
            Field(
                name="scanner_class_share",
                type="number",
                low=0.0,
                high=1.0,
                help="Share of the variance of ln(dose) that all scanners of a class have in common.",
                default="the shipped one",
            ),
        ),
    ),
    Table(
        name="priors",
        shape="named",
        help='An input in place of the shipped one; doses are called "dose:SOURCE" or "dose:SOURCE@SCANNER".',
        fields=(
            Field(name="low", type="number", help="5 % point."),
            Field(name="typical", type="number", required=True, help="Median; alone, the value is known."),
            Field(name="high", type="number", help="95 % point."),
            Field(name="kind", choices=PRIOR_KINDS, help="Shape.", default="as shipped; log_normal for a dose"),
            Field(name="unit", help="Unit.", default="as shipped; uGy for a dose"),
            Field(name="note", help="Where it comes from."),
        ),
    ),
)


def read_priors(path: str | Path) -> Priors:
    """Shipped priors with the entries of a TOML file in place of their own.

    The file has one table ``[priors.NAME]`` (or ``[priors."dose:SOURCE"]``) for each changed input, with low,
    typical and high, or with typical alone for a known value; and optionally ``scanner_class_share = 0.5`` at its
    top.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Priors

    Raises
    ------
    InputFileError
        The file cannot be read or parsed, or an entry is not possible; the text names the entry and the field.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "priors.toml"
    ...     _ = path.write_text('priors."dose:cabin-ct" = {low = 100, typical = 200, high = 400}')
    ...     print(read_priors(path)["dose:cabin-ct"].typical)
    200.0
    """
    rows = read_rows(PRIORS_FILE, parse_toml(read_text(path), path), path)
    result = default_priors()
    for row in rows["priors"]:
        with each_part():
            if ("low" in row) != ("high" in row):
                row.refuse("", "has only one of low and high.", "Give both, or neither if it is known.")
            words: dict[str, Any] = {"unit": "uGy", "evidence": "measured", "flag": "user"}
            words |= {"note": f"given in {Path(path).name}", "low": row["typical"], "high": row["typical"]}
            if (old := result.get(row.name)) is not None:
                words |= {"kind": old.kind, "label": old.label, "unit": old.unit, "scope": old.scope}
            prior = row.build(Prior, **(words | row.arguments()))
            result = row.build(result.replaced, {row.name: prior})
    stop_at_faults()
    (top,) = rows[""]
    changed: Priors = top.build(replace, result, **top.arguments())
    return changed


hold_to_annotations(globals())
