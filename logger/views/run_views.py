"""From a situation to what is shown: the snapshot for words, the run view for pictures. Only chooses and arranges."""

from collections.abc import Iterator
from datetime import tzinfo
from math import isfinite

import numpy as np

from logger.alert import AlertEvent, Phase
from logger.alert_rules import AlertKind
from logger.estimate.bands import Band, Bands
from logger.estimate.carbon_result import CarbonResult, CarbonWarningKind
from logger.estimate.gaps import GapMark
from logger.estimate.result import Estimate, TrailPoint
from logger.sheet import RunSheet, level_shown_wt_pct
from logger.sheet_parts import Correction, Quantity
from logger.situation import Situation
from logger.units import FloatArray
from logger.views.carbon_words import profile_limits, warning_words
from logger.views.gap_words import gap_case_rows
from logger.views.series import Band as Edges
from logger.views.series import (
    DepthView,
    GapSpan,
    Mark,
    ProfileCurve,
    ProfileView,
    Role,
    RunView,
    SectionView,
    SoakSpan,
    Span,
    TemperatureView,
    TemperView,
    TraceView,
)
from logger.views.snapshot import Aim, AlertNow, CarbonNow, CaseNow, Range, Snapshot, TemperNow, headline
from logger.views.text import GapLine, Review, SoakLine, StageLine
from logger.views.thermocouple_words import thermocouple_lines
from logger.views.treatment_words import ahead_rows, quenched_rows, treatment_lines
from logger.views.uniformity_words import uniformity_words
from logger.views.wording import event_words, temperature_difference_words, temperature_words

URGENT = frozenset(
    {
        CarbonWarningKind.MOLTEN,
        CarbonWarningKind.HAS_MELTED,
        CarbonWarningKind.NEAR_MELTING,
        CarbonWarningKind.CORE_PASSED,
        CarbonWarningKind.DECARBURIZING,
    }
)
"""Warnings that change what a person does during the run; the others matter at the next step."""

SAME_CARBON_WT_PCT = 0.05
"""Profiles nowhere further apart than this [wt%] are one line in a picture."""

UNMARKED = frozenset({AlertKind.TARGET_SOON, AlertKind.RUN_ENDED, AlertKind.TEST})
"""Alerts that tell nothing about the heat itself and so are not marked in its picture."""


def snapshot_of(situation: Situation, zone: tzinfo | None = None) -> Snapshot:
    """What is true of a run now, for every view that says it in words. ``zone`` None: the reader's own."""
    result, sheet, bands = situation.estimate, situation.problem.sheet, situation.bands
    thermal = result.thermal
    soak = thermal.soaks[-1] if thermal.soaks else None
    stage = thermal.stages[-1] if thermal.stages else None
    age_s = None if situation.last_good_s is None else situation.now_s - situation.last_good_s
    old = _bands_are_old(situation)
    return Snapshot(
        oven=situation.oven,
        run_name=situation.name,
        now_utc_s=situation.now_utc_s,
        time_s=situation.now_s,
        reading_age_s=age_s,
        stale_after_s=situation.stale_after_s,
        behind_s=situation.behind_s,
        steel_K=thermal.steel_temperature_K,
        steel_is_modelled=thermal.steel_is_modelled,
        oven_K=thermal.oven_temperature_K,
        setpoint_K=situation.set_point_K,
        steel_rate_K_per_s=None if thermal.steel_is_modelled else situation.heating_K_per_s,
        peak_K=thermal.peak_K,
        stage="" if stage is None else str(stage.stated or stage.kind),
        stage_since_s=None if stage is None else stage.start_s,
        soak_s=None if soak is None else thermal.soak_s,
        oven_soak_s=None if soak is None else thermal.oven_soak_s,
        soaking_now=soak is not None and soak.end_s is None and not soak.paused,
        soak_band_K=None if soak is None else soak.band_K,
        equivalent_time_s=thermal.equivalent_time_s,
        reference_K=thermal.reference_temperature_K,
        steel_range_K=None
        if bands is None
        else _ends(bands.steel_temperature_K, thermal.steel_temperature_K if old else None),
        peak_range_K=None if bands is None else _ends(bands.peak_K, thermal.peak_K if old else None),
        soak_range_s=None if bands is None else _ends(bands.soak_s, thermal.soak_s if old else None),
        equivalent_time_range_s=None
        if bands is None
        else _ends(bands.equivalent_time_s, thermal.equivalent_time_s if old else None),
        gap_s=sum(gap.end_s - gap.start_s for gap in thermal.gaps if not gap.bridged),
        open_gap_s=sum(gap.duration_s for gap in thermal.gaps if gap.is_open and not gap.bridged),
        carbon=_carbon_now(sheet, result, bands, old),
        temper=_temper_now(result, bands, old),
        treatment=(*quenched_rows(result.treatment, bands, sheet.display), *ahead_rows(result.treatment, sheet)),
        aims=_aims(situation),
        alerts=_alerts_now(situation),
        links_lost=situation.links_lost,
        warnings=(*(f"No connection: {why}" for why in situation.links_lost), *_warnings(situation, URGENT)),
        finished=situation.finished,
        clock_note=situation.clock,
        units=sheet.display,
        zone=zone,
    )


