"""What a file may say of one thermocouple: type, class of its wire, what a calibration found."""

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field

from logger.quantities import TEMPERATURE, TEMPERATURE_DIFFERENCE, Written
from logger.thermocouple import Correction, Thermocouple, ThermocoupleType, ToleranceClass
from logger.toml_file import Day, Document, Measure, Switch, Table, one_kind_of
from logger.toml_text import KeyPath

Difference = Annotated[Written | None, Measure(TEMPERATURE_DIFFERENCE)]


class CorrectionTable(Table):
    """One ``[[...correction]]``: what a calibration found at one reading."""

    at: Annotated[Written | None, Measure(TEMPERATURE)] = None
    add: Difference = None


class ThermocoupleTable(Table):
    """``[thermocouple]`` of a run sheet."""

    type: Annotated[ThermocoupleType, one_kind_of(ThermocoupleType)] = ThermocoupleType.K
    tolerance: Annotated[ToleranceClass, one_kind_of(ToleranceClass)] = ToleranceClass.E230_STANDARD
    sheathed: Switch = True
    calibrated: Day | None = None
    offset: Difference = None
    correction: list[CorrectionTable] = Field(default_factory=list)


def correction_of(
    document: Document, where: KeyPath, offset: Written | None, rows: Sequence[CorrectionTable]
) -> Correction:
    """What to add to readings; faults are noted in the document.

    Parameters
    ----------
    document : the file it comes from
    where : path of the table that holds ``offset`` and ``correction``
    offset : the same at every reading, or None
    rows : ``[[...correction]]``

    Returns    Correction; none at all if something is at fault
    """
    if offset is not None and rows:
        document.fault((*where, "offset"), "an offset and a correction table", "one of them")
    sound = True
    for number, row in enumerate(rows):
        here: KeyPath = (*where, "correction", number)
        before = rows[number - 1].at if number else None
        if row.at is None:
            document.fault((*here, "at"), "nothing", "the reading it was found at, such as at_C = 900.0")
        if row.add is None:
            document.fault((*here, "add"), "nothing", "what to add to the reading, such as add_C = -1.5")
        rises = row.at is None or before is None or row.at.value > before.value
        if not rises:
            document.fault((*here, "at"), "a reading not above the one before", "readings that increase")
        sound = sound and rises
    if offset is not None:
        return Correction((0.0,), (offset.value,)) if document.is_sound() else Correction()
    points = [(row.at.value, row.add.value) for row in rows if row.at and row.add]
    if not sound or not document.is_sound():
        return Correction()
    return Correction(tuple(at for at, _ in points), tuple(add for _, add in points))


def thermocouple_of(document: Document, where: KeyPath, table: ThermocoupleTable) -> Thermocouple:
    """The thermocouple of a ``[thermocouple]`` table at a path; faults are noted in the document."""
    return Thermocouple(
        type=table.type,
        tolerance_class=table.tolerance,
        correction=correction_of(document, where, table.offset, table.correction),
        sheathed=table.sheathed,
        calibrated_on=table.calibrated or "",
    )
