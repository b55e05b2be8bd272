"""Dose of a pass from its physics: tube, filtration, slit, belt and distance."""

from __future__ import annotations

import math

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count, check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.names import BeamOn
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.sources import Source, beam_on_share
from filmdose.radiation.spectra import kerma_per_mas_ugy, spectrum_of

__all__ = ["dwell_multiplier", "held_passes", "pass_kerma_ugy"]


def pass_kerma_ugy(
    *,
    tube_current_ma: float,
    slit_mm: float,
    belt_speed_m_s: float,
    distance_m: float,
    beam: Beam = REFERENCE_BEAM,
    views: int = 1,
) -> float:
    """Air kerma of one pass over a fan beam [uGy].

    K = views k(kVp, filtration) I (slit / belt speed) / distance**2, with k the kerma per mAs at 1 m

    Parameters
    ----------
    tube_current_ma
        Tube current I [mA; above 0].
    slit_mm
        Width of the fan beam at the bag, along the belt [mm; above 0].
    belt_speed_m_s
        Belt speed [m/s; above 0].
    distance_m
        Distance from focus to film [m; above 0].
    beam
        Tube voltage and filtration.
    views
        How many such beams the bag crosses [at least 1].

    Returns
    -------
    float
        Air kerma [uGy].

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    A bag that shades the film lowers it; scatter inside the bag raises it. Neither is counted.

    References
    ----------
    spekpy

    Examples
    --------
    >>> kerma = pass_kerma_ugy(tube_current_ma=0.7, slit_mm=3.0, belt_speed_m_s=0.2, distance_m=1.0)
    >>> round(kerma, 1)  # 15 ms in the beam
    1.9
    """
    if beam.tube_kvp is None:
        raise ArgumentError("beam", str(beam), "the beam of a tube, such as '140kVp, al=3'")
    current = check_number("tube_current_ma", tube_current_ma, low=0.0, low_open=True, unit="mA")
    slit = check_number("slit_mm", slit_mm, low=0.0, low_open=True, unit="mm")
    speed = check_number("belt_speed_m_s", belt_speed_m_s, low=0.0, low_open=True, unit="m/s")
    charge_mas = current * slit / 1000.0 / speed
    return check_count("views", views, low=1) * charge_mas * kerma_per_mas_ugy(spectrum_of(beam), distance_m)


def dwell_multiplier(dwell_s: float, normal_dwell_s: float) -> float:
    """Dose over that of a normal pass, for a belt that stops with the beam on: dwell over normal dwell.

    Parameters
    ----------
    dwell_s
        Time the film was in the beam [s; at least the normal dwell].
    normal_dwell_s
        Time in the beam of a normal pass [s; above 0].

    Returns
    -------
    float
        At least 1.

    Raises
    ------
    ArgumentError
        A dwell below the normal: a stopped belt never shortens it.

    Examples
    --------
    >>> dwell_multiplier(30.0, 0.015)
    2000.0
    """
    normal = check_number("normal_dwell_s", normal_dwell_s, low=0.0, low_open=True, unit="s")
    action = "A belt that stops only adds time; check which is which."
    return check_number("dwell_s", dwell_s, low=normal, unit="s", action=action) / normal


def held_passes(source: Source, held_s: float, beam_on: BeamOn = "unknown") -> tuple[float, float, float]:
    """Dose of a stop under the beam in doses of a normal pass: low, typical and high [1].

    n = share held / t,  t = beam width / belt speed

    so that a pass with a stop gives ``1 + n`` = :func:`dwell_multiplier` (share held + t, t) times the dose, in a
    stripe as wide as the beam.  The ends combine those of share, width and speed as independent, in quadrature of
    logarithms.

    Parameters
    ----------
    source
        A source with belt and beam.
    held_s
        How long the bag stood in the machine [s; at least 0].
    beam_on
        "running", "pulsed" or "unknown": what the tube did meanwhile.

    Returns
    -------
    tuple of float
        Low, typical and high [1].

    Raises
    ------
    ArgumentError, UnknownNameError
        The source has no belt, a negative time, another word.

    Examples
    --------
    >>> from filmdose.radiation.sources import get_source
    >>> low, typical, high = held_passes(get_source("cabin-xray"), 300.0, "running")
    >>> round(typical)  # 300 s over 15 ms
    20000
    """
    if source.belt_speed_m_s is None or source.beam_width_mm is None:
        action = "Give the multiplier of that pass, or its kerma."
        raise ArgumentError("held", held_s, f"no time for {source.name}: its belt and beam are not known", action)
    shares = beam_on_share()
    if beam_on not in shares:
        raise UnknownNameError("beam_on", beam_on, tuple(shares))
    held = check_number("held", held_s, low=0.0, high=1e6, unit="s")
    share, speed, width = shares[beam_on], source.belt_speed_m_s, source.beam_width_mm
    dwell = width[1] / 1000.0 / speed[1]
    typical = dwell_multiplier(share[1] * held + dwell, dwell) - 1.0
    down = math.hypot(*(math.log(a / b) for a, b in ((share[1], share[0]), (speed[1], speed[0]), (width[2], width[1]))))
    up = math.hypot(*(math.log(a / b) for a, b in ((share[2], share[1]), (speed[2], speed[1]), (width[1], width[0]))))
    return typical * math.exp(-down), typical, typical * math.exp(up)


hold_to_annotations(globals())
