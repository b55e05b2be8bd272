"""How much lead a pouch holds: from a kitchen scale, from two rolls of one journey, or not known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.errors import ArgumentError
from filmdose.files import load_data_toml
from filmdose.film.model import Film
from filmdose.history import History, Pass, history_dose
from filmdose.names import FilmFormat
from filmdose.odds.learning import fog_of
from filmdose.odds.priors import SCORE_95, Prior, Priors, default_priors
from filmdose.odds.scores import Random, normal_points, random_generator
from filmdose.odds.unknowns import Draws, trip_model
from filmdose.radiation.materials import get_material
from filmdose.radiation.shields import Shield
from filmdose.radiation.sources import get_source
from filmdose.result import Result
from filmdose.trip import FogReading, Roll, measured_fog, read_record

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PouchEstimate", "pouch_from_rolls", "pouch_from_scale", "pouch_unknown"]

#: Walls that are tried [mm of lead], each factor as likely as any other (our choice).
TRIED_MM = (0.02, 2.0)

_WALLS = 41
#: ln of the mean hits at z_ref between which a fog is looked for.
_LOG_HITS = np.linspace(-16.0, 8.0, 241)
_SOURCES = ("cabin-xray", "cabin-ct", "hold-ct")


@dataclass(frozen=True, kw_only=True)
class PouchEstimate(Result):
    """How much lead one wall of a pouch is worth.

    Parameters
    ----------
    lead_mm
        Low, typical and high thickness of one wall [mm of lead]: 5, 50 and 95 % points.
    how
        "scale", "rolls" or "unknown".
    message
        What was found, in a sentence or two.
    """

    lead_mm: tuple[float, float, float]
    how: str
    message: str

    @property
    def shield(self) -> Shield:
        """The pouch as a shield, with its range."""
        return Shield.parse(self.text)

    @property
    def text(self) -> str:
        """What to write as the shield of a pass: lead=low..typical..high [mm]."""
        return "lead=" + "..".join(f"{float(f'{wall:.3g}'):g}" for wall in self.lead_mm)

    def to_dataframe(self, format: FilmFormat = "35mm") -> pd.DataFrame:
        """Share of the fog that it lets through of a pass of several sources [1], one row each."""
        import pandas as pd

        rows = []
        for source in _SOURCES:
            bare, *behind = (
                history_dose(History(passes=(Pass(source=source, shield=shield),), format=format)).kerma_ugy
                for shield in (None, *(Shield(material="lead", thickness_mm=wall) for wall in self.lead_mm))
            )
            high, typical, low = (kerma / bare for kerma in behind)
            rows.append({"source": source, "through_low": low, "through": typical, "through_high": high})
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        return self.message


def _data() -> dict[str, tuple[float, float, float]]:
    data = load_data_toml("transport.toml")["pouch"]
    return {name: tuple(data[name]) for name in ("lead_mm", "lead_share")}


def _figures(lead_mm: tuple[float, float, float]) -> str:
    low, typical, high = (f"{float(f'{wall:.2g}'):g}" for wall in lead_mm)
    return f"{typical} mm of lead ({low} to {high})"


def pouch_unknown() -> PouchEstimate:
    """A pouch of which nothing is known: 0.25 mm of lead, half to twice as much (common practice, no source).

    Returns
    -------
    PouchEstimate

    Examples
    --------
    >>> pouch_unknown().lead_mm
    (0.125, 0.25, 0.5)
    """
    lead = _data()["lead_mm"]
    return PouchEstimate(
        lead_mm=lead,
        how="unknown",
        message=f"A pouch of which nothing is known: {_figures(lead)}, common practice, no source.",
    )


def pouch_from_scale(mass_g: float, area_cm2: float, *, mass_error_g: float = 1.0) -> PouchEstimate:
    """Lead of a pouch from its mass and the area of all its walls.

    wall = share mass / (area density of lead)

    with the share of the mass that is lead 0.8 (0.5 to 0.95, an inference). Errors of share, scale and ruler combine in
    quadrature of logarithms.

    Parameters
    ----------
    mass_g
        Mass of the empty pouch [g; above 0].
    area_cm2
        Area of *all* its walls together, front and back [cm2; above 0].
    mass_error_g
        Standard error of the scale [g; at least 0].

    Returns
    -------
    PouchEstimate

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> found = pouch_from_scale(170.0, 480.0)  # 0.35 g/cm2
    >>> round(found.lead_mm[1], 3)
    0.25
    """
    mass = check_number("mass_g", mass_g, low=0.0, low_open=True, high=1e5, unit="g")
    area = check_number("area_cm2", area_cm2, low=0.0, low_open=True, high=1e6, unit="cm2")
    error = check_number("mass_error_g", mass_error_g, low=0.0, high=mass, unit="g")
    share = _data()["lead_share"]
    per_area = mass / area
    solid = 10.0 * per_area / get_material("lead").density_g_cm3
    if solid > TRIED_MM[1]:
        action = "Is it the area of all its walls in square centimetres, and the mass in grams?"
        raise ArgumentError("mass_g", mass_g, f"at most {TRIED_MM[1]:g} mm of lead, here {solid:.3g}", action)
    ruler = load_data_toml("transport.toml")["pouch"]["area_error"]
    measured = SCORE_95 * math.hypot(error / mass, ruler)
    down, up = (math.hypot(math.log(end / share[1]), measured) for end in (share[0], share[2]))
    typical = share[1] * solid
    lead = (typical * math.exp(-down), typical, typical * math.exp(up))
    return PouchEstimate(
        lead_mm=lead,
        how="scale",
        message=(
            f"{per_area:.2g} g/cm2 of wall: {_figures(lead)}. Of the mass {100 * share[1]:.0f} % count as lead "
            f"({100 * share[0]:.0f} to {100 * share[2]:.0f} %, an inference), the rest as polymer and cloth."
        ),
    )


def pouch_from_rolls(
    film: Film,
    inside: FogReading,
    outside: FogReading,
    *,
    source: str = "cabin-ct",
    format: FilmFormat = "35mm",
    priors: Priors | None = None,
    samples: int = 2048,
    rng: Random = 0,
) -> PouchEstimate:
    """Lead of a pouch from two rolls of one journey, one in it and one beside it, developed alike.

    p(wall | readings) ~ sum over draws of p(inside | wall, draw),  ln T(wall) from bag to emulsion in every draw

    The dose need not be known, nor kappa: the fog outside tells it for the inside. Hardness of the beam, scatter, the
    film's answer below 60 keV, its toe and b are drawn, and each wall of 0.02 to 2 mm is as likely by its logarithm.

    Parameters
    ----------
    film
        Of both rolls.
    inside, outside
        Fog of the roll in the pouch and of the one beside it.
    source
        What they went through.
    format
        "35mm", "120" or "sheet".
    priors, samples, rng
        As of :func:`filmdose.odds.draw_stops`.

    Returns
    -------
    PouchEstimate

    Raises
    ------
    ArgumentError
        No fog on the roll outside, or readings of different records.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> rolls = [FogReading(base_plus_fog=read, control=0.30, error=0.01) for read in (0.35, 0.50)]
    >>> found = pouch_from_rolls(generic_film(400), *rolls)
    >>> found.lead_mm[0] < 0.35 < found.lead_mm[2]
    True
    """
    _, record = read_record(film, outside)
    if read_record(film, inside)[1] is not record:
        raise ArgumentError("record", inside.record, "the record of both readings", "Read both in the same light.")
    (in_fog, in_error, _), (out_fog, out_error, _) = (measured_fog(film, reading) for reading in (inside, outside))
    sign = -1.0 if record.positive else 1.0
    in_fog, out_fog = sign * in_fog, sign * out_fog
    greatest = float(record.maximum_density() - record.minimum_density())
    if not 2.0 * out_error < out_fog < greatest:
        raise ArgumentError(
            "outside",
            round(out_fog, 3),
            f"a fog above {2.0 * out_error:.3f}, twice its error, and below {greatest:.2f} [density]",
            "Without fog outside nothing can be told of the pouch: a cabin X-ray gives too little.",
        )
    most = out_fog + 3.0 * math.hypot(in_error, out_error)
    if in_fog > most:
        action = f"It has {in_fog:.3f}, the roll outside {out_fog:.3f}: are the two swapped?"
        raise ArgumentError("inside", round(in_fog, 3), f"a fog of at most {most:.3f} [density]", action)
    known = (default_priors() if priors is None else priors).replaced(
        {"shield_thickness": Prior.known(1.0, kind="log_normal")}
    )
    walls = np.geomspace(*TRIED_MM, _WALLS)
    passes = [
        Pass(source=source),
        *(Pass(source=source, shield=Shield(material="lead", thickness_mm=w)) for w in walls),
    ]
    rolls = [
        Roll(id=f"roll {n}", film=film, history=History(passes=(part,), format=format)) for n, part in enumerate(passes)
    ]
    model = trip_model(rolls, known)
    generator = random_generator(rng)
    scores = normal_points(len(model.inputs), check_count("samples", samples, low=64, high=2**20), generator)
    draws = model.draws(scores)
    count = len(scores)
    errors = generator.standard_normal((3, count))
    # Both readings share their control: what is wrong with it is wrong with both.
    common = outside.control is not None and outside.control == inside.control
    shared = errors[0] * (outside.error if common else 0.0)
    own_out = outside.error if common else out_error
    own_in = inside.error if common else in_error
    curves = _fog_curves(rolls[0], record, draws)
    at = _inverse(curves, out_fog + shared + own_out * errors[1])
    placement = load_data_toml("transport.toml")["pouch"]["placement_error"] * errors[2]
    through = draws.log_hits[:, 1:] - draws.log_hits[:, :1]
    predicted = _forward(curves, at[:, None] + through + placement[:, None])
    misfit = (in_fog + shared[:, None] - predicted) / own_in
    likely = np.exp(-0.5 * misfit**2).sum(axis=0)
    lead = _points(walls, likely)
    weak = lead[2] / lead[0] > 12.0
    return PouchEstimate(
        lead_mm=lead,
        how="rolls",
        message=(
            f"Fog {in_fog:.3f} in the pouch and {out_fog:.3f} beside it after {get_source(source).title}: "
            f"{_figures(lead)}."
            + (" The readings are too uncertain to tell much: more fog or less error would." if weak else "")
        ),
    )


def _fog_curves(roll: Roll, record: object, draws: Draws) -> FloatArray:
    """Fog at every node of ``_LOG_HITS`` in every draw, (draws, nodes)."""
    columns = []
    for log_hits in _LOG_HITS:
        level = replace(draws, log_hits=np.full_like(draws.log_hits, log_hits))
        columns.append(np.abs(fog_of(record, roll, 0, level, "mean")))  # type: ignore[arg-type]
    return np.transpose(columns)


def _inverse(curves: FloatArray, fog: FloatArray) -> FloatArray:
    """ln of the hits that give a fog, draw by draw; the nearest end where none does."""
    return np.array([np.interp(value, curve, _LOG_HITS) for value, curve in zip(fog, curves, strict=True)])


def _forward(curves: FloatArray, log_hits: FloatArray) -> FloatArray:
    """Fog at ln of hits, (draws, walls)."""
    step = _LOG_HITS[1] - _LOG_HITS[0]
    place = np.clip((log_hits - _LOG_HITS[0]) / step, 0.0, len(_LOG_HITS) - 1.000001)
    left = place.astype(np.intp)
    rows = np.arange(len(curves))[:, None]
    t = place - left
    return np.asarray((1.0 - t) * curves[rows, left] + t * curves[rows, left + 1])


def _points(walls: FloatArray, likely: FloatArray) -> tuple[float, float, float]:
    """5, 50 and 95 % points of a distribution that is given at even logarithms."""
    logs = np.log(walls)
    between = 0.5 * (likely[1:] + likely[:-1])
    below = np.concatenate([[0.0], np.cumsum(between)]) / between.sum()
    low, middle, high = (float(np.exp(np.interp(p, below, logs))) for p in (0.05, 0.5, 0.95))
    return low, middle, high


hold_to_annotations(globals())
