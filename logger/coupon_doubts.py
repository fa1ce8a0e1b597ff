"""Why a measurement on a coupon may be wrong (common practice, no source)."""

from math import isnan

from logger.coupon import Kind, Measured

RICH_WT_PCT = 0.85


def what_may_be_wrong(measured: Measured, misfit: float, richest_wt_pct: float) -> tuple[str, ...]:
    """What may be wrong with a measurement that disagrees with everything.

    Parameters
    ----------
    measured : the measurement
    misfit : by how much it is more than predicted [its own unit]; NaN: nothing is predicted
    richest_wt_pct : most carbon reckoned anywhere in the coupon [wt%]
    """
    if isnan(misfit):
        return ("nothing is reckoned for it",)
    high = misfit > 0.0
    match measured.kind:
        case Kind.WEIGHT if high:
            return (
                "scale or stuck charcoal still on it: scale is oxygen and weighs",
                "the area counted too small, or the two weights swapped with another coupon's",
            )
        case Kind.WEIGHT:
            return (
                "scale flaked or was pickled off, and iron with it",
                "it lost carbon to the air while it was opened hot",
                "the pack had shrunk away from it: carbon came through part of its faces only",
            )
        case Kind.DEPTH if high:
            return (
                "the whole dark band was read, which is nearer to core + 0.04 % than to a higher carbon",
                "etched too long, or cut aslant",
            )
        case Kind.DEPTH:
            return (
                "a higher carbon was read as the end of the case than the criterion says",
                "a decarburized skin was ground or scaled away before it was cut",
            )
        case Kind.HARDNESS if high:
            return ("another depth than stated", "the tester reads high: try it on a test block")
        case Kind.HARDNESS:
            kept = (f"soft for retained austenite: about {richest_wt_pct:.1f} % C is reckoned where it is richest",)
            return (
                *(kept if richest_wt_pct > RICH_WT_PCT else ()),
                "a decarburized skin: grind 0.1 to 0.2 mm deeper and test again",
                "quenched too slowly or from too low",
                "scale under the penetrator, or a spot too near to the edge",
            )
        case _ if high:
            return ("soot, charcoal or cast-iron skin in the sample", "taken nearer to the face than stated")
        case _:
            return ("decarburized before the sample was taken", "taken deeper than stated")
