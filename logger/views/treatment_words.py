"""What a piece comes to when it is quenched and tempered, in the person's words and units. Only words."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite

import numpy as np

from logger.estimate.bands import Bands
from logger.estimate.hardening import MUCH_AUSTENITE
from logger.estimate.heat_treatment import COLD_TEMPER_K, HeatTreatment, SteelPoints, TemperAhead
from logger.estimate.result import Estimate
from logger.sheet import RunSheet
from logger.sheet_parts import Bath, Quantity, Target
from logger.situation import Situation
from logger.units import DisplayUnits, FloatArray
from logger.views.cautions import Moment
from logger.views.wording import (
    duration_words,
    hardness_words,
    length_words,
    parameter_words,
    temperature_range_words,
    temperature_words,
)

Row = tuple[str, str, str]
"""A label, a value, and what the value rests on."""

THROUGH = {True: "hardens through", False: "not through", None: "through or not, as the bath is moved"}


@dataclass(frozen=True, slots=True)
class TreatmentLines:
    """What a review says of hardening and tempering: rows, sentences, cautions; empty where there is nothing to say."""

    hardening: tuple[Row, ...] = ()
    advice: tuple[str, ...] = ()
    heats: tuple[str, ...] = ()
    ahead: tuple[Row, ...] = ()
    cautions: tuple[Moment, ...] = ()


def treatment_lines(situation: Situation) -> TreatmentLines:
    """Everything a review says of hardening and tempering."""
    treatment = situation.estimate.treatment
    if treatment is None:
        return TreatmentLines()
    sheet, units = situation.problem.sheet, situation.problem.sheet.display
    return TreatmentLines(
        hardening=tuple(_hardening(treatment, situation.bands, units)),
        advice=tuple(_advice(treatment, units)),
        heats=tuple(_heats(treatment, units)),
        ahead=ahead_rows(treatment, sheet),
        cautions=cautions_for(situation.estimate),
    )


def quenched_rows(treatment: HeatTreatment | None, bands: Bands | None, units: DisplayUnits) -> tuple[Row, ...]:
    """The lines for a list of facts: what the face comes to as quenched, and after the temper where that varies."""
    if treatment is None or treatment.section is None:
        return ()
    return tuple(row for row in _hardening(treatment, bands, units) if row[0] in ("Hardness as quenched", "Tempered"))


def _hardening(treatment: HeatTreatment, bands: Bands | None, units: DisplayUnits) -> Iterator[Row]:
    section = treatment.section
    if section is None:
        return
    bath = f"{treatment.known}; {treatment.bath}" if treatment.bath else str(treatment.known)
    yield "Quenched from", temperature_words(treatment.quench_K, units), bath
    for steel in treatment.steels:
        yield from _steel(steel, units)
    of = None if bands is None else bands.section
    quenched = (
        of.quenched_HRC if of is not None else np.stack([section.low_HRC, section.hardness_HRC, section.high_HRC])
    )
    yield "Hardness as quenched", *_face_and_core(section.hardness_HRC, quenched)
    deep_m = section.depth_50_hrc_m
    if deep_m <= 0.0:
        yield "Depth to 50 HRC", "none: no place is so hard", ""
    elif deep_m >= float(section.depth_m[-1]):
        yield "Depth to 50 HRC", "harder throughout", ""
    else:
        band = None if of is None else of.depth_50_hrc_m
        between = (
            "" if band is None or not isfinite(band[0]) else _between(*(length_words(x, units) for x in band[::2]))
        )
        note = f"550 HV at {length_words(section.depth_550_hv_m, units)}"
        yield "Depth to 50 HRC", length_words(deep_m, units), f"{between}; {note}" if between else note
    kept = float(section.retained_austenite.max())
    band = None if of is None else of.retained_austenite
    between = "" if band is None or not isfinite(band[0]) else f"{100.0 * band[0]:.0f} to {100.0 * band[2]:.0f} %"
    yield "Retained austenite", f"up to {100.0 * kept:.0f} %", between
    if treatment.tempered is not None:
        after = treatment.tempered
        tempered = np.stack([after.low_HRC, after.hardness_HRC, after.high_HRC])
        if of is not None and of.tempered_HRC is not None:
            tempered = of.tempered_HRC
        yield "Tempered", *_face_and_core(after.hardness_HRC, tempered)
    yield from _baths(treatment, units)


def _steel(steel: SteelPoints, units: DisplayUnits) -> Iterator[Row]:
    points = steel.points
    where = "Steel" if steel.place == "throughout" else f"Steel of the {steel.place}"
    complete = "A_cm" if points.hypereutectoid else "A3"
    note = f"A1 {temperature_words(points.ac1_K, units)}, {complete} {temperature_words(points.complete_K, units)}, "
    note += f"give or take {units.temperature_difference(points.spread_K):.0f}"
    yield (
        where,
        f"{steel.carbon_wt_pct:.2f} % C",
        note + ("; told for the most carbon steel can hold" if steel.clipped else ""),
    )
    yield "  harden from", temperature_range_words(steel.harden.low_K, steel.harden.high_K, units), steel.harden.reason
    yield (
        "  normalize from",
        temperature_range_words(steel.normalize.low_K, steel.normalize.high_K, units),
        steel.normalize.reason,
    )
    if steel.martensite is not None:
        start = steel.martensite
        spread = temperature_range_words(start.low_K, start.high_K, units)
        beyond = sum(not each.inside for each in start.each)
        note = f"{spread} by {len(start.each)} formulas"
        note += f", {beyond} of them beyond the carbon they were made for" if beyond else ""
        yield "  martensite starts at", temperature_words(start.best_K, units), note


def _face_and_core(hardness_HRC: FloatArray, band_HRC: FloatArray) -> tuple[str, str]:
    """Hardness of the face and the core in words, and the face's band."""
    face, hardest = float(hardness_HRC[0]), _most(hardness_HRC)
    low, high = float(band_HRC[0, 0]), float(band_HRC[2, 0])
    between = f"{low:.0f} to {high:.0f} HRC" if isfinite(low) and isfinite(high) else ""
    if np.all(np.isfinite(hardness_HRC)) and np.ptp(hardness_HRC) < 1.0:
        return f"{hardness_words(face)} throughout", between
    words = f"{hardness_words(face)} at the face" if isfinite(face) else "below 20 HRC at the face"
    if isfinite(hardest) and hardest - (face if isfinite(face) else 0.0) > 1.0:
        words += f", {hardness_words(hardest)} at the hardest"
    middle = hardness_HRC[_core(hardness_HRC)]
    if not isfinite(face) or not isfinite(middle) or abs(middle - face) > 1.0:
        words += f", {hardness_words(middle)} in the core" if isfinite(middle) else ", a soft core"
    return words, f"{between} at the face" if between else ""


