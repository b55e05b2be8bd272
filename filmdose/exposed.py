"""A roll that was exposed before the scan: what is lost, and what printing and scanning can still do.

No exposure index helps any more.  What fog took is reported by exposure zone; what
remains is to print through the added density, on a paper that fits the shortened
density range, and to set the scan's black point to the new base plus fog.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from filmdose.arrays import check_number
from filmdose.compensation import SCENE_RANGE, compensate, shadow_points
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.sensitometry import grade_for_density_range
from filmdose.units import LOG10_2, format_speed

__all__ = ["ExposedLoss", "assess_exposed"]

_NO_HELP = (
    "Development cannot undo fog: it develops with the image. A restrainer lowers fog and costs speed by amounts that "
    "nobody has published for this case; more development raises both contrast and fog. Try one unimportant roll first."
)


@dataclass(frozen=True, kw_only=True)
class ExposedLoss:
    """What a scan did to an exposed roll.

    Parameters
    ----------
    film
        The film it is about.
    kerma_ugy, peak_to_mean
        Mean effective kerma [uGy] and fog of the worst band over the mean [1]; the figures are of the worst band.
    scene_range
        Scene, from shadow point to highlight [log10 units].
    fog_density
        Density added where no light fell [density] by record; negative for reversal film.
    zones
        One row for each record and exposure zone (stops above the shadow point): density clean and fogged,
        gradient kept [1], signal-to-noise kept [1].
    effective_speed
        Speed that the roll turns out to have had, by criterion [ISO]; None where the fogged film has none; empty
        for reversal film.
    printing_stops
        Extra printing exposure of a negative [stops]: for the same black in the shadow point, and for the same
        middle tone; None for reversal film, which is not printed through a negative.
    density_range
        Density range of the negative over the scene, clean and fogged.
    paper_grade
        Grade whose ISO 6846 range takes that density range, clean and fogged; None where no grade does or the film
        is not a black-and-white negative.
    scan_black
        By record: base plus fog, clean and fogged [density], and the transmittance that becomes the black point (the
        white point of a reversal scan keeps its place) relative to that of the clean film [1].
    message
        The answer in one sentence.
    development
        What development can and cannot do, in words.
    """

    film: Film
    kerma_ugy: float
    peak_to_mean: float
    scene_range: float
    fog_density: dict[str, float]
    zones: pd.DataFrame
    effective_speed: dict[str, float | None]
    printing_stops: dict[str, float] | None
    density_range: dict[str, float]
    paper_grade: dict[str, float | None]
    scan_black: dict[str, dict[str, float]]
    message: str
    development: str

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and texts."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name not in ("film", "zones")}
        return {
            "kind": self.film.kind,
            "speed": self.film.speed,
            "status": "already_exposed",
            **plain,
            "zones": self.zones.to_dict(orient="records"),
        }

    def __str__(self) -> str:
        return f"{self.message}\n{self.zones.to_string(index=False, float_format='{:.3f}'.format)}\n{self.development}"

    def _repr_html_(self) -> str:
        import html

        table = self.zones.to_html(index=False, float_format="{:.3f}".format)
        return f"<p><b>{html.escape(self.message)}</b></p>{table}<p>{html.escape(self.development)}</p>"


def assess_exposed(
    film: Film | float,
    kerma_ugy: float,
    *,
    scene_range: float = SCENE_RANGE,
    peak_to_mean: float = 1.0,
) -> ExposedLoss:
    """Loss of a roll that was exposed at its marked speed and then scanned.

    Signal-to-noise kept by zone: r_fogged(H) / r_clean(H) with r = |dD/dlog10 H| / sqrt(sigma_D**2 A).
    Extra printing exposure: the density that fog adds at the shadow point (for the same black) or at the
    middle of the scene (for the same middle tone), over log10 2.  Paper grade: whose ISO 6846 range takes the
    density range of the scene in the fogged negative.

    Parameters
    ----------
    film
        A :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Mean effective air kerma at the film [uGy; >= 0].
    scene_range
        From shadow point to highlight [log10 units; 0.3 to 4].
    peak_to_mean
        Fog under the worst band over the mean [1; >= 1].

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    Densities are those of diffuse light; a condenser enlarger sees a greater range and wants a softer grade.
    The scene range is that of the image on the film; flare in the lens makes it smaller than that of the scene.
    Fading of the latent image by heat and age is not in the model.

    Examples
    --------
    >>> loss = assess_exposed(400, 100.0)
    >>> loss.effective_speed["fixed_density"] < 400
    True

    References
    ----------
    iso_6846
    """
    if not isinstance(film, Film):
        film = generic_film(film)
    span = check_number("scene_range", scene_range, low=0.3, high=4.0, unit="log10 units")
    answer = compensate(film, kerma_ugy, scene_range=span, peak_to_mean=peak_to_mean)
    kerma = answer.kerma_ugy * answer.peak_to_mean
    zones = _zones(film, kerma, span)
    speeds: dict[str, float | None] = {}
    if not film.reversal:
        speeds = {name: None if n is None else film.speed / 2.0**n for name, n in answer.stops.items()}
    ranges = {state: _density_range(film, k, span) for state, k in (("clean", 0.0), ("fogged", kerma))}
    graded = film.kind == "bw-negative"
    grades = {state: _grade(value) if graded else None for state, value in ranges.items()}
    printing = None if film.reversal else _printing_stops(film, kerma, span)
    values: dict[str, Any] = {
        "film": film,
        "kerma_ugy": answer.kerma_ugy,
        "peak_to_mean": answer.peak_to_mean,
        "scene_range": span,
        "fog_density": {name: float(record.fog_density(kerma)) for name, record in film},
        "zones": zones,
        "effective_speed": speeds,
        "printing_stops": printing,
        "density_range": ranges,
        "paper_grade": grades,
        "scan_black": {name: _scan_black(record, kerma) for name, record in film},
    }
    return ExposedLoss(message=_sentence(values, answer.snr_kept), development=_NO_HELP, **values)


def _zones(film: Film, kerma_ugy: float, scene_range: float) -> pd.DataFrame:
    stops = np.arange(-1, math.floor(scene_range / LOG10_2) + 1)
    parts = []
    for (name, record), shadow in zip(film, shadow_points(film), strict=True):
        # the shadow point of reversal film is at its dark end as well, so zones count to more exposure in every kind
        x = shadow + stops * LOG10_2
        parts.append(
            pd.DataFrame(
                {
                    "record": name,
                    "stops_above_shadow": stops,
                    "density_clean": record.density(x),
                    "density_fogged": record.density(x, kerma_ugy),
                    "gradient_kept": record.gradient(x, kerma_ugy) / record.gradient(x),
                    "snr_kept": record.signal_to_noise(x, kerma_ugy) / record.signal_to_noise(x),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _scene_densities(film: Film, kerma_ugy: float, place: float) -> list[float]:
    """Density of every record ``place`` log units above its shadow point."""
    points = zip(film.records, shadow_points(film), strict=True)
    return [float(record.density(shadow + place, kerma_ugy)) for record, shadow in points]


def _density_range(film: Film, kerma_ugy: float, scene_range: float) -> float:
    shadow, highlight = (_scene_densities(film, kerma_ugy, place) for place in (0.0, scene_range))
    return float(np.mean(np.abs(np.subtract(highlight, shadow))))


def _printing_stops(film: Film, kerma_ugy: float, scene_range: float) -> dict[str, float]:
    def added(place: float) -> float:
        fogged, clean = (np.mean(_scene_densities(film, kerma, place)) for kerma in (kerma_ugy, 0.0))
        return float(fogged - clean) / LOG10_2

    return {"same_black": added(0.0), "same_middle": added(0.5 * scene_range)}


def _grade(density_range: float) -> float | None:
    grade = float(grade_for_density_range(density_range))
    return None if math.isnan(grade) else grade


def _scan_black(record: Any, kerma_ugy: float) -> dict[str, float]:
    read = record.maximum_density if record.positive else record.minimum_density
    clean, fogged = float(read()), float(read(kerma_ugy))
    return {"clean_density": clean, "fogged_density": fogged, "relative_transmittance": 10.0 ** (clean - fogged)}


def _sentence(values: dict[str, Any], snr_kept: float) -> str:
    film: Film = values["film"]
    if film.reversal:
        lost = min(values["fog_density"].values())
        return (
            f"This ISO {format_speed(film.speed)} reversal roll was exposed before the scan: its blacks are thinner "
            f"by {-lost:.2f} density and its deepest tones keep {100 * snr_kept:.0f} % of their signal-to-noise."
        )
    fog = max(values["fog_density"].values())
    speed = values["effective_speed"]["shadow_snr"]
    worth = "no usable shadow speed" if speed is None else f"as if it had been ISO {format_speed(speed)}"
    extra = values["printing_stops"]["same_black"]
    grades = values["paper_grade"]
    paper = "" if grades["fogged"] is None else f" on grade {grades['fogged']:.0f} (clean: {_name(grades['clean'])})"
    return (
        f"This ISO {format_speed(film.speed)} roll was exposed before the scan and cannot be compensated: "
        f"fog {fog:.2f}, shadows with {100 * snr_kept:.0f} % of their signal-to-noise, {worth}. "
        f"Print with {extra:.1f} stops more exposure{paper}."
    )


def _name(grade: float | None) -> str:
    return "none fits" if grade is None else f"{grade:.0f}"
