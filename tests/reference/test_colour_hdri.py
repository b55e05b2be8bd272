"""Exposure at the film against colour-hdri, run live (dev extra).

The same figures stand recorded in reference/sensitometry.csv and are tested
without that package in test_sensitometry_published.py.
"""

import numpy as np
import pytest

from filmdose.sensitometry import focal_plane_exposure, lens_factor

pytestmark = pytest.mark.outside


def test_lens_factor_and_exposure_agree():
    dsc = pytest.importorskip("colour_hdri.exposure.dsc", reason="dev extra")
    angles = np.array([0.0, 10.0, 25.0, 40.0])
    ours = lens_factor(transmittance=0.85, vignetting=0.9, field_angle_degrees=angles)
    np.testing.assert_allclose(ours, dsc.q_factor(0.85, 0.9, angles), rtol=1e-12)
    for luminance, number, time in ((4000, 8, 1 / 250), (0.3, 1.4, 8.0), (12000, 22, 1 / 1000)):
        theirs = float(dsc.arithmetic_mean_focal_plane_exposure(luminance, number, time))
        assert focal_plane_exposure(luminance, number, time) == pytest.approx(theirs, rel=1e-9)
        assert 10 / focal_plane_exposure(luminance, number, time) == pytest.approx(
            float(dsc.exposure_index_values(theirs)), rel=1e-9
        )
