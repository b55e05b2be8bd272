"""A roll that is exposed already: what fog takes from it, and what printing and scanning can still do.

No exposure index helps any more.  What fog took is reported by exposure zone; what
remains is to print through the added density, on a paper that fits the shortened
density range, and to set the scan's black point to the new base plus fog.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.film.model import Film
from filmdose.names import Verdict
from filmdose.question import Question
from filmdose.result import Result
from filmdose.solution import FilmSolution, record_solvers, reversal_verdict, shadow_points, verdict_of
from filmdose.solver import reversal_loss
from filmdose.standards import LOG10_2
from filmdose.units import format_speed
from filmdose.words import kept_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ExposedLoss", "exposed_loss", "exposed_worth"]

#: Where the darkest textured tones of a print lie [stops above the shadow point].
TEXTURED_STOPS = 2

#: Fog that nobody sees beside a control [density], and signal-to-noise kept that nobody misses [1].
HARMLESS_FOG, HARMLESS_SNR = 0.02, 0.9

_NO_HELP = (
    "Development cannot undo fog: it develops with the image. A restrainer lowers fog and costs speed by amounts that "
    "nobody has published for this case; more development raises both contrast and fog. Try one unimportant roll first."
)


@dataclass(frozen=True, kw_only=True)
class ExposedLoss(Result):
    """What a scan did to an exposed roll.

    Parameters
    ----------
    fog_density
        Density added where no light fell [density] by record; negative for reversal film.
    zone_rows
        For each record and exposure zone (stops above the shadow point): density clean and fogged, gradient kept [1],
        signal-to-noise kept [1]; by their names in ``zones``, the same as a table.
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
    verdict
        "good", "usable", "poor" or "lost", by the signal-to-noise and contrast kept two stops above the shadow point
        (the darkest tones that a print shows with texture; our choice) of the record that keeps least; of reversal film
        that of a roll exposed as marked (:func:`filmdose.solution.reversal_verdict`).
    shot_ei
        Exposure index that the roll was shot at; the marked speed when it is not known [ISO].
    snr_kept
        Signal-to-noise of the scene's shadow as it was exposed, over that of the clean film at the marked speed [1].
    harmless
        True when nothing that shows was lost: verdict "good", fog below ``HARMLESS_FOG`` and at least
        ``HARMLESS_SNR`` of the shadow's signal-to-noise kept (our choice).
    message
        The answer in one sentence.
    development
        What development can and cannot do, in words.
    """

    fog_density: dict[str, float]
    zone_rows: tuple[Mapping[str, Any], ...] = field(repr=False)
    effective_speed: dict[str, float | None]
    printing_stops: dict[str, float] | None
    density_range: dict[str, float]
    paper_grade: dict[str, float | None]
    scan_black: dict[str, dict[str, float]]
    verdict: Verdict
    shot_ei: float
    snr_kept: float
    harmless: bool
    message: str
    development: str

    @cached_property
    def zones(self) -> pd.DataFrame:
        """One row for each record and exposure zone."""
        import pandas as pd

        return pd.DataFrame(list(self.zone_rows))

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and texts."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "zone_rows"}
        return {**plain, "zones": [dict(row) for row in self.zone_rows]}

    def __str__(self) -> str:
        return f"{self.zones.to_string(index=False, float_format='{:.3f}'.format)}\n{self.development}"

    def _repr_html_(self) -> str:
        import html

        table = self.zones.to_html(index=False, float_format="{:.3f}".format)
        return f"{table}<p>{html.escape(self.development)}</p>"

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each record and zone; a copy of ``zones``."""
        return self.zones.copy()