def _bands_are_old(situation: Situation) -> bool:
    """Whether the bands were made for an earlier moment than the values beside them."""
    bands, last_s = situation.bands, situation.last_good_s
    return bands is not None and last_s is not None and bands.time_s < last_s - OLD_BANDS_S


def run_view_of(situation: Situation, zone: tzinfo | None = None) -> RunView:
    """What one picture of a run shows."""
    now = snapshot_of(situation, zone)
    start_utc_s = None if situation.now_utc_s is None else situation.now_utc_s - situation.now_s
    title = " · ".join(part for part in (situation.name, situation.run or situation.oven) if part)
    clock = (f"Clock: {situation.clock}.",) if situation.clock else ()
    notes = (*_melted_note(situation), *clock)
    return RunView(
        title=title,
        headline=headline(now),
        temperature=_temperature_view(situation),
        start_utc_s=start_utc_s,
        zone=zone,
        profile=_profile_view(situation),
        depth=_depth_view(situation),
        temper=_temper_view(situation),
        section=_section_view(situation),
        notes=notes,
    )


def review_of(situation: Situation, zone: tzinfo | None = None) -> Review:
    """What the review of one run says in a terminal."""
    thermal, sheet = situation.estimate.thermal, situation.problem.sheet
    return Review(
        run_id=situation.run,
        now=snapshot_of(situation, zone),
        start_utc_s=None if situation.now_utc_s is None else situation.now_utc_s - situation.now_s,
        stages=tuple(
            StageLine(
                name=str(stage.stated or stage.kind),
                from_s=stage.start_s,
                to_s=stage.end_s,
                start_K=stage.start_K,
                end_K=stage.end_K,
                peak_K=stage.peak_K,
                rate_K_per_s=stage.rate_K_per_s,
            )
            for stage in thermal.stages
        ),
        soaks=tuple(
            SoakLine(
                soak.start_s, soak.end_s, soak.in_band_s, soak.mean_K, soak.spread_K, soak.band_K, soak.overshoot_K
            )
            for soak in thermal.soaks
        ),
        above=tuple(thermal.seconds_above.items()),
        gap_cases=gap_case_rows(situation),
        left_out=(thermal.late_readings, thermal.unbelievable_readings),
        spikes_s=tuple(spike.time_s for spike in thermal.spikes),
        thermocouples=thermocouple_lines(situation),
        uniformity=tuple(uniformity_words(one, sheet.display) for one in situation.uniformity),
        drivers=_driver_lines(situation),
        treatment=treatment_lines(situation),
        gaps=tuple(GapLine(gap.start_s, gap.end_s, gap.low_K, gap.high_K) for gap in thermal.gaps if not gap.bridged),
        next_step=_later(situation),
        basis=_basis(situation, sheet),
    )


def _driver_lines(situation: Situation) -> tuple[str, ...]:
    """What the bands come from, a sentence for each quantity that matters."""
    lines = []
    for driven in () if situation.bands is None else situation.bands.drivers:
        if not driven.drivers:
            continue
        about = driven.about
        level = "" if about.at_carbon_wt_pct is None else f" to {about.at_carbon_wt_pct:.2f} % C"
        shares = ", ".join(f"{one.doubt} {100.0 * one.share:.0f} %" for one in driven.drivers[:4])
        lines.append(f"{str(about.quantity).capitalize()}{level}: {shares}. To narrow it: {driven.drivers[0].measure}.")
    return tuple(lines)


