"""What-if answers drawn for sliders, always on the same figure, and the sliders for a notebook."""

from __future__ import annotations

import html
import io
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError, FilmdoseError, MissingExtraError
from filmdose.film.filmfile import read_film
from filmdose.film.generic import generic_speed_range
from filmdose.film.model import Film, film_words
from filmdose.odds import Priors
from filmdose.odds.scores import Random, check_samples, random_seed
from filmdose.plotting.curves import draw_clean, draw_fogged, meter
from filmdose.plotting.style import FOGGED, GUIDE, INK, house_style, plain
from filmdose.question import DEFAULT_CRITERION, Question
from filmdose.radiation.chain import FORMATS
from filmdose.radiation.shields import as_shields
from filmdose.radiation.sources import source_names
from filmdose.solver import CRITERIA
from filmdose.standards import SCENE_RANGE
from filmdose.tripfile import read_trip
from filmdose.units import STANDARD_SPEEDS, exposure_index, format_speed
from filmdose.whatif import NO_SHIELD, Setting, WhatIf, difference
from filmdose.words import CRITERION_WORDS, KIND_WORDS, dose_text, range_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist

__all__ = ["WhatIfSide", "WhatIfView", "what_if_panel"]

#: Fog of the worst band over the mean, to choose from in place of what the scanners make.
_BANDS = (1.0, 1.1, 1.2, 1.3, 1.5, 2.0, 2.5, 3.0, 4.0)

#: Greatest number of passes, where it is not 4, and the first one.
_MOST = {"cabin-xray": 30, "cabin-ct": 12}
_FIRST = {"cabin-xray": 2, "cabin-ct": 1}
_SHIELDS = (NO_SHIELD, "lead=0.1", "lead=0.25", "lead=0.5", "tungsten=0.25", "tin=0.5")
_OF_THE_ROLL = "that of the roll"


class WhatIfView:
    """Draws answers as images, always on the same figure.

    Parameters
    ----------
    dots_per_inch
        Of the images.
    """

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
            exposed = found.outcome == "exposed"
            metered = meter(answer.film, found.kerma_ugy, asked, exposed=exposed)
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
        drawn: list[Artist] = [
            ax.text(0.96, 0.03, answer.odds.verdict, transform=ax.transAxes, ha="right", va="bottom", color=INK)
        ]
        words = {"as_marked": "expose as marked", "exposed": "exposed already"}.get(answer.odds.outcome)
        if words is not None or answer.stops is None:
            drawn.append(ax.text(0.5, speed / 2.0, str(words), ha="center", color=FOGGED, fontweight="bold"))
            return drawn
        fast, middle, slow = (float(exposure_index(speed, min(stops, 6.0))) for stops in answer.stops)
        bar: dict[str, Any] = {"linewidth": 6.0, "alpha": 0.35, "solid_capstyle": "butt", "linestyle": "-"}
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


