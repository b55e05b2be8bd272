"""What users write, as a type checker sees it: every line is held by mypy --strict, slips that it must find among them.

A line with ``type: ignore[...]`` is a slip; were it not found, the comment would be unused, which is an error too.
"""

from collections.abc import Callable
from typing import Any, Literal, assert_type

import numpy as np
import pandas as pd
import xarray as xr
from matplotlib.axes import Axes
from numpy.typing import NDArray

import filmdose as fd
from filmdose.criteria import Criterion, Tones
from filmdose.film import Curve, MeasuredCurve, StepReadings, fit_curve
from filmdose.names import Kind, Outcome, Status, Verdict
from filmdose.odds import Learned, Prior, RollOdds, SamplePrior, TripOdds, default_priors, save_learned
from filmdose.plotting import in_house_style, plot_stops
from filmdose.radiation import Material, Source, mass_attenuation, register_source
from filmdose.sensitometry import iso6, iso6_speed
from filmdose.units import exposure_index

Floats = NDArray[np.float64]


def containers(series: "pd.Series[float]", frame: pd.DataFrame, labelled: xr.DataArray) -> None:
    """The container that comes in goes out."""
    film = fd.generic_film(400)
    assert_type(fd.given_stops(film, 100.0), float)
    assert_type(fd.given_stops(film, 100), float)
    assert_type(fd.given_stops(film, [1.0, 2.0]), Floats)
    assert_type(fd.given_stops(film, np.array([1, 2])), Floats)
    assert_type(fd.given_stops(film, series), "pd.Series[Any]")
    assert_type(fd.given_stops(film, frame), pd.DataFrame)
    assert_type(fd.given_stops(film, labelled), xr.DataArray)
    record = film.records[0]
    assert_type(record.density(-2.0), float)
    assert_type(record.density([-2.0, -1.0], 100.0), Floats)
    assert_type(record.fog_density(series), "pd.Series[Any]")
    assert_type(record.curve().inverse(0.3), float)
    curve = MeasuredCurve(log_exposures=(-3, -2, -1), densities=(0.2, 0.3, 0.9))
    assert_type(curve.density(labelled), xr.DataArray)
    assert_type(Prior(low=1, typical=2, high=3).value(0.0), float)
    assert_type(mass_attenuation("lead", [60.0, 80.0]), Floats)
    assert_type(iso6_speed(series), "pd.Series[Any]")
    assert_type(exposure_index(400, 1.0), float)
    curve.density("dark")  # type: ignore[arg-type]
    fd.given_stops(film, None)  # type: ignore[call-overload]


def names(kind: Kind) -> None:
    """Names are types, and slips in them are found."""
    fd.generic_film(400, kind=kind)
    fd.generic_film(400, kind="color-negative")  # type: ignore[arg-type]
    fd.Question(criterion="fixed-density")
    fd.Question(criterion="fixed_densty")  # type: ignore[arg-type]
    fd.History(passes=fd.Pass(source="cabin-ct"), format="120")
    fd.History(format="110")  # type: ignore[arg-type]
    fd.Roll(id="a", film=fd.generic_film(400), state="exposed")
    fd.Roll(id="a", film=fd.generic_film(400), state="shot")  # type: ignore[arg-type]
    fd.Roll(id="a", film=400)  # type: ignore[arg-type]
    fd.Pass(source="cabin-ct", at="belt")  # type: ignore[arg-type]
    found = fd.answer(400, 100.0)
    assert_type(found.verdict, Verdict)
    assert_type(found.status, Status)
    assert_type(found.outcome, Outcome)
    if found.verdict == "lots":  # type: ignore[comparison-overlap]
        raise AssertionError
    index: float = found.ei  # type: ignore[assignment]  # there may be none
    assert found.ei is not None
    index = found.ei
    assert index > 0.0


