"""SHEET.toml -> the run sheet: what is in the oven and what it should become.

Units ride in the keys (``thickness_mm``, ``thickness_in``) or in the value (``thickness = "1/4 in"``); which one a
person used is remembered, so that views answer in the same unit.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from enum import StrEnum
from math import inf, nan
from pathlib import Path
from typing import Annotated

from pydantic import Field

from logger.errors import InputFault
from logger.estimate.soak import PUBLISHED_RULES
from logger.plan_tables import PlanTable, WishTable, wishes_of
from logger.quantities import (
    CARBON,
    DURATION,
    HARDNESS,
    LENGTH,
    MASS,
    MASS_TRANSFER,
    MOLAR_ENERGY,
    TEMPERATURE,
    TEMPERATURE_DIFFERENCE,
    TEMPERING_PARAMETER,
    Dimension,
    DurationDimension,
    Written,
)
from logger.sheet import RunSheet
from logger.sheet_parts import (
    ALLOYING_ELEMENTS,
    PACK_KINDS,
    Bath,
    Canister,
    CanisterLag,
    CanisterShape,
    Correction,
    Layer,
    Pack,
    Piece,
    Quantity,
    Quench,
    Shape,
    SoakRule,
    Stage,
    StageKind,
    SurfaceKind,
    Target,
)
from logger.steel.pack_recipes import PACK_RECIPES
from logger.thermocouple_tables import ThermocoupleTable, thermocouple_of
from logger.toml_file import (
    Document,
    Measure,
    Name,
    Number,
    Stem,
    Switch,
    Table,
    Text,
    Three,
    either,
    one_kind_of,
    one_of,
    parse_document,
    path_of,
    read_document,
)
from logger.toml_text import KeyPath
from logger.units import DisplayUnits, LengthUnit, TemperatureUnit

EXPECTED_FILE = "a run sheet in TOML"

Length = Annotated[Written | None, Measure(LENGTH)]
Temperature = Annotated[Written | None, Measure(TEMPERATURE)]
TemperatureDifference = Annotated[Written | None, Measure(TEMPERATURE_DIFFERENCE)]
Carbon = Annotated[Written | None, Measure(CARBON)]
Energy = Annotated[Written | None, Measure(MOLAR_ENERGY)]
Alloy = dict[Annotated[str, one_of(ALLOYING_ELEMENTS)], Number]
Surface = Annotated[SurfaceKind | None, one_kind_of(SurfaceKind)]

REACH = DurationDimension(
    expected="what to reach, with its unit, such as reach_mm = 0.8 or reach_h = 2.0",
    scales={
        **LENGTH.scales,
        **CARBON.scales,
        **DURATION.scales,
        **HARDNESS.scales,
        **TEMPERING_PARAMETER.scales,
    },
    spellings={**LENGTH.spellings, **CARBON.spellings, **DURATION.spellings, **HARDNESS.spellings},
)
"""Any quantity a target may be about; which one it has to be depends on the target's ``quantity``."""

REACH_OF: dict[Quantity, tuple[Dimension, str]] = {
    Quantity.CASE_DEPTH: (LENGTH, "a depth such as reach_mm = 0.8"),
    Quantity.SURFACE_CARBON: (CARBON, "a carbon content such as reach_wt_pct = 0.80"),
    Quantity.CORE_CARBON: (CARBON, "a carbon content such as reach_wt_pct = 0.80"),
    Quantity.MEAN_CARBON: (CARBON, "a carbon content such as reach_wt_pct = 0.80"),
    Quantity.SOAK_TIME: (DURATION, "a time such as reach_h = 2.0"),
    Quantity.EQUIVALENT_TIME: (DURATION, "a time such as reach_h = 2.0"),
    Quantity.TEMPERING_PARAMETER: (TEMPERING_PARAMETER, "a tempering parameter such as parameter = 14800"),
    Quantity.HARDNESS: (HARDNESS, "a hardness such as reach_HRC = 60.0"),
}


class LayerTable(Table):
    """One ``[[piece.layer]]``."""

    thickness: Length = None
    carbon: Carbon = None
    alloy_wt_pct: Alloy = Field(default_factory=dict)


