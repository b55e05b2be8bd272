"""The tone curve of a fogged film, and the noise that it amplifies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.plotting.style import DASHES, FOGGED, GUIDE, INK, in_house_style
from filmdose.tonecurve import RecordTone, ToneCurve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_noise_gain", "plot_tone_curve"]


@in_house_style
def plot_tone_curve(curve: ToneCurve, *, record: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw density of the fogged film against density after the tone curve.

    Parameters
    ----------
    curve
        The tone curve.
    record
        One record; all of them by default.
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.tonecurve import tone_curve
    >>> ax = plot_tone_curve(tone_curve(400, 100.0))
    >>> ax.get_xlabel()
    'density on the fogged film'
    """
    assert ax is not None
    for (name, tone), dash in zip(_shown(curve, record).items(), DASHES, strict=False):
        own = "" if len(curve.records) == 1 else f", {name}"
        ax.plot(tone.fogged, tone.clean, color=GUIDE, linewidth=0.9, linestyle=dash, label=f"clean film{own}")
        ax.plot(tone.fogged, tone.corrected, color=FOGGED, linestyle=dash, label=f"tone curve{own}")
        if tone.limit_density is not None:
            ax.plot(
                tone.limit_density,
                float(tone.apply(tone.limit_density)),
                color=INK,
                linestyle="none",
                marker="o",
                markersize=4,
                label=f"ceiling holds {'above' if curve.film.reversal else 'below'}{own}",
            )
    ends = [min(t.corrected[0] for t in curve.records.values()), max(t.fogged[-1] for t in curve.records.values())]
    ax.plot(ends, ends, color=INK, linewidth=0.7, linestyle=":", label="no change")
    ax.set_xlabel("density on the fogged film")
    ax.set_ylabel("density after correction")
    ax.legend(loc="upper left", fontsize="small")
    return ax


@in_house_style
def plot_noise_gain(curve: ToneCurve, *, record: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw rms granularity (48 um aperture) of the clean, the fogged and the corrected film against corrected density.

    Parameters
    ----------
    curve
        The tone curve.
    record
        Which record; the only one, or green, by default.
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.tonecurve import tone_curve
    >>> ax = plot_noise_gain(tone_curve(400, 100.0))
    >>> ax.get_ylabel()
    'rms granularity (1000 sigma, 48 µm)'
    """
    assert ax is not None
    tone = curve.record(record)
    ax.plot(tone.clean, 1000.0 * tone.noise_clean, color=INK, label="clean film")
    ax.plot(tone.corrected, 1000.0 * tone.noise_fogged, color=GUIDE, linestyle="--", label="fogged film, same tone")
    ax.plot(tone.corrected, 1000.0 * tone.noise_corrected, color=FOGGED, linestyle="-.", label="after correction")
    at = float(tone.corrected[int(np.argmax(tone.gain))])
    ax.annotate(
        f"gain {tone.gain.max():.2f}",
        (at, 1000.0 * float(tone.noise_corrected[int(np.argmax(tone.gain))])),
        textcoords="offset points",
        xytext=(-6 if curve.film.reversal else 6, 4),
        ha="right" if curve.film.reversal else "left",
        fontsize="small",
    )
    ax.set_ylim(bottom=0.0)
    ax.margins(y=0.15)
    ax.set_xlabel("density after correction")
    ax.set_ylabel("rms granularity (1000 sigma, 48 µm)")
    ax.legend(loc="best", fontsize="small")
    return ax


def _shown(curve: ToneCurve, record: str | None) -> dict[str, RecordTone]:
    return dict(curve.records) if record is None else {record: curve.record(record)}


hold_to_annotations(globals())
