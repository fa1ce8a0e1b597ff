"""Coupons in the record: what was measured on them, and what was learned from all of them.

What was learned is kept each time something is entered. Which of it a run goes by is `correction_used`'s business.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import hypot
from pathlib import Path
from typing import Any

from logger.correction import Learned, plain
from logger.correction_fit import learn
from logger.coupon import Coupon, Criterion, Kind, Measured, coupon_piece
from logger.errors import Fault, InputFault
from logger.piece import RecordedHeat
from logger.record import MeasurementRow, RecordReader, append_to_workbench, brought_up_to_date
from logger.record_operations import Operation, Value, new_id
from logger.sheet import RunSheet
from logger.sheet_parts import Piece, Shape

WITHDRAWN = "withdrawn"

LEAST_SCALE_KG, AREA_SPREAD = 1e-5, 0.02
LEAST_DEPTH_M, DEPTH_SPREAD = 5e-5, 0.07
HARDNESS_READ_HRC, HARDNESS_MODEL_HRC = 1.5, 1.5
CARBON_SPREAD_WT_PCT, MEAN_CARBON_SPREAD_WT_PCT = 0.03, 0.02


RunOf = Callable[[RecordReader, str], RecordedHeat]
"""How a recorded run a coupon lay in is found."""


@dataclass(frozen=True, slots=True)
class CouponSteel:
    """What a coupon is: thickness [m], carbon before [wt%], the rest, its lot of iron (empty: its own)."""

    thickness_m: float
    carbon_wt_pct: float
    alloy_wt_pct: dict[str, float]
    lot: str = ""


def steel_of_sheet(sheet: RunSheet) -> CouponSteel | None:
    """The piece itself as a coupon; None where it is no plain plate."""
    piece: Piece = sheet.piece
    if piece.shape is not Shape.PLATE:
        return None
    return CouponSteel(piece.size_m, piece.carbon_wt_pct, dict(piece.alloy_wt_pct), piece.iron_lot)


def measured_of(row: MeasurementRow) -> Measured:
    """A recorded measurement as what is learned from. Raises InputFault where it teaches nothing."""
    detail = row.detail
    within: float | None = detail.get("within")
    words = str(detail.get("words", ""))
    match Kind(row.kind):
        case Kind.WEIGHT:
            before, after, area = (float(detail[name]) for name in ("before_kg", "after_kg", "area_m2"))
            if not area > 0.0:
                raise InputFault(Fault("area", f"{1e6 * area:g} mm2", "more than 0"))
            if not before > 0.0 or not after > 0.0:
                raise InputFault(Fault("mass", f"{1e3 * min(before, after):g} g", "more than 0"))
            if after <= before:
                found = f"{1e3 * after:.6g} g after, {1e3 * before:.6g} g before"
                why = "more after than before: a coupon that got lighter lost scale or carbon, and tells nothing"
                raise InputFault(Fault("weight gain", found, why))
            gain = (after - before) / area
            scale = (within or LEAST_SCALE_KG) / area
            return Measured(row.id, Kind.WEIGHT, gain, hypot(scale, AREA_SPREAD * gain), words=words)
        case Kind.DEPTH:
            depth = float(detail["depth_m"])
            spread = within or max(LEAST_DEPTH_M, DEPTH_SPREAD * abs(depth))
            criterion = detail.get("criterion")
            kind = None if criterion is None else Criterion(criterion)
            return Measured(row.id, Kind.DEPTH, depth, spread, kind, detail.get("at_carbon_wt_pct"), words=words)
        case Kind.HARDNESS:
            return Measured(
                row.id,
                Kind.HARDNESS,
                float(detail["hardness_HRC"]),
                hypot(within or HARDNESS_READ_HRC, HARDNESS_MODEL_HRC),
                depth_m=float(detail["depth_m"]),
                quenched_from_K=detail.get("quenched_from_K"),
                words=words,
            )
        case Kind.CARBON:
            spread = within or CARBON_SPREAD_WT_PCT
            depth_m = float(detail["depth_m"])
            return Measured(row.id, Kind.CARBON, float(detail["carbon_wt_pct"]), spread, depth_m=depth_m, words=words)
        case Kind.MEAN_CARBON:
            spread = within or MEAN_CARBON_SPREAD_WT_PCT
            return Measured(row.id, Kind.MEAN_CARBON, float(detail["carbon_wt_pct"]), spread, words=words)


def standing(rows: Sequence[MeasurementRow]) -> tuple[MeasurementRow, ...]:
    """The measurements that have not been withdrawn."""
    gone = {row.detail["measurement"] for row in rows if row.kind == WITHDRAWN}
    return tuple(row for row in rows if row.kind != WITHDRAWN and row.id not in gone)


def coupons_of(reader: RecordReader, rows: Sequence[MeasurementRow], run_of: RunOf) -> tuple[Coupon, ...]:
    """Recorded measurements by coupon."""
    runs: dict[str, RecordedHeat] = {}
    groups: dict[tuple[str, str], list[MeasurementRow]] = {}
    for row in rows:
        groups.setdefault((row.run, json.dumps(row.detail["coupon"], sort_keys=True)), []).append(row)
    coupons = []
    for (run, _), group in groups.items():
        if run not in runs:
            runs[run] = run_of(reader, run)
        known, steel = runs[run], _steel(group[0])
        piece = coupon_piece(known.sheet, steel.thickness_m, steel.carbon_wt_pct, steel.lot, steel.alloy_wt_pct)
        measured = tuple(measured_of(row) for row in group)
        coupons.append(Coupon(run, known.sheet, known.history, known.thermocouple, piece, measured))
    return tuple(coupons)


def _steel(row: MeasurementRow) -> CouponSteel:
    kept = row.detail["coupon"]
    return CouponSteel(kept["thickness_m"], kept["carbon_wt_pct"], dict(kept["alloy_wt_pct"]), kept["lot"])


class CouponBook:
    """All coupons of one record, and what they teach.

    ``run_of`` gives a recorded run; ``tell`` is called with a line of progress before each run is worked through.
    Raises   InputFault, OutsideFault    a record that cannot be used
    """

    def __init__(self, record: Path, run_of: RunOf, tell: Callable[[str], None] = lambda words: None) -> None:
        self.record, self._run_of, self._tell = record, run_of, tell
        if not record.exists():
            raise InputFault(Fault(f"record {record}", "no such file", "the record with the run the coupon lay in"))
        brought_up_to_date(record)

    def run_id(self, run: str) -> str:
        """The run of an id, or of the beginning of one. Raises InputFault where there is none."""
        with RecordReader(self.record) as reader:
            return reader.run(run).id

    def last_steel(self, run: str) -> CouponSteel | None:
        """The coupon last measured of a run, else the piece on its sheet; None where that is no plain plate."""
        with RecordReader(self.record) as reader:
            rows = standing(reader.measurements(run))
            if rows:
                return _steel(rows[-1])
            return steel_of_sheet(self._run_of(reader, run).sheet)

    def rows(self) -> tuple[MeasurementRow, ...]:
        """Every measurement that stands."""
        with RecordReader(self.record) as reader:
            return standing(reader.measurements())

    def learned(self) -> Learned | None:
        """What all coupons teach, worked out anew; None where there are none."""
        return self._learned(self.rows())

    def _learned(self, rows: Sequence[MeasurementRow]) -> Learned | None:
        if not rows:
            return None
        with RecordReader(self.record) as reader:
            coupons = coupons_of(reader, rows, self._run_of)
        return learn(coupons, self._tell)

    def enter(
        self,
        run: str,
        kind: Kind,
        steel: CouponSteel,
        detail: Mapping[str, Any],
        *,
        utc_s: float,
        software: str,
        note: str,
    ) -> Learned:
        """Enter a measurement and keep what is learned with it; if it teaches nothing, nothing is entered.

        Raises   InputFault, OutsideFault
        """
        coupon = {
            "thickness_m": steel.thickness_m,
            "carbon_wt_pct": steel.carbon_wt_pct,
            "alloy_wt_pct": steel.alloy_wt_pct,
            "lot": steel.lot,
        }
        row = MeasurementRow(0, new_id(), run, utc_s, str(kind), {**detail, "coupon": coupon}, note)
        measured_of(row)
        learned = self._learned((*self.rows(), row))
        assert learned is not None
        append_to_workbench(self.record, measurement_line(row), learned_line(learned, utc_s, software))
        return learned

    def withdraw(self, number: int, *, utc_s: float, software: str, note: str) -> Learned | None:
        """Withdraw a measurement by its number; it stays in the record. Raises InputFault where none of it stands."""
        rows = self.rows()
        gone = next((row for row in rows if row.number == number), None)
        if gone is None:
            numbers = ", ".join(str(row.number) for row in rows) or "none yet"
            raise InputFault(Fault("measurement", f"no number {number}", f"one that stands: {numbers}"))
        rest = [row for row in rows if row is not gone]
        learned = self._learned(rest)
        withdrawn = MeasurementRow(0, new_id(), gone.run, utc_s, WITHDRAWN, {"measurement": gone.id}, note)
        append_to_workbench(self.record, measurement_line(withdrawn), learned_line(learned, utc_s, software))
        return learned


def measurement_line(row: MeasurementRow) -> Operation:
    """The operation that adds a measurement, or the withdrawal of one."""
    detail = json.dumps(row.detail, ensure_ascii=False, allow_nan=False)
    kept: dict[str, Value] = {
        "id": row.id,
        "run": row.run,
        "utc_s": float(row.utc_s),
        "kind": row.kind,
        "detail": detail,
    }
    return Operation("measurement", ({**kept, "note": row.note},))


def learned_line(learned: Learned | None, utc_s: float, software: str) -> Operation:
    """The operation that keeps what was learned; None: nothing any more."""
    detail = json.dumps({} if learned is None else plain(learned), ensure_ascii=False, allow_nan=False)
    return Operation("correction", ({"id": new_id(), "utc_s": float(utc_s), "software": software, "detail": detail},))


def spark_line(
    *, run: str | None, piece: str | None, utc_s: float, spark_class: int, note: str, photo_name: str, photo_base64: str
) -> Operation:
    """The operation that keeps a spark test: a class of five, a note, a photo. Raises InputFault for another class."""
    if not 1 <= spark_class <= 5:
        raise InputFault(Fault("spark class", str(spark_class), "1 to 5"))
    row: dict[str, Value] = {
        "id": new_id(),
        "run": run,
        "piece": piece,
        "utc_s": float(utc_s),
        "class": spark_class,
        "note": note,
    }
    return Operation("spark_test", ({**row, "photo_name": photo_name or None, "photo_base64": photo_base64 or None},))
