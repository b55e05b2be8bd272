"""What is known of a trip and how surely, and what measured rolls have taught, as documents."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.history import pass_sentences
from filmdose.present.document import Block, Document, Paragraph, Table
from filmdose.present.trip import trip_title
from filmdose.result import Result
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, figure_text

if TYPE_CHECKING:
    import pandas as pd

    from filmdose.odds import Learned, TripOdds
    from filmdose.odds.sensitivity import Narrowing
    from filmdose.outlook import Outlook

__all__ = ["Reasons", "learned_document", "odds_document"]


@dataclass(frozen=True, kw_only=True)
class Reasons(Result):
    """What matters most for one roll: its tornado and Sobol tables, and what would narrow the answer."""

    roll: str
    tornado: pd.DataFrame
    sobol: pd.DataFrame
    narrowing: Narrowing


def odds_document(odds: TripOdds, *, notes: Sequence[str] = (), reasons: Reasons | None = None) -> Document:
    """How sure the index of every roll is.

    Parameters
    ----------
    odds
        The odds of a trip.
    notes
        What to say beside them.
    reasons
        What matters most for one of the rolls.
    """
    data: dict[str, Any] = {
        "title": odds.trip.title,
        **{name: getattr(odds.question, name) for name in odds.question.__dataclass_fields__},
        "samples": odds.samples,
        "settled_stops": odds.settled_stops,
        "learned": None if odds.learned is None else str(odds.learned),
        "notes": list(notes),
        "rolls": [row.to_dict() for row in odds.rolls],
    }
    rows = odds.to_rows()
    blocks: list[Block] = [_table(rows)]
    for row in odds.rolls:
        head = "" if row.message.startswith(row.headline) else f"{row.headline} "
        blocks.append(Paragraph(f"{row.roll.id}: {head}{row.message}"))
        if row.bracket is not None:
            blocks.append(Paragraph(row.bracket_sentence))
    if reasons is not None:
        data["why"] = _reasons_data(reasons)
        blocks += [_reasons_table(reasons), Paragraph(reasons.narrowing.message)]
    cautions = dict.fromkeys(
        words for roll in odds.trip.rolls for part in roll.history.passes for words in pass_sentences(part)
    )
    blocks += [Paragraph(words) for words in (odds.footnote, *notes, *cautions, TEST_FIRST)]
    title = trip_title(odds.trip, "How sure the exposure index is")
    return Document(kind="odds", title=title, blocks=tuple(blocks), data=data, rows=rows)


def _table(rows: Sequence[Mapping[str, Any]]) -> Table:
    from filmdose.odds.results import chance_text

    found = {name: [row[name] for row in rows] for name in rows[0]}

    def interval(low: str, middle: str, high: str, digits: str) -> list[str]:
        triples = zip(found[middle], found[low], found[high], strict=True)
        return ["{} ({} to {})".format(*("-" if math.isnan(v) else format(v, digits) for v in t)) for t in triples]

    def indices(name: str) -> list[str]:
        return ["-" if math.isnan(value) else format_speed(value) for value in found[name]]

    kinds = {"kind": found["kind"]} if len(set(found["kind"])) > 1 else {}
    columns = {
        "roll": found["roll"],
        **kinds,
        "ISO": [format_speed(value) for value in found["speed"]],
        "fog": interval("fog_low", "fog_density", "fog_high", ".2f"),
        "stops": interval("stops_low", "stops", "stops_high", ".1f"),
        ">1 stop": [chance_text(value) for value in found["chance_over_one_stop"]],
        "nothing helps": [chance_text(value) for value in found["chance_beyond_rescue"]],
        "EI if typical": indices("ei_median"),
        "EI to set": indices("ei_recommended"),
        "bracket": found["bracket_ei"],
        "verdict": found["verdict"],
        "status": [value.replace("_", " ") for value in found["status"]],
    }
    right = ("ISO", "fog", "stops", ">1 stop", "nothing helps", "EI if typical", "EI to set")
    return Table.of(columns, numeric=right, caption=_COLUMNS_TOLD)


#: What the columns of the table mean.
_COLUMNS_TOLD = (
    "Figures are those of the middle case, in brackets where 9 of 10 cases lie; - stands where nothing helps. Fog: "
    "density added (of slides: lost in the blacks). Stops: more exposure wanted (of slides and exposed rolls: lost). "
    ">1 stop: chance of more than one of them. EI to set: the safe index, of least loss on average over all cases."
)


def _reasons_data(reasons: Reasons) -> dict[str, Any]:
    def rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
        return frame.reset_index().to_dict(orient="records")  # type: ignore[return-value]

    return {
        "roll": reasons.roll,
        "tornado": rows(reasons.tornado),
        "sobol": rows(reasons.sobol),
        "narrowing": rows(reasons.narrowing.table),
        "message": reasons.narrowing.message,
    }


def _reasons_table(reasons: Reasons) -> Table:
    table = reasons.tornado.join(reasons.sobol[["first", "total", "total_low", "total_high"]]).reset_index()
    columns = {
        "input": table["input"],
        "stops at 5 %": [f"{value:.2f}" for value in table["low"]],
        "at 95 %": [f"{value:.2f}" for value in table["high"]],
        "alone": [f"{100 * max(value, 0.0):.0f} %" for value in table["first"]],
        "with others": [
            f"{100 * value:.0f} % ({100 * max(low, 0.0):.0f} to {100 * high:.0f})"
            for value, low, high in zip(table["total"], table["total_low"], table["total_high"], strict=True)
        ],
    }
    title = f"What matters most for roll {reasons.roll}: each unknown at its ends, and its share of the variance"
    return Table.of(columns, numeric=list(columns)[1:], title=title)


def learned_document(
    taught: Learned, outlook: Outlook, *, details: bool = False, notes: Sequence[str] = ()
) -> Document:
    """What measured rolls have taught, and what that means for the others.

    Parameters
    ----------
    taught, outlook
        What was learnt, and what is told of its trip after it.
    details
        Show the parameters as well.
    notes
        What to say beside it.
    """
    trip = outlook.trip
    rows = taught.to_dataframe().reset_index()

    def interval(suffix: str) -> list[str]:
        columns = zip(*(rows[f"{name}{suffix}"] for name in ("typical", "low", "high")), strict=True)
        return [f"{middle:.3g} ({low:.3g} to {high:.3g})" for middle, low, high in columns]

    scanners = [_scanner_words(row) for row in rows.to_dict(orient="records") if row["quantity"].startswith(_PRODUCT)]
    ahead = {name: f" Including {scans} scans ahead." for name, scans in outlook.counted.items()}
    advice = [f"{row.roll.id}: {row.headline}{ahead.get(row.roll.id, '')}" for row in outlook.odds.rolls]
    words = str(taught)
    read = f"Read: {'; '.join(taught.readings)}."
    blocks: list[Block] = [*map(Paragraph, (read, *scanners, *advice))]
    if details:
        columns = {
            "quantity": rows["quantity"],
            "before": interval("_before"),
            "after": interval(""),
            "unit": rows["unit"],
            "narrowed": [f"{100 * value:.0f} %" for value in rows["narrowed"]],
        }
        blocks += [
            Table.of(columns, numeric=("before", "after", "narrowed")),
            Paragraph(f"{words[0].upper()}{words[1:]}. Chance of such readings before: {taught.probability:.2g}."),
            Paragraph(
                "A measured fog shows kappa times dose, not each of them: that product is what the other rolls depend "
                "on."
            ),
        ]
    blocks += [Paragraph(note) for note in (*notes, TEST_FIRST)]
    return Document(
        kind="learn",
        title=trip_title(trip, "What measured rolls teach"),
        blocks=tuple(blocks),
        data={
            "title": trip.title,
            "readings": list(taught.readings),
            "draws": len(taught.weights),
            "effective_draws": taught.effective_draws,
            "probability": taught.probability,
            "quantities": rows.to_dict(orient="records"),
            "scanners": scanners,
            "rolls": outlook.to_rows(),
            "notes": list(notes),
        },
        rows=rows,
    )


_PRODUCT = "kappa * "

#: Fog over the usual that is not worth speaking of, either way.
_USUAL = 1.25


def _scanner_words(row: Mapping[Any, Any]) -> str:
    """How much a scanner fogs over what was believed of it before, in words."""
    name = row["quantity"].removeprefix(_PRODUCT).removeprefix("dose[").removesuffix("]").replace(" @ ", ", ")
    usual = row["typical_before"]
    low, middle, high = (row[point] / usual for point in ("low", "typical", "high"))
    if 1.0 / _USUAL < middle < _USUAL:
        said = "fogged these films about as much as usual"
    else:
        said = f"fogged these films about {figure_text(middle, 2)} times as much as usual"
    return f"Scanner {name}: {said} ({figure_text(low, 2)} to {figure_text(high, 2)} times)."


hold_to_annotations(globals())
