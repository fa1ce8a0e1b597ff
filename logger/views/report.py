"""What the report of a run says, section by section; HTML, PDF and text are made from this one value.

Every number is taken from the JSON contract object and carries the place it was taken from. Nothing is computed here.
"""

from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from logger.alert_rules import Severity
from logger.sheet import level_shown_wt_pct
from logger.situation import Situation
from logger.units import DisplayUnits
from logger.views.cautions import Moment, cautions
from logger.views.contract import review_object
from logger.views.contract_words import Said, Teller, joined
from logger.views.run_views import marked, review_of, warnings_said
from logger.views.snapshot import STILL_HOT_K, headline, unreached_words, worst
from logger.views.wording import duration_words, known, zone_words

MOST_GAPS = 5
"""As many stretches without readings are listed, the longest."""

MOST_MARKS = 9
"""As many marks are numbered in the picture."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table: its heading, the heads of its columns (none: a list of label and value), rows, words without rows."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Said, ...], ...]
    otherwise: str = ""


@dataclass(frozen=True, slots=True)
class ReportNote:
    """A note: what moment it is about or when it was written, by whom, and its text as it was typed."""

    when: Said
    author: str
    text: str


@dataclass(frozen=True, slots=True)
class Photo:
    """A photograph: its caption and its picture, None where the file cannot be read; then ``trouble`` says why."""

    caption: str
    image: bytes | None
    media_type: str = "image/png"
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """One run as a report tells it."""

    title: str
    under: tuple[Said, ...]
    headline: str
    worst: Severity | None
    missing: tuple[str, ...]
    wanted: Table
    found: Table
    targets: Table
    stages: Table
    soaks: Table
    gaps: Table
    marks: Table
    sensors: Table
    coupon: Table
    warnings: tuple[str, ...]
    advice: tuple[str, ...]
    drivers: tuple[str, ...]
    basis: tuple[str, ...]
    versions: Said
    notes: tuple[ReportNote, ...]
    photos: tuple[Photo, ...]
    cautions: tuple[str, ...]
    clock: str
    units: DisplayUnits

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table, in the order of reading."""
        return (
            *(self.found, self.targets, self.wanted, self.soaks, self.stages, self.gaps),
            *(self.marks, self.sensors, self.coupon),
        )


def report_of(situation: Situation, zone: tzinfo | None = None, photos: tuple[Photo, ...] = ()) -> Report:
    """The report of a run, at its end or so far. ``zone`` None: the reader's own."""
    return report_from(review_object(situation), situation, zone, photos)


def report_from(
    contract: dict[str, Any], situation: Situation, zone: tzinfo | None = None, photos: tuple[Photo, ...] = ()
) -> Report:
    """As `report_of`, from the contract object that was made of the situation."""
    units = situation.problem.sheet.display
    tell = Teller(contract, units, zone)
    review = review_of(situation, zone)
    now = review.now
    warnings = warnings_said(situation)
    level = f"{level_shown_wt_pct(situation.problem.sheet):.2f}"
    carburized = now.carbon is not None
    start_utc_s = tell.at("started_utc_s")
    zones = "" if start_utc_s is None else f"times are local, {zone_words(start_utc_s, zone)}"
    moments = list(review.treatment.cautions)
    if carburized:
        hot = known(now.steel_K) and now.steel_K > STILL_HOT_K
        moments.insert(0, Moment.OPENING_HOT if hot else Moment.DUMPING_PACK)
    return Report(
        title=situation.name or "Run without a name",
        under=_under(tell),
        headline=headline(now),
        worst=worst(now),
        missing=tuple(tell.at("missing")),
        wanted=Table("What was wanted", (), tuple(_wanted(tell))),
        found=Table("What happened", ("", "", "5 to 95 %"), tuple(_found(tell, level, carburized))),
        targets=_targets(tell),
        stages=_stages(tell),
        soaks=_soaks(tell),
        gaps=_gaps(tell),
        marks=_marks(tell, situation),
        sensors=_sensors(tell),
        coupon=_coupon(tell, level, carburized),
        warnings=warnings,
        advice=tuple(_sentence(words) for words in (*review.treatment.advice, *review.treatment.heats)),
        drivers=review.drivers,
        basis=tuple(_sentence(words) for words in review.basis),
        versions=_versions(tell),
        notes=_notes(tell),
        photos=photos,
        cautions=cautions(moments),
        clock="; ".join(part for part in (zones, situation.clock and f"clock: {situation.clock}") if part),
        units=units,
    )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}" + ("" if words.endswith((".", "!", "?")) else ".")


