"""What coupons have taught, in plain text and as JSON; and which coupon to put in the can next time."""

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from math import exp, log1p
from typing import Any

import numpy as np

from logger.correction import LAW_SPREAD, UNKNOWNS_OF_LOT, UNKNOWNS_OF_RECIPE, Evidence, Learned
from logger.correction_fit import NORMAL_90
from logger.coupon import Kind
from logger.sheet_parts import OF_LOT, Correction, recipe_of
from logger.steel.carbon_diffusion import DIFFUSIVITY_FACTOR_SPREAD
from logger.steel.pack_recipes import recipe_named
from logger.units import DisplayUnits
from logger.views.cautions import Moment, caution
from logger.views.text import TEXT_LETTERS, printable, table
from logger.views.wording import clock_words, date_words, length_number

SPARK_CLASSES = {
    1: "straight streaks, hardly a fork: wrought iron",
    2: "few forks: mild steel",
    3: "more forks, of several kinds: medium carbon",
    4: "bushy, forks begin at the wheel: high carbon",
    5: "very short, dull red, at the wheel: cast iron",
}
"""Five classes of spark (common practice, no source): to compare with known bars at the same wheel and pressure."""


@dataclass(frozen=True, slots=True)
class SparkNote:
    """A spark test to show: what of, when [s since 1970 UTC], its class, note and photo."""

    of: str
    utc_s: float
    spark_class: int
    note: str
    photo_name: str


def value_words(kind: Kind, value: float, units: DisplayUnits) -> str:
    """A value in its kind's unit, without the unit."""
    if kind is Kind.WEIGHT:
        return f"{1e3 * value:.1f}"
    if kind is Kind.DEPTH:
        return length_number(value, units)
    return f"{value:.1f}" if kind is Kind.HARDNESS else f"{value:.2f}"


def unit_words(kind: Kind, units: DisplayUnits) -> str:
    """The unit a kind is shown in."""
    return {Kind.WEIGHT: "g/m2", Kind.DEPTH: units.length, Kind.HARDNESS: "HRC"}.get(kind, "% C")


def learned_text(
    learned: Learned,
    numbers: Mapping[str, int],
    sparks: Sequence[SparkNote],
    units: DisplayUnits,
    zone: tzinfo | None,
) -> str:
    """Everything learned so far.

    Parameters
    ----------
    learned : what was learned
    numbers : of each measurement, by id
    sparks : spark tests, which teach nothing
    units : the reader's
    zone : of the times; None: this machine's
    """
    rows = [_evidence_row(each, numbers, units) for each in learned.evidence]
    head = ("no", "run", "measured", "found", "by the book", "now", "unit", "counts")
    blocks = [
        ["Measured on coupons, 90 % bands", *table(head, rows).split("\n")],
        ["What they say", *_wrapped(coefficient_words(learned))],
    ]
    doubts = [line for each in learned.evidence if each.why for line in _doubt_lines(each, numbers)]
    if doubts:
        blocks.insert(1, ["Disagrees with everything else", *doubts])
    if sparks:
        blocks.append(["Spark tests, kept as notes and never reckoned with", *_spark_lines(sparks, zone)])
    blocks.append(["Next coupon", *_wrapped([next_coupon_words(learned)])])
    names = [f'"{name}"' for name in (*learned.recipes, *learned.lots) if not name.startswith("coupon of run")]
    uses = f"The next run whose sheet names {' or '.join(names)} uses this; runs in the record stay as they were."
    blocks.append(textwrap.wrap(uses, TEXT_LETTERS))
    return "\n\n".join("\n".join(printable(line) for line in block) for block in blocks)


def _evidence_row(each: Evidence, numbers: Mapping[str, int], units: DisplayUnits) -> tuple[str, ...]:
    kind = each.measured.kind

    def told(value: float) -> str:
        return value_words(kind, value, units)

    number = numbers.get(each.measured.id, 0)
    before, after = (f"{told(band[1])} ({told(band[0])} to {told(band[2])})" for band in (each.before, each.after))
    words = each.measured.words or str(kind)
    return (
        str(number or "new"),
        each.run,
        words,
        told(each.measured.value),
        before,
        after,
        unit_words(kind, units),
        "yes" if each.used else "left out",
    )


