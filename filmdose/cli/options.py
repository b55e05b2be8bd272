"""Options that several verbs share, and turning their texts into objects."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias, get_type_hints

import typer

from filmdose.arrays import check_number
from filmdose.errors import ArgumentError
from filmdose.everyday import with_points
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage, given_dose
from filmdose.question import DEFAULT_CRITERION, Question, scene_range_from_readings
from filmdose.radiation.sources import Source, get_source
from filmdose.standards import SCENE_RANGE
from filmdose.units import parse_days, parse_duration, parse_hours, parse_kerma

# The parser hands over texts; the library says which of them it knows.
if TYPE_CHECKING:
    from filmdose import names

    BeamOnText: TypeAlias = names.BeamOn
    CriterionText: TypeAlias = names.CriterionAsked
    FormatText: TypeAlias = names.FilmFormat
    KindText: TypeAlias = names.Kind
else:
    BeamOnText = CriterionText = FormatText = KindText = str

CriterionOption = Annotated[
    CriterionText,
    typer.Option(
        "--criterion",
        help="What the exposure index restores: fixed_density, fractional_gradient, shadow_gradient or shadow_snr.",
        metavar="NAME",
    ),
]
SceneRangeOption = Annotated[
    float, typer.Option("--scene-range", help="Scene from shadow point to highlight, in log10 units.", metavar="LOG")
]
KindOption = Annotated[
    KindText,
    typer.Option(
        "--kind",
        help="Kind of generic film: bw-negative, colour-negative, colour-reversal or bw-reversal.",
        metavar="KIND",
    ),
]
DEFAULT_KIND: KindText = "bw-negative"
SpeedsOption = Annotated[
    str | None, typer.Option("--speeds", help="Speeds, with commas between.", metavar="100,400,...")
]
FilmsOption = Annotated[
    list[Path] | None, typer.Option("--film", help="Film file in place of speeds; may be repeated.", metavar="FILE")
]
SpeedOption = Annotated[float | None, typer.Option("--speed", help="ISO speed on the box.", metavar="ISO")]
FilmOption = Annotated[
    Path | None, typer.Option("--film", help="Film file in place of speed and kind.", metavar="FILE")
]
PassesOption = Annotated[
    list[str] | None,
    typer.Option("--pass", help="Source and count, such as cabin-ct=2; its own shield behind @.", metavar="SOURCE=N"),
]
FilmFormatOption = Annotated[
    FormatText, typer.Option("--film-format", help="35mm (in its steel cartridge), 120 or sheet.", metavar="FORMAT")
]
BagOption = Annotated[
    str | None,
    typer.Option("--bag", help="Contents of the bag: typical, empty, or g/cm2 of water ('4, al=1').", metavar="BAG"),
]
BadgeOption = Annotated[
    str | None,
    typer.Option(
        "--badge",
        help="Reading of a badge that lay beside the film on all its passes: '5 mR', '0.6 mSv', '63 mrem@hp10-free'.",
        metavar="READING",
    ),
]
HeldOption = Annotated[
    str | None,
    typer.Option("--held", help="How long the belt stood still during the one --pass, such as 5min.", metavar="TIME"),
]
BeamOnOption = Annotated[
    BeamOnText,
    typer.Option("--beam-on", help="What the tube did meanwhile: running, pulsed or unknown.", metavar="WORD"),
]
ShieldOption = Annotated[
    str | None,
    typer.Option("--shield", help="Shield of every pass without its own, such as lead=0.25.", metavar="MATERIAL=MM"),
]
FlightOption = Annotated[
    list[str] | None,
    typer.Option(
        "--flight", help="Hours in the air, such as 11 or 11@36000 with the altitude in feet.", metavar="HOURS"
    ),
]
StorageOption = Annotated[
    str | None, typer.Option("--storage", help="Days on a shelf, such as 365 or '2 years'.", metavar="DAYS")
]
ExposedOption = Annotated[bool, typer.Option("--exposed", help="The roll is exposed in the camera already.")]
ShotOption = Annotated[
    float | None, typer.Option("--shot-ei", help="It is exposed already, at this exposure index.", metavar="EI")
]
ShadowReadingOption = Annotated[
    float | None,
    typer.Option("--shadow-reading", help="Meter reading of the deepest shadow with detail, in EV.", metavar="EV"),
]
HighlightReadingOption = Annotated[
    float | None,
    typer.Option("--highlight-reading", help="Meter reading of the brightest highlight, in EV.", metavar="EV"),
]
SnrTargetOption = Annotated[
    float,
    typer.Option("--snr-target", help="Fraction of the clean shadow signal-to-noise to restore.", metavar="FRACTION"),
]
KermaOption = Annotated[
    str | None,
    typer.Option("--kerma", help="A further dose at the film; microgray, or with a unit.", metavar="DOSE"),
]
PeakToMeanOption = Annotated[
    float | None, typer.Option("--peak-to-mean", help="Fog of the worst band over the mean.", metavar="RATIO")
]
CostUnderOption = Annotated[
    float, typer.Option("--cost-under", help="Cost of a stop of lost shadow.", metavar="NUMBER")
]
CostOverOption = Annotated[float, typer.Option("--cost-over", help="Cost of a stop of light given.", metavar="NUMBER")]

__all__ = [
    "DEFAULT_CRITERION",
    "DEFAULT_KIND",
    "SCENE_RANGE",
    "BagOption",
    "CostOverOption",
    "CostUnderOption",
    "CriterionOption",
    "ExposedOption",
    "FilmFormatOption",
    "FilmOption",
    "FilmOptions",
    "FilmsOptions",
    "HistoryOptions",
    "KermaOption",
    "KindOption",
    "KindText",
    "MeteredOptions",
    "PassesOption",
    "PeakToMeanOption",
    "Question",
    "QuestionOptions",
    "SceneRangeOption",
    "ShieldOption",
    "ShotOption",
    "SnrTargetOption",
    "SpeedOption",
    "kerma_list",
    "number_list",
    "parse_pass",
    "with_blocks",
]

# -- blocks of options that go together ------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Block:
    """Options that go together; a class of them stands once, and verbs take it whole (:func:`with_blocks`)."""

    @property
    def given(self) -> bool:
        """Whether any was given that has no usual value."""
        return any(getattr(self, one.name) is not None for one in fields(self) if one.default is None)


def with_blocks(verb: Callable[..., None]) -> Callable[..., None]:
    """A verb whose options are those of its own signature, with every block in it replaced by the block's options."""
    hints = get_type_hints(verb, include_extras=True)
    blocks = {name: hint for name, hint in hints.items() if isinstance(hint, type) and issubclass(hint, _Block)}
    options: list[inspect.Parameter] = []
    for name, own in inspect.signature(verb).parameters.items():
        if name not in blocks:
            options.append(own.replace(annotation=hints[name], kind=own.KEYWORD_ONLY))
            continue
        of_block = get_type_hints(blocks[name], include_extras=True)
        options += [
            inspect.Parameter(one.name, own.KEYWORD_ONLY, default=one.default, annotation=of_block[one.name])
            for one in fields(blocks[name])
        ]

    @functools.wraps(verb)
    def called(**values: Any) -> None:
        made = {
            name: block(**{one.name: values.pop(one.name) for one in fields(block)}) for name, block in blocks.items()
        }
        verb(**made, **values)

    called.__signature__ = inspect.Signature(options)  # type: ignore[attr-defined]
    called.__annotations__ = {option.name: option.annotation for option in options}
    return called


