"""Pictures carry the right words and numbers, in the reader's units, at the right size, with something in them."""

import io
import subprocess
import sys
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text

from logger.units import DisplayUnits, FloatArray, kelvin_from_celsius
from logger.views.plots import PIXELS_PER_INCH, draw_run, png, save_png
from logger.views.series import DepthView, Mark, RunView, SoakSpan, Span, TemperatureView, TraceView
from tests.views import invented_runs

METRIC, INCH = DisplayUnits("C", "mm"), DisplayUnits("F", "in")


def words_of(figure: Figure) -> list[str]:
    return [text.get_text() for text in figure.findobj(Text) if text.get_visible() and text.get_text()]


def pixels_of(figure: Figure) -> FloatArray:
    return np.asarray(imread(io.BytesIO(png(figure)), format="png"), dtype=np.float64)


@pytest.mark.parametrize(
    "run", [invented_runs.carburizing(), invented_runs.melted(), invented_runs.tempering(), invented_runs.gap()]
)
@pytest.mark.parametrize("units", [METRIC, INCH])
def test_a_picture_is_as_large_as_it_says_and_is_not_blank(run: RunView, units: DisplayUnits) -> None:
    figure = draw_run(run, units)
    pixels = pixels_of(figure)
    width_in, height_in = figure.get_size_inches()
    assert pixels.shape[1] == pytest.approx(7.2 * PIXELS_PER_INCH, abs=1)
    assert pixels.shape[0] == pytest.approx(height_in * PIXELS_PER_INCH, abs=1)
    assert width_in == 7.2
    inked = (pixels[..., :3].min(axis=2) < 0.9).mean()
    assert 0.03 < inked < 0.5


def test_the_picture_of_a_carburizing_run_says_what_it_shows() -> None:
    words = words_of(draw_run(invented_runs.carburizing(), METRIC))
    for expected in (
        "Strap lot 12",
        "Temperature",
        "steel (modelled)",
        "oven",
        "set point",
        "heat-up",
        "carburize",
        "local time (UTC+01:00)",
        "4 h 18 min at heat, 913 to 941 C",
        "Case depth to 0.40 % C",
        "target 0.70 mm, reached 03:36",
        "Carbon through the section",
        "1.23 %  carbide above this at 927 C",
        "case depth 0.69 mm\nto 0.40 % C",
        "03:36  Case depth 0.70 mm to 0.40 % C reached",
        "Invented data.",
        "°C",
        "°F",
    ):
        assert expected in words


def test_the_same_picture_in_the_other_units_carries_the_converted_numbers() -> None:
    words = words_of(draw_run(invented_runs.carburizing(), INCH))
    assert "4 h 18 min at heat, 1675 to 1726 F" in words
    assert "target 0.028 in, reached 03:36" in words
    assert "case depth 0.027 in\nto 0.40 % C" in words
    assert not any(" mm" in line for line in words if line.startswith(("target", "case")))


@pytest.mark.parametrize(("units", "boiling", "inch"), [(METRIC, 212.0, 1.0), (INCH, 100.0, 25.4)])
def test_the_right_hand_axes_carry_the_other_units(units: DisplayUnits, boiling: float, inch: float) -> None:
    figure = draw_run(invented_runs.carburizing(), units)
    temperature, depth = figure.axes[0], figure.axes[1]
    for axes, value, other in (
        (temperature, units.temperature_from_kelvin(373.15), boiling),
        (depth, units.length_from_metres(25.4e-3), inch),
    ):
        (second,) = axes.child_axes
        figure.canvas.draw()
        (low, high), (other_low, other_high) = axes.get_ylim(), second.get_ylim()
        assert other_low + (value - low) / (high - low) * (other_high - other_low) == pytest.approx(other)


def test_a_melted_skin_is_said_in_words_with_its_limits() -> None:
    words = words_of(draw_run(invented_runs.melted(), METRIC))
    assert "skin 1.10 mm, melted to 0.75 mm" in words
    assert "4.30 %  eutectic" in words
    assert "deepest melt" in words


def test_a_temper_shows_parameter_with_its_constant_and_hardness() -> None:
    words = words_of(draw_run(invented_runs.tempering(), METRIC))
    for expected in ("Tempering parameter, c = 16.5", "target 7,700", "Hardness expected at room temperature", "HRC"):
        assert expected in words
    assert "61 HRC" in words


def test_a_gap_is_hatched_and_named_and_only_the_supposed_steel_crosses_it_dashed() -> None:
    figure = draw_run(invented_runs.gap(), METRIC)
    assert "no reading, 45 min" in words_of(figure)
    lines = [line for line in figure.axes[0].get_lines() if np.isnan(np.asarray(line.get_ydata(), dtype=float)).any()]
    drawn = [(line.get_linewidth(), line.get_xdata()[np.isfinite(line.get_ydata())]) for line in lines]
    inside = [(width, ((time_s > 13_010.0) & (time_s < 15_690.0)).sum()) for width, time_s in drawn]
    solid_steel, supposed_steel, oven = (next(count for width, count in inside if width == w) for w in (3.0, 1.5, 1.8))
    assert solid_steel == 0
    assert supposed_steel > 10
    assert oven == 0