def exposed_loss(
    film: Film, kerma_ugy: float, question: Question, solution: FilmSolution, shot_ei: float | None = None
) -> ExposedLoss:
    """Loss of a roll that was exposed, before the scans or after them: fog adds to the image all the same.

    Signal-to-noise kept by zone: r_fogged(H 2**s) / r_clean, with ``r = |dD/dlog10 H| / sqrt(sigma_D**2 A)``, s =
    log2(speed / EI it was shot at) and r_clean the smaller of r_clean(H) and r_clean(H 2**s): light that was given in
    time counts, and what the choice of exposure costs a clean film is not put down to fog.
    Extra printing exposure: the density that fog adds at the shadow point (for the same black) or at the
    middle of the scene (for the same middle tone), over log10 2.  Paper grade: whose ISO 6846 range takes the
    density range of the scene in the fogged negative.

    Parameters
    ----------
    film
        The film.
    kerma_ugy
        Effective air kerma of the worst band [uGy; >= 0].
    question
        Its scene range counts here.
    solution
        The film's solution, whose first element is that of the worst band.
    shot_ei
        Exposure index that it was shot at [ISO; above 0]; the marked speed when left out.

    Returns
    -------
    ExposedLoss

    Raises
    ------
    ArgumentError
        A shot index that is not above 0.

    Notes
    -----
    Densities are those of diffuse light; a condenser enlarger sees a greater range and wants a softer grade.
    The scene range is that of the image on the film; flare in the lens makes it smaller than that of the scene.
    Fading of the latent image by heat and age is not in the model.

    References
    ----------
    iso_6846
    """
    span = question.scene_range
    ei = film.speed if shot_ei is None else check_number("shot_ei", shot_ei, low=0.0, low_open=True, high=1e6)
    shift = math.log10(film.speed / ei)
    speeds: dict[str, float | None] = {}
    if not film.reversal:
        needs = {name: float(array[0]) for name, array in solution.stops.items()}
        speeds = {name: None if math.isnan(n) else film.speed / 2.0**n for name, n in needs.items()}
    ranges = {state: _density_range(film, k, span, shift) for state, k in (("clean", 0.0), ("fogged", kerma_ugy))}
    graded = film.kind == "bw-negative"
    verdict, snr_kept, harmless = exposed_worth(film, np.array([kerma_ugy]), shift)
    values: dict[str, Any] = {
        "fog_density": {name: float(record.fog_density(kerma_ugy)) for name, record in film},
        "zone_rows": tuple(_zones(film, kerma_ugy, span, shift)),
        "effective_speed": speeds,
        "printing_stops": None if film.reversal else _printing_stops(film, kerma_ugy, span, shift),
        "density_range": ranges,
        "paper_grade": {state: _grade(value) if graded else None for state, value in ranges.items()},
        "scan_black": {name: _scan_black(record, kerma_ugy) for name, record in film},
        "verdict": str(verdict[0]),
        "shot_ei": float(ei),
        "snr_kept": float(snr_kept[0]),
        "harmless": bool(harmless[0]),
    }
    return ExposedLoss(message=_sentence(film, values), development=_NO_HELP, **values)


def exposed_worth(
    film: Film, kerma_ugy: FloatArray, shift: float
) -> tuple[NDArray[np.str_], FloatArray, NDArray[np.bool_]]:
    """What exposed rolls are worth at some doses: verdict, signal-to-noise of the shadow kept [1], whether harmless.

    Parameters
    ----------
    film
        The film.
    kerma_ugy
        Effective air kerma of the worst band [uGy; >= 0], shape (n,).
    shift
        log10 of the film's speed over the index that it was shot at.

    Returns
    -------
    tuple of arrays
        Verdict, signal-to-noise kept [1] and whether nothing that shows is lost, each of shape (n,).

    Notes
    -----
    As of :class:`ExposedLoss`, each by the record that keeps least.  Reversal film has the verdict of a roll that is
    exposed as marked (:func:`filmdose.solution.reversal_verdict`), with the shadow where this one's lies.

    Examples
    --------
    >>> import numpy as np
    >>> from filmdose.film.generic import generic_film
    >>> verdicts, kept, harmless = exposed_worth(generic_film(400), np.array([0.0, 1000.0]), 0.0)
    >>> verdicts.tolist()
    ['good', 'lost']
    """
    kept: dict[int, FloatArray] = {}
    for stops in (0, TEXTURED_STOPS):
        ratios = []
        for record, shadow in zip(film.records, shadow_points(film), strict=True):
            marked = shadow + stops * LOG10_2
            x = marked + shift
            clean = min(float(record.signal_to_noise(x)), float(record.signal_to_noise(marked)))
            ratios.append(np.asarray(record.signal_to_noise(x, kerma_ugy)) / clean)
        kept[stops] = np.min(ratios, axis=0)
    gradient = np.min(
        [
            np.asarray(record.gradient(x, kerma_ugy)) / float(record.gradient(x))
            for record, x in (
                (record, shadow + TEXTURED_STOPS * LOG10_2 + shift)
                for record, shadow in zip(film.records, shadow_points(film), strict=True)
            )
        ],
        axis=0,
    )
    fog = np.max([np.abs(record.fog_density(kerma_ugy)) for record in film.records], axis=0)
    verdict = _reversal_worth(film, kerma_ugy, kept[0]) if film.reversal else verdict_of(kept[TEXTURED_STOPS], gradient)
    harmless = (verdict == "good") & (fog < HARMLESS_FOG) & (kept[0] >= HARMLESS_SNR)
    return verdict, kept[0], np.asarray(harmless)