class WhatIfSide:
    """The controls of one roll, its answer in words, and its picture; made by :func:`what_if_panel`.

    Parameters
    ----------
    films
        Film or film file by the words that it is offered with.
    rolls
        Trip file and id by the words of a roll to start from.
    shields
        Texts of shields to choose from.
    asking
        Priors, samples and seed of the draws.
    changed
        Called after every new answer.
    waits
        True for a side that answers first when it is :meth:`set`.
    """

    def __init__(
        self,
        films: Mapping[str, Film | str | Path],
        rolls: Mapping[str, tuple[str, str]],
        shields: Sequence[str],
        asking: Mapping[str, Any],
        changed: Callable[[], None],
        *,
        waits: bool = False,
    ) -> None:
        import ipywidgets

        self.films, self.rolls, self.asking, self.changed = films, rolls, asking, changed
        self.view = WhatIfView()
        self.setting: Setting | None = None
        self.found: WhatIf | None = None
        self.controls = _controls(films, rolls, shields)
        self.image = ipywidgets.Image(format="png", layout={"max_width": "100%", "height": "auto"})
        self.title, self.words = ipywidgets.HTML(), ipywidgets.HTML()
        wrapped = ipywidgets.Box(list(self.controls.values()), layout={"flex_flow": "row wrap", "width": "100%"})
        self.box = ipywidgets.VBox(
            [self.title, self.words, self.image, wrapped],
            layout={"flex": "1 1 25em", "min_width": "22em", "max_width": "58em"},
        )
        self._busy = waits
        for name, control in self.controls.items():
            control.observe(self._started if name == "start" else self.update, names="value")
        self.update()

    def values(self) -> dict[str, Any]:
        """What the controls say, by their names."""
        return {name: control.value for name, control in self.controls.items()}

    def set(self, values: Mapping[str, Any]) -> None:
        """Set several controls, and answer once."""
        self._busy = True
        try:
            for name, value in values.items():
                self.controls[name].value = value
        finally:
            self._busy = False
        self.update()

    def _started(self, _: Any) -> None:
        """Another roll to start from: nothing is added to it yet."""
        if self._busy:
            return
        fresh: dict[str, Any] = dict.fromkeys(source_names(), 0) if self.controls["start"].value else _FIRST
        own = _OF_THE_ROLL if self.controls["start"].value else "bw-negative"
        self.set({**fresh, "film": own, "flight_h": 0.0, "storage_days": 0, "exposed": False, "peak_to_mean": 0.0})

    def _read(self) -> Setting:
        """The setting that the controls stand for."""
        told = self.values()
        begun = self.rolls.get(told["start"])
        film, options = told["film"], dict[str, Any]()
        if film in KIND_WORDS:
            low, high = generic_speed_range(film)
            options |= {"speed": min(max(told["speed"], low), high), "kind": film}
        elif film != _OF_THE_ROLL:
            options["film"] = self.films[film]
        elif begun is None:
            raise ArgumentError("film", film, "a film", "Choose one: there is no roll to start from.")
        if begun is not None:
            options |= {"trip": begun[0], "roll": begun[1]}
        return Setting(
            **options,
            counts={source: told[source] for source in source_names()},
            shield=told["shield"],
            flight_h=told["flight_h"],
            storage_days=float(told["storage_days"]),
            format=None if begun else told["format"],
            exposed=told["exposed"],
            peak_to_mean=told["peak_to_mean"] or None,
            question=Question(criterion=told["criterion"], scene_range=told["scene_range"]),
        )

    def update(self, _: Any = None) -> None:
        """Answer what the controls ask, and draw it; what cannot be answered is said in words."""
        if self._busy:
            return
        try:
            self.setting = self._read()
            roll = self.setting.as_roll()
            self.found = self.setting.answer(**self.asking)
        except FilmdoseError as error:
            self.setting = self.found = None
            self.words.value = f"<b>{html.escape(str(error))}</b>"
        else:
            begun = self.setting.trip is not None
            self.controls["format"].disabled = begun
            self.controls["scene_range"].disabled = roll.scene_range is not None
            self.controls["speed"].disabled = self.setting.speed is None
            self.image.value = self.view.png(self.found)
            self.words.value = _html(self.found, begun=begun)
        self.changed()


