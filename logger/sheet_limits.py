"""Limits of a run sheet: what none of its parts can be, each fault with what would be right in the person's units.

A place is named by its path on a sheet file, without a unit; a value that is NaN counts as a fault of its own and
takes no part in any comparison with others.
"""

from collections.abc import Sequence
from math import inf, isfinite, nan

from logger.errors import Fault
from logger.sheet_parts import (
    ALLOYING_ELEMENTS,
    PACK_KINDS,
    Canister,
    Correction,
    Pack,
    Piece,
    Quantity,
    Quench,
    Shape,
    Stage,
    SurfaceKind,
    Target,
)
from logger.units import SECONDS_PER_HOUR, DisplayUnits, kelvin_from_celsius
from logger.wishes import Wishes

SMALLEST_PIECE_M, LARGEST_PIECE_M = 5e-5, 0.5
THINNEST_LAYER_M = 1e-6
HIGHEST_CARBON_WT_PCT = 2.0
HIGHEST_POTENTIAL_WT_PCT = 2.1
"""Most carbon austenite can hold, at the eutectic: 2.1 % at 1147-1154 C (ASM Metals Handbook; from memory)."""
FASTEST_TRANSFER_M_PER_S = 1e-3
"""A thousand times what carburizing gas and packs are known for, 1e-7 to 1e-6 m/s: beyond it is a slip of the pen."""

LONGEST_REACH_S = 2000.0 * SECONDS_PER_HOUR

_TARGET_SPANS: dict[Quantity, tuple[float, float, str]] = {
    Quantity.SURFACE_CARBON: (0.01, HIGHEST_POTENTIAL_WT_PCT, "%"),
    Quantity.CORE_CARBON: (0.01, HIGHEST_POTENTIAL_WT_PCT, "%"),
    Quantity.MEAN_CARBON: (0.01, HIGHEST_POTENTIAL_WT_PCT, "%"),
    Quantity.SOAK_TIME: (1.0, LONGEST_REACH_S, "s_as_h"),
    Quantity.EQUIVALENT_TIME: (1.0, LONGEST_REACH_S, "s_as_h"),
    Quantity.TEMPERING_PARAMETER: (5000.0, 30000.0, "parameter_K"),
    Quantity.HARDNESS: (20.0, 68.0, "HRC"),
}


def span_faults(where: str, value: float, low: float, high: float, display: DisplayUnits, unit: str) -> list[Fault]:
    """A fault if a value is outside a span.

    Parameters
    ----------
    where : its path on the sheet
    value : the value [``unit``]
    low : the least it may be [``unit``]
    high : the most it may be [``unit``]
    display : the person's units
    unit : as in `DisplayUnits.said`
    """
    if low <= value <= high:
        return []
    return [Fault(where, display.said(value, unit), display.said_span(low, high, unit))]


def _known(value: float, low: float, high: float) -> float:
    """The value where it can be: NaN outside low to high, so that nothing is concluded from it."""
    return value if low <= value <= high else nan


def optional_faults(
    where: str, value: float | None, low: float, high: float, display: DisplayUnits, unit: str
) -> list[Fault]:
    """The same for a value that may be left out.

    Parameters
    ----------
    where : its path on the sheet
    value : the value [``unit``]; None: left out
    low : the least it may be [``unit``]
    high : the most it may be [``unit``]
    display : the person's units
    unit : as in `DisplayUnits.said`
    """
    return [] if value is None else span_faults(where, value, low, high, display, unit)


def piece_faults(piece: Piece, has_pack: bool, display: DisplayUnits) -> list[Fault]:
    """What a piece cannot be; ``has_pack``: whether the run has a pack at any time."""
    faults: list[Fault] = []
    if piece.shape is Shape.LAYERED:
        if not piece.layers:
            faults.append(Fault("piece.layer", "nothing", "at least one layer, from the front face to the back face"))
        elif abs(sum(layer.thickness_m for layer in piece.layers) - piece.size_m) > 1e-9:
            faults.append(Fault("piece.layer", "layers that do not add up to the size", "the sum of the layers"))
    else:
        size = "piece.diameter" if piece.shape is Shape.ROUND else "piece.thickness"
        faults += span_faults(size, piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, display, "m")
        faults += span_faults("piece.carbon", piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, display, "%")
        if piece.layers:
            faults.append(Fault("piece.layer", f"layers of a {piece.shape}", 'piece.shape = "layered" with layers'))
    for number, layer in enumerate(piece.layers):
        here = f"piece.layer[{number}]"
        faults += span_faults(f"{here}.thickness", layer.thickness_m, THINNEST_LAYER_M, LARGEST_PIECE_M, display, "m")
        faults += span_faults(f"{here}.carbon", layer.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT, display, "%")
        faults += _alloy_faults(f"{here}.alloy_wt_pct", layer.alloy_wt_pct)
    faults += _alloy_faults("piece.alloy_wt_pct", piece.alloy_wt_pct)
    if piece.shape is Shape.ROUND and piece.back is not None:
        faults.append(Fault("piece.back", str(piece.back), "nothing: a round has one surface, piece.front"))
    for side, surface in (("front", piece.front), ("back", piece.back)):
        if surface is SurfaceKind.PACK and not has_pack:
            faults.append(Fault(f"piece.{side}", "pack", "a [pack] on the sheet"))
    return faults


