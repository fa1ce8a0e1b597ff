"""The look of every picture: inks, line styles and sizes, chosen to stay apart in grey and for colour-blind eyes.

Hot steel is the one warm, heavy line; everything around it is thinner and cooler. Colour is never the only sign:
roles differ in width and dashes, severities in shape, areas in hatching, and every line carries its name.
"""

from dataclasses import dataclass
from typing import Literal

from logger.alert_rules import Severity
from logger.views.series import Role

INK = "#20242b"
FAINT_INK = "#5d646f"
RULE = "#dfe1e4"
PAPER = "#ffffff"
STEEL = "#b4390f"
OVEN = "#6f93b5"
SETPOINT = "#4a4f58"
OTHER = "#8f7fa8"
CARBON = "#1d3f5e"
SOAK_FILL = "#f7e6bd"
SOAK_EDGE = "#8a6a12"
TARGET = "#0c6b5c"
SKIN_FILL = "#d9d3e6"
LIQUID_FILL = "#e7a9a0"
DANGER = "#7d0f22"
GAP_FILL = "#eceef1"
STAGE_FILLS = ("#e9ebee", "#d3d8de")


@dataclass(frozen=True, slots=True)
class Stroke:
    """How a line is drawn: colour, width [points], dash pattern in matplotlib's terms."""

    colour: str
    width: float
    dashes: Literal["solid"] | tuple[float, tuple[float, ...]] = "solid"


TRACES: dict[Role, Stroke] = {
    Role.STEEL: Stroke(STEEL, 3.0),
    Role.OVEN: Stroke(OVEN, 1.8),
    Role.SETPOINT: Stroke(SETPOINT, 1.3, (0, (6.0, 2.5))),
    Role.OTHER: Stroke(OTHER, 1.3, (0, (1.2, 1.6))),
}
PROFILES: tuple[Stroke, ...] = (
    Stroke(CARBON, 3.2),
    Stroke(FAINT_INK, 1.8, (0, (5.0, 2.0))),
    Stroke(OTHER, 1.8, (0, (1.2, 1.6))),
)
AIM = Stroke(TARGET, 1.8, (0, (8.0, 3.0, 1.5, 3.0)))


@dataclass(frozen=True, slots=True)
class Sign:
    """How a mark is drawn: matplotlib marker and colour; ``word`` says the same in text."""

    marker: str
    colour: str
    word: str


SIGNS: dict[Severity, Sign] = {
    Severity.NEWS: Sign("o", CARBON, "news"),
    Severity.WARNING: Sign("^", SOAK_EDGE, "warning"),
    Severity.DANGER: Sign("D", DANGER, "danger"),
}

TITLE_PT, HEADING_PT, TEXT_PT, SMALL_PT = 19.0, 14.5, 12.5, 11.0

STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": TEXT_PT,
    "text.color": INK,
    "axes.edgecolor": FAINT_INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 1.0,
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": TEXT_PT,
    "ytick.labelsize": TEXT_PT,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "hatch.linewidth": 0.8,
    "path.simplify": True,
    "text.usetex": False,
    "text.parse_math": False,
}
