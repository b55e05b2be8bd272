"""Beams, shields, the film's response to radiation, and where the dose comes from."""

from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.broad_beam import archer_transmission, broad_beam_transmission
from filmdose.radiation.shields import Shield, Transmission, transmission
from filmdose.radiation.sources import Source, get_source, list_sources, source_names

__all__ = [
    "REFERENCE_BEAM",
    "Beam",
    "Shield",
    "Source",
    "Transmission",
    "archer_transmission",
    "broad_beam_transmission",
    "get_source",
    "list_sources",
    "source_names",
    "transmission",
]