def _alloy_faults(where: str, alloy_wt_pct: dict[str, float]) -> list[Fault]:
    faults: list[Fault] = []
    for element, content in alloy_wt_pct.items():
        if element not in ALLOYING_ELEMENTS:
            faults.append(Fault(f"{where}.{element}", "an element not known", f"one of {', '.join(ALLOYING_ELEMENTS)}"))
        elif not 0.0 <= content <= 30.0:
            faults.append(Fault(f"{where}.{element}", f"{content:.4g} %", "0 to 30 %"))
    total = sum(alloy_wt_pct.values())
    if total > 60.0 and not faults:
        faults.append(Fault(where, f"{total:.4g} % in all", "at most 60 %: the rest is iron"))
    return faults


def pack_faults(where: str, pack: Pack | None, display: DisplayUnits) -> list[Fault]:
    """What a pack, named by its path on the sheet, cannot be."""
    if pack is None:
        return []
    faults: list[Fault] = []
    potential, activity = pack.carbon_potential_wt_pct, pack.carbon_activity
    if potential is not None and activity is not None:
        both = "a carbon potential and a carbon activity"
        faults.append(Fault(where, both, "one of them"))
    if potential is not None and not 0.0 <= potential <= HIGHEST_POTENTIAL_WT_PCT:
        most = f"0 to {HIGHEST_POTENTIAL_WT_PCT} %, the most that austenite can hold"
        faults.append(Fault(f"{where}.carbon_potential", f"{potential:.4g} %", most))
    if activity is not None and not 0.0 < activity <= 1.0:
        faults.append(Fault(f"{where}.carbon_activity", f"{activity:.4g}", "above 0, up to 1 (graphite)"))
    transfer = pack.mass_transfer_m_per_s
    if transfer is not None and not (0.0 < transfer <= FASTEST_TRANSFER_M_PER_S or transfer == inf):
        expected = f'above 0, up to {FASTEST_TRANSFER_M_PER_S:g} m/s, or "inf" for a pinned surface'
        faults.append(Fault(f"{where}.mass_transfer", f"{transfer:.4g} m/s", expected))
    faults += span_faults(
        f"{where}.mass_transfer_energy", pack.mass_transfer_energy_J_per_mol, 0.0, 1e6, display, "J/mol"
    )
    reference = f"{where}.mass_transfer_reference"
    faults += span_faults(reference, pack.mass_transfer_reference_K, 673.15, 1673.15, display, "K")
    return faults