def _basis(situation: Situation, sheet: RunSheet) -> tuple[str, ...]:
    """What the numbers rest on, a sentence each."""
    thermal = situation.estimate.thermal
    lines = []
    if thermal.steel_is_modelled:
        lines.append("The steel's temperature is modelled from the oven's, through the canister's wall and pack.")
    else:
        lines.append(f'Channel "{situation.state.channel}" is taken as the steel\'s own temperature.')
    if thermal.assumed_cold_start:
        lines.append("The oven was hot at the first reading; the load was taken as cold then.")
    half_band = temperature_difference_words(sheet.soak.half_band_K, sheet.display)
    lines.append(f"Soak: {half_band} either side; {sheet.soak.source}.")
    if situation.bands is not None:
        lines.append(
            f"Ranges are 5 to 95 % of {situation.bands.members} cases of this run, each with its own thermocouple, "
            "canister, pack and steel drawn from the stated spreads."
        )
    if situation.estimate.carbon is not None and _carburizes(sheet):
        lines.extend(situation.estimate.carbon.notes)
    if sheet.correction is not None:
        lines.append(correction_words(sheet.correction))
    if situation.estimate.tempering is not None:
        lines.extend(situation.estimate.tempering.notes)
    return tuple(lines)


def correction_words(correction: Correction) -> str:
    """Which correction the numbers rest on, in a sentence."""
    of = [f'the pack "{correction.recipe}"'] if correction.recipe else []
    of += [f'the iron "{correction.iron_lot}"'] if correction.iron_lot else []
    rests = f", learned from {'; '.join(correction.evidence)}" if correction.evidence else ""
    return f"Corrected for {' and '.join(of) or 'nothing named'}{rests}."


def _carburizes(sheet: RunSheet) -> bool:
    return sheet.pack is not None or any(stage.pack is not None for stage in sheet.stages)


OLD_BANDS_S = 60.0
"""Bands made longer ago than this [s of run time] may have been outgrown by their values."""


def _ends(band: Band, value: float | None = None) -> Range | None:
    """The two ends of a band (any unit), where it has any; not those of an older band that ``value`` has outgrown."""
    low, _, high = band
    if not isfinite(low) or not isfinite(high) or (value is not None and not low <= value <= high):
        return None
    return low, high


def _carbon_now(sheet: RunSheet, result: Estimate, bands: Bands | None, old: bool) -> CarbonNow | None:
    carbon = result.carbon
    if carbon is None or not _carburizes(sheet):
        return None
    level = level_shown_wt_pct(sheet)
    of, depth_m = None if bands is None else bands.carbon, carbon.case_depth_m(level)
    depth_band_m = None if of is None else _ends(of.case_depth_m[level], depth_m if old else None)
    return CarbonNow(
        cases=(CaseNow(level, depth_m, depth_band_m),),
        surface_wt_pct=carbon.surface_wt_pct,
        core_wt_pct=carbon.core_wt_pct,
        carbide_m=carbon.carbide_depth_m,
        melted_m=carbon.liquid_depth_m,
        molten_now_m=carbon.liquid_depth_now_m,
        surface_band_wt_pct=None if of is None else _ends(of.surface_wt_pct, carbon.surface_wt_pct if old else None),
        core_band_wt_pct=None if of is None else _ends(of.core_wt_pct, carbon.core_wt_pct if old else None),
        carbide_band_m=None if of is None else _ends(of.carbide_depth_m, carbon.carbide_depth_m if old else None),
        melted_band_m=None if of is None else _ends(of.liquid_depth_m, carbon.liquid_depth_m if old else None),
        melted_share=0.0 if of is None else of.melted_share,
    )