def _doubt_lines(each: Evidence, numbers: Mapping[str, int]) -> list[str]:
    number = numbers.get(each.measured.id, 0)
    named = f"No {number}" if number else "The new one"
    both = "" if each.used else ", and is left out"
    words, far = each.measured.words or str(each.measured.kind), abs(each.from_others)
    what = f"{named}, {words}: {far:.1f} standard deviations off{both}."
    lines = textwrap.wrap(what, TEXT_LETTERS, initial_indent="  ", subsequent_indent="    ")
    for reason in each.why:
        lines += textwrap.wrap(f"It may be: {reason}.", TEXT_LETTERS, initial_indent="    ", subsequent_indent="      ")
    return lines


def coefficient_words(learned: Learned, named_only: bool = False) -> list[str]:
    """What each coefficient was by the book and is now, a sentence each; ``named_only``: no coupons without a lot."""
    place = {unknown: number for number, unknown in enumerate(learned.unknowns)}
    spread = np.sqrt(np.diag(learned.covariance))
    lines = []
    for name in learned.recipes:
        recipe = recipe_named(recipe_of(name))
        activity, transfer = (place["recipe", name, which] for which in UNKNOWNS_OF_RECIPE)
        width = recipe.carbon_activity.spread
        value, error = recipe.carbon_activity.value + width * learned.mean[activity], width * spread[activity]
        book = f"by the book {recipe.carbon_activity.value:.2f} give or take {NORMAL_90 * width:.2f}"
        lines.append(f"{name}: carbon activity {value:.2f} give or take {NORMAL_90 * error:.2f} ({book}).")
        width = log1p(recipe.mass_transfer_m_per_s.spread)
        factor = _factor(width * learned.mean[transfer], width * spread[transfer])
        lines.append(f"{name}: mass transfer {factor} times the book's (before: {_factor(0.0, width)}).")
    for lot in learned.lots:
        if named_only and lot.startswith("coupon of run"):
            continue
        start, own = (place["lot", lot, which] for which in UNKNOWNS_OF_LOT)
        law = place["law", "", "diffusivity"]
        width = log1p(DIFFUSIVITY_FACTOR_SPREAD)
        both = learned.covariance[own, own] + LAW_SPREAD**2 * learned.covariance[law, law]
        both += 2.0 * LAW_SPREAD * learned.covariance[own, law]
        factor = _factor(width * (learned.mean[own] + LAW_SPREAD * learned.mean[law]), width * float(np.sqrt(both)))
        before = _factor(0.0, width * float(np.sqrt(1.0 + LAW_SPREAD**2)))
        shift = f"{learned.mean[start]:+.1f} of its stated spread ({spread[start]:.1f} left of 1)"
        lines.append(f"{lot}: diffusivity {factor} times the law's (before: {before}); starting carbon {shift}.")
    return lines


def _factor(log_middle: float, log_spread: float) -> str:
    low, high = exp(log_middle - NORMAL_90 * log_spread), exp(log_middle + NORMAL_90 * log_spread)
    return f"{exp(log_middle):.2f} ({low:.2f} to {high:.2f})"


def next_coupon_words(learned: Learned) -> str:
    """Which coupon would tell most next time, by how far what is unknown moves the carbon of a run of some hours."""
    place = {unknown: number for number, unknown in enumerate(learned.unknowns)}
    spread = np.sqrt(np.diag(learned.covariance))
    moves = {"activity": 0.05, "transfer": 0.25, "diffusivity": 0.03}
    known = [
        (moves[which] * float(spread[place["recipe", name, which]]), which)
        for name in learned.recipes
        for which in UNKNOWNS_OF_RECIPE
    ]
    known += [
        (moves["diffusivity"] * float(spread[place["lot", lot, "diffusivity"]]), "diffusivity") for lot in learned.lots
    ]
    widest = max(known)[1]
    return {
        "transfer": "A thick plate, ground bright and weighed to 0.01 g: what the pack gives in a time is least known.",
        "activity": "A thin strip of shim, weighed to 1 mg or analysed: how much the pack can give is least known.",
        "diffusivity": "A pin of the same iron, cut and etched: how fast carbon moves in it is least known.",
    }[widest]


def _spark_lines(sparks: Sequence[SparkNote], zone: tzinfo | None) -> list[str]:
    rows = [
        (
            f"{date_words(spark.utc_s, zone)} {clock_words(spark.utc_s, zone)}",
            spark.of,
            f"class {spark.spark_class} of 5: {SPARK_CLASSES[spark.spark_class]}",
            spark.note,
            spark.photo_name,
        )
        for spark in sparks
    ]
    return [f"  {line}" for line in table(("entered", "of", "sparks", "note", "photo"), rows).split("\n")]


def _wrapped(sentences: Sequence[str]) -> list[str]:
    return [
        line
        for words in sentences
        for line in textwrap.wrap(words, TEXT_LETTERS, initial_indent="  ", subsequent_indent="    ")
    ]


