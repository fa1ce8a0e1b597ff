"""Two or more runs side by side, or one run with other eyes: a table of differences, as text, JSON and picture.

Every value is one of the runs' JSON contract objects; here they are only put beside each other. Runs are laid over
each other from a common moment: their start, the beginning of their soak, or a mark.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any, Literal

from logger.errors import Fault, InputFault
from logger.situation import Situation
from logger.units import DisplayUnits
from logger.views.contract import review_object
from logger.views.contract_words import Said, Teller
from logger.views.run_views import snapshot_of
from logger.views.snapshot import headline
from logger.views.text import table
from logger.views.wording import duration_words

Align = Literal["start", "soak", "mark"]

Kind = Literal["temperature", "length", "carbon", "hours", "duration", "parameter", "hardness", "gain", "seconds"]


@dataclass(frozen=True, slots=True)
class Compared:
    """One run of a comparison: its letter, what a person called it, its situation, its moment of alignment [s]."""

    letter: str
    called: str
    situation: Situation
    align_s: float
    contract: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Runs beside each other, the first being the one the others are compared with."""

    runs: tuple[Compared, ...]
    align: Align
    units: DisplayUnits
    zone: tzinfo | None = None


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One quantity of every run: its place in the contract, words for each run, and how the others differ.

    ``apart`` says for each run but the first whether the two bands of 5 to 95 % leave room between them; None where
    there are no bands.
    """

    label: str
    place: str
    values: tuple[Said, ...]
    differences: tuple[str, ...]
    apart: tuple[bool | None, ...]


def compared(
    situations: Sequence[tuple[str, Situation]],
    align: Align = "start",
    mark: str = "",
    zone: tzinfo | None = None,
) -> Comparison:
    """Runs to compare, all of them in the units of the first.

    Parameters
    ----------
    situations : what each was called, and its situation; at least two
    align : the moment that is laid over the same moment of the others
    mark : for "mark", words of a note or an alert; the first that has them counts
    zone : the reader's time zone; None: the machine's own

    Raises   InputFault    fewer than two runs; a run without such a moment
    """
    if len(situations) < 2:
        raise InputFault(Fault("runs to compare", str(len(situations)), "at least two"))
    faults, runs = [], []
    units = situations[0][1].problem.sheet.display
    for number, (called, given) in enumerate(situations):
        situation = given.shown_in(units)
        contract = review_object(situation)
        align_s = _moment_s(contract, align, mark)
        if align_s is None:
            expected = "a soak" if align == "soak" else f'a note or an alert with "{mark}"'
            faults.append(Fault(f"{called}, --align {align}", "none", expected))
            align_s = 0.0
        runs.append(Compared(_letter(number), called, situation, align_s, contract))
    if faults:
        raise InputFault(faults)
    return Comparison(tuple(runs), align, units, zone)


def _letter(number: int) -> str:
    return chr(ord("A") + number) if number < 26 else f"{chr(ord('A') + number // 26 - 1)}{chr(ord('A') + number % 26)}"


def _moment_s(contract: dict[str, Any], align: Align, mark: str) -> float | None:
    """Run time [s] of the moment a run is aligned at; None where it has none."""
    if align == "start":
        return 0.0
    if align == "soak":
        soaks = contract["thermal"]["soaks"]
        return float(soaks[0]["start_s"]) if soaks else None
    words = mark.casefold()
    moments = [
        *(
            note["time_s"]
            for note in contract["notes"]
            if note["time_s"] is not None and words in note["text"].casefold()
        ),
        *(
            event["time_s"]
            for event in contract["alerts"]
            if event["phase"] == "raised" and words in f"{event['title']} {event['message']}".casefold()
        ),
    ]
    return float(min(moments)) if moments else None


# --- the table --------------------------------------------------------------------------------------------------------

ROWS: tuple[tuple[str, str, Kind], ...] = (
    ("Hottest steel", "thermal/peak_C", "temperature"),
    ("From start to soak", "thermal/soaks/0/start_s", "seconds"),
    ("At heat inside", "thermal/at_heat_inside_h", "duration"),
    ("At heat by the oven", "thermal/at_heat_by_the_oven_h", "duration"),
    ("Without readings", "thermal/without_readings_h", "duration"),
    ("Equivalent time", "thermal/equivalent_time_h", "hours"),
    ("Surface carbon", "carbon/surface_wt_pct", "carbon"),
    ("Core carbon", "carbon/core_wt_pct", "carbon"),
    ("Mean carbon", "carbon/mean_wt_pct", "carbon"),
    ("Carbon taken up", "carbon/gain_g_per_m2", "gain"),
    ("Skin melted, deepest", "carbon/liquid_depth_mm", "length"),
    ("Skin with carbide, deepest", "carbon/carbide_depth_mm", "length"),
    ("To grind off", "carbon/grind_depth_mm", "length"),
    ("Tempering parameter", "tempering/parameter", "parameter"),
    ("Same as one temper of", "tempering/equivalent_time_h", "hours"),
    ("Hardness after the temper", "tempering/hardness_HRC", "hardness"),
)


def rows_of(comparison: Comparison) -> tuple[ComparedRow, ...]:
    """Every quantity that at least one of the runs has."""
    first = comparison.runs[0].contract
    levels = [
        f"{target['at_carbon_wt_pct']:.2f}"
        for run in comparison.runs
        for target in run.contract["targets"]
        if target["at_carbon_wt_pct"] is not None
    ]
    places: list[tuple[str, str, Kind]] = [
        (f"Case depth to {level} % C", f"carbon/case_depth_mm/{level}", "length")
        for level in dict.fromkeys(levels or (["0.40"] if _carburizes(first) else []))
    ]
    places += [
        row
        for row in ROWS
        if not row[1].startswith("carbon/") or any(_carburizes(run.contract) for run in comparison.runs)
    ]
    tellers = [Teller(run.contract, comparison.units, comparison.zone) for run in comparison.runs]
    found = []
    for label, place, kind in places:
        values = [teller.at(place) for teller in tellers]
        if all(value is None or (value == 0 and "depth" in place) for value in values) or all(
            not value for value in values
        ):
            continue
        others = zip(tellers[1:], values[1:], strict=True)
        found.append(
            ComparedRow(
                label=label,
                place=place,
                values=tuple(_said(teller, place, kind) for teller in tellers),
                differences=tuple(_difference(values[0], value, kind, comparison.units) for value in values[1:]),
                apart=tuple(_apart(tellers[0].at(f"band/{place}"), teller.at(f"band/{place}")) for teller, _ in others),
            )
        )
    return tuple(found)


def _carburizes(contract: dict[str, Any]) -> bool:
    wanted = contract["wanted"]
    return wanted["pack"] is not None or any(stage["pack"] for stage in wanted["stages"])


def _said(teller: Teller, place: str, kind: Kind) -> Said:
    if teller.at(place) is None:
        return Said("-", (place,))
    match kind:
        case "temperature":
            return teller.temperature(place)
        case "length":
            return teller.length(place)
        case "carbon":
            return teller.carbon(place)
        case "hours":
            return teller.hours(place)
        case "duration":
            return teller.duration(place)
        case "parameter":
            return teller.parameter(place)
        case "hardness":
            return teller.hardness(place)
        case "gain":
            return teller.number(place, "{:.0f} g/m²")
        case "seconds":
            return Said(duration_words(teller.at(place)), (place,))


def _difference(first: float | None, other: float | None, kind: Kind, units: DisplayUnits) -> str:
    """By how much the other is more than the first, with its sign, in the person's unit."""
    if first is None or other is None:
        return "-"
    words = _more(other - first, kind, units)
    return words if any(digit in "123456789" for digit in words) else "same"