class PieceTable(Table):
    """``[piece]``."""

    shape: Annotated[Shape | None, one_kind_of(Shape)] = None
    thickness: Length = None
    diameter: Length = None
    carbon: Carbon = None
    alloy_wt_pct: Alloy = Field(default_factory=dict)
    layer: list[LayerTable] = Field(default_factory=list)
    iron_lot: Text = ""
    front: Surface = None
    back: Surface = None


class PackTable(Table):
    """``[pack]`` or ``[stage.pack]``."""

    recipe: Annotated[str, one_of(PACK_RECIPES)] = ""
    lot: Text = ""
    carbon_activity: Number | None = None
    carbon_potential: Carbon = None
    mass_transfer: Annotated[Written | None, Measure(MASS_TRANSFER)] = None
    mass_transfer_energy: Energy = None
    mass_transfer_reference: Temperature = None


class LagTable(Table):
    """``[canister.lag]``, as a run with two thermocouples proposed it."""

    conductivity: Number = 1.0
    exchange: Number = 1.0
    steel: Number = 1.0
    conductivity_spread: Number = 0.1
    exchange_spread: Number = 0.1
    steel_spread: Number = 0.1
    correlation: Three = (0.0, 0.0, 0.0)


class CanisterTable(Table):
    """``[canister]``."""

    sensor: Annotated[str, one_of(("inside", "oven"))] = "inside"
    shape: Annotated[CanisterShape, one_kind_of(CanisterShape)] = CanisterShape.TUBE
    outer: Length = None
    wall: Length = None
    pack_kind: Annotated[str, one_of(PACK_KINDS)] = PACK_KINDS[0]
    fill: Number = 1.0
    length: Length = None
    steel: Annotated[Written | None, Measure(MASS)] = None
    start_temperature: Temperature = None
    lag: LagTable | None = None


class StageTable(Table):
    """One ``[[stage]]``."""

    kind: Annotated[StageKind | None, one_kind_of(StageKind)] = None
    from_: Annotated[Written | None, Measure(DURATION), Stem("from")] = None
    to: Annotated[Written | None, Measure(DURATION)] = None
    pack: PackTable | None = None
    surface: Surface = None


class TakenOutTable(Table):
    """One ``[[quench.taken_out]]``."""

    at: Annotated[Written | None, Measure(DURATION)] = None


class QuenchTable(Table):
    """``[quench]``."""

    bath: Annotated[Bath | None, one_kind_of(Bath)] = None
    from_: Annotated[Written | None, Measure(TEMPERATURE), Stem("from")] = None
    at: Annotated[Written | None, Measure(DURATION)] = None
    taken_out: list[TakenOutTable] = Field(default_factory=list)
    end: Temperature = None
    section: Length = None


class TargetTable(Table):
    """One ``[[target]]``."""

    quantity: Annotated[Quantity | None, one_kind_of(Quantity)] = None
    at_carbon: Carbon = None
    reach: Annotated[Written | None, Measure(REACH), Stem("reach", also={"parameter": "parameter"})] = None
    limit: Switch = False
    judged_by: Annotated[str, one_of(("median", "pessimistic"))] = "median"


class SoakTable(Table):
    """``[soak]``."""

    rule: Annotated[str | None, one_of(PUBLISHED_RULES)] = None
    temperature: Temperature = None
    half_band: TemperatureDifference = None
    source: Text = ""
    sensors: list[Name] = Field(default_factory=list)


class ReferenceTable(Table):
    """``[reference]``: what equivalent time is counted at."""

    temperature: Temperature = None
    energy: Energy = None


class TemperingTable(Table):
    """``[tempering]``."""

    constant: Number | None = None
    reference_temperature: Temperature = None
    quenched_hardness: Annotated[Written | None, Measure(HARDNESS)] = None
    hold: Annotated[Written | None, Measure(DURATION)] = None


class CorrectionTable(Table):
    """``[correction]``, as ``soaktally correct show --sheet-table`` proposes it."""

    recipe: Annotated[str, one_of(PACK_RECIPES)] = ""
    pack_lot: Text = ""
    iron_lot: Text = ""
    mean: list[Number] = Field(default_factory=lambda: [0.0] * 4)
    covariance: list[list[Number]] = Field(
        default_factory=lambda: [[float(row == column) for column in range(4)] for row in range(4)]
    )
    evidence: list[Text] = Field(default_factory=list)


