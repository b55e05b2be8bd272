"""What if: the answer for one roll, fast enough to follow a slider.

Hits add. So the draws of everything that is not known are made once, for one pass
of every source behind every shield on offer, and a history is a weighted sum of
them.  The film itself is taken as it is: its exponent b and its contrast, which
:func:`filmdose.odds.propagate` varies as well, stay at their typical values.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, Compensation, compensate, criterion_name, needed_stops
from filmdose.errors import MissingExtraError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.film.model import KINDS, Film
from filmdose.history import History, HistoryDose, Pass, history_dose
from filmdose.plotting.curves import draw_clean, draw_fogged, meter
from filmdose.plotting.style import FOGGED, GUIDE, INK, house_style, plain
from filmdose.solver import CRITERIA
from filmdose.units import STANDARD_SPEEDS, exposure_index, format_speed, standard_exposure_index
from filmdose.words import CRITERION_WORDS, KIND_WORDS, dose_text, film_words, range_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist

    from filmdose.odds import Priors

__all__ = ["NO_SHIELD", "WHAT_IF_SHIELDS", "WHAT_IF_SOURCES", "WhatIf", "WhatIfModel", "WhatIfView", "what_if_panel"]

WHAT_IF_SOURCES: tuple[str, ...] = ("cabin-xray", "cabin-ct", "hold-ct")
NO_SHIELD = "none"
WHAT_IF_SHIELDS: tuple[str, ...] = (NO_SHIELD, "lead=0.1", "lead=0.25", "lead=0.5")

_POINTS = (0.05, 0.5, 0.95)


@dataclass(frozen=True, kw_only=True)
class WhatIf:
    """One answer.

    Parameters
    ----------
    film
        The film.
    dose
        Dose of the history, with its range.
    compensation
        The answer at the typical dose.
    stops
        Needed compensation, 5, 50 and 95 % points [stops]; infinite beyond rescue; None for reversal film.
    ei_recommended
        Index to set when too little exposure costs more than too much [ISO]; None where there is none.
    chance_beyond_rescue
        Share of the cases in which nothing restores the shadows [1].
    """

    film: Film
    dose: HistoryDose
    compensation: Compensation
    stops: tuple[float, float, float] | None
    ei_recommended: float | None
    chance_beyond_rescue: float

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.stops is None:
            return self.compensation.message
        if self.ei_recommended is None:
            return f"Do not count on this roll: in {100 * self.chance_beyond_rescue:.0f} % of the cases nothing helps."
        middle = self.compensation.ei
        words = "" if middle is None else f"; EI {format_speed(middle)} if every pass was typical"
        return f"Set EI {format_speed(self.ei_recommended)} to be safe{words}."


class WhatIfModel:
    """Draws of one pass of every source behind every shield, ready to be added up.

    Parameters
    ----------
    samples
        Number of draws [64 to 65 536], rounded up to a power of two.
    seed
        Seed of the draws.
    priors
        What is uncertain; the shipped priors when left out.
    sources, shields
        What is on offer; a shield as "lead=0.25", or ``NO_SHIELD``.
    """

    def __init__(
        self,
        *,
        samples: int = 1024,
        seed: int = 0,
        priors: Priors | None = None,
        sources: Sequence[str] = WHAT_IF_SOURCES,
        shields: Sequence[str] = WHAT_IF_SHIELDS,
    ) -> None:
        from scipy.special import ndtri
        from scipy.stats import qmc

        from filmdose.odds import trip_model
        from filmdose.trip import Roll

        self.sources, self.shields = tuple(sources), tuple(shields)
        keys = [(source, shield) for source in self.sources for shield in self.shields]
        film = generic_film(400)
        units = [
            Roll(id=f"{source} {shield}", film=film, peak_to_mean=1.0, history=History(passes=(_one(source, shield),)))
            for source, shield in keys
        ]
        model = trip_model(units, priors)
        count = 2 ** math.ceil(math.log2(check_count("samples", samples, low=64, high=2**16)))
        scores = ndtri(np.clip(qmc.Sobol(len(model.inputs), rng=seed).random(count), 1e-12, 1.0 - 1e-12))
        draws = model.draws(np.asarray(scores))
        # Hits over those of a microgray at the typical calibration: the dose that fogs as much.
        typical = float(model.log_kappa(np.zeros((1, len(model.inputs))))[0])
        self._unit: dict[tuple[str, str], FloatArray] = {
            key: np.exp(draws.log_hits[:, place] - typical) for place, key in enumerate(keys)
        }
        self._count = count

    def answer(
        self,
        *,
        speed: float,
        counts: Mapping[str, int],
        kind: str = "bw-negative",
        shield: str = NO_SHIELD,
        peak_to_mean: float = 1.0,
        criterion: str = DEFAULT_CRITERION,
        scene_range: float = SCENE_RANGE,
    ) -> WhatIf:
        """The answer for a generic film and so many passes of each source.

        Parameters
        ----------
        speed, kind
            As of :func:`filmdose.film.generic.generic_film`.
        counts
            Passes by source.
        shield
            One of the shields on offer, around the film in every pass.
        peak_to_mean
            Fog of the worst band over the mean [1; at least 1].
        criterion, scene_range
            As of :func:`filmdose.compensation.compensate`.

        Raises
        ------
        ArgumentError, UnknownNameError
            A value out of range; a source or a shield that is not on offer.
        """
        if shield not in self.shields:
            raise UnknownNameError("shield", shield, self.shields)
        name = criterion_name(criterion)
        peak = check_number("peak_to_mean", peak_to_mean, low=1.0, high=1000.0)
        passes, kerma = [], np.zeros(self._count)
        for source, number in counts.items():
            if source not in self.sources:
                raise UnknownNameError("source", source, self.sources)
            passes.append(_one(source, shield, check_count(f"passes of {source}", number)))
            kerma += passes[-1].count * self._unit[source, shield]
        film = generic_film(speed, kind=kind)
        dose = history_dose(History(passes=tuple(passes)))
        compensation = compensate(film, dose.kerma_ugy, criterion=name, scene_range=scene_range, peak_to_mean=peak)
        if film.reversal:
            return WhatIf(
                film=film,
                dose=dose,
                compensation=compensation,
                stops=None,
                ei_recommended=compensation.ei,
                chance_beyond_rescue=0.0,
            )
        return self._uncertain(
            film, dose, compensation, needed_stops(film, kerma * peak, criterion=name, emulated=True)
        )

    def _uncertain(self, film: Film, dose: HistoryDose, compensation: Compensation, needed: FloatArray) -> WhatIf:
        from filmdose.odds import decide, weighted_quantile

        lost = float(np.mean(np.isnan(needed)))
        room = compensation.highlight_room_stops
        used = 0.0 if compensation.ei_exact is None else math.log2(film.speed / compensation.ei_exact)
        given = decide(needed, room_stops=math.inf if room is None else room + used).given_stops
        low, middle, high = weighted_quantile(needed, _POINTS)
        return WhatIf(
            film=film,
            dose=dose,
            compensation=compensation,
            stops=(float(low), float(middle), float(high)),
            ei_recommended=None if math.isinf(given) else _index(film.speed, given),
            chance_beyond_rescue=lost,
        )


def _one(source: str, shield: str, count: int = 1) -> Pass:
    return Pass(source=source, count=count, shield=None if shield == NO_SHIELD else shield)


def _index(speed: float, stops: float) -> float:
    return speed if stops == 0.0 else float(standard_exposure_index(speed, stops))


class WhatIfView:
    """Draws answers as images, always on the same figure."""

    def __init__(self, *, dots_per_inch: float = 80.0) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        with house_style():
            figure = Figure(figsize=(9.0, 3.8), dpi=dots_per_inch)
            figure.set_layout_engine("none")
            grid = figure.add_gridspec(1, 2, width_ratios=(2.2, 1.0), left=0.07, right=0.97, bottom=0.15, top=0.9)
            self.curves, self.index = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
        self.canvas = FigureCanvasAgg(figure)
        self._shown: Any = None
        self._background: Any = None

    def png(self, answer: WhatIf) -> bytes:
        """The answer as a PNG; what only the film decides is drawn once, and kept."""
        from PIL import Image

        found = answer.compensation
        shown = answer.film, found.scene_range
        with house_style():
            if self._shown != shown:
                self._draw_film(answer.film, found.scene_range)
                self._shown = shown
            self.canvas.restore_region(self._background)  # type: ignore[no-untyped-call]
            metered = meter(
                answer.film,
                found.kerma_ugy,
                criterion=found.criterion,
                scene_range=found.scene_range,
                peak_to_mean=found.peak_to_mean,
            )
            fogged = found.kerma_ugy * found.peak_to_mean
            for ax, artists in (
                (
                    self.curves,
                    draw_fogged(self.curves, answer.film, fogged, metered, found.scene_range, label="fogged"),
                ),
                (self.index, self._draw_index(answer)),
            ):
                for artist in sorted(artists, key=lambda artist: artist.get_zorder()):
                    ax.draw_artist(artist)
                    artist.remove()
        stream = io.BytesIO()
        width, height = self.canvas.get_width_height()
        drawn = self.canvas.buffer_rgba()  # type: ignore[no-untyped-call]
        pixels = Image.frombuffer("RGBA", (width, height), drawn, "raw", "RGBA", 0, 1)
        pixels.convert("RGB").save(stream, format="png", compress_level=1)
        return stream.getvalue()

    def _draw_film(self, film: Film, scene_range: float) -> None:
        """What stays until the film changes."""
        from matplotlib.lines import Line2D

        self.curves.clear()
        draw_clean(self.curves, film, scene_range)
        handles = [*self.curves.get_legend_handles_labels()[0], Line2D([], [], color=FOGGED, label="fogged")]
        self.curves.legend(handles=handles, loc="upper right" if film.reversal else "upper left")
        self.curves.set_title(plain(film_words(film)))
        self._draw_scale(film.speed)
        self.canvas.draw()  # type: ignore[no-untyped-call]
        box = self.canvas.figure.bbox
        self._background = self.canvas.copy_from_bbox(box)  # type: ignore[no-untyped-call]

    def _draw_scale(self, speed: float) -> None:
        ax = self.index
        ax.clear()
        bottom = speed / 2.0**6
        ax.set_yscale("log")
        ax.set_ylim(bottom, speed * 1.3)
        marks = [s for s in STANDARD_SPEEDS if bottom <= s <= speed][::-3]
        ax.set_yticks(marks, [format_speed(s) for s in marks])
        ax.set_yticks([], minor=True)
        ax.set_xlim(0.0, 1.0)
        ax.set_xticks([])
        ax.set_xlabel("bar: 9 of 10 cases")
        ax.set_title("exposure index to set")
        ax.axhline(speed, color=GUIDE, linewidth=1.0, linestyle="-")
        ax.text(0.98, speed * 1.03, "on the box", ha="right", va="bottom", color=GUIDE, fontsize="small")

    def _draw_index(self, answer: WhatIf) -> list[Artist]:
        ax, speed = self.index, answer.film.speed
        if answer.stops is None:
            words = "expose as marked"
            return [ax.text(0.5, speed / 2.0, words, ha="center", color=FOGGED, fontweight="bold")]
        fast, middle, slow = (float(exposure_index(speed, min(stops, 6.0))) for stops in answer.stops)
        bar: dict[str, Any] = {"linewidth": 6.0, "alpha": 0.35, "solid_capstyle": "butt", "linestyle": "-"}
        drawn: list[Artist] = []
        drawn += ax.plot([0.25, 0.25], [slow, fast], color=INK, **bar)
        drawn += ax.plot(0.25, middle, marker="o", color=INK, linestyle="none")
        label = f"middle {format_speed(middle)}"
        drawn.append(ax.text(0.33, middle, label, va="center", color=INK, fontsize="small"))
        if answer.ei_recommended is not None:
            chosen = answer.ei_recommended
            drawn += ax.plot(0.25, chosen, marker="s", color=FOGGED, linestyle="none", markersize=7)
            # Below the middle's label where the two are close.
            height = min(chosen, middle / 2.0**0.4)
            words = f"set {format_speed(chosen)}"
            drawn.append(ax.text(0.33, height, words, va="center", color=FOGGED, fontweight="bold"))
        return drawn


def what_if_panel(model: WhatIfModel | None = None) -> Any:
    """Sliders for a notebook: film, passes, shield, unevenness, criterion; curves and index follow.

    Returns
    -------
    An ipywidgets box with the attributes ``controls`` (by name), ``image``, ``words`` and ``update`` (draws once).

    Raises
    ------
    MissingExtraError
        The package ipywidgets is not installed.
    """
    try:
        import ipywidgets
    except ImportError as error:
        raise MissingExtraError("ipywidgets", "notebooks", "The what-if panel") from error
    known = WhatIfModel() if model is None else model
    view = WhatIfView()
    style = {"description_width": "9em"}

    def choice(title: str, options: Sequence[tuple[str, Any]], value: Any) -> Any:
        return ipywidgets.Dropdown(description=title, options=list(options), value=value, style=style)

    def steps(title: str, options: Sequence[Any], value: Any) -> Any:
        return ipywidgets.SelectionSlider(description=title, options=options, value=value, style=style)

    speeds = [(format_speed(s), float(s)) for s in STANDARD_SPEEDS if 25 <= s <= 6400]
    controls: dict[str, Any] = {
        "kind": choice("film", [(words, kind) for kind, words in KIND_WORDS.items()], "bw-negative"),
        "speed": steps("ISO", speeds, 800.0),
        **{
            source: ipywidgets.IntSlider(description=source, min=0, max=most, value=value, style=style)
            for source, most, value in zip(known.sources, (30, 12, 4), (2, 2, 0), strict=False)
        },
        "shield": steps("shield [mm]", [(text.replace("=", " "), text) for text in known.shields], NO_SHIELD),
        "peak_to_mean": ipywidgets.FloatSlider(
            description="worst band", min=1.0, max=4.0, step=0.1, value=1.0, style=style
        ),
        "criterion": choice("criterion", [(CRITERION_WORDS[name], name) for name in CRITERIA], DEFAULT_CRITERION),
        "scene_range": ipywidgets.FloatSlider(
            description="scene [log]", min=1.4, max=3.0, step=0.1, value=2.2, style=style
        ),
    }
    image = ipywidgets.Image(format="png")
    words = ipywidgets.HTML()

    def update(_: Any = None) -> None:
        values = {name: control.value for name, control in controls.items()}
        counts = {source: values.pop(source) for source in known.sources}
        values["speed"] = _within(values["kind"], values["speed"])
        answer = known.answer(counts=counts, **values)
        image.value = view.png(answer)
        words.value = _html(answer)

    for control in controls.values():
        control.observe(update, names="value")
    update()
    panel = ipywidgets.HBox([ipywidgets.VBox(list(controls.values())), ipywidgets.VBox([words, image])])
    panel.controls, panel.image, panel.words, panel.update = controls, image, words, update
    return panel


def _within(kind: str, speed: float) -> float:
    """The nearest speed that the generic films of a kind have."""
    from filmdose.files import load_data_toml

    section = load_data_toml("films.toml")[kind]
    assert kind in KINDS
    return float(min(max(speed, section["speed_low"]), section["speed_high"]))


def _html(answer: WhatIf) -> str:
    import html

    dose = (
        f"dose {dose_text(answer.dose.kerma_ugy)} ({range_text(answer.dose.kerma_low_ugy, answer.dose.kerma_high_ugy)})"
    )
    kept = f"at ISO {format_speed(answer.film.speed)} the shadows keep {100 * answer.compensation.snr_kept:.0f} %"
    return f"<b>{html.escape(answer.sentence)}</b><br>{html.escape(dose)}; {html.escape(kept)} of their signal-to-noise"
