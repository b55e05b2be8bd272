"""Measuring film with a scanner or a camera: densities, fog, step tablets, grain, and where bands come from.

Data flow: file -> linear scan -> areas -> densities -> reading, step file, grain; density along the film -> cause.
Reading, geometry and statistics are done by libraries of the extra ``scan``; they are imported where they are used.
"""

from filmdose.scan.background import FogBackground, fit_background, level_density
from filmdose.scan.bands import BandResult, FogProfile, explain_bands, join_profiles, profile_from_scan, read_profile
from filmdose.scan.correct import CorrectedScan, correct_density, correct_scan
from filmdose.scan.density import UNMEASURED_FLARE, AreaDensity, Flare, measure_area, measure_flare
from filmdose.scan.fog import FogMeasurement, measure_fog
from filmdose.scan.grain import (
    ClusterFactor,
    GrainMeasurement,
    Transfer,
    cluster_factor,
    grain_beside_film,
    grain_frame,
    measure_grain,
    measure_transfer,
)
from filmdose.scan.image import Box, Scan, parse_box, read_scan
from filmdose.scan.rebate import find_rebate
from filmdose.scan.spiral import Winding, get_winding, winding_names, wound_fog
from filmdose.scan.tablet import TabletReading, find_steps, read_tablet
from filmdose.scan.wedge import WedgeCalibration, calibrate_with_wedge

__all__ = [
    "UNMEASURED_FLARE",
    "AreaDensity",
    "BandResult",
    "Box",
    "ClusterFactor",
    "CorrectedScan",
    "Flare",
    "FogBackground",
    "FogMeasurement",
    "FogProfile",
    "GrainMeasurement",
    "Scan",
    "TabletReading",
    "Transfer",
    "WedgeCalibration",
    "Winding",
    "calibrate_with_wedge",
    "cluster_factor",
    "correct_density",
    "correct_scan",
    "explain_bands",
    "find_rebate",
    "find_steps",
    "fit_background",
    "get_winding",
    "grain_beside_film",
    "grain_frame",
    "join_profiles",
    "level_density",
    "measure_area",
    "measure_flare",
    "measure_fog",
    "measure_grain",
    "measure_transfer",
    "parse_box",
    "profile_from_scan",
    "read_profile",
    "read_scan",
    "read_tablet",
    "winding_names",
    "wound_fog",
]
