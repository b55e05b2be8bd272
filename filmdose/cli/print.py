"""filmdose print: how to print and scan a roll that is exposed already, and its tone curve as a file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.answering import answer
from filmdose.arrays import check_number
from filmdose.cli.options import (
    DEFAULT_KIND,
    SCENE_RANGE,
    BagOption,
    FilmFormatOption,
    FilmOptions,
    HistoryOptions,
    KermaOption,
    PassesOption,
    Question,
    SceneRangeOption,
    ShieldOption,
    ShotOption,
    number_list,
    with_blocks,
)
from filmdose.cli.output import FormatOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError, shown_path
from filmdose.files import write_bytes_atomic
from filmdose.history import history_dose
from filmdose.present.printing import print_document
from filmdose.printing import PrintPlan, print_plan
from filmdose.tonecurve import GAIN_CEILING, ToneCurve
from filmdose.tonetable import Encoding, cube_text, parse_encoding
from filmdose.trip import Roll, Shot, find_roll, roll_question

if TYPE_CHECKING:
    from filmdose.answering import Answer
    from filmdose.film.model import Film
    from filmdose.scan.correct import CorrectedScan

_PICTURES, _TABLES = (".tif", ".tiff"), (".cube",)


@with_blocks
def print(
    *,
    film: FilmOptions,
    passes: PassesOption = None,
    shield: ShieldOption = None,
    film_format: FilmFormatOption = "35mm",
    bag: BagOption = None,
    kerma: KermaOption = None,
    trip: Annotated[Path | None, typer.Option("--trip", help="Trip file that the roll is in.", metavar="TRIP")] = None,
    roll: Annotated[str | None, typer.Option("--roll", help="Id of the roll in it.", metavar="ID")] = None,
    fog: Annotated[
        float | None,
        typer.Option("--fog", help="Fog measured on the roll, in place of what its history gives.", metavar="DENSITY"),
    ] = None,
    shot_ei: ShotOption = None,
    scene_range: SceneRangeOption = SCENE_RANGE,
    ceiling: Annotated[
        float,
        typer.Option("--ceiling", help="Greatest factor on the noise that the tone curve may have.", metavar="FACTOR"),
    ] = GAIN_CEILING,
    encoding: Annotated[
        str | None,
        typer.Option(
            "--encoding", help="What numbers of the scan mean: linear, gamma=2.2 or density=4.", metavar="WORD"
        ),
    ] = None,
    clear: Annotated[
        str | None,
        typer.Option("--clear", help="Number of clear light over full scale, one or three.", metavar="0.8"),
    ] = None,
    clear_box: Annotated[
        str | None, typer.Option("--clear-box", help="A place without film on the scan.", metavar="L,T,W,H")
    ] = None,
    rebate: Annotated[
        list[str] | None,
        typer.Option("--rebate", help="Unexposed film on the scan; several of them: uneven fog.", metavar="L,T,W,H"),
    ] = None,
    scan: Annotated[
        Path | None, typer.Option("--scan", help="16-bit TIFF of the fogged film, to correct.", metavar="SCAN.tif")
    ] = None,
    output: Annotated[
        list[Path] | None,
        typer.Option(
            "--output", "-o", help="A .tif, .cube, .csv, .json, .html, .pdf or .md; may be repeated.", metavar="FILE"
        ),
    ] = None,
    format: FormatOption = None,
) -> None:
    """Print how to print and scan a roll that is exposed already; write its tone curve, and a corrected scan."""
    targets = list(output or ())
    files = [path for path in targets if path.suffix.lower() in (*_PICTURES, *_TABLES)]
    pages = [path for path in targets if path not in files]
    if len(pages) > 1 and format is not None:
        raise ArgumentError("format", format, "one page, or none, beside --format", "The endings say the formats.")
    shown: list[Path | None] = [*pages] if targets else [None]
    for page in shown:
        check_output(format, page)
    meant = _encoding(encoding, files, scan)
    if scan is None and (clear_box or rebate):
        raise ArgumentError("scan", None, "the scan that the boxes lie on", "Give --scan SCAN.tif.")
    if trip is not None or roll is not None:
        given: dict[str, object] = {
            "speed": film.speed,
            "film": film.film,
            "pass": passes,
            "kerma": kerma,
            "shield": shield,
            "bag": bag,
        }
        one = _from_trip(trip, roll, given, film.kind)
    else:
        history = HistoryOptions(passes=passes, shield=shield, film_format=film_format, bag=bag).made(kerma)
        shot = None if shot_ei is None else Shot(ei=shot_ei)
        one = Roll(id="roll", film=film.made(), history=history, state="exposed", shot=shot)
    dose = history_dose(one.history)
    asked = roll_question(one, Question(scene_range=scene_range), dose.peak_to_mean)
    amount, notes = float(dose.kerma_ugy), list(dose.notes)
    picture = None if scan is None else Picture(scan, meant, clear, clear_box, rebate or ())
    if fog is not None:
        found = check_number("fog", fog, low=0.0, high=6.0, unit="density")
        amount = float(one.film.records[len(one.film.records) // 2].kerma_for_fog(found))
        asked = replace(asked, peak_to_mean=1.0)
    elif picture is not None and picture.measures:
        amount, words = picture.measured(one.film)
        notes.append(words)
        asked = replace(asked, peak_to_mean=1.0)
    shot_at = shot_ei if shot_ei is not None or one.shot is None else one.shot.ei
    plan = print_plan(answer(one.film, amount, asked, exposed=True, shot_ei=shot_at), ceiling=ceiling)
    measured = fog is not None or (picture is not None and picture.measures)
    ends = None if measured else _ends(one, replace(asked, peak_to_mean=1.0), shot_at)
    with progress("writing"):
        for path in files:
            notes.append(_write(path, plan, meant, clear, picture))
    for page in shown or [None]:
        deliver(print_document(plan, notes=notes, ends=ends), format, page)


def _ends(roll: Roll, question: Question, shot_ei: float | None) -> tuple[Answer, Answer]:
    """The answers between which 9 of 10 cases of dose, fog and film lie."""
    from filmdose.odds.draw import kerma_ends
    from filmdose.odds.unknowns import trip_model

    low, high = (
        answer(roll.film, kerma, question, exposed=True, shot_ei=shot_ei) for kerma in kerma_ends(trip_model([roll]))[0]
    )
    return low, high


class Picture:
    """A scan from the options, with where clear light and unexposed film lie on it."""

    def __init__(
        self, path: Path, encoding: Encoding, clear: str | None, clear_box: str | None, rebate: Sequence[str]
    ) -> None:
        from filmdose.scan.correct import clear_from_box
        from filmdose.scan.image import parse_box, read_scan

        accept = () if encoding.name == "linear" else ("gamma", "auto-levels")
        self.scan = read_scan(path, accept=accept)
        self.encoding = encoding
        self.boxes = [parse_box(text, "rebate") for text in rebate]
        if clear is not None and clear_box is not None:
            raise ArgumentError("clear_box", clear_box, "nothing together with --clear")
        self.clear = _numbers(clear)
        if clear_box is not None:
            self.clear = clear_from_box(self.scan, parse_box(clear_box, "clear_box"))

    @property
    def measures(self) -> bool:
        """Whether unexposed film and clear light are both known, so that the scan itself tells the fog."""
        return bool(self.boxes) and (self.clear is not None or self.encoding.name == "density")

    def measured(self, film: Film) -> tuple[float, str]:
        """Median dose of the unexposed film, and that it was measured."""
        from filmdose.scan.correct import fog_on_scan

        doses = sorted(fog_on_scan(self.scan, box, film, self.encoding, self.clear) for box in self.boxes)
        found = doses[len(doses) // 2]
        return found, f"The fog was read on the scan: {found:.0f} uGy would make it, by the film's own data."

    def corrected(self, tone: ToneCurve) -> CorrectedScan:
        """The scan with its tones put back: place by place where several boxes show the fog."""
        from filmdose.scan.correct import clear_from_rebate, correct_scan

        uneven = self.boxes if self.measures and len(self.boxes) > 1 else ()
        clear = self.clear
        if clear is None and self.boxes and self.encoding.name != "density":
            clear = clear_from_rebate(self.scan, self.boxes[0], tone, self.encoding)
        return correct_scan(self.scan, tone, self.encoding, clear=clear, boxes=uneven)


def _write(path: Path, plan: PrintPlan, encoding: Encoding, clear: str | None, picture: Picture | None) -> str:
    """Write the lookup table or the corrected scan; what was written, in words."""
    if plan.tone is None:
        raise ArgumentError("output", shown_path(path), "no curve: at this dose the film has no tones left")
    if path.suffix.lower() in _TABLES:
        lights = _numbers(clear) if picture is None else picture.clear
        if lights is None and picture is not None and picture.boxes:
            from filmdose.scan.correct import clear_from_rebate

            lights = clear_from_rebate(picture.scan, picture.boxes[0], plan.tone, encoding)
        write_bytes_atomic(path, cube_text(plan.tone, encoding, clear=lights).encode("ascii"))
        return f"Tone curve written for {encoding} numbers: {shown_path(path)}."
    from filmdose.scan.simulate import write_tiff

    assert picture is not None
    made = picture.corrected(plan.tone)
    write_tiff(made.pixels, path, pixel_um=picture.scan.pixel_um)
    low, high = made.kerma_ugy
    doses = f"{low:.0f} uGy" if high - low < 0.5 else f"{low:.0f} to {high:.0f} uGy, place by place"
    words = [f"Corrected scan written ({encoding}): {shown_path(path)}; fog of {doses} taken out."]
    words.append(f"{100 * made.outside:.1f} % of its pixels had a density that the fogged film does not have.")
    if encoding.name != "density":
        words.append(f"Clear light stands at {', '.join(f'{v:.3f}' for v in made.clear.values())} of full scale in it.")
    words += [one.sentence for one in list(made.backgrounds.values())[:1]]
    return " ".join(words)


def _numbers(text: str | None) -> list[float] | float | None:
    if text is None:
        return None
    found = number_list("clear", text, unit="full scale")
    return found[0] if len(found) == 1 else found


def _encoding(text: str | None, files: Sequence[Path], scan: Path | None) -> Encoding:
    if text is None:
        if files or scan is not None:
            action = "Look up how your scanner's program writes the file: linear, gamma=2.2 or density=4."
            raise ArgumentError("encoding", None, "what the numbers of the scan mean", action)
        return Encoding(name="linear")
    pictures = [path for path in files if path.suffix.lower() in _PICTURES]
    if pictures and scan is None:
        raise ArgumentError("scan", None, f"the scan that {pictures[0].name} is made of", "Give --scan SCAN.tif.")
    return parse_encoding(text)


def _from_trip(trip: Path | None, roll: str | None, given: dict[str, object], kind: str) -> Roll:
    from filmdose.tripfile import read_trip

    if trip is None or roll is None:
        name = "trip" if trip is None else "roll"
        raise ArgumentError(name, None, "a trip file and the id of a roll in it", "Give --trip TRIP.toml --roll ID.")
    beside = [name for name, value in given.items() if value] + (["kind"] if kind != DEFAULT_KIND else [])
    if beside:
        raise ArgumentError(beside[0], given.get(beside[0], kind), "nothing together with --trip")
    return find_roll(read_trip(trip), roll)
