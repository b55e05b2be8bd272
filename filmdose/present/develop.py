"""Development as documents: contrast against time, temperature, trade and choice, restrainers, work on location."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.development.choice import DevelopmentChoice, Trade
from filmdose.development.contrast import DevelopmentFit
from filmdose.development.location import CARRY, CHECKS, LocationPlan
from filmdose.development.restrainers import TEST_STRIPS, Restrained, RestrainerPair
from filmdose.development.temperature import LAWS, TemperatureFit, fit_temperature
from filmdose.errors import ArgumentError
from filmdose.film.model import film_words
from filmdose.present.document import Block, Document, Facts, Heading, Paragraph, Table
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, dose_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CHEMICAL_CAUTION",
    "contrast_document",
    "location_document",
    "restrainer_document",
    "roll_development_document",
    "strips_document",
    "temperature_document",
]

#: The caution that goes with every development.
CHEMICAL_CAUTION = (
    "Gloves, fresh air, labelled bottles, disposal by the local rules; chemicals have rules of their own for carriage "
    f"by air. {TEST_FIRST}"
)


def _document(
    mode: str, title: str, blocks: Sequence[Block], result: dict[str, Any], frame: pd.DataFrame, notes: Sequence[str]
) -> Document:
    rows = frame.to_dict(orient="records")
    data = {"mode": mode, "result": result, "rows": rows, "notes": list(notes)}
    said = [*blocks, *map(Paragraph, notes), Paragraph(CHEMICAL_CAUTION, small=True)]
    return Document(kind="develop", title=title, blocks=tuple(said), data=data, rows=frame)


def _with_error(value: float, error: float | None, unit: str, digits: int = 2) -> str:
    told = "error not known" if error is None or math.isnan(error) else f"standard error {error:.2g}"
    return f"{value:.{digits}f} {unit}".rstrip() + f" ({told})"


def contrast_document(fit: DevelopmentFit, wanted: Sequence[float] = ()) -> Document:
    """Contrast against time, and the times of contrasts that are wanted."""
    frame = fit.to_dataframe()
    units = {"gamma_infinity": "", "rate_per_min": "1/min", "induction_min": "min"}
    names = {"gamma_infinity": "limit of contrast", "rate_per_min": "rate k", "induction_min": "induction time t0"}
    digits = {"gamma_infinity": 3, "rate_per_min": 4, "induction_min": 2}
    facts = [
        (names[name], _with_error(getattr(fit.curve, name), error, units[name], digits[name]))
        for name, error in fit.errors.items()
    ]
    facts.append(("rms of the residuals", f"{fit.rms:.4f}"))
    times = [(gamma, *fit.time_for(gamma)) for gamma in wanted]
    for gamma, time, error in times:
        said = "no time gives it" if math.isnan(time) else _with_error(time, error, "min", 1)
        facts.append((f"time for contrast {gamma:g}", said))
    table = Table.of(
        {
            "minutes": [f"{v:g}" for v in frame["time_min"]],
            "contrast": [f"{v:.3f}" for v in frame["gamma"]],
            "fitted": [f"{v:.3f}" for v in frame["fitted"]],
            "residual": [f"{v:+.3f}" for v in frame["residual"]],
        },
        numeric=("minutes", "contrast", "fitted", "residual"),
    )
    result = {name: getattr(fit.curve, name) for name in names} | {
        "errors": {name: None if math.isnan(error) else error for name, error in fit.errors.items()},
        "rms": fit.rms,
        "times": [{"gamma": gamma, "time_min": time, "error_min": error} for gamma, time, error in times],
    }
    title = "Contrast against time of development"
    return _document("contrast", title, [Facts(tuple(facts)), table], result, frame, fit.notes)


def temperature_document(fit: TemperatureFit, at: Sequence[float] = ()) -> Document:
    """Time against temperature, and times at temperatures that are asked for."""
    frame = fit.to_dataframe()
    pairs = {"temperatures_c": fit.temperatures_c.tolist(), "times_min": fit.times_min.tolist()}
    others = {law: fit_temperature(**pairs, law=law, reach_c=fit.reach_c) for law in LAWS if law != fit.law}
    facts = [
        ("Q10", _with_error(fit.q10, fit.q10_error, "")),
        ("activation energy", f"{fit.energy_kj_mol:.0f} kJ/mol"),
    ]
    times = []
    for temperature in at:
        time, error = fit.time_at(temperature)
        times.append({"temperature_c": temperature, "time_min": time, "error_min": error})
        by_law = ", ".join(f"{other.time_at(temperature)[0]:.2f} by {law}" for law, other in others.items())
        facts.append((f"time at {temperature:g} C", f"{_with_error(time, error, 'min')}; {by_law}"))
    columns = {
        "C": [f"{v:.1f}" for v in frame["temperature_c"]],
        "minutes": [f"{v:g}" for v in frame["time_min"]],
        "fitted": [f"{v:.2f}" for v in frame["fitted_min"]],
    }
    notes = [f"Times are told up to {fit.reach_c:g} degrees beyond the pairs and no further."]
    result = {"law": fit.law, "q10": fit.q10, "q10_error": fit.q10_error, "energy_kj_mol": fit.energy_kj_mol}
    table = Table.of(columns, numeric=columns)
    title = "Time of development against temperature"
    return _document("temperature", title, [Facts(tuple(facts)), table], result | {"times": times}, frame, notes)


def roll_development_document(trade: Trade, choice: DevelopmentChoice | None = None) -> Document:
    """What other development trades on a roll, and which one is best for a wanted range."""
    title = f"Development of {film_words(trade.film)}, fogged by {dose_text(trade.kerma_ugy)}"
    blocks: list[Block] = []
    notes = list(trade.notes)
    result: dict[str, Any] = {"kerma_ugy": trade.kerma_ugy, "kind": trade.film.kind, "choice": None}
    if choice is not None:
        blocks += [Paragraph(choice.message, bold=True), *map(Paragraph, choice.notes)]
        skipped = ("film", "question", "wanted", "table", "notes")
        plain = {name: getattr(choice, name) for name in choice.__dataclass_fields__ if name not in skipped}
        wanted = {"low": choice.wanted.low, "high": choice.wanted.high, "words": choice.wanted.words}
        result["choice"] = plain | {"wanted": wanted, "notes": list(choice.notes)}
        notes = [note for note in notes if note not in choice.notes]
    if len(trade.table):
        blocks.append(_trade_table(trade))
    return _document("roll", title, blocks, result, trade.table, notes)


def _trade_table(trade: Trade) -> Table:
    import pandas as pd

    rows = trade.table
    several = len(trade.film.records) > 1
    columns: dict[str, Any] = {"contrast x": [f"{v:.2f}" for v in rows["factor"]]}
    if rows["time_min"].notna().any():
        columns["minutes"] = ["" if pd.isna(v) else f"{v:.1f}" for v in rows["time_min"]]
    if several:
        columns["record"] = rows["record"]
    columns |= {
        "contrast": [f"{v:.2f}" for v in rows["contrast"]],
        "density range": [f"{v:.2f}" for v in rows["density_range"]],
        "speed": [format_speed(round(v)) for v in rows["speed"]],
        "fog": [f"{v:.3f}" for v in rows["fog_density"]],
        "base + fog": [f"{v:.2f}" for v in rows["base_plus_fog"]],
        "grain": [f"{v:.1f}" for v in rows["grain"]],
        "shadows kept": [
            f"{100 * k:.0f} % ({100 * low:.0f} to {100 * high:.0f})"
            for k, low, high in zip(rows["snr_kept"], rows["snr_low"], rows["snr_high"], strict=True)
        ],
    }
    if not several:
        columns["grade"] = ["none" if pd.isna(v) else f"{v:.0f}" for v in rows["grade"]]
    of_paper = "" if several else "; grade: of the paper that takes the density range (ISO 6846)"
    return Table.of(
        columns,
        numeric=[name for name in columns if name != "record"],
        title="What shorter and longer development trades",
        caption="speed: at the standard's density; grain: 1000 sigma of the shadow through 48 um; shadows kept: "
        "signal-to-noise over that of the clean film in normal development, with the range over what is not known"
        f"{of_paper}.",
    )


def restrainer_document(pair: RestrainerPair, found: Restrained, words: str) -> Document:
    """What a measured restrainer gains and loses on a roll."""
    import pandas as pd

    rows = [
        ("fog by radiation", f"{found.fog_density:.3f}", f"{found.fog_restrained:.3f}"),
        ("printing exposure saved", "", f"{found.printing_stops_saved:.2f} stops"),
        ("speed lost", "", f"{found.speed_stops_lost:.2f} stops"),
        (
            "shadow signal-to-noise kept",
            f"{100 * found.snr_without:.0f} %",
            f"{100 * found.snr_worst:.0f} to {100 * found.snr_best:.0f} %",
        ),
    ]
    names = ("fog_density", "fog_restrained", "printing_stops_saved", "speed_stops_lost")
    result = {name: getattr(found, name) for name in (*names, "snr_without", "snr_worst", "snr_best")}
    result |= {"fog_factor": pair.fog_factor, "speed_factor": pair.speed_factor}
    frame = pd.DataFrame(rows, columns=["quantity", "without", "with"])
    table = Table(("", "without", "with the restrainer"), tuple(rows), numeric=frozenset({1, 2}))
    return _document("restrainer", f"A restrainer for {words}", [table], result, frame, found.notes)


def strips_document(pair: RestrainerPair | None = None, notes: Sequence[str] = ()) -> Document:
    """How to measure a restrainer on one unimportant roll; the pair, once its strips have been read."""
    import pandas as pd

    if isinstance(notes, (str, Mapping)) or not all(isinstance(note, str) for note in notes):
        raise ArgumentError("notes", notes, "a sequence of texts")
    blocks: list[Block] = []
    result: dict[str, Any] = {"pair": None}
    if pair is not None:
        names = ("fog_factor", "fog_error", "speed_factor", "speed_error")
        result["pair"] = {name: getattr(pair, name) for name in names}
        blocks += [Heading("What the strips say"), *map(Paragraph, notes)]
    blocks.append(Heading("The test"))
    blocks += [Paragraph(f"{number}. {words}") for number, words in enumerate(TEST_STRIPS, 1)]
    frame = pd.DataFrame({"step": range(1, len(TEST_STRIPS) + 1), "what": TEST_STRIPS})
    honest = "Nobody has published such a pair for radiation fog; filmdose has no default."
    return _document("strips", "A restrainer, measured on one unimportant roll", blocks, result, frame, [honest])


def location_document(plan: LocationPlan) -> Document:
    """Developing on location, on one page."""
    title = "Developing on location" + (f": {plan.title}" if plan.title else "")
    title += " [invented]" if plan.invented else ""
    blocks: list[Block] = []
    facts = [("rolls", f"{plan.roll_count}; tanks: {len(plan.batches)}")]
    if plan.time_min is not None and plan.temperature_c is not None:
        time = _with_error(plan.time_min, plan.time_error_min, "min", 1)
        facts.append(("time", f"{time} at {plan.temperature_c:g} C, pairs and thermometer together"))
    else:
        facts.append(("time", "not known: give pairs of temperature and time of your film and developer"))
    facts += [(name, f"{volume:.0f} ml in all") for name, volume in plan.volumes]
    if not plan.volumes:
        facts.append(("solutions", "not given: volume for a tank and rolls a litre are your maker's"))
    order = Table.of(
        {
            "tank": [str(number) for number, _ in enumerate(plan.batches, 1)],
            "rolls": [", ".join(batch.rolls) for batch in plan.batches],
            "film": [batch.film for batch in plan.batches],
            "risk": ["test first" if batch.test else f"{batch.risk:.3f}" for batch in plan.batches],
            "done": ["[  ]"] * len(plan.batches),
        },
        numeric=("tank", "risk"),
        title="In this order",
        caption="risk: importance times the fog that what lies ahead would add; what is developed is safe.",
    )
    blocks += [Facts(tuple(facts)), order, *(Paragraph(note, small=True) for note in plan.notes)]
    blocks += [Heading("Carry"), *(Paragraph(f"[  ] {words}", small=True) for words in CARRY)]
    blocks += [Heading("Check"), *(Paragraph(f"[  ] {words}", small=True) for words in CHECKS)]
    result = {
        "temperature_c": plan.temperature_c,
        "time_min": plan.time_min,
        "time_error_min": plan.time_error_min,
        "volumes_ml": dict(plan.volumes),
        "plan_notes": list(plan.notes),
    }
    return _document(
        "location", title, blocks, result, plan.to_dataframe(), ["The lists are common practice, no source."]
    )


hold_to_annotations(globals())