def _under(tell: Teller) -> tuple[Said, ...]:
    lasted = Said(f"lasted {duration_words(tell.at('end_s'))}", ("end_s",))
    ended = tell.at("how_ended")
    going = Said("still going") if not tell.at("finished") else Said(f"ended: {ended}" if ended else "")
    run = tell.at("run")
    return tuple(
        part
        for part in (
            Said(f"run {run}" if run else ""),
            Said(f"oven: {tell.at('oven')}" if run else f"trace: {tell.at('oven')}"),
            tell.date("started_utc_s"),
            lasted,
            going,
        )
        if part.words
    )


def _row(label: str, *cells: Said | str) -> tuple[Said, ...]:
    return (Said(label), *(Said(cell) if isinstance(cell, str) else cell for cell in cells))


def _wanted(tell: Teller) -> list[tuple[Said, ...]]:
    piece, pack, canister = tell.at("wanted/piece"), tell.at("wanted/pack"), tell.at("wanted/canister")
    rows = []
    size = tell.size("wanted/piece/size_mm")
    layers = len(piece["layers"])
    of = Said(f"{layers} layers", ("wanted/piece/layers",)) if layers else tell.carbon("wanted/piece/carbon_wt_pct")
    lot = Said(f"iron lot: {piece['iron_lot']}" if piece["iron_lot"] else "")
    rows.append(_row("Piece", joined([piece["shape"], size, of, lot])))
    if alloy := piece["alloy_wt_pct"]:
        parts = [tell.number(f"wanted/piece/alloy_wt_pct/{name}", f"{name} {{:g}} %") for name in alloy]
        rows.append(_row("Alloy", joined(parts)))
    if pack is not None:
        parts = [Said(f"{pack['recipe']}, lot {pack['lot']}" if pack["lot"] else pack["recipe"])]
        if pack["carbon_potential_wt_pct"] is not None:
            parts.append(tell.number("wanted/pack/carbon_potential_wt_pct", "carbon potential {:.2f} % C"))
        elif pack["carbon_activity"] is not None:
            parts.append(tell.number("wanted/pack/carbon_activity", "carbon activity {:g}"))
        rows.append(_row("Pack", joined(parts) if any(part.words for part in parts) else "graphite's own activity"))
    if canister["sensor"] == "inside":
        rows.append(_row("Thermocouple", "inside, at the steel"))
    else:
        outer = tell.size("wanted/canister/outer_mm")
        wall = tell.size("wanted/canister/wall_mm")
        words = joined([f"{canister['shape']} {outer}", f"wall {wall}", canister["pack_kind"]])
        sized = Said(words.words, (*outer.sources, *wall.sources))
        rows.append(_row("Canister", sized))
        rows.append(_row("Thermocouple", "in the oven, outside the canister"))
    soak = tell.at("wanted/soak")
    if soak["temperature_C"] is None:
        half = tell.degrees("wanted/soak/half_band_C")
        rows.append(_row("Soak", Said(f"the run's own plateau, {half} either side", half.sources)))
    else:
        at, half = tell.temperature("wanted/soak/temperature_C"), tell.degrees("wanted/soak/half_band_C")
        rows.append(_row("Soak", Said(f"{at}, {half} either side", (*at.sources, *half.sources))))
    if tell.at("wanted/notes"):
        rows.append(_row("Sheet says", str(tell.at("wanted/notes"))))
    return rows