def canister_faults(canister: Canister, piece: Piece, display: DisplayUnits) -> list[Fault]:
    """What the canister around a piece cannot be."""
    faults: list[Fault] = []
    if canister.sensor not in ("inside", "oven"):
        faults.append(Fault("canister.sensor", f'"{canister.sensor}"', '"inside" or "oven"'))
    if canister.sensor == "oven" and canister.outer_m is None:
        why = "the canister's outer size: the sensor is in the oven, so the heat's way in must be worked out"
        faults.append(Fault("canister.outer", "nothing", why))
    faults += optional_faults("canister.outer", canister.outer_m, 0.005, 2.0, display, "m")
    faults += span_faults("canister.wall", canister.wall_m, 1e-4, 0.1, display, "m")
    faults += span_faults("canister.fill", canister.fill, 0.01, 1.0, display, "")
    if canister.pack_kind not in PACK_KINDS:
        known = ", ".join(f'"{kind}"' for kind in PACK_KINDS[:-1])
        faults.append(Fault("canister.pack_kind", f'"{canister.pack_kind}"', f'{known} or "{PACK_KINDS[-1]}"'))
    faults += optional_faults("canister.length", canister.length_m, 0.01, 5.0, display, "m")
    faults += optional_faults("canister.start_temperature", canister.start_temperature_K, 223.15, 1573.15, display, "K")
    faults += optional_faults("canister.steel", canister.steel_mass_kg, 1e-3, 1e3, display, "kg")
    lag = canister.lag
    if lag is not None:
        factors = {"conductivity": lag.conductivity, "exchange": lag.exchange, "steel": lag.steel}
        spreads = {
            "conductivity_spread": lag.conductivity_spread,
            "exchange_spread": lag.exchange_spread,
            "steel_spread": lag.steel_spread,
        }
        for name, factor in factors.items():
            faults += span_faults(f"canister.lag.{name}", factor, 0.05, 20.0, display, "")
        for name, spread in spreads.items():
            faults += span_faults(f"canister.lag.{name}", spread, 0.0, 2.0, display, "")
        a, b, c = lag.correlation
        # Three correlations that can be together: the matrix they make has no negative direction.
        if not (max(abs(a), abs(b), abs(c)) <= 1.0 and 1.0 + 2.0 * a * b * c >= a * a + b * b + c * c - 1e-6):
            faults.append(
                Fault("canister.lag.correlation", f"{a:g}, {b:g}, {c:g}", "three numbers from -1 to 1 that agree")
            )
    if canister.outer_m is not None and not faults:
        room_m = canister.outer_m - 2.0 * canister.wall_m
        if room_m <= 0.0:
            outside = display.said(canister.outer_m / 2.0, "m")
            faults.append(Fault("canister.wall", display.said(canister.wall_m, "m"), f"less than {outside}"))
        elif _known(piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M) > room_m:
            found = f"{display.said(canister.outer_m, 'm')}, {display.said(room_m, 'm')} inside"
            faults.append(Fault("canister.outer", found, f"room for a piece of {display.said(piece.size_m, 'm')}"))
    return faults


LEAST_QUENCH_K, MOST_QUENCH_K = kelvin_from_celsius(600.0), kelvin_from_celsius(1147.0)
"""Below the first no alloy of ours is austenite, above the second a carburized skin melts."""


def quench_faults(quench: Quench | None, display: DisplayUnits) -> list[Fault]:
    """What a quench cannot be."""
    if quench is None:
        return []
    faults = optional_faults("quench.from", quench.from_K, LEAST_QUENCH_K, MOST_QUENCH_K, display, "K")
    faults += span_faults("quench.end", quench.end_K, 77.0, kelvin_from_celsius(250.0), display, "K")
    faults += optional_faults("quench.section", quench.section_m, SMALLEST_PIECE_M, LARGEST_PIECE_M, display, "m")
    faults += optional_faults("quench.at", quench.at_s, 0.0, LONGEST_REACH_S, display, "s_as_h")
    before_s = 0.0
    for number, out_s in enumerate(quench.taken_out_s):
        here = f"quench.taken_out[{number}].at"
        beyond = span_faults(here, out_s, 0.0, LONGEST_REACH_S, display, "s_as_h")
        faults += beyond
        if not beyond and out_s <= before_s and number:
            found, least = (display.said(each_s, "s_as_h") for each_s in (out_s, before_s))
            faults.append(Fault(here, found, f"later than {least}, the time before it"))
        before_s = _known(out_s, 0.0, LONGEST_REACH_S)
    if quench.at_s is not None and quench.taken_out_s and quench.at_s <= before_s:
        found, last = (display.said(each_s, "s_as_h") for each_s in (quench.at_s, before_s))
        faults.append(Fault("quench.at", found, f"later than {last}, when it was last taken out"))
    return faults


MOST_CORRECTED = 12.0
"""No measurement moves a coefficient by more of its stated spread than this (our choice)."""


def correction_faults(correction: Correction | None) -> list[Fault]:
    """What cannot have been learned."""
    if correction is None:
        return []
    faults = []
    if not all(abs(value) <= MOST_CORRECTED for value in correction.mean):
        found = ", ".join(f"{value:g}" for value in correction.mean)
        faults.append(Fault("correction.mean", found, f"numbers from {-MOST_CORRECTED:g} to {MOST_CORRECTED:g}"))
    rows = correction.covariance
    pairs = [(a, b) for a in range(4) for b in range(4)]
    sizes = [rows[a][a] for a in range(4)]
    alike = all(abs(rows[a][b] - rows[b][a]) <= 1e-9 for a, b in pairs)
    if not (alike and all(0.0 <= size <= 10.0 for size in sizes) and _no_negative_direction(rows)):
        expected = "four rows of four that can be a covariance, as `soaktally correct show --sheet-table` prints them"
        faults.append(Fault("correction.covariance", "rows that cannot be one", expected))
    return faults


