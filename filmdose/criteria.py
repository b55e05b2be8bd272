"""A criterion of one's own: what "as good as on the clean film" means, as a function of curve and noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import ArgumentError
from filmdose.result import Result

__all__ = ["Criterion", "Tones"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Tones(Result):
    """A record of a film at some doses, from its clean shadow point on; what a criterion is given.

    Parameters
    ----------
    stops
        Exposure over that of the clean shadow point [stops], shape (nodes,).
    density
        Density above base plus fog of the clean film [density], shape (doses or 1, nodes).
    gradient
        dD/dlog10 H [density per log unit], likewise.
    noise
        Standard deviation of density over that of the clean film at its shadow point [1], likewise.
    """

    stops: FloatArray
    density: FloatArray
    gradient: FloatArray
    noise: FloatArray

    @property
    def snr(self) -> FloatArray:
        """Gradient over noise [density per log unit]."""
        return np.asarray(self.gradient / self.noise)


class Criterion(str):
    """A criterion of one's own; it is its name, and carries the function that decides.

    The compensation is the least exposure at which ``excess(fogged, clean)`` reaches 0.

    Parameters
    ----------
    name
        What tables, files and messages call it: letters, digits and underscores, none of the shipped names.
    excess
        A function of two :class:`Tones`, the fogged record and the clean one: what is there less what is wanted, at
        every node; shape (doses, nodes).  To send it to other processes write it at the top of a module.
    words
        The criterion in words.

    Raises
    ------
    ArgumentError
        An impossible name, no function, or a function that gives another shape (when it is used).

    Notes
    -----
    Two criteria are equal when their names are: they are keys of tables.

    Examples
    --------
    Nine tenths of the clean shadow's gradient are enough:

    >>> from filmdose import Question, answer
    >>> def enough(fogged, clean):
    ...     return fogged.gradient - 0.9 * clean.gradient[:, :1]
    >>> own = Criterion("most_of_the_gradient", enough, words="0.9 of the clean shadow's gradient")
    >>> print(f"{answer(400, 100.0, Question(criterion=own)).needed_stops:.2f}")
    0.08
    >>> print(f"{answer(400, 100.0, Question(criterion='shadow_gradient')).needed_stops:.2f}")
    0.23
    """

    excess: Callable[[Tones, Tones], FloatArray]
    words: str

    def __new__(cls, name: str, excess: Callable[[Tones, Tones], FloatArray], *, words: str = "") -> Criterion:
        """A name that carries a function."""
        if not isinstance(name, str) or not name.isidentifier():
            raise ArgumentError("name", name, "letters, digits and underscores, such as 'most_of_the_gradient'")
        if not callable(excess):
            action = "It takes the fogged and the clean Tones and gives what is there less what is wanted."
            raise ArgumentError("excess", excess, "a function of two Tones", action)
        if not isinstance(words, str):
            raise ArgumentError("words", words, "a text")
        made = super().__new__(cls, name)
        made.excess = excess
        made.words = words or name.replace("_", " ")
        return made

    def __reduce__(self) -> tuple[Any, ...]:
        return _criterion, (str(self), self.excess, self.words)

    def __repr__(self) -> str:
        return f"Criterion({str(self)!r})"

    def over(self, fogged: Tones, clean: Tones) -> FloatArray:
        """What is there less what is wanted, checked: one row a dose, one column a node."""
        found = np.asarray(self.excess(fogged, clean))
        wanted = np.broadcast_shapes(fogged.gradient.shape)
        if found.shape != wanted or found.dtype.kind not in "fiu":
            got = f"{found.dtype} of shape {found.shape}"
            raise ArgumentError(f"criterion {self}", got, f"numbers of shape {wanted}, as fogged.gradient has")
        return np.nan_to_num(found.astype(np.float64), nan=-np.inf)


def _criterion(name: str, excess: Callable[[Tones, Tones], FloatArray], words: str) -> Criterion:
    return Criterion(name, excess, words=words)


hold_to_annotations(globals())