class DisplayTable(Table):
    """``[display]``: units to read in, where they should not be those the sheet is written in."""

    temperature: Annotated[TemperatureUnit | None, one_of(("C", "F"))] = None
    length: Annotated[LengthUnit | None, one_of(("mm", "in"))] = None


class SheetTable(Table):
    """A whole run sheet."""

    name: Text = ""
    notes: Text = ""
    channel: Name | None = None
    piece: PieceTable = PieceTable()
    pack: PackTable | None = None
    canister: CanisterTable = CanisterTable()
    stage: list[StageTable] = Field(default_factory=list)
    quench: QuenchTable | None = None
    plan: PlanTable | None = None
    target: list[TargetTable] = Field(default_factory=list)
    soak: SoakTable = SoakTable()
    reference: ReferenceTable = ReferenceTable()
    tempering: TemperingTable = TemperingTable()
    thermocouple: ThermocoupleTable | None = None
    correction: CorrectionTable | None = None
    display: DisplayTable = DisplayTable()


def read_sheet(path: str | Path) -> RunSheet:
    """The run sheet in a TOML file.

    Parameters
    ----------
    path : the file as the person named it

    Returns    RunSheet, in SI, with the units it was written in as its `display`
    Raises     InputFault    every fault in it, each with line, key, what was found and what was expected
    """
    return _checked(read_document(Path(path), SheetTable, EXPECTED_FILE))


def called(sheet_text: str, sheet_name: str) -> tuple[str, DisplayUnits]:
    """What a run of this sheet is called, and the sheet's units; of one that is not understood any more, its file's
    name."""
    try:
        sheet = parse_sheet(sheet_text, sheet_name)
    except InputFault:
        return sheet_name, DisplayUnits()
    return sheet.name or sheet_name, sheet.display


def parse_sheet(text: str, name: str) -> RunSheet:
    """The run sheet in a TOML text, such as a record keeps; ``name`` stands for the file in messages.

    Raises    InputFault    as `read_sheet`
    """
    return _checked(parse_document(Path(name), text, SheetTable, EXPECTED_FILE))


def with_wishes(sheet: RunSheet, path: str | Path) -> RunSheet:
    """The sheet with the wishes of a file of their own in place of its [plan].

    Raises   InputFault    every fault in that file
    """
    document = read_document(Path(path), WishTable, "a wish file in TOML: a [plan] table")
    table = document.table()
    assert isinstance(table, WishTable)
    try:
        found = replace(sheet, wishes=wishes_of(table.plan))
    except InputFault as refusal:
        for fault in refusal.faults:
            document.fault(_field_path(fault.where), fault.found, fault.expected)
        document.refuse_faults()
        raise
    document.refuse_faults()
    return found


def _checked(document: Document) -> RunSheet:
    table = document.table()
    assert isinstance(table, SheetTable)
    _ask_for_what_is_missing(document, table)
    try:
        sheet = _sheet(document, table)
    except InputFault as refusal:
        for fault in refusal.faults:
            document.fault(_field_path(fault.where), fault.found, fault.expected)
        document.refuse_faults()
        raise
    document.refuse_faults()
    return sheet


