"""What is asked of a film: one object that every answer takes, checked once."""

from __future__ import annotations

from dataclasses import dataclass, replace

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.criteria import Criterion
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.names import CriterionAsked, CriterionName
from filmdose.result import Result
from filmdose.solver import CRITERIA
from filmdose.standards import LOG10_2, SCENE_RANGE
from filmdose.words import CRITERION_WORDS

__all__ = ["DEFAULT_CRITERION", "Question", "criterion_name", "scene_range_from_readings"]

DEFAULT_CRITERION: CriterionName = "shadow_snr"


@dataclass(frozen=True, kw_only=True)
class Question(Result):
    """What an exposure index is to do, and what missing it costs.

    Parameters
    ----------
    criterion
        What "as good as on the clean film" means, a key of :data:`filmdose.solver.CRITERIA`; hyphens may stand for
        underscores.  Or a :class:`~filmdose.criteria.Criterion` of one's own.
    snr_target
        Fraction of the clean shadow's signal-to-noise that counts as restored [0 to 1, above 0].
    scene_range
        Scene, from shadow point to highlight [log10 units; 0.3 to 4].
    peak_to_mean
        Fog of the worst band over the mean of the roll; the answer is for that band [1; at least 1].
    cost_under, cost_over
        Cost of a stop of lost shadow and of a stop of light given [above 0]; 4 to 1 (common practice, no source).

    Raises
    ------
    UnknownNameError, ArgumentError
        A name that is not known, or a value out of range.

    Examples
    --------
    >>> Question(criterion="fixed-density").criterion
    'fixed_density'
    """

    criterion: CriterionAsked | Criterion = DEFAULT_CRITERION
    snr_target: float = 1.0
    scene_range: float = SCENE_RANGE
    peak_to_mean: float = 1.0
    cost_under: float = 4.0
    cost_over: float = 1.0

    def __post_init__(self) -> None:
        checked = {
            "criterion": criterion_name(self.criterion),
            "snr_target": check_number("snr_target", self.snr_target, low=0.0, low_open=True, high=1.0),
            "scene_range": check_number("scene_range", self.scene_range, low=0.3, high=4.0, unit="log10 units"),
            "peak_to_mean": check_number("peak_to_mean", self.peak_to_mean, low=1.0, high=1e6),
            "cost_under": check_number("cost_under", self.cost_under, low=0.0, low_open=True, high=1e6),
            "cost_over": check_number("cost_over", self.cost_over, low=0.0, low_open=True, high=1e6),
        }
        for name, value in checked.items():
            object.__setattr__(self, name, value)

    @property
    def criteria(self) -> tuple[str, ...]:
        """Names of all criteria that an answer shows: the shipped ones, and one of the user's own that is asked for."""
        own = (self.criterion,) if isinstance(self.criterion, Criterion) else ()
        return (*CRITERIA, *own)

    @property
    def criterion_sentence(self) -> str:
        """The criterion in a sentence."""
        return self.criterion.words if isinstance(self.criterion, Criterion) else CRITERIA[self.criterion]

    @property
    def criterion_words(self) -> str:
        """The criterion in a few words."""
        return self.criterion.words if isinstance(self.criterion, Criterion) else CRITERION_WORDS[self.criterion]

    def for_bands(self, of_sources: float, own: float | None = None) -> Question:
        """The question for a roll under its worst band: its own unevenness, else that of its sources.

        The one rule of every output: what the question itself asks for counts when it is more.

        Parameters
        ----------
        of_sources
            Worst band over mean that the sources of the roll make [1; at least 1].
        own
            The roll's own, which stands in place of that [1; at least 1].

        Examples
        --------
        >>> Question().for_bands(1.3).peak_to_mean, Question().for_bands(1.3, own=1.0).peak_to_mean
        (1.3, 1.0)
        """
        return replace(self, peak_to_mean=max(self.peak_to_mean, of_sources if own is None else own))


def criterion_name(criterion: str) -> str:
    """Check the name of a criterion; hyphens may stand for underscores; one of the user's own stays itself.

    Parameters
    ----------
    criterion
        A name.

    Returns
    -------
    str
        The name as the library writes it.

    Raises
    ------
    UnknownNameError
        A name that is not known.

    Examples
    --------
    >>> criterion_name("shadow-snr")
    'shadow_snr'
    """
    if isinstance(criterion, Criterion):
        if criterion in CRITERIA:
            raise ArgumentError("criterion", str(criterion), "another name than those of the shipped criteria")
        return criterion
    name = criterion.replace("-", "_") if isinstance(criterion, str) else criterion
    if name not in CRITERIA:
        raise UnknownNameError("criterion", criterion, CRITERIA)
    return name


def scene_range_from_readings(shadow_ev: float, highlight_ev: float) -> float:
    """Scene range [log10 units] from two meter readings [EV]: (highlight - shadow) log10 2.

    Parameters
    ----------
    shadow_ev
        Reading of the deepest shadow that is to have detail [EV].
    highlight_ev
        Reading of the brightest tone that is to have detail [EV].

    Returns
    -------
    float
        Scene range [log10 units].

    Raises
    ------
    ArgumentError
        The highlight does not read at least one stop above the shadow, or more than 13 stops.

    Examples
    --------
    >>> round(scene_range_from_readings(7.0, 14.3), 3)
    2.198
    """
    shadow = check_number("shadow_ev", shadow_ev, unit="EV")
    highlight = check_number(
        "highlight_ev",
        highlight_ev,
        low=shadow + 1.0,
        high=shadow + 13.0,
        unit="EV",
        action="The highlight must read 1 to 13 stops above the shadow.",
    )
    return (highlight - shadow) * LOG10_2


hold_to_annotations(globals())
