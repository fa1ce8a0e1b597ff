"""Fit the tempering constants to the published data and judge them; prints everything it does.

Run from the top of the project:  python tests/published/fit_tempering.py

1. Each steel by itself: the constant c that puts its rows on one curve best (hardness a cubic in P).
2. c as a straight line in carbon through those, each weighted by how sharply its own data set it.
3. Hardness as a surface over P, carbon and manganese with that c.
4. Judgement: each steel from all the others, each study from the other, and how far the two studies lie apart
   where both measured the same carbon, temperature and time.

Left out: the row flagged suspect; rows below 20 HRC (off the Rockwell C scale); rows below 150 C (nothing softens);
the 10 s rows, in which a specimen is still warming up: with them the best c of a 1945 steel drops by 1 to 4 and the
scatter about its own curve doubles, and they alone set the 1945 studies apart from 1956 in c.
"""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

DATA = Path(__file__).with_name("tempered_hardness.csv")
CENTRE_K, SPAN_K, CARBON_CENTRE, MANGANESE_CENTRE = 11000.0, 5000.0, 0.70, 0.70
BETWEEN_STEELS = 1.0  # scatter of c from steel to steel that the data of one steel cannot show
CURVE_DEGREE = 3


@dataclass(frozen=True)
class Rows:
    """Published rows as arrays of equal length."""

    study: NDArray[np.str_]
    steel: NDArray[np.str_]
    carbon_wt_pct: Floats
    manganese_wt_pct: Floats
    temperature_K: Floats
    time_s: Floats
    hardness_HRC: Floats
    suspect: Mask

    def where(self, kept: Mask) -> "Rows":
        return Rows(*(getattr(self, name)[kept] for name in self.__dataclass_fields__))

    def __len__(self) -> int:
        return int(self.steel.size)


@dataclass(frozen=True)
class Fit:
    """Constants: c = c_at_centre + c_per_carbon (C - 0.70); hardness terms in the order of `surface`."""

    c_at_centre: float
    c_per_carbon: float
    terms: Floats


def read_rows(path: Path = DATA) -> Rows:
    with path.open(encoding="utf-8") as lines:
        table = list(csv.DictReader(line for line in lines if not line.startswith("#")))

    def column(name: str) -> Floats:
        return np.array([float(row[name]) for row in table])

    return Rows(
        study=np.array([row["source"] for row in table]),
        steel=np.array([row["steel"] for row in table]),
        carbon_wt_pct=column("C"),
        manganese_wt_pct=column("Mn"),
        temperature_K=column("temper_C") + 273.15,
        time_s=column("time_s"),
        hardness_HRC=column("HRC"),
        suspect=np.array([row["flag"] == "suspect" for row in table]),
    )


def used(rows: Rows) -> Mask:
    on_scale = ~rows.suspect & (rows.hardness_HRC >= 20.0)
    return on_scale & (rows.temperature_K > 420.0) & (rows.time_s > 10.5)


def parameter_K(rows: Rows, c: float | Floats) -> Floats:
    return rows.temperature_K * (c + np.log10(rows.time_s / 3600.0))


def own_curve(rows: Rows, c: float) -> tuple[Floats, Floats]:
    """Cubic of one steel's hardness over P, and its residuals."""
    x = (parameter_K(rows, c) - CENTRE_K) / SPAN_K
    curve = np.polyfit(x, rows.hardness_HRC, CURVE_DEGREE)
    return curve, np.polyval(curve, x) - rows.hardness_HRC


def own_constant(rows: Rows) -> tuple[float, float, float]:
    """Best c of one steel, its standard error, and the rms about its own curve [HRC]."""

    def squares(c: float) -> float:
        return float(np.sum(own_curve(rows, c)[1] ** 2))

    best = float(minimize_scalar(squares, bounds=(8.0, 30.0), method="bounded", options={"xatol": 1e-4}).x)
    variance = squares(best) / (len(rows) - CURVE_DEGREE - 2)
    curvature = (squares(best + 0.5) - 2.0 * squares(best) + squares(best - 0.5)) / 0.25
    return best, float(np.sqrt(2.0 * variance / curvature)), float(np.sqrt(squares(best) / len(rows)))


