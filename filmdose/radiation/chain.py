"""The way from a source to the emulsion: bag, cartridge, shields, the roll's own outer layers.

All layers stand in one spectrum; what a step lets through is the fog with it over
the fog without it, in that order.  A source's kerma stands on the outside of the bag,
inside a bag of typical contents, or at the film itself; what lies before that place
is not counted again.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import load_data_toml
from filmdose.names import FilmFormat, KermaPlace, TransportStep
from filmdose.radiation.beams import REFERENCE_BEAM, Beam, parse_layers
from filmdose.radiation.materials import ENERGY_RANGE_KEV, Layer
from filmdose.radiation.response import mean_response
from filmdose.radiation.scatter import Passage, passage
from filmdose.radiation.shields import Shield
from filmdose.result import Result

__all__ = ["FORMATS", "PLACES", "STEPS", "Arrival", "Bag", "Chain", "as_bag", "check_steps", "film_chain"]

#: Steps between source and emulsion, in order.
STEPS: tuple[TransportStep, ...] = ("bag", "cartridge", "shields", "roll")

#: Where the kerma of a source may stand.
PLACES: tuple[KermaPlace, ...] = ("bag", "inside", "film")

#: Formats of film.
FORMATS: tuple[str, ...] = tuple(load_data_toml("transport.toml")["formats"])

_BAG = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*(?:g/cm2)?\s*(?:,\s*(?:al|aluminium)\s*=\s*(\d+\.?\d*|\.\d+)\s*)?")


@dataclass(frozen=True, kw_only=True)
class Bag(Result):
    """What lies between the outside of a bag and the film in it.

    Parameters
    ----------
    water_g_cm2
        Clothes, books and food, as water of the same mass per area [g/cm2; 0 to 50].
    aluminium_mm
        Metal, as a sheet of aluminium [mm; 0 to 50].
    """

    water_g_cm2: float = load_data_toml("transport.toml")["bags"]["typical"]["water_g_cm2"]
    aluminium_mm: float = load_data_toml("transport.toml")["bags"]["typical"]["aluminium_mm"]

    _accepts = (("aluminium_mm", "WithUnit"),)

    def __post_init__(self) -> None:
        for name, unit in (("water_g_cm2", "g/cm2"), ("aluminium_mm", "mm")):
            object.__setattr__(self, name, check_number(name, getattr(self, name), low=0.0, high=50.0, unit=unit))

    @property
    def layers(self) -> tuple[Layer, ...]:
        """The contents as layers."""
        water = Layer(material="water", thickness_mm=10.0 * self.water_g_cm2)
        return water, Layer(material="aluminium", thickness_mm=self.aluminium_mm)

    def __str__(self) -> str:
        return f"{self.water_g_cm2:g} g/cm2 water, {self.aluminium_mm:g} mm aluminium"


#: What a full bag has: an inference, see transport.toml.
TYPICAL_BAG = Bag()


def as_bag(bag: Bag | str | None) -> Bag:
    """A bag from a :class:`Bag`, "typical", "empty", a text such as "4, al=1" (g/cm2 and mm), or None (typical).

    Examples
    --------
    >>> print(as_bag("4, al=1"))
    4 g/cm2 water, 1 mm aluminium
    """
    if bag is None:
        return TYPICAL_BAG
    if isinstance(bag, Bag):
        return bag
    shipped = load_data_toml("transport.toml")["bags"]
    if isinstance(bag, str):
        if bag in shipped:
            return Bag(water_g_cm2=shipped[bag]["water_g_cm2"], aluminium_mm=shipped[bag]["aluminium_mm"])
        match = _BAG.fullmatch(bag)
        if match:
            return Bag(water_g_cm2=float(match[1]), aluminium_mm=float(match[2] or 0.0))
    allowed = f"{', '.join(shipped)}, or grams of water per cm2 and aluminium in mm, such as '4, al=1'"
    raise ArgumentError("bag", bag, allowed)


def check_format(format: str) -> str:
    """The name of a format, when it is one."""
    if format not in FORMATS:
        raise UnknownNameError("format", format, FORMATS)
    return format


def check_steps(steps: str | Iterable[str]) -> tuple[str, ...]:
    """The steps to count, in their order."""
    given = (steps,) if isinstance(steps, str) else tuple(steps)
    for step in given:
        if step not in STEPS:
            raise UnknownNameError("steps", step, STEPS)
    return tuple(step for step in STEPS if step in given)


@cache
def _format_layers(format: str, step: str) -> tuple[Layer, ...]:
    text = load_data_toml("transport.toml")["formats"][check_format(format)][step]
    return parse_layers(step, text) if text else ()


@dataclass(frozen=True, kw_only=True)
class Chain(Result):
    """Layers before an emulsion, step by step, and those that the kerma stands behind already.

    Parameters
    ----------
    before
        Layers between the tube and the place where the kerma stands.
    steps
        Pairs of step and layers: all between the tube and the emulsion.
    """

    before: tuple[Layer, ...]
    steps: tuple[tuple[str, tuple[Layer, ...]], ...]

    @property
    def layers(self) -> tuple[Layer, ...]:
        """All layers between tube and emulsion."""
        return tuple(layer for _, layers in self.steps for layer in layers)


def film_chain(
    *,
    at: KermaPlace = "bag",
    format: FilmFormat = "35mm",
    bag: Bag | str | None = None,
    shields: tuple[Shield, ...] = (),
    steps: str | Iterable[str] = STEPS,
    thicker: float = 1.0,
) -> Chain:
    """What stands between a source and an emulsion.

    Parameters
    ----------
    at
        Where the kerma stands: "bag" (outside of it), "inside" (in a bag of typical contents), "film".
    format
        "35mm" (a cartridge of steel), "120" or "sheet".
    bag
        Contents of the bag; None takes the typical ones. At "inside" a bag that is fuller than the typical one lets
        less through, an emptier one more.
    shields
        Shields around the film; at "film" they still count, since they were given for the pass.
    steps
        Which steps to count; see ``STEPS``.
    thicker
        Thickness of the shields over the stated one [1].
    """
    if at not in PLACES:
        raise UnknownNameError("at", at, PLACES)
    counted = check_steps(steps)
    thicker = check_number("thicker", thicker, low=0.0)
    walls = tuple(
        Layer(
            material=shield.layer.material,
            thickness_mm=shield.layer.thickness_mm * thicker,
            density_g_cm3=shield.density_g_cm3,
        )
        for shield in shields
    )
    of_step = {
        "bag": as_bag(bag).layers,
        "cartridge": _format_layers(format, "cartridge"),
        "shields": walls,
        "roll": _format_layers(format, "roll"),
    }
    if at == "film":
        of_step = {"shields": walls}
    before = TYPICAL_BAG.layers if at == "inside" and "bag" in counted else ()
    return Chain(before=before, steps=tuple((step, of_step[step]) for step in counted if step in of_step))


def no_wall_counts(beam: Beam) -> bool:
    """Above the tables of cross sections nothing is credited."""
    return beam.energy_kev is not None and beam.energy_kev > ENERGY_RANGE_KEV[1]


@dataclass(frozen=True, kw_only=True)
class Arrival(Result):
    """What arrives at an emulsion, for each microgray of air kerma where it stands.

    Parameters
    ----------
    response
        Fog per air kerma at that place over that of the reference beam [1].
    through
        Pairs of step and the fog that it lets through [1].
    air
        Air kerma at the emulsion [1].
    emulsion
        Absorbed dose in the emulsion [1].
    """

    response: float
    through: tuple[tuple[str, float], ...]
    air: float
    emulsion: float

    @property
    def transmission(self) -> float:
        """Fog that all steps together let through [1]."""
        result = 1.0
        for _, share in self.through:
            result *= share
        return result

    @property
    def effective(self) -> float:
        """Effective kerma at the emulsion for each microgray of air kerma [1]: response times transmission."""
        return self.response * self.transmission


@lru_cache(maxsize=4096)
def arrival(beam: Beam, chain: Chain, eta_low: float) -> Arrival:
    """What arrives of a beam at an emulsion.

    Parameters
    ----------
    beam
        The beam before any layer.
    chain
        See :func:`film_chain`; the layers of a beam above 800 keV are not credited.
    eta_low
        Efficiency of the film below 60 keV [1; 0 to 1].
    """
    bare = no_wall_counts(beam)

    def fog(passed: Passage) -> float:
        return float(mean_response(passed.broad_moments, eta_low))

    def behind(layers: tuple[Layer, ...]) -> Passage:
        return passage(beam, () if bare else layers)

    reference = float(mean_response(passage(REFERENCE_BEAM, ()).broad_moments, eta_low))
    start = behind(chain.before)
    last = fog(start)
    layers: tuple[Layer, ...] = ()
    through: list[tuple[str, float]] = []
    for step, more in chain.steps:
        layers = (*layers, *more)
        now = fog(behind(layers))
        through.append((step, now / last if last > 0.0 else 0.0))
        last = now
    end = behind(chain.layers)
    open_kerma = 1.0 / start.broad_kerma
    return Arrival(
        response=1.0 if beam == REFERENCE_BEAM and not chain.before else fog(start) * open_kerma / reference,
        through=tuple(through),
        air=end.broad_kerma * open_kerma,
        emulsion=end.broad_moments[0] * open_kerma,
    )


hold_to_annotations(globals())
