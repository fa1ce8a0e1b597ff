"""Which correction a run goes by.

A new run uses the newest of what has been learned, and says in the record which it used; looked at again years later,
it is that one, whatever has been learned since.
"""

import logging
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from logger.correction import Learned, from_plain
from logger.errors import Fault, InputFault, OutsideFault
from logger.record import RecordReader
from logger.sheet import RunSheet
from logger.sheet_parts import Correction

log = logging.getLogger("soaktally.correction")

CORRECTION_USED = "correction used"


def plain_correction(correction: Correction) -> dict[str, Any]:
    """A correction as plain values."""
    return {
        "id": correction.id,
        "recipe": correction.recipe,
        "iron_lot": correction.iron_lot,
        "mean": list(correction.mean),
        "covariance": [list(row) for row in correction.covariance],
        "evidence": list(correction.evidence),
    }


def correction_from_plain(kept: Mapping[str, Any]) -> Correction:
    """A correction from plain values. Raises InputFault where they are not one."""
    try:
        a, b, c, d = (float(value) for value in kept["mean"])
        rows = tuple((float(w), float(x), float(y), float(z)) for w, x, y, z in kept["covariance"])
        evidence = tuple(str(words) for words in kept.get("evidence", ()))
        recipe, lot, id_ = (str(kept.get(name, "")) for name in ("recipe", "iron_lot", "id"))
    except (KeyError, TypeError, ValueError) as error:
        raise InputFault(Fault("correction in the record", str(error), "one this version can read")) from None
    if len(rows) != 4:
        raise InputFault(Fault("correction in the record", f"{len(rows)} rows of covariance", "4"))
    return Correction(recipe, lot, (a, b, c, d), rows, evidence, id_)


def newest_learned(reader: RecordReader) -> tuple[str, Learned] | None:
    """What had been learned when something was last entered, and its id; None where nothing has been."""
    row = reader.newest_correction()
    return None if row is None or not row.detail.get("unknowns") else (row.id, from_plain(row.detail))


def as_learned(reader: RecordReader, sheet: RunSheet) -> RunSheet:
    """The sheet by the newest correction in the record, whatever it went by before.

    Raises   InputFault    nothing in the record concerns its recipe or its lot
    """
    found = newest_learned(reader)
    correction = None if found is None else found[1].for_sheet(sheet, found[0])
    if correction is None:
        recipe = "" if sheet.pack is None else sheet.pack.known_as
        of = f'nothing learned of recipe "{recipe}" or iron lot "{sheet.piece.iron_lot}"'
        raise InputFault(Fault("correction", of, "a coupon of one of them, entered with `soaktally correct`"))
    return replace(sheet, correction=correction)


def corrected_for_new_run(record: Path, sheet: RunSheet) -> RunSheet:
    """The sheet with what the record has learned of its recipe and its lot; the sheet's own correction goes before it.

    A record that cannot be read now does not keep a run from beginning: it goes by the book, and the log says so.
    """
    if sheet.correction is not None or not record.exists():
        return sheet
    try:
        with RecordReader(record) as reader:
            found = newest_learned(reader)
    except (InputFault, OutsideFault) as trouble:
        log.error("by the book, for no correction can be read: %s", trouble)
        return sheet
    return sheet if found is None else replace(sheet, correction=found[1].for_sheet(sheet, found[0]))


def corrected_as_recorded(reader: RecordReader, run: str, sheet: RunSheet) -> RunSheet:
    """The sheet with the correction a recorded run was begun with, whatever has been learned since."""
    if sheet.correction is not None:
        return sheet
    used = [event for event in reader.events(run=run) if event.kind == CORRECTION_USED]
    return sheet if not used else replace(sheet, correction=correction_from_plain(used[0].detail["correction"]))