def steels(rows: Rows) -> list[str]:
    """Names, by carbon."""
    return sorted(set(rows.steel), key=lambda name: (rows.carbon_wt_pct[rows.steel == name][0], name))


def constant_line(rows: Rows) -> tuple[float, float]:
    """c at 0.70 % C and its change per % C, from every steel that was held for more than one time."""
    carbon, best, weight = [], [], []
    for name in steels(rows):
        own = rows.where(rows.steel == name)
        if np.unique(own.time_s).size > 1:
            c, error, _ = own_constant(own)
            carbon.append(own.carbon_wt_pct[0] - CARBON_CENTRE)
            best.append(c)
            weight.append(1.0 / np.hypot(error, BETWEEN_STEELS))
    slope, level = np.polyfit(carbon, best, 1, w=weight)
    return float(level), float(slope)


def surface(rows: Rows, c_at_centre: float, c_per_carbon: float) -> Floats:
    """The terms of the hardness, one column each."""
    w = rows.carbon_wt_pct - CARBON_CENTRE
    x = (parameter_K(rows, c_at_centre + c_per_carbon * w) - CENTRE_K) / SPAN_K
    one, m = np.ones_like(x), rows.manganese_wt_pct - MANGANESE_CENTRE
    return np.stack([one, x, x**2, w, x * w, w**2, x * w**2, m], axis=1)


def fit(rows: Rows) -> Fit:
    level, slope = (round(value, 2) for value in constant_line(rows))
    terms = np.linalg.lstsq(surface(rows, level, slope), rows.hardness_HRC, rcond=None)[0]
    return Fit(level, slope, np.round(terms, 3))


def residuals(found: Fit, rows: Rows) -> Floats:
    """Predicted minus measured hardness [HRC]."""
    return surface(rows, found.c_at_centre, found.c_per_carbon) @ found.terms - rows.hardness_HRC


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def each_steel_from_the_others(rows: Rows) -> Floats:
    return np.concatenate(
        [residuals(fit(rows.where(rows.steel != name)), rows.where(rows.steel == name)) for name in steels(rows)]
    )


def one_study_from_the_other(rows: Rows, known: str, judged: str) -> tuple[Fit, Floats]:
    """Fit on one study; residuals of the other's rows inside the carbon of the first."""
    train = rows.where(rows.study == known)
    low, high = train.carbon_wt_pct.min(), train.carbon_wt_pct.max()
    inside = (rows.study == judged) & (rows.carbon_wt_pct >= low) & (rows.carbon_wt_pct <= high)
    found = fit(train)
    return found, residuals(found, rows.where(inside))


def between_studies(rows: Rows, found: Fit) -> Floats:
    """1956 minus 1945 hardness at the carbon, temperature and time of each 1945 row.

    The 1956 value comes from the own curves of its two steels next in carbon, where both were measured at that
    parameter, interpolated linearly in carbon; no surface is involved.
    """
    early, late = rows.where(rows.study == "HollomonJaffe1945"), rows.where(rows.study == "GrangeBaughman1956")
    curves = []
    for name in steels(late):
        own = late.where(late.steel == name)
        carbon = float(own.carbon_wt_pct[0])
        c = found.c_at_centre + found.c_per_carbon * (carbon - CARBON_CENTRE)
        P = parameter_K(own, c)
        if len(own) > CURVE_DEGREE + 2:
            curves.append((carbon, c, own_curve(own, c)[0], P.min(), P.max()))
    apart = []
    for i in range(len(early)):
        carbon = early.carbon_wt_pct[i]
        below = [curve for curve in curves if curve[0] <= carbon]
        above = [curve for curve in curves if curve[0] >= carbon]
        if not below or not above:
            continue
        pair, values = (below[-1], above[0]), []
        for _, c, curve, low, high in pair:
            P = parameter_K(early.where(np.arange(len(early)) == i), c)[0]
            values.append(np.polyval(curve, (P - CENTRE_K) / SPAN_K) if low <= P <= high else np.nan)
        share = 0.0 if pair[0][0] == pair[1][0] else (carbon - pair[0][0]) / (pair[1][0] - pair[0][0])
        apart.append((1.0 - share) * values[0] + share * values[1] - early.hardness_HRC[i])
    return np.array(apart)[np.isfinite(apart)]


