"""What surrounds the numbers of a review, for programs: what was wanted, sensors, alerts, notes, what is missing.

Units ride in the keys; a value that is not known is null.
"""

from math import isfinite, isinf
from typing import Any

from logger.history import History
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, Pack, Piece, SurfaceKind
from logger.situation import Situation
from logger.thermocouple import Thermocouple, usable_tolerance_K
from logger.units import celsius_from_kelvin, millimetres_from_metres


def about_object(situation: Situation) -> dict[str, Any]:
    """The keys that surround the numbers of a run: ``wanted``, ``sensors``, ``alerts``, ``notes``, ``missing`` ..."""
    kept = situation.kept
    start_utc_s = None if situation.now_utc_s is None else situation.now_utc_s - situation.now_s
    return {
        "started_utc_s": start_utc_s,
        "finished": situation.finished,
        "how_ended": None if kept is None else kept.how_ended,
        "recorded_by": None if kept is None else kept.software,
        "poll_interval_s": None if kept is None else kept.poll_interval_s,
        "wanted": _wanted(situation.problem.sheet),
        "sensors": [_sensor(situation, channel) for channel in situation.histories],
        "alerts": [
            {
                "time_s": event.time_s,
                "kind": str(event.kind),
                "key": event.key,
                "episode": event.episode,
                "phase": str(event.phase),
                "severity": str(event.severity),
                "title": event.title,
                "message": event.message,
            }
            for event in situation.alert_events
        ],
        "notes": [
            {"time_s": note.time_s, "utc_s": note.utc_s, "author": note.author, "text": note.text}
            for note in (() if kept is None else kept.notes)
        ],
        "missing": list(missing(situation)),
    }


def missing(situation: Situation) -> tuple[str, ...]:
    """What a report of this run has to do without, a sentence each."""
    history, thermal = situation.histories.get(situation.state.channel), situation.estimate.thermal
    good = 0 if history is None else int(history.good.sum())
    if good == 0:
        return ("No reading to be believed: nothing is known of the heat.",)
    said = []
    if good == 1:
        said.append("Only one reading to be believed: nothing that takes time can be said.")
    elif not thermal.soaks:
        said.append("No soak: the steel was never held at heat inside a tolerance band.")
    lost_s = sum(gap.end_s - gap.start_s for gap in thermal.gaps if not gap.bridged)
    if lost_s > 0.5 * max(situation.now_s, 1.0):
        said.append("Most of the run is without readings: the numbers rest on a guess across the gaps.")
    if not situation.finished:
        said.append("The run is still going: these are its numbers so far.")
    if situation.now_utc_s is None:
        said.append("The trace carries no dates: times count from its beginning.")
    return tuple(said)


def _number(value: float | None) -> float | None:
    return None if value is None or not isfinite(value) else float(value)


def _mm(length_m: float | None) -> float | None:
    return None if length_m is None else _number(millimetres_from_metres(length_m))


def _celsius(temperature_K: float | None) -> float | None:
    return None if temperature_K is None else _number(celsius_from_kelvin(temperature_K))


def _wanted(sheet: RunSheet) -> dict[str, Any]:
    return {
        "piece": _piece(sheet.piece),
        "pack": None if sheet.pack is None else _pack(sheet.pack),
        "canister": _canister(sheet.canister),
        "soak": {
            "temperature_C": _celsius(sheet.soak.temperature_K),
            "half_band_C": sheet.soak.half_band_K,
            "source": sheet.soak.source,
        },
        "stages": [
            {
                "kind": str(stage.kind),
                "from_s": stage.from_s,
                "to_s": _number(stage.to_s),
                "pack": None if stage.pack is None else _pack(stage.pack),
            }
            for stage in sheet.stages
        ],
        "notes": sheet.notes,
    }


def _piece(piece: Piece) -> dict[str, Any]:
    return {
        "shape": str(piece.shape),
        "size_mm": _mm(piece.size_m),
        "carbon_wt_pct": piece.carbon_wt_pct,
        "alloy_wt_pct": dict(piece.alloy_wt_pct),
        "layers": [
            {
                "thickness_mm": _mm(layer.thickness_m),
                "carbon_wt_pct": layer.carbon_wt_pct,
                "alloy_wt_pct": dict(layer.alloy_wt_pct),
            }
            for layer in piece.layers
        ],
        "iron_lot": piece.iron_lot,
        "faces": [_surface(piece.front), _surface(piece.back)],
    }


def _surface(kind: SurfaceKind | None) -> str | None:
    return None if kind is None else str(kind)


def _pack(pack: Pack) -> dict[str, Any]:
    transfer = pack.mass_transfer_m_per_s
    return {
        "recipe": pack.recipe,
        "lot": pack.lot,
        "carbon_activity": pack.carbon_activity,
        "carbon_potential_wt_pct": pack.carbon_potential_wt_pct,
        "mass_transfer_m_per_s": "inf" if transfer is not None and isinf(transfer) else transfer,
    }


def _canister(canister: Canister) -> dict[str, Any]:
    return {
        "sensor": canister.sensor,
        "shape": str(canister.shape),
        "outer_mm": _mm(canister.outer_m),
        "wall_mm": _mm(canister.wall_m),
        "length_mm": _mm(canister.length_m),
        "pack_kind": canister.pack_kind,
        "steel_kg": canister.steel_mass_kg,
        "lag_fitted": canister.lag is not None,
    }


def _sensor(situation: Situation, channel: str) -> dict[str, Any]:
    """One thermocouple: what it is, how far such a one may be off at the hottest it read, what it answered."""
    kept, sheet = situation.kept, situation.problem.sheet
    judges = channel == situation.state.channel
    stated = sheet.thermocouple if judges else None
    if stated is None and kept is not None:
        stated = kept.thermocouples.get(channel)
    couple = stated or Thermocouple()
    peak_K = _hottest_K(situation.histories[channel])
    counts = None if kept is None else kept.readings.get(channel, {})
    return {
        "channel": channel,
        "judges_the_run": judges,
        "stated": stated is not None,
        "type": str(couple.type),
        "tolerance": str(couple.tolerance_class),
        "sheathed": couple.sheathed,
        "calibrated_on": couple.calibrated_on or None,
        "hottest_C": _celsius(peak_K),
        "tolerance_at_hottest_C": None if peak_K is None else float(usable_tolerance_K(couple, peak_K)),
        "correction": [
            {"reading_C": _celsius(reading_K), "add_C": add_K}
            for reading_K, add_K in zip(couple.correction.reading_K, couple.correction.add_K, strict=True)
        ],
        "readings": len(situation.histories[channel]) if counts is None else sum(counts.values()),
        "good_readings": int(situation.histories[channel].good.sum()),
        "bad_readings": {} if counts is None else {kind: count for kind, count in counts.items() if kind != "good"},
    }


def _hottest_K(history: History) -> float | None:
    return float(history.temperature_K[history.good].max()) if history.good.any() else None