@dataclass(frozen=True, kw_only=True)
class FilmOptions(_Block):
    """One film."""

    speed: SpeedOption = None
    kind: KindOption = DEFAULT_KIND
    film: FilmOption = None

    def made(self) -> Film:
        """The film of the film file, or the generic one of speed and kind."""
        if self.film is None:
            if self.speed is None:
                raise ArgumentError("speed", None, "a speed [ISO]", "Give --speed ISO, or --film FILM.toml.")
            return generic_film(self.speed, kind=self.kind)
        if self.speed is not None:
            raise ArgumentError("speed", self.speed, "nothing together with --film", "The film file has its own speed.")
        if self.kind != DEFAULT_KIND:
            raise ArgumentError("kind", self.kind, "nothing together with --film", "The film file has its own kind.")
        from filmdose.film.filmfile import read_film

        return read_film(self.film)


@dataclass(frozen=True, kw_only=True)
class FilmsOptions(_Block):
    """Several films."""

    speeds: SpeedsOption = None
    kind: KindOption = DEFAULT_KIND
    film: FilmsOption = None

    def made(self, usual: Sequence[float]) -> list[Film]:
        """Films of film files, or generic ones of speeds and a kind; else all usual speeds that the kind has."""
        speeds, kind = self.speeds, self.kind
        if self.film:
            if speeds is not None:
                raise ArgumentError("speeds", speeds, "nothing together with --film", "The film files have their own.")
            return [FilmOptions(kind=kind, film=path).made() for path in self.film]
        if speeds is not None:
            return [generic_film(speed, kind=kind) for speed in number_list("speeds", speeds, unit="ISO")]
        low, high = generic_speed_range(kind)
        return [generic_film(speed, kind=kind) for speed in usual if low <= speed <= high]


@dataclass(frozen=True, kw_only=True)
class HistoryOptions(_Block):
    """What a roll went through."""

    passes: PassesOption = None
    shield: ShieldOption = None
    film_format: FilmFormatOption = "35mm"
    bag: BagOption = None
    badge: BadgeOption = None
    held: HeldOption = None
    beam_on: BeamOnOption = "unknown"
    flight: FlightOption = None
    storage: StorageOption = None

    def made(self, kerma: str | None = None) -> History:
        """The history, with a further dose at the film where one is given."""
        if self.shield is not None and not self.passes and self.badge is None:
            raise ArgumentError("shield", self.shield, "a shield together with at least one --pass")
        if self.badge is not None and self.passes:
            raise ArgumentError("badge", self.badge, "a badge instead of --pass", "It has read what the passes gave.")
        parts = [parse_pass(text, self.shield) for text in self.passes or ()]
        if self.held is not None:
            if len(parts) != 1:
                action = "Give one --pass, or write a trip file, where every pass has its own."
                raise ArgumentError("held", self.held, "a time beside exactly one --pass", action)
            parts = [held_pass(parts[0], self.held, self.beam_on)]
        if self.badge is not None:
            parts.append(badge_pass(self.badge, self.shield))
        if kerma is not None:
            parts.append(given_dose(parse_kerma("kerma", kerma)))
        return History(
            passes=tuple(parts),
            flights=tuple(parse_flight(text) for text in self.flight or ()),
            storage=() if self.storage is None else (Storage(days=parse_days("storage", self.storage)),),
            format=self.film_format,
            bag=self.bag,
        )