def main() -> None:
    rows = read_rows()
    kept = used(rows)
    chosen = rows.where(kept)
    print(
        f"{len(rows)} rows; used {len(chosen)}; suspect {int(rows.suspect.sum())}, below 20 HRC "
        f"{int((rows.hardness_HRC < 20).sum())}, below 150 C {int((rows.temperature_K <= 420).sum())}, "
        f"10 s {int((rows.time_s <= 10.5).sum())} (some for more than one reason)"
    )
    found = fit(chosen)
    off = residuals(found, chosen)
    print(
        "\nsteel                    C     Mn    rows  own c        rms  | with 10 s rows: c    rms "
        "| this fit: c  bias  rms"
    )
    with_short = rows.where(~rows.suspect & (rows.hardness_HRC >= 20.0) & (rows.temperature_K > 420.0))
    for name in steels(chosen):
        own = chosen.where(chosen.steel == name)
        r = off[chosen.steel == name]
        carbon = own.carbon_wt_pct[0]
        line = f"{name:22} {carbon:5.2f} {own.manganese_wt_pct[0]:6.2f} {len(own):5d}"
        if np.unique(own.time_s).size > 1:
            c, error, spread = own_constant(own)
            c_short, _, spread_short = own_constant(with_short.where(with_short.steel == name))
            line += f"  {c:5.1f} +- {error:3.1f} {spread:6.2f}  |           {c_short:5.1f} {spread_short:10.2f}"
        else:
            line += f"  {'one time only':36}        "
        c_fit = found.c_at_centre + found.c_per_carbon * (carbon - CARBON_CENTRE)
        print(f"{line}  | {c_fit:9.1f} {r.mean():7.2f} {rms(r):5.2f}")
    print(f"\nc = {found.c_at_centre:.2f} {found.c_per_carbon:+.2f} (C - {CARBON_CENTRE:.2f}), time in hours")
    print("hardness terms 1, x, x^2, w, xw, w^2, xw^2, m:", ", ".join(f"{term:.3f}" for term in found.terms))
    c_of = found.c_at_centre + found.c_per_carbon * (chosen.carbon_wt_pct - CARBON_CENTRE)
    P = parameter_K(chosen, c_of)
    print(
        f"parameter {P.min():.0f} to {P.max():.0f} K; rms over its own rows {rms(off):.2f} HRC, "
        f"largest {np.abs(off).max():.1f}"
    )
    print(f"each steel from all the others: rms {rms(each_steel_from_the_others(chosen)):.2f} HRC")
    short = rows.where(~rows.suspect & (rows.hardness_HRC >= 20) & (rows.temperature_K > 420) & (rows.time_s <= 10.5))
    left = residuals(found, short)
    print(f"10 s rows, not used: bias {left.mean():+.2f}, rms {rms(left):.2f} HRC (minus: softer than measured)")
    apart = between_studies(chosen, found)
    print(
        f"\n1956 minus 1945 at the same carbon, temperature, time: {apart.size} rows, mean {apart.mean():+.2f}, "
        f"rms {rms(apart):.2f} HRC: the study-to-study scatter"
    )
    for known, judged in (("HollomonJaffe1945", "GrangeBaughman1956"), ("GrangeBaughman1956", "HollomonJaffe1945")):
        other, r = one_study_from_the_other(chosen, known, judged)
        print(
            f"fit on {known} (c {other.c_at_centre:.2f} {other.c_per_carbon:+.2f}), judged on {judged}: {r.size} rows, "
            f"bias {r.mean():+.2f}, rms {rms(r):.2f} HRC = {rms(r) / rms(apart):.2f} of the scatter (limit 1.5)"
        )


if __name__ == "__main__":
    main()