def _core(hardness_HRC: FloatArray) -> int:
    """The softest place of the section but its faces."""
    known = np.where(np.isfinite(hardness_HRC), hardness_HRC, -1.0)
    return int(np.argmin(known))


def _most(hardness_HRC: FloatArray) -> float:
    known = hardness_HRC[np.isfinite(hardness_HRC)]
    return float(known.max()) if known.size else float("nan")


def _between(low: str, high: str) -> str:
    return f"{low.partition(' ')[0]} to {high}"


def _baths(treatment: HeatTreatment, units: DisplayUnits) -> Iterator[Row]:
    answered = [answer.hardening for answer in treatment.baths if answer.hardening is not None]
    if answered:
        note = f"rough, by ASTM A255, for {treatment.bath_carbon_wt_pct:.2f} % C in solution throughout"
        yield "Ideal diameter", _about(answered[0].ideal_diameter_m, units), note
    for answer in treatment.baths:
        if answer.hardening is None:
            yield f"  in {answer.bath}", "cannot be said", "" if answer.refusal is None else answer.refusal.said(units)
            continue
        low, high = (_about(needed_m, units) for needed_m in answer.hardening.needed_m)
        yield f"  in {answer.bath}", THROUGH[answer.hardening.through], f"this size needs {_between(low, high)}"