def a_trip() -> None:
    """A trip, its odds and what a roll teaches."""
    rolls = [
        fd.Roll(id=f"{speed:g}", film=fd.generic_film(speed), history=fd.History(passes=[fd.Pass(source="cabin-ct")]))
        for speed in (400.0, 800.0)
    ]
    trip = fd.Trip(rolls=rolls, title="invented")
    odds = fd.propagate(trip, samples=64, rng=np.random.default_rng(1))
    assert_type(odds, TripOdds)
    assert_type(odds["400"], RollOdds)
    assert_type(odds.to_dataframe(), pd.DataFrame)
    assert_type(odds["400"].stops, tuple[float, float, float])
    taught = fd.learn(trip, fd.odds.FogReading(roll="400", base_plus_fog=0.4, control=0.3), samples=1024)
    assert_type(taught, Learned)
    fd.propagate(trip, learned=taught, progress=print)
    save_learned(taught, "learned.json", samples=100)
    fd.propagate(rolls[0])  # type: ignore[arg-type]
    fd.propagate(trip, priors={})  # type: ignore[arg-type]
    fd.propagate(trip, seed=1)  # type: ignore[call-arg]
    grid = fd.answer_grid([400, fd.generic_film(800)], [0.0, 100.0])
    assert_type(grid, xr.Dataset)
    assert_type(fd.make_plan(trip, samples=64).to_dataframe(), pd.DataFrame)
    axes = plot_stops([400, 800])
    assert_type(axes, Axes)


class Line:
    """A curve of one's own."""

    rising = True
    minimum_density = 0.2
    maximum_density = 1.8
    log_exposure_range = (-4.0, 1.0)

    def density(self, log_exposure: Any) -> Any:
        """Density."""
        return 0.2 + 1.6 / (1.0 + np.exp(-2.0 * (np.asarray(log_exposure) + 1.2)))

    def gradient(self, log_exposure: Any) -> Any:
        """Gradient."""
        share = (self.density(log_exposure) - 0.2) / 1.6
        return 3.2 * share * (1.0 - share)

    def inverse(self, density: Any) -> Any:
        """Log exposure."""
        share = (np.asarray(density) - 0.2) / 1.6
        return np.log(share / (1.0 - share)) / 2.0 - 1.2


def enough(fogged: Tones, clean: Tones) -> Floats:
    """Nine tenths of the gradient."""
    return np.asarray(fogged.gradient - 0.9 * clean.gradient[:, :1])


@in_house_style
def plot_own(film: fd.Film, *, ax: Axes | None = None) -> Axes:
    """A plot of one's own."""
    assert ax is not None
    ax.plot([0.0, 1.0], [0.0, film.speed])
    return ax


def ones_own() -> None:
    """Source, shield, curve, criterion, prior and plot of one's own."""
    source = register_source(Source(name="parcels", air_kerma_typical_ugy="0.5 mR", beam="160kVp, al=3"))
    foil = Material(name="foil", density_g_cm3=9.0, mass_fractions=(("W", 0.7), ("Cu", 0.3)))
    part = fd.Pass(source=source, shield=fd.Shield(material=foil, thickness_mm=0.2))
    curve: Curve = Line()
    film = fit_curve(curve).film
    assert_type(iso6(curve).speed, float)
    question = fd.Question(criterion=Criterion("enough", enough))
    priors = default_priors().replaced({"dose:parcels": SamplePrior.of([3.0, 4.0, 6.0])}, hit_exponent=0.8)
    roll = fd.Roll(id="a", film=film, history=fd.History(passes=part))
    fd.propagate([roll], question, priors=priors, samples=64)
    assert_type(plot_own(film), Axes)
    Criterion("enough", 3)  # type: ignore[arg-type]
    fd.answer(curve, 1.0)  # type: ignore[arg-type]
    readings = StepReadings(log_exposure=[-3.0, -2.0], densities={"visual": [0.2, 0.4]})
    assert_type(readings.log_exposure, Floats)


def errors(read: Callable[[str], fd.Trip] = fd.read_trip) -> Literal["gone", "bad", "read"]:
    """Errors are of the package and of Python."""
    try:
        read("trip.toml")
    except FileNotFoundError:
        return "gone"
    except fd.FilmdoseError:
        return "bad"
    return "read"