def _controls(
    films: Mapping[str, Film | str | Path], rolls: Mapping[str, tuple[str, str]], shields: Sequence[str]
) -> dict[str, Any]:
    """The controls of one side, by name; each as wide as it needs, and no narrower than can be read."""
    import ipywidgets

    looks: dict[str, Any] = {
        "style": {"description_width": "9em"},
        "layout": {"flex": "1 1 23em", "min_width": "21em", "max_width": "34em", "width": "auto"},
    }

    def choice(title: str, options: Sequence[tuple[str, Any]], value: Any) -> Any:
        return ipywidgets.Dropdown(description=title, options=list(options), value=value, **looks)

    def steps(title: str, options: Sequence[Any], value: Any) -> Any:
        return ipywidgets.SelectionSlider(description=title, options=options, value=value, **looks)

    speeds = [(format_speed(s), float(s)) for s in STANDARD_SPEEDS if 25 <= s <= 6400]
    kinds = [(f"generic {words}", kind) for kind, words in KIND_WORDS.items()]
    own = [(words, words) for words in films]
    of_roll = [("that of the roll", _OF_THE_ROLL)] if rolls else []
    return {
        "start": choice("start from", [("nothing yet", ""), *((words, words) for words in rolls)], ""),
        "film": choice("film", [*of_roll, *own, *kinds], next(iter(films), "bw-negative")),
        "speed": steps("ISO", speeds, 800.0),
        **{
            source: ipywidgets.IntSlider(
                description=source, min=0, max=_MOST.get(source, 4), value=_FIRST.get(source, 0), **looks
            )
            for source in source_names()
        },
        "shield": choice("shield [mm]", [(text.replace("=", " "), text) for text in shields], NO_SHIELD),
        "format": choice("format", [(name, name) for name in FORMATS], "35mm"),
        "flight_h": ipywidgets.FloatSlider(description="in the air [h]", min=0.0, max=60.0, step=0.5, **looks),
        "storage_days": ipywidgets.IntSlider(description="on a shelf [days]", min=0, max=3650, step=10, **looks),
        "exposed": ipywidgets.Checkbox(description="exposed in the camera already", **looks),
        "peak_to_mean": steps("worst band", [("as scanned", 0.0), *((f"{x:g} x", x) for x in _BANDS)], 0.0),
        "criterion": choice("criterion", [(CRITERION_WORDS[name], name) for name in CRITERIA], DEFAULT_CRITERION),
        "scene_range": ipywidgets.FloatSlider(
            description="scene [log]", min=1.4, max=3.0, step=0.1, value=SCENE_RANGE, **looks
        ),
    }