@dataclass(frozen=True, kw_only=True)
class QuestionOptions(_Block):
    """What is asked."""

    criterion: CriterionOption = DEFAULT_CRITERION
    snr_target: SnrTargetOption = 1.0
    scene_range: SceneRangeOption = SCENE_RANGE
    cost_under: CostUnderOption = 4.0
    cost_over: CostOverOption = 1.0

    def made(self, *, peak_to_mean: float = 1.0) -> Question:
        """The question."""
        return Question(
            criterion=self.criterion,
            snr_target=self.snr_target,
            scene_range=self.scene(),
            peak_to_mean=peak_to_mean,
            cost_under=self.cost_under,
            cost_over=self.cost_over,
        )

    def scene(self) -> float:
        """The scene's range [log10 units]."""
        return self.scene_range


@dataclass(frozen=True, kw_only=True)
class MeteredOptions(QuestionOptions):
    """What is asked, where a meter may tell the scene's range."""

    shadow_reading: ShadowReadingOption = None
    highlight_reading: HighlightReadingOption = None

    def scene(self) -> float:
        """The scene's range, from its option or from two meter readings [log10 units]."""
        shadow, highlight = self.shadow_reading, self.highlight_reading
        if shadow is None and highlight is None:
            return self.scene_range
        if shadow is None or highlight is None:
            missing = "shadow_reading" if shadow is None else "highlight_reading"
            raise ArgumentError(
                missing, None, "both readings or none [EV]", "Give --shadow-reading and --highlight-reading."
            )
        if self.scene_range != SCENE_RANGE:
            raise ArgumentError("scene_range", self.scene_range, "nothing together with meter readings")
        return scene_range_from_readings(shadow, highlight)


# -- texts -----------------------------------------------------------------------------------------------------------


def number_list(argument: str, text: str, *, unit: str) -> list[float]:
    """Numbers of a text such as "100,400,800", each above 0."""
    numbers = []
    for part in text.split(","):
        try:
            value = float(part)
        except ValueError as error:
            raise ArgumentError(argument, text, f"numbers above 0 [{unit}] with commas between") from error
        numbers.append(check_number(argument, value, low=0.0, low_open=True, unit=unit))
    return numbers


def kerma_list(argument: str, text: str) -> list[float]:
    """Doses of a text such as "0,10,0.3 mR" [uGy]."""
    return [parse_kerma(argument, part) for part in text.split(",")]


def badge_pass(text: str, shield: str | None) -> Pass:
    """What a badge beside the film read, as one pass: "reading" or "reading@quantity"; the beam is that of cabin CT."""
    from filmdose.radiation.badge import badge_air_kerma

    reading, _, quantity = text.partition("@")
    found = badge_air_kerma(reading, quantity.strip() or None)
    scanner = get_source("cabin-ct")
    source = Source(
        name="badge",
        title=f"badge in the bag, {reading.strip()} as {found.quantity}",
        air_kerma_low_ugy=found.air_kerma_low_ugy,
        air_kerma_typical_ugy=found.air_kerma_ugy,
        air_kerma_high_ugy=found.air_kerma_high_ugy,
        at="inside",
        beam=scanner.beam,
        beam_soft=scanner.beam_soft,
        beam_hard=scanner.beam_hard,
    )
    return Pass(source=source, shield=shield)


def parse_flight(text: str) -> Flight:
    """A flight from "hours" or "hours@altitude in feet"."""
    hours, at, altitude = with_points(text).partition("@")
    try:
        return Flight(hours=parse_hours("flight", hours), altitude_ft=float(altitude) if at else None)
    except ArgumentError as error:
        if error.argument == "flight":
            allowed = "hours, or hours@altitude in feet, such as 11 or '11@36000'"
            raise ArgumentError("flight", text, allowed) from error
        raise
    except ValueError as error:
        raise ArgumentError("flight", text, "hours, or hours@altitude in feet, such as 11 or '11@36000'") from error


def parse_pass(text: str, shield: str | None) -> Pass:
    """A pass from "source=count" or "source=count@material=mm"; ``shield`` is that of passes without their own."""
    head, at, own = text.partition("@")
    return Pass.parse(head, shield=own if at else shield)


def held_pass(part: Pass, held: str, beam_on: BeamOnText) -> Pass:
    """A pass during which the belt stood still."""
    return replace(part, held_s=parse_duration("held", held), beam_on=beam_on)
