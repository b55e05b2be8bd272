"""A curve that puts the tones of a fogged film back onto those of the clean film, and the noise that it amplifies.

Light made the density D(H, 0) on the clean film and D(H, K) on the fogged one.  The curve leads from the one to the
other by way of the exposure, record by record:

    T(D(H, K)) = D(H, 0),   gain(D) = dT/dD = g(H, 0) / g(H, K)

It is monotone and begins at the unexposed film of both.  Grain of the fogged film is amplified by the gain, which
grows towards the shadows; it is held to a ceiling G.  With H_G the greatest exposure whose gain reaches G, tones below
it follow the straight line

    T(D) = D(H_G, 0) + G (D - D(H_G, K))

and stay short of the clean film's.  Outside the fogged film's densities there is no tone to go back to: what lies
there gets the nearest tone that there is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.emulsion import APERTURE_AREA_UM2, Emulsion
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GAIN_CEILING", "RecordTone", "ToneCurve", "restore_tones", "tone_curve"]

#: Greatest gain by default: grain is doubled at most, which costs the deepest tones one stop of signal-to-noise beside
#: the fogged film; more of it buys separation of tones that lie below their noise (our choice; common practice in
#: pushing film, no source).
GAIN_CEILING = 2.0

#: Steps of log exposure at which the curve is tabulated; between them straight lines are right to 1e-5 density.
_STEP = 0.004

#: A film whose densities span less has no curve to go back along [density].
_LEAST_RANGE = 0.01

#: Doses between which a curve for uneven fog is interpolated.
_LEVELS = 17


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordTone(Result):
    """The tone curve of one record, as a table that rises with density.

    Parameters
    ----------
    fogged, corrected, clean
        Density on the fogged film, what the curve makes of it, and the clean film's density of the same exposure;
        shape (n,), rising. ``corrected`` differs from ``clean`` where the ceiling holds.
    gain
        d corrected / d fogged [1], at most the ceiling.
    noise_fogged, noise_clean
        Standard deviation of density through a 48 um aperture at the same exposure [density].
    limit_density
        Density of the fogged film at which the gain reaches the ceiling; None where it never does.
    """

    fogged: FloatArray
    corrected: FloatArray
    clean: FloatArray
    gain: FloatArray
    noise_fogged: FloatArray
    noise_clean: FloatArray
    limit_density: float | None

    @property
    def noise_corrected(self) -> FloatArray:
        """Standard deviation of the corrected density: gain times that of the fogged film [density]."""
        return self.gain * self.noise_fogged

    @property
    def domain(self) -> tuple[float, float]:
        """Least and greatest density of the fogged film: outside, the curve is clipped."""
        return float(self.fogged[0]), float(self.fogged[-1])

    @overload
    def apply(self, density: Labelled) -> Labelled: ...
    @overload
    def apply(self, density: Numbers) -> FloatArray: ...
    def apply(self, density: Numeric) -> Any:
        """Corrected density for a density of the fogged film; the caller's container."""
        return elementwise(lambda d: np.interp(check_array("density", d), self.fogged, self.corrected), density)

    @overload
    def gain_at(self, density: Labelled) -> Labelled: ...
    @overload
    def gain_at(self, density: Numbers) -> FloatArray: ...
    def gain_at(self, density: Numeric) -> Any:
        """Factor by which noise is amplified at a density of the fogged film [1]; 0 outside, where it is clipped."""

        def kernel(d: FloatArray) -> FloatArray:
            inside = np.interp(check_array("density", d), self.fogged, self.gain)
            low, high = self.domain
            return np.where((d < low) | (d > high), 0.0, inside)

        return elementwise(kernel, density)


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneCurve(Result):
    """Tone curves of all records of a film at one dose.

    Parameters
    ----------
    film, kerma_ugy
        The film, and the effective kerma whose fog is corrected [uGy].
    ceiling
        Greatest gain [1 or more]; infinite when nothing is held back.
    records
        A :class:`RecordTone` for each record.
    """

    film: Film
    kerma_ugy: float
    ceiling: float
    records: Mapping[str, RecordTone] = field(repr=False)

    def record(self, name: str | None = None) -> RecordTone:
        """The curve of a record; the only one, or that of green, without a name."""
        wanted = name or ("green" if "green" in self.records else next(iter(self.records)))
        if wanted not in self.records:
            raise UnknownNameError("record", wanted, self.records)
        return self.records[wanted]

    def apply(self, density: Any, record: str | None = None) -> Any:
        """Corrected density.

        Parameters
        ----------
        density
            Density of the fogged film. Without ``record``: of a film of one record any shape, of colour film a last
            axis of red, green and blue.
        record
            Name of the record that ``density`` is of.
        """
        if record is not None or len(self.records) == 1:
            return self.record(record).apply(density)
        values = np.asarray(density, dtype=np.float64)
        if values.ndim == 0 or values.shape[-1] != len(self.records):
            raise ArgumentError(
                "density", values.shape, f"a last axis of {len(self.records)} records", "Or name the record."
            )
        return np.stack([tone.apply(values[..., k]) for k, tone in enumerate(self.records.values())], axis=-1)

    @property
    def limited(self) -> dict[str, dict[str, float]]:
        """Records that the ceiling holds back: up to which density, and what unexposed film keeps above the clean."""
        found = {}
        for name, tone in self.records.items():
            if tone.limit_density is not None:
                end = -1 if self.film.reversal else 0
                short = float(tone.corrected[end] - tone.clean[end])
                found[name] = {"fogged_density": tone.limit_density, "left_density": short}
        return found

    @property
    def sentence(self) -> str:
        """What the curve does and does not, in words."""
        first, last = (max(float(tone.gain[k]) for tone in self.records.values()) for k in (0, -1))
        most = max(first, last)
        words = f"It amplifies grain by up to {most:.2f}, most in the shadows."
        if not self.limited:
            return f"The curve brings back every tone of the clean film. {words}"
        left = max(abs(one["left_density"]) for one in self.limited.values())
        if left < 0.005:
            return f"{words[:-1]}, where the ceiling of {self.ceiling:g} holds it; that costs less than 0.005 density."
        side = "thinner" if self.film.reversal else "denser"
        return (
            f"{words[:-1]}, where the ceiling of {self.ceiling:g} holds it: the deepest tones stay up to {left:.2f} "
            f"density {side} than on the clean film."
        )

    def to_dataframe(self) -> pd.DataFrame:
        """One row a record and density: fogged, corrected and clean density, gain, noise, and where it is limited."""
        import pandas as pd

        parts = [
            pd.DataFrame(
                {
                    "record": name,
                    "fogged_density": tone.fogged,
                    "corrected_density": tone.corrected,
                    "clean_density": tone.clean,
                    "gain": tone.gain,
                    "noise_fogged": tone.noise_fogged,
                    "noise_corrected": tone.noise_corrected,
                    "noise_clean": tone.noise_clean,
                    "limited": np.abs(tone.corrected - tone.clean) > 1e-9,
                }
            )
            for name, tone in self.records.items()
        ]
        return pd.concat(parts, ignore_index=True)

    def to_dict(self) -> dict[str, Any]:
        """What it says, as plain values; the table is :meth:`to_dataframe`."""
        return {
            "kerma_ugy": self.kerma_ugy,
            "ceiling": None if math.isinf(self.ceiling) else self.ceiling,
            "domain": {name: list(tone.domain) for name, tone in self.records.items()},
            "greatest_gain": {name: float(tone.gain.max()) for name, tone in self.records.items()},
            "limited": self.limited,
        }

    def __repr__(self) -> str:
        gains = ", ".join(f"{name} {tone.gain.max():.2f}" for name, tone in self.records.items())
        return f"ToneCurve({self.film.label}, {self.kerma_ugy:g} uGy, ceiling {self.ceiling:g}, greatest gain {gains})"


