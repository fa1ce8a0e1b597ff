"""What a picture of a run shows, as plain values: traces, spans and marks in run time, a profile, a depth over time.

Everything is in SI (run time [s], temperature [K], depth [m], carbon [wt%]); the drawing turns it into the reader's
units. A band is a pair of arrays (low, high), 5 and 95 %. The same values feed the PNG, the report and the page.
"""

from dataclasses import dataclass, field
from datetime import tzinfo
from enum import StrEnum
from typing import Literal

from logger.alert_rules import Severity
from logger.units import FloatArray

Band = tuple[FloatArray, FloatArray]


class Role(StrEnum):
    """What a trace is, which decides how it is drawn."""

    STEEL = "steel"
    OVEN = "oven"
    SETPOINT = "set point"
    OTHER = "other"


@dataclass(frozen=True, slots=True, eq=False)
class TraceView:
    """One line of temperature [K] over run time [s], shape (n,) each; NaN breaks the line."""

    label: str
    role: Role
    time_s: FloatArray
    temperature_K: FloatArray
    band_K: Band | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """A named stretch of the run, from and to in run time [s]."""

    name: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True, eq=False)
class GapSpan(Span):
    """A stretch without readings: ``between`` are the times [s] and the lowest and highest course [K] of the driving
    thermocouple through it, shape (n,) each; None where nothing is known of it."""

    between: tuple[FloatArray, FloatArray, FloatArray] | None = None


@dataclass(frozen=True, slots=True)
class SoakSpan:
    """A soak, from and to in run time [s]: seconds of it inside the band, and that tolerance band (low, high) [K]."""

    from_s: float
    to_s: float
    in_band_s: float
    band_K: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened at a moment of run time [s], in words."""

    time_s: float
    words: str
    severity: Severity = Severity.NEWS


@dataclass(frozen=True, slots=True, eq=False)
class TemperatureView:
    """The heat itself. ``soak_band_K``: the band (low, high) [K] in which a soak would count, if that is known."""

    traces: tuple[TraceView, ...]
    stages: tuple[Span, ...] = ()
    soaks: tuple[SoakSpan, ...] = ()
    soak_band_K: tuple[float, float] | None = None
    gaps: tuple[GapSpan, ...] = ()
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class ProfileCurve:
    """Carbon [wt%] against depth from the face [m], shape (n,) each; ``when`` it is, was or will be so.

    ``apart_wt_pct``: instead of one band, that of the cases that have not melted and that of those that have.
    """

    label: str
    depth_m: FloatArray
    carbon_wt_pct: FloatArray
    band_wt_pct: Band | None = None
    when: Literal["now", "target", "worst"] = "now"
    apart_wt_pct: tuple[Band, Band] | None = None


@dataclass(frozen=True, slots=True, order=True)
class CarbonLimit:
    """A horizontal line in the profile: what begins above this carbon content [wt%]."""

    carbon_wt_pct: float
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class ProfileView:
    """Carbon through the section, the first curve being the one that counts.

    ``case_at_wt_pct`` and ``case_depth_m`` mark one case depth. ``skin_m`` [m] carries carbide, ``liquid_m`` [m] has
    been melted: both measured from the left face. ``far_end`` names the right-hand end of the depth axis.
    """

    curves: tuple[ProfileCurve, ...]
    limits: tuple[CarbonLimit, ...] = ()
    case_at_wt_pct: float | None = None
    case_depth_m: float | None = None
    skin_m: float = 0.0
    liquid_m: float = 0.0
    far_end: str = "middle of the section"


@dataclass(frozen=True, slots=True, eq=False)
class DepthView:
    """Case depth [m] over run time [s], shape (n,) each, with its definition in words ("to 0.40 % C").

    ``reached_s`` is when the target was reached; while it is still ahead, ``expected_s`` says when it should be,
    within ``expected_range_s``.
    """

    definition: str
    time_s: FloatArray
    depth_m: FloatArray
    band_m: Band | None = None
    target_m: float | None = None
    reached_s: float | None = None
    expected_s: float | None = None
    expected_range_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class TemperView:
    """Tempering over run time [s], shape (n,) each: parameter P = T (c + log10 t) [K, h] and hardness [HRC]."""

    constant: float
    time_s: FloatArray
    parameter: FloatArray
    target_parameter: float | None = None
    hardness_HRC: FloatArray | None = None
    hardness_band_HRC: Band | None = None
    target_hardness_HRC: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SectionView:
    """Hardness [HRC] against depth from the face [m], (n,) each; NaN where there is none.

    ``tempered`` is None before a temper. ``quenched_label`` names the quench; ``depth_50_hrc_m`` is the depth to 50 HRC
    as quenched [m].
    """

    depth_m: FloatArray
    quenched_HRC: FloatArray
    quenched_label: str
    quenched_band_HRC: Band | None = None
    tempered: FloatArray | None = None
    tempered_band_HRC: Band | None = None
    depth_50_hrc_m: float = 0.0
    far_end: str = "middle of the section"


@dataclass(frozen=True, slots=True, eq=False)
class RunView:
    """Everything one picture of one run shows. ``start_utc_s`` is the wall clock at run time 0 (None: not known)."""

    title: str
    headline: str
    temperature: TemperatureView
    start_utc_s: float | None = None
    zone: tzinfo | None = None
    profile: ProfileView | None = None
    depth: DepthView | None = None
    temper: TemperView | None = None
    section: SectionView | None = None
    notes: tuple[str, ...] = field(default=())