def _ask_for_what_is_missing(document: Document, sheet: SheetTable) -> None:
    """Faults for keys that must be there, or cannot be there together, by what the others say."""

    def need(path: KeyPath, value: object, expected: str) -> None:
        if value is None:
            document.fault(path, "nothing", expected)

    def forbid(path: KeyPath, value: object, why: str) -> None:
        if value is not None:
            document.fault(path, "a key that does not go with the others", why)

    piece = sheet.piece
    need(("piece", "shape"), piece.shape, '"plate", "round" or "layered"')
    if piece.shape is None:
        for name in ("thickness", "diameter", "carbon", "layer", "back"):
            document.pass_over(("piece", name))
    if piece.shape is Shape.PLATE:
        need(("piece", "thickness"), piece.thickness, LENGTH.expected)
        forbid(("piece", "diameter"), piece.diameter, "thickness of a plate")
    if piece.shape is Shape.ROUND:
        need(("piece", "diameter"), piece.diameter, LENGTH.expected)
        forbid(("piece", "thickness"), piece.thickness, "diameter of a round")
    if piece.shape is Shape.LAYERED:
        why = "the thickness of each [[piece.layer]]; they add up to the piece's"
        forbid(("piece", "thickness"), piece.thickness, why)
        forbid(("piece", "diameter"), piece.diameter, why)
        forbid(("piece", "carbon"), piece.carbon, "the carbon of each [[piece.layer]]")
    elif piece.shape is not None:
        need(("piece", "carbon"), piece.carbon, CARBON.expected)
    for number, layer in enumerate(piece.layer):
        need(("piece", "layer", number, "thickness"), layer.thickness, LENGTH.expected)
        need(("piece", "layer", number, "carbon"), layer.carbon, CARBON.expected)
    if sheet.soak.rule is not None:
        forbid(("soak", "half_band"), sheet.soak.half_band, "the band of the rule, or a band and no rule")
    for number, stage in enumerate(sheet.stage):
        need(("stage", number, "kind"), stage.kind, _either(StageKind))
    for number, taken_out in enumerate(sheet.quench.taken_out if sheet.quench else []):
        need(("quench", "taken_out", number, "at"), taken_out.at, DURATION.expected)
    for number, target in enumerate(sheet.target):
        need(("target", number, "quantity"), target.quantity, _either(Quantity))
        if target.quantity is None:
            document.pass_over(("target", number))
            continue
        dimension, expected = REACH_OF[target.quantity]
        need(("target", number, "reach"), target.reach, expected)
        if target.reach is not None and target.reach.unit not in dimension.scales:
            document.fault(("target", number, "reach"), f"a value in {target.reach.unit}", expected)


def _either(kinds: type[StrEnum]) -> str:
    return either([f'"{kind.value}"' for kind in kinds])


def _value(written: Written | None, otherwise: float = nan) -> float:
    """The value in SI; by default NaN for one that is missing or at fault, which `RunSheet` then refuses."""
    return otherwise if written is None else written.value


def _optional(written: Written | None) -> float | None:
    return None if written is None else written.value


def _sheet(document: Document, table: SheetTable) -> RunSheet:
    reference, tempering = table.reference, table.tempering
    known = table.thermocouple
    thermocouple = None if known is None else thermocouple_of(document, ("thermocouple",), known)
    plain = RunSheet(Piece(Shape.PLATE, 0.006, 0.1))  # for the defaults of the core
    return RunSheet(
        piece=_piece(table.piece),
        pack=None if table.pack is None else _pack(table.pack),
        canister=_canister(table.canister),
        stages=tuple(_stage(stage) for stage in table.stage),
        targets=tuple(_target(target) for target in table.target),
        soak=_soak(table.soak),
        channel=table.channel,
        thermocouple=thermocouple,
        reference_temperature_K=_value(reference.temperature, plain.reference_temperature_K),
        equivalent_energy_J_per_mol=_value(reference.energy, plain.equivalent_energy_J_per_mol),
        tempering_reference_K=_value(tempering.reference_temperature, plain.tempering_reference_K),
        tempering_constant=tempering.constant,
        quenched_hardness_HRC=_optional(tempering.quenched_hardness),
        temper_hold_s=_optional(tempering.hold),
        quench=None if table.quench is None else _quench(table.quench),
        correction=None if table.correction is None else _correction(document, table.correction),
        wishes=None if table.plan is None else wishes_of(table.plan),
        display=_display(table),
        name=table.name,
        notes=table.notes,
    )


def _piece(table: PieceTable) -> Piece:
    layers = tuple(Layer(_value(each.thickness), _value(each.carbon), dict(each.alloy_wt_pct)) for each in table.layer)
    size_m, carbon_wt_pct = _value(table.thickness), _value(table.carbon)
    if table.shape is Shape.ROUND:
        size_m = _value(table.diameter)
    if table.shape is Shape.LAYERED:
        size_m = sum(layer.thickness_m for layer in layers)
        carbon_wt_pct = sum(layer.thickness_m * layer.carbon_wt_pct for layer in layers) / size_m if layers else nan
    return Piece(
        shape=table.shape or Shape.PLATE,
        size_m=size_m,
        carbon_wt_pct=carbon_wt_pct,
        alloy_wt_pct=dict(table.alloy_wt_pct),
        layers=layers,
        iron_lot=table.iron_lot,
        front=table.front,
        back=table.back,
    )