def tone_curve(film: Film | float, kerma_ugy: float, *, ceiling: float | None = GAIN_CEILING) -> ToneCurve:
    """Curve from densities of the fogged film to those of the clean one, T(D(H, K)) = D(H, 0).

    Parameters
    ----------
    film
        A :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Effective kerma [uGy; >= 0].
    ceiling
        Greatest gain, the factor on the noise of density [1 to 1000]; None to hold nothing back.

    Returns
    -------
    ToneCurve

    Raises
    ------
    ArgumentError
        A value out of range, or a dose that leaves no tones.

    Notes
    -----
    Fast grains, which radiation strikes most, make the shadows: the gain exp(m_j), averaged over the grains that an
    exposure turns, never rises with exposure.  So all that is limited lies on the shadows' side of one point.
    Sharpness, grain as a pattern, and the colour that one record lends another are not in the curve.

    Examples
    --------
    >>> curve = tone_curve(400, 200.0, ceiling=None)
    >>> record = curve.film.records[0]
    >>> abs(curve.apply(record.density(-2.0, 200.0)) - record.density(-2.0)) < 1e-5
    True
    """
    film = film if isinstance(film, Film) else generic_film(film)
    kerma = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    most = math.inf if ceiling is None else check_number("ceiling", ceiling, low=1.0, high=1000.0)
    records = {name: _record_tone(record, kerma, most) for name, record in film}
    return ToneCurve(film=film, kerma_ugy=kerma, ceiling=most, records=records)