def _no_negative_direction(rows: tuple[tuple[float, float, float, float], ...]) -> bool:
    """Whether a symmetric matrix is a covariance: Cholesky's method with a little slack for rounding."""
    lower = [[0.0] * 4 for _ in range(4)]
    for a in range(4):
        for b in range(a + 1):
            rest = rows[a][b] - sum(lower[a][c] * lower[b][c] for c in range(b))
            if a == b:
                if rest < -1e-9:
                    return False
                lower[a][a] = max(rest, 1e-12) ** 0.5
            else:
                lower[a][b] = rest / lower[b][b]
    return True


def wishes_faults(wishes: Wishes | None, piece: Piece, display: DisplayUnits) -> list[Fault]:
    """What cannot be wished of a piece."""
    if wishes is None:
        return []
    most = HIGHEST_POTENTIAL_WT_PCT
    start = _known(piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT)
    faults: list[Fault] = []
    for name, wanted in (("mean_carbon", wishes.mean_wt_pct), ("core_carbon", wishes.core_wt_pct)):
        beyond = optional_faults(f"plan.{name}", wanted, 0.01, most, display, "%")
        faults += beyond
        if wanted is not None and not beyond and wanted <= start:
            faults.append(
                Fault(f"plan.{name}", f"{wanted:.4g} %", f"more than the {start:.4g} % the piece starts with")
            )
        ceiling = wishes.surface_at_most_wt_pct
        if wanted is not None and ceiling is not None and not beyond and wanted > ceiling:
            found = f"{wanted:.4g} %, while the surface shall have at most {ceiling:.4g} %"
            faults.append(Fault(f"plan.{name}", found, "no more inside than at the surface"))
    faults += optional_faults("plan.surface_at_most", wishes.surface_at_most_wt_pct, 0.05, most, display, "%")
    if wishes.case_depth_m is not None:
        faults += _case_wish_faults(wishes, piece, start, display)
    elif wishes.at_carbon_wt_pct is not None:
        faults.append(Fault("plan.at_carbon", f"{wishes.at_carbon_wt_pct:.4g} %", "a case_depth that it belongs to"))
    faults += span_faults("plan.melting_margin", wishes.melting_margin_K, 0.0, 500.0, display, "difference_K")
    hottest = (kelvin_from_celsius(800.0), kelvin_from_celsius(1300.0))
    longest = (SECONDS_PER_HOUR / 2.0, 200.0 * SECONDS_PER_HOUR)
    faults += span_faults("plan.hottest", wishes.hottest_K, *hottest, display, "K")
    faults += span_faults("plan.longest", wishes.longest_s, *longest, display, "s_as_h")
    if not 1.0 / SECONDS_PER_HOUR <= wishes.climb_K_per_s <= 2.0:
        found = f"{display.said(wishes.climb_K_per_s * SECONDS_PER_HOUR, 'difference_K')}/h"
        faults.append(Fault("plan.climb", found, f"{display.said_span(1.0, 7200.0, 'difference_K')}/h"))
    for name, watts in (("heating_power", wishes.heating_W), ("holding_power", wishes.holding_W)):
        if watts is not None and not 1.0 <= watts <= 1e6:
            faults.append(Fault(f"plan.{name}", f"{watts / 1000.0:.4g} kW", "0.001 to 1000 kW"))
    if (wishes.heating_W is None) != (wishes.holding_W is None):
        missing = "heating_power" if wishes.heating_W is None else "holding_power"
        faults.append(Fault(f"plan.{missing}", "nothing", "heating_power and holding_power together, or neither"))
    if wishes.gas_kg_per_s is not None and not 0.0 < wishes.gas_kg_per_s <= 100.0 / SECONDS_PER_HOUR:
        found = f"{wishes.gas_kg_per_s * SECONDS_PER_HOUR:.4g} kg/h"
        faults.append(Fault("plan.gas", found, "more than 0, up to 100 kg/h"))
    return faults