def _temper_now(result: Estimate, bands: Bands | None, old: bool) -> TemperNow | None:
    tempered = result.tempering
    if tempered is None:
        return None
    hardness = None if tempered.hardness_HRC is None or not tempered.begun else float(tempered.hardness_HRC)
    rms = tempered.hardness_rms_HRC
    band = None if hardness is None or rms is None else (hardness - 1.645 * rms, hardness + 1.645 * rms)
    of = None if bands is None else bands.tempering
    if of is not None and hardness is not None:
        band = _ends(of.hardness_HRC, hardness if old else None) or band
    return TemperNow(
        constant=float(tempered.constant),
        parameter=float(tempered.parameter_K) if tempered.begun else None,
        equivalent_time_s=float(tempered.equivalent_time_s),
        reference_K=tempered.reference_temperature_K,
        hardness_HRC=hardness,
        hardness_band_HRC=band,
        parameter_band=None if of is None else _ends(of.parameter_K, float(tempered.parameter_K) if old else None),
        equivalent_time_band_s=None
        if of is None
        else _ends(of.equivalent_time_s, float(tempered.equivalent_time_s) if old else None),
    )


def _warnings(situation: Situation, kinds: frozenset[CarbonWarningKind]) -> tuple[str, ...]:
    """The warnings of some kinds, in the reader's units."""
    carbon = situation.estimate.carbon
    if carbon is None:
        return ()
    units = situation.problem.sheet.display
    return tuple(
        warning_words(warning, carbon, units) for warning in situation.estimate.warnings if warning.kind in kinds
    )


def warnings_said(situation: Situation) -> tuple[str, ...]:
    """Every warning in the reader's units, those that change what a person does at the oven first."""
    return (*_warnings(situation, URGENT), *_later(situation))


def _later(situation: Situation) -> tuple[str, ...]:
    """The warnings that ask for nothing now, only for thought at the next step."""
    return _warnings(situation, frozenset(CarbonWarningKind) - URGENT)


def _aims(situation: Situation) -> tuple[Aim, ...]:
    forecast, old = situation.forecast, _bands_are_old(situation)
    return tuple(
        Aim(
            quantity=status.target.quantity,
            value=status.value,
            wanted=status.target.value,
            at_carbon_wt_pct=status.target.at_carbon_wt_pct,
            limit=status.target.limit,
            reached_at_s=status.reached_at_s,
            expected_at_s=None if forecast is None or status.reached else forecast.reached_at_s[number],
            expected_range_s=(
                None if forecast is None or status.reached or not forecast.range_s else forecast.range_s[number]
            ),
            forecast_tried=forecast is not None and forecast.says_anything_of(status.target),
            band=None if status.band is None else _ends(status.band, status.value if old else None),
            pessimistic=status.target.judged_by == "pessimistic",
        )
        for number, status in enumerate(situation.statuses)
    )


def _alerts_now(situation: Situation) -> tuple[AlertNow, ...]:
    return tuple(
        AlertNow(
            words=episode.words,
            severity=episode.severity,
            since_s=episode.since_s if episode.raised_s is None else episode.raised_s,
            acknowledged=episode.acknowledged,
        )
        for episode in situation.open_alerts
    )


def _column(trail: tuple[TrailPoint, ...], name: str) -> FloatArray:
    return np.array([getattr(point, name) for point in trail], dtype=float)


def _temperature_view(situation: Situation) -> TemperatureView:
    thermal, trail = situation.estimate.thermal, situation.state.trail
    driving = situation.state.channel
    traces = []
    for name, history in situation.histories.items():
        is_steel = name == driving and not thermal.steel_is_modelled
        role = Role.STEEL if is_steel else Role.OVEN if name == driving else Role.OTHER
        label = f"{name}: the steel itself" if is_steel else name
        traces.append(TraceView(label, role, history.time_s, history.temperature_K))
    if thermal.steel_is_modelled:
        traces.append(
            TraceView("steel, modelled", Role.STEEL, _column(trail, "time_s"), _column(trail, "steel_temperature_K"))
        )
    wanted = situation.set_points
    if wanted is not None and wanted.good.any():
        traces.append(TraceView("set point", Role.SETPOINT, wanted.time_s, wanted.temperature_K))
    end_s = situation.now_s
    return TemperatureView(
        traces=tuple(traces),
        stages=tuple(
            Span(str(stage.stated or stage.kind), stage.start_s, end_s if stage.end_s is None else stage.end_s)
            for stage in thermal.stages
        ),
        soaks=tuple(
            SoakSpan(soak.start_s, end_s if soak.end_s is None else soak.end_s, soak.in_band_s, soak.band_K)
            for soak in thermal.soaks
        ),
        soak_band_K=thermal.soaks[-1].band_K if thermal.soaks else None,
        gaps=tuple(_gap_span(gap) for gap in thermal.gaps if not gap.bridged),
        marks=tuple(Mark(event.time_s, event_words(event), event.severity) for event in marked(situation)),
    )