def _record_tone(record: Emulsion, kerma: float, ceiling: float) -> RecordTone:
    low, high = record.curve().log_exposure_range
    x = np.arange(low, high + _STEP, _STEP)
    clean, fogged = np.asarray(record.density(x)), np.asarray(record.density(x, kerma))
    slope_clean, slope_fogged = (np.abs(np.asarray(record.gradient(x, k))) for k in (0.0, kerma))
    if not np.ptp(fogged) > _LEAST_RANGE:
        action = "Nothing can be brought back: the film has no tones left."
        raise ArgumentError("kerma_ugy", kerma, f"a dose that leaves {_LEAST_RANGE} density of tones", action)
    # where light turns no grain any more the quotient is that of the last exposure that turns one
    alive = slope_fogged > 1e-9 * slope_fogged.max()
    first, last = np.flatnonzero(alive)[[0, -1]]
    used = slice(int(first), int(last) + 1)
    x, clean, fogged = x[used], clean[used], fogged[used]
    gain = slope_clean[used] / slope_fogged[used]
    over = np.flatnonzero(gain > ceiling)
    corrected, limit = clean, None
    if over.size:
        at = min(int(over[-1]) + 1, x.size - 1)
        limit = float(fogged[at])
        corrected = np.where(np.arange(x.size) < at, clean[at] + ceiling * (fogged - fogged[at]), clean)
        gain = np.minimum(gain, ceiling)
    columns = {"fogged": fogged, "corrected": corrected, "clean": clean, "gain": gain}
    for name, k in (("noise_fogged", kerma), ("noise_clean", 0.0)):
        columns[name] = np.asarray(record.noise(x, k, aperture_area_um2=APERTURE_AREA_UM2))
    order = np.argsort(fogged, kind="stable")
    columns = {name: column[order] for name, column in columns.items()}
    step = np.concatenate([[True], np.diff(np.maximum.accumulate(columns["fogged"])) > 1e-9])
    return RecordTone(limit_density=limit, **{name: column[step] for name, column in columns.items()})


def restore_tones(
    film: Film | float,
    density: Any,
    kerma_ugy: Any,
    *,
    record: str | None = None,
    ceiling: float | None = GAIN_CEILING,
) -> FloatArray:
    """Corrected density where the dose is not the same everywhere.

    The curves of doses between the least and the greatest are tabulated, at equal steps of fog, and interpolated in
    the dose. Where the dose is 0 the density stays as it is, noise beyond the film's densities included.

    Parameters
    ----------
    film
        A film, or a speed [ISO].
    density
        Density of the fogged film; of colour film with a last axis of red, green and blue, unless ``record`` says
        which record it is of.
    kerma_ugy
        Effective kerma of every place [uGy; >= 0]; shape of ``density``, without its last axis where that counts
        records.
    record, ceiling
        As in :func:`tone_curve`.

    Returns
    -------
    ndarray
        Densities of the clean film, same shape.

    Raises
    ------
    ArgumentError
        Shapes that do not fit, or a value out of range.

    Examples
    --------
    >>> restore_tones(400, [0.6], [0.0]).tolist()
    [0.6]
    """
    film = film if isinstance(film, Film) else generic_film(film)
    values = check_array("density", density, unit="density")
    kerma = check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy", nan_allowed=False)
    if values.shape[: kerma.ndim] != kerma.shape:
        raise ArgumentError("kerma_ugy", kerma.shape, f"the shape of the densities, {values.shape}")
    levels = _levels(film, float(kerma.min()), float(kerma.max()))
    curves = [tone_curve(film, k, ceiling=ceiling) for k in levels]
    if len(curves) == 1:
        return np.asarray(curves[0].apply(values, record))
    place = np.interp(kerma, levels, np.arange(levels.size, dtype=np.float64))
    below = np.clip(place.astype(np.intp), 0, levels.size - 2)
    result = np.empty(values.shape)
    for k in np.unique(below):
        here = below == k
        part = (place - below)[here]
        share = part[:, None] if values.ndim > kerma.ndim else part
        low, high = (np.asarray(curves[j].apply(values[here], record)) for j in (k, k + 1))
        result[here] = (1.0 - share) * low + share * high
    unfogged = kerma == 0.0
    result[unfogged] = values[unfogged]
    return result


def _levels(film: Film, least: float, greatest: float) -> FloatArray:
    """Doses from the least to the greatest at equal steps of fog of the middle record."""
    if greatest - least <= 1e-9 * greatest:
        return np.array([least])
    record = film.records[len(film.records) // 2]
    fine = np.linspace(least, greatest, 401)
    fog: FloatArray = np.abs(np.asarray(record.fog_density(fine)))
    return np.unique(np.interp(np.linspace(fog[0], fog[-1], _LEVELS), fog, fine))


hold_to_annotations(globals())