def learned_object(learned: Learned | None, numbers: Mapping[str, int], sparks: Sequence[SparkNote]) -> dict[str, Any]:
    """What was learned as one JSON object: values in SI but for the trade's units, bands [5 %, 50 %, 95 %]."""
    kept = [
        {
            "of": spark.of,
            "entered_utc_s": spark.utc_s,
            "class": spark.spark_class,
            "note": spark.note,
            "photo": spark.photo_name,
        }
        for spark in sparks
    ]
    if learned is None:
        return {"coefficients": [], "evidence": [], "spark_tests": kept}
    spread = np.sqrt(np.diag(learned.covariance))
    return {
        "coefficients": [
            {"of": kind, "name": name, "coefficient": which, "mean": float(mean), "spread": float(sd)}
            for (kind, name, which), mean, sd in zip(learned.unknowns, learned.mean, spread, strict=True)
        ],
        "evidence": [
            {
                "number": numbers.get(each.measured.id),
                "run": each.run,
                "recipe": each.recipe,
                "iron_lot": each.lot,
                "kind": str(each.measured.kind),
                "unit": _UNIT[each.measured.kind],
                "value": each.measured.value,
                "spread": each.measured.spread,
                "before": list(each.before),
                "after": list(each.after),
                "used": each.used,
                "from_others": each.from_others,
                "may_be": list(each.why),
            }
            for each in learned.evidence
        ],
        "spark_tests": kept,
    }


_UNIT = {Kind.WEIGHT: "kg/m2", Kind.DEPTH: "m", Kind.HARDNESS: "HRC", Kind.CARBON: "wt%", Kind.MEAN_CARBON: "wt%"}


def sheet_table(correction: Correction) -> str:
    """A correction as the table of a run sheet."""

    def row(values: tuple[float, ...]) -> str:
        return f"[{', '.join(f'{value:.9g}' for value in values)}]"

    def quoted(words: str) -> str:
        return '"' + words.replace("\\", "\\\\").replace('"', '\\"') + '"'

    recipe = recipe_of(correction.recipe)
    lines = ["[correction]", f"recipe = {quoted(recipe)}"]
    if recipe != correction.recipe:
        lines.append(f"pack_lot = {quoted(correction.recipe.removeprefix(recipe + OF_LOT))}")
    lines.append(f"iron_lot = {quoted(correction.iron_lot)}")
    lines += [f"mean = {row(correction.mean)}", "covariance = ["]
    lines += [f"    {row(values)}," for values in correction.covariance]
    lines += ["]", f"evidence = [{', '.join(quoted(words) for words in correction.evidence)}]"]
    return "\n".join(lines)


def guide_text() -> str:
    """Which coupon to put in the can, and what to expect of it. Common practice, no source."""
    rows = [
        ("thick plate, 50 x 25 x 3 mm, weighed", "how fast the pack gives", "0.01 g scale: about 8 %; 1 mg: 2 to 3 %"),
        ("thin shim, 0.1 to 0.25 mm, weighed", "how much it can give", "wants 1 mg or better"),
        ("thin shim, analysed", "how much it can give", "0.02 to 0.03 % C: best of all"),
        ("pin of the same iron, cut and etched", "how it moves in this iron", "0.05 mm, or 7 % of the depth"),
        ("quenched slice, HRC at a ground depth", "carbon there, up to 0.6 %", "1.5 HRC, and 1.5 for what carbon says"),
        ("spark test", "nothing to reckon with", "a class of five, with a photo"),
    ]
    steps = [
        "Put coupons where the work lies. One thick and one thin of one run tell mass transfer and activity apart.",
        "Weigh before: ground bright, dry. Weigh after: charcoal brushed off, cooled shut so that no scale grew. Scale "
        "weighs, and scale that falls off takes iron along.",
        "Say what a depth was read to: a carbon, core + 0.04 % (all of the dark band), or core + 0.07 %. Without that "
        "it says nothing.",
        "Below 60 HRC over rich steel is retained austenite or a decarburized skin, not little carbon: grind deeper, "
        "test again.",
        "Say the coupon's lot with --lot where it is of the same iron as the work.",
    ]
    blocks = [table(("coupon", "tells", "one-sigma error to expect"), rows)]
    blocks.append(
        "\n".join(line for words in steps for line in textwrap.wrap(words, TEXT_LETTERS, subsequent_indent="  "))
    )
    blocks.append("\n".join(textwrap.wrap(caution(Moment.DUMPING_PACK), TEXT_LETTERS)))
    return "\n\n".join(blocks)