def test_without_a_wall_clock_time_counts_from_the_start() -> None:
    words = words_of(draw_run(invented_runs.gap(), METRIC))
    assert "hours:minutes since the run began" in words
    assert "6:57  Case depth 0.70 mm to 0.40 % C reached" in words


def test_before_the_first_soak_the_picture_says_so() -> None:
    assert "no soak yet; it counts from 913 to 941 C" in words_of(draw_run(invented_runs.gap(), METRIC))


def test_soaks_beside_each_other_never_write_over_each_other_and_each_has_its_band() -> None:
    run = invented_runs.carburizing()
    band_K, other_K = invented_runs.BAND_K, (invented_runs.BAND_K[0] - 60.0, invented_runs.BAND_K[1] - 60.0)
    soaks = (
        SoakSpan(9_000.0, 9_300.0, 290.0, other_K),
        SoakSpan(9_600.0, 18_000.0, 8_000.0, band_K),
        SoakSpan(18_300.0, 19_000.0, 600.0, other_K),
        SoakSpan(25_000.0, 30_000.0, 4_800.0, other_K),
    )
    figure = draw_run(replace(run, temperature=replace(run.temperature, soaks=soaks)), METRIC)
    figure.canvas.draw()
    texts = [text for text in figure.axes[0].texts if " min" in text.get_text()]
    assert not any(one.overlaps(other) for one, other in combinations([text.get_window_extent() for text in texts], 2))
    said = " ".join(text.get_text() for text in texts)
    assert "2 h 13 min at heat" in said
    assert "1 h 20 min at heat" in said


def test_a_target_ahead_is_drawn_with_when_and_its_range() -> None:
    run = invented_runs.carburizing()
    assert run.depth is not None
    ahead = replace(
        run.depth, target_m=1.2e-3, reached_s=None, expected_s=36_000.0, expected_range_s=(33_000.0, 41_000.0)
    )
    figure = draw_run(replace(run, depth=ahead), METRIC)
    assert "target 1.20 mm at about 06:40 (05:50 to 08:03)" in words_of(figure)
    assert figure.axes[1].get_xlim()[1] > 41_000.0


def test_a_peak_of_one_reading_is_in_the_picture() -> None:
    run = invented_runs.carburizing()
    time_s = np.arange(36_000.0)
    temperature_K = np.full_like(time_s, kelvin_from_celsius(900.0))
    temperature_K[20_000] = kelvin_from_celsius(1_100.0)
    traces = (TraceView("oven", run.temperature.traces[1].role, time_s, temperature_K),)
    figure = draw_run(replace(run, temperature=TemperatureView(traces)), METRIC)
    drawn = max(float(np.nanmax(np.asarray(line.get_ydata(), dtype=float))) for line in figure.axes[0].get_lines())
    assert drawn == pytest.approx(1_100.0)


def test_a_run_of_one_reading_and_a_run_of_none_still_make_a_picture() -> None:
    run = invented_runs.carburizing()
    one = TraceView("oven", run.temperature.traces[1].role, np.array([0.0]), np.array([295.0]))
    none = TraceView("oven", one.role, np.array([]), np.array([]))
    empty_depth = DepthView("to 0.40 % C", np.array([0.0]), np.array([0.0]))
    for trace in (one, none):
        figure = draw_run(replace(run, temperature=TemperatureView((trace,)), depth=empty_depth, profile=None), METRIC)
        assert pixels_of(figure).shape[2] == 4


def test_more_marks_than_there_is_room_for_are_counted_not_dropped() -> None:
    run = invented_runs.carburizing()
    marks = tuple(Mark(1_000.0 * number, f"note {number}") for number in range(14))
    words = words_of(draw_run(replace(run, temperature=replace(run.temperature, marks=marks)), METRIC))
    assert "and 5 more in the record" in words


def test_names_with_markup_signs_are_shown_as_they_are() -> None:
    title = "$\\frac{1$ <b>strap</b> & Söhne"  # broken as a formula: reading it as one would fail
    figure = draw_run(replace(invented_runs.carburizing(), title=title), METRIC)
    assert title in words_of(figure)
    assert png(figure).startswith(b"\x89PNG")


def test_stages_too_narrow_for_their_name_are_drawn_without_it() -> None:
    run = invented_runs.carburizing()
    stages = (Span("austenitize", 0.0, 60.0), Span("cool", 60.0, np.inf))
    words = words_of(draw_run(replace(run, temperature=replace(run.temperature, stages=stages)), METRIC))
    assert "cool" in words
    assert "austenitize" not in words


def test_drawing_leaves_the_settings_of_matplotlib_as_they_were() -> None:
    before = dict(matplotlib.rcParams)
    png(draw_run(invented_runs.carburizing(), METRIC))
    assert dict(matplotlib.rcParams) == before


def test_a_picture_can_be_written_to_a_file(tmp_path: Path) -> None:
    path = tmp_path / "run.png"
    save_png(invented_runs.carburizing(), METRIC, path)
    assert path.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    "module", ["text", "series", "thinning", "wording", "time_axis", "snapshot", "live_terminal", "calm_lines"]
)
def test_only_drawing_loads_matplotlib(module: str) -> None:
    code = f"import sys; import logger.views.{module}; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