def _pack(table: PackTable) -> Pack:
    plain = Pack()
    return Pack(
        recipe=table.recipe,
        lot=table.lot,
        carbon_activity=table.carbon_activity,
        carbon_potential_wt_pct=_optional(table.carbon_potential),
        mass_transfer_m_per_s=_optional(table.mass_transfer),
        mass_transfer_energy_J_per_mol=_value(table.mass_transfer_energy, plain.mass_transfer_energy_J_per_mol),
        mass_transfer_reference_K=_value(table.mass_transfer_reference, plain.mass_transfer_reference_K),
    )


def _canister(table: CanisterTable) -> Canister:
    plain = Canister()
    return Canister(
        sensor=table.sensor,
        shape=table.shape,
        outer_m=_optional(table.outer),
        wall_m=_value(table.wall, plain.wall_m),
        pack_kind=table.pack_kind,
        fill=table.fill,
        length_m=_optional(table.length),
        steel_mass_kg=_optional(table.steel),
        start_temperature_K=_optional(table.start_temperature),
        lag=None if table.lag is None else CanisterLag(**table.lag.model_dump()),
    )


def _soak(table: SoakTable) -> SoakRule:
    """The named rule, or the usual one, with the band and the temperature the sheet gives instead."""
    rule = PUBLISHED_RULES[table.rule] if table.rule else SoakRule()
    own = "run sheet" if table.half_band else rule.source
    return SoakRule(
        temperature_K=_optional(table.temperature),
        half_band_K=_value(table.half_band, rule.half_band_K),
        source=table.source or own,
        sensors=tuple(table.sensors),
    )


def _correction(document: Document, table: CorrectionTable) -> Correction | None:
    sizes = [len(table.mean), len(table.covariance), *(len(row) for row in table.covariance)]
    if sizes != [4] * 6:
        expected = "four numbers and four rows of four, as `soaktally correct show --sheet-table` prints them"
        document.fault(("correction",), f"{sizes[0]} numbers and {sizes[1]} rows", expected)
        return None
    a, b, c, d = table.mean
    rows = tuple((w, x, y, z) for w, x, y, z in table.covariance)
    known_as = Pack(table.recipe, lot=table.pack_lot).known_as
    return Correction(known_as, table.iron_lot, (a, b, c, d), rows, tuple(table.evidence), "run sheet")


def _stage(table: StageTable) -> Stage:
    return Stage(
        kind=table.kind or StageKind.HEAT_UP,
        from_s=_value(table.from_, 0.0),
        to_s=_value(table.to, inf),
        pack=None if table.pack is None else _pack(table.pack),
        surface=table.surface,
    )


def _quench(table: QuenchTable) -> Quench:
    plain = Quench()
    return Quench(
        bath=table.bath,
        from_K=_optional(table.from_),
        at_s=_optional(table.at),
        taken_out_s=tuple(_value(taken_out.at) for taken_out in table.taken_out),
        end_K=_value(table.end, plain.end_K),
        section_m=_optional(table.section),
    )


def _target(table: TargetTable) -> Target:
    return Target(
        quantity=table.quantity or Quantity.SOAK_TIME,
        value=_value(table.reach),
        at_carbon_wt_pct=_optional(table.at_carbon),
        limit=table.limit,
        judged_by=table.judged_by,
    )


def _written(table: Table) -> Iterator[Written]:
    """Every quantity in a table and in the tables in it, in the order of the schema."""
    for name in type(table).model_fields:
        value = getattr(table, name)
        for each in value if isinstance(value, list) else [value]:
            if isinstance(each, Written):
                yield each
            elif isinstance(each, Table):
                yield from _written(each)


def _display(table: SheetTable) -> DisplayUnits:
    """The units asked for, else those most quantities are written in, Celsius and millimetres on a tie."""
    uses = Counter(written.unit for written in _written(table))
    temperature: TemperatureUnit = "F" if uses["F"] > uses["C"] + uses["K"] else "C"
    metric = uses["mm"] + uses["um"] + uses["cm"] + uses["m"]
    length: LengthUnit = "in" if uses["in"] + uses["thou"] > metric else "mm"
    return DisplayUnits(table.display.temperature or temperature, table.display.length or length)


def _field_path(where: str) -> KeyPath:
    """The place the core names as a path of this schema's fields."""
    return tuple("from_" if step == "from" else step for step in path_of(where))
