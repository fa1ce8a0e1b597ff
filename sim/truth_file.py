"""The truth file: what the steel in a simulated canister really saw, as CSV for tests and for comparing by eye."""

import csv
from pathlib import Path

from sim.errors import BadInput
from sim.heat import Heat
from sim.thermocouple import ZERO_CELSIUS_K


def write_truth(path: Path, heat: Heat) -> None:
    """Write the truth trace so far: time_s, oven_C, wall_C, steel_C, set_point_C, power_W; replaces the file.

    Raises    BadInput    the file cannot be written
    """
    truth = heat.truth()
    try:
        file = path.open("w", newline="", encoding="utf-8")
    except OSError as error:
        raise BadInput(str(path), error.strerror, "a place that can be written") from error
    with file:
        table = csv.writer(file)
        table.writerow(["time_s", "oven_C", "wall_C", "steel_C", "set_point_C", "power_W"])
        for row in zip(
            truth.time_s, truth.oven_K, truth.wall_K, truth.steel_K, truth.set_point_K, truth.power_W, strict=True
        ):
            celsius = [f"{float(value) - ZERO_CELSIUS_K:.3f}" for value in row[1:5]]
            table.writerow([f"{float(row[0]):g}", *celsius, f"{float(row[5]):.1f}"])
