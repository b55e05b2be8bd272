"""What-if answers drawn for sliders, always on the same figure, and the sliders for a notebook."""

from __future__ import annotations

import html
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from filmdose.errors import MissingExtraError
from filmdose.film.generic import generic_speed_range
from filmdose.film.model import Film, film_words
from filmdose.odds import Priors
from filmdose.plotting.curves import draw_clean, draw_fogged, meter
from filmdose.plotting.style import FOGGED, GUIDE, INK, house_style, plain
from filmdose.question import DEFAULT_CRITERION, Question
from filmdose.solver import CRITERIA
from filmdose.units import STANDARD_SPEEDS, exposure_index, format_speed
from filmdose.whatif import NO_SHIELD, WhatIf, what_if
from filmdose.words import CRITERION_WORDS, KIND_WORDS, dose_text, range_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist

__all__ = ["WhatIfView", "what_if_panel"]

#: Fog of the worst band over the mean, to choose from in place of what the scanners make.
_BANDS = (1.0, 1.1, 1.2, 1.3, 1.5, 2.0, 2.5, 3.0, 4.0)

#: Sources on offer, with the greatest and the first number of passes.
_SOURCES: dict[str, tuple[int, int]] = {"cabin-xray": (30, 2), "cabin-ct": (12, 1), "hold-ct": (4, 0)}
_SHIELDS = (NO_SHIELD, "lead=0.1", "lead=0.25", "lead=0.5")


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

        found, asked = answer.answer, answer.answer.question
        shown = answer.film, asked.scene_range
        with house_style():
            if self._shown != shown:
                self._draw_film(*shown)
                self._shown = shown
            self.canvas.restore_region(self._background)  # type: ignore[no-untyped-call]
            metered = meter(answer.film, found.kerma_ugy, asked)
            fogged = draw_fogged(self.curves, answer.film, found.kerma_ugy, metered, asked, label="fogged")
            for ax, artists in ((self.curves, fogged), (self.index, self._draw_index(answer))):
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
        if answer.odds.ei_recommended is not None:
            chosen = answer.odds.ei_recommended
            drawn += ax.plot(0.25, chosen, marker="s", color=FOGGED, linestyle="none", markersize=7)
            # Below the middle's label where the two are close.
            height = min(chosen, middle / 2.0**0.4)
            words = f"set {format_speed(chosen)}"
            drawn.append(ax.text(0.33, height, words, va="center", color=FOGGED, fontweight="bold"))
        return drawn


def what_if_panel(*, priors: Priors | None = None, samples: int = 1024, seed: int = 0) -> Any:
    """Sliders for a notebook: film, passes, shield, unevenness, criterion; curves and index follow.

    Parameters
    ----------
    priors, samples, seed
        As of :func:`filmdose.whatif.what_if`.

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
            for source, (most, value) in _SOURCES.items()
        },
        "shield": steps("shield [mm]", [(text.replace("=", " "), text) for text in _SHIELDS], NO_SHIELD),
        "peak_to_mean": steps("worst band", [("as scanned", 0.0), *((f"{x:g} x", x) for x in _BANDS)], 0.0),
        "criterion": choice("criterion", [(CRITERION_WORDS[name], name) for name in CRITERIA], DEFAULT_CRITERION),
        "scene_range": ipywidgets.FloatSlider(
            description="scene [log]", min=1.4, max=3.0, step=0.1, value=2.2, style=style
        ),
    }
    image = ipywidgets.Image(format="png")
    words = ipywidgets.HTML()

    def update(_: Any = None) -> None:
        values = {name: control.value for name, control in controls.items()}
        counts = {source: values.pop(source) for source in _SOURCES}
        values["peak_to_mean"] = values["peak_to_mean"] or None
        low, high = generic_speed_range(values["kind"])
        values["speed"] = min(max(values["speed"], low), high)
        question = Question(criterion=values.pop("criterion"), scene_range=values.pop("scene_range"))
        found = what_if(counts=counts, question=question, priors=priors, samples=samples, seed=seed, **values)
        image.value = view.png(found)
        words.value = _html(found)

    for control in controls.values():
        control.observe(update, names="value")
    update()
    panel = ipywidgets.HBox([ipywidgets.VBox(list(controls.values())), ipywidgets.VBox([words, image])])
    panel.controls, panel.image, panel.words, panel.update = controls, image, words, update
    return panel


def _html(answer: WhatIf) -> str:
    points = answer.dose
    dose = f"dose {dose_text(points.kerma_ugy)} ({range_text(points.kerma_low_ugy, points.kerma_high_ugy)})"
    kept = f"at ISO {format_speed(answer.film.speed)} the shadows keep {100 * answer.answer.snr_kept:.0f} %"
    return f"<b>{html.escape(answer.sentence)}</b><br>{html.escape(dose)}; {html.escape(kept)} of their signal-to-noise"