def marked(situation: Situation) -> tuple[AlertEvent, ...]:
    """The alerts that are marked in the picture of a run, in time order: the first is number 1."""
    raised = [event for event in situation.alert_events if event.phase is Phase.RAISED]
    return tuple(sorted((event for event in raised if event.kind not in UNMARKED), key=lambda event: event.time_s))


def _gap_span(gap: GapMark) -> GapSpan:
    course = gap.courses
    between = None if course is None else (course.time_s, course.low_K, course.high_K)
    return GapSpan("no readings", gap.start_s, gap.end_s, between)


def _profile_view(situation: Situation) -> ProfileView | None:
    carbon, sheet, bands = situation.estimate.carbon, situation.problem.sheet, situation.bands
    if carbon is None or not _carburizes(sheet):
        return None
    level = level_shown_wt_pct(sheet)
    whole = situation.problem.carbon.grid.back_area > 0.0 and sheet.piece.shape != "round"
    return ProfileView(
        curves=(
            ProfileCurve(
                "at the end" if situation.finished else "now",
                carbon.depth_m,
                carbon.carbon_wt_pct,
                None if bands is None else (bands.carbon.carbon_wt_pct[0], bands.carbon.carbon_wt_pct[2]),
                apart_wt_pct=_apart(bands),
            ),
            *_other_profiles(situation, carbon),
        ),
        limits=profile_limits(situation.estimate.thermal.peak_K, sheet.display),
        case_at_wt_pct=level,
        case_depth_m=carbon.case_depth_m(level),
        skin_m=carbon.carbide_depth_m,
        liquid_m=carbon.liquid_depth_m,
        far_end="back face" if whole else "middle of the section",
    )


def _apart(bands: Bands | None) -> tuple[Edges, Edges] | None:
    """The bands of the cases that have not melted and of those that have, where both are worth telling."""
    if bands is None or bands.carbon.apart_wt_pct is None:
        return None
    solid, melted = bands.carbon.apart_wt_pct
    return (solid[0], solid[2]), (melted[0], melted[2])


def _melted_note(situation: Situation) -> tuple[str, ...]:
    """What the two bands in the profile mean."""
    bands = situation.bands
    if not _carburizes(situation.problem.sheet) or bands is None or bands.carbon.apart_wt_pct is None:
        return ()
    share = f"{100.0 * bands.carbon.melted_share:.0f} of 100 cases"
    return (f"Carbon through the section: in {share} the skin has melted (hatched), in the others not (plain).",)


def _other_profiles(situation: Situation, carbon: CarbonResult) -> Iterator[ProfileCurve]:
    """The carbon when the target will be met, and when the skin was at its worst, where either is not as it is now."""
    ahead = None if situation.forecast is None or situation.finished else situation.forecast.profile
    if ahead is not None and not situation.statuses[ahead.number].reached:
        target = situation.statuses[ahead.number].target
        label = f"when {target.quantity} is reached"
        yield ProfileCurve(label, ahead.depth_m, ahead.carbon_wt_pct, when="target")
    worst = carbon.deepest_wt_pct
    if worst is not None and float(np.abs(worst - carbon.carbon_wt_pct).max()) > SAME_CARBON_WT_PCT:
        label = "when it had melted deepest" if carbon.liquid_depth_m > 0.0 else "when carbide went deepest"
        yield ProfileCurve(label, carbon.depth_m, worst, when="worst")


