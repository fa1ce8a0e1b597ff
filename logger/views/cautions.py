"""Cautions for the moment in which somebody is about to act: short, and always deferring to those who know the place.

All of it is common practice of the trade, no source; the limits of this program are its own. Views show a caution
where the action is, not in a manual.
"""

from collections.abc import Iterable
from enum import StrEnum
from typing import Final

DEFERRING: Final = (
    "Local codes, the makers' data sheets and licensed practice come first. soaktally only reads: "
    "it cannot stop an oven and is no safety device."
)


class Moment(StrEnum):
    """What somebody is about to do."""

    PACKING = "packing the canister"
    LEAVING = "leaving the oven alone"
    BESIDE_THE_OVEN = "beside the hot oven"
    OPENING_HOT = "opening a hot canister"
    NEAR_MELTING = "steel near melting"
    QUENCHING = "quenching"
    QUENCHING_IN_WATER = "quenching in water or brine"
    COOLING_ON = "cooling on below freezing"
    AFTER_QUENCH = "after the quench"
    WIRING = "wiring the reader"
    DUMPING_PACK = "emptying the pack"


CAUTIONS: Final[dict[Moment, str]] = {
    Moment.PACKING: (
        "Pack dry and leave a small vent: damp powder in a tight canister can burst it. No galvanised parts: zinc fume "
        "makes you seriously ill. Some energizers are poisonous; use none you have no data sheet for."
    ),
    Moment.LEAVING: (
        "Do not leave an oven alone that has no independent over-temperature cut-out with a probe of its own. Relays "
        "fail closed: an alert cannot switch anything off. Have someone near who can."
    ),
    Moment.BESIDE_THE_OVEN: (
        "A charcoal pack gives off carbon monoxide, which has no smell. Outdoors or under an exhaust, with a CO alarm "
        "running, never in a room where anyone sleeps."
    ),
    Moment.OPENING_HOT: (
        "Let it cool shut if you can. Opened hot it flares, throws sparks and gives off carbon monoxide. Breaker off "
        "before reaching into the oven; face shield, gloves, dry floor, a planned place to put it down. No water on it."
    ),
    Moment.NEAR_MELTING: (
        "The skin can melt long before plain iron would, and run out of the canister onto the elements. Lower the heat "
        "at the oven itself and keep clear of it."
    ),
    Moment.QUENCHING: (
        "Oil can catch fire. Metal tank, lid within reach, no water anywhere near it, oil below its flash point, the "
        "whole piece under at once. A burning tank is closed with its lid, never hosed."
    ),
    Moment.QUENCHING_IN_WATER: (
        "Water and brine boil up and spit: face shield, gloves, long sleeves, a bath deep enough for the whole piece. "
        "Hot steel can crack in it and throw pieces. Never put wet steel or water into oil afterwards."
    ),
    Moment.COOLING_ON: (
        "Dry ice and liquid gases burn skin and push the air out of a closed room; a hard piece may crack in them. "
        "Open air, gloves and face shield, and temper as soon as it is warm again."
    ),
    Moment.AFTER_QUENCH: (
        "Hard steel that has not been tempered can crack by itself, hours later. Temper at once, and do not strike it."
    ),
    Moment.WIRING: (
        "Mains voltage inside. Breaker off and locked before any cover comes off; elements may stay live with the door "
        "open. Mains work belongs to a qualified person."
    ),
    Moment.DUMPING_PACK: (
        "Charcoal that looks dead can glow for hours and light a bin. Metal bucket with a lid, outdoors, overnight. "
        "Poured into water hot it throws steam and sparks."
    ),
}


def caution(moment: Moment) -> str:
    """The caution for one moment, with whom it defers to."""
    return f"{CAUTIONS[moment]} {DEFERRING}"


def cautions(moments: Iterable[Moment]) -> tuple[str, ...]:
    """The cautions for several moments, each once; whom they defer to stands after the last."""
    said = [CAUTIONS[moment] for moment in dict.fromkeys(moments)]
    return (*said[:-1], f"{said[-1]} {DEFERRING}") if said else ()
