"""Plots as functions: each draws on the given Axes, or on those of a new figure, and returns them.

They never show a window and never change Matplotlib's settings; the house style
(data/filmdose.mplstyle) holds while a plot is drawn and nowhere else.  Lines
differ in lightness and dash, and are named where they are, so that a plot reads
in grey and to colour-blind eyes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.plotting.compare import plot_compare
    from filmdose.plotting.compensation import plot_ei_isolines, plot_loss, plot_stops
    from filmdose.plotting.curves import plot_characteristic_curves, plot_signal_to_noise
    from filmdose.plotting.fit import plot_fit, plot_fit_residuals
    from filmdose.plotting.panel import WhatIfView, what_if_panel
    from filmdose.plotting.printing import plot_noise_gain, plot_tone_curve
    from filmdose.plotting.radiation import plot_film_response, plot_shares, plot_spectra, plot_transmission
    from filmdose.plotting.scan import plot_bands, plot_boxes, plot_grain_spectrum
    from filmdose.plotting.sensitivity import plot_sobol, plot_tornado
    from filmdose.plotting.style import house_style, in_house_style

__all__ = [
    "WhatIfView",
    "house_style",
    "in_house_style",
    "plot_bands",
    "plot_boxes",
    "plot_characteristic_curves",
    "plot_compare",
    "plot_ei_isolines",
    "plot_film_response",
    "plot_fit",
    "plot_fit_residuals",
    "plot_grain_spectrum",
    "plot_loss",
    "plot_noise_gain",
    "plot_shares",
    "plot_signal_to_noise",
    "plot_sobol",
    "plot_spectra",
    "plot_stops",
    "plot_tone_curve",
    "plot_tornado",
    "plot_transmission",
    "what_if_panel",
]

_HOME = {
    "compare": ("plot_compare",),
    "compensation": ("plot_ei_isolines", "plot_loss", "plot_stops"),
    "curves": ("plot_characteristic_curves", "plot_signal_to_noise"),
    "printing": ("plot_noise_gain", "plot_tone_curve"),
    "radiation": ("plot_film_response", "plot_shares", "plot_spectra", "plot_transmission"),
    "sensitivity": ("plot_sobol", "plot_tornado"),
    "fit": ("plot_fit", "plot_fit_residuals"),
    "panel": ("WhatIfView", "what_if_panel"),
    "scan": ("plot_bands", "plot_boxes", "plot_grain_spectrum"),
    "style": ("house_style", "in_house_style"),
}

__getattr__, __dir__ = lazy_names(__name__, _HOME)