def _found(tell: Teller, level: str, carburized: bool) -> list[tuple[Said, ...]]:
    rows = [_row("Hottest steel", tell.temperature("thermal/peak_C"), tell.temperatures("band/thermal/peak_C"))]
    if tell.at("thermal/soaks"):
        inside = tell.duration("thermal/at_heat_inside_h")
        rows.append(_row("At heat inside", inside, tell.durations("band/thermal/at_heat_inside_h")))
        if tell.at("thermal/steel_is_modelled"):
            rows.append(_row("At heat by the oven", tell.duration("thermal/at_heat_by_the_oven_h"), ""))
    if carburized:
        rows += _carbon_rows(tell, level)
        reference = tell.temperature("thermal/reference_temperature_C")
        hours = tell.hours("thermal/equivalent_time_h")
        label = Said(f"Equivalent time at {reference}", reference.sources)
        rows.append((label, hours, tell.hours_range("band/thermal/equivalent_time_h")))
    rows += _hardening_rows(tell)
    if tell.at("tempering/parameter") is not None:
        constant = tell.number("tempering/constant", "Tempering parameter, c = {:.4g}")
        rows.append((constant, tell.parameter("tempering/parameter"), tell.parameters("band/tempering/parameter")))
        reference = tell.temperature("tempering/reference_temperature_C")
        label = Said(f"Same as one temper at {reference}", reference.sources)
        band = tell.hours_range("band/tempering/equivalent_time_h")
        rows.append((label, tell.hours("tempering/equivalent_time_h"), band))
        if tell.at("tempering/hardness_HRC") is not None:
            band = tell.hardnesses("band/tempering/hardness_HRC")
            rows.append(_row("Hardness after the temper", tell.hardness("tempering/hardness_HRC"), band))
    return rows


def _carbon_rows(tell: Teller, level: str) -> list[tuple[Said, ...]]:
    rows = []
    levels = dict.fromkeys([level, *_target_levels(tell)])
    for one in levels:
        depth = tell.length(f"carbon/case_depth_mm/{one}")
        rows.append(_row(f"Case depth to {one} % C", depth, tell.lengths(f"band/carbon/case_depth_mm/{one}")))
    for label, key in (("Surface carbon", "surface"), ("Core carbon", "core"), ("Mean carbon", "mean")):
        place = f"carbon/{key}_wt_pct"
        rows.append(_row(label, tell.carbon(place), tell.carbons(f"band/{place}")))
    gain = tell.number("carbon/gain_g_per_m2", "{:.0f} g/m²")
    rows.append(_row("Carbon taken up", gain, tell.numbers("band/carbon/gain_g_per_m2", "{:.0f} to {:.0f} g/m²")))
    for label, key in (
        ("Skin melted, deepest", "liquid_depth_mm"),
        ("Skin with carbide, deepest", "carbide_depth_mm"),
        ("To grind off, above 1.0 % C", "grind_depth_mm"),
    ):
        band = tell.at(f"band/carbon/{key}") or [0.0]
        if tell.at(f"carbon/{key}") or max(value or 0.0 for value in band) > 0.0:
            rows.append(_row(label, tell.length(f"carbon/{key}"), tell.lengths(f"band/carbon/{key}")))
    return rows


