"""The pictures look as they looked when somebody last looked at them.

Kept small and compared loosely: letters may be drawn a little differently elsewhere, a line in another place may not.
After a change that is meant, look at the new ones and keep them: ``python -m tests.views.test_pictures_kept``.
"""

import io
from collections.abc import Callable
from datetime import UTC
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from logger.units import DisplayUnits, FloatArray
from logger.views.plots import draw_run, png
from logger.views.report_pictures import panel_png, panels
from logger.views.trend import draw_trend
from tests.views import invented_runs
from tests.views.invented_trends import dying, steady

KEPT = Path(__file__).parent / "kept"
SIDE = 150
METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")


def _figure(figure: Figure) -> bytes:
    return png(figure, 60)


PICTURES: dict[str, Callable[[], bytes]] = {
    "carburizing": lambda: _figure(draw_run(invented_runs.carburizing(), METRIC)),
    "carburizing-inch": lambda: _figure(draw_run(invented_runs.carburizing(), INCH)),
    "melted": lambda: _figure(draw_run(invented_runs.melted(), METRIC)),
    "tempering": lambda: _figure(draw_run(invented_runs.tempering(), METRIC)),
    "gap": lambda: _figure(draw_run(invented_runs.gap(), METRIC)),
    "report-temperature": lambda: panel_png(panels(invented_runs.carburizing(), METRIC)[0]),
    "report-profile": lambda: panel_png(panels(invented_runs.melted(), METRIC)[2]),
    "trend-dying": lambda: _figure(draw_trend("shed oven", dying(), METRIC, UTC)),
    "trend-steady": lambda: _figure(draw_trend("shed oven", steady(), METRIC, UTC)),
}


def small(picture: bytes) -> Image.Image:
    """A picture in grey, so small that only what is where remains."""
    with Image.open(io.BytesIO(picture)) as image:
        grey = image.convert("L")
        grey.thumbnail((SIDE, 10 * SIDE), Image.Resampling.BOX)
        return grey


def ink(image: Image.Image) -> FloatArray:
    """How dark each small square is, 0 to 1, blurred by one square: letters may shift by a hair."""
    dark = 1.0 - np.asarray(image, dtype=np.float64) / 255.0
    padded = np.pad(dark, 1, mode="edge")
    rows, columns = dark.shape
    return sum(padded[r : r + rows, c : c + columns] for r in range(3) for c in range(3)) / 9.0


def difference(one: Image.Image, other: Image.Image) -> float:
    """The largest difference of ink anywhere; 1 where the sizes differ."""
    if abs(one.size[1] - other.size[1]) > 1 or one.size[0] != other.size[0]:
        return 1.0
    rows = min(one.size[1], other.size[1])
    return float(np.abs(ink(one)[:rows] - ink(other)[:rows]).max())


MOST = 0.16


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_looks_as_it_did(name: str) -> None:
    with Image.open(KEPT / f"{name}.png") as kept:
        assert difference(small(PICTURES[name]()), kept.convert("L")) < MOST


def test_a_picture_with_something_else_in_it_is_told_apart() -> None:
    kept = [small(PICTURES[name]()) for name in ("carburizing", "melted", "gap")]
    for number, one in enumerate(kept):
        for other in kept[number + 1 :]:
            assert difference(one, other) > 2.0 * MOST


def test_one_line_in_another_place_is_told() -> None:
    run = invented_runs.carburizing()
    assert run.depth is not None
    moved = draw_run(run, METRIC)
    (axes,) = [axes for axes in moved.axes if axes.get_ylim()[1] < 2.0 and axes.get_xlim()[1] > 1000.0][:1]
    for line in axes.get_lines():
        line.set_ydata(0.6 * np.asarray(line.get_ydata(), dtype=float))
    assert difference(small(_figure(moved)), small(PICTURES["carburizing"]())) > MOST


if __name__ == "__main__":
    KEPT.mkdir(exist_ok=True)
    for name, draw in PICTURES.items():
        small(draw()).save(KEPT / f"{name}.png", optimize=True)