def _depth_view(situation: Situation) -> DepthView | None:
    sheet, trail = situation.problem.sheet, situation.state.trail
    if not _carburizes(sheet) or not trail:
        return None
    level = level_shown_wt_pct(sheet)
    place = situation.problem.levels_wt_pct.index(level)
    following = next(
        (
            (number, status)
            for number, status in enumerate(situation.statuses)
            if status.target.quantity is Quantity.CASE_DEPTH and status.target.at_carbon_wt_pct == level
        ),
        None,
    )
    expected_s, expected_range_s = None, None
    if following is not None and situation.forecast is not None and not following[1].reached:
        expected_s = situation.forecast.reached_at_s[following[0]]
        within = situation.forecast.range_s[following[0]] if situation.forecast.range_s else None
        if within is not None and within[1] is not None:
            expected_range_s = (within[0], within[1])
    time_s, depth_m = _column(trail, "time_s"), np.array([point.case_depth_m[place] for point in trail])
    return DepthView(
        definition=f"to {level:.2f} % C",
        time_s=time_s,
        depth_m=depth_m,
        band_m=_depth_band(situation, level, time_s, depth_m),
        expected_range_s=expected_range_s,
        target_m=None if following is None else following[1].target.value,
        reached_s=None if following is None else following[1].reached_at_s,
        expected_s=expected_s,
    )


def _depth_band(situation: Situation, level: float, time_s: FloatArray, depth_m: FloatArray) -> Edges | None:
    """The band of the case depth [m] around the line (n,): straight between the moments at which it is known.

    It always holds the line itself, and never reaches past a value that is known: no deeper than the section.
    """
    known = [(point.time_s, point.case_depth_m) for point in situation.state.band_trail]
    if situation.bands is not None:
        known.append((situation.bands.time_s, situation.bands.carbon.case_depth_m[level]))
    if not known or not time_s.size:
        return None
    at_s = np.array([time_s[0], *(moment_s for moment_s, _ in known)])
    low, high = (np.interp(time_s, at_s, np.array([depth_m[0], *(band[end] for _, band in known)])) for end in (0, 2))
    return np.minimum(low, depth_m), np.maximum(high, depth_m)


def _temper_view(situation: Situation) -> TemperView | None:
    tempered, trail = situation.estimate.tempering, situation.state.trail
    if tempered is None or not tempered.begun:
        return None
    wanted = {status.target.quantity: status.target.value for status in situation.statuses}
    hardness = _column(trail, "hardness_HRC")
    has_hardness = bool(np.isfinite(hardness).any())
    rms = tempered.hardness_rms_HRC
    return TemperView(
        constant=float(tempered.constant),
        time_s=_column(trail, "time_s"),
        parameter=_column(trail, "tempering_parameter_K"),
        target_parameter=wanted.get(Quantity.TEMPERING_PARAMETER),
        hardness_HRC=hardness if has_hardness else None,
        hardness_band_HRC=(hardness - 1.645 * rms, hardness + 1.645 * rms) if has_hardness and rms else None,
        target_hardness_HRC=wanted.get(Quantity.HARDNESS),
    )


def _section_view(situation: Situation) -> SectionView | None:
    """Hardness across the section, where the piece is hardened and it says more than one number."""
    treatment, units = situation.estimate.treatment, situation.problem.sheet.display
    if treatment is None or treatment.section is None:
        return None
    section, tempered = treatment.section, treatment.tempered
    of = None if situation.bands is None else situation.bands.section
    band: Edges | None = (section.low_HRC, section.high_HRC)
    after: Edges | None = None if tempered is None else (tempered.low_HRC, tempered.high_HRC)
    if of is not None and of.depth_m.size == section.depth_m.size:
        band = (of.quenched_HRC[0], of.quenched_HRC[2])
        if of.tempered_HRC is not None:
            after = (of.tempered_HRC[0], of.tempered_HRC[2])
    whole = situation.problem.carbon.grid.back_area > 0.0 and situation.problem.sheet.piece.shape != "round"
    how = "quenched" if treatment.quenched else "if quenched"
    return SectionView(
        depth_m=section.depth_m,
        quenched_HRC=section.hardness_HRC,
        quenched_label=f"{how} from {temperature_words(treatment.quench_K, units)}",
        quenched_band_HRC=band,
        tempered=None if tempered is None else tempered.hardness_HRC,
        tempered_band_HRC=after,
        depth_50_hrc_m=section.depth_50_hrc_m,
        far_end="back face" if whole else "middle of the section",
    )