def _more(more: float, kind: Kind, units: DisplayUnits) -> str:
    match kind:
        case "temperature":
            return f"{units.temperature_difference(more):+.0f} {units.temperature}"
        case "length":
            return f"{units.length_from_metres(more / 1000.0):+.{2 if units.length == 'mm' else 3}f} {units.length}"
        case "carbon":
            return f"{more:+.2f} % C"
        case "hours":
            return f"{more:+.2f} h"
        case "parameter":
            return f"{more:+,.0f}"
        case "hardness":
            return f"{more:+.0f} HRC"
        case "gain":
            return f"{more:+.0f} g/m²"
        case "duration" | "seconds":
            seconds = more * (3600.0 if kind == "duration" else 1.0)
            return f"{'-' if seconds < 0.0 else '+'}{duration_words(abs(seconds))}"


def _apart(first: list[float] | None, other: list[float] | None) -> bool | None:
    if not first or not other:
        return None
    return first[-1] < other[0] or other[-1] < first[0]


# --- as text and JSON -------------------------------------------------------------------------------------------------

ALIGNED = {"start": "their start", "soak": "the beginning of their soak", "mark": "the mark"}


def comparison_text(comparison: Comparison) -> str:
    """The comparison for a terminal."""
    lines = []
    for run in comparison.runs:
        lines.append(f"{run.letter}  {run.called}: {run.situation.name}")
        lines.append(f"   {headline(snapshot_of(run.situation, comparison.zone))}")
    head, rows = table_of(comparison)
    marked = any(apart for row in rows_of(comparison) for apart in row.apart)
    said = "\n\n* further apart than both ranges of 5 to 95 % explain" if marked else ""
    return "\n".join(lines) + "\n\n" + table(head, rows) + said


def table_of(comparison: Comparison) -> tuple[list[str], list[list[str]]]:
    """Head and rows of the table: a column for each run, and for each but the first its difference."""
    head = ["", comparison.runs[0].letter]
    for run in comparison.runs[1:]:
        head += [run.letter, f"{run.letter} - {comparison.runs[0].letter}"]
    rows = []
    for row in rows_of(comparison):
        cells = [row.label, row.values[0].words]
        for said, difference, apart in zip(row.values[1:], row.differences, row.apart, strict=True):
            cells += [said.words, f"{difference}{' *' if apart else ''}"]
        rows.append(cells)
    return head, rows


def comparison_object(comparison: Comparison) -> dict[str, Any]:
    """The comparison for programs: every run's own object, and the differences from the first."""
    first = Teller(comparison.runs[0].contract)
    differences = []
    for row in rows_of(comparison):
        values = [Teller(run.contract).at(row.place) for run in comparison.runs]
        differences.append(
            {
                "quantity": row.label,
                "place": row.place,
                "values": values,
                "more_than_first": [
                    None if value is None or first.at(row.place) is None else value - first.at(row.place)
                    for value in values[1:]
                ],
                "bands_apart": list(row.apart),
            }
        )
    return {
        "align": comparison.align,
        "runs": [
            {"letter": run.letter, "called": run.called, "aligned_at_s": run.align_s, "review": run.contract}
            for run in comparison.runs
        ],
        "differences": differences,
    }
