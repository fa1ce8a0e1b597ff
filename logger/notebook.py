"""Runs in a notebook: a recorded run or a trace as arrays and tables, its numbers, its picture, and the same again with
another sheet.

    from logger.notebook import open_run, open_trace

    heat = open_run("record.db", "last")
    heat.channels()["oven"]             # time [s], temperature [C] as numpy arrays
    heat.numbers()["carbon"]["case_depth_mm"]["0.40"]
    heat.picture()                      # a matplotlib figure: a notebook shows it
    heat.again('thickness = "8 mm"')    # the same history, another piece

Times are seconds of run time, temperatures in the unit asked for, depths in millimetres, carbon in wt%. Nothing here
writes into a record.
"""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from logger.errors import Fault, InputFault, OutsideFault
from logger.input_file import read_text
from logger.record import RecordReader
from logger.review import review_again, review_run, review_trace
from logger.sheet_file import parse_sheet
from logger.situation import Situation
from logger.units import DisplayUnits, FloatArray, TemperatureUnit, hours_from_seconds, millimetres_from_metres

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from pandas import DataFrame

Line = tuple[FloatArray, FloatArray]
"""Two arrays of one length: times [s] and values."""


def open_run(record: str | Path, run: str = "last", sheet: str | Path | None = None) -> "LoggedRun":
    """A recorded run; with a sheet, by that instead of its own.

    Raises   InputFault    no such run, no readings, a sheet that cannot be used
             OutsideFault  a record that cannot be read
    """
    file = None if sheet is None else Path(sheet)
    situation = review_run(Path(record), run, file)
    with RecordReader(Path(record)) as reader:
        text = reader.run(situation.run).sheet_text if file is None else read_text(file, "a run sheet")
    return LoggedRun(situation, text)


def open_trace(trace: str | Path, sheet: str | Path) -> "LoggedRun":
    """A TRACE.csv with its run sheet.

    Raises   InputFault    every fault in the sheet, or else every fault in the trace
    """
    return LoggedRun(review_trace(Path(trace), Path(sheet)), read_text(Path(sheet), "a run sheet"))


@dataclass(frozen=True, slots=True, eq=False)
class LoggedRun:
    """One run with everything that came of it. ``situation`` is what all views are made from, ``sheet`` its text."""

    situation: Situation
    sheet: str

    def channels(self, unit: TemperatureUnit = "C") -> dict[str, Line]:
        """Every temperature channel as recorded: time [s], temperature in the unit; NaN where there was no reading."""
        units = DisplayUnits(temperature=unit)
        return {
            name: (history.time_s, units.temperature_from_kelvin(history.temperature_K))
            for name, history in self.situation.histories.items()
        }

    def trail(self, unit: TemperatureUnit = "C") -> dict[str, FloatArray]:
        """The estimate along the run, arrays of one length: ``time_s``, ``oven``, ``steel``, ``surface_wt_pct``,
        ``core_wt_pct``, ``mean_wt_pct``, ``case_depth_mm_0.40`` and so on, ``equivalent_time_h``,
        ``tempering_parameter``, ``hardness_HRC``; NaN where there is no such value."""
        points, units = self.situation.state.trail, DisplayUnits(temperature=unit)

        def column(name: str) -> FloatArray:
            return np.array([getattr(point, name) for point in points], dtype=np.float64)

        found = {
            "time_s": column("time_s"),
            "oven": units.temperature_from_kelvin(column("oven_temperature_K")),
            "steel": units.temperature_from_kelvin(column("steel_temperature_K")),
            "surface_wt_pct": column("surface_wt_pct"),
            "core_wt_pct": column("core_wt_pct"),
            "mean_wt_pct": column("mean_wt_pct"),
            "equivalent_time_h": hours_from_seconds(column("equivalent_time_s")),
            "tempering_parameter": column("tempering_parameter_K"),
            "hardness_HRC": column("hardness_HRC"),
        }
        for place, level in enumerate(self.situation.problem.levels_wt_pct):
            depth_m = np.array([point.case_depth_m[place] for point in points], dtype=np.float64)
            found[f"case_depth_mm_{level:.2f}"] = millimetres_from_metres(depth_m)
        return found

    def profile(self) -> Line:
        """Carbon through the section at the end: depth from the face [mm], carbon [wt%].

        Raises   InputFault    a run without carbon to speak of
        """
        carbon = self.situation.estimate.carbon
        if carbon is None:
            raise InputFault(Fault("profile", "no carbon profile", "a run that has one"))
        return millimetres_from_metres(carbon.depth_m), carbon.carbon_wt_pct

    def numbers(self) -> dict[str, Any]:
        """Every number of the review: the object that ``soaktally review --json`` prints."""
        from logger.views.contract import review_object

        return review_object(self.situation)

    def frame(self, unit: TemperatureUnit = "C") -> "DataFrame":
        """Channels side by side as a pandas DataFrame, a row for each moment, a column for each channel.

        The index is run time [s], or local dates (UTC) where the run has any.

        Raises   OutsideFault    pandas is not installed
        """
        try:
            import pandas
        except ImportError:
            raise OutsideFault("a DataFrame needs pandas: pip install pandas") from None
        columns = {
            f"{name}_{unit}": pandas.Series(value, index=time_s)
            for name, (time_s, value) in self.channels(unit).items()
        }
        frame = pandas.DataFrame(columns)
        frame.index.name = "time_s"
        now_utc_s = self.situation.now_utc_s
        if now_utc_s is not None:
            start = pandas.Timestamp(now_utc_s - self.situation.now_s, unit="s", tz="UTC")
            frame.index = start + pandas.to_timedelta(frame.index, unit="s")
            frame.index.name = "time"
        return frame

    def picture(self) -> "Figure":
        """The picture of the run, as a matplotlib figure."""
        from logger.views.plots import draw_run
        from logger.views.run_views import run_view_of

        return draw_run(run_view_of(self.situation), self.situation.problem.sheet.display)

    def again(self, *changes: str, sheet: str | Path | None = None) -> "LoggedRun":
        """The same history estimated anew, by another sheet's file or by its own sheet with some lines changed.

        Each change is a line as on a sheet, ``thickness = "8 mm"`` or ``recipe = "plain charcoal"``; it takes the place
        of the one line with that key. The run itself stays as it is.

        Raises   InputFault    a key that stands nowhere or in several places; a sheet that cannot be used
        """
        text = changed(self.sheet if sheet is None else read_text(Path(sheet), "a run sheet"), changes)
        return LoggedRun(review_again(self.situation, parse_sheet(text, "the changed sheet")), text)


def changed(sheet_text: str, changes: tuple[str, ...]) -> str:
    """A sheet's text with some lines changed.

    Raises   InputFault    a change that is no line of a sheet, or whose key stands nowhere or in several places
    """
    lines, faults = sheet_text.splitlines(), []
    for change in changes:
        key = change.partition("=")[0].strip()
        stem = re.sub(r"_(?:mm|in|C|F|K|h|s|min|wt_pct|pct)$", "", key)
        at = [n for n, line in enumerate(lines) if re.match(rf"\s*{re.escape(stem)}(?:_\w+)?\s*=", line)]
        if "=" not in change or len(at) != 1:
            found = "no line" if not at else f"{len(at)} lines"
            faults.append(Fault(f"change {change!r}", f"{found} with that key on the sheet", "the key of one line"))
            continue
        lines[at[0]] = change
    if faults:
        raise InputFault(faults)
    return "\n".join(lines) + "\n"