def _reversal_worth(film: Film, kerma_ugy: FloatArray, shadow_kept: FloatArray) -> NDArray[np.str_]:
    losses = [reversal_loss(each.rows(), kerma_ugy * each.hits_per_ugy) for each in record_solvers(film)]
    decides = np.argmax([one.maximum_density for one in losses], axis=0)
    return reversal_verdict(losses, decides, shadow_kept)


def _zones(film: Film, kerma_ugy: float, scene_range: float, shift: float) -> Iterator[dict[str, Any]]:
    stops = np.arange(-1, math.floor(scene_range / LOG10_2) + 1)
    for (name, record), shadow in zip(film, shadow_points(film), strict=True):
        # the shadow point of reversal film is at its dark end as well, so zones count to more exposure in every kind
        marked = shadow + stops * LOG10_2
        x = marked + shift
        clean = np.minimum(record.signal_to_noise(x), record.signal_to_noise(marked))
        columns = {
            "stops_above_shadow": stops,
            "density_clean": record.density(x),
            "density_fogged": record.density(x, kerma_ugy),
            "gradient_kept": record.gradient(x, kerma_ugy) / record.gradient(x),
            "snr_kept": record.signal_to_noise(x, kerma_ugy) / clean,
        }
        for row in zip(*(values.tolist() for values in columns.values()), strict=True):
            yield {"record": name, **dict(zip(columns, row, strict=True))}


def _scene_densities(film: Film, kerma_ugy: float, place: float) -> list[float]:
    """Density of every record ``place`` log units above its shadow point."""
    points = zip(film.records, shadow_points(film), strict=True)
    return [float(record.density(shadow + place, kerma_ugy)) for record, shadow in points]


def _density_range(film: Film, kerma_ugy: float, scene_range: float, shift: float) -> float:
    shadow, highlight = (_scene_densities(film, kerma_ugy, shift + place) for place in (0.0, scene_range))
    return float(np.mean(np.abs(np.subtract(highlight, shadow))))


def _printing_stops(film: Film, kerma_ugy: float, scene_range: float, shift: float) -> dict[str, float]:
    def added(place: float) -> float:
        fogged, clean = (np.mean(_scene_densities(film, kerma, shift + place)) for kerma in (kerma_ugy, 0.0))
        return float(fogged - clean) / LOG10_2

    return {"same_black": added(0.0), "same_middle": added(0.5 * scene_range)}


def _grade(density_range: float) -> float | None:
    from filmdose.sensitometry import grade_for_density_range

    grade = float(grade_for_density_range(density_range))
    return None if math.isnan(grade) else grade


def _scan_black(record: Any, kerma_ugy: float) -> dict[str, float]:
    read = record.maximum_density if record.positive else record.minimum_density
    clean, fogged = float(read()), float(read(kerma_ugy))
    return {"clean_density": clean, "fogged_density": fogged, "relative_transmittance": 10.0 ** (clean - fogged)}


def _sentence(film: Film, values: dict[str, Any]) -> str:
    kept = kept_text(values["snr_kept"])
    how = "" if values["shot_ei"] == film.speed else f" (shot at EI {format_speed(values['shot_ei'])})"
    if film.reversal:
        lost = abs(min(0.0, *values["fog_density"].values()))
        head = f"This ISO {format_speed(film.speed)} reversal roll{how}"
        if values["harmless"]:
            return f"{head} lost nothing that shows: blacks thinner by {lost:.3f} density."
        return (
            f"{head} is exposed already: its blacks are thinner "
            f"by {lost:.2f} density and its deepest tones keep {kept} of their signal-to-noise."
        )
    fog = max(values["fog_density"].values())
    head = f"This ISO {format_speed(film.speed)} roll{how}"
    if values["harmless"]:
        return (
            f"{head} lost nothing that shows: fog {fog:.3f}, shadows with {kept} of their signal-to-noise. "
            "Print and scan it as usual."
        )
    speed = values["effective_speed"]["shadow_snr"]
    worth = "no usable shadow speed" if speed is None else f"as if it had been ISO {format_speed(speed)}"
    extra = values["printing_stops"]["same_black"]
    grades = values["paper_grade"]
    paper = "" if grades["fogged"] is None else f" on grade {grades['fogged']:.0f} (clean: {_name(grades['clean'])})"
    return (
        f"{head} is exposed already and cannot be compensated any more: "
        f"fog {fog:.2f}, shadows with {kept} of the signal-to-noise of a clean roll, {worth}. "
        f"Print with {extra:.1f} stops more exposure{paper}."
    )


def _name(grade: float | None) -> str:
    return "none fits" if grade is None else f"{grade:.0f}"


hold_to_annotations(globals())