def _about(length_m: float, units: DisplayUnits) -> str:
    """A length that is only roughly known."""
    return f"{units.length_from_metres(length_m):.{0 if units.length == 'mm' else 1}f} {units.length}"


def _advice(treatment: HeatTreatment, units: DisplayUnits) -> Iterator[str]:
    if treatment.section is not None:
        for remark in treatment.section.remarks:
            yield _sentence(remark.said(units))
    short = [answer.bath for answer in treatment.baths if answer.hardening and answer.hardening.through is not True]
    if short and len(treatment.steels) > 1:
        yield "A case next to the face cools faster than the middle: it may harden where the section does not."
    for refusal in treatment.refusals:
        yield _sentence(refusal.said(units))


def _heats(treatment: HeatTreatment, units: DisplayUnits) -> Iterator[str]:
    if treatment.heats is None:
        return
    for number, heat in enumerate(treatment.heats.heats, start=1):
        yield f"{number}. {_sentence(heat.remark.said(units))}"
    verdict = {True: "Sound", False: "Not sound", None: "Cannot be judged wholly"}[treatment.heats.sound]
    said = [remark.said(units) for remark in treatment.heats.remarks]
    yield f"{verdict}: {'; '.join(said)}." if said else f"{verdict}."


def ahead_rows(treatment: HeatTreatment | None, sheet: RunSheet) -> tuple[Row, ...]:
    """What a temper still needs, a row for each target."""
    if treatment is None:
        return ()
    return tuple(_ahead(one, sheet.targets[one.target], sheet.display) for one in treatment.temper_ahead)


def _ahead(ahead: TemperAhead, target: Target, units: DisplayUnits) -> Row:
    hard = target.quantity is Quantity.HARDNESS
    label = f"To {hardness_words(target.value)}" if hard else f"To parameter {parameter_words(target.value)}"
    value = "nothing is being held now"
    if ahead.left_s is not None:
        early, left, late = ahead.left_s
        at = f"at {temperature_words(ahead.hold_K, units)}"
        if not isfinite(left):
            value = f"never {at}"
        else:
            value = f"{_shown(left)} more {at}"
            if hard:
                value += f" ({_shown(early)} to {_shown(late)})"
    hotter = []
    for hold_s, (low_K, hold_K, high_K) in ahead.temperatures:
        if not isfinite(hold_K):
            continue
        words = f"{temperature_words(hold_K, units)} for {duration_words(hold_s)}"
        if hard and isfinite(low_K) and isfinite(high_K):
            words += f" ({temperature_range_words(low_K, high_K, units)})"
        hotter.append(words)
    return label, value, f"or {', or '.join(hotter)}" if hotter else ""


def _shown(duration_s: float) -> str:
    """A time that may be no time, or no end."""
    if not isfinite(duration_s):
        return "never"
    return "none" if duration_s <= 0.0 else "days" if duration_s > 10 * 86400.0 else duration_words(duration_s)


def _sentence(words: str) -> str:
    words = words[0].upper() + words[1:]
    return words if words.endswith(".") else f"{words}."


def cautions_for(result: Estimate) -> tuple[Moment, ...]:
    """What to say where quenching is read about: before a quench by its bath, and after one that is not tempered."""
    treatment = result.treatment
    if treatment is None or treatment.section is None:
        return ()
    if treatment.quenched:
        tempered = result.tempering
        warm = tempered is not None and tempered.begun and float(tempered.peak_temperature_K) > COLD_TEMPER_K
        moments = [] if warm else [Moment.AFTER_QUENCH]
    elif treatment.bath in (Bath.WATER, Bath.BRINE):
        moments = [Moment.QUENCHING_IN_WATER]
    else:
        moments = [Moment.QUENCHING]
    if float(treatment.section.retained_austenite.max()) > MUCH_AUSTENITE:
        moments.append(Moment.COOLING_ON)
    return tuple(moments)