def _hardening_rows(tell: Teller) -> list[tuple[Said, ...]]:
    """What a quench gives, where the run is one or prepares one."""
    hardening = tell.at("hardening")
    if not hardening or hardening["surface_HRC"] is None:
        return []
    at = tell.temperature("hardening/quench_C")
    how = "quenched" if hardening["quenched"] else "if quenched"
    label = Said(f"Surface, {how} from {at}", at.sources)
    rows: list[tuple[Said, ...]] = [
        (label, tell.hardness("hardening/surface_HRC"), tell.hardnesses("band/hardening/surface_HRC"))
    ]
    if hardening["tempered_surface_HRC"] is not None:
        tempered = tell.hardness("hardening/tempered_surface_HRC")
        rows.append(_row("Surface after the temper", tempered, tell.hardnesses("band/hardening/tempered_surface_HRC")))
    for label_words, key in (
        ("Hardness depth to 50 HRC", "depth_50_HRC_mm"),
        ("Hardness depth to 550 HV", "depth_550_HV_mm"),
    ):
        rows.append(_row(label_words, tell.length(f"hardening/{key}"), tell.lengths(f"band/hardening/{key}")))
    if (hardening["retained_austenite"] or 0.0) >= 0.01:
        share = Said(f"{100.0 * hardening['retained_austenite']:.0f} %", ("hardening/retained_austenite",))
        ends = tell.at("band/hardening/retained_austenite")
        between = f"{100.0 * ends[0]:.0f} to {100.0 * ends[-1]:.0f} %" if ends else ""
        rows.append(_row("Retained austenite, most", share, Said(between, ("band/hardening/retained_austenite",))))
    return rows


def _target_levels(tell: Teller) -> list[str]:
    levels = [target["at_carbon_wt_pct"] for target in tell.at("targets")]
    return [f"{level:.2f}" for level in levels if level is not None]


def _target_value(tell: Teller, number: int, key: str) -> Said:
    """A target's value, wanted value or band, in its own unit."""
    place, unit = f"targets/{number}/{key}", tell.at(f"targets/{number}/unit")
    quantity = tell.at(f"targets/{number}/quantity")
    if key == "band":
        many = {"mm": tell.lengths, "wt%": tell.carbons, "K": tell.parameters, "HRC": tell.hardnesses}
        if unit == "h":
            return tell.durations(place) if quantity == "soak time" else tell.hours_range(place)
        return many[unit](place)
    one = {"mm": tell.length, "wt%": tell.carbon, "K": tell.parameter, "HRC": tell.hardness}
    if unit == "h":
        return tell.duration(place) if quantity == "soak time" else tell.hours(place)
    return one[unit](place)


def _targets(tell: Teller) -> Table:
    rows = []
    for number, target in enumerate(tell.at("targets")):
        name = Said(target["quantity"])
        if target["at_carbon_wt_pct"] is not None:
            level = tell.number(f"targets/{number}/at_carbon_wt_pct", "{:.2f} % C")
            name = Said(f"{target['quantity']} to {level}", level.sources)
        if target["limit"]:
            name = Said(f"{name.words}, not to pass", name.sources)
        if target["judged_by"] == "pessimistic":
            name = Said(f"{name.words} (pessimistic side)", name.sources)
        wanted, value, band = (_target_value(tell, number, key) for key in ("wanted", "value", "band"))
        if target["reached"]:
            moment = tell.moment(f"targets/{number}/reached_at_s")
            preposition = "after" if tell.at("started_utc_s") is None else "at"
            outcome = Said(f"{'passed' if target['limit'] else 'reached'} {preposition} {moment}", moment.sources)
        else:
            outcome = Said(unreached_words(target["limit"], value.words, wanted.words))
        rows.append((name, wanted, value, band, outcome))
    return Table("Targets", ("", "wanted", "came to", "5 to 95 %", ""), tuple(rows), "The sheet states no target.")


def _stages(tell: Teller) -> Table:
    rows = [
        (
            Said(stage["kind"]),
            tell.moment(f"thermal/stages/{number}/start_s"),
            tell.between(f"thermal/stages/{number}/start_s", f"thermal/stages/{number}/end_s"),
            tell.temperature(f"thermal/stages/{number}/peak_C"),
        )
        for number, stage in enumerate(tell.at("thermal/stages"))
    ]
    return Table("Stages", ("", "from", "lasted", "hottest"), tuple(rows), "None could be told apart.")


