"""A film in another development: what grows with the time, by which law, and for which kinds nothing is known.

With f the contrast over that of normal development (:mod:`filmdose.development.contrast` makes it from a time):

    c_j -> f c_j                          light and radiation alike: image silver is image silver
    native fog density -> f**q            q = 1 when it grows as the image does
    H 10**z_j -> H 10**(z_j + beta lg f)  for light alone: faint images need time to show
    a_ref -> f**e a_ref                   e = 0 more grains, e = 1 larger ones

Multiplying all densities is Hurter and Driffield's law of constant density ratios (from memory); beta, q and e are
inferences (data/development.toml), each with a range, and what comes out is told over all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError
from filmdose.files import load_data_toml
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film
from filmdose.result import Result

__all__ = ["FACTOR_RANGE", "Growth", "developed_film", "growth_ends", "process_words"]

#: Contrast over that of normal development for which the laws are stated [1]: what the two measured families cover.
FACTOR_RANGE = (0.65, 1.7)

_SILVER = (
    "To the developer radiation fog is image silver: its grains carry a latent image as those of the picture do. It "
    "grows with the picture and no time of development tells one from the other.",
)
_COLOUR = (
    "Colour negative film has a standard process of fixed time and temperature; that is the advice for a fogged roll.",
    "Longer development (pushing) multiplies image and fog of each record alike in the model here. Real records answer "
    "unequally, by amounts that nobody has published for fogged film, so colours cross and no filter cures that.",
    "filmdose chooses no development for colour negative film: give the light, and correct the scan.",
)
_REVERSAL = (
    "Reversal film has a standard process; fog thins its blacks in the first developer, where it develops with the "
    "negative image.",
    "A longer first developer (pushing) develops more of both: the whole picture gets lighter and its blacks, which "
    "fog has thinned, thinner still. A shorter one (pulling) keeps more black and darkens everything; the latent image "
    "of the fog stays. In the model that is a shift of the curve, with an amount that nobody has published.",
    "filmdose computes no other development for reversal film. Silver reversal film has no standard: its maker's times "
    "and a test roll decide.",
)


def process_words(kind: str) -> tuple[str, ...]:
    """What is standard process for a kind of film, what other development does, and what nobody has published.

    Parameters
    ----------
    kind
        Kind of film.

    Returns
    -------
    tuple of str
        Sentences.

    Examples
    --------
    >>> len(process_words("colour-reversal")) > 0
    True
    """
    return _REVERSAL if kind.endswith("reversal") else _SILVER if kind == "bw-negative" else _COLOUR


@dataclass(frozen=True, kw_only=True)
class Growth(Result):
    """How speed, native fog and grain grow with the contrast factor f; None takes the shipped inference.

    Parameters
    ----------
    speed
        beta: what light acts on moves by beta log10 f [log units; -1 to 2].
    fog
        q: native fog density grows as f**q [0 to 4].
    grain
        e: grain area grows as f**e [0 to 1].
    """

    speed: float | None = None
    fog: float | None = None
    grain: float | None = None

    def __post_init__(self) -> None:
        ends = {"speed": (-1.0, 2.0), "fog": (0.0, 4.0), "grain": (0.0, 1.0)}
        for name, (low, high) in ends.items():
            value = getattr(self, name)
            value = _shipped(name, "value") if value is None else value
            object.__setattr__(self, name, check_number(name, value, low=low, high=high))


def _shipped(name: str, side: str) -> float:
    return float(load_data_toml("development.toml")[f"{name}_growth"][side])


def growth_ends(growth: Growth | None = None) -> tuple[Growth, ...]:
    """The middle, both ends of each of the three, and what gives the shadows least and most; a given growth alone.

    Parameters
    ----------
    growth
        A growth of one's own; the shipped inferences when None.

    Returns
    -------
    tuple of Growth
        The first is the middle.

    Examples
    --------
    >>> len(growth_ends(Growth()))
    1
    """
    if growth is not None:
        return (growth,)
    names = ("speed", "fog", "grain")
    ends = [Growth(**{name: _shipped(name, side)}) for name in names for side in ("low", "high")]
    least = Growth(speed=_shipped("speed", "low"), grain=_shipped("grain", "high"))  # shadows gain nothing
    most = Growth(speed=_shipped("speed", "high"), grain=_shipped("grain", "low"))
    return (Growth(), *ends, least, most)


def developed_film(film: Film, factor: float, growth: Growth | None = None) -> Film:
    """The film after a development that gives ``factor`` times its contrast.

    Parameters
    ----------
    film
        A negative film, in its normal development.
    factor
        f, contrast over the normal one [1; 0.65 to 1.7].
    growth
        How speed, fog and grain grow; the shipped inferences when left out.

    Returns
    -------
    Film

    Raises
    ------
    ArgumentError
        A factor out of range, or reversal film.

    References
    ----------
    hurter1890

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> film = generic_film(400)
    >>> more = developed_film(film, 1.2)
    >>> round(more.records[0].fog_density(100.0) / film.records[0].fog_density(100.0), 9)
    1.2
    """
    if film.reversal:
        raise ArgumentError("film", film.label, "a negative film", _REVERSAL[2])
    low, high = FACTOR_RANGE
    f = check_number("factor", factor, low=low, high=high)
    law = Growth() if growth is None else growth
    if f == 1.0:
        return film
    records = tuple(_developed(record, f, law) for record in film.records)
    return replace(film, records=records, origin=f"{film.origin}; developed to {f:.3g} times its contrast")


def _developed(record: Emulsion, f: float, law: Growth) -> Emulsion:
    assert law.speed is not None
    assert law.fog is not None
    assert law.grain is not None
    shift = law.speed * math.log10(f)
    result = replace(
        record,
        weights=record.weights * f,
        log_sensitivity=record.log_sensitivity + shift,
        reference_log_sensitivity=record.reference_log_sensitivity + shift,  # hits and areas stay those of the grains
        native_fog=min(record.native_fog * f ** (law.fog - 1.0), 0.999),
        noise_floor=record.noise_floor * f**-law.grain,
    )
    wanted = record.reference_grain_area_um2 * f**law.grain
    return replace(result, rms_granularity=result.rms_granularity * math.sqrt(wanted / result.reference_grain_area_um2))


hold_to_annotations(globals())