def _case_wish_faults(wishes: Wishes, piece: Piece, start_wt_pct: float, display: DisplayUnits) -> list[Fault]:
    level = wishes.at_carbon_wt_pct
    assert wishes.case_depth_m is not None
    if level is None:
        why = "the carbon content the depth is measured to, such as at_carbon_wt_pct = 0.40"
        return [Fault("plan.at_carbon", "nothing", why)]
    faults = span_faults("plan.at_carbon", level, 0.01, HIGHEST_POTENTIAL_WT_PCT, display, "%")
    if not faults and level <= start_wt_pct:
        start = f"more than the {start_wt_pct:.4g} % the piece starts with"
        faults.append(Fault("plan.at_carbon", f"{level:.4g} %", start))
    ceiling = wishes.surface_at_most_wt_pct
    if not faults and ceiling is not None and level > ceiling:
        found = f"{level:.4g} %, while the surface shall have at most {ceiling:.4g} %"
        faults.append(Fault("plan.at_carbon", found, "no more inside than at the surface"))
    deepest_m = 0.5 * _known(piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M)
    if not 0.0 < wishes.case_depth_m < inf:
        faults.append(Fault("plan.case_depth", display.said(wishes.case_depth_m, "m"), "more than 0"))
    elif wishes.case_depth_m > deepest_m:
        found, most = display.said(wishes.case_depth_m, "m"), display.said(deepest_m, "m")
        faults.append(
            Fault("plan.case_depth", found, f"at most {most}, half the piece; for all of it ask for core_carbon")
        )
    return faults


def stage_faults(stages: Sequence[Stage], display: DisplayUnits) -> list[Fault]:
    """What stages, in the order of the sheet, cannot be."""
    faults: list[Fault] = []
    before: Stage | None = None
    for number, stage in enumerate(stages):
        here = f"stage[{number}]"
        faults += pack_faults(f"{here}.pack", stage.pack, display)
        if stage.from_s < 0.0:
            faults.append(Fault(f"{here}.from", f"{stage.from_s:g} s", "0 s or later"))
        if stage.from_s >= stage.to_s:
            faults.append(
                Fault(f"{here}.to", f"{stage.to_s:g} s, from {stage.from_s:g} s", "an end after its beginning")
            )
        if before is not None and stage.from_s < before.to_s and before.to_s > before.from_s >= 0.0:
            till = "the end of the run" if before.to_s == inf else f"{before.to_s:g} s"
            found = f"{stage.from_s:g} s, while stage[{number - 1}] lasts to {till}"
            faults.append(Fault(f"{here}.from", found, "stages in order, each from the end of the one before or later"))
        before = stage
    return faults


def target_faults(targets: Sequence[Target], piece: Piece, display: DisplayUnits) -> list[Fault]:
    """What targets for a piece cannot be."""
    return [fault for number, target in enumerate(targets) for fault in _target_faults(number, target, piece, display)]


def _target_faults(number: int, target: Target, piece: Piece, display: DisplayUnits) -> list[Fault]:
    here = f"target[{number}]"
    faults: list[Fault] = []
    if target.judged_by not in ("median", "pessimistic"):
        faults.append(Fault(f"{here}.judged_by", f'"{target.judged_by}"', '"median" or "pessimistic"'))
    level = target.at_carbon_wt_pct
    if target.quantity is not Quantity.CASE_DEPTH:
        if level is not None:
            faults.append(Fault(f"{here}.at_carbon", f"{level:.4g} %", f"nothing: {target.quantity} has no such level"))
        low, high, unit = _TARGET_SPANS[target.quantity]
        return faults + span_faults(f"{here}.reach", target.value, low, high, display, unit)
    if level is None:
        why = "the carbon content the depth is measured to, such as at_carbon_wt_pct = 0.40"
        faults.append(Fault(f"{here}.at_carbon", "nothing", why))
    else:
        faults += span_faults(f"{here}.at_carbon", level, 0.01, HIGHEST_POTENTIAL_WT_PCT, display, "%")
        start_wt_pct = _known(piece.carbon_wt_pct, 0.0, HIGHEST_CARBON_WT_PCT)
        if not piece.layers and level <= start_wt_pct and not faults:
            start = f"more than the {piece.carbon_wt_pct:.4g} % the piece starts with"
            faults.append(Fault(f"{here}.at_carbon", f"{level:.4g} %", start))
    faces = [face or SurfaceKind.PACK for face in (piece.front, piece.back)]
    one_sided = piece.shape is not Shape.ROUND and faces.count(SurfaceKind.PACK) == 1
    size_m = _known(piece.size_m, SMALLEST_PIECE_M, LARGEST_PIECE_M)
    deepest_m = size_m if one_sided else size_m / 2.0
    if target.value <= 0.0 or not isfinite(target.value):
        faults.append(Fault(f"{here}.reach", display.said(target.value, "m"), "more than 0"))
    elif target.value > deepest_m:
        extent = "the piece" if one_sided else "half the piece"
        found, most = display.said(target.value, "m"), display.said(deepest_m, "m")
        faults.append(Fault(f"{here}.reach", found, f"at most {most}, {extent}"))
    return faults