def _soaks(tell: Teller) -> Table:
    rows = [
        (
            tell.moment(f"thermal/soaks/{number}/start_s"),
            tell.moment(f"thermal/soaks/{number}/end_s") if soak["end_s"] is not None else Said("goes on"),
            tell.duration(f"thermal/soaks/{number}/in_band_h"),
            tell.temperatures(f"thermal/soaks/{number}/band_C"),
            tell.temperature(f"thermal/soaks/{number}/mean_C"),
            tell.degrees(f"thermal/soaks/{number}/spread_C"),
        )
        for number, soak in enumerate(tell.at("thermal/soaks"))
    ]
    head = ("from", "to", "at heat inside", "band", "mean", "spread")
    return Table("Soaks of the steel", head, tuple(rows), "No soak.")


def _gaps(tell: Teller) -> Table:
    """The longest stretches without readings, in time order, and how many more there are."""
    gaps = [(number, gap) for number, gap in enumerate(tell.at("thermal/gaps")) if not gap["bridged"]]
    longest = sorted(gaps, key=lambda numbered: numbered[1]["start_s"] - numbered[1]["end_s"])[:MOST_GAPS]
    rows = []
    for number, gap in sorted(longest, key=lambda numbered: numbered[0]):
        place = f"thermal/gaps/{number}"
        limits = Said("not known")
        if gap["low_C"] is not None and gap["high_C"] is not None:
            limits = tell.temperature_span(f"{place}/low_C", f"{place}/high_C")
        lasted = tell.between(f"{place}/start_s", f"{place}/end_s")
        rows.append((tell.moment(f"{place}/start_s"), tell.moment(f"{place}/end_s"), lasted, limits))
    if len(gaps) > MOST_GAPS:
        total = tell.duration("thermal/without_readings_h")
        words = f"and {len(gaps) - MOST_GAPS} shorter ones; {total} in all"
        rows.append((Said(""), Said(""), Said(""), Said(words, ("thermal/gaps", *total.sources))))
    head = ("from", "to", "lasted", "oven was somewhere in")
    return Table("Time without readings", head, tuple(rows), "None.")


def _marks(tell: Teller, situation: Situation) -> Table:
    """The alerts that are marked in the picture, under the same numbers."""
    marks = marked(situation)
    numbers = {(event.time_s, event.kind, event.key): number for number, event in enumerate(marks, start=1)}
    rows = []
    for number, event in enumerate(tell.at("alerts")):
        if event["phase"] != "raised":
            continue
        own = numbers.get((event["time_s"], event["kind"], event["key"]))
        if own is None:
            continue
        message = event["message"].rstrip(".")
        words = event["title"] if message in ("", event["title"]) else f"{event['title']}: {message}"
        acknowledged = [
            later
            for later in tell.at("alerts")[number:]
            if later["phase"] == "acknowledged"
            and all(later[name] == event[name] for name in ("kind", "key", "episode"))
        ]
        said = "" if event["severity"] == "news" else "not acknowledged"
        if acknowledged:
            _, by, who = acknowledged[0]["message"].rpartition("Acknowledged by ")
            said = f"acknowledged by {who.rstrip('.')}" if by else "acknowledged"
        shown = Said(str(own)) if own <= MOST_MARKS else Said("")
        rows.append((shown, tell.moment(f"alerts/{number}/time_s"), Said(event["severity"]), Said(words), Said(said)))
    return Table("Alerts", ("", "when", "", "", ""), tuple(rows), "None was raised.")


