"""Run sheet: what is in the oven and what it should become, as checked values in SI.

`logger.sheet_file` reads it from TOML; everything else only ever sees the values. It checks itself as a whole, so a
sheet that exists is a sheet that makes sense.
"""

from dataclasses import dataclass, field

from logger.errors import Fault, InputFault
from logger.sheet_limits import (
    LONGEST_REACH_S,
    canister_faults,
    correction_faults,
    optional_faults,
    pack_faults,
    piece_faults,
    quench_faults,
    span_faults,
    stage_faults,
    target_faults,
    wishes_faults,
)
from logger.sheet_parts import Canister, Correction, Pack, Piece, Quantity, Quench, SoakRule, Stage, Target
from logger.thermocouple import Thermocouple
from logger.units import DisplayUnits
from logger.wishes import Wishes


@dataclass(frozen=True, slots=True)
class RunSheet:
    """One heat: what is in the oven, where the thermocouple is, and what should come out."""

    piece: Piece
    pack: Pack | None = None
    canister: Canister = field(default_factory=Canister)
    stages: tuple[Stage, ...] = ()
    targets: tuple[Target, ...] = ()
    soak: SoakRule = field(default_factory=SoakRule)
    channel: str | None = None
    thermocouple: Thermocouple | None = None  # of that channel; None: the oven file's, else a type K
    reference_temperature_K: float = 1223.15
    equivalent_energy_J_per_mol: float = 148000.0
    tempering_reference_K: float = 473.15
    tempering_constant: float | None = None  # None: chosen from the piece's carbon
    quenched_hardness_HRC: float | None = None
    temper_hold_s: float | None = None  # how long the person means to hold a temper
    quench: Quench | None = None
    correction: Correction | None = None  # None: by the book
    wishes: Wishes | None = None
    display: DisplayUnits = field(default_factory=DisplayUnits)
    name: str = ""
    notes: str = ""

    def __post_init__(self) -> None:
        faults = list(_faults(self))
        if faults:
            raise InputFault(faults)


USUAL_LEVEL_WT_PCT = 0.40
"""The carbon a case depth is shown to where no target names one."""


def level_shown_wt_pct(sheet: RunSheet) -> float:
    """The carbon [wt%] to which the case depth in the foreground is measured: the first target's, else 0.40."""
    for target in sheet.targets:
        if target.quantity is Quantity.CASE_DEPTH and target.at_carbon_wt_pct is not None:
            return target.at_carbon_wt_pct
    return USUAL_LEVEL_WT_PCT


def _faults(sheet: RunSheet) -> list[Fault]:
    """Everything about a sheet that cannot be, each with what would be right."""
    piece, display = sheet.piece, sheet.display
    has_pack = sheet.pack is not None or any(stage.pack for stage in sheet.stages)
    return [
        *piece_faults(piece, has_pack, display),
        *pack_faults("pack", sheet.pack, display),
        *canister_faults(sheet.canister, piece, display),
        *stage_faults(sheet.stages, display),
        *target_faults(sheet.targets, piece, display),
        *span_faults("soak.half_band", sheet.soak.half_band_K, 0.5, 200.0, display, "difference_K"),
        *optional_faults("soak.temperature", sheet.soak.temperature_K, 273.15, 1773.15, display, "K"),
        *span_faults("reference.temperature", sheet.reference_temperature_K, 673.15, 1673.15, display, "K"),
        *span_faults("reference.energy", sheet.equivalent_energy_J_per_mol, 1e4, 1e6, display, "J/mol"),
        *span_faults("tempering.reference_temperature", sheet.tempering_reference_K, 323.15, 1000.15, display, "K"),
        *correction_faults(sheet.correction),
        *optional_faults("tempering.constant", sheet.tempering_constant, 5.0, 30.0, display, ""),
        *optional_faults("tempering.quenched_hardness", sheet.quenched_hardness_HRC, 20.0, 70.0, display, "HRC"),
        *optional_faults("tempering.hold", sheet.temper_hold_s, 60.0, LONGEST_REACH_S, display, "s_as_h"),
        *quench_faults(sheet.quench, display),
        *wishes_faults(sheet.wishes, piece, display),
    ]