def what_if_panel(
    *,
    films: Sequence[Film | str | Path] = (),
    trips: Sequence[str | Path] = (),
    shields: Sequence[str] = (),
    priors: Priors | None = None,
    samples: int = 1024,
    rng: Random = 0,
) -> Any:
    """Controls for a notebook: film, roll to start from, passes, shield, time, scene; curves and index follow.

    Two rolls, A and B, may stand side by side, with what B has over A in a line. What is set is told as Python and as a
    command that give the same answer.

    Parameters
    ----------
    films
        Own films: measured ones, or film files.
    trips
        Trip files; each roll of them can be started from.
    shields
        Shields of one's own such as "lead=0.3+tin=0.1", beside those on offer.
    priors, samples, rng
        As of :func:`filmdose.whatif.what_if`.

    Returns
    -------
    An ipywidgets box with the attributes ``a`` and ``b`` (each a :class:`WhatIfSide`; ``b`` answers when ``compare``
    is ticked), ``compare``, ``difference``, ``code`` and ``command`` (of the side that ``told`` names); and those of
    side A again: ``controls`` (by name), ``image``, ``words`` and ``update`` (draws once).

    Raises
    ------
    MissingExtraError
        The package ipywidgets is not installed.
    InputFileError
        A film or a trip file that cannot be read.
    ArgumentError, UnknownNameError
        A shield that is not known.
    """
    try:
        import ipywidgets
    except ImportError as error:
        raise MissingExtraError("ipywidgets", "notebooks", "The what-if panel") from error
    check_samples(samples)
    if isinstance(trips, (str, Path, Mapping)) or not all(isinstance(path, (str, Path)) for path in trips):
        raise ArgumentError("trips", trips, "a sequence of trip files")
    offered = _films(films)
    begun = {f"{Path(path).stem}: {roll.id}": (str(path), roll.id) for path in trips for roll in read_trip(path).rolls}
    for text in shields:
        as_shields(text)
    walls = list(dict.fromkeys((*_SHIELDS, *shields)))
    draws: dict[str, int] = {"samples": samples, "rng": random_seed(rng)}  # kept while sliders move
    asking: dict[str, Any] = {"priors": priors, **draws}
    compare = ipywidgets.Checkbox(description="compare with a second roll, B", indent=False)
    told = ipywidgets.ToggleButtons(description="tell", options=["A", "B"], disabled=True)
    line = ipywidgets.HTML()
    wide = {"width": "100%", "max_width": "75em"}
    code = ipywidgets.Textarea(layout={**wide, "height": "15em"}, disabled=False)
    command = ipywidgets.Textarea(layout={**wide, "height": "4.5em"})
    beside = ipywidgets.HTML()
    sides: dict[str, WhatIfSide] = {}

    def changed() -> None:
        if not sides:
            return
        one, other = sides["A"].found, sides["B"].found if compare.value else None
        line.value = html.escape(difference(one, other)) if one and other else ""
        setting = sides[told.value].setting
        code.value = "" if setting is None else setting.code(**draws)
        command.value = "" if setting is None else setting.command(**draws)
        words = []
        if setting is not None and isinstance(setting.film, Film):
            words.append(f"The command reads {setting.film_file}: a line of the code, once uncommented, writes it.")
        if priors is not None:
            words.append("Priors of your own are in neither: give them to what_if as well.")
        beside.value = html.escape(" ".join(words))

    def toggled(_: Any) -> None:
        told.disabled, sides["B"].box.layout.display = not compare.value, "" if compare.value else "none"
        for name, side in sides.items():
            side.title.value = f"<b>{name}</b>" if compare.value else ""
        if not compare.value:
            told.value = "A"
        else:
            sides["B"].set(sides["A"].values())
        changed()

    a, b = (WhatIfSide(offered, begun, walls, asking, changed, waits=name == "B") for name in "AB")
    sides |= {"A": a, "B": b}
    b.box.layout.display = "none"
    compare.observe(toggled, names="value")
    told.observe(lambda _: changed(), names="value")
    changed()
    both = ipywidgets.Box([a.box, b.box], layout={"flex_flow": "row wrap", "width": "100%"})
    again = ipywidgets.VBox(
        [told, ipywidgets.Label("as code"), code, ipywidgets.Label("as a command"), command, beside],
        layout={"width": "100%"},
    )
    panel = ipywidgets.VBox([compare, line, both, again], layout={"width": "100%"})
    panel.a, panel.b, panel.compare, panel.told, panel.difference = a, b, compare, told, line
    panel.code, panel.command, panel.beside = code, command, beside
    panel.controls, panel.image, panel.words, panel.update = a.controls, a.image, a.words, a.update
    return panel


def _films(films: Sequence[Film | str | Path]) -> dict[str, Film | str | Path]:
    """Own films by the words that they are offered with, each once."""
    offered: dict[str, Film | str | Path] = {}
    for film in films:
        words = film_words(film if isinstance(film, Film) else read_film(film))
        name = words if isinstance(film, Film) else f"{words} ({Path(film).name})"
        while name in offered:
            name += "'"
        offered[name] = film
    return offered


def _html(answer: WhatIf, *, begun: bool) -> str:
    points = answer.dose
    dose = f"dose {dose_text(points.kerma_ugy)} ({range_text(points.kerma_low_ugy, points.kerma_high_ugy)})"
    kept = f"at ISO {format_speed(answer.film.speed)} the shadows keep {100 * answer.answer.snr_kept:.0f} %"
    ahead = "<br>Started from a roll of a trip; checkpoints ahead of it are not counted." if begun else ""
    facts = html.escape(f"{dose}; {kept} of their signal-to-noise")
    return f"<b>{html.escape(answer.headline)}</b><br>{html.escape(answer.sentence)}<br>{facts}{ahead}"


hold_to_annotations(globals())