def _sensors(tell: Teller) -> Table:
    rows = []
    for number, sensor in enumerate(tell.at("sensors")):
        place = f"sensors/{number}"
        name = f"{sensor['channel']}, judges the run" if sensor["judges_the_run"] else sensor["channel"]
        kind = f"type {sensor['type']}, {sensor['tolerance']}" + ("" if sensor["stated"] else " (not stated, supposed)")
        at, off = tell.temperature(f"{place}/hottest_C"), tell.degrees(f"{place}/tolerance_at_hottest_C")
        tolerance = (
            Said(f"±{off} at {at}", (*off.sources, *at.sources)) if sensor["hottest_C"] is not None else Said("")
        )
        corrections = [
            joined(
                [
                    tell.temperature(f"{place}/correction/{row}/reading_C"),
                    Said(
                        f"add {tell.degrees(f'{place}/correction/{row}/add_C')}", (f"{place}/correction/{row}/add_C",)
                    ),
                ],
                ": ",
            )
            for row in range(len(sensor["correction"]))
        ]
        good, every = tell.number(f"{place}/good_readings", "{:d}"), tell.number(f"{place}/readings", "{:d}")
        bad = [tell.number(f"{place}/bad_readings/{kind}", f"{{:d}} {kind}") for kind in sensor["bad_readings"]]
        counted = joined([Said(f"{good} good of {every}", (*good.sources, *every.sources)), *bad])
        day = sensor["calibrated_on"]
        dated = Said(f"calibrated {day}", (f"{place}/calibrated_on",)) if day else Said("")
        offsets = joined([joined(corrections, "; ") if corrections else Said("none stated"), dated])
        rows.append((Said(name), Said(kind), tolerance, offsets, counted))
    head = ("channel", "thermocouple", "tolerance", "offsets", "readings")
    return Table("Sensors", head, tuple(rows), "None.")


def _coupon(tell: Teller, level: str, carburized: bool) -> Table:
    """Lines to fill in by hand, each beside what is expected there."""
    blank = Said("")
    rows: list[tuple[Said, ...]] = []
    if carburized:
        depth, band = tell.length(f"carbon/case_depth_mm/{level}"), tell.lengths(f"band/carbon/case_depth_mm/{level}")
        rows.append(_row("Coupon before and after, g", "", blank))
        rows.append(_row("Coupon's area, cm²", "", blank))
        gain = tell.number("carbon/gain_g_per_m2", "{:.0f} g/m²")
        rows.append(_row("Gain", gain, blank))
        rows.append(_row(f"Etched depth to {level} % C", joined([depth, _bracketed(band)], " "), blank))
        rows.append(_row("Carbon by analysis, at depth", "", blank))
    else:
        hardness = tell.hardness("tempering/hardness_HRC") if tell.at("tempering/hardness_HRC") else Said("")
        rows.append(
            _row(
                "Hardness, HRC",
                joined([hardness, _bracketed(tell.hardnesses("band/tempering/hardness_HRC"))], " "),
                blank,
            )
        )
    rows.append(_row("Hardness, HRC, at depth ground", "", blank))
    rows.append(_row("Measured by, date", "", blank))
    return Table("Coupon readings, to fill in", ("", "expected", "measured"), tuple(rows))


def _bracketed(said: Said) -> Said:
    return Said(f"({said.words})", said.sources) if said.words else said


def _versions(tell: Teller) -> Said:
    versions = tell.at("versions")
    by = tell.at("recorded_by")
    own = f"formulas and data {versions['data']}"
    libraries = ", ".join(f"{name} {number}" for name, number in versions.items() if name not in ("soaktally", "data"))
    parts = [f"recorded by {by}" if by else "", f"worked out by soaktally {versions['soaktally']}", own, libraries]
    return Said(
        "; ".join(part for part in parts if part) + f"; contract {tell.at('contract')}",
        ("versions", "recorded_by", "contract"),
    )


def _notes(tell: Teller) -> tuple[ReportNote, ...]:
    notes = []
    for number, note in enumerate(tell.at("notes")):
        about = note["time_s"] is not None
        when = tell.moment(f"notes/{number}/time_s") if about else tell.date(f"notes/{number}/utc_s")
        notes.append(ReportNote(when, note["author"], note["text"]))
    return tuple(notes)
